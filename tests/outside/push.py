"""Feeds raw frames with chosen times and flags to the element; run by /usr/bin/python3, which has GStreamer's bindings.

usage: push.py JOB.json, with `caps`, `frames` (file), `size` (bytes a buffer), `lines` (file of records), `settings`
({property: text}) and `buffers` ([{"pts", "duration" (ns), "flags": [names of Gst.BufferFlags or of
GstVideo.VideoBufferFlags]}]).
"""

import json
import sys

import gi

gi.require_version("Gst", "1.0")
gi.require_version("GstVideo", "1.0")
from gi.repository import Gst, GstVideo  # noqa: E402


def flag(name):
    kinds = (Gst.BufferFlags, GstVideo.VideoBufferFlags)
    return next(int(getattr(kind, name)) for kind in kinds if hasattr(kind, name))


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        job = json.load(file)
    with open(job["frames"], "rb") as file:
        raw = file.read()
    Gst.init(None)
    pipeline = Gst.parse_launch("appsrc name=source format=time ! noisemeter name=meter ! fakesink")
    source, meter = pipeline.get_by_name("source"), pipeline.get_by_name("meter")
    source.set_property("caps", Gst.Caps.from_string(job["caps"]))
    meter.set_property("record-location", job["lines"])
    for name, text in job["settings"].items():
        Gst.util_set_object_arg(meter, name, text)
    size = job["size"]
    if len(raw) != size * len(job["buffers"]):
        sys.exit(f"{len(raw)} bytes are not {len(job['buffers'])} buffers of {size}")
    pipeline.set_state(Gst.State.PLAYING)
    for i, stamp in enumerate(job["buffers"]):
        buffer = Gst.Buffer.new_wrapped(raw[i * size : (i + 1) * size])
        buffer.pts, buffer.duration = stamp["pts"], stamp["duration"]
        for name in stamp.get("flags", []):
            buffer.set_flags(Gst.BufferFlags(flag(name)))
        if source.emit("push-buffer", buffer) != Gst.FlowReturn.OK:
            break
    source.emit("end-of-stream")
    message = pipeline.get_bus().timed_pop_filtered(
        60 * Gst.SECOND, Gst.MessageType.EOS | Gst.MessageType.ERROR
    )
    pipeline.set_state(Gst.State.NULL)
    if message is None or message.type != Gst.MessageType.EOS:
        sys.exit("no end of stream within 60 s" if message is None else str(message.parse_error()))


main()
