"""Light of flat fields against colour-science, code by code, for every curve of the open standards."""

import warnings

import numpy as np
import pytest

import frames

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # colour-science warns of optional packages it does not find
    from colour.models.rgb.transfer_functions.aces import log_decoding_ACEScc, log_decoding_ACEScct
    from colour.models.rgb.transfer_functions.itur_bt_709 import oetf_inverse_BT709
    from colour.models.rgb.transfer_functions.itur_bt_1886 import eotf_BT1886
    from colour.models.rgb.transfer_functions.itur_bt_2100 import oetf_inverse_BT2100_HLG
    from colour.models.rgb.transfer_functions.srgb import eotf_sRGB
    from colour.models.rgb.transfer_functions.st_2084 import eotf_ST2084

SIDE = 8
CODES = (5300, 6000, 8192, 12000, 16384, 20001, 26804, 30000, 32768, 40000, 47831, 55555, 60000, 65000)
FRAMES_EACH = 2
RATE = 25
TOLERANCE = 1e-9
# BT.2100 prints a, b and c of HLG with 8 decimals and the meter takes them so; colour-science works c out of a. Half a
# unit of the last decimal of c is 5e-9 in V, over a = 0.17883277 in the exponent.
PRINTED = {"hlg": 5e-9 / 0.17883277}

CURVES = {
    "bt709": (oetf_inverse_BT709, "scene"),
    "bt1886": (eotf_BT1886, "display"),
    "srgb": (eotf_sRGB, "display"),
    "pq": (lambda v: eotf_ST2084(v) / 203, "display"),
    "hlg": (oetf_inverse_BT2100_HLG, "scene"),
    "acescct": (log_decoding_ACEScct, "scene"),
    "acescc": (log_decoding_ACEScc, "scene"),
    "linear": (lambda v: v, "scene"),
}


def fields():
    """Flat 16-bit fields, two frames a code; the last row ticks, so that no frame repeats the one before."""
    y = np.repeat(np.array(CODES, dtype="<u2"), FRAMES_EACH)[:, None, None] * np.ones((1, SIDE, SIDE), dtype="<u2")
    y[:, -1, :] = (np.arange(len(y)) % 2)[:, None]
    return y.astype("<u2")


@pytest.mark.parametrize("name", CURVES)
def test_curve(name, target):
    inverse, domain = CURVES[name]
    records = frames.element(
        fields().tobytes(), "gray16-le", SIDE, SIDE, target / "transfers" / name,
        rate=f"{RATE}/1", interval=FRAMES_EACH * 10**9 // RATE, transfer=name, regions=f"flat=0,0,{SIDE},{SIDE - 1}",
    )  # fmt: skip
    assert len(records) == len(CODES)
    for code, record in zip(CODES, records, strict=True):
        light = record["regions"][0]["light"]
        assert record["regions"][0]["components"]["Y"]["mean_codes"] == code
        expected = float(inverse(code / 65535))
        assert abs(light["mean"] - expected) <= PRINTED.get(name, TOLERANCE) * abs(expected), f"{name} at {code}"
        assert light["domain"] == domain
        assert light["transfer_source"] == "user"


def test_gamma(target):
    records = frames.element(
        fields().tobytes(), "gray16-le", SIDE, SIDE, target / "transfers" / "gamma",
        rate=f"{RATE}/1", interval=FRAMES_EACH * 10**9 // RATE, transfer="gamma", gamma=2.2, regions=f"flat=0,0,{SIDE},{SIDE - 1}",
    )  # fmt: skip
    for code, record in zip(CODES, records, strict=True):
        expected = (code / 65535) ** 2.2
        assert abs(record["regions"][0]["light"]["mean"] - expected) <= TOLERANCE * expected
