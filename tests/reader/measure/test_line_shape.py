import numpy as np
from numpy.testing import assert_allclose
from scipy import special

from reader.measure.line_shape import line_shape


def test_a_line_is_a_box_blurred_by_a_gaussian() -> None:
    x = np.linspace(-3, 3, 601)
    for width, blur in ((1.0, 0.1), (1.0, 0.3), (0.7, 0.5)):
        scale = blur * np.sqrt(2)
        exact = special.erf((x + width / 2) / scale) - special.erf((x - width / 2) / scale)
        assert_allclose(line_shape(x, width, blur), exact / exact.max(), atol=1e-4)
