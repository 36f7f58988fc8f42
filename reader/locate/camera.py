"""The pinhole camera that looks along +z at a plate, and the cameras that a map of a plane can come from."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike

from reader.numbers.geometry import Matrix, Points


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Camera:
    """A pinhole camera that looks at a plane: where plate mm (x, y, depth below the top face) fall in the
    picture.

    rotation (3, 3) and shift (3,) mm take plate coordinates to the camera's; focal in px; centre (2,) px;
    bend: radial distortion, the relative shift outwards at one focal length off the axis.
    """

    rotation: Matrix
    shift: Points
    focal: float
    centre: Points
    bend: float = 0.0

    def project(self, points: ArrayLike, depth: float = 0.0) -> Points:
        """Pixels (n, 2) of plate points (n, 2) mm that lie `depth` mm below the top face."""
        p = np.asarray(points, np.float64)
        seen = p @ self.rotation[:, :2].T + (self.shift + depth * self.rotation[:, 2])
        flat = seen[:, :2] / seen[:, 2:]
        bent = flat * (1 + self.bend * np.einsum("ij,ij->i", flat, flat))[:, None]
        return np.asarray(self.focal * bent + self.centre, np.float64)

    def plane(self, depth: float = 0.0) -> Matrix:
        """Homography (3, 3) of the plane `depth` mm below the top face, distortion left out."""
        k = np.array([[self.focal, 0, self.centre[0]], [0, self.focal, self.centre[1]], [0, 0, 1]])
        r = self.rotation
        h = k @ np.stack([r[:, 0], r[:, 1], self.shift + depth * r[:, 2]], axis=1)
        return np.asarray(h / h[2, 2], np.float64)

    def position_mm(self) -> Points:
        """Camera centre (3,) in plate mm: x right, y down, and height ABOVE the top face."""
        x, y, depth = -self.rotation.T @ self.shift
        return np.array([x, y, -depth])

    def tilt(self) -> float:
        """Angle between the optical axis and the plate's normal, degrees."""
        return float(np.degrees(np.arccos(np.clip(abs(self.rotation[2, 2]), 0, 1))))


def focal_from(homography: ArrayLike, centre: ArrayLike) -> tuple[float, float] | None:
    """Focal length (px) that a plane's homography (mm to px) implies, and its weight.

    Square pixels and a known principal point leave one unknown, and the two columns of a rotation are
    orthogonal and of one length: two equations in 1/f^2, solved by least squares (Zhang, "A flexible new
    technique for camera calibration", IEEE PAMI 22, 2000, section 3.1). The weight grows with the perspective
    and is 0 where there is none.
    """
    cx, cy = np.asarray(centre, np.float64)
    h = np.array([[1, 0, -cx], [0, 1, -cy], [0, 0, 1]]) @ np.asarray(homography, np.float64)
    size = np.linalg.norm(h[:2, :2])
    if size == 0:
        return None
    a, b = h[:, 0] / size, h[:, 1] / size
    lhs = np.array([a[0] * b[0] + a[1] * b[1], a[0] ** 2 + a[1] ** 2 - b[0] ** 2 - b[1] ** 2])
    rhs = -np.array([a[2] * b[2], a[2] ** 2 - b[2] ** 2])
    strength = float(lhs @ lhs)
    if strength < 1e-12:
        return None
    squared = float(lhs @ lhs) / float(lhs @ rhs) if abs(float(lhs @ rhs)) > 1e-18 else -1.0
    if squared <= 0:
        return None
    return float(np.sqrt(squared)), strength


def camera_from(homography: ArrayLike, *, focal: float, centre: ArrayLike) -> Camera | None:
    """The camera that sees the plate's top face by a homography (mm to px), for a given focal length (px).

    Returns None where the plane would be seen from behind or edge-on.
    """
    cx, cy = np.asarray(centre, np.float64)
    inverse_k = np.array([[1 / focal, 0, -cx / focal], [0, 1 / focal, -cy / focal], [0, 0, 1]])
    m = inverse_k @ np.asarray(homography, np.float64)
    if np.linalg.det(m) < 0:
        m = -m
    length = (np.linalg.norm(m[:, 0]) + np.linalg.norm(m[:, 1])) / 2
    if not np.isfinite(length) or length == 0:
        return None
    m = m / length
    if m[2, 2] <= 0:
        return None
    u, _, vt = np.linalg.svd(np.stack([m[:, 0], m[:, 1], np.cross(m[:, 0], m[:, 1])], axis=1))
    rotation = u @ np.diag([1.0, 1.0, np.linalg.det(u @ vt)]) @ vt
    return Camera(rotation=rotation, shift=m[:, 2], focal=focal, centre=np.asarray(centre, np.float64))


def cameras_from_affine(
    linear: ArrayLike, at_mm: ArrayLike, seen: ArrayLike, *, focal: float, centre: ArrayLike
) -> tuple[Camera, Camera]:
    """The two cameras that see a small part of a plane by an affine map: tilted one way, and the other.

    linear (2, 2) : px per mm round the point at_mm (2,), which is seen at (2,) px. So near by, perspective
    does not show, and both tilts foreshorten alike; off the axis that holds for a camera turned to the point.
    """
    c = np.asarray(centre, np.float64)
    ray = np.append((np.asarray(seen, np.float64) - c) / focal, 1.0)
    distance = float(np.linalg.norm(ray))
    ray = ray / distance
    axis = np.cross(ray, (0.0, 0.0, 1.0))
    sine = float(np.linalg.norm(axis))
    angle = float(np.arctan2(sine, ray[2]))
    towards = np.asarray(cv2.Rodrigues(axis / max(sine, 1e-12) * angle)[0], np.float64)
    # How the turned camera would see the same map, px of a picture with the same focal length.
    across = towards @ np.concatenate([np.eye(2) / focal, np.zeros((1, 2))])
    turned_map = focal * across[:2] * distance**-1 @ np.asarray(linear, np.float64)
    u, (large, small), vt = np.linalg.svd(turned_map)
    flip_u, flip_v = np.linalg.det(u), np.linalg.det(vt)
    left, right = np.eye(3), np.eye(3)
    left[:2, :2], right[:2, :2] = u, vt
    left[2, 2], right[2, 2] = flip_u, flip_v
    cos = small / large
    sin = float(np.sqrt(max(0.0, 1 - cos**2)))
    mm = np.asarray(at_mm, np.float64)
    cameras = []
    for lean in (sin, -sin):
        tilt = np.array([[1, 0, 0], [0, cos, -lean], [0, lean, cos]])
        rotation = towards.T @ left @ tilt @ right
        shift = focal / large * ray - rotation[:, :2] @ mm
        cameras.append(Camera(rotation=rotation, shift=shift, focal=focal, centre=c))
    return cameras[0], cameras[1]
