"""Shares and their intervals against published tables."""

import numpy as np
import pytest
from scipy import stats

from reader.library.agreement.by_plate import MARKS_MIN
from reader.library.agreement.rates import marks_to_show, most_that_may_err, proportion_interval, rate

approx = pytest.approx


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
