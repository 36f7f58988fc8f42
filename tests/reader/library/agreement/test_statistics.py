"""Each statistic against a published worked example, named beside it, and a reference library on random data."""

import math
from itertools import product

import krippendorff
import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from numpy.typing import NDArray
from scipy import stats
from sklearn import metrics
from statsmodels.stats import inter_rater
from statsmodels.stats.anova import anova_lm

from reader.library.agreement import statistics
from reader.library.agreement.statistics import (
    MARKS_MIN,
    PLATES_MIN,
    cohen_kappa,
    corrected_quantile,
    fleiss_kappa,
    hanley_mcneil,
    krippendorff_alpha,
    limit_of_blank,
    limit_of_detection,
    line_limits,
    marks_to_show,
    mcnemar,
    most_that_may_err,
    ordered_weights,
    plate_error,
    proportion_interval,
    rate,
    roc_area,
    variance_components,
)

approx = pytest.approx


def one_plate(*rows: tuple[int, ...]) -> NDArray[np.int64]:
    return np.array([rows])


def spread_over_plates(
    table: NDArray[np.int64], rng: np.random.Generator, plates: int = 40
) -> NDArray[np.int64]:
    """The table's counts dealt out to plates at random."""
    dealt = np.zeros((plates, *table.shape), int)
    for i, j in np.ndindex(table.shape):
        np.add.at(dealt, (rng.integers(0, plates, table[i, j]), i, j), 1)
    return dealt


# ------------------------------------------------------------------------------------------ shares

# Newcombe 1998, Stat. Med. 17:857, Table I: methods 3 (Wilson) and 5 (Clopper-Pearson).
NEWCOMBE = [
    (81, 263, (0.2553, 0.3662), (0.2527, 0.3676)),
    (15, 148, (0.0624, 0.1605), (0.0578, 0.1617)),
    (0, 20, (0.0000, 0.1611), (0.0000, 0.1684)),
    (1, 29, (0.0061, 0.1718), (0.0009, 0.1776)),
]


@pytest.mark.parametrize(("hits", "of", "wilson", "exact"), NEWCOMBE)
def test_intervals_of_a_share_are_newcombes(
    hits: int, of: int, wilson: tuple[float, float], exact: tuple[float, float]
) -> None:
    found = rate(np.array([hits]), np.array([of]))
    assert found.wilson == approx(wilson, abs=5e-5)
    assert found.exact == approx(exact, abs=5e-5)


def test_intervals_of_a_share_are_scipys() -> None:
    rng = np.random.default_rng(1)
    for _ in range(50):
        of = int(rng.integers(1, 400))
        hits = int(rng.integers(0, of + 1))
        test = stats.binomtest(hits, of)
        for exact, method in ((False, "wilson"), (True, "exact")):
            expected = test.proportion_ci(method=method)
            assert proportion_interval(hits, of, exact=exact) == approx(tuple(expected), abs=1e-9)


def test_percent_agreement_of_the_guidance_example() -> None:
    # 57, 3, 3, 57: constructed to FDA 2007's definitions; Wilson's interval by formula.
    found = rate(np.array([57]), np.array([60]))
    assert found.value == 0.95
    assert found.wilson == approx((0.8630, 0.9829), abs=5e-5)


def test_no_mark_is_no_rate_and_few_marks_are_none_either() -> None:
    none = rate(np.array([0, 0]), np.array([0, 0]))
    assert (none.value, none.wilson, none.by_plate) == (None, None, None)
    assert "no such mark" in none.note
    few = rate(np.array([MARKS_MIN - 1]), np.array([MARKS_MIN - 1]))
    assert few.value is None
    assert "too few" in few.note


# Hanley and Lippman-Hand 1983 (rule of three); exact values 1 - 0.05^(1/n).
@pytest.mark.parametrize(
    ("of", "bound"), [(10, 0.25887), (20, 0.13911), (59, 0.04951), (149, 0.01990), (300, 0.00994)]
)
def test_no_error_in_n_bounds_the_error_rate(of: int, bound: float) -> None:
    assert most_that_may_err(0, of) == approx(bound, abs=5e-6)
    assert most_that_may_err(0, of) == approx(1 - 0.05 ** (1 / of))


