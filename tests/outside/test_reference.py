"""The reference held against closed forms, by 64 fixed seeds a row: |mean z| < 0.5, rms z in 0.7..1.3.

Standard errors follow from the models beside them (variance of a variance, Bartlett). Where no closed form of the error exists (lines by
far blocks, correlations under a window), the spread over the seeds stands in for it and the expectation alone is
tested: |mean z| < 0.5 is then 4 standard errors of the mean over 64 seeds.
"""

import numpy as np
import pytest

import levels
import light
import noise
import picture
import pooling
import reference
import series

SEEDS = 64


def over_seeds(measure):
    """Lists of what `measure(rng)` returns, by name."""
    runs = [measure(np.random.default_rng(seed)) for seed in range(SEEDS)]
    return {key: np.array([r[key] for r in runs], dtype=np.float64) for key in runs[0]}


def held(values, expected, error):
    z = (values - expected) / error
    assert abs(z.mean()) < 0.5, f"mean z {z.mean():.3f}, mean {values.mean():.6g}, expected {np.mean(expected):.6g}"
    rms = np.sqrt((z**2).mean())
    assert 0.7 < rms < 1.3, f"rms z {rms:.3f}"


def unbiased(values, expected):
    z = (values - expected).mean() / values.std(ddof=1)
    assert abs(z) < 0.5, f"mean z {z:.3f}, mean {values.mean():.6g}, expected {expected:.6g}"


def window(y):
    stacks = [reference.Stack.of(y)]
    moved = reference.moving(stacks)
    return moved, reference.standing(stacks, moved)


def numbers(y):
    moved, stood = window(y)
    spread, _ = reference.flicker(y.mean(axis=(1, 2)), np.arange(len(y)) / 25, moved.frame_mean, moved.corr_t)
    kept = {k: getattr(moved, k) for k in ("temporal", "pair", "row", "column", "corr_x", "corr_y", "corr_t", "long")}
    kept |= {"nu": moved.nu, "flicker": spread, **stood}
    return {k: np.nan if v is None else v for k, v in kept.items()}


def test_white():
    n, h, w = 16, 64, 64
    p = h * w
    v = over_seeds(lambda rng: numbers(noise.stack(rng, n, h, w)))
    held(v["temporal"], 1.0, np.sqrt(2 / ((p - 1) * (n - 1))))
    held(v["pair"], 1.0, np.sqrt(2 / ((n - 1) * p) * (1 + 0.5 * (n - 2) / (n - 1))))
    held(v["corr_x"], 0.0, 1 / np.sqrt(p * (n - 1)))
    held(v["corr_y"], 0.0, 1 / np.sqrt(p * (n - 1)))
    held(v["corr_t"], 0.0, 1 / np.sqrt(p * (n - 1)))
    held(v["fixed"], 0.0, np.sqrt(2 / n**2 / (p - 6) + 2 / (n**2 * p * (n - 1))))
    for name in ("row", "column", "fixed_row", "fixed_column", "fixed_pixel", "flicker"):
        unbiased(v[name], 0.0)


@pytest.mark.parametrize("side", [8, 16, 32])
def test_white_in_small_regions(side):
    n = 24
    v = over_seeds(lambda rng: numbers(noise.stack(rng, n, side, side)))
    held(v["temporal"], 1.0, np.sqrt(2 / v["nu"]))
    for name in ("corr_x", "corr_y", "corr_t", "fixed", "flicker"):
        unbiased(v[name], 0.0)


@pytest.mark.parametrize("side", [16, 64])
def test_blur(side):
    n, sigma = 24, 1.0
    v = over_seeds(lambda rng: numbers(noise.stack(rng, n, side, side, blur=sigma)))
    taps = noise.gaussian_taps(sigma)
    lag = np.arange(-16, 17)
    rho = np.correlate(taps, taps, "full")
    mean = ((rho * (1 - np.abs(lag) / side)).sum() / side) ** 2  # variance of a frame mean
    held(v["temporal"], (1 - mean) * side**2 / (side**2 - 1), v["temporal"] * np.sqrt(2 / v["nu"]))
    unbiased(v["corr_x"], noise.neighbour_correlation(sigma))
    unbiased(v["corr_y"], noise.neighbour_correlation(sigma))
    for name in ("fixed", "flicker") + (("row", "column", "fixed_row", "fixed_column") if side > 47 else ()):
        unbiased(v[name], 0.0)


@pytest.mark.parametrize("a", [0.5, 0.9])
def test_memory_in_time(a):
    n, h, w = 24, 48, 48
    v = over_seeds(lambda rng: numbers(noise.stack(rng, n, h, w, a=a)))
    held(v["temporal"], 1 / series.long_factor(n, a), v["temporal"] * np.sqrt(2 / v["nu"]))
    unbiased(v["pair"], 1 - a)
    for name, expected in (("corr_t", a), ("long", 1.0), ("fixed", 0.0), ("flicker", 0.0), ("corr_x", 0.0)):
        unbiased(v[name], expected)


