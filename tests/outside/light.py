"""Inverse curves, signal to light, from the standards' own formulas; white is 1."""

import numpy as np

ALPHA, BETA = 1.099, 0.018  # as printed in ITU-R BT.709 and for 10 bits in BT.2020
PQ_WHITE = 203.0  # cd/m2, reference white of ITU-R BT.2408


def bt709(v):
    return v / 4.5 if v < 4.5 * BETA else ((v + ALPHA - 1) / ALPHA) ** (1 / 0.45)


def bt1886(v):
    return max(v, 0.0) ** 2.4


def srgb(v):
    return v / 12.92 if v <= 12.92 * 0.0031308 else ((v + 0.055) / 1.055) ** 2.4


def pq(v):
    m1, m2, c1, c2, c3 = 2610 / 16384, 2523 / 32, 3424 / 4096, 2413 / 128, 2392 / 128
    x = max(v, 0.0) ** (1 / m2)
    return 10000.0 * (max(x - c1, 0.0) / (c2 - c3 * x)) ** (1 / m1) / PQ_WHITE


def hlg(v):
    a = 0.17883277
    b, c = 1 - 4 * a, 0.5 - a * np.log(4 * a)
    return v * v / 3 if v <= 0.5 else (np.exp((v - c) / a) + b) / 12


def acescc(v):
    x = 2.0 ** (17.52 * v - 9.72)
    return 2 * (x - 2.0**-16) if v < (9.72 - 15) / 17.52 else x


def acescct(v):
    return 2.0 ** (17.52 * v - 9.72) if v > 0.155251141552511 else (v - 0.0729055341958355) / 10.5402377416545


def linear(v):
    return v


CURVES = {f.__name__: f for f in (bt709, bt1886, srgb, pq, hlg, acescc, acescct, linear)}