def test_errors_in_n_bound_the_error_rate_one_sided() -> None:
    assert most_that_may_err(2, 60) == approx(1 - 0.8988, abs=5e-5)  # Clopper-Pearson, one-sided
    assert most_that_may_err(7, 7) == 1
    rng = np.random.default_rng(2)
    for _ in range(20):
        of = int(rng.integers(2, 300))
        errors = int(rng.integers(0, of))
        upper = stats.binomtest(errors, of, alternative="less").proportion_ci(0.95).high
        assert most_that_may_err(errors, of) == approx(upper)


# Zero-failure demonstration, n = ceil(ln(1 - C) / ln R); 2995 for .999 is the textbook figure.
@pytest.mark.parametrize(
    ("error_rate", "confidence", "n"),
    [
        (0.1, 0.95, 29), (0.05, 0.95, 59), (0.02, 0.95, 149), (0.01, 0.95, 299), (0.001, 0.95, 2995),
        (0.05, 0.9, 45), (0.01, 0.99, 459),
    ],
)  # fmt: skip
def test_marks_needed_to_show_an_error_rate(error_rate: float, confidence: float, n: int) -> None:
    assert marks_to_show(error_rate, confidence=confidence) == n


def test_marks_needed_with_errors_among_them() -> None:
    assert [marks_to_show(0.05, errors) for errors in (1, 2, 3)] == [93, 124, 153]


# ------------------------------------------------------------------------------------------ plates


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


# ------------------------------------------------------------------------------------------ kappa

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


# ------------------------------------------------------------------------------------------ McNemar

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


# ------------------------------------------------------------------------------------------ many callers

# The widely used example of 10 subjects and 14 raters, printed .210; statsmodels' tests hold it, too.
TEACHING = np.array(
    [
        [0, 0, 0, 0, 14], [0, 2, 6, 4, 2], [0, 0, 3, 5, 6], [0, 3, 9, 2, 0], [2, 2, 8, 1, 1],
        [7, 7, 0, 0, 0], [3, 2, 6, 3, 0], [2, 5, 3, 2, 2], [6, 5, 2, 1, 0], [0, 2, 2, 3, 7],
    ]
)  # fmt: skip
# Fleiss 1971, Table 1: 30 patients, 6 psychiatrists, 5 diagnoses; printed .430.
FLEISS = np.array(
    [
        [0, 0, 0, 6, 0], [0, 3, 0, 0, 3], [0, 1, 4, 0, 1], [0, 0, 0, 0, 6], [0, 3, 0, 3, 0], [2, 0, 4, 0, 0],
        [0, 0, 4, 0, 2], [2, 0, 3, 1, 0], [2, 0, 0, 4, 0], [0, 0, 0, 0, 6], [1, 0, 0, 5, 0], [1, 1, 0, 4, 0],
        [0, 3, 3, 0, 0], [1, 0, 0, 5, 0], [0, 2, 0, 3, 1], [0, 0, 5, 0, 1], [3, 0, 0, 1, 2], [5, 1, 0, 0, 0],
        [0, 2, 0, 4, 0], [1, 0, 2, 0, 3], [0, 0, 0, 0, 6], [0, 1, 0, 5, 0], [0, 2, 0, 1, 3], [2, 0, 0, 4, 0],
        [1, 0, 0, 4, 1], [0, 5, 0, 1, 0], [4, 0, 0, 0, 2], [0, 2, 0, 4, 0], [1, 0, 5, 0, 0], [0, 0, 0, 0, 6],
    ]
)  # fmt: skip
# Krippendorff 2011, "Computing Krippendorff's Alpha-Reliability", example C: four observers, 12 units, gaps.
OBSERVERS = (
    "1 2 3 3 2 1 4 1 2 - - -",
    "1 2 3 3 2 2 4 1 2 5 - 3",
    "- 3 3 3 2 3 4 2 2 5 1 -",
    "1 2 3 3 2 4 4 1 2 5 1 -",
)


