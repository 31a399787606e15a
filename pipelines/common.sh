# Shared by the scripts of this folder and by tests/run.sh: source it, do not run it.
# shellcheck shell=bash

root=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
target=${CARGO_TARGET_DIR:-$root/target}

# What building and running needs, by Debian's names.
# shellcheck disable=SC2034 # used by the scripts that source this file
build_packages=(
    gcc libc6-dev pkg-config libgstreamer1.0-dev libgstreamer-plugins-base1.0-dev
    gstreamer1.0-tools gstreamer1.0-plugins-base gstreamer1.0-plugins-good
    gstreamer1.0-plugins-bad gstreamer1.0-plugins-ugly gstreamer1.0-libav
)

# die TEXT: one line on stderr, exit code 2.
die() {
    printf '%s: %s\n' "$(basename "$0")" "$1" >&2
    exit 2
}

# install_missing PACKAGE…: installs with apt what dpkg does not have yet, and says what.
install_missing() {
    if ! command -v apt-get >/dev/null || ! command -v dpkg-query >/dev/null; then
        pkg-config --exists 'gstreamer-video-1.0 >= 1.22' 2>/dev/null ||
            die "no apt-get here: install GStreamer 1.22 or later with its headers and plugins (base, good, bad, ugly, libav) first"
        return 0
    fi
    local package missing=() as_root=()
    for package in "$@"; do
        [ "$(dpkg-query -W -f='${db:Status-Status}' "$package" 2>/dev/null)" = installed ] || missing+=("$package")
    done
    [ ${#missing[@]} -gt 0 ] || return 0
    if [ "$(id -u)" != 0 ]; then
        command -v sudo >/dev/null ||
            die "neither root nor sudo: have an administrator run: apt-get install ${missing[*]}"
        as_root=(sudo)
    fi
    printf 'Installing with apt: %s\n' "${missing[*]}"
    local log
    log=$(mktemp)
    if ! "${as_root[@]}" apt-get update -qq >"$log" 2>&1 ||
        ! "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive \
            apt-get install -y -qq --no-install-recommends "${missing[@]}" >"$log" 2>&1; then
        cat "$log" >&2
        die "apt-get failed, see above; $log keeps what it said"
    fi
    rm "$log"
}

# need_cargo: cargo of the version that Cargo.toml asks for, or one line that says how to get it.
need_cargo() {
    local wanted found how='see https://rustup.rs, or run: rustup update stable'
    wanted=$(sed -n 's/^rust-version = "\(.*\)"$/\1/p' "$root/Cargo.toml")
    command -v cargo >/dev/null || die "cargo $wanted or later is needed and none was found; $how"
    # First number of three parts: "cargo 1.95.0 (f2d3ce0bd 2026-03-21)", "cargo 1.96.0-nightly (…)".
    found=$(cd "$root" && cargo --version 2>/dev/null | sed -n 's/^cargo \([0-9]*\.[0-9]*\.[0-9]*\).*$/\1/p')
    [ -n "$found" ] || die "cargo $wanted or later is needed; 'cargo --version' does not run or names no version; $how"
    [ "$(printf '%s\n' "$wanted" "$found" | sort -V | head -n 1)" = "$wanted" ] ||
        die "cargo $wanted or later is needed, this is $found; $how"
}

# find_plugin: points GStreamer at the newest build of the plugin, unless GST_PLUGIN_PATH is set.
find_plugin() {
    command -v gst-launch-1.0 >/dev/null || die "gst-launch-1.0 is missing; pipelines/demo.sh installs it"
    [ -z "${GST_PLUGIN_PATH:-}" ] || return 0
    local built newest=
    for built in "$target"/{release,debug}/libgstnoisemeter.so; do
        if [ -e "$built" ] && { [ -z "$newest" ] || [ "$built" -nt "$newest" ]; }; then newest=$built; fi
    done
    [ -n "$newest" ] || die "the plugin is not built yet; run: cargo build --release -p gst-plugin-noisemeter"
    GST_PLUGIN_PATH=$(dirname "$newest")
    export GST_PLUGIN_PATH
}

# launch_value TEXT: TEXT as a value in a gst-launch line, whatever characters it holds.
launch_value() {
    local text=${1//\\/\\\\}
    printf '"%s"' "${text//\"/\\\"}"
}

# screen: the element that shows a picture, or one that only keeps its pace where there is nothing to show it on
# (autovideosink of GStreamer 1.22 crashes there).
screen() {
    if [ -n "${DISPLAY:-}${WAYLAND_DISPLAY:-}" ]; then
        printf autovideosink
    else
        printf 'No screen here: the picture is thrown away.\n' >&2
        printf fakevideosink
    fi
}
