"""The statistics as one writes them with numpy: float32, whole arrays at a time, views instead of copies."""

import numpy as np

from work import ROW_STEP


def dot(a, b):
    """Sum of products; einsum makes no array of them."""
    return np.einsum("ij,ij->", a, b)


class Patches:
    """Whole-frame counts and the pairwise set of each region."""

    name = "numpy"

    def __init__(self, work):
        self.work = work
        self.before = {}

    def whole(self, planes):
        work, y = self.work, planes[0]
        low = np.count_nonzero(y <= work.floor)
        high = np.count_nonzero(y >= work.ceiling)
        return {
            "extremes": [e for p in planes for e in (p.min(), p.max())],
            "clipped_low": low,
            "clipped_high": high,
            "below_black": np.count_nonzero(y < work.black),
            "above_white": np.count_nonzero(y > work.white),
            # What clips comes near what is reserved; where nothing clips nothing is.
            "reserved": low and np.count_nonzero(y < work.floor) + (high and np.count_nonzero(y > work.ceiling)),
        }

    def frame(self, index, follows):
        planes = self.work.planes(index)
        found = [[] for _ in planes]
        for number, places in enumerate(self.work.regions):
            for component, (plane, place) in enumerate(zip(planes, places)):
                codes = plane[place]
                now = codes.astype(np.float32)
                before = self.before.get((number, component), now) if follows else now
                found[component].append(self.region(codes, now, before))
                self.before[number, component] = now
        names = ("sum", "square", "previous", "right", "right_linear", "below", "below_linear", "min", "max")
        return self.whole(planes), [dict(zip(names, np.array(f)[:, :9].T)) for f in found]

    def region(self, codes, now, before):
        low, high = codes.min(), codes.max()
        counts = [np.count_nonzero(codes == code) for code in (low, low + 1, high - 1, high)]
        counts += self.limits(codes, low, high)
        top, below = now[::ROW_STEP] - before[::ROW_STEP], now[1::ROW_STEP] - before[1::ROW_STEP]
        return (now.sum(), dot(now, now), dot(now, before), dot(top[:, 1:], top[:, :-1]),
                top[:, 1:].sum() + top[:, :-1].sum(), dot(top[: len(below)], below),
                top[: len(below)].sum() + below.sum(), low, high, *counts)

    def limits(self, codes, low, high):
        work = self.work
        return [
            np.count_nonzero(codes <= work.floor) if low <= work.floor else 0,
            np.count_nonzero(codes < work.black) if low < work.black else 0,
            np.count_nonzero(codes > work.white) if high > work.white else 0,
            np.count_nonzero(codes >= work.ceiling) if high >= work.ceiling else 0,
        ]


class Cells(Patches):
    """Whole-frame counts and the pairwise set of each cell."""

    def frame(self, index, follows):
        planes = self.work.planes(index)
        befores = self.work.planes(index - 1 if follows else index)
        return self.whole(planes), [self.cells(now, before) for now, before in zip(planes, befores)]

    def cells(self, codes, before):
        cols, rows = self.work.grid
        height, width = codes.shape[0] // rows, codes.shape[1] // cols

        def fold(values, rows_of_cell=height):
            return values.reshape(rows, rows_of_cell, cols, -1)

        def total(values, rows_of_cell=height):
            return fold(values, rows_of_cell).sum(axis=3).sum(axis=1)

        now, old = codes.astype(np.float32), before.astype(np.float32)
        d = now - old
        top, below = d[::ROW_STEP], d[1::ROW_STEP]
        tops = fold(top, height // ROW_STEP)
        lows = fold(codes).min(axis=1).min(axis=2)
        highs = fold(codes).max(axis=1).max(axis=2)
        if lows.min() <= self.work.floor:
            total(codes <= self.work.floor)
        if highs.max() >= self.work.ceiling:
            total(codes >= self.work.ceiling)
        sides = total(top, height // ROW_STEP)
        return {
            "sum": total(now),
            "square": total(now * now),
            "previous": total(now * old),
            "right": (tops[..., 1:] * tops[..., :-1]).sum(axis=3).sum(axis=1),
            "right_linear": 2 * sides - tops[..., 0].sum(axis=1) - tops[..., -1].sum(axis=1),
            "below": total(top * below, height // ROW_STEP),
            "below_linear": sides + total(below, height // ROW_STEP),
            "min": lows,
            "max": highs,
        }


class Stacks(Patches):
    """What the full set adds: sums of pixels, rows, columns and blocks, two lags in time, neighbours."""

    def frame(self, index, _):
        for number, places in enumerate(self.work.regions):
            for component, (plane, place) in enumerate(zip(self.work.planes(index), places)):
                now = plane[place].astype(np.float32)
                pixels, one, two = self.before.setdefault((number, component), (np.zeros_like(now), now, now))
                pixels += now
                height, width = (n // 8 * 8 for n in now.shape)
                self.last = (now.sum(axis=0), now.sum(axis=1), dot(now, now), dot(now, one), dot(now, two),
                             dot(now[:, 1:], now[:, :-1]), dot(now[1:], now[:-1]),
                             now[:height, :width].reshape(height // 8, 8, -1, 8).sum(axis=(1, 3)))
                self.before[number, component] = pixels, now, one
