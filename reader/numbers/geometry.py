"""Points of planes and the maps between them, and the convention that all modules follow.

Points are (x, y) with y down; whole numbers are pixel CENTRES; arrays are indexed [row, column]. Plate
millimetres start at the top-left of the outline's bounding box, x right, y down. A third axis that completes x and y
to a right-handed frame points INTO the plate, so depths below the top face are positive. Corners go clockwise as
seen: top-left, top-right, bottom-right, bottom-left in the plate's own order.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Points = NDArray[np.float64]
Matrix = NDArray[np.float64]


def apply(homography: ArrayLike, points: ArrayLike) -> Points:
    """Map points (..., 2) by a homography (3, 3); same shape back, float64."""
    h = np.asarray(homography, np.float64)
    p = np.asarray(points, np.float64)
    mapped = p @ h[:, :2].T + h[:, 2]
    return np.asarray(mapped[..., :2] / mapped[..., 2:], np.float64)


def homography_between(source: ArrayLike, target: ArrayLike) -> Matrix | None:
    """Homography (3, 3), last entry 1, that maps four or more points (n, 2) to others, least squares.

    Returns None where the points do not determine one (three on a line, or the fit failed).
    """
    src = np.asarray(source, np.float64).reshape(-1, 2)
    dst = np.asarray(target, np.float64).reshape(-1, 2)
    if len(src) < 4 or not (np.isfinite(src).all() and np.isfinite(dst).all()):
        return None
    to_unit_src, to_unit_dst = _to_unit(src), _to_unit(dst)
    if to_unit_src is None or to_unit_dst is None:
        return None
    (x, y), (u, v) = apply(to_unit_src, src).T, apply(to_unit_dst, dst).T
    one, zero = np.ones_like(x), np.zeros_like(x)
    rows = np.concatenate(
        [
            np.stack([x, y, one, zero, zero, zero, -u * x, -u * y, -u], axis=1),
            np.stack([zero, zero, zero, x, y, one, -v * x, -v * y, -v], axis=1),
        ]
    )
    # Four points leave eight rows, whose null vector only the full form has.
    _, singular, vectors = np.linalg.svd(rows, full_matrices=len(rows) < 9)
    if singular[7] < 1e-9 * singular[0]:
        return None
    unit = vectors[8].reshape(3, 3)
    if abs(np.linalg.det(unit)) < 1e-12:
        return None
    h = np.linalg.inv(to_unit_dst) @ unit @ to_unit_src
    if abs(h[2, 2]) < 1e-12 * np.abs(h).max():
        return None
    return np.asarray(h / h[2, 2], np.float64)


def _to_unit(points: Points) -> Matrix | None:
    """Similarity that centres points and scales their mean distance to sqrt 2 (Hartley's normalisation)."""
    centre = points.mean(axis=0)
    spread = float(np.linalg.norm(points - centre, axis=1).mean())
    if spread == 0:
        return None
    scale = np.sqrt(2) / spread
    return np.array([[scale, 0, -scale * centre[0]], [0, scale, -scale * centre[1]], [0, 0, 1]])


def px_per_mm_at(mm_to_px: ArrayLike, point: ArrayLike) -> float:
    """Local scale of a homography at a point, px per mm: the root of the area ratio."""
    h = np.asarray(mm_to_px, np.float64)
    x, y = np.asarray(point, np.float64)
    w = h[2] @ (x, y, 1.0)
    return float(np.sqrt(abs(np.linalg.det(h) / w**3)))


def scaled(mm_to_px: ArrayLike, factor: float) -> Matrix:
    """Homography into a picture reduced by a whole factor, turned into one into the full picture (or back:
    1/f).

    A pixel of the reduced picture covers factor x factor full pixels, and centres are whole numbers in both.
    """
    shift = (factor - 1) / 2
    return np.array([[factor, 0, shift], [0, factor, shift], [0, 0, 1]]) @ np.asarray(mm_to_px, np.float64)


def signed_area(corners: ArrayLike) -> float:
    """Area of a polygon (n, 2), px squared; positive when its corners go clockwise as seen (y down)."""
    x, y = np.asarray(corners, np.float64).T
    return float(0.5 * np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))
