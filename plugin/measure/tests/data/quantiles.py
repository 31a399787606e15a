#!/usr/bin/env python3
"""Writes the quantiles that quantile.rs is held against: python3 quantiles.py > quantiles.csv

Made with Python 3.11.7, scipy 1.17.1, numpy 2.4.6, mpmath 1.3.0. Columns: distribution, p, nu1, nu2, quantile.
"""
import mpmath
import numpy
from scipy import special, stats

PROBABILITIES = [1e-6, 0.005, 0.025, 0.1, 0.5, 0.9, 0.975, 0.995, 0.999999]
FREEDOMS = [1, 1.5, 2, 7.25, 30, 99, 999, 12345.5, 99999, 100001, 1e6, 3.5e8, 1e10]
FISHER_FREEDOMS = [1, 2.5, 30, 999, 1e6, 1e10]


mpmath.mp.dps = 50


def quantile(distribution, p, *nu):
    """From the nearer tail, as 1 - p is exact enough and p near 1 is not."""
    return distribution.ppf(p, *nu) if p <= 0.5 else distribution.isf(1 - p, *nu)


def chi_squared_below(x, nu):
    """Probability below x by the power series of the incomplete gamma function, its first factor in 50 digits.

    scipy's own incomplete gamma function is wrong in the second digit at p = 1e-6 for 1e8 degrees of freedom.
    """
    a, half = nu / 2, mpmath.mpf(x) / 2
    first = mpmath.exp(a * mpmath.log(half) - half - mpmath.loggamma(mpmath.mpf(a) + 1))
    terms = numpy.cumprod(float(half) / (a + numpy.arange(1, int(60 * a**0.5))))
    return float(first) * (1 + terms.sum())


def chi_squared_quantile(p, nu):
    if nu < 1e6:
        return quantile(stats.chi2, p, nu)
    x = quantile(stats.chi2, p, nu)
    for _ in range(8):
        density = float(mpmath.exp((nu / 2 - 1) * mpmath.log(x / 2) - x / 2 - mpmath.loggamma(nu / 2)) / 2)
        x -= (chi_squared_below(x, nu) - p) / density
    return x


def row(name, p, nu1, nu2, value):
    print(name, repr(p), float(nu1), float(nu2), repr(float(value)), sep=",")


for p in PROBABILITIES:
    row("normal", p, 0, 0, special.ndtri(p) if p <= 0.5 else -special.ndtri(1 - p))
for nu in FREEDOMS:
    for p in PROBABILITIES:
        row("chi_squared", p, nu, 0, chi_squared_quantile(p, nu))
        row("student_t", p, nu, 0, quantile(stats.t, p, nu))
for nu1 in FISHER_FREEDOMS:
    for nu2 in FISHER_FREEDOMS:
        for p in [1e-6, 0.01, 0.5, 0.975, 0.999999]:
            row("fisher_f", p, nu1, nu2, quantile(stats.f, p, nu1, nu2))
