"""The median, without what NumPy's general one costs before it begins: ten times the sorting of a short row."""

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
    return float((low + high) / 2)


def medians(values: NDArray[Any]) -> NDArray[Any]:
    """Medians along the last axis, which must not be empty, of floating values; none may be NaN."""
    ordered = np.sort(values, axis=-1)
    middle = values.shape[-1] // 2
    if values.shape[-1] % 2:
        return np.asarray(ordered[..., middle])
    return np.asarray((ordered[..., middle - 1] + ordered[..., middle]) / 2)
