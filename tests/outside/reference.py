"""One component of one region over one window, in plain numpy: the second implementation of the definitions.

Stacks are arrays of shape (frames, rows, columns). A progressive window is one stack; an interlaced one is two,
a stack a parity, whose sums of squares and degrees of freedom are added. `joined[l]` says whether no hole lies
between distinct frames l and l+1. Variances are signed and in the square of the stack's unit.
"""

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

import series

REACH = 15  # lags kept of the spatial correlation
PIECE = 64  # side of the piece it is measured on
KEPT = 8  # frames it is measured on
BLOCK = 16  # samples of a block in the search for lines
SETTLED = 1e-12


@dataclass
class Stack:
    """Distinct frames of one parity, or whole frames."""

    samples: np.ndarray
    joined: np.ndarray

    @staticmethod
    def of(samples, joined=None):
        samples = np.asarray(samples)
        if joined is None:
            joined = np.ones(max(len(samples) - 1, 0), dtype=bool)
        return Stack(samples, np.asarray(joined, dtype=bool))


def residual(y):
    """The two-way residual: sample less its pixel's mean, less its frame's mean, plus the mean of all."""
    y = np.asarray(y, dtype=np.float64)
    y = y - y[0, 0, 0]
    return y - y.mean(axis=0) - y.mean(axis=(1, 2), keepdims=True) + y.mean()


def kept_frames(n):
    """Indices kept by doubling the stride whenever a ninth frame would be added."""
    stride, kept = 1, []
    for index in range(n):
        if index % stride:
            continue
        if len(kept) == KEPT:
            stride *= 2
            kept = [k for k in kept if k % stride == 0]
            if index % stride:
                continue
        kept.append(index)
    return kept


def far_blocks(rows):
    """Mean product of samples two or more 16-blocks apart in a row, summed over rows; (sum, rows), (0, 0) if none."""
    blocks = rows.shape[-1] // BLOCK
    if blocks < 3:
        return 0.0, 0
    b = rows[..., : blocks * BLOCK].reshape(*rows.shape[:-1], blocks, BLOCK).sum(axis=-1)
    pairs = b.sum(axis=-1) ** 2 - (b**2).sum(axis=-1) - 2.0 * (b[..., 1:] * b[..., :-1]).sum(axis=-1)
    return float(pairs.sum() / (BLOCK**2 * (blocks - 1) * (blocks - 2))), b[..., 0].size


def lag_products(e):
    """Sums of products and numbers of products of the central piece over the kept frames, by (dx, dy)."""
    n, h, w = e.shape
    ph, pw = min(h, PIECE), min(w, PIECE)
    y0, x0 = (h - ph) // 2, (w - pw) // 2
    kept = kept_frames(n)
    piece = e[kept, y0 : y0 + ph, x0 : x0 + pw]
    spectrum = np.fft.rfft2(piece, s=(2 * ph, 2 * pw))
    sums = np.fft.irfft2((np.abs(spectrum) ** 2).sum(axis=0), s=(2 * ph, 2 * pw))
    ry, rx = min(REACH, ph - 1), min(REACH, pw - 1)
    dy, dx = np.mgrid[-ry : ry + 1, -rx : rx + 1]
    counts = len(kept) * (ph - np.abs(dy)) * (pw - np.abs(dx))
    return sums[dy, dx], counts, dx, dy, len(kept) * ph * pw


def surface(h, w):
    """Orthonormal columns spanning the quadratic surface on an h by w grid, fewer where a side is under 3."""
    y, x = np.mgrid[0:h, 0:w].astype(np.float64)
    y, x = y - (h - 1) / 2, x - (w - 1) / 2
    columns = [np.ones((h, w))]
    columns += [x] if w > 1 else []
    columns += [y] if h > 1 else []
    columns += [x * x] if w > 2 else []
    columns += [x * y] if w > 1 and h > 1 else []
    columns += [y * y] if h > 2 else []
    q, _ = np.linalg.qr(np.stack([c.ravel() / np.abs(c).max() for c in columns], axis=1))
    return q


def add(parts):
    """Sums of all stacks."""
    total = {}
    for part in parts:
        for key, value in part.items():
            total[key] = total.get(key, 0) + value
    return total


