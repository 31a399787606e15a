#!/usr/bin/python3
"""Runs a pipeline with the meter in it and prints one line a window, read from the bus.

usage: GST_PLUGIN_PATH=target/release pipelines/bus_client.py [PIPELINE]
"""
import json
import sys

import gi

gi.require_version("Gst", "1.0")
from gi.repository import Gst  # noqa: E402


def number(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"


def main(description: str) -> int:
    Gst.init(None)
    pipeline = Gst.parse_launch(description)
    bus = pipeline.get_bus()
    pipeline.set_state(Gst.State.PLAYING)
    wanted = Gst.MessageType.ELEMENT | Gst.MessageType.EOS | Gst.MessageType.ERROR
    while (message := bus.timed_pop_filtered(Gst.CLOCK_TIME_NONE, wanted)).type == Gst.MessageType.ELEMENT:
        if message.has_name("noisemeter"):
            window = json.loads(message.get_structure().get_string("json"))
            for region in window["regions"]:
                parts = [f"{c} {number(v['mean'])} % ± {number(v['temporal'])} %" for c, v in region["components"].items()]
                print(f"{(window['stream_time'] or 0) / 1e9:8.2f} s  {region['name']}: {', '.join(parts)}", flush=True)
    pipeline.set_state(Gst.State.NULL)
    if message.type == Gst.MessageType.ERROR:
        print(message.parse_error().gerror.message, file=sys.stderr)
    return int(message.type == Gst.MessageType.ERROR)


if __name__ == "__main__":
    sys.exit(main(" ".join(sys.argv[1:]) or "videotestsrc pattern=snow num-buffers=75 ! video/x-raw,format=I420 ! noisemeter ! fakesink"))
