"""A clip's summary against numpy and scipy on its windows' records."""

import numpy as np
import pytest

import compare
import frames
import noise
import pooling
import reference

WIDTH, HEIGHT, RATE, SECONDS = 160, 120, 10, 7
SPREADS = ("temporal", "fixed", "row", "column", "fixed_row", "fixed_column", "fixed_pixel")


@pytest.fixture(scope="module")
def measured(target):
    """Seven windows of noise whose spread pulses, over a standing pattern; the last window is short."""
    rng = np.random.default_rng(7)
    count = RATE * SECONDS - 3
    pattern = 2.0 * rng.standard_normal((HEIGHT, WIDTH))
    spread = np.where(np.arange(count) // RATE % 2 == 0, 4.0, 6.0)[:, None, None]
    y = 400 + pattern + spread * rng.standard_normal((count, HEIGHT, WIDTH))
    raw = np.clip(np.rint(y), 4, 1019).astype("<u2").tobytes()
    folder = target / "summary"
    folder.mkdir(parents=True, exist_ok=True)
    clip = frames.encode(raw, "gray10le", WIDTH, HEIGHT, folder / "a.mkv", "-c:v", "ffv1", "-pix_fmt", "gray16le",
                         rate=str(RATE))  # fmt: skip
    return frames.measure(clip, folder / "out", "--regions", f"all=0,0,{WIDTH},{HEIGHT};odd=9,7,61,53")


def test_summary(measured):
    records, summary = measured
    assert len(records) == SECONDS
    report = compare.Report()
    for k, region in enumerate(summary["regions"]):
        got = region["components"]["Y"]
        windows = [record["regions"][k]["components"]["Y"] for record in records]
        where = region["name"]
        for name in SPREADS:
            want = pooling.pooled(windows, name)
            report.number(f"{where} var.{name}", got["var"][name], want, 1e-12, 1e-12)
            unit = got["temporal"] / got["var"]["temporal"] ** 0.5
            told = None if want is None or want <= 0 else unit * want**0.5
            report.number(f"{where} {name}", got[name], told, 1e-12)
        for name in ("mean", "mean_codes", "clipped_low", "clipped_high", "above_white", "below_black"):
            report.number(f"{where} {name}", got[name], pooling.by_frames(windows, name), 1e-12)
        report.number(f"{where} corr_t", got["corr_t"], pooling.time_correlation(windows), 0.0, 1e-9)
        ends = pooling.clip_interval(windows)
        for i in (0, 1):
            report.number(f"{where} ci[{i}]", got["temporal_ci"][i], unit * ends[i], 1e-9)
        means = [mean for window in windows for mean in window["frame_means"]]
        report.same(f"{where} frame_means", got["frame_means"], means)
        slope = np.polyfit(np.arange(len(means)) / RATE, means, 1)[0]
        report.number(f"{where} drift", got["drift"], unit * slope, 1e-8, 1e-9)
        slow = windows[-1]["var"]["slow"]
        report.number(f"{where} slow", got["temporal_slow"], unit * slow**0.5 if slow > 0 else None, 1e-12)
    report.close()


def test_pairs_and_shading(measured):
    """Windows' variances weigh by their degrees of freedom, surfaces of mean images by their frames."""
    records, summary = measured
    report = compare.Report()
    for k, region in enumerate(summary["regions"]):
        windows = [record["regions"][k]["components"]["Y"] for record in records]
        squares = [c["temporal_pair"] ** 2 for c in windows]
        want = np.average(squares, weights=[pooling.weight(c) for c in windows]) ** 0.5
        report.number(f"{k} pair", region["components"]["Y"]["temporal_pair"], float(want), 1e-12)
        squares = [c["shading"] ** 2 for c in windows]
        want = np.average(squares, weights=[len(c["frame_means"]) for c in windows]) ** 0.5
        report.number(f"{k} shading", region["components"]["Y"]["shading"], float(want), 1e-12)
    report.close()


@pytest.fixture(scope="module")
def blotchy(target):
    """Twelve windows of blurred recursive noise with lines, a lamp at 2.3 Hz and a pattern that wanders slowly."""
    rng = np.random.default_rng(8)
    count, height, width = 12 * RATE - 4, 80, 96
    moving = 300 * noise.stack(rng, count, height, width, row=0.3, column=0.2, blur=1.5, a=0.4)
    lamp = 40 * np.sin(2 * np.pi * 2.3 * np.arange(count) / RATE)[:, None, None]
    walk = 40 * np.cumsum(rng.standard_normal((12, height, width)), axis=0)[np.arange(count) // RATE]
    y = np.rint(20000 + moving + lamp + walk).astype("<u2")
    folder = target / "summary-blotchy"
    folder.mkdir(parents=True, exist_ok=True)
    clip = frames.encode(y.tobytes(), "gray16le", width, height, folder / "a.mkv", "-c:v", "ffv1", rate=str(RATE))
    areas = ((0, 0, width, height), (30, 21, 20, 20))
    text = ";".join(f"r{i}={','.join(map(str, area))}" for i, area in enumerate(areas))
    return y, areas, *frames.measure(clip, folder / "out", "--regions", text)


def test_from_the_frames(blotchy):
    """What a summary says, worked out of the frames themselves where no record holds it."""
    y, areas, records, summary = blotchy
    report = compare.Report()
    times = np.arange(len(y)) / RATE
    for k, (x0, y0, w, h) in enumerate(areas):
        part = y[:, y0 : y0 + h, x0 : x0 + w]
        cut = [part[i : i + RATE] for i in range(0, len(y), RATE)]
        windows = [record["regions"][k]["components"]["Y"] for record in records]
        got, where = summary["regions"][k]["components"]["Y"], f"r{k}"
        a = pooling.time_correlation(windows)
        temporal = pooling.pooled(windows, "temporal")
        report.number(f"{where} temporal", got["var"]["temporal"], temporal, 1e-12)
        report.number(f"{where} slow", got["var"]["slow"], reference.slow(cut), 1e-9, 1e-9 * temporal)
        report.number(f"{where} corr_x", got["corr_x"], pooling.neighbours(windows, "cx", "row", a), 0.0, 1e-9)
        report.number(f"{where} corr_y", got["corr_y"], pooling.neighbours(windows, "cy", "column", a), 0.0, 1e-9)
        report.number(f"{where} flicker", got["var"]["flicker"], pooling.flicker(windows, times, a), 1e-9)
        means = part.astype(np.float64).mean(axis=(1, 2))
        hz, _, chance = reference.flicker_frequency(means, RATE)
        assert abs(chance - 0.01) > 1e-3, "the frames must be clear of the 1 % line"
        report.number(f"{where} flicker_hz", got["flicker_hz"], hz if chance < 0.01 else None, 1e-12)
    report.close()


def test_slow_is_centred_on_blotchy_noise():
    """Without slow noise the signed value averages to zero, however blotchy the noise and small the region."""
    rng = np.random.default_rng(9)
    values = []
    for _ in range(64):
        y = noise.stack(rng, 6 * 8, 20, 20, blur=1.5).reshape(6, 8, 20, 20)
        values.append(reference.slow(list(y)))
    values = np.array(values)
    assert abs(values.mean()) < 4 * values.std(ddof=1) / 8


def test_pulsing_noise_is_in_the_interval(measured):
    """Spreads of 4 and 6 codes in turn: the interval must hold both windows' kinds of truth, their pooled value at least."""
    _, summary = measured
    got = summary["regions"][0]["components"]["Y"]
    low, high = got["temporal_ci"]
    sampling = got["temporal"] * 1.96 / np.sqrt(2 * got["var"]["nu"])
    assert high - low > 10 * 2 * sampling
