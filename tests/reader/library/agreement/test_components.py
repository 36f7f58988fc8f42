"""Components of variance against analysis of variance."""

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from numpy.typing import NDArray
from statsmodels.stats.anova import anova_lm

from reader.library.agreement.components import variance_components

approx = pytest.approx


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
