"""scikit-image's estimate_sigma (Donoho and Johnstone 1994, db2, symmetric borders) on the meter's white noise."""

import numpy as np
from skimage.restoration import estimate_sigma

import frames

SIDE, FRAMES, SIGMA, MEAN = 128, 64, 400.0, 30000
BIAS = 1 - 1.1 / SIDE  # of estimate_sigma on white noise: 0.991 at 128
BIAS_ROUNDING = 5e-4  # that table has three digits
MAD_ERROR = 1.1664  # standard error of the median estimate, times sqrt(coefficients)


def test_white_noise(target):
    rng = np.random.default_rng(64)
    y = np.rint(MEAN + SIGMA * rng.standard_normal((FRAMES, SIDE, SIDE))).astype("<u2")
    (record,) = frames.element(
        y.tobytes(), "gray16-le", SIDE, SIDE, target / "white", interval=3600 * 10**9, regions=f"all=0,0,{SIDE},{SIDE}"
    )
    measured = record["regions"][0]["components"]["Y"]["temporal_codes"]
    estimate = np.mean([estimate_sigma(frame.astype(np.float64)) for frame in y])
    coefficients = ((SIDE + 3) // 2) ** 2 * FRAMES
    error = 4 * MAD_ERROR / np.sqrt(coefficients) + BIAS_ROUNDING
    assert abs(estimate / BIAS / measured - 1) < error
    meter_error = 4 / np.sqrt(2 * (SIDE**2 - 1) * (FRAMES - 1))
    assert abs(measured / SIGMA - 1) < meter_error
