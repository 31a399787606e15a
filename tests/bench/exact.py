"""The same statistics in int64, straight from their definitions; and a record of the meter held against them."""

import numpy as np

from work import ROW_STEP

FLOAT32 = 1e-4
"""Room for sums in float32: 40000 terms, each rounded to 6e-8, summed pairwise or in blocks."""
ROUNDING = 1e-9
"""Relative rounding of a few operations on f64, with room."""


def region(now, before):
    """Integers of one component of one rectangle."""
    now, d = now.astype(np.int64), now.astype(np.int64) - before
    top, below = d[::ROW_STEP], d[1::ROW_STEP]
    top_of_pair = top[: len(below)]
    return {
        "sum": now.sum(),
        "square": (now**2).sum(),
        "previous": (now * before).sum(),
        "right": (top[:, 1:] * top[:, :-1]).sum(),
        "right_linear": (top[:, 1:] + top[:, :-1]).sum(),
        "below": (top_of_pair * below).sum(),
        "below_linear": (top_of_pair + below).sum(),
        "min": now.min(),
        "max": now.max(),
        "d_square": (d**2).sum(),
        "d_sum": d.sum(),
    }


def whole(work, planes):
    """Counts of luma, extremes of all."""
    y = planes[0]
    unit = work.floor
    return {
        "clipped_low": (y <= work.floor).sum(),
        "clipped_high": (y >= work.ceiling).sum(),
        "below_black": (y < work.black).sum(),
        "above_white": (y > work.white).sum(),
        "reserved": ((y < unit) | (y > work.ceiling)).sum(),
        "extremes": [e for p in planes for e in (p.min(), p.max())],
    }


def cell_places(work, component):
    """Rectangles of the cells, row by row."""
    cols, rows = work.grid
    sx, sy = work.steps()[component]
    w, h = work.width // cols // sx, work.height // rows // sy
    return [(slice(r * h, r * h + h), slice(c * w, c * w + w)) for r in range(rows) for c in range(cols)]


def places(work, component):
    """Rectangles of the regions, or of the cells."""
    return cell_places(work, component) if work.grid else [region[component] for region in work.regions]


def check_peer(work, peer, frames):
    """The first fault of a peer's numbers of successive frames, or None."""
    for index in range(frames):
        planes, before = work.planes(index), work.planes(index - 1)
        got_whole, got = peer.frame(index, index > 0)
        want = whole(work, planes)
        for key, value in want.items():
            if not np.array_equal(np.asarray(got_whole[key], np.int64), value):
                return f"{peer.name}: {key} is {got_whole[key]}, not {value}"
        if index == 0:
            continue
        for component in range(3):
            for number, place in enumerate(places(work, component)):
                want = region(planes[component][place], before[component][place])
                for key, value in got[component].items():
                    value = float(np.asarray(value).ravel()[number])
                    scale = want["square"] if key in ("square", "previous") else want["d_square"]
                    room = 0 if key in ("min", "max") else FLOAT32 * max(scale, abs(want[key]))
                    if abs(value - want[key]) > room:
                        return f"{peer.name}: {key} of {component}/{number} is {value}, not {want[key]}"
    return None


def check_stacks(work, peer, frames):
    """The same for what the full set adds: sums of pixels everywhere, those of the last frame in the last region."""
    for index in range(frames):
        peer.frame(index, index > 0)
    for (number, component), (pixels, *_) in peer.before.items():
        stack = np.array([work.planes(i)[component][work.regions[number][component]] for i in range(frames)], np.int64)
        if np.abs(pixels - stack.sum(0)).max() > 0:
            return f"{peer.name}: pixel sums of {component}/{number} are wrong"
    last = stack[-1]
    for got, want in zip(peer.last, (last.sum(0), last.sum(1), (last**2).sum())):
        if np.any(np.abs(np.ravel(got) - want) > FLOAT32 * want):
            return f"{peer.name}: {got} is not {want}"
    return None


def check_record(work, record, frames):
    """The first fault in the meter's record of the first frames, or None."""
    share = [whole(work, work.planes(i)) for i in range(frames)]
    total = frames * work.width * work.height
    for key, field in (("clipped_low",) * 2, ("clipped_high",) * 2, ("below_black",) * 2, ("above_white",) * 2,
                       ("reserved", "reserved_codes")):
        want = sum(int(s[key]) for s in share) / total
        if abs(record["frame"][field] - want) > ROUNDING:
            return f"record: {field} is {record['frame'][field]}, not {want}"
    for component, name in enumerate(("Y", "Cb", "Cr")):
        black, span = (16, 219) if component == 0 else (128, 224)
        unit = work.floor
        for number, place in enumerate(places(work, component)):
            stack = [work.planes(i)[component][place].astype(np.int64) for i in range(frames)]
            found = [region(b, a) for a, b in zip(stack, stack[1:])]
            n = stack[0].size
            # Exact to the last division: n·Σd² − (Σd)² is an integer.
            half = sum(int(n * f["d_square"] - f["d_sum"] ** 2) for f in found) / (2 * n * (n - 1) * len(found))
            mean = sum(int(s.sum()) for s in stack) / (n * frames)
            percent = 100 / (span * unit)
            want = {"temporal_pair": percent * np.sqrt(half), "mean": percent * (mean - black * unit),
                    "min_codes": min(s.min() for s in stack), "max_codes": max(s.max() for s in stack)}
            if not work.grid and record["regions"][number]["components"][name].get("var", {}).get("c0") is not None:
                cube = np.array(stack, np.float64)
                e = cube - cube.mean(0) - cube.mean((1, 2), keepdims=True) + cube.mean()
                want["c0"] = (e**2).sum()
            for key, value in want.items():
                if work.grid:
                    got = record["grid"][name][key][number]
                else:
                    told = record["regions"][number]["components"][name]
                    got = told["var"]["c0"] if key == "c0" else told[key]
                if abs(got - value) > ROUNDING * max(abs(value), 1):
                    return f"record: {key} of {name} {number} is {got}, not {value}"
    return None
