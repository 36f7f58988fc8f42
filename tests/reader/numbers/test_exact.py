"""Exact inference on counts, against published figures and SciPy."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from reader.numbers.exact import higher_by_chance, share_interval

IntArray = NDArray[np.int64]


# Newcombe 1998, Statistics in Medicine 17:857, Table I (Clopper and Pearson's column, recomputed with statsmodels)
@pytest.mark.parametrize(
    ("hits", "of", "low", "high"),
    [(81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617), (0, 20, 0.0, 0.1684), (1, 29, 0.0009, 0.1776)],
)
def test_shares_have_the_intervals_that_newcombe_printed(hits: int, of: int, low: float, high: float) -> None:
    assert share_interval(hits, of) == pytest.approx((low, high), abs=5e-5)


def test_an_interval_is_scipys_for_every_share_of_small_samples_and_for_large_ones() -> None:
    cases = [(k, n) for n in range(1, 25) for k in range(n + 1)] + [
        (1, 10_400),
        (5_000, 10_400),
        (0, 104_000),
    ]
    for hits, of in cases:
        expected = stats.binomtest(hits, of).proportion_ci(0.95, method="exact")
        assert share_interval(hits, of) == pytest.approx((expected.low, expected.high), abs=1e-9), (hits, of)


@pytest.mark.parametrize(("hits", "of"), [(0, 0), (3, 2), (-1, 4)])
def test_of_nothing_there_is_no_share(hits: int, of: int) -> None:
    with pytest.raises(ValueError, match="no share"):
        share_interval(hits, of)


def counts(values: list[int], categories: list[int]) -> list[int]:
    return [values.count(category) for category in categories]


def test_ties_count_as_in_the_worked_example_of_mehta_and_patel() -> None:
    # Mehta and Patel 2001, StatXact-5 manual, p. 227-229, as quoted by the R package exactRankTests, data set
    # `bloodp`: diastolic blood pressure, one-sided exact p of Wilcoxon, Mann and Whitney's test 0.0542.
    treated = [94, 108, 110, 90]
    controls = [80, 94, 85, 90, 90, 90, 108, 94, 78, 105, 88]
    categories = sorted({*treated, *controls})
    found = higher_by_chance(counts(treated, categories), counts(controls, categories))
    assert found == pytest.approx(0.0542, abs=5e-5)


def test_without_ties_it_is_the_rank_sum_test_of_hollander_and_wolfe() -> None:
    # Hollander and Wolfe 1973, p. 69 f.: permeability constants; exact one-sided p 0.1272 (as the help page of R's
    # wilcox.test prints it; the figure from memory, held against SciPy's exact method too).
    term = [0.80, 0.83, 1.89, 1.04, 1.45, 1.38, 1.91, 1.64, 0.73, 1.46]
    early = [1.15, 0.88, 0.90, 0.74, 1.21]
    order = sorted([*term, *early])
    found = higher_by_chance([value in term for value in order], [value in early for value in order])
    assert found == pytest.approx(0.1272, abs=5e-5)
    assert found == pytest.approx(
        stats.mannwhitneyu(term, early, alternative="greater", method="exact").pvalue
    )


def test_of_two_categories_it_is_fishers_exact_test() -> None:
    # Fisher 1935, The Design of Experiments, ch. 2: the lady tasting tea, three of four right, p = 17/70.
    assert higher_by_chance([1, 3], [3, 1]) == pytest.approx(17 / 70)
    for a, b, c, d in itertools.product(range(1, 5), repeat=4):
        expected = stats.fisher_exact([[b, a], [d, c]], alternative="greater").pvalue
        assert higher_by_chance([a, b], [c, d]) == pytest.approx(expected)


def test_it_is_scipys_permutation_test_where_all_ways_can_be_tried() -> None:
    rng = np.random.default_rng(11)
    for _ in range(20):
        recent, past = rng.integers(0, 4, size=4), rng.integers(0, 4, size=7)

        def rank_sum(x: IntArray, y: IntArray) -> float:
            return float(stats.rankdata([*x, *y])[: len(x)].sum())

        expected = stats.permutation_test(
            (recent, past),
            rank_sum,
            alternative="greater",
            permutation_type="independent",
            n_resamples=np.inf,
        ).pvalue
        categories = [0, 1, 2, 3]
        found = higher_by_chance(counts(list(recent), categories), counts(list(past), categories))
        assert found == pytest.approx(expected)


@settings(max_examples=200, deadline=None, derandomize=True)
@given(
    st.lists(st.integers(0, 2), min_size=2, max_size=6), st.lists(st.integers(0, 2), min_size=2, max_size=20),
    st.data(),
)  # fmt: skip
def test_a_recent_result_that_is_higher_or_a_past_one_that_is_lower_never_speaks_against_it(
    recent: list[int], past: list[int], data: st.DataObject
) -> None:
    before = higher_by_chance(counts(recent, [0, 1, 2]), counts(past, [0, 1, 2]))
    moved, by = data.draw(st.sampled_from([(recent, 1), (past, -1)]))
    place = data.draw(st.integers(0, len(moved) - 1))
    changed = [*moved]
    changed[place] = min(max(changed[place] + by, 0), 2)
    recent, past = (changed, past) if moved is recent else (recent, changed)
    assert higher_by_chance(counts(recent, [0, 1, 2]), counts(past, [0, 1, 2])) <= before + 1e-12


@pytest.mark.parametrize(("recent", "past"), [([0, 0], [1, 1]), ([1, 1], [0, 0]), ([1, -1], [1, 1])])
def test_nothing_is_compared_with_nothing(recent: list[int], past: list[int]) -> None:
    with pytest.raises(ValueError, match="nothing to compare"):
        higher_by_chance(recent, past)
