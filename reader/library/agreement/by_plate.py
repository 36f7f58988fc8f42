"""What all statistics share: confidence, least numbers, and errors from the spread between plates.

What statsmodels, scikit-learn, SciPy and krippendorff do is left to them (extra `linecall[library]`). Marks of one
plate are not independent: one lamp, one focus, one person at work. Each interval therefore has a second one beside it,
`by_plate`, from the spread between plates. A statistic that the marks cannot give is None, and its note says why.
"""

import math
from collections.abc import Callable
from statistics import NormalDist
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from reader.library.extra import extra
from reader.numbers.arrays import FloatArray, Interval
from reader.words import counted

IntArray = NDArray[np.integer[Any]]

CONFIDENCE: Final = 0.95
PLATES_MIN: Final = 10  # fewer say too little about the spread between plates (common practice, no source)
MARKS_MIN: Final = 10  # fewer carry no large-sample standard error of a kappa (common practice, no source)


def plate_error(sums: FloatArray, statistic: Callable[[FloatArray], FloatArray]) -> float | None:
    """Standard error from the spread between plates: delete-one-plate jackknife (Tukey; Shao and Tu 1995).

    sums : (p, ...) what each plate adds to the sums that the statistic is made of.
    statistic : sums (b, ...) -> (b,). None where it is undefined without some plate.
    """
    plates = len(sums)
    with np.errstate(divide="ignore", invalid="ignore"):
        left = statistic(sums.sum(axis=0) - sums)
    if not np.isfinite(left).all():
        return None
    return math.sqrt((plates - 1) / plates * float(((left - left.mean()) ** 2).sum()))


def plate_interval(
    value: float, sums: FloatArray, statistic: Callable[[FloatArray], FloatArray]
) -> tuple[Interval | None, str]:
    """Student's t interval from the spread between plates, no further than 1; or None with the reason."""
    plates = len(sums)
    if plates < PLATES_MIN:
        return (
            None,
            f"only {counted(plates, 'plate')}, too few for an interval by plate ({PLATES_MIN} are needed)",
        )
    se = plate_error(sums, statistic)
    if se is None:
        return None, "a single plate decides it, so there is no interval by plate"
    if se < 1e-12:
        return None, "plates do not differ in it, so there is no interval by plate"
    reach = float(extra("scipy.stats").t.ppf((1 + CONFIDENCE) / 2, plates - 1)) * se
    return (value - reach, min(1.0, value + reach)), ""


def sums_by_plate(plate: IntArray, *columns: NDArray[Any]) -> FloatArray:
    """Sum columns (n, ...) over each plate: (p, number of columns), only plates that occur."""
    _, code = np.unique(plate, return_inverse=True)
    return np.column_stack([np.bincount(code, column) for column in columns])


def normal_quantile(probability: float = (1 + CONFIDENCE) / 2) -> float:
    """A quantile of the standard normal distribution, by default the upper bound of a 95 % interval."""
    return NormalDist().inv_cdf(probability)
