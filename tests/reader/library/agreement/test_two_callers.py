"""Cohen's kappa and McNemar's test against published worked examples."""

from itertools import product

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from sklearn import metrics
from statsmodels.stats import inter_rater

from reader.library.agreement.two_callers import cohen_kappa, mcnemar, ordered_weights

approx = pytest.approx


def one_plate(*rows: tuple[int, ...]) -> NDArray[np.int64]:
    return np.array([rows])


# Rows: table, kappa; Feinstein and Cicchetti 1990 in Gerstman's "Epidemiology Kept Simple", Table 10.6 and Illustration
# 10.1; the first two are common textbook tables.
KAPPAS = [
    (((20, 5), (10, 15)), 0.4),
    (((12, 2), (4, 2)), 0.210526),
    (((40, 9), (6, 45)), 0.699519),
    (((80, 10), (5, 5)), 0.318182),
    (((1467, 782), (1309, 16232)), 0.524130),
    (((0, 4, 1), (0, 8, 0), (0, 1, 5)), 0.484163),
    (((88, 14, 18), (10, 40, 10), (2, 6, 12)), 0.491525),
    (((75, 1, 4), (5, 4, 1), (0, 0, 10)), 0.676471),
]


@pytest.mark.parametrize(("table", "kappa"), KAPPAS)
def test_kappa_of_published_tables(table: tuple[tuple[int, ...], ...], kappa: float) -> None:
    assert cohen_kappa(one_plate(*table)).value == approx(kappa, abs=5e-7)


def test_kappas_standard_error_and_interval_are_sas() -> None:
    # SAS/STAT's example for PROC FREQ, as in statsmodels' tests: ASE .1380, 95 % limits .2137 to .7547
    found = cohen_kappa(one_plate((0, 4, 1), (0, 8, 0), (0, 1, 5)))
    assert found.standard_error == approx(0.1380, abs=5e-5)
    assert found.interval == approx((0.2137, 0.7547), abs=5e-5)


def test_weighted_kappa_and_its_error_are_sas() -> None:
    # The same example: weighted kappa .4701, ASE .1457
    found = cohen_kappa(one_plate((0, 4, 1), (0, 8, 0), (0, 1, 5)), weights=ordered_weights(3))
    assert found.value == approx(0.4701, abs=5e-5)
    assert found.standard_error == approx(0.1457, abs=5e-5)


def test_kappa_is_scikit_learns_on_random_calls() -> None:
    rng = np.random.default_rng(8)
    for _ in range(20):
        first = rng.integers(0, 4, 300)
        second = np.where(rng.random(300) < 0.6, first, rng.integers(0, 4, 300))
        tables = np.zeros((1, 4, 4), int)
        np.add.at(tables[0], (first, second), 1)
        assert cohen_kappa(tables).value == approx(metrics.cohen_kappa_score(first, second))
        linear = metrics.cohen_kappa_score(first, second, weights="linear")
        assert cohen_kappa(tables, weights=ordered_weights(4)).value == approx(linear)


def test_a_grade_off_the_scale_differs_wholly_from_all_others() -> None:
    weights = ordered_weights(4, apart=(3,))
    assert weights.tolist() == [[0, 0.5, 1, 1], [0.5, 0, 0.5, 1], [1, 0.5, 0, 1], [1, 1, 1, 0]]
    table = np.array([[40, 2, 0, 0], [3, 30, 2, 1], [0, 2, 18, 0], [0, 0, 0, 2]])
    expected = inter_rater.cohens_kappa(table, weights=weights).kappa
    assert cohen_kappa(table[None], weights=weights).value == approx(expected)


def test_kappa_does_not_change_with_callers_names_or_unused_calls() -> None:
    table = np.array([[30, 4, 2], [3, 25, 1], [1, 2, 9]])
    padded = np.zeros((5, 5), int)
    padded[np.ix_([0, 2, 4], [0, 2, 4])] = table
    found = cohen_kappa(table[None]).value
    assert cohen_kappa(table.T[None]).value == approx(found)
    assert cohen_kappa(padded[None]).value == approx(found)


@pytest.mark.parametrize("table", [((40, 0), (0, 0)), ((30, 10), (0, 0)), ((30, 0), (10, 0))])
def test_kappa_of_a_constant_caller_is_undefined_and_says_whose(table: tuple[tuple[int, ...], ...]) -> None:
    found = cohen_kappa(one_plate(*table), names=("Ada Quill", "consensus"))
    assert found.value is None
    assert "undefined" in found.note
    rows, columns = (np.count_nonzero(np.sum(table, axis=axis)) for axis in (1, 0))
    assert ("Ada Quill" in found.note, "consensus" in found.note) == (rows == 1, columns == 1)


