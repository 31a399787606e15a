"""Codes: percent, extremes, clipping, rails, code step. Integer arithmetic until the last division."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Scale:
    """How the codes of one component map to percent of nominal range."""

    depth: int
    full: bool
    chroma: bool = False

    @property
    def span(self):
        if self.full:
            return 2**self.depth - 1
        return (224 if self.chroma else 219) * 2 ** (self.depth - 8)

    @property
    def black(self):
        if self.chroma:
            return 2 ** (self.depth - 1)
        return 0 if self.full else 16 * 2 ** (self.depth - 8)

    def percent(self, code):
        return 100.0 * (code - self.black) / self.span

    def spread(self, variance):
        """Percent of a signed variance in codes; None below zero."""
        return None if variance is None or variance < 0 else 100.0 * np.sqrt(variance) / self.span

    def high(self, step):
        return (2**self.depth if self.full else 255 * 2 ** (self.depth - 8)) - (step or 1)

    @property
    def low(self):
        return 0 if self.full else 2 ** (self.depth - 8)


class CodeStep:
    """Largest power of two that divides all code differences of a plane since the segment began."""

    def __init__(self):
        self.first, self.bits, self.codes = None, 0, set()

    def add(self, plane):
        plane = np.asarray(plane)
        if self.first is None:
            self.first = int(plane.flat[0])
        self.bits |= int(np.bitwise_or.reduce(plane.ravel() ^ plane.dtype.type(self.first)))
        if len(self.codes) < 16:
            self.codes.update(np.unique(plane).tolist())

    @property
    def step(self):
        return self.bits & -self.bits if len(self.codes) >= 16 else None


def levels(samples, scale, step):
    """Mean, extremes, shares and rails over all distinct frames of a region."""
    samples = np.asarray(samples)
    count = samples.size
    mean = int(samples.sum(dtype=np.int64)) / count
    low, high = int(samples.min()), int(samples.max())
    white = scale.black + (scale.span // 2 if scale.chroma else scale.span)
    black = scale.black - (scale.span // 2 if scale.chroma else 0)

    def share(mask):
        return int(np.count_nonzero(mask)) / count

    return {
        "mean_codes": mean,
        "mean": scale.percent(mean),
        "min_codes": low,
        "max_codes": high,
        "clipped_high": share(samples >= scale.high(step)),
        "clipped_low": share(samples <= scale.low),
        "above_white": share(samples > white),
        "below_black": share(samples < black),
        "rail_low": rail(samples, low, step or 1, high - low, scale, inward=1),
        "rail_high": rail(samples, high, step or 1, high - low, scale, inward=-1),
    }


def rail(samples, code, step, occupied, scale, inward):
    """The outermost code, where it holds 0.1 %, 30 samples and more than its inner neighbour, over 8 steps or more."""
    if occupied < 8 * step or code <= scale.low or code >= scale.high(step):
        return None
    here = int(np.count_nonzero(samples == code))
    beside = int(np.count_nonzero(samples == code + inward * step))
    if here * 1000 < samples.size or here < 30 or here <= beside:
        return None
    return {"code": code, "share": here / samples.size}
