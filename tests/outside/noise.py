"""Seeded noise of known statistics."""

import numpy as np
from scipy.ndimage import convolve1d
from scipy.signal import lfilter

SETTLING = 200  # frames before an AR(1) series counts as stationary: 0.9^200 < 1e-9


def gaussian_taps(sigma):
    """Sampled Gaussian whose output variance is that of its input."""
    taps = np.exp(-(np.arange(-8, 9) ** 2) / (2 * sigma**2))
    return taps / np.sqrt((taps**2).sum())


def stack(rng, n, h, w, pixel=1.0, row=0.0, column=0.0, blur=0.0, a=0.0):
    """Frames of Gaussian noise: spread of pixels (blurred or not), rows and columns; AR(1) in time."""
    total, pad = n + (SETTLING if a else 0), 16 if blur else 0
    y = rng.standard_normal((total, h + 2 * pad, w + 2 * pad))
    if blur:
        taps = gaussian_taps(blur)
        y = convolve1d(convolve1d(y, taps, axis=1), taps, axis=2)[:, pad:-pad, pad:-pad]
    y = pixel * y + row * rng.standard_normal((total, h, 1)) + column * rng.standard_normal((total, 1, w))
    if a:
        y = lfilter([np.sqrt(1 - a * a)], [1, -a], y, axis=0)[SETTLING:]
    return y


def neighbour_correlation(sigma):
    taps = gaussian_taps(sigma)
    return float((taps[1:] * taps[:-1]).sum())
