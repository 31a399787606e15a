#!/usr/bin/env bash
# A test clip from stock elements alone: three grey patches on a darker ground, two stops under, at and one and a
# half over mid grey, with moving noise in luma and chroma and some standing noise. Lossless, 10-bit 4:2:2.
#
# usage: pipelines/make-clip.sh OUT.mkv [FRAMES]
set -euo pipefail
# shellcheck source-path=SCRIPTDIR source=common.sh
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"
[ $# = 1 ] || [ $# = 2 ] || die "usage: make-clip.sh OUT.mkv [FRAMES]"
out=$1
frames=${2:-75}
width=960 height=540 rate=25/1

# grey HEX: an endless patch of one grey.
grey() {
    printf 'videotestsrc num-buffers=%s pattern=solid-color foreground-color=0xff%s%s%s ! video/x-raw,framerate=%s' \
        "$frames" "$1" "$1" "$1" "$rate"
}
# Grey snow twice as high as the picture, its bytes read as the planes of a 4:2:2 frame: independent noise in Y, Cb
# and Cr.
snow="video/x-raw,format=GRAY8,width=$width,height=$((height * 2)),framerate=$rate"
planes="rawvideoparse format=y42b width=$width height=$height framerate=$rate"

# Each pad's alpha says how much of its picture is mixed in: 1/20 of the moving snow, 1/80 of the frozen one.
# The frozen one is turned round, since the moving one begins with the same picture.
# shellcheck disable=SC2046,SC2086 # the helpers print words of a gst-launch line
gst-launch-1.0 -q -e \
    compositor name=mix background=black \
    sink_1::xpos=60 sink_1::ypos=60 sink_2::xpos=360 sink_2::ypos=60 sink_3::xpos=660 sink_3::ypos=60 \
    sink_4::alpha=0.0125 sink_5::alpha=0.05 \
    ! "video/x-raw,format=A422_10LE,width=$width,height=$height,framerate=$rate,colorimetry=bt709" \
    ! videoconvert ! video/x-raw,format=I422_10LE ! avenc_ffv1 ! matroskamux \
    ! filesink location="$(launch_value "$out")" \
    $(grey 46),width=$width,height=$height ! mix.sink_0 \
    $(grey 2c),width=240,height=240 ! mix.sink_1 \
    $(grey 68),width=240,height=240 ! mix.sink_2 \
    $(grey b6),width=240,height=240 ! mix.sink_3 \
    videotestsrc num-buffers=1 pattern=snow ! "$snow" ! videoflip video-direction=180 ! $planes \
    ! imagefreeze num-buffers="$frames" ! mix.sink_4 \
    videotestsrc num-buffers="$frames" pattern=snow ! "$snow" ! $planes ! mix.sink_5
