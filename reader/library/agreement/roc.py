"""The ROC curve: its area, and standard errors of it."""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from reader.library.agreement.by_plate import CONFIDENCE, MARKS_MIN, PLATES_MIN, IntArray, normal_quantile
from reader.library.extra import extra
from reader.numbers.arrays import FloatArray, Interval

CURVE_POINTS: Final = 200  # of a ROC curve, in reports


@dataclass(frozen=True, kw_only=True, slots=True)
class Area:
    """Area under the ROC curve: the chance that a mark that is there is higher than one that is not; 95 % intervals.

    hanley_mcneil : standard error by Hanley and McNeil 1982; its interval takes their variance at the bound, as
    Wilson's does (after Newcombe 2006), so it holds at an area of 1 too. delong : DeLong, DeLong, Clarke-Pearson 1988.
    by_plate : Obuchowski 1997. The last two on the logit scale; none at an area of 1. curve : points of false alarms
    and hits, from (0, 0) to (1, 1).
    """

    n_present: int
    n_absent: int
    plates: int
    value: float | None
    hanley_mcneil_se: float | None
    hanley_mcneil: Interval | None
    delong_se: float | None
    delong: Interval | None
    by_plate_se: float | None
    by_plate: Interval | None
    curve: tuple[tuple[float, float], ...] = ()
    note: str = ""


def roc_area(scores: FloatArray, present: NDArray[np.bool_], plate: IntArray) -> Area:
    """ROC of scores (n,) against whether the mark is there (n,); plate (n,)."""
    scores, present = np.asarray(scores, float), np.asarray(present, bool)
    m, n = int(present.sum()), int((~present).sum())
    _, plate = np.unique(plate, return_inverse=True)
    plates = int(plate.max(initial=-1)) + 1
    empty = Area(
        n_present=m, n_absent=n, plates=plates, value=None, hanley_mcneil_se=None, hanley_mcneil=None,
        delong_se=None, delong=None, by_plate_se=None, by_plate=None,
        note=f"{m} marks present and {n} absent by consensus; {MARKS_MIN} of each are needed for a ROC curve",
    )  # fmt: skip
    if min(m, n) < MARKS_MIN:
        return empty
    metrics = extra("sklearn.metrics")
    area = float(metrics.roc_auc_score(present, scores))
    false_alarms, hits, _ = metrics.roc_curve(present, scores)
    keep = np.unique(np.linspace(0, len(hits) - 1, min(len(hits), CURVE_POINTS)).round().astype(int))
    curve = tuple((float(x), float(y)) for x, y in zip(false_alarms[keep], hits[keep], strict=True))
    placed = _placements(scores, present)
    here, there = placed[present] - area, placed[~present] - area
    delong_se = math.sqrt(float((here**2).sum()) / (m - 1) / m + float((there**2).sum()) / (n - 1) / n)
    clusters = _clustered_error(here, there, plate[present], plate[~present], plates)
    hm_se, hm = hanley_mcneil(area, m, n)
    notes = []
    if area in {0.0, 1.0}:
        notes.append("the two kinds of mark do not overlap, so spread cannot be estimated from them")
    if clusters is None:
        notes.append(
            f"too few plates for an interval by plate ({PLATES_MIN} with marks of each kind are needed)"
        )
    t = (
        float(extra("scipy.stats").t.ppf((1 + CONFIDENCE) / 2, plates - 1))
        if plates > 1
        else normal_quantile()
    )
    return replace(
        empty,
        value=area,
        hanley_mcneil_se=hm_se,
        hanley_mcneil=hm,
        delong_se=delong_se,
        delong=_logit_interval(area, delong_se, normal_quantile()),
        by_plate_se=clusters,
        by_plate=None if clusters is None else _logit_interval(area, clusters, t),
        curve=curve,
        note="; ".join(notes),
    )


def _placements(scores: FloatArray, present: NDArray[np.bool_]) -> FloatArray:
    """For each mark, the share of the other kind that lies on its right side, ties half (Sun and Xu 2014: by ranks)."""
    rank = extra("scipy.stats").rankdata
    m, n = int(present.sum()), int((~present).sum())
    placed = rank(scores)
    placed[present] = (placed[present] - rank(scores[present])) / n
    placed[~present] = 1 - (placed[~present] - rank(scores[~present])) / m
    return np.asarray(placed)


def _clustered_error(
    here: FloatArray, there: FloatArray, plate_here: IntArray, plate_there: IntArray, plates: int
) -> float | None:
    """Standard error by Obuchowski 1997 from placements less the area, of marks that are there and are not."""
    m, n = len(here), len(there)
    with_here, with_there = len(np.unique(plate_here)), len(np.unique(plate_there))
    if min(with_here, with_there) < PLATES_MIN:
        return None
    x, y = np.bincount(plate_here, here, plates), np.bincount(plate_there, there, plates)
    variance = (
        with_here / (with_here - 1) * float((x**2).sum()) / m**2
        + with_there / (with_there - 1) * float((y**2).sum()) / n**2
        + 2 * plates / (plates - 1) * float((x * y).sum()) / (m * n)
    )
    return math.sqrt(max(variance, 0.0))


def hanley_mcneil(area: float, n_present: int, n_absent: int) -> tuple[float, Interval]:
    """Standard error of an area by Hanley and McNeil 1982, for exponential scores, and the interval from it.

    The interval holds the areas whose own standard error puts the one seen within 1.96 of them.
    """

    def variance(at: float) -> float:
        q1, q2 = at / (2 - at), 2 * at**2 / (1 + at)
        return (at * (1 - at) + (n_present - 1) * (q1 - at**2) + (n_absent - 1) * (q2 - at**2)) / (
            n_present * n_absent
        )

    def beyond(at: float) -> float:
        return (at - area) ** 2 - normal_quantile() ** 2 * variance(at)

    solve = extra("scipy.optimize").brentq
    inside = min(max(area, 1e-9), 1 - 1e-9)  # at 0 and 1 themselves the variance is 0
    low = float(solve(beyond, 0.0, inside)) if area > 0 else 0.0
    high = float(solve(beyond, inside, 1.0)) if area < 1 else 1.0
    return math.sqrt(max(variance(area), 0.0)), (low, high)


def _logit_interval(area: float, se: float, quantile: float) -> Interval | None:
    if not 0 < area < 1 or se == 0:
        return None
    middle, reach = math.log(area / (1 - area)), quantile * se / (area * (1 - area))
    return 1 / (1 + math.exp(reach - middle)), 1 / (1 + math.exp(-reach - middle))