def test_moving_lines():
    n, h, w, row, column = 16, 64, 80, 0.4, 0.2
    v = over_seeds(lambda rng: numbers(noise.stack(rng, n, h, w, row=row, column=column)))
    s2, mean = 1 + row**2 + column**2, 1 / (h * w) + row**2 / h + column**2 / w
    held(v["temporal"], (s2 - mean) * h * w / (h * w - 1), v["temporal"] * np.sqrt(2 / v["nu"]))
    for name, expected in (("row", row**2), ("column", column**2), ("corr_x", 0.0), ("corr_y", 0.0)):
        unbiased(v[name], expected)
    for name in ("fixed", "fixed_row", "fixed_column", "fixed_pixel", "flicker"):
        unbiased(v[name], 0.0)


def test_lines_with_memory():
    """Lines that a recursive denoiser smears in time do not read as standing ones."""
    v = over_seeds(lambda rng: numbers(noise.stack(rng, 24, 64, 64, row=0.5, a=0.8)))
    for name in ("fixed", "fixed_row", "fixed_column", "fixed_pixel"):
        unbiased(v[name], 0.0)
    unbiased(v["corr_y"], 0.0)


@pytest.mark.parametrize(
    ("h", "w", "pixel", "row", "column"), [(64, 64, 1.0, 1.0, 1.0), (96, 64, 0.1, 0.0, 1.0), (48, 96, 0.5, 0.5, 0.0)]
)
def test_standing(h, w, pixel, row, column):
    n, moving = 8, 0.3

    def measure(rng):
        pattern = noise.stack(rng, 1, h, w, pixel=pixel, row=row, column=column)
        y, x = np.mgrid[0:h, 0:w]
        shade = 2e-3 * (x - w / 2) ** 2 - 0.01 * y + 1e-3 * x * y
        return numbers(noise.stack(rng, n, h, w, pixel=moving) + pattern + shade)

    v = over_seeds(measure)
    for name, expected in (("fixed", pixel**2 + row**2 + column**2), ("fixed_row", row**2)):
        unbiased(v[name], expected)
    unbiased(v["fixed_column"], column**2)
    unbiased(v["fixed_pixel"], pixel**2)
    if row == column == 0:
        held(v["fixed"], pixel**2, np.sqrt(2 * (pixel**2 + moving**2 / n) ** 2 / (h * w - 6)))


def test_flicker():
    n, depth = 48, 0.05

    def measure(rng):
        return numbers(
            noise.stack(rng, n, 32, 32) + depth * rng.standard_normal((n, 1, 1)) + np.arange(n)[:, None, None]
        )

    v = over_seeds(measure)
    held(v["flicker"], depth**2, np.sqrt(2 / (n - 2)) * (depth**2 + 1 / 1024))


def test_slope():
    means = 100 + 2.5 * np.arange(10) / 25
    spread, slope = reference.flicker(means, np.arange(10) / 25, 0.0)
    assert abs(slope - 2.5) < 1e-12
    assert abs(spread) < 1e-20


def test_surface_is_taken_out_whole():
    y, x = np.mgrid[0:20, 0:30]
    image = 3 + 0.1 * x - 0.2 * y + 1e-3 * x * x + 2e-3 * x * y - 3e-3 * y * y
    sums = reference.standing_sums(reference.Stack.of(image[None]))
    assert sums["rss"] < 1e-20 * sums["fit"]
    assert abs(sums["fit"] - ((image - image.mean()) ** 2).sum()) < 1e-9 * sums["fit"]


def test_two_way_numerator():
    """The single integer numerator of the definitions is the residual's sum of squares."""
    y = np.random.default_rng(1).integers(0, 1024, (7, 5, 6))
    n, p = 7, 30
    q, s, f, t = (int(v) for v in ((y**2).sum(), y.sum(), (y.sum(axis=(1, 2)) ** 2).sum(), (y.sum(axis=0) ** 2).sum()))
    exact = (p * n * q - n * f - p * t + s * s) / (p * n * (p - 1) * (n - 1))
    assert abs(reference.moving([reference.Stack.of(y)]).temporal - exact) < 1e-13 * exact


def test_rounding_adds_a_twelfth():
    n, p = 16, 64 * 64
    v = over_seeds(lambda rng: numbers(np.rint(noise.stack(rng, n, 64, 64) + 100.3)))
    held(v["temporal"], 1 + 1 / 12, (1 + 1 / 12) * np.sqrt(2 / ((p - 1) * (n - 1))))


def test_derived_luma():
    """Unit independent RGB noise, by the BT.601, BT.709 and BT.2020 luma weights."""
    for matrix, expected in (("bt601", 0.668555), ("bt709", 0.749615), ("bt2020", 0.729528)):

        def measure(rng, matrix=matrix):
            planes = picture.derived(*(noise.stack(rng, 8, 64, 64) for _ in range(3)), matrix)
            return {"v": reference.moving([reference.Stack.of(planes["Y"])]).temporal}

        held(over_seeds(measure)["v"], expected**2, expected**2 * np.sqrt(2 / (4095 * 7)))