def counted_calls(*observers: str) -> NDArray[np.int64]:
    calls = [observer.split() for observer in observers]
    kinds = sorted({call for row in calls for call in row} - {"-"})
    return np.array([[sum(row[i] == kind for row in calls) for kind in kinds] for i in range(len(calls[0]))])


def test_fleiss_kappa_of_the_teaching_example() -> None:
    assert fleiss_kappa(TEACHING, np.arange(10)).value == approx(0.209931, abs=5e-7)


def test_fleiss_kappa_of_fleiss_own_patients() -> None:
    assert FLEISS.sum() == 180
    assert fleiss_kappa(FLEISS, np.arange(30)).value == approx(0.430244, abs=1e-6)


def test_fleiss_kappa_with_gaps_is_gwets() -> None:
    # Gwet 2014, "Handbook of Inter-Rater Reliability", 4th ed.: the same four observers; .76117
    assert fleiss_kappa(counted_calls(*OBSERVERS), np.arange(12)).value == approx(0.76117, abs=5e-6)


def test_fleiss_kappa_without_gaps_is_statsmodels() -> None:
    rng = np.random.default_rng(10)
    for _ in range(20):
        counts = rng.multinomial(5, rng.dirichlet([1, 1, 1]), 50)
        assert fleiss_kappa(counts, np.arange(50)).value == approx(inter_rater.fleiss_kappa(counts))


def test_alpha_of_krippendorffs_examples() -> None:
    assert krippendorff_alpha(counted_calls(*OBSERVERS), np.arange(12)).value == approx(0.743421, abs=5e-7)
    # The same paper, example B: two observers, nominal, printed .692
    two = counted_calls("a a b b d c c c e d d a", "b a b b b c c c e d d d")
    assert krippendorff_alpha(two, np.arange(12)).value == approx(0.691964, abs=5e-7)
    # ... and example A: ten binary units, printed .095
    binary = counted_calls("0 1 0 0 0 0 0 0 1 0", "1 1 1 0 0 1 0 0 0 0")
    assert krippendorff_alpha(binary, np.arange(10)).value == approx(0.095238, abs=5e-7)


def test_alphas_own_sums_over_plates_give_the_packages_alpha() -> None:
    rng = np.random.default_rng(11)
    counts = rng.multinomial(1, [0.5, 0.3, 0.2], (200, 4)).sum(axis=1) * (rng.random((200, 1)) < 0.9)
    counts[:, 0] += rng.integers(0, 3, 200)
    used = counts[counts.sum(axis=1) > 1]
    callers = used.sum(axis=1)
    apart = (callers**2 - (used**2).sum(axis=1)) / (callers - 1)
    sums = np.column_stack([apart, used]).sum(axis=0)[None]
    expected = krippendorff.alpha(value_counts=used, level_of_measurement="nominal")
    assert statistics._alpha(sums)[0] == approx(expected)


def test_many_callers_with_one_call_or_few_marks_get_no_number() -> None:
    for coefficient in (fleiss_kappa, krippendorff_alpha):
        constant = coefficient(np.array([[3, 0]] * 40), np.arange(40))
        assert constant.value is None
        assert "one call only" in constant.note
        few = coefficient(np.array([[2, 1]] * (MARKS_MIN - 1)), np.arange(MARKS_MIN - 1))
        assert few.value is None
        assert "too few" in few.note
        alone = coefficient(np.array([[1, 0], [0, 1]] * 20), np.arange(40))
        assert alone.value is None


# ------------------------------------------------------------------------------------------ limits