def moving_sums(stack):
    """Quadratic sums of one stack with their numbers of terms."""
    y = np.asarray(stack.samples, dtype=np.float64)
    n, h, w = y.shape
    e = residual(y)
    d = np.diff(e, axis=0)
    d = d - d.mean(axis=(1, 2), keepdims=True) if len(d) else d
    two = stack.joined[1:] & stack.joined[:-1]
    row, row_count = far_blocks(e)
    column, column_count = far_blocks(e.swapaxes(1, 2))
    lags, counts, _, _, piece = lag_products(e)
    return {
        "stacks": 1,
        "samples": h * w,
        "height": h,
        "width": w,
        "free": (h * w - 1) * (n - 1),
        "c0": float((e**2).sum()),
        "cx": float((e[:, :, 1:] * e[:, :, :-1]).sum()),
        "cx_count": n * h * (w - 1),
        "cy": float((e[:, 1:] * e[:, :-1]).sum()),
        "cy_count": n * (h - 1) * w,
        "ct": scaled((e[1:] * e[:-1]).sum(axis=(1, 2)), stack.joined, n - 1),
        "ct2": scaled((e[2:] * e[:-2]).sum(axis=(1, 2)), two, n - 2),
        "pair": float((d**2).sum(axis=(1, 2))[stack.joined].sum()),
        "pair_count": int(stack.joined.sum()) * (h * w - 1),
        "row": row,
        "row_count": row_count,
        "column": column,
        "column_count": column_count,
        "lags": lags,
        "lag_counts": counts,
        "piece": piece,
    }


def scaled(products, there, pairs):
    """Sum over existing pairs brought to the number that a stack without holes has."""
    there = np.asarray(there, dtype=bool)
    return float(products[there].sum() * pairs / there.sum()) if there.any() else float("nan")


def ratio(total, count):
    return total / count if count else None


@dataclass
class Moving:
    """What moves: variances, correlations, and the variance of a frame mean that they imply."""

    temporal: float | None
    pair: float | None
    row: float | None
    column: float | None
    spread: float
    frame_mean: float
    corr_x: float | None
    corr_y: float | None
    corr_t: float | None
    long: float | None
    nu: float | None
    total_correlation: float
    sums: dict


def moving(stacks):
    """Moving noise of a window; None where there are fewer than two frames or samples."""
    n = len(stacks[0].samples)
    if n < 2 or stacks[0].samples[0].size < 2:
        return None
    sums = add(moving_sums(s) for s in stacks)
    temporal = sums["c0"] / sums["free"]
    p, h, w = (sums[k] / sums["stacks"] for k in ("samples", "height", "width"))
    rho, lag_x, lag_y = correlation_map(stacks, sums)
    lines = {k: ratio(sums[k], sums[k + "_count"]) for k in ("row", "column")}
    known = {k: v is not None for k, v in lines.items()}

    mean = 0.0
    for _ in range(1000):
        s2 = temporal * (p - 1) / p + mean
        row = lines["row"] * n / (n - 1) + mean if known["row"] else 0.0
        column = lines["column"] * n / (n - 1) + mean if known["column"] else 0.0
        pixel = s2 - row - column
        free_sum = line_free_sum(rho, lag_x, lag_y, row / s2, column / s2) if s2 > 0 else 1.0
        new = pixel * free_sum / p + row / h + column / w
        done = abs(new - mean) <= SETTLED * max(s2, 1e-300)
        mean = new
        if done:
            break

    def neighbour(total, count, line):
        if not count or pixel <= 0:
            return None
        return (total / count * n / (n - 1) + mean - line) / pixel

    raw = sums["ct"] / sums["c0"] if sums["c0"] > 0 and n >= 3 else None
    a = series.correlation(n, raw)
    long = None
    if a is not None and not abs(sums["ct2"] / sums["c0"] - series.lag_share(n, a, 2)) > 0.1:
        long = temporal * series.long_factor(n, a)
    return Moving(
        temporal=temporal,
        pair=None if not sums["pair_count"] else sums["pair"] / (2 * sums["pair_count"]),
        row=row if known["row"] else None,
        column=column if known["column"] else None,
        spread=s2,
        frame_mean=mean,
        corr_x=neighbour(sums["cx"], sums["cx_count"], row),
        corr_y=neighbour(sums["cy"], sums["cy_count"], column),
        corr_t=a,
        long=long,
        nu=freedom(sums, rho, n, p, h, w, row / s2, column / s2, a) if s2 > 0 else None,
        total_correlation=max(1.0, float(rho.sum())),
        sums=sums,
    )


