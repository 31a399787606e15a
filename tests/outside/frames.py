"""Frames by another road than the meter's: ffmpeg to raw bytes to numpy; and the meter run as a process."""

import json
import os
import pathlib
import subprocess

import picture

ROOT = pathlib.Path(__file__).resolve().parents[2]
TIMEOUT = 300  # seconds; a hang fails the test instead of the whole run


def run(command, **more):
    """Standard output of a process that must succeed."""
    more = {"timeout": TIMEOUT} | more
    done = subprocess.run([str(c) for c in command], capture_output=True, check=False, **more)
    if done.returncode:
        raise AssertionError(
            f"{command[0]} ended with {done.returncode}: {done.stderr.decode(errors='replace')[-2000:]}"
        )
    return done.stdout


def probe(clip):
    """Width, height, pixel format and frame rate as ffprobe reads them."""
    keys = "width,height,pix_fmt,r_frame_rate"
    out = run(
        ["ffprobe", "-v", "error", "-select_streams", "v:0", "-show_entries", f"stream={keys}", "-of", "json", clip]
    )
    return json.loads(out)["streams"][0]


def decode(clip, pix_fmt=None, first=()):
    """({component: (frames, rows, columns)}, width, height, pix_fmt) of a clip; `first` are input options."""
    about = probe(clip) if "%" not in str(clip) else probe(str(clip) % 1)
    pix_fmt = pix_fmt or about["pix_fmt"]
    quiet = ["ffmpeg", "-v", "error", "-nostdin"]
    raw = run(
        [
            *quiet,
            *first,
            "-i",
            clip,
            "-map",
            "0:v:0",
            "-fps_mode",
            "passthrough",
            "-f",
            "rawvideo",
            "-pix_fmt",
            pix_fmt,
            "-",
        ]
    )
    width, height = about["width"], about["height"]
    return picture.split(raw, pix_fmt, width, height), width, height, pix_fmt


def encode(raw, pix_fmt, width, height, out, *options, rate="25", audio=False):
    """A clip from raw bytes."""
    sound = ["-f", "lavfi", "-i", "sine=frequency=440:duration=1"] if audio else []
    source = ["-f", "rawvideo", "-pix_fmt", pix_fmt, "-s", f"{width}x{height}", "-r", rate, "-i", "-"]
    run(["ffmpeg", "-v", "error", "-y", *source, *sound, *options, out], input=raw)
    return out


def lowlight():
    """The program under test."""
    path = pathlib.Path(os.environ.get("LOWLIGHT", ROOT / "target" / "debug" / "lowlight"))
    assert path.is_file(), f"no program at {path}: build it or set LOWLIGHT"
    return path


def measure(clip, folder, *options):
    """Windows of `lowlight measure CLIP`, and its summary."""
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("*.json*"):
        old.unlink()
    run([lowlight(), "measure", clip, "--out", folder, *options])
    (lines,) = folder.glob("*.windows.jsonl")
    (summary,) = folder.glob("*.summary.json")
    return records(lines), json.loads(summary.read_text())


def records(path):
    return [json.loads(line) for line in path.read_text().splitlines()]


def element(raw, caps_format, width, height, folder, rate="25/1", **properties):
    """Windows of the element on raw frames, through gst-launch."""
    plugins = os.environ.get("GST_PLUGIN_PATH", str(ROOT / "target" / "debug"))
    folder.mkdir(parents=True, exist_ok=True)
    source, lines = folder / "frames.raw", folder / "windows.jsonl"
    source.write_bytes(raw)
    lines.unlink(missing_ok=True)
    settings = [f"{k.replace('_', '-')}={v}" for k, v in properties.items()]
    read = ["rawvideoparse", f"format={caps_format}", f"width={width}", f"height={height}", f"framerate={rate}"]
    meter = ["noisemeter", f"record-location={lines}", *settings]
    environment = os.environ | {"GST_PLUGIN_PATH": plugins, "GST_REGISTRY": str(folder / "registry.bin")}
    run(
        ["gst-launch-1.0", "-q", "filesrc", f"location={source}", "!", *read, "!", *meter, "!", "fakesink"],
        env=environment,
    )
    return records(lines)


SYSTEM_PYTHON = "/usr/bin/python3"  # has GStreamer's bindings on Debian


def pushed(buffers, caps, stamps, folder, **properties):
    """Windows of the element on buffers (bytes of equal length) with stamps of their own: see push.py."""
    plugins = os.environ.get("GST_PLUGIN_PATH", str(ROOT / "target" / "debug"))
    folder.mkdir(parents=True, exist_ok=True)
    lines, job = folder / "windows.jsonl", folder / "job.json"
    lines.unlink(missing_ok=True)
    (folder / "frames.raw").write_bytes(b"".join(buffers))
    settings = {k.replace("_", "-"): str(v) for k, v in properties.items()}
    work = {"caps": caps, "frames": str(folder / "frames.raw"), "size": len(buffers[0]), "lines": str(lines)}
    job.write_text(json.dumps(work | {"settings": settings, "buffers": stamps}))
    environment = os.environ | {"GST_PLUGIN_PATH": plugins, "GST_REGISTRY": str(folder / "registry.bin")}
    run([SYSTEM_PYTHON, pathlib.Path(__file__).with_name("push.py"), job], env=environment)
    return records(lines)


def simulated(form, width, height, n, folder, rate="25/1", **properties):
    """Bytes of `n` frames of the simulated camera, through gst-launch."""
    plugins = os.environ.get("GST_PLUGIN_PATH", str(ROOT / "target" / "debug"))
    folder.mkdir(parents=True, exist_ok=True)
    out = folder / "frames.raw"
    settings = [f"{k.replace('_', '-')}={v}" for k, v in properties.items()]
    caps = f"video/x-raw,format={form},width={width},height={height},framerate={rate}"
    environment = os.environ | {"GST_PLUGIN_PATH": plugins, "GST_REGISTRY": str(folder / "registry.bin")}
    source = ["simcamsrc", f"num-buffers={n}", *settings, "!", caps]
    run(["gst-launch-1.0", "-q", *source, "!", "filesink", f"location={out}"], env=environment)
    return out.read_bytes()
