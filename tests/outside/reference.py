"""One component of one region over one window, in plain numpy: the second implementation of the definitions.

Stacks are arrays of shape (frames, rows, columns). A progressive window is one stack; an interlaced one is two,
a stack a parity, whose sums of squares and degrees of freedom are added. `joined[l]` says whether no hole lies
between distinct frames l and l+1. Variances are signed and in the square of the stack's unit.
"""

from dataclasses import dataclass
from math import comb

import numpy as np
from scipy.signal import lfilter
from scipy.stats import chi2

import series

REACH = 15  # lags kept of the spatial correlation
PIECE = 64  # side of the piece it is measured on
KEPT = 8  # frames it is measured on
LINES = 4  # with fewer, a line is the frame mean, or the surface takes it whole
BLOCK = 16  # samples of a block in the search for lines
SETTLED = 1e-12
LEAST_SUM = 0.05  # chance must not make the sum of correlations zero or negative


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
    if blocks < 3 or rows.shape[-2] < LINES:
        return 0.0, 0
    b = rows[..., : blocks * BLOCK].reshape(*rows.shape[:-1], blocks, BLOCK).sum(axis=-1)
    pairs = b.sum(axis=-1) ** 2 - (b**2).sum(axis=-1) - 2.0 * (b[..., 1:] * b[..., :-1]).sum(axis=-1)
    return float(pairs.sum() / (BLOCK**2 * (blocks - 1) * (blocks - 2))), b[..., 0].size


def reach(side):
    """Largest lag along a side: a quarter of the piece, so that few lags share the piece's own mean."""
    return min(REACH, min(side, PIECE) // 4)


def lag_products(e):
    """Sums of products and numbers of products of the central piece over the kept frames, by (dx, dy)."""
    n, h, w = e.shape
    ph, pw = min(h, PIECE), min(w, PIECE)
    y0, x0 = (h - ph) // 2, (w - pw) // 2
    kept = kept_frames(n)
    piece = e[kept, y0 : y0 + ph, x0 : x0 + pw]
    spectrum = np.fft.rfft2(piece, s=(2 * ph, 2 * pw))
    sums = np.fft.irfft2((np.abs(spectrum) ** 2).sum(axis=0), s=(2 * ph, 2 * pw))
    ry, rx = reach(h), reach(w)
    dy, dx = np.mgrid[-ry : ry + 1, -rx : rx + 1]
    counts = len(kept) * (ph - np.abs(dy)) * (pw - np.abs(dx))
    return sums[dy, dx], counts, dx, dy, len(kept) * ph * pw


SURFACE = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))  # orders in x and y of the quadratic surface


def polynomials(n):
    """Orthonormal polynomials of order 0, 1, 2 on n equal steps, as columns; fewer for n < 3."""
    x = np.arange(n) - (n - 1) / 2
    return np.linalg.qr(np.stack([x**k for k in range(min(3, n))], axis=1))[0]


def surface(h, w):
    """Orthonormal images that span the quadratic surface on an h by w grid: products of polynomials."""
    in_y, in_x = polynomials(h), polynomials(w)
    return [np.outer(in_y[:, j], in_x[:, i]) for i, j in SURFACE if i < in_x.shape[1] and j < in_y.shape[1]]


def lost_terms(rho, h, w):
    """How many samples' worth of noise of correlation `rho` the quadratic surface takes: the sum of q'Rq."""

    def own(n, r):
        u = polynomials(n)
        return [[u[: n - abs(d), k] @ u[abs(d) :, k] for d in range(-r, r + 1)] for k in range(u.shape[1])]

    in_y, in_x = own(h, rho.shape[0] // 2), own(w, rho.shape[1] // 2)
    return sum(float(in_y[j] @ rho @ in_x[i]) for i, j in SURFACE if i < len(in_x) and j < len(in_y))


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
    free_correlation: np.ndarray
    sums: dict


def moving(stacks):
    """Moving noise of a window; None where there are fewer than two frames or samples."""
    n = len(stacks[0].samples)
    if n < 2 or stacks[0].samples[0].size < 2:
        return None
    sums = add(moving_sums(s) for s in stacks)
    temporal = sums["c0"] / sums["free"]
    p, h, w = (sums[k] / sums["stacks"] for k in ("samples", "height", "width"))
    seen, lag_x, lag_y = correlation_map(stacks, sums)
    weight = (1 - np.abs(lag_x) / w) * (1 - np.abs(lag_y) / h)
    lines = {k: ratio(sums[k], sums[k + "_count"]) for k in ("row", "column")}
    known = {k: v is not None for k, v in lines.items()}

    mean = 0.0
    for _ in range(1000):
        s2 = temporal * (p - 1) / p + mean
        row = lines["row"] * n / (n - 1) + mean if known["row"] else 0.0
        column = lines["column"] * n / (n - 1) + mean if known["column"] else 0.0
        pixel = s2 - row - column
        if s2 <= 0:
            break
        rho = (seen * (s2 - mean) + mean) / s2
        free = without_lines(rho, lag_x, lag_y, row / s2, column / s2)
        free_sum = max(LEAST_SUM, float((weight * free).sum()))
        new = pixel * free_sum / p + row / h + column / w
        done = abs(new - mean) <= SETTLED * s2
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
        nu=freedom(sums, rho, weight, n, h, w, row / s2, column / s2, memory(n, raw, a)) if s2 > 0 else None,
        free_correlation=free if s2 > 0 else np.ones((1, 1)),
        sums=sums,
    )


