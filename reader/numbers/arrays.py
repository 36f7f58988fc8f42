"""Types of the arrays that measuring is done in."""

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
SingleArray = NDArray[np.float32]
Picture = NDArray[np.uint8]
Interval = tuple[float, float]
"""From and to."""
