"""The simulated camera against scipy, numpy and colour-science: its numbers must be right before it judges a meter.

The camera writes linear 16-bit R'G'B', so that codes are light: 65535 is white. Where a converter step is one electron
(FINE), electrons can be counted in the codes.
"""

import json

import colour
import numpy as np
import pytest
from frames import simulated
from scipy import integrate, stats

GREY = 0.18
CARD_SHARE = 10 / 78  # ISO 12232: card's exposure 10/H against saturation 78/H
STEPS = 16383  # of a 14-bit converter
SURE = 4  # standard errors; 6e-5 of right values are farther out


def camera(folder, name, **fields):
    """A camera file; by default nothing but shot noise, and one electron a converter step at ISO 100."""
    whole = {"base": [100], "full_well_e": [STEPS], "read_noise_e": [0]} | fields
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}.json"
    path.write_text(json.dumps(whole))
    return path


def electrons_at_white(full_well=STEPS):
    return full_well * CARD_SHARE / GREY


def stops(electrons, full_well=STEPS):
    """Exposure that gives the card so many electrons at the base ISO."""
    return float(np.log2(electrons / (full_well * CARD_SHARE)))


def electrons(codes, full_well=STEPS):
    return codes * (electrons_at_white(full_well) / 65535)


def linear(folder, n, width, height, **properties):
    """R, G, B of a linear camera: (n, height, width, 3) codes."""
    settings = {"transfer": "linear", "iso_speed": 100, "scene": "flat"} | properties
    raw = simulated("RGBA64_LE", width, height, n, folder, **settings)
    return np.frombuffer(raw, "<u2").reshape(n, height, width, 4)[..., :3].astype(np.float64)


@pytest.mark.parametrize("mean", [2, 5, 12, 20, 200, 2000])
def test_photons_are_poisson(mean, target):
    """scipy.stats.poisson; below 16 electrons exactly, above within the stated 0.0006 of its distribution function."""
    folder = target / "camera" / f"poisson-{mean}"
    codes = linear(folder, 8, 320, 240, camera=camera(folder, "fine"), exposure=stops(mean), seed=mean)
    counts = np.rint(electrons(codes)).astype(int).ravel()
    assert np.abs(electrons(codes).ravel() - counts).max() < 0.1, "codes hold whole electrons"
    n = counts.size
    at = np.arange(counts.max() + 1)
    found = np.cumsum(np.bincount(counts)) / n
    furthest = np.abs(found - stats.poisson.cdf(at, mean)).max()
    # Kolmogorov's bound for one in 16 000; on a lattice it is on the safe side.
    bound = stats.kstwobign.isf(6e-5) / np.sqrt(n) + (0.0006 if mean >= 16 else 0)
    assert furthest < bound, (furthest, bound)
    # Tails beyond three spreads, where the middle's bound says little. Whole electrons of a continuous draw add 1/12
    # to the variance, and the second-order draw is within 6 % above and 30 % below there at 16 electrons, less later.
    high, low = (int(mean + side * 3 * np.sqrt(mean)) for side in (1, -1))
    for name, share, true, off in [
        ("above", (counts > high).mean(), stats.poisson.sf(high, mean), 0.06 if mean >= 16 else 0),
        ("below", (counts <= low).mean(), stats.poisson.cdf(low, mean) if low >= 0 else 0.0, 0.3 if mean >= 16 else 0),
    ]:
        error = SURE * np.sqrt(true * (1 - true) / n) + off * true
        assert abs(share - true) <= error, (name, share, true)


@pytest.mark.parametrize("mean", [2, 5, 20, 200, 2000, 20000])
def test_shot_noise_has_the_variance_of_its_mean(mean, target):
    """Mean and variance in electrons; SE of a variance with the Poisson's excess kurtosis 1/mean."""
    full_well = STEPS if mean < 2000 else 160_000
    folder = target / "camera" / f"moments-{mean}"
    body = camera(folder, "body", full_well_e=[full_well])
    x = electrons(linear(folder, 6, 320, 240, camera=body, exposure=stops(mean, full_well), seed=1), full_well)
    step = full_well / STEPS
    codes = electrons_at_white(full_well) / 65535  # electrons a code
    if mean < 16:  # counted: whole electrons again, whose codes all round alike
        x, variance = np.rint(x), mean
    else:  # rounded to converter steps, then to codes
        variance = mean + step**2 / 12 + codes**2 / 12
    n = x.size
    assert abs(x.mean() - mean) < SURE * np.sqrt(variance / n)
    error = variance * np.sqrt(2 / n + 1 / (mean * n))
    assert abs(x.var() - variance) < SURE * error, (x.var(), variance, error)


