"""A clip's numbers from its windows' records alone, as the definitions pool them."""

import numpy as np
from scipy.optimize import brentq
from scipy.stats import t as student

import series
from reference import interval

SPREADS = ("temporal", "fixed", "fixed_row", "fixed_column", "fixed_pixel", "row", "column")


def weight(component):
    return (component["samples"] - 1) * (len(component["frame_means"]) - 1)


def pooled(components, name):
    """Signed variance of the clip: windows weigh by (P - 1)(N - 1); None where no window has it."""
    parts = [(weight(c), c["var"].get(name)) for c in components]
    parts = [(w, v) for w, v in parts if v is not None]
    total = sum(w for w, _ in parts)
    return sum(w * v for w, v in parts) / total if total else None


def by_frames(components, name):
    """Means and shares weigh by distinct frames."""
    parts = [(len(c["frame_means"]), c[name]) for c in components if c.get(name) is not None]
    total = sum(n for n, _ in parts)
    return sum(n * v for n, v in parts) / total if total else None


def time_correlation(components):
    """Lag 1 in time: summed before the correction, then corrected for the lengths of all windows."""
    used = [c for c in components if c["var"].get("ct") is not None and len(c["frame_means"]) > 2]
    square = sum(c["var"]["c0"] for c in used)
    if not used or square <= 0:
        return None
    raw = sum(c["var"]["ct"] for c in used) / square

    def expected(a):
        lengths = [(c["samples"], len(c["frame_means"])) for c in used]
        return sum(p * series.trace(n, a, 1) for p, n in lengths) / sum(p * series.trace(n, a) for p, n in lengths)

    if not expected(-series.HIGHEST) < raw < expected(series.HIGHEST):
        return None
    return brentq(lambda a: expected(a) - raw, -series.HIGHEST, series.HIGHEST, xtol=1e-15)


def neighbours(components, name, line, a):
    """corr_x (cx, row) or corr_y (cy, column) of a progressive clip: products added up, corrections applied once."""
    total = sum(c["var"][name] for c in components)
    frames = [len(c["frame_means"]) for c in components]
    samples = components[0]["samples"]
    lift = sum(frames) / sum(n - 1 for n in frames)
    # `level` is that of endless windows; the sums know their own windows' share of it.
    free = sum(n - 1 for n in frames)
    within = 1.0 if a is None else sum(series.trace(n, a) for n in frames) / free
    mean = pooled(components, "level") * within
    row, column = pooled(components, "row") or 0.0, pooled(components, "column") or 0.0
    product = total / (samples * sum(frames)) * lift
    whole = pooled(components, "temporal") * (samples - 1) / samples + mean
    return (product + mean - {"row": row, "column": column}[line]) / (whole - row - column)


def flicker(components, times, a):
    """Signed variance of the joined frame means about their line, beyond what moving noise leaves of itself there."""
    means = np.array([m for c in components for m in c["frame_means"]])
    at = times - times.mean()
    line = np.polyval(np.polyfit(at, means, 1), at)
    n, taken = len(means), 2.0
    if a is not None:
        u = np.stack([np.full(n, n**-0.5), at / np.sqrt((at * at).sum())])
        taken = float(np.trace(u @ series.frames(n, a) @ u.T))
    return float(((means - line) ** 2).sum() / (n - 2)) - pooled(components, "level") * (n - taken) / (n - 2)


def clip_interval(components):
    """The wider of chi-squared from the summed degrees of freedom and Student's t over 5 window variances or more."""
    variance = pooled(components, "temporal")
    nu = sum(c["var"]["nu"] for c in components if c["var"].get("nu") is not None)
    first = interval(variance, nu) if nu else None
    used = [c for c in components if c["var"].get("temporal") is not None and weight(c) > 0]
    if len(used) < 5 or first is None:
        return first
    # The standard error of a weighted mean: a short window at the end counts for as much as it holds.
    shares = np.array([weight(c) for c in used]) / sum(weight(c) for c in used)
    apart = np.array([c["var"]["temporal"] for c in used]) - variance
    error = np.sqrt(len(used) / (len(used) - 1) * np.sum((shares * apart) ** 2))
    half = student.ppf(0.975, len(used) - 1) * error
    second = [float(np.sqrt(max(variance - half, 0.0))), float(np.sqrt(variance + half))]
    return max(first, second, key=lambda ends: ends[1] - ends[0])
