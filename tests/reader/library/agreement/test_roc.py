"""The ROC curve against published worked examples."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from sklearn import metrics

from reader.library.agreement.roc import hanley_mcneil, roc_area

approx = pytest.approx


# Hanley and McNeil 1982, Radiology 143:29, Table I: ratings of 58 normal and 51 abnormal images; printed .893 and .032.
NORMAL, ABNORMAL = (33, 6, 6, 11, 2), (3, 2, 2, 11, 33)
RATINGS = np.concatenate([np.repeat(np.arange(5), counts) for counts in (NORMAL, ABNORMAL)]).astype(float)
ABNORMALS = np.repeat([False, True], [58, 51])


def test_area_and_errors_of_hanley_and_mcneils_images() -> None:
    found = roc_area(RATINGS, ABNORMALS, np.arange(109))
    assert found.value == approx(0.893171, abs=5e-7)
    assert found.hanley_mcneil_se == approx(0.032487, abs=5e-7)
    assert found.delong_se == approx(0.030724, abs=5e-7)
    # false positive and true positive rates at the cuts, as far as corners of the curve
    for point in ((0.034483, 0.647059), (0.224138, 0.862745), (0.431034, 0.941176)):
        assert any(point == approx(corner, abs=5e-7) for corner in found.curve)


def test_area_by_plate_is_delongs_where_each_plate_has_one_mark() -> None:
    found = roc_area(RATINGS, ABNORMALS, np.arange(109))
    assert found.by_plate_se == approx(found.delong_se)


def test_area_is_scikit_learns_and_its_error_that_of_a_bootstrap() -> None:
    rng = np.random.default_rng(20)
    present = rng.random(240) < 0.5
    scores = rng.normal(present * 1.0, 1).round(1)
    found = roc_area(scores, present, np.arange(240))
    assert found.value == approx(metrics.roc_auc_score(present, scores))
    here, there = scores[present], scores[~present]

    def area(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
        return float(stats.mannwhitneyu(a, b).statistic / (len(a) * len(b)))

    booted = stats.bootstrap(
        (here, there), area, n_resamples=600, vectorized=False, random_state=rng, method="basic"
    )
    assert found.delong_se == approx(booted.standard_error, rel=0.12)


def test_area_by_plate_sees_that_marks_of_a_plate_go_together() -> None:
    rng = np.random.default_rng(21)
    present = rng.random(60) < 0.5
    scores = rng.normal(present * 1.0, 1)
    once = roc_area(scores, present, np.arange(60))
    again = roc_area(np.repeat(scores, 5), np.repeat(present, 5), np.repeat(np.arange(60), 5))
    assert again.by_plate_se == approx(once.by_plate_se, rel=0.02)
    assert once.delong_se is not None
    assert again.delong_se == approx(once.delong_se / math.sqrt(5), rel=0.02)


def test_hanley_mcneils_interval_ends_where_its_own_error_puts_the_area_seen() -> None:
    area, (low, high) = 0.893171, hanley_mcneil(0.893171, 51, 58)[1]
    for bound in (low, high):
        assert abs(area - bound) == approx(stats.norm.ppf(0.975) * hanley_mcneil(bound, 51, 58)[0], rel=1e-6)


def test_an_area_of_one_has_a_lower_bound_but_no_spread() -> None:
    found = roc_area(np.arange(60.0), np.arange(60) >= 30, np.arange(60))
    assert (found.value, found.delong, found.by_plate) == (1, None, None)
    assert found.hanley_mcneil is not None
    assert 0.9 < found.hanley_mcneil[0] < 1
    assert "do not overlap" in found.note


def test_few_marks_of_either_kind_give_no_area() -> None:
    found = roc_area(np.arange(30.0), np.arange(30) >= 25, np.arange(30))
    assert found.value is None
    assert "5 marks present" in found.note
