from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from reader.locate.geometry import (
    Camera,
    apply,
    camera_from,
    focal_from,
    homography_between,
    px_per_mm_at,
    scaled,
    signed_area,
    turned,
)
from reader.locate.sight import N_STEPS, changes_of, moved

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


def _camera(tilt: float, *, focal: float = 3000.0, distance: float = 300.0) -> Camera:
    a = np.radians(tilt)
    rotation = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    shift = np.array([0, 0, distance]) - rotation[:, :2] @ [56.0, 33.0]
    return Camera(rotation=rotation, shift=shift, focal=focal, centre=np.array([2000.0, 1500.0]))


@pytest.mark.parametrize("tilt", [5.0, 20.0, 45.0])
def test_camera_comes_back_from_its_own_homography(tilt: float) -> None:
    camera = _camera(tilt)
    h = camera.plane()
    implied = focal_from(h, camera.centre)
    assert implied is not None
    assert implied[0] == pytest.approx(camera.focal, rel=1e-6)
    back = camera_from(h, focal=camera.focal, centre=camera.centre)
    assert back is not None
    assert_allclose(back.position_mm(), camera.position_mm(), atol=1e-6)
    assert back.tilt() == pytest.approx(tilt, abs=1e-6)
    assert back.position_mm()[2] > 0


def test_a_plane_seen_square_on_tells_no_focal_length() -> None:
    assert focal_from(_camera(0.0).plane(), [2000.0, 1500.0]) is None


# Geometry: a plane h nearer to a camera at distance D is larger by D / (D - h).
@pytest.mark.parametrize(("distance", "factor"), [(200.0, 1.02564), (300.0, 1.01695), (400.0, 1.01266)])
def test_a_raised_plane_is_larger_by_its_nearness(distance: float, factor: float) -> None:
    camera = _camera(0.0, distance=distance)
    middle = [56.0, 33.0]
    ratio = px_per_mm_at(camera.plane(-5.0), middle) / px_per_mm_at(camera.plane(), middle)
    assert ratio == pytest.approx(factor, abs=1e-5)


# Geometry: the shift of a raised plane is h tan t, foreshortened by cos t as the plane is.
@pytest.mark.parametrize(("tilt", "shift"), [(5, 0.437), (10, 0.882), (20, 1.820), (30, 2.887)])
def test_a_raised_plane_shifts_by_thickness_times_the_tilts_tangent(tilt: float, shift: float) -> None:
    far = _camera(tilt, distance=3e5, focal=3e6)
    middle = np.array([[56.0, 33.0]])
    seen = far.project(middle, -5.0) - far.project(middle)
    per_mm = far.project(middle + np.array([0.0, 1.0])) - far.project(middle)
    assert abs(seen[0, 1] / per_mm[0, 1]) == pytest.approx(shift, abs=0.002)


def test_distortion_moves_points_outwards_more_the_farther_they_are() -> None:
    camera = _camera(0.0)
    bent = Camera(
        rotation=camera.rotation, shift=camera.shift, focal=camera.focal, centre=camera.centre, bend=0.02
    )
    points = np.array([[56.0, 33.0], [80.0, 33.0], [110.0, 33.0]])
    moved = np.linalg.norm(bent.project(points) - camera.project(points), axis=1)
    assert moved[0] == pytest.approx(0, abs=1e-9)
    assert all(a < b for a, b in pairwise(moved))


def test_derivatives_of_a_camera_agree_with_small_steps() -> None:
    upright = Camera(
        rotation=np.eye(3),
        shift=np.array([-20.0, 10, 200]),
        focal=2000,
        centre=np.array([1000.0, 700]),
        bend=-0.05,
    )
    camera = replace(upright, rotation=turned(upright, [0.3, -0.2, 0.5]))
    points = np.random.default_rng(0).uniform(0, 80, (6, 2))
    pivot = np.array([40.0, 15])
    changes = changes_of(camera, pivot, points)
    for step, change in zip(np.eye(N_STEPS) * 1e-6, changes, strict=True):
        ahead, back = (moved(camera, pivot, sign * step).project(points) for sign in (1, -1))
        assert_allclose(change, (ahead - back) / 2e-6, rtol=1e-5, atol=1e-3)
