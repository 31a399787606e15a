"""NIST StRD univariate sets through the meter: mean, standard deviation and raw lag-1 correlation.

The set is a series in time at one sample; a second sample beside it stays constant. Taking out frame means and pixel
means leaves +-(x - mean)/2, so the two-way variance is exactly half the series' own, and sum(e e_next)/sum(e^2) is its
lag-1 correlation. A third sample outside the regions ticks, so that no frame counts as a repeated one.
"""

import math

import numpy as np
import pytest

import frames
import nist
import reference

DIGITS = 1e-12


@pytest.fixture(scope="module")
def sets(target):
    return nist.load(target.parent / "nist")


def picture_of(codes):
    y = np.zeros((len(codes), 1, 4), dtype="<u2")
    y[:, 0, 0] = codes
    y[:, 0, 2] = np.arange(len(codes)) % 2
    return y


@pytest.mark.parametrize("name", nist.SETS)
def test_reference(name, sets):
    """The arrangement itself, in numpy."""
    codes, certified = sets[name]
    moved = reference.moving([reference.Stack.of(picture_of(codes)[:, :, :2])])
    sd = math.sqrt(2 * moved.temporal) / 10**certified.digits
    assert abs(sd - certified.sd) <= DIGITS * certified.sd
    assert abs(moved.sums["ct"] / moved.sums["c0"] - certified.lag1) <= DIGITS


@pytest.mark.parametrize("name", nist.SETS)
def test_meter(name, sets, target):
    codes, certified = sets[name]
    (record,) = frames.element(
        picture_of(codes).tobytes(), "gray16-le", 4, 1, target / "nist-runs" / name,
        interval=3600 * 10**9, regions="series=0,0,2,1;alone=0,0,1,1",
    )  # fmt: skip
    assert record["frames"] == len(codes) and record["repeated"] == 0
    pair, alone = (region["components"]["Y"] for region in record["regions"])
    mean = (alone["mean_codes"] + certified.offset) / 10**certified.digits
    assert abs(mean - certified.mean) <= DIGITS * abs(certified.mean)
    sd = math.sqrt(2 * pair["var"]["temporal"]) / 10**certified.digits
    assert abs(sd - certified.sd) <= DIGITS * certified.sd
    assert abs(pair["var"]["ct"] / pair["var"]["c0"] - certified.lag1) <= DIGITS