def correlation_map(stacks, sums):
    """rho by lag on the piece, with the lags."""
    h, w = stacks[0].samples.shape[1:]
    ry, rx = reach(h), reach(w)
    dy, dx = np.mgrid[-ry : ry + 1, -rx : rx + 1]
    zero = sums["lags"][ry, rx] / sums["lag_counts"][ry, rx]
    if zero <= 0:
        return ((dx == 0) & (dy == 0)) * 1.0, dx, dy
    return sums["lags"] / sums["lag_counts"] / zero, dx, dy


def without_lines(rho, dx, dy, q_row, q_column):
    """Correlation of what is left when shares q of the variance are row and column lines."""
    rest = 1.0 - q_row - q_column
    free = (rho - q_row * (dy == 0) - q_column * (dx == 0)) / rest if rest > 0 else np.zeros_like(rho)
    free[(dx == 0) & (dy == 0)] = 1.0
    return free


def freedom(sums, rho, weight, n, h, w, q_row, q_column, a):
    """Effective degrees of freedom of the moving variance: Var(s2) = 2 s2^2 / nu for Gaussian noise.

    `weight` is the share of sample pairs that exist at a lag. Of the sum of weight * rho^2 the chance part, one over
    the number of products at each lag but zero, is taken out; lines reach beyond the lags that were measured.
    """
    ry, rx = rho.shape[0] // 2, rho.shape[1] // 2
    chance = weight / sums["lag_counts"]
    chance[ry, rx] = 0.0
    space = float((weight * rho**2).sum())
    space += q_row**2 * (w - weight[ry].sum()) + q_column**2 * (h - weight[:, rx].sum())
    space /= 1.0 + float(chance.sum()) * n / (n - 1)
    return sums["free"] / (max(1.0, space) * series.spent(n, a))


def memory(n, raw, a):
    """The lag-1 correlation that degrees of freedom are counted with: the highest that can be told where it is higher."""
    if a is not None:
        return a
    return series.HIGHEST if raw is not None and raw >= series.lag_share(n, series.HIGHEST) else 0.0


def interval(variance, nu):
    """95 % interval of a spread, equal tails."""
    if variance is None or nu is None or variance < 0:
        return None
    return [float(np.sqrt(variance * nu / chi2.ppf(q, nu))) for q in (0.975, 0.025)]


def standing_sums(stack):
    mean = np.asarray(stack.samples, dtype=np.float64).mean(axis=0)
    h, w = mean.shape
    mean = mean - mean[0, 0]
    fit = sum(q * (q * mean).sum() for q in surface(h, w))
    rest = mean - fit
    row, row_count = far_blocks(rest)
    column, column_count = far_blocks(rest.T)
    return {
        "stacks": 1, "samples": h * w, "height": h, "width": w,
        "rss": float((rest**2).sum()), "fit": float(((fit - fit.mean()) ** 2).sum()),
        "row": row, "row_count": row_count, "column": column, "column_count": column_count,
    }  # fmt: skip


