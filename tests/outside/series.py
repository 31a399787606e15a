"""Exact expectations for N frames whose noise is an AR(1) series, after each pixel's own mean is taken out.

R[i, j] = a^|i-j| is the correlation of frames, M = I - J/N takes the mean out, C = M R M is what is left.
"""

import functools

import numpy as np
from scipy.optimize import brentq

HIGHEST = 0.95  # above it a window is too short against the memory of the series


@functools.lru_cache(maxsize=None)
def centring(n):
    return np.eye(n) - 1.0 / n


def frames(n, a):
    """R for n frames and lag-1 correlation a."""
    i = np.arange(n)
    return np.power(float(a), np.abs(i[:, None] - i[None, :]))


@functools.lru_cache(maxsize=4096)
def left(n, a):
    """C for n frames and lag-1 correlation a."""
    return centring(n) @ frames(n, a) @ centring(n)


def lag_share(n, a, lag=1):
    """Expected sum of products `lag` frames apart over the expected sum of squares: f_N(a), f2_N(a)."""
    c = left(n, a)
    return np.trace(c, offset=lag) / np.trace(c)


def correlation(n, raw):
    """The a whose expectation equals `raw`; None where there is none in (-0.95, 0.95)."""
    if raw is None or n < 3 or not lag_share(n, -HIGHEST) < raw < lag_share(n, HIGHEST):
        return None
    return brentq(lambda a: lag_share(n, a) - raw, -HIGHEST, HIGHEST, xtol=1e-15, rtol=1e-14)


def mean_factor(n, a):
    """Variance of the mean of n frames in units of one frame's variance."""
    k = np.arange(1, n)
    return (1.0 + 2.0 * np.sum((1.0 - k / n) * np.power(float(a), k))) / n


def long_factor(n, a):
    """True variance over the expectation of the (n - 1)-divisor variance."""
    return (n - 1) / (n * (1.0 - mean_factor(n, a)))