def test_read_noise_is_normal(target):
    """scipy.stats.norm on the lattice of converter steps."""
    folder, sigma = target / "camera" / "read", 6.0
    body = camera(folder, "read", read_noise_e=[sigma], full_well_e=[STEPS])
    # Bright enough that no deviate is cut at code 0, and shot noise known: 400 electrons.
    x = np.rint(electrons(linear(folder, 8, 320, 240, camera=body, exposure=stops(400), seed=3))).ravel()
    spread = np.sqrt(400 + sigma**2)
    at = np.arange(x.min(), x.max() + 1)
    found = np.searchsorted(np.sort(x), at, side="right") / x.size
    # Sum of a Poisson and a normal variable, by its characteristic function on a fine lattice.
    k = np.arange(0, 1200)
    true = stats.norm.cdf((at[:, None] + 0.5 - k[None, :]) / sigma) @ stats.poisson.pmf(k, 400)
    bound = stats.kstwobign.isf(6e-5) / np.sqrt(x.size) + 0.0006
    assert np.abs(found - true).max() < bound
    assert abs(stats.kurtosis(x) - 400 / spread**4) < SURE * np.sqrt(24 / x.size) + 1e-3


def test_rows_columns_and_standing_patterns_have_their_shares(target):
    """Random effects of rows, columns and pixels, in electrons: closed forms and numpy means."""
    folder, mean, n, h, w = target / "camera" / "lines", 1000, 24, 192, 256
    share = {"row_e": 12.0, "column_e": 8.0, "prnu": 0.02, "dsnu_e": 10.0, "read_noise_e": [5.0]}
    body = camera(folder, "lines", **share)
    x = electrons(linear(folder, n, w, h, camera=body, exposure=stops(mean), seed=5))
    step = 1 / 12 + (electrons_at_white() / 65535) ** 2 / 12
    pixel = mean + 25 + step
    moving = x - x.mean(axis=0)
    moving = moving - moving.mean(axis=(1, 2), keepdims=True)
    for channel in range(3):
        one = moving[..., channel] * np.sqrt(n / (n - 1))
        rows, columns = one.mean(axis=2), one.mean(axis=1)
        for got, want, count in [
            (rows.var(), 12**2 + pixel / w, n * h),
            (columns.var(), 8**2 + pixel / h, n * w),
            (one.var(), 12**2 + 8**2 + pixel, n * (h + w)),
        ]:
            # Lines are the fewest independent numbers here: their count sets the error of all three.
            assert abs(got / want - 1) < SURE * np.sqrt(2 / count) * (12**2 + 8**2 + pixel) / want, (channel, got, want)
        standing = x[..., channel].mean(axis=0)
        want = (0.02 * mean) ** 2 + 10**2 + (pixel + 12**2 + 8**2) / n
        assert abs(standing.var() / want - 1) < SURE * np.sqrt(2 / (h * w)) + SURE * np.sqrt(2 / min(h, w)) * 0.02
    # Rows and columns are the same offsets in all three channels; pixels are not.
    between = np.corrcoef(moving.reshape(-1, 3).T)
    want = (12**2 + 8**2) / (12**2 + 8**2 + pixel)
    for pair in [(0, 1), (0, 2), (1, 2)]:
        assert abs(between[pair] - want) < SURE * np.sqrt(2 / (n * w)), between


def test_noise_is_white_in_space_time_and_channels(target):
    """numpy correlations of a plain recording at several lags."""
    folder, n, h, w = target / "camera" / "white", 16, 160, 200
    x = linear(folder, n, w, h, camera=camera(folder, "fine"), exposure=stops(500), seed=9)
    x = (x - x.mean()) / x.std()
    for axis in (0, 1, 2, 3):
        for lag in (1, 2, 7) if axis < 3 else (1, 2):
            ahead = np.take(x, range(lag, x.shape[axis]), axis)
            behind = np.take(x, range(x.shape[axis] - lag), axis)
            assert abs((ahead * behind).mean()) < SURE / np.sqrt(ahead.size), (axis, lag)