def test_limits_of_blank_and_detection_by_ep17s_formulas() -> None:
    # CLSI EP17-A2's formulas on constructed results: LoB .608916 at c_p 1.692, LoD .874547 at c_p 1.68 as rounded there
    blanks = np.array([0.2, 0.5, 0.1, 0.4, 0.3, 0.0, 0.6, 0.3, 0.2, 0.4])
    low = np.array([1.2, 1.5, 1.1, 1.4, 1.3, 1.6, 1.4, 1.8, 1.5, 1.7, 1.0, 1.3, 0.9, 1.2, 1.1])
    blank = limit_of_blank(blanks, np.zeros(10, int))
    assert blank.mean == approx(0.3)
    assert blank.sd == approx(0.182574, abs=5e-7)
    assert blank.parametric == approx(0.608916, abs=5e-5)
    detection = limit_of_detection(low, np.repeat([0, 1, 2], 5), blank)
    assert detection.sd == approx(0.158114, abs=5e-7)
    assert detection.parametric == approx(0.874547, abs=1e-4)


@pytest.mark.parametrize(("degrees", "factor"), [(9, 1.6920), (20, 1.6658), (55, 1.6525), (95, 1.6493)])
def test_ep17s_factor(degrees: int, factor: float) -> None:
    assert corrected_quantile(0.95, degrees) == approx(factor, abs=2e-4)  # EP17 rounds the quantile to 1.645


def test_limit_of_blank_by_rank() -> None:
    # EP17: rank .5 + .95 x 60 = 57.5, between the 57th and the 58th of .1 ... 6.0
    found = limit_of_blank(np.arange(1, 61) / 10, np.arange(60))
    assert found.ranked == approx(5.75)


def test_limits_keep_their_promise_on_normal_heights() -> None:
    rng = np.random.default_rng(12)
    blanks, low = rng.normal(0.001, 0.002, 4000), rng.normal(0.009, 0.002, (500, 4)).ravel()
    blank = limit_of_blank(blanks, np.arange(4000))
    assert blank.parametric is not None
    assert (rng.normal(0.001, 0.002, 200_000) > blank.parametric).mean() == approx(0.05, abs=0.005)
    assert blank.ranked == approx(blank.parametric, abs=3e-4)
    found = limit_of_detection(low, np.repeat(np.arange(500), 4), blank)
    assert found.parametric is not None
    missed = (rng.normal(found.parametric, 0.002, 200_000) < blank.parametric).mean()
    assert missed == approx(0.05, abs=0.012)  # four standard errors of so many repeats
    assert found.ranked == approx(found.parametric, abs=0.0004)


def test_skewed_blanks_are_noticed() -> None:
    found = limit_of_blank(np.random.default_rng(13).exponential(1, 200), np.arange(200))
    assert "not normal" in found.note


def test_few_blanks_and_low_marks_measured_once_give_no_limit() -> None:
    few = limit_of_blank(np.arange(9.0), np.arange(9))
    assert few.parametric is None
    assert "only 9 blanks" in few.note
    blank = limit_of_blank(np.random.default_rng(14).normal(0, 1, 100), np.arange(100))
    assert limit_of_detection(np.arange(50.0), np.arange(50), few).parametric is None
    once = limit_of_detection(np.arange(50.0), np.arange(50), blank)
    assert once.parametric is None
    assert "several times" in once.note
    strict = limit_of_blank(np.random.default_rng(14).normal(0, 1, 100), np.arange(100), 0.001)
    assert strict.ranked is None
    assert "500 blanks" in strict.note


# DIN 32645's own data, as the R package chemCal carries and computes them.
DIN_X = np.arange(1, 11, dtype=np.float64) * 0.05
DIN_Y = np.array([3060, 3522, 3707, 4280, 5058, 5510, 5703, 6205, 7156, 7178], np.float64)


def test_line_and_critical_value_of_din_32645() -> None:
    found = line_limits(DIN_X, DIN_Y, false_call=0.01, missed=0.01)
    assert found.intercept == approx(2480.8667, abs=5e-5)
    assert found.slope == approx(9661.9394, abs=5e-5)
    assert found.residual_sd == approx(192.2939, abs=5e-5)
    assert found.critical == approx(0.0698127, abs=5e-8)  # published .0698
    assert line_limits(DIN_X, DIN_Y).critical == approx(0.0448203, abs=5e-8)


