#!/usr/bin/env bash
# Measures how fast the meter is and rewrites the tables in docs/performance.md.
#
# usage: tests/bench.sh [--quick] [PART…]
# With parts (elements, kernels, decode, streams) it prints their tables and leaves the book alone. --quick takes
# seconds on small frames, to see that everything runs: its figures mean nothing and are not written either. Everything
# takes about a quarter of an hour on two cores, with 3 GB of memory, and wants a machine that does nothing else.
set -euo pipefail
# shellcheck source-path=SCRIPTDIR source=../pipelines/common.sh
. "$(dirname "${BASH_SOURCE[0]}")/../pipelines/common.sh"
cd "$root"
need_cargo
install_missing "${build_packages[@]}" ffmpeg python3 python3-venv
# Apart from the tests' own: the peers come without what those need.
venv=$target/bench-venv
[ -x "$venv/bin/python" ] || /usr/bin/python3 -m venv "$venv"
"$venv/bin/python" -m pip install --quiet --disable-pip-version-check -r tests/bench/requirements.txt
# The program is measured too; it stands beside the bench.
profile=release release=--release
# What only has to run is built as the tests build it.
case " $* " in *' --quick '*) profile=debug release= ;; esac
# shellcheck disable=SC2086 # nothing or one word
cargo build --quiet $release --locked -p lowlight -p noisemeter-tests --bin lowlight --bin bench
# A registry of our own: nothing of what is installed elsewhere on this machine takes part.
export GST_REGISTRY=$target/bench-registry.bin
unset GST_PLUGIN_PATH
exec "$target/$profile/bench" "$venv/bin/python" "$@"
