#!/usr/bin/env bash
# A moving test picture on the screen, at the pace of a camera, with the meter in the line: one message a second
# on the terminal. Without a screen the picture goes nowhere and the messages come all the same.
#
# usage: pipelines/monitor-testsource.sh [FRAMES]      (default 250; 0: until Ctrl-C)
set -euo pipefail
# shellcheck source-path=SCRIPTDIR source=common.sh
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"
find_plugin
frames=${1:-250}
[[ $frames =~ ^[0-9]+$ ]] || die "FRAMES is a whole number, not '$frames'"
[ "$frames" != 0 ] || frames=-1

# The meter stands before the converter: it reads what the source gives, not what the screen wants.
exec gst-launch-1.0 -m -e \
    videotestsrc is-live=true num-buffers="$frames" pattern=smpte \
    ! video/x-raw,format=I420,width=640,height=360,framerate=25/1 \
    ! noisemeter regions='snow=79%,80%,15%,15%;bar=2%,20%,8%,30%' \
    ! videoconvert ! "$(screen)"
