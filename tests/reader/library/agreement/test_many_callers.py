"""Fleiss and Krippendorff against published worked examples."""

import math

import krippendorff
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats
from statsmodels.stats import inter_rater

from reader.library.agreement.by_plate import MARKS_MIN
from reader.library.agreement.many_callers import fleiss_kappa, krippendorff_alpha

approx = pytest.approx


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


def test_alphas_interval_is_the_jackknife_of_the_packages_alpha_over_plates() -> None:
    rng = np.random.default_rng(11)
    counts = rng.multinomial(1, [0.5, 0.3, 0.2], (200, 4)).sum(axis=1) * (rng.random((200, 1)) < 0.9)
    counts[:, 0] += rng.integers(0, 3, 200)
    plate = np.arange(200) // 8
    found = krippendorff_alpha(counts, plate)
    # Shao and Tu 1995: the delete-one-plate jackknife, here by the package itself
    left = np.array(
        [
            krippendorff.alpha(value_counts=counts[plate != one], level_of_measurement="nominal")
            for one in range(25)
        ]
    )
    reach = stats.t.ppf(0.975, 24) * math.sqrt(24 / 25 * ((left - left.mean()) ** 2).sum())
    assert found.value is not None
    assert found.by_plate == approx((found.value - reach, found.value + reach))


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
