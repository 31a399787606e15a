"""Exact expectations for N frames whose noise is an AR(1) series, after each pixel's own mean is taken out.

R[i, j] = a^|i-j| is the correlation of frames, M = I - J/N takes the mean out, C = M R M is what is left. The traces
are worked out from the row sums of R, so that windows of thousands of frames cost nothing.
"""

import numpy as np
from scipy.optimize import brentq

HIGHEST = 0.95  # above it a window is too short against the memory of the series


def frames(n, a):
    """R for n frames and lag-1 correlation a."""
    i = np.arange(n)
    return np.power(float(a), np.abs(i[:, None] - i[None, :]))


def left(n, a):
    """C, written out."""
    m = np.eye(n) - 1.0 / n
    return m @ frames(n, a) @ m


def row_sums(n, a):
    """Sums of the rows of R."""
    one_side = np.concatenate([[0.0], np.cumsum(np.power(float(a), np.arange(1, n)))])
    return 1.0 + one_side + one_side[::-1]


def trace(n, a, lag=0):
    """Sum of C along the diagonal `lag` places off the main one."""
    r = row_sums(n, a)
    mean = r.sum() / n**2
    return (n - lag) * (float(a) ** lag + mean) - (r[: n - lag].sum() + r[lag:].sum()) / n


def square(n, a):
    """Sum of the squares of all entries of C."""
    r = row_sums(n, a)
    k = np.arange(1, n)
    whole = n + 2.0 * np.sum((n - k) * np.power(float(a), 2 * k))
    return whole - 2.0 * np.sum(r * r) / n + (r.sum() / n) ** 2


def lag_share(n, a, lag=1):
    """Expected sum of products `lag` frames apart over the expected sum of squares: f_N(a), f2_N(a)."""
    return trace(n, a, lag) / trace(n, a)


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


def spent(n, a):
    """By how much memory in time lowers the degrees of freedom of the variance: (N - 1) tr C^2 / (tr C)^2."""
    return (n - 1) * square(n, a) / trace(n, a) ** 2


def long_spent(n, a):
    """By how much more the scale to an endless window lowers the degrees of freedom: tr(BCBC) over tr(C C).

    B = I - g (S - r I), S one half beside the diagonal, r = tr(SC) / tr C and g the slope of ln tr C over that of r, both
    along a; slopes by a complex step, which is exact.
    """
    i = np.arange(n)
    m = np.eye(n) - 1.0 / n
    beside = 0.5 * (np.abs(i[:, None] - i[None, :]) == 1)

    def parts(value):
        powers = np.cumprod([1.0] + [value] * (n - 1))  # by products: a complex logarithm would drown the small part
        c = m @ powers[np.abs(i[:, None] - i[None, :])] @ m
        return c, np.trace(c), np.trace(beside @ c)

    step = 1e-30
    _, whole, pairs = parts(complex(a, step))
    g = np.log(whole).imag / (pairs / whole).imag
    c, whole, pairs = (np.real(part) for part in parts(a))
    b = np.eye(n) - g * (beside - pairs / whole * np.eye(n))
    return float(np.trace(b @ c @ b @ c) / np.trace(c @ c))
