"""Colour and shape as witnesses: likelihood ratios against numbers worked out by hand or by another library."""

import math

import numpy as np
import pytest
from scipy.special import erf as scipy_erf
from scipy.stats import multivariate_normal

from reader.measure.line_shape import DYE, LUMA, line_shape
from reader.measure.witness import EdgeCheck, check_edge, dye_evidence, dye_share, which_dye

X = (np.arange(80) + 0.5) * 3 / 16
LINE = line_shape(X - 6.0, 1.0, 0.2)
SIGMA = 0.002


def smooth_projection() -> np.ndarray:
    """Inverse covariance of white noise and a smooth baseline, a straight line projected out."""
    apart = X[:, None] - X[None]
    inverse = np.linalg.inv(np.eye(80) + 100 * np.exp(-0.5 * (apart / 4) ** 2))
    trend = np.stack([np.ones(80), X - X.mean()], axis=1)
    weighted = inverse @ trend
    return np.asarray(inverse - weighted @ np.linalg.solve(trend.T @ weighted, weighted.T))


PROJECTED = smooth_projection()


def edge(at_mm: float, depth: float, sigma_mm: float = 0.35) -> np.ndarray:
    return np.asarray(depth * 0.5 * (1 + scipy_erf((X - at_mm) / math.sqrt(2) / sigma_mm)))


def checked(profile: np.ndarray, seed: int) -> EdgeCheck:
    noise = np.random.default_rng(seed).normal(0, SIGMA, 80)
    return check_edge(X, profile + noise, PROJECTED, LINE, place_mm=6.0, sigma=SIGMA)


@pytest.mark.parametrize(("profile", "height"), [(0 * X, 0.0), (0.01 * LINE, 0.01), (0.05 * LINE, 0.05)])
def test_where_no_edge_is_the_height_and_its_error_are_those_of_the_line_alone(
    profile: np.ndarray, height: float
) -> None:
    found = [checked(profile, seed) for seed in range(200)]
    plain = SIGMA / math.sqrt(LINE @ PROJECTED @ LINE)
    assert np.mean([one.height for one in found]) == pytest.approx(height, abs=4 * plain / math.sqrt(200))
    assert np.std([one.height for one in found]) == pytest.approx(plain, rel=0.2)
    assert np.median([one.error for one in found]) == pytest.approx(plain, rel=0.2)


@pytest.mark.parametrize("at_mm", [5.3, 6.0, 6.7])
def test_what_an_edge_could_explain_lies_within_the_heights_error(at_mm: float) -> None:
    found = [checked(edge(at_mm, 0.02), seed) for seed in range(100)]
    assert np.mean([abs(one.height) < 3.5 * one.error for one in found]) > 0.9
    assert np.median([one.error for one in found]) > 2 * SIGMA / math.sqrt(LINE @ PROJECTED @ LINE)
    assert np.median([one.line_evidence for one in found]) < -5


def test_a_line_is_seldom_taken_for_an_edge() -> None:
    """Lines of twelve standard errors; the bar of the calls is a log likelihood ratio of -2."""
    evidence = [checked(0.016 * LINE, seed).line_evidence for seed in range(1000)]
    assert np.mean(np.array(evidence) < -2) < 0.002


def test_the_evidence_of_colour_is_the_ratio_of_two_normal_densities() -> None:
    """Against SciPy's multivariate normal, on the plane across luma's axis."""
    error = np.diag([1.0, 2.0, 4.0]) * 1e-6
    dye = DYE["red"]
    colour = 0.05 * dye / float(LUMA @ dye)
    tint = colour - 0.05
    across = np.linalg.svd(LUMA[None] / np.linalg.norm(LUMA))[2][1:]

    def density(residual: np.ndarray, covariance: np.ndarray) -> float:
        return float(
            multivariate_normal(np.zeros(2), across @ covariance @ across.T).logpdf(across @ residual)
        )

    neutral = density(tint, error + np.eye(3) * (0.12 * 0.05) ** 2)
    dyed = density(0.15 * tint, error + np.eye(3) * (0.15 * 0.05) ** 2 + 0.04 * np.outer(tint, tint))
    assert dye_evidence(colour, error, "red") == pytest.approx(dyed - neutral, abs=1e-3)
    assert dye_evidence(np.full(3, 0.05), error, "red") < 0 < dye_evidence(colour, error, "red")


@pytest.mark.parametrize(("dye", "other"), [("red", "blue"), ("blue", "red")])
def test_dyes_are_told_apart_where_half_of_their_colour_is_left_and_not_where_none_is(
    dye: str, other: str
) -> None:
    error = np.eye(3) * 0.002**2
    luma = 0.1
    tint = luma * DYE[dye] / float(LUMA @ DYE[dye]) - luma
    assert which_dye(luma + 0.5 * tint, error, dye, other) > 4
    assert abs(which_dye(np.full(3, luma), error, dye, other)) < 1
    assert dye_share(luma + 0.5 * tint, dye) == pytest.approx(0.5)


def test_a_line_beyond_the_rows_that_were_seen_is_as_unsure_as_without_an_edge() -> None:
    checked = check_edge(X, 0 * X, PROJECTED, LINE, place_mm=float(X[-1]) + 5, sigma=SIGMA)
    assert checked.error == pytest.approx(SIGMA / math.sqrt(LINE @ PROJECTED @ LINE), rel=1e-6)
