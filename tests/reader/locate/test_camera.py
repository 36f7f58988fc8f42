from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from numpy.testing import assert_allclose

from reader.locate.camera import Camera, camera_from, focal_from
from reader.locate.camera_steps import N_STEPS, changes_of, move_camera, turn_camera
from reader.numbers.geometry import px_per_mm_at


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
    camera = replace(upright, rotation=turn_camera(upright, [0.3, -0.2, 0.5]))
    points = np.random.default_rng(0).uniform(0, 80, (6, 2))
    pivot = np.array([40.0, 15])
    changes = changes_of(camera, pivot, points)
    for step, change in zip(np.eye(N_STEPS) * 1e-6, changes, strict=True):
        ahead, back = (move_camera(camera, pivot, sign * step).project(points) for sign in (1, -1))
        assert_allclose(change, (ahead - back) / 2e-6, rtol=1e-5, atol=1e-3)
