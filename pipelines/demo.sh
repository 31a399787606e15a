#!/usr/bin/env bash
# Builds the meter, measures clips with it and prints what it found.
#
# usage: pipelines/demo.sh [CLIP…]
# Without CLIP a small session of three simulated cameras is rendered into ./lowlight-demo and measured, and what was
# found is printed beside the truth, which a simulation knows. Whatever `lowlight measure` takes may stand
# among the clips: pipelines/demo.sh --regions 'grey=40%,40%,20%,20%' a800.mov a1600.mov
#
# On Debian 12 and its relatives it needs git and cargo alone and installs the rest with apt, saying what.
# Results stay in ./lowlight-results, one JSON line a window and one summary a clip.
set -euo pipefail
# shellcheck source-path=SCRIPTDIR source=common.sh
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"

case ${1:-} in
-h | --help)
    sed -n '2,/^set /{/^#/s/^# \{0,1\}//p}' "${BASH_SOURCE[0]}"
    exit 0
    ;;
esac

command -v git >/dev/null || die "git is needed and was not found; run: apt-get install git"
need_cargo
install_missing "${build_packages[@]}"

printf 'Building (some minutes the first time) …\n'
cargo build --quiet --release --locked --manifest-path "$root/Cargo.toml" -p lowlight -p gst-plugin-noisemeter

program=$target/release/lowlight
if [ $# -gt 0 ]; then
    [[ " $* " == *' --out'* ]] || printf 'Measuring; results go to %s\n\n' "$PWD/lowlight-results"
    exec "$program" measure "$@"
fi

demo=lowlight-demo results=lowlight-results
printf 'Rendering three simulated cameras to %s …\n' "$PWD/$demo"
"$program" simulate --size 480x270 --steps 3 "$demo"

printf '\nMeasuring; results go to %s\n' "$PWD/$results"
"$program" measure --out "$results" --layout "$demo/chart.json" --transfer acescct --truth auto "$demo"/clips/*.mkv

printf '\nOne of the clips again, three patches of it, as clips of your own are shown:\n'
"$program" measure --out "$results/patches" --transfer acescct \
    --regions 'light=47.5%,22%,5%,9%;grey=42%,41%,16%,18%;dark=35.1%,7.1%,5%,9%' \
    "$demo/clips/larch-unfiltered-04000.mkv"
