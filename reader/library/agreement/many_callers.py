"""Agreement of many callers: Fleiss' kappa and Krippendorff's alpha."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reader.library.agreement.by_plate import MARKS_MIN, IntArray, plate_interval, sums_by_plate
from reader.library.extra import extra
from reader.numbers.arrays import FloatArray, Interval
from reader.words import counted


@dataclass(frozen=True, kw_only=True, slots=True)
class Together:
    """A coefficient of many callers; `by_plate` is its 95 % interval, from the spread between plates."""

    n: int
    plates: int
    callers: int
    value: float | None
    by_plate: Interval | None
    note: str = ""


def fleiss_kappa(counts: IntArray, plate: IntArray) -> Together:
    """Fleiss' kappa (1971); with gaps as Gwet (2014) has it: each mark counts alike, however many called it.

    counts : (n, k) callers of each mark that made each call. plate : (n,) the mark's plate.
    Observed agreement is over marks with two callers at least, chance over all. Without gaps it is Fleiss' own.
    """
    counts, plate = np.asarray(counts)[counts.sum(axis=1) > 0], np.asarray(plate)[counts.sum(axis=1) > 0]
    callers = counts.sum(axis=1)
    pairs = callers > 1
    agreeing = np.zeros(len(counts))
    agreeing[pairs] = (counts[pairs] * (counts[pairs] - 1)).sum(axis=1) / (
        callers[pairs] * (callers[pairs] - 1)
    )
    k = counts.shape[1]
    shares = counts / np.maximum(callers, 1)[:, None]
    return _together(counts, plate, (agreeing, pairs, *shares.T), lambda sums: _fleiss(sums, k))


def _fleiss(sums: FloatArray, k: int) -> FloatArray:
    """Kappas (b,) from sums (b, 2 + k): agreement, marks with a pair of callers, shares of each call."""
    observed = sums[:, 0] / sums[:, 1]
    shares = sums[:, 2:] / sums[:, 2:].sum(axis=1, keepdims=True)
    chance = (shares**2).sum(axis=1)
    return np.asarray((observed - chance) / (1 - chance))


def krippendorff_alpha(counts: IntArray, plate: IntArray) -> Together:
    """Krippendorff's alpha for nominal calls (2011), gaps allowed: counts (n, k), plate (n,)."""
    counts, plate = np.asarray(counts), np.asarray(plate)
    paired = counts.sum(axis=1) > 1
    counts, plate = counts[paired], plate[paired]
    callers = counts.sum(axis=1)
    apart = (callers**2 - (counts**2).sum(axis=1)) / np.maximum(callers - 1, 1)
    found = _together(counts, plate, (apart, *counts.T), _alpha)
    if found.value is None:
        return found
    value = extra("krippendorff").alpha(value_counts=counts, level_of_measurement="nominal")
    return Together(
        n=found.n, plates=found.plates, callers=found.callers, value=float(value), by_plate=found.by_plate,
        note=found.note,
    )  # fmt: skip


def _alpha(sums: FloatArray) -> FloatArray:
    """Alphas (b,) from sums (b, 1 + k): disagreement, and how often each call was made."""
    n = sums[:, 1:].sum(axis=1)
    return np.asarray(1 - (n - 1) * sums[:, 0] / (n**2 - (sums[:, 1:] ** 2).sum(axis=1)))


def _together(
    counts: IntArray,
    plate: IntArray,
    columns: Sequence[NDArray[Any]],
    statistic: Callable[[FloatArray], FloatArray],
) -> Together:
    n_paired = int(np.count_nonzero(counts.sum(axis=1) > 1))
    plates = len(np.unique(plate))
    found = Together(
        n=n_paired, plates=plates, callers=int(counts.sum(axis=1).max(initial=0)), value=None, by_plate=None
    )
    if n_paired < MARKS_MIN:
        return replace(
            found, note=f"only {counted(n_paired, 'mark')} with two callers, too few ({MARKS_MIN} are needed)"
        )
    if np.count_nonzero(counts.any(axis=0)) < 2:
        return replace(
            found, note="one call only was made, so it is undefined: it cannot tell agreement from chance"
        )
    sums = sums_by_plate(plate, *columns)
    value = float(statistic(sums.sum(axis=0)[None])[0])
    by_plate, note = plate_interval(value, sums, statistic)
    return replace(found, value=value, by_plate=by_plate, note=note)