def test_two_fields_are_one_measurement():
    rng = np.random.default_rng(5)
    y = noise.stack(rng, 12, 64, 64)
    both = reference.moving([reference.Stack.of(f) for f in picture.fields(y)])
    parts = [reference.moving([reference.Stack.of(f)]) for f in picture.fields(y)]
    assert abs(both.temporal - (parts[0].temporal + parts[1].temporal) / 2) < 1e-12
    assert both.sums["free"] == 2 * (32 * 64 - 1) * 11


@pytest.mark.parametrize("n", [3, 8, 25])
@pytest.mark.parametrize("a", [-0.5, 0.0, 0.3, 0.9])
def test_traces(n, a):
    """Traces from row sums are those of the matrix written out."""
    c = series.left(n, a)
    for lag in (0, 1, 2):
        assert abs(series.trace(n, a, lag) - np.trace(c, offset=lag)) < 1e-12
    assert abs(series.square(n, a) - (c * c).sum()) < 1e-11
    line = np.random.default_rng(n).standard_normal((2, n))
    assert abs(reference.series_power(line, a) - np.sum((line @ series.frames(n, a)) * line)) < 1e-11
    assert abs(series.correlation(n, series.lag_share(n, a)) - a) < 1e-12


def test_short_stack_bias():
    """What a short stack reads of AR(1) noise, a = 0.6."""
    for n, expected in ((2, 0.4), (8, 0.703108), (16, 0.8312)):
        assert abs(1 / series.long_factor(n, 0.6) - expected) < 5e-5


def test_kept_frames():
    assert reference.kept_frames(8) == list(range(8))
    assert reference.kept_frames(9) == [0, 2, 4, 6, 8]
    assert reference.kept_frames(17) == [0, 4, 8, 12, 16]
    assert reference.kept_frames(24) == [0, 4, 8, 12, 16, 20]


def test_levels():
    scale = levels.Scale(10, full=False)
    codes = np.array([[64, 940, 1019, 4, 502]] * 20, dtype=np.uint16)
    got = levels.levels(codes, scale, 1)
    assert (got["mean_codes"], got["min_codes"], got["max_codes"]) == (505.8, 4, 1019)
    assert (got["clipped_high"], got["clipped_low"], got["above_white"], got["below_black"]) == (0.2, 0.2, 0.2, 0.2)
    assert scale.percent(64) == 0 and scale.percent(940) == 100
    assert [levels.Scale(d, False).high(s) for d, s in ((8, 1), (10, 1), (10, 4), (12, 1))] == [254, 1019, 1016, 4079]


def test_code_step():
    step = levels.CodeStep()
    step.add(np.arange(0, 60, 4, dtype=np.uint16))
    assert step.step is None  # 15 codes
    step.add(np.array([64], dtype=np.uint16))
    assert step.step == 4


def test_rail():
    codes = np.concatenate([np.full(1000, 300), np.tile(np.arange(301, 320), 20)]).astype(np.uint16)
    got = levels.levels(codes, levels.Scale(10, full=False), 1)
    assert got["rail_low"] == {"code": 300, "share": 1000 / 1380}
    assert got["rail_high"] is None


def test_footprints():
    assert picture.percent_rectangle(40, 40, 20, 20, 175, 143) == (70, 57, 35, 29)
    assert picture.footprint(3, 8, 2, 175) == (2, 5)  # luma 3..10: chroma 2, 3, 4
    assert picture.footprint(171, 4, 2, 175) == (86, 88)  # the last footprint hangs over the frame


def test_windows_alternate():
    times = [round(i * 1001e9 / 24000) for i in range(100)]
    assert [len(i) for i in picture.window_indices(times, 10**9)] == [24, 24, 24, 24, 4]


def test_curves():
    """18 % grey through the curves of BT.709, sRGB, HLG and PQ; PQ and HLG levels of ITU-R BT.2100."""
    for name, v, x in (("bt709", 0.409008, 0.18), ("srgb", 0.461356, 0.18), ("hlg", 0.672358, 0.18)):
        assert abs(light.CURVES[name](v) - x) < 2e-6
    for name, v, x in (("acescc", 0.413588, 0.18), ("acescct", 0.413588, 0.18), ("bt1886", 0.489437, 0.18)):
        assert abs(light.CURVES[name](v) - x) < 2e-6
    assert abs(light.pq(0.5) * light.PQ_WHITE - 92.2457) < 1e-4
    assert abs(light.hlg(0.75) - 0.264963) < 1e-6


def test_pooled_correlation():
    """Windows of 23 and 24 frames pool to the a that made them."""

    def measure(rng):
        parts = []
        for n in (23, 24, 24):
            moved = reference.moving([reference.Stack.of(noise.stack(rng, n, 32, 32, a=0.6))])
            var = {"c0": moved.sums["c0"], "ct": moved.sums["ct"], "temporal": moved.temporal}
            parts.append({"samples": 1024, "frame_means": [0.0] * n, "var": var})
        return {"a": pooling.time_correlation(parts), "v": pooling.pooled(parts, "temporal")}

    v = over_seeds(measure)
    unbiased(v["a"], 0.6)
    counts = np.array([22, 23, 23])
    expected = (counts / [series.long_factor(n, 0.6) for n in (23, 24, 24)]).sum() / counts.sum()
    unbiased(v["v"], expected)
