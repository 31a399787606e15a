#!/usr/bin/env bash
# A player with the meter as its video filter: playbin decodes and shows the file, the meter measures what it plays
# and its messages come out on the terminal.
#
# usage: pipelines/playbin-filter.sh FILE|URI [PLAYBIN_PROPERTY=VALUE…]
set -euo pipefail
# shellcheck source-path=SCRIPTDIR source=common.sh
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"
find_plugin
[ $# -ge 1 ] || die "usage: playbin-filter.sh FILE|URI [PLAYBIN_PROPERTY=VALUE…]"

# file_uri PATH: the path as a URI; every byte but the plainest is escaped.
file_uri() {
    local LC_ALL=C path byte i
    path=$(realpath -- "$1")
    printf 'file://'
    for ((i = 0; i < ${#path}; i++)); do
        byte=${path:i:1}
        case $byte in
        [a-zA-Z0-9/._-]) printf '%s' "$byte" ;;
        *) printf '%%%02X' "$(($(printf '%d' "'$byte") & 255))" ;;
        esac
    done
}

if [ -f "$1" ]; then
    uri=$(file_uri "$1")
elif [[ $1 == *://* ]]; then
    uri=$1
else
    die "neither a file nor a URI: $1"
fi
shift
[[ " $* " == *' video-sink='* ]] || set -- "$@" video-sink="$(screen)"
exec gst-launch-1.0 -m -e playbin uri="$uri" video-filter=noisemeter "$@"
