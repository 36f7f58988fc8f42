import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reader.numbers.geometry import apply, homography_between, scaled, signed_area

# Computed with OpenCV, scikit-image and a plain linear solve, which agree to 1e-9.
SQUARE = np.array([[0, 0], [100, 0], [100, 100], [0, 100]], float)
SEEN = np.array([[10, 20], [110, 10], [120, 130], [5, 115]], float)
PUBLISHED = np.array(
    [
        [0.786446886446886, -0.0556776556776557, 10],
        [-0.119413919413919, 0.819413919413919, 20],
        [-0.00194139194139194, -0.00113553113553114, 1],
    ]
)


def test_homography_of_four_points_is_the_published_one() -> None:
    h = homography_between(SQUARE, SEEN)
    assert h is not None
    assert_allclose(h, PUBLISHED, atol=1e-9)
    assert_allclose(apply(h, [50, 50]), [55, 65], atol=1e-9)
    assert_allclose(apply(h, [25, 75]), [29.4186046512, 90.5813953488], atol=1e-9)
    assert_allclose(apply(h, [50, 0]), [54.624746450, 15.537525355], atol=1e-8)


def test_homography_of_the_unit_square_is_the_one_worked_by_hand() -> None:
    h = homography_between(
        [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]], [[0.0, 0.0], [2.0, 0.0], [1.5, 1.0], [0.5, 1.0]]
    )
    assert h is not None
    assert_allclose(h, [[2, 1, 0], [0, 2, 0], [0, 1, 1]], atol=1e-12)
    assert_allclose(apply(h, [0.5, 0.5]), [1, 2 / 3], atol=1e-12)


def test_card_points_fall_where_opencv_and_scikit_image_put_them() -> None:
    markers = [[16, 16], [194, 16], [194, 132], [16, 132]]
    h = homography_between(markers, [[400, 300], [3600, 420], [3480, 2600], [520, 2500]])
    assert h is not None
    assert_allclose(
        apply(h, [[105, 74], [155, 134], [49, 41]]),
        [[2004.018265, 1497.805847], [2832.920148, 2612.971474], [1013.091902, 825.319631]],
        atol=1e-5,
    )


@given(
    st.lists(st.tuples(st.floats(-30, 30), st.floats(-30, 30)), min_size=4, max_size=4),
    st.integers(0, 2**32 - 1),
)
@settings(max_examples=50, deadline=None)
def test_homography_agrees_with_scikit_image(shifts: list[tuple[float, float]], seed: int) -> None:
    # scikit-image (BSD-3-Clause), transform.ProjectiveTransform: the same least squares, normalised.
    from skimage.transform import ProjectiveTransform

    source = np.array([[0, 0], [200, 0], [200, 150], [0, 150]], float)
    target = source * 4 + np.array(shifts)
    theirs = ProjectiveTransform.from_estimate(source, target)  # type: ignore[no-untyped-call]
    h = homography_between(source, target)
    assert h is not None
    points = np.random.default_rng(seed).uniform(0, 150, (20, 2))
    assert_allclose(apply(h, points), theirs(points), atol=1e-6)


@pytest.mark.parametrize(
    "points",
    [
        [[0, 0], [1, 1], [2, 2], [5, 0]],
        [[0, 0], [0, 0], [1, 0], [0, 1]],
        [[0, 0], [1, 0], [1, 1]],
        [[np.nan, 0], [1, 0], [1, 1], [0, 1]],
    ],
)
def test_points_that_determine_no_homography_give_none(points: list[list[float]]) -> None:
    assert homography_between(points, SEEN[: len(points)]) is None


def test_scaling_keeps_pixel_centres() -> None:
    # The centre of the reduced picture's first pixel is the middle of the 3 x 3 block it came from.
    assert_allclose(apply(scaled(np.eye(3), 3), [[0, 0], [1, 2]]), [[1, 1], [4, 7]])
    assert_allclose(apply(scaled(np.eye(3), 1 / 3), [[1, 1], [4, 7]]), [[0, 0], [1, 2]], atol=1e-12)


def test_corners_clockwise_as_seen_have_positive_area() -> None:
    assert signed_area([[0, 0], [3, 0], [3, 2], [0, 2]]) == 6
    assert signed_area([[0, 0], [0, 2], [3, 2], [3, 0]]) == -6
