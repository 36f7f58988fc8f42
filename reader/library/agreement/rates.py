"""Shares with their intervals: hit rates, error rates, and how many marks show that one is low enough."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from reader.library.agreement.by_plate import (
    CONFIDENCE,
    MARKS_MIN,
    PLATES_MIN,
    IntArray,
    normal_quantile,
    plate_error,
)
from reader.library.extra import extra
from reader.numbers.arrays import Interval
from reader.words import counted

PLATES_ASSUMED: Final = (
    1.5  # the least with which one error more, elsewhere, never proves more (see the tests)
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Rate:
    """A share, `hits` of `of` marks on `plates` plates, with 95 % intervals.

    wilson, exact : as if marks were independent (Wilson's score; Clopper and Pearson).
    by_plate : Wilson's for `counts_as`, the number of independent marks that these are worth. design_effect : how many
    of these are worth one independent mark (Kish); `note` says where that is assumed and not seen.
    """

    hits: int
    of: int
    plates: int
    value: float | None
    wilson: Interval | None
    exact: Interval | None
    by_plate: Interval | None
    design_effect: float | None
    counts_as: float
    note: str = ""


def rate(hits: IntArray, of: IntArray) -> Rate:
    """A share from the counts of each plate: `hits` (p,) among `of` (p,)."""
    hits, of = np.asarray(hits)[of > 0], np.asarray(of)[of > 0]
    k, n, plates = int(hits.sum()), int(of.sum()), len(of)
    if n < MARKS_MIN:
        why = (
            f"only {counted(n, 'mark')}, too few for a rate ({MARKS_MIN} are needed)"
            if n
            else "no such mark, so no rate"
        )
        return Rate(
            hits=k, of=n, plates=plates, value=None, wilson=None, exact=None, by_plate=None, design_effect=None,
            counts_as=n / _design_effect(hits, of)[0] if n else 0.0, note=why,
        )  # fmt: skip
    effect, note = _design_effect(hits, of)
    counting = n / effect
    if effect > 1 and not note:  # Korn and Graubard 1998: of few plates the spread itself is unsure
        counting *= (
            normal_quantile() / float(extra("scipy.stats").t.ppf((1 + CONFIDENCE) / 2, plates - 1))
        ) ** 2
    return Rate(
        hits=k,
        of=n,
        plates=plates,
        value=k / n,
        wilson=proportion_interval(k, n),
        exact=proportion_interval(k, n, exact=True),
        by_plate=proportion_interval(k / n * counting, counting),
        design_effect=effect,
        counts_as=counting,
        note=note,
    )


def _design_effect(hits: IntArray, of: IntArray) -> tuple[float, str]:
    """How many marks are worth one independent mark, and why where that is assumed and not seen.

    Where marks of a plate go together it is the mean number on a plate, weighted by it. The fewer marks are of the
    rarer answer, the less is seen of whether they do; so what is seen is averaged with that worst case, as if
    PLATES_ASSUMED more of that answer had been seen: else one error would prove more than none.
    """
    k, n, plates = int(hits.sum()), int(of.sum()), len(of)
    together = float((of.astype(float) ** 2).sum()) / n
    rarer = min(k, n - k)
    if plates == n:
        return 1.0, ""
    if not rarer:
        return together, "all alike, so marks of a plate are taken to go together"
    if plates < PLATES_MIN:
        return together, f"only {counted(plates, 'plate')}, so their marks are taken to go together"
    se = plate_error(np.column_stack([hits, of]).astype(float), lambda sums: sums[:, 0] / sums[:, 1])
    assert se is not None  # no plate has all the marks, as there are PLATES_MIN with some
    seen = max(1.0, se**2 / (k / n * (1 - k / n) / n))
    assumed = PLATES_ASSUMED * together
    return (assumed * together + rarer * seen) / (assumed + rarer), ""


def proportion_interval(hits: float, of: float, *, exact: bool = False) -> Interval:
    """Wilson's score interval (Wilson 1927; Newcombe 1998), or Clopper and Pearson's."""
    confint = extra("statsmodels.stats.proportion").proportion_confint
    low, high = confint(hits, of, alpha=1 - CONFIDENCE, method="beta" if exact else "wilson")
    return max(0.0, float(low)) if hits > 0 else 0.0, min(1.0, float(high)) if hits < of else 1.0


def most_that_may_err(errors: float, of: float, confidence: float = CONFIDENCE) -> float:
    """One-sided upper bound of an error rate (Clopper and Pearson); with no error 1 - (1 - confidence)^(1/of).

    Both numbers may be fractions, where marks are worth fewer independent ones (Korn and Graubard 1998).
    """
    return 1.0 if errors >= of else float(extra("scipy.stats").beta.ppf(confidence, errors + 1, of - errors))


def marks_to_show(error_rate: float, errors: int = 0, confidence: float = CONFIDENCE) -> int:
    """Marks needed so that, with so many errors among them, the upper bound is no more than `error_rate`."""
    low, high = errors, errors + 1
    while most_that_may_err(errors, high, confidence) > error_rate:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (
            (low, middle) if most_that_may_err(errors, middle, confidence) <= error_rate else (middle, high)
        )
    return high