def test_kappa_of_few_marks_is_not_given() -> None:
    found = cohen_kappa(one_plate((4, 1), (1, 3)))
    assert found.value is None
    assert "only 9 marks" in found.note


@pytest.mark.parametrize("weights", [None, ordered_weights(3)], ids=["plain", "weighted"])
def test_a_kappa_without_spread_has_no_interval_and_warns_of_nothing(
    weights: NDArray[np.float64] | None,
) -> None:
    # The variance of the first comes out as -4e-18, of which statsmodels takes the root; warnings are errors here.
    agreeing = cohen_kappa(one_plate((13, 0, 0), (0, 24, 0), (0, 0, 26)), weights=weights)
    assert (agreeing.value, agreeing.standard_error, agreeing.interval) == (1.0, None, None)
    assert agreeing.note == "all agree, so its standard error is unknown"
    # Each calls the contrary of the other: a variance of 0 too, and by no means agreement.
    apart = cohen_kappa(one_plate((0, 14, 0), (14, 0, 0), (0, 0, 0)), weights=weights)
    assert (apart.value, apart.interval) == (-1.0, None)
    assert "all agree" not in apart.note


def test_no_table_of_calls_makes_a_kappa_warn() -> None:
    rng = np.random.default_rng(3)
    for _ in range(2000):
        table = rng.integers(0, 30, (3, 3)) * (rng.random((3, 3)) < rng.uniform(0.1, 1))
        for weights in (None, ordered_weights(3)):
            found = cohen_kappa(table[None], weights=weights)
            assert found.value is None or -1 <= found.value <= 1


def test_prevalence_that_holds_a_kappa_down_is_told() -> None:
    # Constructed: 118 5 / 2 0; agreement .944, expected .945344, kappa -.023392, PABAK .888
    found = cohen_kappa(one_plate((118, 5), (2, 0)))
    assert found.value == approx(-0.023392, abs=5e-7)
    assert found.pabak == approx(0.888)
    assert "PABAK" in found.note


# Discordant counts: chi-squared, corrected, exact p, mid-p; the first row is a teaching page's, printed 21.35.
MCNEMAR = [
    (121, 59, 21.3556, 20.6722, 4.434e-6, None),
    (3, 12, 5.4, 4.2667, 0.035156, 0.021271),
    (0, 6, 6.0, 4.1667, 0.031250, 0.015625),
    (5, 10, 1.6667, 1.0667, 0.301758, None),
]


@pytest.mark.parametrize(("b", "c", "plain", "corrected", "exact", "mid"), MCNEMAR)
def test_mcnemar_of_known_counts(
    b: int, c: int, plain: float, corrected: float, exact: float, mid: float | None
) -> None:
    found = mcnemar(np.array([b]), np.array([c]))
    assert found.chi_squared == approx(plain, abs=5e-5)
    assert found.chi_squared_corrected == approx(corrected, abs=5e-5)
    assert found.p_exact == approx(exact, rel=2e-4)
    if mid is not None:
        assert found.p_mid == approx(mid, abs=5e-7)
    few = b + c < 25
    assert found.p == (found.p_mid if few else approx(stats.chi2.sf(plain, 1), rel=1e-3))


def test_mid_p_counts_half_of_the_outcome_seen() -> None:
    for b, c in product(range(8), repeat=2):
        if b + c:
            each = stats.binom.pmf(np.arange(b + c + 1), b + c, 0.5)
            less_likely = each < each[b] * (1 - 1e-9)
            as_likely = np.isclose(each, each[b])
            expected = each[less_likely].sum() + each[as_likely].sum() / 2
            assert mcnemar(np.array([b]), np.array([c])).p_mid == approx(expected)


def test_mcnemar_by_plate_is_the_plain_test_where_each_plate_has_one_mark() -> None:
    first = np.repeat([1, 0, 0], [20, 9, 40])
    second = np.repeat([0, 1, 0], [20, 9, 40])
    found = mcnemar(first, second)
    assert found.chi_squared is not None
    assert found.p_by_plate == approx(stats.chi2.sf(found.chi_squared, 1))


def test_mcnemar_by_plate_is_not_fooled_by_marks_that_go_together() -> None:
    rng = np.random.default_rng(9)
    rejected = np.zeros(2)
    for _ in range(300):
        heads = rng.random(30) < 0.5
        found = mcnemar(np.where(heads, 8, 0), np.where(heads, 0, 8))
        assert found.p is not None
        assert found.p_by_plate is not None
        rejected += [found.p < 0.05, found.p_by_plate < 0.05]
    plain, by_plate = rejected / 300
    assert plain > 0.3
    assert by_plate < 0.09


def test_callers_who_never_differ_are_not_tested() -> None:
    found = mcnemar(np.zeros(5, int), np.zeros(5, int))
    assert found.p is None
    assert "no mark" in found.note
