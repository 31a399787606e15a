#!/usr/bin/env bash
# Holds the meter against the simulated camera and rewrites the tables in docs/accuracy.md.
#
# usage: tests/accuracy.sh [PART…]
# With parts (white, recursive, intervals, lamps, …) it prints their tables and leaves the book alone. Exit code 1 where
# something does not hold. Everything takes about ten minutes on two cores.
set -euo pipefail
# shellcheck source-path=SCRIPTDIR source=../pipelines/common.sh
. "$(dirname "${BASH_SOURCE[0]}")/../pipelines/common.sh"
cd "$root"
need_cargo
exec cargo run --quiet --release --locked -p noisemeter-tests --bin accuracy -- "$@"
