"""Streams with holes, fields, coarse codes, memory and odd chroma edges against numpy on the same samples."""

import numpy as np
import pytest
from scipy.stats import f as fisher

import compare
import frames
import levels
import noise
import picture
import reference

RATE = 25
FRAME = 10**9 // RATE
NARROW = levels.Scale(8, False)


def ticks(places, flags=None):
    """Stamps of frames at whole numbers of frame times; `flags` by index."""
    return [{"pts": p * FRAME, "duration": FRAME, "flags": (flags or {}).get(i, [])} for i, p in enumerate(places)]


def padded(planes, strides):
    """One buffer a frame: each plane's rows at its stride, planes one after another."""
    out = []
    for l in range(len(planes[0])):
        parts = []
        for plane, stride in zip(planes, strides, strict=True):
            rows = np.zeros((plane.shape[1], stride), dtype=np.uint8)
            rows[:, : plane.shape[2]] = plane[l]
            parts.append(rows.tobytes())
        out.append(b"".join(parts))
    return out


def recursive(seed, n, h, w, a, level=120.0, spread=6.0, **more):
    samples = level + spread * noise.stack(np.random.default_rng(seed), n, h, w, a=a, **more)
    return np.clip(np.rint(samples), 1, 254).astype(np.uint8)


HOLES = {
    # Times in frames, flags by index, and between which distinct neighbours the pair is broken.
    "missing": ([*range(5), *range(7, 14), *range(15, 21)], {}, {5, 12}),
    "marked": (list(range(18)), {6: ["DISCONT"], 7: ["DISCONT"], 17: ["DISCONT"]}, {6, 7, 17}),
}


