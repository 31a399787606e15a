#!/usr/bin/env bash
# Sets up what the tests need, runs all of them and stops at the first step that fails, naming it.
#
# usage: tests/run.sh
# Needs cargo (the version in Cargo.toml) with rustfmt and clippy; installs the rest: Debian packages with apt,
# cargo-nextest with cargo, Python packages into a venv under target/.
set -euo pipefail
# shellcheck source-path=SCRIPTDIR source=../pipelines/common.sh
. "$(dirname "${BASH_SOURCE[0]}")/../pipelines/common.sh"
cd "$root"

step='' began=0 done_steps=0
finish() {
    local code=$?
    trap - EXIT
    if [ "$code" = 0 ]; then
        printf '\nAll %s steps passed in %s min.\n' "$done_steps" "$(((SECONDS + 59) / 60))"
    else
        printf '\nFAILED in step "%s" (exit code %s).\n' "$step" "$code" >&2
    fi
    exit "$code"
}
trap finish EXIT

# begin NAME: closes the step before and opens the next one.
begin() {
    end
    step=$1 began=$SECONDS
    printf '\n=== %s ===\n' "$step"
}
end() {
    [ -n "$step" ] || return 0
    printf -- '--- %s: passed in %s s\n' "$step" $((SECONDS - began))
    done_steps=$((done_steps + 1))
}

begin 'Set-up'
need_cargo
for part in fmt clippy; do
    cargo "$part" --version >/dev/null 2>&1 || die "cargo $part is missing; run: rustup component add rustfmt clippy"
done
install_missing git "${build_packages[@]}" ffmpeg valgrind python3 python3-venv python3-gi python3-gst-1.0 \
    gir1.2-gst-plugins-base-1.0
if ! cargo nextest --version >/dev/null 2>&1; then
    printf 'Installing cargo-nextest with cargo (some minutes) …\n'
    # Unoptimised and without its self-update: built in half the time, and as good for a run of tests.
    cargo install --quiet --locked --debug --no-default-features --features default-no-update \
        --version 0.9.143 cargo-nextest
fi
venv=$target/venv
[ -x "$venv/bin/python" ] || /usr/bin/python3 -m venv --system-site-packages "$venv"
[ ! -e tests/outside/requirements.txt ] ||
    "$venv/bin/python" -m pip install --quiet --disable-pip-version-check -r tests/outside/requirements.txt

begin 'Format (cargo fmt)'
cargo fmt --all --check

begin 'Build: program and plugin, development profile'
cargo build --workspace --locked
export GST_PLUGIN_PATH=$target/debug
# A registry of our own: nothing of what is installed elsewhere on this machine takes part.
export GST_REGISTRY=$target/tests-registry.bin
for element in noisemeter simcamsrc; do
    gst-inspect-1.0 "$element" >/dev/null
done

begin 'Lints (cargo clippy)'
cargo clippy --workspace --all-targets --locked -- -D warnings

begin 'Licences and sources (cargo deny)'
# The licence list is also held by tests/tests/architecture.rs, which needs no extra program.
if cargo deny --version >/dev/null 2>&1; then
    cargo deny --locked check licenses bans sources
else
    printf 'cargo-deny is not installed: left to the architecture tests.\n'
fi

begin 'Rust tests (cargo nextest)'
cargo nextest run --workspace --locked --no-fail-fast

begin 'Benches, each run once (cargo test --bench)'
# Equality with the plain loops is asserted before anything is timed; here nothing is timed.
cargo test --workspace --locked --bench '*' --quiet
tests/bench.sh --quick >/dev/null

begin 'Documentation examples (cargo test --doc)'
cargo test --workspace --locked --doc --quiet

begin 'Checks against outside references (pytest)'
"$venv/bin/python" -m pytest -q tests/outside

begin 'Leaks (GST_TRACERS=leaks)'
# The tracer traps (exit code 133) when an object of GStreamer outlives the pipeline.
for properties in '' 'attach-meta=true attach-roi=true' 'grid=4x3 interval=100000000'; do
    # shellcheck disable=SC2086 # words of a gst-launch line
    GST_TRACERS=leaks G_DEBUG=fatal-warnings gst-launch-1.0 -q \
        videotestsrc num-buffers=60 ! video/x-raw,format=I422_10LE,width=64,height=48,framerate=25/1 \
        ! noisemeter $properties ! fakesink
done

for properties in '' 'noise-reduction=spatial+temporal flicker-depth=0.2' 'is-live=true scene=dark'; do
    # shellcheck disable=SC2086 # words of a gst-launch line
    GST_TRACERS=leaks G_DEBUG=fatal-warnings gst-launch-1.0 -q \
        simcamsrc num-buffers=20 $properties ! video/x-raw,format=I422_10LE,width=64,height=48,framerate=25/1 ! fakesink
done

begin 'Memory errors and leaks (valgrind)'
G_DEBUG=fatal-warnings valgrind -q --leak-check=full --show-leak-kinds=definite --errors-for-leak-kinds=definite --error-exitcode=42 \
    --suppressions=tests/valgrind.supp gst-launch-1.0 -q \
    videotestsrc num-buffers=12 ! video/x-raw,format=v210,width=50,height=32,framerate=25/1 \
    ! noisemeter interval=200000000 attach-meta=true grid=2x2 ! fakesink
G_DEBUG=fatal-warnings valgrind -q --leak-check=full --show-leak-kinds=definite --errors-for-leak-kinds=definite --error-exitcode=42 \
    --suppressions=tests/valgrind.supp gst-launch-1.0 -q \
    simcamsrc num-buffers=4 noise-reduction=spatial+temporal ! video/x-raw,format=v210,width=50,height=32,framerate=25/1 ! fakesink

begin 'AddressSanitizer (tests of the element)'
# The sanitizer's run-time library comes with stable toolchains; the switch is what nightly asks for otherwise.
host=$(rustc -vV | sed -n 's/^host: //p')
RUSTC_BOOTSTRAP=1 RUSTFLAGS=-Zsanitizer=address ASAN_OPTIONS=detect_leaks=0 CARGO_TARGET_DIR=$target/asan \
    cargo test --quiet --locked --target "$host" -p gst-plugin-noisemeter --lib --tests

begin 'Demo, as a newcomer runs it (pipelines/demo.sh)'
demo=$(mktemp -d "$target/demo-run.XXXXXX")
(cd "$demo" && env -u GST_PLUGIN_PATH -u GST_REGISTRY "$root/pipelines/demo.sh" | tee output)
# The tables in the README are those that the demo prints; only the name of the one clip is shortened there.
for table in clip region; do
    sed -n "/^$table  /,/^\`\`\`\$/{/^\`\`\`\$/d;p}" README.md >>"$demo/shown"
    grep -q "^$table  " "$demo/shown" || die "README.md shows no table of the demo that begins with $table"
done
while IFS= read -r line; do
    grep -Fxq -- "$line" "$demo/output" || die "README.md shows a line that the demo does not print: $line"
done <"$demo/shown"
rm -r "$demo"
end
step=''
