import cv2
import numpy as np
import pytest
from numpy.testing import assert_allclose

from reader.locate.view import REDUCED_SIDE, reduce_photo
from reader.numbers.geometry import apply


@pytest.mark.parametrize("factor", [1, 2, 3, 4, 6])
def test_a_spot_lies_where_the_conversions_put_it(factor: int) -> None:
    photo = np.zeros((600 * factor, REDUCED_SIDE * factor, 3), np.uint8)
    spot = np.array([437.0 * factor, 211.0 * factor])
    cv2.circle(photo, (round(spot[0]), round(spot[1])), 9 * factor, (200, 200, 200), -1)
    copy = reduce_photo(photo)
    assert copy.factor == factor
    weight = copy.grey.astype(np.float64)
    rows, columns = np.indices(weight.shape)
    seen = np.array([(weight * axis).sum() for axis in (columns, rows)]) / weight.sum()
    assert_allclose(seen, copy.to_view(spot), atol=0.05)
    assert_allclose(copy.to_full(copy.to_view(spot)), spot, atol=1e-9)


def test_points_and_maps_are_converted_alike() -> None:
    copy = reduce_photo(np.zeros((1800, 2700, 3), np.uint8))
    mm_to_px = np.array([[20.0, 1.0, 300.0], [-1.0, 19.0, 400.0], [1e-4, 2e-4, 1.0]])
    points = np.array([[0.0, 0.0], [31.0, 7.0], [90.0, 60.0]])
    seen = apply(mm_to_px, points)
    assert_allclose(apply(copy.map_to_view(mm_to_px), points), copy.to_view(seen), atol=1e-9)
    assert_allclose(apply(copy.map_to_full(copy.map_to_view(mm_to_px)), points), seen, atol=1e-9)


def test_a_dark_photo_is_brightened_to_what_edges_are_sought_in() -> None:
    dark = np.full((90, 90, 3), 40, np.uint16) * 257
    assert reduce_photo(dark).grey.max() == pytest.approx(160, abs=1)
