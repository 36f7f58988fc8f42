"""Errors from the spread between plates against theory and simulation."""

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.typing import NDArray
from scipy import stats
from statsmodels.stats import inter_rater

from reader.library.agreement.by_plate import PLATES_MIN, plate_error
from reader.library.agreement.rates import most_that_may_err, rate
from reader.library.agreement.two_callers import cohen_kappa

approx = pytest.approx


def spread_over_plates(
    table: NDArray[np.int64], rng: np.random.Generator, plates: int = 40
) -> NDArray[np.int64]:
    """The table's counts dealt out to plates at random."""
    dealt = np.zeros((plates, *table.shape), int)
    for i, j in np.ndindex(table.shape):
        np.add.at(dealt, (rng.integers(0, plates, table[i, j]), i, j), 1)
    return dealt


def test_jackknife_of_a_share_is_the_error_of_cluster_robust_regression() -> None:
    rng = np.random.default_rng(3)
    plate = rng.integers(0, 60, 500)
    hit = rng.random(500) < rng.beta(4, 1, 60)[plate]
    hits, of = np.bincount(plate, hit, 60).astype(int), np.bincount(plate, minlength=60)
    robust = sm.OLS(hit.astype(float), np.ones(500)).fit(
        cov_type="cluster", cov_kwds={"groups": plate, "use_correction": False}
    )
    found = plate_error(np.column_stack([hits, of]).astype(float), lambda sums: sums[:, 0] / sums[:, 1])
    assert found == approx(robust.bse[0], rel=0.03)  # jackknife and linearisation differ by O(1 / plates)


def test_design_effect_is_what_is_seen_once_enough_is_seen() -> None:
    rng = np.random.default_rng(3)
    hits = rng.binomial(6, rng.beta(2, 2, 5000))  # intraclass correlation 1 / 5: 1 + 5 / 5 = 2 (Kish)
    assert rate(hits, np.full(5000, 6)).design_effect == approx(2, rel=0.06)


@pytest.mark.parametrize("n_plates", [30, 110, 1000])
@pytest.mark.parametrize("marks", [2, 4, 6, 12])
def test_an_error_more_never_proves_more(marks: int, n_plates: int) -> None:
    bounds = []
    for errors in range(n_plates):
        found = rate((np.arange(n_plates) < errors).astype(int), np.full(n_plates, marks))
        assert found.value is not None
        bounds.append(most_that_may_err(found.value * found.counts_as, found.counts_as))
    assert bounds[0] == approx(most_that_may_err(0, n_plates))
    assert bounds == sorted(bounds)


def test_jackknife_of_a_mean_of_equal_plates_is_the_standard_error_of_plate_means() -> None:
    values = np.random.default_rng(4).normal(size=(25, 8))
    sums = np.column_stack([values.sum(axis=1), np.full(25, 8.0)])
    found = plate_error(sums, lambda each: each[:, 0] / each[:, 1])
    assert found == approx(stats.sem(values.mean(axis=1)))


def test_jackknife_of_a_kappa_agrees_with_scipys_bootstrap_over_plates() -> None:
    rng = np.random.default_rng(5)
    tables = spread_over_plates(np.array([[120, 20], [15, 90]]), rng, plates=60)

    def kappa(plates: NDArray[np.int64]) -> float:
        return float(inter_rater.cohens_kappa(tables[plates].sum(axis=0), return_results=False))

    booted = stats.bootstrap((np.arange(60),), kappa, n_resamples=1000, vectorized=False, random_state=rng)
    found = cohen_kappa(tables)
    assert found.by_plate is not None
    assert found.by_plate == approx(booted.confidence_interval, abs=0.03)


def test_alike_marks_of_a_plate_count_once() -> None:
    tenfold = rate(np.repeat([10, 0], 30), np.full(60, 10))
    single = rate(np.repeat([1, 0], 30), np.full(60, 1))
    assert tenfold.design_effect == approx(10, rel=0.03)
    assert tenfold.by_plate == approx(single.by_plate, abs=0.01)
    assert tenfold.wilson is not None
    assert single.wilson is not None
    assert tenfold.wilson[0] > single.wilson[0] + 0.05


def test_intervals_by_plate_cover_where_those_of_independent_marks_do_not() -> None:
    rng = np.random.default_rng(6)
    truth, covered = 0.8, np.zeros(2)
    for _ in range(300):
        of = rng.integers(6, 13, 40)
        hits = rng.binomial(of, rng.beta(truth * 2, (1 - truth) * 2, 40))  # intraclass correlation 1/3
        found = rate(hits, of)
        assert found.wilson is not None
        assert found.by_plate is not None
        covered += [low <= truth <= high for low, high in (found.wilson, found.by_plate)]
    plain, by_plate = covered / 300
    assert plain < 0.8
    assert 0.92 <= by_plate <= 0.99


def test_a_plate_without_spread_counts_as_one_mark() -> None:
    found = rate(np.full(59, 6), np.full(59, 6))
    assert (found.counts_as, found.design_effect) == (59, 6)
    assert found.by_plate == approx((0.9389, 1), abs=5e-5)  # Wilson, 59 of 59
    assert "taken to go together" in found.note


def test_too_few_plates_give_no_interval_by_plate_and_say_so() -> None:
    few = spread_over_plates(np.array([[50, 5], [5, 50]]), np.random.default_rng(7), plates=PLATES_MIN - 1)
    found = cohen_kappa(few)
    assert found.value is not None
    assert found.by_plate is None
    assert f"only {PLATES_MIN - 1} plates" in found.note
