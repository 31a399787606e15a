"""A clip's summary against numpy and scipy on its windows' records."""

import numpy as np
import pytest

import compare
import frames
import pooling

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


def test_pulsing_noise_is_in_the_interval(measured):
    """Spreads of 4 and 6 codes in turn: the interval must hold both windows' kinds of truth, their pooled value at least."""
    _, summary = measured
    got = summary["regions"][0]["components"]["Y"]
    low, high = got["temporal_ci"]
    sampling = got["temporal"] * 1.96 / np.sqrt(2 * got["var"]["nu"])
    assert high - low > 10 * 2 * sampling
