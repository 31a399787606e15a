#!/usr/bin/env bash
# A recorded file through the meter as fast as it decodes: one JSON line a second of video into OUT.
#
# usage: pipelines/file-to-json.sh FILE OUT.jsonl [PROPERTY=VALUE…]
# Properties of the meter go at the end: regions='grey=40%,40%,20%,20%' interval=500000000
set -euo pipefail
# shellcheck source-path=SCRIPTDIR source=common.sh
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"
find_plugin
[ $# -ge 2 ] || die "usage: file-to-json.sh FILE OUT.jsonl [PROPERTY=VALUE…]"
[ -f "$1" ] || die "no such file: $1"
[ ! -e "$2" ] || die "$2 exists already; the meter would add its lines to it"
file=$1 out=$2
shift 2

# Video alone is decoded, with software decoders, and reaches the meter in the file's own format.
exec gst-launch-1.0 -q \
    filesrc location="$(launch_value "$file")" \
    ! decodebin caps='video/x-raw(ANY)' expose-all-streams=false force-sw-decoders=true \
    ! noisemeter post-messages=false record-location="$(launch_value "$out")" "$@" \
    ! fakesink sync=false
