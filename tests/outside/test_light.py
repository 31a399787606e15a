"""Ratios in light against colour-science's curves: slopes by a central difference of its inverse, levels with a black."""

import math

import numpy as np
import pytest
from scipy.stats import t as student

import compare
import frames
import noise
from test_transfers import CURVES

RATE, N, SIDE, DEPTH = 25, 20, 48, 65535
# Left, mean code and spread in codes of the three fields; the first is black, the second grey.
FIELDS = (("black", 9000.0, 150.0), ("grey", 28000.0, 300.0), ("bright", 47000.0, 500.0))
STEP = 1e-5  # of the central difference: h²·f‴/6 and eps/h are both below 1e-8 of these curves' slopes
SLOPE = 1e-7  # dB: 20/ln(10) times 1e-8
# test_transfers says how far HLG's printed constant lies from that worked out: 2.8e-8 of the light, 2.5e-7 dB.
DECIBELS = {"hlg": 1e-6}


@pytest.mark.parametrize("name", CURVES)
def test_ratios(name, target):
    inverse, domain = CURVES[name]
    rng = np.random.default_rng(40)
    y = np.concatenate(
        [m + s * noise.stack(rng, N, SIDE, SIDE) + 200 * rng.standard_normal((SIDE, SIDE)) for _, m, s in FIELDS], axis=2
    )
    y = np.rint(y).astype("<u2")
    (record,) = frames.element(
        y.tobytes(), "gray16-le", 3 * SIDE, SIDE, target / "light" / name, rate=f"{RATE}/1", transfer=name,
        regions=";".join(f"{field}={i * SIDE},0,{SIDE},{SIDE}" for i, (field, _, _) in enumerate(FIELDS)),
    )  # fmt: skip

    def light(v):
        return float(inverse(v))

    def level(region):
        return light(region["components"]["Y"]["mean"] / 100)

    black, grey, _ = (level(region) for region in record["regions"])
    report = compare.Report()
    tolerance = DECIBELS.get(name, SLOPE)
    for region in record["regions"]:
        got, part, where = region["light"], region["components"]["Y"], f"{name} {region['name']}"
        v = part["mean"] / 100
        mean = level(region) - black
        report.same(f"{where} black", got["black"], "black")
        report.number(f"{where} mean", got["mean"], mean, 0.0, 1e-7 * max(black, grey))
        slope = (light(v + STEP) - light(v - STEP)) / (2 * STEP)
        if region["name"] == "black":
            # Its light is all taken off: there is no ratio to noise.
            for key in ("snr_temporal_db", "snr_fixed_db", "snr_total_db", "stops_from_grey", "stops_from_18"):
                report.same(f"{where} {key}", got[key], None)
            report.same(f"{where} drift_stops", part["drift_stops"], None)
            continue
        for key, spread in (("snr_temporal_db", "temporal_long"), ("snr_fixed_db", "fixed"), ("snr_total_db", "total")):
            want = 20 * math.log10(mean / (slope * part[spread] / 100))
            report.number(f"{where} {key}", got[key], want, 0.0, tolerance)
        report.number(f"{where} stops_from_grey", got["stops_from_grey"], math.log2(mean / (grey - black)), 0.0, tolerance)
        stops = math.log2(mean / 0.18) if domain == "scene" else None
        report.number(f"{where} stops_from_18", got["stops_from_18"], stops, 0.0, tolerance)
        drift = slope * part["drift"] / 100 / (mean * math.log(2))
        report.number(f"{where} drift_stops", part["drift_stops"], drift, 1e-7, 0.0)
        # Both ends are the spread's and the mean's errors in quadrature, each side for itself.
        low, high = got["snr_temporal_ci_db"]
        assert low < got["snr_temporal_db"] < high
        ends = [20 * math.log10(part["temporal_long"] / end) for end in reversed(part["temporal_long_ci"])]
        means = np.array(part["frame_means"])
        at = np.arange(N) / RATE
        about = means - np.polyval(np.polyfit(at, means, 1), at)
        together = (1 + max(part["corr_t"], 0.0)) / (1 - max(part["corr_t"], 0.0))
        error = student.ppf(0.975, N - 2) * math.sqrt((about**2).sum() / (N - 2) / N * together) * slope / DEPTH
        of_mean = 20 / math.log(10) * error / mean
        for i, (end, sign) in enumerate(zip(ends, (-1, 1), strict=True)):
            want = got["snr_temporal_db"] + sign * math.hypot(end, of_mean)
            report.number(f"{where} ci[{i}]", (low, high)[i], want, 0.0, tolerance)
    report.close()
