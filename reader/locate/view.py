"""The picture as the plate is looked for in it: the photo itself, or a copy reduced by a whole factor."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.numbers.geometry import Matrix, Points, scaled
from reader.numbers.median import quantile

Pixels = NDArray[np.uint8] | NDArray[np.uint16]

REDUCED_SIDE = 900
"""The plate is looked for in a copy reduced by a whole factor to about this many px along the long side."""
REDUCED_BLUR_PX = 1.2
"""The reduced copy's edges are about so blurred, px."""
DIM = 160.0
"""A darker photo's copy is brightened to here, 8-bit code of its brightest parts."""
MOST_GAIN = 6.0
"""But at most this many times."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class View:
    """A picture that shows what the photo shows, `factor` times smaller: pixels (h, w, 3) BGR; blur_px of its edges,
    one standard deviation, px of its own.

    A pixel of it covers factor x factor of the photo's, and centres are whole numbers in both.
    """

    pixels: Pixels
    factor: int
    blur_px: float

    def to_view(self, points: Points) -> Points:
        """Points (..., 2) of the photo, px, in px of the view."""
        return (points - (self.factor - 1) / 2) / self.factor

    def to_full(self, points: Points) -> Points:
        """Points (..., 2) of the view in px of the photo."""
        return points * self.factor + (self.factor - 1) / 2

    def map_to_view(self, mm_to_px: Matrix) -> Matrix:
        """A homography (3, 3) into the photo, as one into the view."""
        return scaled(mm_to_px, 1 / self.factor)

    def map_to_full(self, mm_to_px: Matrix) -> Matrix:
        """A homography (3, 3) into the view, as one into the photo."""
        return scaled(mm_to_px, self.factor)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class ReducedCopy(View):
    """The copy in which everything coarse happens: 8-bit, no darker than a well exposed photo; grey (h, w) as well."""

    pixels: NDArray[np.uint8]
    grey: NDArray[np.uint8]


def reduce_photo(pixels: Pixels) -> ReducedCopy:
    """Reduce a photo's pixels (h, w, 3) to about REDUCED_SIDE px along the long side."""
    height, width = pixels.shape[:2]
    factor = max(1, round(max(height, width) / REDUCED_SIDE))
    # Whole blocks only, so that the two grids stay aligned; halves are much the fastest.
    copy: NDArray[Any] = pixels[: height // factor * factor, : width // factor * factor]
    left = factor
    while left > 1:
        by = 2 if left % 2 == 0 else left
        copy = cv2.resize(copy, (copy.shape[1] // by, copy.shape[0] // by), interpolation=cv2.INTER_AREA)
        left //= by
    if copy.dtype == np.uint16:
        copy = cv2.convertScaleAbs(copy, alpha=1 / 257.0)
    small = np.asarray(copy, np.uint8)
    grey = np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY), np.uint8)
    # The steps that look for edges expect those of a well exposed photo.
    brightest = quantile(grey[::4, ::4], 0.98)
    if brightest < DIM:
        gain = min(MOST_GAIN, DIM / max(brightest, 1.0))
        small = np.asarray(cv2.convertScaleAbs(small, alpha=gain), np.uint8)
        grey = np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY), np.uint8)
    return ReducedCopy(pixels=small, grey=grey, factor=factor, blur_px=REDUCED_BLUR_PX)
