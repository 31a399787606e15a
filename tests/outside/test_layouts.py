"""Cells of a grid, mosaics and fields against numpy on the same samples."""

import os

import numpy as np
import pytest

import compare
import frames
import levels
import picture
import reference

FRAMES = 12
RATE = 25


def noise(seed, height, width, top=255, level=0.4, spread=0.02):
    rng = np.random.default_rng(seed)
    slope = np.linspace(0, 0.1, width)[None, :] + np.linspace(0, 0.05, height)[:, None]
    samples = level + slope + spread * rng.standard_normal((FRAMES, height, width))
    return np.clip(np.rint(samples * top), 0, top).astype(np.uint8)


def test_cells(target):
    width, height, cols, rows = 101, 75, 4, 3
    y = noise(1, height, width)
    # Frames in one window; rows of the raw file are padded to four bytes.
    padded = np.zeros((FRAMES, height, -(-width // 4) * 4), dtype=np.uint8)
    padded[:, :, :width] = y
    (record,) = frames.element(
        padded.tobytes(), "gray8", width, height, target / "layouts" / "cells", grid=f"{cols}x{rows}", range="narrow"
    )
    got = record["grid"]
    assert (got["cols"], got["rows"]) == (cols, rows)
    scale = levels.Scale(8, False)
    report = compare.Report()
    for k in range(cols * rows):
        x0, y0, w, h = picture.percent_rectangle(
            100 * (k % cols) / cols, 100 * (k // cols) / rows, 100 / cols, 100 / rows, width, height
        )
        cell = y[:, y0 : y0 + h, x0 : x0 + w].astype(np.float64)
        d = np.diff(cell, axis=0)
        d -= d.mean(axis=(1, 2), keepdims=True)
        pair = (d**2).sum() / 2 / (h * w - 1) / (FRAMES - 1)
        across = np.mean(d[:, ::4, 1:] * d[:, ::4, :-1])
        below = np.mean(np.concatenate([d[:, r] * d[:, r + 1] for r in range(0, h - 1, 4)]))
        numbers = levels.levels(cell.astype(np.int64), scale, 1)
        where = f"cell {k}"
        for name in ("mean", "min_codes", "max_codes", "clipped_low", "clipped_high"):
            report.number(f"{where} {name}", got["Y"][name][k], numbers[name], compare.EXACT, compare.EXACT * 100)
        report.number(f"{where} pair", got["Y"]["temporal_pair"][k], compare.spread(pair, 2.19), compare.VARIANCE)
        report.number(f"{where} corr_x", got["Y"]["corr_x"][k], across / np.mean(d**2), 0.0, 1e-9)
        report.number(f"{where} corr_y", got["Y"]["corr_y"][k], below / np.mean(d**2), 0.0, 1e-9)
    report.close()


@pytest.mark.parametrize("pattern", ["bggr", "gbrg", "grbg", "rggb"])
def test_mosaic(pattern, target):
    width, height = 141, 107
    folder = target / "layouts" / pattern
    folder.mkdir(parents=True, exist_ok=True)
    plane = noise(2, height, width)
    stride = -(-width // 4) * 4
    padded = np.zeros((FRAMES, height, stride), dtype=np.uint8)
    padded[:, :, :width] = plane
    source, lines = folder / "frames.raw", folder / "windows.jsonl"
    source.write_bytes(padded.tobytes())
    lines.unlink(missing_ok=True)
    plugins = os.environ.get("GST_PLUGIN_PATH", str(frames.ROOT / "target" / "debug"))
    caps = f"video/x-bayer,format={pattern},width={width},height={height},framerate={RATE}/1"
    x, y, w, h = 3, 5, 101, 90
    # A file cut into blocks has no time stamps: frames are counted.
    frames.run(
        ["gst-launch-1.0", "-q", "filesrc", f"location={source}", f"blocksize={stride * height}", "!", caps, "!"]
        + ["noisemeter", f"record-location={lines}", f"regions=r={x},{y},{w},{h}", "!", "fakesink"],
        env=os.environ | {"GST_PLUGIN_PATH": plugins, "GST_REGISTRY": str(folder / "registry.bin")},
    )
    (record,) = frames.records(lines)
    assert record["stream_time"] is None
    assert "no_timestamps" in [note["code"] for note in record["notes"]]
    (region,) = record["regions"]
    # A mosaic's sample stands for its own pixel: those at pixels x .. x + w belong.
    marked = np.zeros((1, height, width), dtype=bool)
    marked[0, y : y + h, x : x + w] = True
    inside = picture.mosaic(marked, pattern)
    report = compare.Report()
    scale = levels.Scale(8, True)
    times = np.arange(FRAMES) / RATE
    for name, samples in picture.mosaic(plane, pattern).items():
        rows, columns = inside[name][0].any(axis=1), inside[name][0].any(axis=0)
        stack = samples[:, rows][:, :, columns]
        want = compare.component(stack, times, None, scale, 1)
        compare.hold(report, f"{pattern} {name}", region["components"][name], want, scale)
    report.close()


def test_fields(target):
    width, height = 100, 120
    y = noise(3, height, width)
    # The lower field has a level and noise of its own.
    y[:, 1::2] = np.clip(noise(4, height // 2, width, level=0.45, spread=0.03), 0, 255)
    folder = target / "layouts" / "fields"
    folder.mkdir(parents=True, exist_ok=True)
    source, lines = folder / "frames.raw", folder / "windows.jsonl"
    source.write_bytes(y.tobytes())
    lines.unlink(missing_ok=True)
    plugins = os.environ.get("GST_PLUGIN_PATH", str(frames.ROOT / "target" / "debug"))
    read = ["rawvideoparse", "format=gray8", f"width={width}", f"height={height}", f"framerate={RATE}/1"]
    read += ["interlaced=true", "top-field-first=true"]
    area = (0, 7, 96, 101)
    meter = ["noisemeter", f"record-location={lines}", "range=narrow", f"regions=r={','.join(map(str, area))}"]
    frames.run(
        ["gst-launch-1.0", "-q", "filesrc", f"location={source}", "!", *read, "!", *meter, "!", "fakesink"],
        env=os.environ | {"GST_PLUGIN_PATH": plugins, "GST_REGISTRY": str(folder / "registry.bin")},
    )
    (record,) = frames.records(lines)
    assert record["frames"] == FRAMES
    assert record["video"]["interlace"] == "interleaved"
    got = record["regions"][0]["components"]["Y"]
    rows = np.arange(height)
    mine = (rows >= area[1]) & (rows < area[1] + area[3])
    stacks = [reference.Stack.of(y[:, mine & (rows % 2 == parity)][:, :, : area[2]]) for parity in (0, 1)]
    moved = reference.moving(stacks)
    stood = reference.standing(stacks, moved)
    report = compare.Report()
    report.same("samples", got["samples"], area[2] * area[3])
    report.number("temporal", got["var"]["temporal"], moved.temporal, compare.VARIANCE)
    report.number("pair", got["temporal_pair"], compare.spread(moved.pair, 2.19), compare.VARIANCE)
    report.number("corr_t", got["corr_t"], moved.corr_t, 0.0, compare.SOLVED)
    report.number("c0", got["var"]["c0"], moved.sums["c0"], compare.VARIANCE)
    report.number("ct", got["var"]["ct"], moved.sums["ct"], 0.0, compare.VARIANCE * moved.sums["c0"])
    report.number("shading", got["shading"], stood["shading"] / 2.19, compare.VARIANCE)
    # Both fields make one frame mean.
    means = y[:, mine][:, :, : area[2]].astype(np.float64).mean(axis=(1, 2))
    for i, (a, b) in enumerate(zip(got["frame_means"], means, strict=True)):
        report.number(f"frame {i}", a, float(b), 1e-12)
    report.close()


def test_profile(target):
    width, height = 16, 300
    y = noise(5, height, width)
    (record,) = frames.element(
        y.tobytes(), "gray8", width, height, target / "layouts" / "profile", range="full", regions=f"all=0,0,{width},{height}"
    )  # fmt: skip
    rows = y.astype(np.float64).mean(axis=(0, 2)) / 2.55
    want = [rows[b * height // 256 : (b + 1) * height // 256].mean() for b in range(256)]
    assert np.allclose(record["frame"]["row_profile"], want, rtol=1e-12, atol=0)


def test_repeats(target):
    width, height = 64, 48
    y = np.repeat(noise(6, height, width), 2, axis=0)
    (record,) = frames.element(
        y.tobytes(), "gray8", width, height, target / "layouts" / "repeats", range="full", rate="50/1",
        regions=f"all=0,0,{width},{height}",
    )  # fmt: skip
    assert (record["frames"], record["repeated"]) == (2 * FRAMES, FRAMES)
    report = compare.Report()
    scale = levels.Scale(8, True)
    want = compare.component(y[::2], np.arange(FRAMES) / 25, None, scale, 1)
    compare.hold(report, "repeats", record["regions"][0]["components"]["Y"], want, scale)
    report.close()
