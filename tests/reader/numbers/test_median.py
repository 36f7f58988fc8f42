"""Medians and quantiles against NumPy's own."""

import numpy as np
import pytest

from reader.numbers.median import median, medians, quantile, quantiles

SIZES = (1, 2, 3, 8, 101, 5000)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("dtype", [np.float64, np.float32, np.uint8])
def test_median_and_quantiles_agree_with_numpy(size: int, dtype: type[np.generic]) -> None:
    values = np.random.default_rng(size).uniform(0, 255, size).astype(dtype)
    shares = np.array([0.0, 0.03, 0.25, 0.5, 0.98, 1.0])
    assert median(values) == pytest.approx(float(np.median(values)), rel=1e-6)
    assert quantiles(values, shares) == pytest.approx(np.quantile(values.astype(float), shares), rel=1e-6)
    assert quantile(values, 0.7) == pytest.approx(float(np.quantile(values.astype(float), 0.7)), rel=1e-6)


@pytest.mark.parametrize("size", SIZES)
def test_medians_are_those_of_the_last_axis(size: int) -> None:
    values = np.random.default_rng(size).normal(size=(3, 4, size))
    assert medians(values) == pytest.approx(np.median(values, axis=-1))


def test_the_median_of_nothing_is_no_number() -> None:
    assert np.isnan(median(np.zeros(0)))


def test_the_input_stays_as_it_was() -> None:
    values = np.array([3.0, 1.0, 2.0])
    _ = median(values), medians(values), quantile(values, 0.5)
    assert values.tolist() == [3.0, 1.0, 2.0]
