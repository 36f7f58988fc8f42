"""Limits of blank and detection against published worked examples."""

import numpy as np
import pytest

from reader.library.agreement.detection import (
    corrected_quantile,
    limit_of_blank,
    limit_of_detection,
    line_limits,
)

approx = pytest.approx


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