@pytest.mark.parametrize("strength", [0.3, 0.6, 0.9])
def test_the_temporal_filter_is_recursive_with_its_coefficient(strength, target):
    """AR(1): variance (1-a)/(1+a), autocorrelation a^k (numpy), from the first frame on."""
    folder, n, h, w = target / "camera" / f"temporal-{strength}", 40, 160, 200
    a = 0.95 * strength
    body = camera(folder, "fine")
    settings = {"camera": body, "exposure": stops(2000), "seed": 11}
    plain = linear(folder, 4, w, h, **settings)
    x = linear(folder, n, w, h, noise_reduction="temporal", noise_reduction_strength=strength, **settings)
    noise = x - plain.mean()
    pixels = noise[0].size
    power = plain.var() * (1 - a) / (1 + a)
    integral = (1 + a * a) / (1 - a * a)
    assert abs(noise.var() / power - 1) < SURE * np.sqrt(2 * integral / noise.size) + 1e-3  # rounding to codes
    assert abs(noise[0].var() / power - 1) < SURE * np.sqrt(2 / pixels) + 1e-3, "no settling at the start"
    for k in (1, 2, 5):
        got = (noise[k:] * noise[:-k]).mean() / noise.var()
        assert abs(got - a**k) < SURE * np.sqrt(integral / ((n - k) * pixels)) + 1e-3, (k, got, a**k)


@pytest.mark.parametrize("strength", [0.2, 0.5, 0.9])
def test_the_spatial_filter_has_the_spectrum_of_its_gaussian(strength, target):
    """Mean of numpy periodograms in bands against the transform of the sampled Gaussian."""
    folder, n, size, edge = target / "camera" / f"spatial-{strength}", 24, 128, 32
    sigma = 3 * strength
    body = camera(folder, "body", full_well_e=[60_000])
    settings = {"camera": body, "exposure": stops(20_000, 60_000), "seed": 13}
    whole = size + 2 * edge
    plain = linear(folder, 2, whole, whole, **settings)
    x = linear(folder, n, whole, whole, noise_reduction="spatial", noise_reduction_strength=strength, **settings)
    x = x[:, edge:-edge, edge:-edge] - plain.mean()
    # A taper keeps the strong low frequencies out of the weak high ones.
    taper = np.hanning(size + 1)[:-1]
    window = np.outer(taper, taper) / np.sqrt((np.outer(taper, taper) ** 2).mean())
    power = np.mean(np.abs(np.fft.fft2(x * window[None, :, :, None], axes=(1, 2))) ** 2, axis=(0, 3)) / size**2
    taps = np.exp(-0.5 * (np.arange(-40, 41) / sigma) ** 2)
    taps /= taps.sum()
    f = np.fft.fftfreq(size)
    response = np.abs(np.exp(-2j * np.pi * np.outer(f, np.arange(-40, 41))) @ taps) ** 2
    rounding = 1 / 12  # codes, white
    want = plain.var() * np.outer(response, response) + rounding
    spectrum = np.abs(np.fft.fft2(window)) ** 2
    want = np.real(np.fft.ifft2(np.fft.fft2(want) * np.fft.fft2(spectrum))) / spectrum.sum()
    radius = np.hypot(f[:, None], f[None, :])
    for low, high in [(0.02, 0.06), (0.06, 0.12), (0.12, 0.2), (0.2, 0.3), (0.3, 0.45)]:
        band = (radius >= low) & (radius < high)
        # 2·sum of squares over independent bins: half of them are conjugates, the taper joins about four.
        error = np.sqrt(2 * 4 * (want[band] ** 2).sum() / (3 * n)) / band.sum()
        assert abs(power[band].mean() - want[band].mean()) < SURE * error, (low, power[band].mean(), want[band].mean())


@pytest.mark.parametrize(
    ("frequency", "depth", "shutter", "rate", "readout"),
    [(100, 0.2, "1/200", 24, 10), (120, 0.1, "1/50", 25, 15), (100, 0.3, "1/2000", 30, 8), (120, 0.2, "1/400", 50, 0)],
)
def test_a_lamp_flickers_by_the_integral_of_its_light(frequency, depth, shutter, rate, readout, target):
    """Row means against scipy.integrate.quad over each row's exposure."""
    folder, n, h, w = target / "camera" / f"lamp-{frequency}-{rate}", 6, 64, 1024
    body = camera(folder, "body", full_well_e=[1_000_000])
    x = linear(
        folder, n, w, h, camera=body, rate=f"{rate}/1", exposure_time=shutter, flicker_frequency=frequency,
        flicker_depth=depth, readout_time=int(readout * 1e6), seed=17,
    )  # fmt: skip
    seconds = 1 / float(shutter.split("/")[1])
    level = 65535 * GREY
    for frame in range(n):
        for row in (0, 5, 31, 63):
            begin = frame / rate + readout / 1000 * row / h
            light, _ = integrate.quad(lambda t: 1 + depth * np.cos(2 * np.pi * frequency * t), begin, begin + seconds)
            got, want = x[frame, row].mean(), level * light / seconds
            error = level / np.sqrt(1_000_000 * CARD_SHARE * 0.5) / np.sqrt(3 * w)
            assert abs(got - want) < SURE * error + 0.1, (frame, row, got, want)


