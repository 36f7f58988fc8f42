"""A rough plate pose drawn onto the plate's own edges: closest edges along normals, robust least squares.

The unknowns are those of a camera, not of a free homography: rotation, shift, focal length and one distortion, the last
two held by what phones have. So the plate's thickness is used: the side wall's lower edge is known for what it is.
"""

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.geometry import Camera, Points, camera_from, focal_from, turned
from reader.outline import Curve, outline_curve, window_curve
from reader.settings import Layout

Pixels = NDArray[np.uint8] | NDArray[np.uint16]

# Main cameras of phones see 45 to 75 degrees across the long side, zoomed or cropped ones less (common practice, no source);
# as the natural logarithm of focal length over long side, one standard deviation.
FOCAL_PRIOR = (0.0, 0.22)
# Distortion left by phones' own correction: some pixels at the frame's edge (common practice, no source).
BEND_PRIOR = (0.0, 0.02)
# The openings' rims lie outside the membrane by a bevel that no layout gives, mm.
RIM_PRIOR = (0.5, 0.3)
EDGE_SE_MM = 0.15


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Edges:
    """What may be seen of a layout: points (n, 2) mm at the top face, normals, part and weight (n,).

    part: as in `Curve` for the outline, 10 + 4 w + side for window w. rim (n,): 1 where the edge moves out with the bevel.
    """

    points: Points
    normals: Points
    part: NDArray[np.int64]
    rim: Points
    weight: Points


def edges_of(layout: Layout, *, step: float) -> Edges:
    """Sample a layout's outline and window rims every `step` mm (rims at the membrane's edge, to be moved out)."""
    outer = outline_curve(layout.outline, step=step)
    curves: list[Curve] = [outer]
    parts, rims = [outer.part], [np.zeros(len(outer.points))]
    for w, window in enumerate(layout.window):
        curve = window_curve(window, step=step)
        curves.append(curve)
        parts.append(10 + 4 * w + curve.part)
        rims.append(np.ones(len(curve.points)))
    rim = np.concatenate(rims)
    # The openings together count as much as the outline does, whatever their number.
    weight = np.where(rim > 0, np.minimum(1.0, len(outer.points) / max(1.0, rim.sum())), 1.0)
    return Edges(
        points=np.concatenate([c.points for c in curves]),
        normals=np.concatenate([c.normals for c in curves]),
        part=np.concatenate(parts),
        rim=rim,
        weight=weight,
    )


def edge_strength(
    pixels: Pixels, points: Points, normals: Points, *, reach: float, step: float, blur: float, along: int
) -> tuple[Points, NDArray[np.float32]]:
    """Change of brightness and colour across curves in a picture.

    points, normals : (n, 2) px, normals of unit length; reach, step, blur : px along the normal; along : number of
    neighbouring points averaged. Returns offsets (m,) px along the normal, and strength (n, m) in codes per blur
    length (8-bit codes; 16-bit pixels are brought to the same scale). Outside the frame the edge pixels repeat.
    """
    half = max(2, round(reach / step))
    offsets = np.arange(-half, half + 1) * step
    at = points[:, None, :] + offsets[None, :, None] * normals[:, None, :]
    maps = at.astype(np.float32)
    # Regions of a picture beyond 32767 px cannot be remapped by OpenCV; photos that large are refused before.
    sampled = cv2.remap(pixels, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    values = sampled.astype(np.float32)
    if pixels.dtype == np.uint16:
        values /= 257.0
    sigma = blur / step
    k = int(np.ceil(2.5 * sigma))
    t = np.arange(-k, k + 1)
    kernel = t * np.exp(-0.5 * (t / sigma) ** 2)
    kernel /= np.abs(kernel).sum() / 2
    box = np.full(along, 1.0 / along)
    change = cv2.sepFilter2D(values, cv2.CV_32F, kernel, box, borderType=cv2.BORDER_REPLICATE)
    strength = np.sqrt(np.einsum("nmc,nmc->nm", change, change))
    return offsets, np.asarray(strength, np.float32)


def seen_edges(camera: Camera, points: Points, normals: Points) -> tuple[Points, Points, Points]:
    """Where edge points (n, 2) mm with their normals appear: px (n, 2), unit normals there (n, 2), px per mm along them (n,)."""
    tangents = np.stack([-normals[:, 1], normals[:, 0]], axis=1)
    seen = camera.project(points)
    ahead = camera.project(points + 0.1 * tangents) - seen
    out = camera.project(points + 0.1 * normals) - seen
    normal = np.stack([ahead[:, 1], -ahead[:, 0]], axis=1)
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-9)[:, None]
    span = np.einsum("ij,ij->i", normal, out)
    return seen, normal * np.where(span < 0, -1.0, 1.0)[:, None], np.maximum(np.abs(span) / 0.1, 1e-3)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Fit:
    """A refined pose: camera in full-size px, rim: bevel of the openings, mm, rms of the edges' distances, mm."""

    camera: Camera
    rim: float
    residual_mm: float
    used: float


