#!/usr/bin/env bash
# Builds the meter, measures clips with it and prints what it found.
#
# usage: pipelines/demo.sh [CLIP…]
# Without CLIP a test clip of three grey patches is made and measured. Whatever `lowlight measure` takes may stand
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

if [ $# = 0 ]; then
    clip=$target/demo/grey-patches.mkv
    mkdir -p "$(dirname "$clip")"
    if [ ! -e "$clip" ]; then
        printf 'Making a test clip: %s …\n' "$clip"
        "$root/pipelines/make-clip.sh" "$clip.part"
        mv "$clip.part" "$clip"
    fi
    set -- --regions 'dark=80,80,200,200;grey=380,80,200,200;light=680,80,200,200' "$clip"
fi

[[ " $* " == *' --out'* ]] || printf 'Measuring; results go to %s\n\n' "$PWD/lowlight-results"
exec "$target/release/lowlight" measure "$@"
