"""The shape of a line's cross-section, the colours of dyes, and the weights by which heights are measured."""

import math

import numpy as np

from reader.numbers.arrays import FloatArray
from reader.numbers.erf import erf

LUMA = np.array([0.299, 0.587, 0.114])
"""Weights of red, green and blue in JPEG's luma (ITU-R BT.601)."""
DYE: dict[str, FloatArray] = {
    "red": np.array([0.22, 1.0, 0.72]),
    "blue": np.array([1.0, 0.62, 0.16]),
}
"""Absorbance of a dye in linear red, green and blue, its strongest channel 1.
Common practice, no source: colloidal gold absorbs around 530 nm, blue latex and indicator dyes around 600 nm."""


def line_shape(
    offset_mm: FloatArray, width_mm: float | FloatArray, blur_mm: float | FloatArray
) -> FloatArray:
    """A box of a width blurred by a Gaussian (sigma), height 1 at its middle; offsets, widths and blurs broadcast."""
    scale = np.asarray(blur_mm) * math.sqrt(2)
    half = np.asarray(width_mm) / 2
    return (erf((offset_mm + half) / scale) - erf((offset_mm - half) / scale)) / (2 * erf(half / scale))
