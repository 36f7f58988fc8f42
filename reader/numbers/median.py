"""Medians and quantiles, without what NumPy's general ones cost before they begin.

That is ten times the sorting of a short row; and the first of its quantiles imports masked arrays.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray


def median(values: NDArray[Any]) -> float:
    """Median of all values, none of which may be NaN; NaN where there are none."""
    flat = np.ravel(values)
    middle = len(flat) // 2
    if not len(flat):
        return float("nan")
    if len(flat) % 2:
        return float(np.partition(flat, middle)[middle])
    low, high = np.partition(flat, (middle - 1, middle))[middle - 1 : middle + 1]
    return (float(low) + float(high)) / 2


def medians(values: NDArray[Any]) -> NDArray[Any]:
    """Medians along the last axis, which must not be empty, of floating values; none may be NaN."""
    ordered = np.sort(values, axis=-1)
    middle = values.shape[-1] // 2
    if values.shape[-1] % 2:
        return np.asarray(ordered[..., middle])
    return np.asarray((ordered[..., middle - 1] + ordered[..., middle]) / 2)


def quantile(values: NDArray[Any], share: float) -> float:
    """Quantile of all values, linear between neighbours as `numpy.quantile` gives it; at least one, none NaN."""
    return float(quantiles(values, np.array([share]))[0])


def quantiles(values: NDArray[Any], shares: NDArray[np.float64]) -> NDArray[np.float64]:
    """The same (k,) for several shares (k,), 0..1."""
    ordered = np.sort(np.ravel(values))
    at = shares * (len(ordered) - 1)
    low = np.minimum(at.astype(np.intp), max(0, len(ordered) - 2))
    below, above = ordered[low].astype(np.float64), ordered[np.minimum(low + 1, len(ordered) - 1)]
    return np.asarray(below + (above - below) * (at - low))
