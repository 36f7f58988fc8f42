import pytest
from scipy import stats

from reader.numbers.student import t_quantile


@pytest.mark.parametrize("freedom", [6, 8, 12, 20, 40, 200])
def test_t_quantiles_agree_with_scipy(freedom: int) -> None:
    for p in (0.9, 0.95, 0.99, 0.995, 0.999, 0.9995):
        assert t_quantile(p, freedom) == pytest.approx(stats.t.ppf(p, freedom), rel=0.01)


def test_t_quantiles_agree_with_din_32645() -> None:
    assert t_quantile(0.99, 8) == pytest.approx(
        2.896459, rel=1e-3
    )  # DIN 32645's example, n = 10, alpha = .01
