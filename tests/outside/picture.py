"""Formats of rawvideo as ffmpeg writes it, regions, windows, and the views of one component."""

from dataclasses import dataclass

import numpy as np

KR_KB = {"bt601": (0.299, 0.114), "bt709": (0.2126, 0.0722), "bt2020": (0.2627, 0.0593)}


@dataclass(frozen=True)
class Layout:
    """Planes of a pix_fmt: names in file order, chroma subsampling, depth, packed or planar."""

    names: tuple
    depth: int
    sub: tuple = (1, 1)
    packed: bool = False
    big: bool = False

    @property
    def sampled(self):
        return {n: (self.sub if n in ("Cb", "Cr") else (1, 1)) for n in self.names}


def layouts():
    table = {"gray": Layout(("Y",), 8), "rgb24": Layout(("R", "G", "B"), 8, packed=True)}
    table["rgb48le"] = Layout(("R", "G", "B"), 16, packed=True)
    table["gbrp"] = Layout(("G", "B", "R"), 8)
    table["gbrp10le"] = Layout(("G", "B", "R"), 10)
    for name, sub in (("yuv420p", (2, 2)), ("yuv422p", (2, 1)), ("yuv444p", (1, 1))):
        for depth in (8, 10, 12):
            suffix = "" if depth == 8 else f"{depth}le"
            table[name + suffix] = Layout(("Y", "Cb", "Cr"), depth, sub)
        table[name.replace("yuv", "yuvj")] = Layout(("Y", "Cb", "Cr"), 8, sub)
    for depth in (10, 12, 16):
        table[f"gray{depth}le"] = Layout(("Y",), depth)
    return table


LAYOUTS = layouts()


def plane_size(width, height, sub):
    return -(-height // sub[1]), -(-width // sub[0])


def split(raw, pix_fmt, width, height):
    """Bytes of rawvideo as {component: (frames, rows, columns)}."""
    layout = LAYOUTS[pix_fmt]
    kind = np.dtype(np.uint8 if layout.depth == 8 else "<u2")
    data = np.frombuffer(raw, dtype=kind)
    if layout.packed:
        frame = width * height * len(layout.names)
        check(data.size, frame, pix_fmt)
        data = data.reshape(-1, height, width, len(layout.names))
        return {n: data[..., i] for i, n in enumerate(layout.names)}
    sizes = [plane_size(width, height, layout.sampled[n]) for n in layout.names]
    frame = sum(h * w for h, w in sizes)
    check(data.size, frame, pix_fmt)
    data, out, at = data.reshape(-1, frame), {}, 0
    for name, (h, w) in zip(layout.names, sizes, strict=True):
        out[name] = data[:, at : at + h * w].reshape(-1, h, w)
        at += h * w
    return out


def check(size, frame, pix_fmt):
    if size == 0 or size % frame:
        raise ValueError(f"{size} samples are no whole number of {pix_fmt} frames of {frame} samples")


def percent_rectangle(x, y, w, h, width, height):
    """Edges of a percent rectangle rounded to whole pixels: (x, y, width, height)."""

    def edge(p, size):
        return int(np.floor(p * size / 100 + 0.5))

    x0, x1, y0, y1 = edge(x, width), edge(x + w, width), edge(y, height), edge(y + h, height)
    return x0, y0, x1 - x0, y1 - y0


def footprint(start, length, sub, frame):
    """Samples whole inside [start, start + length): first and one past the last; the last may hang over the frame."""
    end = start + length
    first = -(-start // sub)
    return first, (-(-frame // sub) if end == frame else end // sub)


def view(plane, rectangle, sub, width, height):
    """The part of a plane whose luma footprint lies in a rectangle of the picture."""
    x, y, w, h = rectangle
    x0, x1 = footprint(x, w, sub[0], width)
    y0, y1 = footprint(y, h, sub[1], height)
    return plane[:, y0:y1, x0:x1]


def repeated(planes):
    """For each frame, whether every sample equals the frame before."""
    n = len(next(iter(planes.values())))
    same = np.ones(max(n - 1, 0), dtype=bool)
    for plane in planes.values():
        same &= (plane[1:] == plane[:-1]).all(axis=(1, 2))
    return np.concatenate([[False], same])[:n]


def window_indices(times, interval):
    """Frames of each window: stream time in [k interval, (k + 1) interval) from the first frame; ns."""
    k = (np.asarray(times, dtype=np.int64) - int(times[0])) // int(interval)
    return [np.flatnonzero(k == value) for value in np.unique(k)]


def fields(stack):
    """The two parities of whole frames."""
    return [stack[:, 0::2], stack[:, 1::2]]


def derived(r, g, b, matrix):
    """Y, Cb, Cr formed sample by sample from R, G, B in one unit: the road the definitions do not take."""
    kr, kb = KR_KB[matrix]
    r, g, b = (np.asarray(c, dtype=np.float64) for c in (r, g, b))
    y = kr * r + (1 - kr - kb) * g + kb * b
    return {"Y": y, "Cb": (b - y) / (2 * (1 - kb)), "Cr": (r - y) / (2 * (1 - kr))}


def half_steps(steps, matrix):
    """Half a code step of derived components: what half a step of R, G and B adds up to at most."""
    kr, kb = KR_KB[matrix]
    kg = 1 - kr - kb
    weights = {
        "Y": (kr, kg, kb),
        "Cb": (-kr / (2 * (1 - kb)), -kg / (2 * (1 - kb)), 0.5),
        "Cr": (0.5, -kg / (2 * (1 - kr)), -kb / (2 * (1 - kr))),
    }
    return {name: sum(abs(w) * (s or 1) / 2 for w, s in zip(row, steps, strict=True)) for name, row in weights.items()}


def mosaic(plane, pattern):
    """The four components of a Bayer mosaic, `pattern` being the first two rows, as in rggb; G1 shares rows with R."""
    out = {}
    for i, letter in enumerate(pattern):
        row = pattern[i // 2 * 2 : i // 2 * 2 + 2]
        name = {"g": "G1" if "r" in row else "G2"}.get(letter, letter.upper())
        out[name] = plane[:, i // 2 :: 2, i % 2 :: 2]
    return out