def standing(stacks, moved):
    """Standing noise on the mean image less its quadratic surface: signed variances, and the shading spread.

    Three unknowns, the variances of rows, columns and single samples in the mean image; three equations, the
    expectations of the residual's square and of its two far-block covariances under the projection.
    """
    n = len(stacks[0].samples)
    sums = add(standing_sums(s) for s in stacks)
    p, h, w = (sums[k] // sums["stacks"] for k in ("samples", "height", "width"))
    out = dict.fromkeys(("fixed", "fixed_row", "fixed_column", "fixed_pixel"))
    out["shading"] = float(np.sqrt(sums["fit"] / (sums["samples"] - sums["stacks"]))) if p > 1 else None
    images = surface(h, w)
    if moved is None or moved.long is None or p <= len(images):
        return out
    lost = max(LEAST_SUM * len(images), lost_terms(moved.free_correlation, h, w))
    share = lost / len(images)  # of each term: what correlation makes of one sample
    in_y, in_x = polynomials(h), polynomials(w)
    system, known = np.eye(3), np.zeros(3)
    kept_row, kept_column = 1 - in_y.shape[1] / h, 1 - in_x.shape[1] / w
    system[0], known[0] = [1 - lost / p, kept_row, kept_column], sums["rss"] / sums["samples"]
    if sums["row_count"]:
        pixel = -share * sum(far_blocks(q)[0] for q in images) / h
        system[1] = [pixel, kept_row, -sum(far_blocks(np.tile(u, (LINES, 1)))[0] / LINES for u in in_x.T)]
        known[1] = sums["row"] / sums["row_count"]
    if sums["column_count"]:
        pixel = -share * sum(far_blocks(q.T)[0] for q in images) / w
        system[2] = [pixel, -sum(far_blocks(np.tile(u, (LINES, 1)))[0] / LINES for u in in_y.T), kept_column]
        known[2] = sums["column"] / sums["column_count"]
    if min(np.abs(np.linalg.eigvals(system))) < 1e-9:
        return out
    pixel, row, column = np.linalg.solve(system, known)
    left_over = moved.long / moved.temporal * series.mean_factor(n, moved.corr_t)
    out["mean_image"] = pixel + row + column
    out["fixed"] = out["mean_image"] - moved.spread * left_over
    out["fixed_row"] = row - moved.row * left_over if sums["row_count"] else None
    out["fixed_column"] = column - moved.column * left_over if sums["column_count"] else None
    out["fixed_pixel"] = out["fixed"] - (out["fixed_row"] or 0.0) - (out["fixed_column"] or 0.0)
    return out


def series_power(lines, a):
    """Sum of u'Ru over rows u, with R[i, j] = a^|i-j|, by running sums."""
    ahead = lfilter([0.0, a], [1.0, -a], lines, axis=1)
    return float((lines * lines).sum() + 2.0 * (lines * ahead).sum())


def flicker(means, times, frame_mean, a=None):
    """(signed variance of frame means about their line beyond moving noise, slope a second).

    The line takes more from an AR(1) series than from a white one, so what moving noise leaves is worked out.
    """
    means, times = np.asarray(means, dtype=np.float64), np.asarray(times, dtype=np.float64)
    n = len(means)
    if n < 2:
        return None, None
    t = times - times.mean()
    slope = float((t * means).sum() / (t * t).sum())
    if n < 3 or frame_mean is None:
        return None, slope
    rest = means - means.mean() - slope * t
    if a is not None:
        line = np.stack([np.full(n, n**-0.5), t / np.sqrt((t * t).sum())])
        taken = series_power(line, a)
        frame_mean = frame_mean * series.long_factor(n, a) * (n - taken) / (n - 2)
    return float((rest**2).sum() / (n - 2) - frame_mean), slope


def slow(windows):
    """Signed variance of pixels' window means about their window's level, beyond what moving noise leaves in a mean.

    `windows` holds the distinct frames of each. What is left of moving noise without its share in the level is the
    two-way residual's variance, `temporal`: so that is what is taken off, not the variance of a sample.
    """
    images, explained = [], []
    for y in windows:
        moved = moving([Stack.of(y)])
        white = moved.long is None
        left = 1.0 / len(y) if white else moved.long / moved.temporal * series.mean_factor(len(y), moved.corr_t)
        explained.append(moved.temporal * left)
        image = np.asarray(y, dtype=np.float64).mean(axis=0)
        images.append(image - image.mean())
    images = np.array(images)
    free = (len(images) - 1) * (images[0].size - 1)
    return float(((images - images.mean(axis=0)) ** 2).sum() / free - np.mean(explained))


def flicker_frequency(means, rate):
    """(Hz, Fisher's g, chance of a larger g) of the periodogram of the means about their line, without that at rate/2."""
    n = len(means)
    at = np.arange(n)
    rest = np.asarray(means) - np.polyval(np.polyfit(at, means, 1), at)
    powers = np.abs(np.fft.rfft(rest)[1 : (n + 1) // 2]) ** 2
    g, m = float(powers.max() / powers.sum()), len(powers)
    terms = [(-1) ** (j - 1) * comb(m, j) * (1 - j * g) ** (m - 1) for j in range(1, int(1 / g) + 1)]
    return (int(powers.argmax()) + 1) * rate / n, g, float(sum(terms))
