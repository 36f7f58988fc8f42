"""Cameras fitted to points whose places in mm are known: markers, a plate's corners, openings."""

import numpy as np

from reader.locate.camera import Camera, camera_from, focal_from
from reader.locate.camera_steps import N_STEPS, changes_of, move_camera
from reader.locate.priors import Priors
from reader.numbers.geometry import Matrix, Points
from reader.numbers.median import median

POINT_SE_PX = 1.0
"""How well a point's place in the picture is known, one standard deviation, px."""
MOST_ROUNDS = 8
"""Steps until it converges, at most."""
MOST_TURN = 1.0
"""A step that turns the camera further than this, radians, does not converge."""
SETTLED = 1e-4
"""A step smaller than this in all unknowns is the last."""


def first_camera(homography: Matrix, priors: Priors) -> Camera | None:
    """A camera that sees a plane by a homography (3, 3), mm to px: the focal length as the perspective says, as far
    as it can be trusted; None where the plane would be seen from behind or edge-on.
    """
    mean, se = priors.focal
    implied = focal_from(homography, priors.centre)
    log_focal = mean if implied is None else float(np.clip(np.log(implied[0]), mean - se, mean + se))
    return camera_from(homography, focal=float(np.exp(log_focal)), centre=priors.centre)


def fit_points(camera: Camera, points: Points, seen: Points, priors: Priors) -> tuple[Camera, Points] | None:
    """Refine a camera on known points: (n, 2) mm and where they were seen, (n, 2) px; robust least squares.

    Returns the camera and each point's miss (n,) in mm, or None where it does not converge.
    """
    pivot = points.mean(axis=0)
    for _ in range(MOST_ROUNDS):
        at = camera.project(points)
        gap = seen - at
        scale = 3.0 * POINT_SE_PX + 1.5 * median(np.abs(gap))
        weight = np.repeat(1 / (1 + np.einsum("ij,ij->i", gap, gap) / scale**2), 2) / POINT_SE_PX**2
        jacobian = changes_of(camera, pivot, points).reshape(N_STEPS, -1).T
        held, prior_gap = priors.pull_lens(camera)
        normal_matrix = (jacobian * weight[:, None]).T @ jacobian + np.diag(held)
        try:
            change = np.linalg.solve(normal_matrix, jacobian.T @ (weight * gap.ravel()) + held * prior_gap)
        except np.linalg.LinAlgError:
            return None
        if not np.isfinite(change).all() or np.abs(change[:3]).max() > MOST_TURN:
            return None
        camera = move_camera(camera, pivot, np.asarray(change, np.float64))
        if camera.rotation[2, 2] <= 0.2 or camera.shift[2] <= 0:
            return None
        if np.abs(change).max() < SETTLED:
            break
    at = camera.project(points)
    px_per_mm = np.linalg.norm(camera.project(points + np.array([1.0, 0.0])) - at, axis=1)
    return camera, np.asarray(np.linalg.norm(seen - at, axis=1) / np.maximum(px_per_mm, 1e-6), np.float64)
