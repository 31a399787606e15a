#!/usr/bin/env python3
"""Writes light by signal for every curve: python3 transfers.py > transfers.csv

Made with Python 3.11.7, colour-science 0.4.7, numpy 2.4.6. Columns: curve, signal, light.
"""
import colour.models as models
import numpy

CURVES = {
    "bt709": (models.oetf_inverse_BT709, -0.1),
    "bt1886": (lambda v: models.eotf_BT1886(v, L_B=0, L_W=1), -0.1),
    "srgb": (models.eotf_sRGB, -0.1),
    "pq": (lambda v: models.eotf_ST2084(v) / 203, 0.0),
    "hlg": (models.oetf_inverse_BT2100_HLG, 0.0),
    "acescc": (models.log_decoding_ACEScc, -0.35),
    "acescct": (models.log_decoding_ACEScct, -0.1),
    "gamma:2.2": (lambda v: models.gamma_function(v, 2.2, "clamp"), -0.1),
}

for name, (curve, least) in CURVES.items():
    for signal in numpy.linspace(least, 1.09, 60):
        print(name, repr(float(signal)), repr(float(curve(signal))), sep=",")
