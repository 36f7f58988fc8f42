"""Pooled standard deviations against ISO 5725-5's Algorithm S, and a plate on which one window is odd."""

import numpy as np
import pytest
from scipy import stats

from reader.numbers.spread import robust_pool

# ISO 5725-5:1998, the creosote example: ranges of two results in nine laboratories, % creosote.
CREOSOTE_RANGES = np.array([0.28, 0.49, 0.40, 0.00, 0.35, 1.98, 0.80, 0.32, 0.95])
# ISO 5725-5:1998, limit and correction factors of Algorithm S for one degree of freedom.
ETA, XI = 1.645, 1.097


def by_the_standard(deviations: np.ndarray, eta: float, xi: float) -> float:
    """Algorithm S word for word, for groups of one size."""
    pooled = float(np.median(deviations))
    for _ in range(200):
        pooled = xi * float(np.sqrt(np.mean(np.minimum(deviations, eta * pooled) ** 2)))
    return pooled


def test_the_standards_example_comes_out_as_by_its_own_factors() -> None:
    deviations = CREOSOTE_RANGES / np.sqrt(2)
    pooled, drawn = robust_pool(deviations, np.ones(9))
    # Wilson and Hilferty's chi-square is 1.2 % off at one degree of freedom.
    assert pooled == pytest.approx(by_the_standard(deviations, ETA, XI), rel=0.04)
    assert np.flatnonzero(drawn < 1).tolist() == [5]


@pytest.mark.parametrize("freedom", [2.0, 3.5, 6.0, 12.0])
def test_normal_groups_keep_their_standard_deviation(freedom: float) -> None:
    random = np.random.default_rng(3)
    found = [
        robust_pool(np.sqrt(random.chisquare(freedom, 40) / freedom), np.full(40, freedom))[0] ** 2
        for _ in range(800)
    ]
    assert float(np.mean(found)) == pytest.approx(1.0, abs=0.03)


@pytest.mark.parametrize("freedom", [1.0, 2.0, 5.0, 10.0])
def test_the_limit_is_chi_squares_as_scipy_has_it(freedom: float) -> None:
    eta = float(np.sqrt(stats.chi2.ppf(0.9, freedom) / freedom))
    beyond = 20 * eta
    # Twenty groups of deviation 1 hold the pool; the odd one is drawn down to the limit.
    pooled, drawn = robust_pool([*np.ones(20), beyond], np.full(21, freedom))
    assert drawn[-1] * beyond / pooled == pytest.approx(eta, rel=0.015)


def test_one_odd_group_hardly_widens_the_pool_where_a_plain_mean_would_treble_it() -> None:
    plain = float(np.sqrt(np.mean(np.array([1, 1, 1, 1, 1, 8.0]) ** 2)))
    pooled, drawn = robust_pool([1, 1, 1, 1, 1, 8.0], np.full(6, 4.0))
    assert plain > 3
    assert pooled < 1.2
    assert drawn[:5].tolist() == [1.0] * 5


def test_groups_alike_are_pooled_as_they_are() -> None:
    pooled, drawn = robust_pool([2.0, 2.0, 2.0], [3.0, 8.0, 4.0])
    assert 2.0 <= pooled < 2.15
    assert (drawn == 1).all()
