"""Small steps of a camera, and how a plate's points and edges move in the picture by them."""

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import ArrayLike

from reader.locate.camera import Camera
from reader.numbers.geometry import Matrix, Points

N_STEPS = 8
"""A camera's unknowns, as `move_camera` takes them."""


def move_camera(camera: Camera, pivot: Points, step: Points) -> Camera:
    """The camera after a small step (8,): turn (3,) about the plate's middle, the middle's place (2,) and size in the
    picture, focal length at that same size, distortion. So the unknowns hardly depend on one another.
    """
    middle = camera.rotation[:, :2] @ pivot + camera.shift
    rotation = turn_camera(camera, step[:3])
    focal = float(camera.focal * np.exp(np.clip(step[6], -0.3, 0.3)))
    depth = float(middle[2] * focal / camera.focal * np.exp(-step[5]))
    at = middle[:2] / middle[2] * camera.focal + step[3:5] * camera.focal
    middle = np.array([at[0] / focal * depth, at[1] / focal * depth, depth])
    return replace(
        camera,
        rotation=rotation,
        shift=middle - rotation[:, :2] @ pivot,
        focal=focal,
        bend=float(camera.bend + step[7]),
    )


def turn_camera(camera: Camera, turn: ArrayLike) -> Matrix:
    """The camera's rotation followed by a small one, given as a rotation vector (3,) in radians."""
    return np.asarray(cv2.Rodrigues(np.asarray(turn, np.float64))[0] @ camera.rotation, np.float64)


def changes_of(camera: Camera, pivot: Points, points: Points) -> Points:
    """How points (n, 2) mm move in the picture, px, per unit of each of the unknowns of `move_camera`: (8, n, 2)."""
    middle = camera.rotation[:, :2] @ pivot + camera.shift
    from_middle = (points - pivot) @ camera.rotation[:, :2].T
    x, y, z = from_middle.T
    depth = middle[2]
    at = (from_middle + middle).T
    flat = at[:2] / at[2]
    u, v = flat
    across = np.zeros((7, 3, len(x)))
    across[0, 1], across[0, 2] = -z, y
    across[1, 0], across[1, 2] = z, -x
    across[2, 0], across[2, 1] = -y, x
    across[3, 0] = across[4, 1] = across[6, 2] = depth
    across[5] = -middle[:, None]
    change = (across[:, :2] - across[:, 2:] * flat) / at[2]
    square = u * u + v * v
    bent = np.empty((N_STEPS, 2, len(x)))
    bent[:7] = change * (1 + camera.bend * square)
    bent[:7] += 2 * camera.bend * (change[:, :1] * u + change[:, 1:] * v) * flat
    bent[6] += flat * (1 + camera.bend * square)
    bent[7] = flat * square
    return np.asarray(camera.focal * bent.transpose(0, 2, 1))


def jacobian_of(camera: Camera, pivot: Points, points: Points, outwards: Points) -> Points:
    """How far (k, 8) points move, mm outwards, per unit of each of the camera's unknowns."""
    return np.asarray(np.einsum("snj,nj->ns", changes_of(camera, pivot, points), outwards), np.float64)


def project_edges(camera: Camera, points: Points, normals: Points) -> tuple[Points, Points, Points]:
    """Where edge points (n, 2) mm with their normals appear: px (n, 2), unit normals there (n, 2), px per mm
    along them (n,).
    """
    tangents = np.stack([-normals[:, 1], normals[:, 0]], axis=1)
    seen = camera.project(points)
    ahead = camera.project(points + 0.1 * tangents) - seen
    out = camera.project(points + 0.1 * normals) - seen
    normal = np.stack([ahead[:, 1], -ahead[:, 0]], axis=1)
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-9)[:, None]
    span = np.einsum("ij,ij->i", normal, out)
    return seen, normal * np.where(span < 0, -1.0, 1.0)[:, None], np.maximum(np.abs(span) / 0.1, 1e-3)
