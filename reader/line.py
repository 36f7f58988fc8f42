"""What a line looks like: its cross-section, its dye's colour, and the weights by which heights are measured."""

import math

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

LUMA = np.array([0.299, 0.587, 0.114])
"""Weights of red, green and blue in JPEG's luma (ITU-R BT.601)."""
DYE: dict[str, FloatArray] = {
    "red": np.array([0.22, 1.0, 0.72]),
    "blue": np.array([1.0, 0.62, 0.16]),
}
"""Absorbance of a dye in linear red, green and blue, its strongest channel 1.
Common practice, no source: colloidal gold absorbs around 530 nm, blue latex and indicator dyes around 600 nm."""

_ERF_AT = np.linspace(-4.0, 4.0, 1601)
_ERF = np.array([math.erf(v) for v in _ERF_AT])


def line_shape(
    offset_mm: FloatArray, width_mm: float | FloatArray, blur_mm: float | FloatArray
) -> FloatArray:
    """A box of a width blurred by a Gaussian (sigma), height 1 at its middle; offsets, widths and blurs broadcast."""
    scale = np.asarray(blur_mm) * math.sqrt(2)
    half = np.asarray(width_mm) / 2
    return (erf((offset_mm + half) / scale) - erf((offset_mm - half) / scale)) / (2 * erf(half / scale))


def erf(x: FloatArray) -> FloatArray:
    """The error function, by a table fine enough for shapes (1e-6)."""
    return np.asarray(np.interp(x, _ERF_AT, _ERF))
