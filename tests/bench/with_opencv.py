"""The statistics as one writes them with OpenCV on one thread: its own reductions, on views of the frames."""

import cv2
import numpy as np

from work import ROW_STEP

cv2.setNumThreads(1)


def total(values):
    return cv2.sumElems(values)[0]


def product(a, b):
    return total(cv2.multiply(a, b))


def within(now, low, high):
    """Samples from `low` to `high`."""
    return cv2.countNonZero(cv2.inRange(now, low, high))


class Patches:
    """Whole-frame counts and the pairwise set of each region."""

    name = "OpenCV"

    def __init__(self, work):
        self.work = work
        self.before = {}

    def whole(self, planes):
        work, y = self.work, planes[0]

        def count(low, high):
            return cv2.countNonZero(cv2.inRange(y, low, high))

        extremes = []
        for plane in planes:
            low, high, _, _ = cv2.minMaxLoc(np.ascontiguousarray(plane))
            extremes += [low, high]
        low, high = count(0, work.floor), count(work.ceiling, 65535)
        reserved = low and count(0, work.floor - 1) + (high and count(work.ceiling + 1, 65535))
        return {"extremes": extremes, "clipped_low": low, "clipped_high": high,
                "below_black": count(0, work.black - 1), "above_white": count(work.white + 1, 65535),
                "reserved": reserved}

    def frame(self, index, follows):
        planes = self.work.planes(index)
        found = [[] for _ in planes]
        for number, places in enumerate(self.work.regions):
            for component, (plane, place) in enumerate(zip(planes, places)):
                # A copy of the region is kept for the next frame: a view would keep the whole frame.
                now = plane[place].copy()
                before, square = self.before.get((number, component), (now, 0)) if follows else (now, 0)
                numbers, square = self.region(now, before, square)
                found[component].append(numbers)
                self.before[number, component] = now, square
        names = ("sum", "square", "previous", "right", "right_linear", "below", "below_linear", "min", "max")
        return self.whole(planes), [dict(zip(names, np.array(f)[:, :9].T)) for f in found]

    def region(self, now, before, square_before):
        work = self.work
        square = cv2.norm(now, cv2.NORM_L2SQR)
        previous = (square + square_before - cv2.norm(now, before, cv2.NORM_L2SQR)) / 2
        # Rows are taken first: only those are subtracted. Odd ones follow even ones of the pairs.
        top = cv2.subtract(now[::ROW_STEP], before[::ROW_STEP], dtype=cv2.CV_32F)
        below = cv2.subtract(now[1::ROW_STEP], before[1::ROW_STEP], dtype=cv2.CV_32F)
        sides, upper = total(top), top[: len(below)]
        low, high, _, _ = cv2.minMaxLoc(now)
        counts = [cv2.countNonZero(cv2.inRange(now, code, code)) for code in (low, low + 1, high - 1, high)]
        counts += self.limits(now, low, high)
        return (total(now), square, previous, product(top[:, 1:], top[:, :-1]),
                2 * sides - total(top[:, :1]) - total(top[:, -1:]), product(upper, below),
                total(upper) + total(below), low, high, *counts), square

    def clipped(self, now, low, high):
        work = self.work
        return [
            within(now, 0, work.floor) if low <= work.floor else 0,
            within(now, work.ceiling, 65535) if high >= work.ceiling else 0,
        ]

    def limits(self, now, low, high):
        work = self.work
        at_floor, at_ceiling = self.clipped(now, low, high)
        return [
            at_floor,
            within(now, 0, work.black - 1) if low < work.black else 0,
            within(now, work.white + 1, 65535) if high > work.white else 0,
            at_ceiling,
        ]


class Cells(Patches):
    """Whole-frame counts and the pairwise set of each cell, cell by cell: a cell stays in the cache."""

    def __init__(self, work):
        super().__init__(work)
        self.squares = {}

    def frame(self, index, follows):
        planes = self.work.planes(index)
        befores = self.work.planes(index - 1 if follows else index)
        cols, rows = self.work.grid
        names = ("sum", "square", "previous", "right", "right_linear", "below", "below_linear", "min", "max")
        found = []
        for component, (plane, before) in enumerate(zip(planes, befores)):
            height, width = plane.shape[0] // rows, plane.shape[1] // cols
            numbers = []
            for cell in range(rows * cols):
                y, x = cell // cols * height, cell % cols * width
                place = slice(y, y + height), slice(x, x + width)
                numbers.append(self.cell(plane[place], before[place], (component, cell), follows))
            found.append(dict(zip(names, np.array(numbers).T)))
        return self.whole(planes), found

    def cell(self, now, before, key, follows):
        square = cv2.norm(now, cv2.NORM_L2SQR)
        square_before = self.squares.get(key, 0) if follows else square
        self.squares[key] = square
        previous = (square + square_before - cv2.norm(now, before, cv2.NORM_L2SQR)) / 2
        top = cv2.subtract(now[::ROW_STEP], before[::ROW_STEP], dtype=cv2.CV_32F)
        below = cv2.subtract(now[1::ROW_STEP], before[1::ROW_STEP], dtype=cv2.CV_32F)
        sides = total(top)
        low, high, _, _ = cv2.minMaxLoc(now)
        self.clipped(now, low, high)
        return (total(now), square, previous, product(top[:, 1:], top[:, :-1]),
                2 * sides - total(top[:, :1]) - total(top[:, -1:]), product(top, below),
                sides + total(below), low, high)


class Stacks(Patches):
    """What the full set adds: sums of pixels, rows, columns and blocks, two lags in time, neighbours."""

    def frame(self, index, _):
        for number, places in enumerate(self.work.regions):
            for component, (plane, place) in enumerate(zip(self.work.planes(index), places)):
                now = np.array(plane[place], np.float32)
                pixels, one, two = self.before.setdefault((number, component), (np.zeros_like(now), now, now))
                cv2.accumulate(now, pixels)
                height, width = (n // 8 for n in now.shape)
                self.last = (cv2.reduce(now, 0, cv2.REDUCE_SUM), cv2.reduce(now, 1, cv2.REDUCE_SUM),
                             cv2.norm(now, cv2.NORM_L2SQR), cv2.norm(now, one, cv2.NORM_L2SQR),
                             cv2.norm(now, two, cv2.NORM_L2SQR), product(now[:, 1:], now[:, :-1]),
                             product(now[1:], now[:-1]),
                             cv2.resize(now[: 8 * height, : 8 * width], (width, height), interpolation=cv2.INTER_AREA))
                self.before[number, component] = pixels, now, one