@pytest.mark.parametrize(("chance", "detectable"), [(0.05, 0.0865548), (0.01, 0.132909)])
def test_detectable_value_of_din_32645(chance: float, detectable: float) -> None:
    # chemCal's figures; its optimiser stops early
    found = line_limits(DIN_X, DIN_Y, false_call=chance, missed=chance)
    assert found.detectable_din == approx(detectable, abs=1e-4)


def test_detectable_value_of_iso_11843_is_missed_as_often_as_stated() -> None:
    found = line_limits(DIN_X, DIN_Y)
    # ISO 11843-2: delta(8; .05; .05) = 3.6171 (noncentral t) times residual SD / slope times 1.2110601
    assert found.detectable == approx(3.6171 * 192.2939 / 9661.9394 * 1.2110601, rel=2e-5)


def test_a_line_needs_results_and_a_slope() -> None:
    assert "are needed" in line_limits(np.array([0.0, 1.0]), np.array([0.0, 1.0])).note
    flat = line_limits(np.arange(10.0), np.array([1.0, -1.0] * 5))
    assert flat.critical is None
    assert "no rising line" in flat.note


# ------------------------------------------------------------------------------------------ components

# AIAG, Measurement Systems Analysis, 4th ed.: ten parts, three appraisers, three trials. Its analysis of variance:
# mean squares of parts 9.81799, appraisers 1.58363, interaction .01994, equipment .04598 (figures from memory; that
# these data give them is checked below).
AIAG_TEXT = """
0.29 -0.56 1.34 0.47 -0.80 0.02 0.59 -0.31 2.26 -1.36
0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25
0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31
0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68
0.25 -1.22 0.94 1.03 -1.20 0.22 0.55 0.08 2.12 -1.62
0.07 -0.68 1.34 0.20 -1.28 0.06 0.83 -0.34 2.19 -1.50
0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49
-0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77
-0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16
"""
AIAG = np.array([float(word) for word in AIAG_TEXT.split()])
AIAG_PART, AIAG_APPRAISER = np.tile(np.arange(10), 9), np.repeat(np.arange(3), 30)


def mean_squares(
    y: NDArray[np.float64], item: NDArray[np.int64], condition: NDArray[np.int64]
) -> dict[str, float]:
    table = anova_lm(
        sm.OLS.from_formula("y ~ C(i) * C(c)", pd.DataFrame({"y": y, "i": item, "c": condition})).fit(), typ=1
    )
    return dict(zip(("item", "condition", "interaction", "within"), table["mean_sq"], strict=True))


def test_components_of_the_aiag_gauge_study() -> None:
    squares = mean_squares(AIAG, AIAG_PART, AIAG_APPRAISER)
    assert list(squares.values()) == approx([9.81799, 1.58363, 0.01994, 0.04598], abs=5e-6)
    found = variance_components(AIAG, AIAG_PART, AIAG_APPRAISER)
    assert found.repeatability == approx(math.sqrt(0.04598), abs=2e-5)
    assert found.condition == approx(math.sqrt((1.58363 - 0.01994) / 30), abs=2e-5)
    assert found.interaction == 0  # (.01994 - .04598) / 3 is negative
    assert found.items_sd == approx(math.sqrt((9.81799 - 0.01994) / 9), abs=2e-5)


def test_components_of_balanced_heights_follow_from_statsmodels_mean_squares() -> None:
    rng = np.random.default_rng(15)
    item, condition = (grid.ravel() for grid in np.meshgrid(np.arange(12), np.arange(4), indexing="ij"))
    item, condition = np.repeat(item, 3), np.repeat(condition, 3)
    y = (
        rng.normal(0, 2, 12)[item]
        + rng.normal(0, 1, 4)[condition]
        + rng.normal(0, 1, 48)[item * 4 + condition]
    )
    y += rng.normal(0, 0.5, len(y))
    squares = mean_squares(y, item, condition)
    found = variance_components(y, item, condition)
    assert found.repeatability == approx(math.sqrt(squares["within"]))
    assert found.interaction == approx(math.sqrt((squares["interaction"] - squares["within"]) / 3))
    assert found.condition == approx(math.sqrt((squares["condition"] - squares["interaction"]) / 36))


