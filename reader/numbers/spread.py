"""Standard deviations of several groups pooled so that one odd group does not speak for all.

Algorithm S of ISO 5725-5 (also ISO 13528, annex C.4): a standard deviation above the highest that one in ten would
have by chance is drawn down to that limit, and the mean so found is corrected for it.
"""

from collections.abc import Sequence

import numpy as np

from reader.numbers.arrays import FloatArray
from reader.numbers.erf import erf
from reader.numbers.median import median

UPPER_TENTH = 1.2815516
"""Standard normal deviate that one in ten exceeds."""
ITERATIONS = 100
"""Rounds of Algorithm S at most."""
SETTLED = 1e-9
"""It has converged where the pooled deviation changes by a smaller share."""


def robust_pool(
    deviations: Sequence[float] | FloatArray, freedom: Sequence[float] | FloatArray
) -> tuple[float, FloatArray]:
    """Pool standard deviations (k,) with their degrees of freedom (k,), all above 0.

    Returns the pooled standard deviation, and by how much (0..1) each group's own was drawn down: 1 where it was not.
    """
    own, weight = np.asarray(deviations, float), np.asarray(freedom, float)
    limit = _limit_factor(weight)
    correction = _correction(weight, limit)
    pooled = median(own)
    for _ in range(ITERATIONS):
        drawn = np.minimum(own, limit * pooled)
        found = float(np.sqrt((weight * (correction * drawn) ** 2).sum() / weight.sum()))
        if abs(found - pooled) <= SETTLED * pooled:
            break
        pooled = found
    return pooled, np.minimum(1.0, limit * pooled / np.maximum(own, 1e-300))


def _limit_factor(freedom: FloatArray) -> FloatArray:
    """Limit that one standard deviation in ten exceeds by chance, over the true one: root of chi-square's 90 %
    quantile over the degrees of freedom, by Wilson and Hilferty (PNAS 17, 1931, 684)."""
    part = 2 / (9 * freedom)
    return np.asarray((1 - part + UPPER_TENTH * np.sqrt(part)) ** 1.5)


def _correction(freedom: FloatArray, limit: FloatArray) -> FloatArray:
    """Factor that makes up for what the limit draws down, so that normal groups keep their variance."""
    # The drawn-down variance's expectation is P(chi2 of f+2 degrees < f limit^2) + limit^2 / 10.
    square, wider = limit**2, freedom + 2
    part = 2 / (9 * wider)
    inside = _normal_share((np.cbrt(freedom * square / wider) - (1 - part)) / np.sqrt(part))
    return np.asarray(1 / np.sqrt(inside + 0.1 * square))


def _normal_share(deviate: FloatArray) -> FloatArray:
    """Share of a normal distribution below a deviate (Abramowitz & Stegun 26.2.29)."""
    return 0.5 * (1 + erf(deviate / np.sqrt(2)))
