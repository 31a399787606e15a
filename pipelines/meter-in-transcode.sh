#!/usr/bin/env bash
# The meter inside somebody else's transcode: the decoded picture is measured, then split by a tee into an H.264 file
# and a small preview, and the meter changes neither.
#
# usage: pipelines/meter-in-transcode.sh FILE OUT.mkv OUT.jsonl
set -euo pipefail
# shellcheck source-path=SCRIPTDIR source=common.sh
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"
find_plugin
[ $# = 3 ] || die "usage: meter-in-transcode.sh FILE OUT.mkv OUT.jsonl"
[ -f "$1" ] || die "no such file: $1"
for out in "$2" "$3"; do [ ! -e "$out" ] || die "$out exists already"; done

# Before the tee the meter sees every frame once; behind a leaky queue it would see those alone that were let
# through. x264enc is given its format: left free it would take 4:4:4, which few players show.
exec gst-launch-1.0 -q -e \
    filesrc location="$(launch_value "$1")" \
    ! decodebin caps='video/x-raw(ANY)' expose-all-streams=false force-sw-decoders=true \
    ! noisemeter post-messages=false record-location="$(launch_value "$3")" \
    ! tee name=split \
    split. ! queue ! videoconvert ! video/x-raw,format=I420 ! x264enc speed-preset=fast ! h264parse \
    ! matroskamux ! filesink location="$(launch_value "$2")" \
    split. ! queue leaky=downstream max-size-buffers=1 ! videoscale ! video/x-raw,width=320 \
    ! fakesink sync=false async=false