def _moved(camera: Camera, pivot: Points, step: Points) -> Camera:
    """The camera after a small step: turn (3,) about the plate's middle, the middle's place (2,) and size in the
    picture, focal length at that same size, distortion. So the unknowns hardly depend on one another."""
    middle = camera.rotation[:, :2] @ pivot + camera.shift
    rotation = turned(camera, step[:3])
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


# Sizes of the numerical derivatives' steps, about half a pixel each: radians, shares of the focal length, logarithms.
STEPS = np.array([3e-4, 3e-4, 3e-4, 3e-4, 3e-4, 3e-4, 1e-3, 1e-3])


def fit_edges(
    pixels: Pixels,
    layout: Layout,
    camera: Camera,
    *,
    rim: float,
    reduction: float,
    gates_mm: tuple[float, ...],
    step_mm: float,
    blur_px: float,
    focal_prior: tuple[float, float],
    tilt_se: float | None = None,
) -> Fit | None:
    """Refine a camera on a picture that is `reduction` times smaller than the camera's.

    gates_mm: for each round, how far from its predicted place an edge is looked for (one standard deviation).
    focal_prior: natural log of the focal length in px and its standard deviation.
    tilt_se: standard deviation, radians, of the plate's tilt as it comes, where something holds it (the card).
    Returns None where too few edges are found or the plate would be seen from behind.
    """
    edges = edges_of(layout, step=step_mm)
    bottom = layout.outline.thickness
    outer = edges.rim == 0
    floor = (reduction - 1) / 2
    pivot = np.array([layout.outline.width, layout.outline.height]) / 2
    upright = camera.rotation[:, 2]
    residual_mm, used = np.inf, 0.0
    for gate in gates_mm:
        points = edges.points + (rim * edges.rim)[:, None] * edges.normals
        seen, normal, px_per_mm = seen_edges(camera, points, edges.normals)
        if not np.isfinite(normal).all():
            return None
        typical = float(np.median(px_per_mm)) / reduction
        reach = min(2.5 * gate, 5.0) * typical
        sample_step = max(0.5, reach / 40)
        offsets, strength = edge_strength(
            pixels,
            (seen - floor) / reduction,
            normal,
            reach=reach,
            step=sample_step,
            blur=max(blur_px, sample_step),
            along=3,
        )
        offset_mm = offsets[None, :] * reduction / px_per_mm[:, None]
        noise = float(np.median(strength[:, : max(1, len(offsets) // 3)])) + 0.5
        peak = np.zeros(strength.shape, bool)
        peak[:, 1:-1] = (strength[:, 1:-1] >= strength[:, :-2]) & (strength[:, 1:-1] > strength[:, 2:])
        weight = np.where(peak, strength / (strength + 4 * noise), 0.0) * np.exp(
            -0.5 * (offset_mm / gate) ** 2
        )
        # The wall's lower edge is another line: what lies nearer to it is not the top face's.
        wall = np.einsum("ij,ij->i", camera.project(points, bottom) - seen, normal) / px_per_mm
        lower = outer & (wall > 0.4)
        near_wall = lower[:, None] & (np.abs(offset_mm - wall[:, None]) < np.abs(offset_mm))
        weight[near_wall] = 0.0
        best = weight.argmax(axis=1)
        rows = np.arange(len(best))
        trust = weight[rows, best] * edges.weight
        if (trust > 0.05).sum() < 24:
            return None
        k = np.clip(best, 1, len(offsets) - 2)
        a, b, c = strength[rows, k - 1], strength[rows, k], strength[rows, k + 1]
        bend = a - 2 * b + c
        shift = np.where(bend < 0, 0.5 * (a - c) / np.where(bend < 0, bend, -1.0), 0.0)
        target = (offsets[k] + np.clip(shift, -0.5, 0.5) * sample_step) * reduction
        # Linear in the unknowns around here: distance of edge from curve, mm.
        sizes = STEPS
        jacobian = np.empty((len(points), 9))
        for i in range(8):
            change = np.zeros(8)
            change[i] = sizes[i]
            moved = _moved(camera, pivot, change).project(points)
            jacobian[:, i] = np.einsum("ij,ij->i", moved - seen, normal) / px_per_mm
        sizes = np.append(sizes, 1.0)
        jacobian[:, 8] = edges.rim
        aim = target / px_per_mm
        prior_se = np.array([np.inf] * 6 + [focal_prior[1], BEND_PRIOR[1], RIM_PRIOR[1]])
        prior_gap = np.array(
            [0.0] * 6
            + [focal_prior[0] - np.log(camera.focal), BEND_PRIOR[0] - camera.bend, RIM_PRIOR[0] - rim]
        )
        scale = max(0.12, 0.35 * gate)
        held = np.zeros((9, 9))
        held_right = np.zeros(9)
        if tilt_se is not None:
            lean = np.zeros((3, 9))
            lean[:, :3] = np.cross(np.eye(3), camera.rotation[:, 2]).T * sizes[:3] / tilt_se
            held = lean.T @ lean
            held_right = lean.T @ (upright - camera.rotation[:, 2]) / tilt_se
        delta = np.zeros(9)
        effective = 30.0 / max(1.0, float(trust.sum()))
        for _ in range(6):
            gap = aim - jacobian @ delta
            w = trust / (1 + (gap / scale) ** 2) ** 2 * effective / EDGE_SE_MM**2
            normal_matrix = (jacobian * w[:, None]).T @ jacobian + np.diag(sizes**2 / prior_se**2) + held
            right = jacobian.T @ (w * aim) + sizes * prior_gap / prior_se**2 + held_right
            try:
                delta = np.linalg.solve(normal_matrix + 1e-9 * np.diag(np.diag(normal_matrix)), right)
            except np.linalg.LinAlgError:
                return None
        change = delta * sizes
        if not np.isfinite(change).all() or np.abs(change[:3]).max() > 0.5:
            return None
        camera = _moved(camera, pivot, change[:8])
        rim = float(np.clip(rim + change[8], 0.0, 1.5))
        gap = aim - jacobian @ delta
        inlier = trust * (np.abs(gap) < 3 * scale)
        residual_mm = float(np.sqrt((inlier * gap**2).sum() / max(inlier.sum(), 1e-9)))
        used = float(((trust > 0.05) & (np.abs(gap) < scale)).mean())
        if camera.rotation[2, 2] <= 0.2 or camera.shift[2] <= 0:
            return None
    return Fit(camera=camera, rim=rim, residual_mm=residual_mm, used=used)


def first_camera(homography: Points, *, centre: Points, focal_prior: tuple[float, float]) -> Camera | None:
    """A camera that sees a plane by a homography: the focal length as the perspective says, as far as it can be trusted."""
    mean, se = focal_prior
    implied = focal_from(homography, centre)
    log_focal = mean if implied is None else float(np.clip(np.log(implied[0]), mean - se, mean + se))
    return camera_from(homography, focal=float(np.exp(log_focal)), centre=centre)


POINT_SE_PX = 1.0


def fit_points(
    camera: Camera, points: Points, seen: Points, *, focal_prior: tuple[float, float]
) -> tuple[Camera, Points] | None:
    """Refine a camera on known points: (n, 2) mm and where they were seen, (n, 2) px; robust least squares.

    Returns the camera and each point's miss (n,) in mm, or None where it does not converge.
    """
    pivot = points.mean(axis=0)
    prior_se = np.array([np.inf] * 6 + [focal_prior[1], BEND_PRIOR[1]])
    for _ in range(8):
        at = camera.project(points)
        gap = seen - at
        scale = 3.0 * POINT_SE_PX + 1.5 * float(np.median(np.abs(gap)))
        weight = np.repeat(1 / (1 + np.einsum("ij,ij->i", gap, gap) / scale**2), 2) / POINT_SE_PX**2
        jacobian = np.empty((2 * len(points), 8))
        for i in range(8):
            step = np.zeros(8)
            step[i] = STEPS[i]
            jacobian[:, i] = (_moved(camera, pivot, step).project(points) - at).ravel() / STEPS[i]
        prior_gap = np.array([0.0] * 6 + [focal_prior[0] - np.log(camera.focal), BEND_PRIOR[0] - camera.bend])
        normal_matrix = (jacobian * weight[:, None]).T @ jacobian + np.diag(1 / prior_se**2)
        try:
            change = np.linalg.solve(
                normal_matrix, jacobian.T @ (weight * gap.ravel()) + prior_gap / prior_se**2
            )
        except np.linalg.LinAlgError:
            return None
        if not np.isfinite(change).all() or np.abs(change[:3]).max() > 1.0:
            return None
        camera = _moved(camera, pivot, change)
        if camera.rotation[2, 2] <= 0.2 or camera.shift[2] <= 0:
            return None
    at = camera.project(points)
    px_per_mm = np.linalg.norm(camera.project(points + [1.0, 0.0]) - at, axis=1)
    return camera, np.asarray(np.linalg.norm(seen - at, axis=1) / np.maximum(px_per_mm, 1e-6), np.float64)