def unbalanced(
    rng: np.random.Generator, sds: tuple[float, float, float, float]
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]]:
    n, items, conditions = 400, 60, 6
    item, condition = rng.integers(0, items, n), rng.integers(0, conditions, n)
    effects = [
        rng.normal(0, sd, size)
        for sd, size in zip(sds, (items, conditions, items * conditions, n), strict=True)
    ]
    return (
        effects[0][item] + effects[1][condition] + effects[2][item * conditions + condition] + effects[3],
        item,
        condition,
    )


def test_components_of_unbalanced_heights_are_unbiased() -> None:
    rng = np.random.default_rng(16)
    truth = (3.0, 0.8, 0.6, 0.5)
    squares = []
    for _ in range(150):
        found = variance_components(*unbalanced(rng, truth))
        sds = [found.items_sd, found.condition, found.interaction, found.repeatability]
        squares.append([sd**2 for sd in sds if sd is not None])
        assert len(squares[-1]) == 4
    mean, error = np.mean(squares, axis=0), np.std(squares, axis=0) / math.sqrt(150)
    assert np.abs(mean - np.square(truth)) == approx(0, abs=4 * error.max())
    assert (np.abs(mean - np.square(truth)) < 4 * error).all()


def test_components_of_unbalanced_heights_are_near_statsmodels_reml() -> None:
    heights, item, condition = unbalanced(np.random.default_rng(17), (1.0, 0.5, 0.3, 0.2))
    data = pd.DataFrame({"y": heights, "one": 1.0, "i": item, "c": condition, "ic": item * 6 + condition})
    model = sm.MixedLM.from_formula(
        "y ~ 1",
        data,
        groups="one",
        re_formula="0",
        vc_formula={name: f"0 + C({name})" for name in ("i", "c", "ic")},
    )
    fit = model.fit()
    found = variance_components(heights, item, condition)
    named = dict(zip(model.exog_vc.names, np.sqrt(fit.vcomp), strict=True))
    assert found.repeatability == approx(math.sqrt(fit.scale), rel=0.05)
    assert found.interaction == approx(named["ic"], rel=0.15)
    assert found.condition == approx(named["c"], rel=0.15)
    assert found.items_sd == approx(named["i"], rel=0.05)


def test_components_do_not_depend_on_order_names_or_zero() -> None:
    rng = np.random.default_rng(18)
    heights, item, condition = unbalanced(rng, (1.0, 0.5, 0.3, 0.2))
    order = rng.permutation(len(heights))
    first = variance_components(heights, item, condition)
    other = variance_components(heights[order] + 7, 100 - item[order], condition[order] * 3)
    assert [other.condition, other.interaction] == approx([first.condition, first.interaction])
    assert other.repeatability == approx(first.repeatability)


def test_what_photos_do_not_tell_of_components_is_said() -> None:
    rng = np.random.default_rng(19)
    item = np.repeat(np.arange(20), 3)
    heights = rng.normal(size=60)
    assert (
        "no mark was photographed again"
        in variance_components(heights, np.arange(60), np.zeros(60, int)).note
    )
    one = variance_components(heights, item, np.zeros(60, int))
    assert one.repeatability is not None
    assert one.condition is None
    assert "one condition" in one.note
    nested = variance_components(heights, item, item % 2)
    assert (nested.condition, "cannot be compared" in nested.note) == (None, True)
    never_again = variance_components(heights, item, np.tile([0, 1, 2], 20))
    assert (never_again.repeatability, "fewer than 10" in never_again.note) == (None, True)


# ------------------------------------------------------------------------------------------ ROC

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


# ------------------------------------------------------------------------------------------ the extra


def test_a_missing_package_is_told_with_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(name: str) -> None:
        raise ModuleNotFoundError(f"No module named {name!r}", name=name)

    statistics.extra.cache_clear()
    monkeypatch.setattr(statistics, "import_module", missing)
    with pytest.raises(statistics.MissingExtraError, match=r'scipy.* pip install "linecall\[library\]"'):
        statistics.extra("scipy")
    statistics.extra.cache_clear()
