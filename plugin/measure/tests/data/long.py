#!/usr/bin/env python3
"""Prints how far the long-run variance of recursive noise scatters, for the test in src/numbers/long.rs.

Columns: a, frames, standard deviation of the estimate's logarithm times the root of the pixels. Made with Python 3.11.7,
numpy 2.4.6. The noise is drawn frame by frame, its own mean taken out, and a found by inverting the expectation of the
lag-1 ratio, all of it written from the definition.
"""
import numpy

WINDOWS = 4000
PIXELS = 4000


def expectations(n, a):
    """tr C and tr SC for n frames."""
    lag = numpy.abs(numpy.subtract.outer(numpy.arange(n), numpy.arange(n)))
    centre = numpy.eye(n) - 1 / n
    c = centre @ a**lag @ centre
    return numpy.trace(c), numpy.trace(c, 1)


def scatter(n, a, random):
    grid = numpy.linspace(-0.5, 0.99, 3000)
    table = numpy.array([expectations(n, value) for value in grid])
    ratios = table[:, 1] / table[:, 0]
    logs = numpy.empty(WINDOWS)
    for window in range(WINDOWS):
        noise = random.standard_normal((n, PIXELS))
        for k in range(1, n):
            noise[k] = a * noise[k - 1] + (1 - a * a) ** 0.5 * noise[k]
        noise -= noise.mean(axis=0)
        square, product = (noise * noise).sum(), (noise[1:] * noise[:-1]).sum()
        found = numpy.interp(product / square, ratios, grid)
        logs[window] = numpy.log(square / numpy.interp(found, grid, table[:, 0]))
    return logs.std(ddof=1) * PIXELS**0.5


random = numpy.random.default_rng(20240501)
for a, n in [(0.0, 24), (0.5, 24), (0.8, 24), (0.9, 24), (0.9, 60), (0.7, 8)]:
    print(f"{a} {n} {scatter(n, a, random):.4f}", flush=True)