def correlation_map(stacks, sums):
    """rho by lag on the piece, with the lags."""
    h, w = stacks[0].samples.shape[1:]
    ry, rx = min(REACH, min(h, PIECE) - 1), min(REACH, min(w, PIECE) - 1)
    dy, dx = np.mgrid[-ry : ry + 1, -rx : rx + 1]
    zero = sums["lags"][ry, rx] / sums["lag_counts"][ry, rx]
    if zero <= 0:
        return (dx == 0) & (dy == 0) * 1.0, dx, dy
    return sums["lags"] / sums["lag_counts"] / zero, dx, dy


def line_free_sum(rho, dx, dy, q_row, q_column):
    """Sum of the correlations of the noise that is not lines."""
    rest = 1.0 - q_row - q_column
    if rest <= 0:
        return 1.0
    free = (rho - q_row * (dy == 0) - q_column * (dx == 0)) / rest
    free[(dx == 0) & (dy == 0)] = 1.0
    return max(0.05, float(free.sum()))


def freedom(sums, rho, n, p, h, w, q_row, q_column, a):
    """Effective degrees of freedom of the moving variance."""
    count = sums["piece"] * (n - 1) / n
    space = float((rho**2).sum()) - rho.size / count
    space += max(0.0, w - 31) * q_row**2 + max(0.0, h - 31) * q_column**2
    a = a or 0.0
    return sums["free"] / (max(1.0, space) * (1 + a * a) / (1 - a * a))


def interval(variance, nu):
    """95 % interval of a spread, equal tails."""
    if variance is None or nu is None or variance < 0:
        return None
    return [float(np.sqrt(variance * nu / chi2.ppf(q, nu))) for q in (0.975, 0.025)]


def standing(stacks, moved):
    """Standing noise on the mean image less its quadratic surface: signed variances, and the shading spread."""
    n = len(stacks[0].samples)
    parts = []
    for stack in stacks:
        mean = np.asarray(stack.samples, dtype=np.float64).mean(axis=0)
        h, w = mean.shape
        q = surface(h, w)
        flat = (mean - mean[0, 0]).ravel()
        fit = q @ (q.T @ flat)
        rest = (flat - fit).reshape(h, w)
        row, row_count = far_blocks(rest)
        column, column_count = far_blocks(rest.T)
        parts.append({
            "stacks": 1, "samples": h * w, "height": h, "width": w, "terms": q.shape[1],
            "rss": float((rest**2).sum()), "fit": float(((fit - fit.mean()) ** 2).sum()),
            "row": row, "row_count": row_count, "column": column, "column_count": column_count,
        })  # fmt: skip
    sums = add(parts)
    p, h, w = (sums[k] / sums["stacks"] for k in ("samples", "height", "width"))
    out = dict.fromkeys(("mean_image", "fixed", "fixed_row", "fixed_column", "fixed_pixel"))
    out["shading"] = float(np.sqrt(sums["fit"] / (sums["samples"] - sums["stacks"]))) if p > 1 else None
    total = 1.0 if moved is None else moved.total_correlation
    divisor = sums["samples"] - sums["terms"] * total
    if divisor <= 0:
        return out
    out["mean_image"] = a2 = sums["rss"] / divisor
    if moved is None or moved.long is None:
        return out
    factor = series.mean_factor(n, moved.corr_t)
    out["fixed"] = a2 - moved.long * factor
    cov = {k: ratio(sums[k], sums[k + "_count"]) for k in ("row", "column")}
    row = column = 0.0
    for _ in range(1000):
        pixel = a2 - row - column
        rows = 0.0 if cov["row"] is None else cov["row"] + 3 * row / h + 3 * pixel * total / p + column / w
        columns = 0.0 if cov["column"] is None else cov["column"] + 3 * column / w + 3 * pixel * total / p + row / h
        done = abs(rows - row) + abs(columns - column) <= SETTLED * a2
        row, column = rows, columns
        if done:
            break
    if cov["row"] is not None and moved.row is not None:
        out["fixed_row"] = row - moved.row * factor
    if cov["column"] is not None and moved.column is not None:
        out["fixed_column"] = column - moved.column * factor
    out["fixed_pixel"] = out["fixed"] - (out["fixed_row"] or 0.0) - (out["fixed_column"] or 0.0)
    return out


def flicker(means, times, frame_mean):
    """(signed variance of frame means about their line beyond moving noise, slope a second)."""
    means, times = np.asarray(means, dtype=np.float64), np.asarray(times, dtype=np.float64)
    if len(means) < 2:
        return None, None
    t = times - times.mean()
    slope = float((t * means).sum() / (t * t).sum())
    if len(means) < 3 or frame_mean is None:
        return None, slope
    rest = means - means.mean() - slope * t
    return float((rest**2).sum() / (len(means) - 2) - frame_mean), slope