@pytest.mark.parametrize("a", [0.0, 0.4, 0.7])
@pytest.mark.parametrize("name", HOLES)
def test_holes(name, a, target):
    places, flags, broken = HOLES[name]
    y = recursive(11, len(places), 72, 64, a)
    (record,) = frames.pushed(
        padded([y], [64]), "video/x-raw,format=GRAY8,width=64,height=72,framerate=25/1,colorimetry=2:4:5:1",
        ticks(places, flags), target / "streams" / f"{name}-{a}", regions="all=0,0,64,72", grid="2x2",
    )  # fmt: skip
    assert (record["frames"], record["repeated"], record["holes"]) == (len(places), 0, len(broken))
    joined = np.array([i + 1 not in broken for i in range(len(places) - 1)])
    got = record["regions"][0]["components"]["Y"]
    want = compare.component(y, np.array(places) / RATE, joined, NARROW, 1)
    if abs(want["corr_t"]) > 0.5:
        # Nobody knows how far apart the frames on either side are: nothing that needs the model is told.
        want["long"] = None
        want["var"] |= dict.fromkeys(compare.STANDING)
        assert "dropped" in [note["code"] for note in record["regions"][0]["notes"]]
    report = compare.Report()
    compare.hold(report, name, got, want, NARROW)
    for k in range(4):
        cell = y[:, 36 * (k // 2) :][:, :36, 32 * (k % 2) :][:, :, :32].astype(np.float64)
        d = np.diff(cell, axis=0)[joined]
        d -= d.mean(axis=(1, 2), keepdims=True)
        pair = (d**2).sum() / 2 / (cell[0].size - 1) / len(d)
        report.number(f"cell {k}", record["grid"]["Y"]["temporal_pair"][k], compare.spread(pair, 2.19), 1e-9)
    report.close()


def test_a_gap_is_a_repeated_frame(target):
    """A buffer marked as a gap is in no sum, whatever it holds; its neighbours are each other's."""
    y = recursive(12, 16, 48, 64, 0.0)
    kept = [i for i in range(16) if i not in (5, 9)]
    (record,) = frames.pushed(
        padded([y], [64]), "video/x-raw,format=GRAY8,width=64,height=48,framerate=25/1,colorimetry=2:4:5:1",
        ticks(range(16), {5: ["GAP"], 9: ["GAP"]}), target / "streams" / "gap", regions="all=0,0,64,48",
    )  # fmt: skip
    assert (record["frames"], record["repeated"], record["holes"]) == (16, 2, 0)
    report = compare.Report()
    want = compare.component(y[kept], np.array(kept) / RATE, None, NARROW, 1)
    compare.hold(report, "gap", record["regions"][0]["components"]["Y"], want, NARROW)
    report.close()


@pytest.mark.parametrize("scan", ["interleaved", "alternate"])
def test_fields(scan, target):
    """Both fields of luma and of 4:2:0 chroma, whole: rows and neighbours are those of a field."""
    width, height, n = 100, 128, 12
    planes = {"Y": recursive(13, n, height, width, 0.3, row=0.5, column=0.3)}
    for k, name in enumerate(("Cb", "Cr")):
        planes[name] = recursive(14 + k, n, height // 2, width // 2, 0.0, level=128)
    strides = [100, 52, 52]
    caps = f"width={width},height={height},framerate=25/1,colorimetry=bt709,format=I420"
    folder = target / "streams" / scan
    if scan == "interleaved":
        buffers = padded(list(planes.values()), strides)
        caps = f"video/x-raw,{caps},interlace-mode=interleaved,field-order=top-field-first"
        stamps = ticks(range(n))
    else:
        # A chroma line belongs to the field of its own parity, so both fields are pictures of half the height.
        halves = [padded([p[:, parity::2] for p in planes.values()], strides) for parity in (0, 1)]
        buffers = [halves[parity][l] for l in range(n) for parity in (0, 1)]
        caps = f"video/x-raw(format:Interlaced),{caps},interlace-mode=alternate"
        half = FRAME // 2
        fields = (["TOP_FIELD"], ["BOTTOM_FIELD"])
        stamps = [{"pts": i * half, "duration": half, "flags": fields[i % 2]} for i in range(2 * n)]
    records = frames.pushed(buffers, caps, stamps, folder, regions="all=0,0,100,128;part=4,16,64,96")
    assert [record["frames"] for record in records] == [n]
    report = compare.Report()
    for region, (x, y, w, h) in zip(records[0]["regions"], ((0, 0, 100, 128), (4, 16, 64, 96)), strict=True):
        for name, plane in planes.items():
            s = 1 if name == "Y" else 2
            part = plane[:, y // s : (y + h) // s, x // s : (x + w) // s]
            scale = levels.Scale(8, False, chroma=s == 2)
            want = compare.component(picture.fields(part), np.arange(n) / RATE, None, scale, 1)
            compare.hold(report, f"{scan} {region['name']} {name}", region["components"][name], want, scale)
    report.close()


def up(value, step):
    return -(-value // step) * step


# Subsampling, and strides and rows of the planes as GStreamer lays them out for a width and a height.
CHROMA = {
    "I420": ((2, 2), lambda w: up(up(w, 2) // 2, 4), lambda h: up(h, 2)),
    "Y42B": ((2, 1), lambda w: up(w, 8) // 2, lambda h: h),
    "Y41B": ((4, 1), lambda w: up(w, 16) // 4, lambda h: h),
    "Y444": ((1, 1), lambda w: up(w, 4), lambda h: h),
}
ODD = [(0, 0, 101, 75), (1, 1, 99, 73), (3, 5, 64, 51), (50, 20, 51, 55), (97, 71, 4, 4), (10, 10, 1, 1), (99, 0, 2, 75)]


@pytest.mark.parametrize("form", CHROMA)
def test_odd_edges(form, target):
    """A chroma sample belongs where its whole footprint, cut to the frame, does: odd frames, odd regions."""
    width, height, n = 101, 75, 9
    sub, stride, rows = CHROMA[form]
    planes = {"Y": recursive(21, n, height, width, 0.0)}
    for k, name in enumerate(("Cb", "Cr")):
        planes[name] = recursive(22 + k, n, *picture.plane_size(width, height, sub), 0.0, level=128)
    stored = [np.pad(planes["Y"], ((0, 0), (0, rows(height) - height), (0, 0)))]
    stored += [planes[name] for name in ("Cb", "Cr")]
    (record,) = frames.pushed(
        padded(stored, [up(width, 4), stride(width), stride(width)]),
        f"video/x-raw,format={form},width={width},height={height},framerate=25/1,colorimetry=bt709",
        ticks(range(n)), target / "streams" / form,
        regions=";".join(f"r{i}={','.join(map(str, r))}" for i, r in enumerate(ODD)),
    )  # fmt: skip
    report = compare.Report()
    for region, rectangle in zip(record["regions"], ODD, strict=True):
        for name, plane in planes.items():
            part = picture.view(plane, rectangle, (1, 1) if name == "Y" else sub, width, height)
            got, where = region["components"][name], f"{form} {region['name']} {name}"
            report.same(f"{where} samples", got["samples"], part[0].size)
            if part[0].size < 2:
                report.same(f"{where} temporal", got["temporal"], None)
                continue
            scale = levels.Scale(8, False, chroma=name != "Y")
            compare.hold(report, where, got, compare.component(part, np.arange(n) / RATE, None, scale, 1), scale)
    report.close()


@pytest.mark.parametrize("spread", [1.2, 1.9, 2.2, 6.0])
@pytest.mark.parametrize("a", [0.0, 0.6])
def test_half_a_step(spread, a, target):
    """8-bit codes carried in 10 bits: half a step is 2 codes, for the window's spread and for that of pairs alone."""
    width, height, n = 64, 64, 20
    rng = np.random.default_rng(31)
    slope = np.linspace(100, 900, width)[None, None, :]  # occupies more than 16 codes
    y = 4 * np.rint((slope + spread * noise.stack(rng, n, height, width, a=a)) / 4)
    y = y.astype("<u2")
    grey = np.full(2 * height * width, 512, dtype="<u2").tobytes()
    (record,) = frames.pushed(
        [frame.tobytes() + grey for frame in y],
        f"video/x-raw,format=Y444_10LE,width={width},height={height},framerate=25/1,colorimetry=bt709",
        ticks(range(n)), target / "streams" / f"step-{spread}-{a}", regions=f"all=0,0,{width},{height}", grid="1x1",
    )  # fmt: skip
    got = record["regions"][0]["components"]["Y"]
    assert got["code_step"] == 4
    scale = levels.Scale(10, False)
    want = compare.component(y, np.arange(n) / RATE, None, scale, 4)
    report = compare.Report()
    compare.hold(report, "step", got, want, scale)
    limited = want["var"]["temporal"] ** 0.5 < 2 or want["pair"] ** 0.5 < 2
    notes = [note["code"] for note in record["regions"][0]["notes"] if "Y" in note["text"].split(":")[0].split(", ")]
    report.same("code_limited", "code_limited" in notes, limited)
    pair = want["pair"] if want["pair"] ** 0.5 >= 2 else None
    report.number("cell", record["grid"]["Y"]["temporal_pair"][0], compare.spread(pair, scale.span / 100), 1e-9)
    report.close()