CURVES = {
    "bt709": ("I422_10LE", lambda x: colour.models.oetf_BT709(x)),
    "srgb": ("I422_10LE", lambda x: colour.models.eotf_inverse_sRGB(x)),
    "acescct": ("I422_10LE", lambda x: colour.models.log_encoding_ACEScct(x)),
    "acescc": ("I422_10LE", lambda x: colour.models.log_encoding_ACEScc(x)),
    "hlg": ("I422_10LE", lambda x: colour.models.oetf_BT2100_HLG(x)),
    "pq": ("I422_10LE", lambda x: colour.models.eotf_inverse_ST2084(203 * x)),
}


@pytest.mark.parametrize("curve", CURVES)
def test_curves_and_levels_are_those_of_the_standards(curve, target):
    """colour-science's curves and the narrow-range codes of ITU-R BT.2100: mean code of the card over four stops."""
    folder = target / "camera" / f"curve-{curve}"
    body = camera(folder, "quiet", full_well_e=[1e7])
    form, encode = CURVES[curve]
    for exposure in (-2.0, 0.0, 2.0):
        raw = simulated(
            form, 320, 240, 2, folder, camera=body, transfer=curve, exposure=exposure, iso_speed=100, scene="flat"
        )
        codes = np.frombuffer(raw, "<u2").reshape(2, -1)
        luma, chroma = codes[:, : 320 * 240].astype(float), codes[:, 320 * 240 :].astype(float)
        light = GREY * 2.0**exposure
        want = 64 + 876 * float(encode(light))
        # Quieter than a code: rounding leaves up to half a code, noise of 0.2 codes and more dithers it away.
        step = 876 * (float(encode(light * 1.0005)) - float(encode(light))) / 0.0005 / np.sqrt(light * 1e7 * CARD_SHARE / GREY)
        allowed = 0.5 if step < 0.4 else SURE * step / np.sqrt(luma.size) + 0.02
        assert abs(luma.mean() - want) < allowed, (curve, exposure, luma.mean(), want, step)
        assert abs(chroma.mean() - 512) < 0.1


def test_vignetting_follows_the_fourth_power_of_the_cosine(target):
    """Natural fall-off: cos^4 of the angle, here 20 % in the corners."""
    folder, h, w = target / "camera" / "vignetting", 240, 320
    body = camera(folder, "quiet", full_well_e=[1e7])
    x = linear(folder, 4, w, h, camera=body, vignetting=0.2, seed=19).mean(axis=(0, 3)) / (65535 * GREY)
    yy, xx = np.mgrid[:h, :w] + 0.5
    radius = np.hypot(xx - w / 2, yy - h / 2) / np.hypot(w / 2, h / 2)
    tangent = radius * np.sqrt(1 / 0.8**0.5 - 1)
    want = np.cos(np.arctan(tangent)) ** 4
    step = 1 / (CARD_SHARE * STEPS)  # of the converter, over the card's light; finer than the noise
    error = np.sqrt((1 / (1e7 * CARD_SHARE) + step**2 / 12) / 12)  # of 4 frames and 3 channels
    assert np.abs(x - want).max() < 5.2 * error  # of 76 800 places, one in a hundred runs is farther out


def test_hot_pixels_are_as_many_as_stated(target):
    """Binomial share; each holds 20 electrons and more above the card."""
    folder, h, w = target / "camera" / "hot", 400, 500
    body = camera(folder, "hot", hot_ppm=2000)
    x = electrons(linear(folder, 24, w, h, camera=body, exposure=stops(30), seed=21)).mean(axis=0) - 30
    spread = np.sqrt(30 / 24)
    hot = (x > 9 * spread).sum()
    want, n = 2000e-6, x.size
    assert abs(hot / n - want) < SURE * np.sqrt(want / n), hot
    # Mean above the card: 20 electrons and an exponential with a mean of 80.
    assert abs(x[x > 9 * spread].mean() - 100) < SURE * 80 / np.sqrt(hot)
