#!/usr/bin/python3
"""Prints a line a window, read from the bus: GST_PLUGIN_PATH=target/release pipelines/bus_client.py [PIPELINE]"""
import json
import signal
import sys

import gi

gi.require_version("Gst", "1.0")
from gi.repository import Gst  # noqa: E402

TEST = "videotestsrc pattern=snow num-buffers=75 ! video/x-raw,format=I420 ! noisemeter ! fakesink"


def percent(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f} %"


def show(window: dict) -> None:
    for region in window["regions"]:
        parts = [f"{c} {percent(v['mean'])} ± {percent(v['temporal'])}" for c, v in region["components"].items()]
        print(f"{(window['stream_time'] or 0) / 1e9:8.2f} s  {region['name']}: {', '.join(parts)}", flush=True)


signal.signal(signal.SIGINT, signal.SIG_DFL)  # Ctrl-C ends the wait for a message
Gst.init(None)
pipeline = Gst.parse_launch(" ".join(sys.argv[1:]) or TEST)
pipeline.set_state(Gst.State.PLAYING)
wanted = Gst.MessageType.ELEMENT | Gst.MessageType.EOS | Gst.MessageType.ERROR
while message := pipeline.get_bus().timed_pop_filtered(Gst.CLOCK_TIME_NONE, wanted):
    if message.has_name("noisemeter"):
        show(json.loads(message.get_structure().get_string("json")))
    elif message.type != Gst.MessageType.ELEMENT:
        break
pipeline.set_state(Gst.State.NULL)
if message.type == Gst.MessageType.ERROR:
    sys.exit("{0.message} {1}".format(*message.parse_error()))
