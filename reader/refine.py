"""A rough plate pose drawn onto the plate's own edges: closest edges along normals, robust least squares.

The unknowns are those of a camera, not of a free homography: rotation, shift, focal length and one
distortion, the last two held by what phones have. So the plate's thickness is used: the side wall's lower
edge is known for what it is.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.geometry import Camera, Points, camera_from, focal_from, turned
from reader.outline import outline_curve, window_curve
from reader.settings import Layout

Pixels = NDArray[np.uint8] | NDArray[np.uint16]

# Main cameras of phones see 45 to 75 degrees across the long side, zoomed or cropped ones less (common
# practice, no source); as the natural logarithm of focal length over long side, one standard deviation.
FOCAL_PRIOR = (0.0, 0.22)
# Distortion left by phones' own correction: some pixels at the frame's edge (common practice, no source).
BEND_PRIOR = (0.0, 0.02)
EDGE_SE_MM = 0.15

# A moulded edge is rounded: it shows two lines, where the rounding starts on the top face and where it ends.
# Their places, mm outwards from the nominal edge (outline, membrane), and how sure; each photo settles its
# own. Roundings of about half a millimetre and draughted openings are common practice in moulding, no source.
ROUNDING_MM = 0.5
LINE_OFFSETS = np.array([-0.55, -0.10, 0.47, 0.03, 0.0])
LINE_SES = np.array([0.15, 0.08, 0.15, 0.10, 0.10])
# The face is smooth: a line with another edge this much nearer to the face's middle is something else, mm.
START_CLEARANCE_MM, END_CLEARANCE_MM = 0.3, 0.8
OUTLINE_START, OUTLINE_END, RIM_START, RIM_END, BOTTOM = range(5)
N_UNKNOWNS = 8 + len(LINE_OFFSETS)
# A side wall shows once it stands out this far beyond the silhouette, mm.
LEAST_WALL_MM = 0.15
# An outline's end is its silhouette and always there; where its rounding starts shows in some lights only.
SURENESS = (0.4, 1.0, 1.0)
VOTE_BLUR_MM = 0.12
# Openings are looked for this far from where the outline puts them, mm; nearer than the slack they may lie
# off; elsewhere they have to find this many times the lines. The stretch of face beside an edge that must be
# smooth, mm; how many times clearer than all on it the edge has to be.
FACE_BAND_MM = (0.9, 2.4)
STANDS_OUT = 1.3
OPENING_DEPTH_MM = 1.2
OPENING_REACH_MM, OPENING_SLACK_MM, OPENING_GAIN = 5.0, 0.8, 1.05


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Edges:
    """What may be seen of a layout: points (n, 2) mm on its nominal edges with their normals; outer (n,): the
    outline's; side (n,): which of the outline's straight sides, as in `Curve`, -1 for all else; window (n,):
    which opening, -1 for the outline, and which of its sides.
    """

    points: Points
    normals: Points
    outer: NDArray[np.bool_]
    side: NDArray[np.int64]
    window: NDArray[np.int64]
    rim_side: NDArray[np.int64]
    weight: Points


@lru_cache(maxsize=32)
def edges_of(layout: Layout, *, step: float) -> Edges:
    """Sample a layout's outline and its membranes' edges every `step` mm."""
    outline = outline_curve(layout.outline, step=step)
    curves = [outline] + [window_curve(window, step=step) for window in layout.window]
    counts = [len(c.points) for c in curves]
    inner = sum(counts[1:])
    # The openings together count at most as much as the outline does, whatever their number.
    share = np.full(counts[0] + inner, min(1.0, counts[0] / inner) * 1.5)
    share[: counts[0]] = 1.0
    return Edges(
        points=np.concatenate([c.points for c in curves]),
        normals=np.concatenate([c.normals for c in curves]),
        outer=np.arange(counts[0] + inner) < counts[0],
        side=np.concatenate([outline.part, np.full(inner, -1)]),
        rim_side=np.concatenate([c.part for c in curves]),
        window=np.repeat(np.arange(-1, len(layout.window)), counts),
        weight=share,
    )


def edge_strength(
    pixels: Pixels, points: Points, normals: Points, *, reach: float, step: float, blur: float, along: int
) -> tuple[Points, NDArray[np.float32]]:
    """Change of brightness and colour across curves in a picture.

    points, normals : (n, 2) px, normals of unit length; reach, step, blur : px along the normal; along :
    number of neighbouring points averaged. Returns offsets (m,) px along the normal, and strength (n, m) in
    codes per blur length (8-bit codes; 16-bit pixels are brought to the same scale). Outside the frame the
    edge pixels repeat.
    """
    half = max(2, round(reach / step))
    offsets = np.asarray(np.arange(-half, half + 1) * step, np.float64)
    at = points[:, None, :] + offsets[None, :, None] * normals[:, None, :]
    maps = at.astype(np.float32)
    # Regions of a picture beyond 32767 px cannot be remapped by OpenCV; photos that large are refused before.
    sampled = cv2.remap(pixels, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    values = np.asarray(sampled, np.float32)
    if pixels.dtype == np.uint16:
        values = values / 257.0
    sigma = blur / step
    k = int(np.ceil(2.5 * sigma))
    t = np.arange(-k, k + 1, dtype=np.float64)
    kernel = t * np.exp(-0.5 * (t / sigma) ** 2)
    kernel = kernel / (np.abs(kernel).sum() / 2)
    box = np.full(along, 1.0 / along)
    change = cv2.sepFilter2D(values, cv2.CV_32F, kernel, box, borderType=cv2.BORDER_REPLICATE)
    strength = np.sqrt(np.einsum("nmc,nmc->nm", change, change))
    return offsets, np.asarray(strength, np.float32)


def seen_edges(camera: Camera, points: Points, normals: Points) -> tuple[Points, Points, Points]:
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


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Fit:
    """A refined pose: camera in full-size px; lines (4,): offsets of the edges' lines, mm; rms distance of
    edges, mm.
    """

    camera: Camera
    lines: Points
    residual_mm: float
    used: float
    rims: float
    sides: Points
    support: float


def _moved(camera: Camera, pivot: Points, step: Points) -> Camera:
    """The camera after a small step: turn (3,) about the plate's middle, the middle's place (2,) and size in
    the picture, focal length at that same size, distortion. So the unknowns hardly depend on one another.
    """
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


# Sizes of the numerical derivatives' steps, about half a pixel each: radians, shares of the focal length,
# logarithms.
STEPS = np.array([3e-4, 3e-4, 3e-4, 3e-4, 3e-4, 3e-4, 1e-3, 1e-3])


def fit_edges(
    pixels: Pixels,
    layout: Layout,
    camera: Camera,
    *,
    lines: Points = LINE_OFFSETS,
    reduction: float,
    gates_mm: tuple[float, ...],
    step_mm: float,
    blur_px: float,
    focal_prior: tuple[float, float],
    tilt_se: float | None = None,
) -> Fit | None:
    """Refine a camera on a picture that is `reduction` times smaller than the camera's.

    gates_mm: for each round, how far from its predicted place an edge is looked for (one standard deviation).
    focal_prior: natural log of the focal length in px and its standard deviation. tilt_se: standard
    deviation, radians, of the plate's tilt as it comes, where something holds it (the card). Returns None
    where too few edges are found or the plate would be seen from behind.
    """
    edges = edges_of(layout, step=step_mm)
    pivot = np.array([layout.outline.width, layout.outline.height]) / 2
    upright = camera.rotation[:, 2]
    fit = None
    for gate in gates_mm:
        view = _look(
            pixels,
            edges,
            camera,
            thickness=layout.outline.thickness,
            lines=lines,
            reach_mm=min(2.0 * gate, 4.0) + 0.6,
            reduction=reduction,
            blur_px=blur_px,
        )
        if view is None:
            return None
        jacobian = _jacobian(edges, camera, pivot, view)
        held, held_right = _held(camera, lines, focal_prior, upright, tilt_se)
        rows = _match(view, edges, gate, reduction)
        if (rows.trust > 0.05).sum() < 24:
            return None
        full = np.zeros((len(rows.aim), N_UNKNOWNS))
        full[:, :8] = jacobian[rows.point]
        full[np.arange(len(full)), 8 + rows.line] = 1.0
        scale = max(0.10, 0.35 * gate)
        effective = 30.0 / max(1.0, float(rows.trust.sum())) / EDGE_SE_MM**2
        change = np.zeros(N_UNKNOWNS)
        for _ in range(5):
            gap = rows.aim - full @ change
            w = rows.trust / (1 + (gap / scale) ** 2) ** 2 * effective
            normal_matrix = _gram(full, w) + held
            try:
                change[:] = np.linalg.solve(normal_matrix, full.T @ (w * rows.aim) + held_right)
            except np.linalg.LinAlgError:
                return None
        if not np.isfinite(change).all() or np.abs(change[:3]).max() > 0.5:
            return None
        camera = _moved(camera, pivot, change[:8])
        if camera.rotation[2, 2] <= 0.2 or camera.shift[2] <= 0:
            return None
        lines = lines + change[8:]
        gap = rows.aim - full @ change
        inlier = rows.trust * (np.abs(gap) < 3 * scale)
        hit = (rows.trust > 0.05) & (np.abs(gap) < scale)
        shown = np.bincount(rows.point[hit], minlength=len(jacobian)) > 0
        fit = Fit(
            camera=camera,
            lines=lines,
            residual_mm=float(np.sqrt((inlier * gap**2).sum() / max(inlier.sum(), 1e-9))),
            support=float(
                (rows.trust * np.exp(-0.5 * (gap / VOTE_BLUR_MM) ** 2)).reshape(3, -1).max(axis=0).sum()
                / len(jacobian)
            ),
            used=float(shown.mean()),
            rims=float(shown[~edges.outer].mean()),
            sides=np.array([shown[edges.side == i].mean() for i in range(5)]),
        )
    return fit


def vote_edges(
    pixels: Pixels,
    layout: Layout,
    camera: Camera,
    *,
    reduction: float,
    blur_px: float,
    focal_prior: tuple[float, float],
    tilt_se: float | None = None,
    rounds: Sequence[tuple[float, float]],
) -> Camera:
    """The camera, moved so that most edges find a line."""
    edges = edges_of(layout, step=2.0)
    pivot = np.array([layout.outline.width, layout.outline.height]) / 2
    upright = camera.rotation[:, 2]
    for reach_mm, blur_mm in rounds:
        view = _look(
            pixels,
            edges,
            camera,
            thickness=layout.outline.thickness,
            lines=LINE_OFFSETS,
            reach_mm=reach_mm + 1.2,
            reduction=reduction,
            blur_px=blur_px,
        )
        if view is None:
            return camera
        jacobian = _jacobian(edges, camera, pivot, view)
        held, _ = _held(camera, LINE_OFFSETS, focal_prior, upright, tilt_se)
        camera = _moved(
            camera, pivot, _other_lines(view, edges, jacobian, held, reach_mm, blur_mm, reduction)
        )
    return camera


def _gram(rows: Points, weight: Points) -> Points:
    """Weighted normal matrix of a tall matrix, in blocks so small that BLAS starts no threads: they cost more
    than they give.
    """
    blocks = -(-len(rows) // 128)
    padded = np.zeros((blocks * 128, rows.shape[1]))
    padded[: len(rows)] = rows * np.sqrt(weight)[:, None]
    stacked = padded.reshape(blocks, 128, -1)
    return np.asarray(np.matmul(stacked.transpose(0, 2, 1), stacked).sum(axis=0), np.float64)


def _held(
    camera: Camera, lines: Points, focal_prior: tuple[float, float], upright: Points, tilt_se: float | None
) -> tuple[Points, Points]:
    """What is known beforehand, as normal matrix (12, 12) and right-hand side (12,) for a step of all
    unknowns.
    """
    weight, gap = np.zeros(N_UNKNOWNS), np.zeros(N_UNKNOWNS)
    known = [
        (focal_prior[0] - np.log(camera.focal), focal_prior[1]),
        (BEND_PRIOR[0] - camera.bend, BEND_PRIOR[1]),
        *zip(LINE_OFFSETS - lines, LINE_SES, strict=True),
    ]
    for i, (aim, se) in enumerate(known):
        weight[6 + i] = se**-2
        gap[6 + i] = aim
    held, right = np.diag(weight), weight * gap
    if tilt_se is not None:
        lean = np.zeros((3, N_UNKNOWNS))
        lean[:, :3] = np.cross(np.eye(3), camera.rotation[:, 2]).T / tilt_se
        held = held + lean.T @ lean
        right = right + lean.T @ (upright - camera.rotation[:, 2]) / tilt_se
    return held, right


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _View:
    """What a picture shows around a layout's edges as a camera predicts them.

    seen, normal (n, 2) px and px_per_mm (n,), full size; strength (n, m) at `offsets` (m,), picture px along
    the normal, `step` apart; clear (n, m) and places (n,): for an edge's start, end and the side wall's lower
    edge how surely there is a line, and where it should lie, mm.
    """

    seen: Points
    normal: Points
    px_per_mm: Points
    offsets: Points
    step: float
    strength: NDArray[np.float32]
    clear: tuple[Points, Points, Points]
    places: tuple[Points, Points, Points]


def _look(
    pixels: Pixels,
    edges: Edges,
    camera: Camera,
    *,
    thickness: float,
    lines: Points,
    reach_mm: float,
    reduction: float,
    blur_px: float,
) -> _View | None:
    """Sample a picture along the normals of all edges, and rate every line that crosses them."""
    seen, normal, px_per_mm = seen_edges(camera, edges.points, edges.normals)
    if not (np.isfinite(normal).all() and np.isfinite(seen).all()):
        return None
    typical = float(np.median(px_per_mm)) / reduction
    reach = reach_mm * typical
    step = max(0.5, reach / 40)
    offsets, strength = edge_strength(
        pixels,
        (seen - (reduction - 1) / 2) / reduction,
        normal,
        reach=reach,
        step=step,
        blur=max(blur_px, step),
        along=3,
    )
    noise = float(np.median(strength[:, : max(1, len(offsets) // 3)])) + 0.5
    peak = np.zeros(strength.shape, bool)
    peak[:, 1:-1] = (strength[:, 1:-1] >= strength[:, :-2]) & (strength[:, 1:-1] > strength[:, 2:])
    clear = np.where(peak, strength / (strength + 4 * noise), 0.0)
    wall = np.einsum("ij,ij->i", camera.project(edges.points, thickness) - seen, normal) / px_per_mm
    lean = wall / thickness
    smooth = _smooth_so_far(clear, edges.outer)
    return _View(
        seen=seen,
        normal=normal,
        px_per_mm=px_per_mm,
        offsets=offsets,
        step=step,
        strength=strength,
        clear=(
            clear * _lagged(smooth, edges.outer, round(START_CLEARANCE_MM * typical / step)),
            clear * _lagged(smooth, edges.outer, round(END_CLEARANCE_MM * typical / step)),
            clear * (edges.outer & (wall > LEAST_WALL_MM + ROUNDING_MM * lean))[:, None],
        ),
        places=(
            np.where(edges.outer, lines[OUTLINE_START], lines[RIM_START]),
            np.where(
                edges.outer, lines[OUTLINE_END] + _silhouette(lean), lines[RIM_END] + ROUNDING_MM * lean
            ),
            wall + lines[BOTTOM],
        ),
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Rows:
    """Edges found: index of the sampled point, kind of line, distance from its predicted place, mm, and trust
    0..1.
    """

    point: NDArray[np.int64]
    line: NDArray[np.int64]
    aim: Points
    trust: Points


def _match(view: _View, edges: Edges, gate: float, reduction: float) -> _Rows:
    """For every sampled point and each of its lines the likeliest edge near by."""
    rows = np.arange(len(view.seen))
    offset_mm = (view.offsets * reduction)[None, :] / view.px_per_mm[:, None]
    best, trust, aim = [], [], []
    for place, clear, sure in zip(view.places, view.clear, SURENESS, strict=True):
        weight = (
            np.where(edges.outer, sure, 1.0)[:, None]
            * clear
            * np.exp(-0.5 * ((offset_mm - place[:, None]) / gate) ** 2)
        )
        k = np.clip(weight.argmax(axis=1), 1, len(view.offsets) - 2)
        a, b, c = (view.strength[rows, k + i] for i in (-1, 0, 1))
        bend = a - 2 * b + c
        shift = np.where(bend < 0, 0.5 * (a - c) / np.where(bend < 0, bend, -1.0), 0.0)
        target = (view.offsets[k] + np.clip(shift, -0.5, 0.5) * view.step) * reduction / view.px_per_mm
        best.append(k)
        trust.append(weight[rows, k] * edges.weight)
        aim.append(target - place)
    # One edge is one line: the nearest.
    for i, j in ((0, 1), (1, 2), (0, 2)):
        same = best[i] == best[j]
        first = np.abs(aim[i]) < np.abs(aim[j])
        trust[i] = np.where(same & ~first, 0.0, trust[i])
        trust[j] = np.where(same & first, 0.0, trust[j])
    start, end = np.where(edges.outer, OUTLINE_START, RIM_START), np.where(edges.outer, OUTLINE_END, RIM_END)
    return _Rows(
        point=np.tile(rows, 3),
        line=np.concatenate([start, end, np.full(len(rows), BOTTOM)]),
        aim=np.concatenate(aim),
        trust=np.concatenate(trust),
    )


def _jacobian(edges: Edges, camera: Camera, pivot: Points, view: _View) -> Points:
    """How far (n, 8) each edge moves along its normal, mm, per unit of each of the camera's unknowns."""
    jacobian = np.empty((len(view.seen), len(STEPS)))
    for i, size in enumerate(STEPS):
        step = np.zeros(len(STEPS))
        step[i] = size
        moved = _moved(camera, pivot, step).project(edges.points)
        jacobian[:, i] = np.einsum("ij,ij->i", moved - view.seen, view.normal) / view.px_per_mm / size
    return jacobian


def settle_openings(
    pixels: Pixels,
    layout: Layout,
    camera: Camera,
    *,
    reduction: float,
    blur_px: float,
    focal_prior: tuple[float, float],
    tilt_se: float | None = None,
) -> Camera | None:
    """The camera, moved so that the openings lie on openings; None where they do already.

    A shadow or another object's edge that runs along a side pulls the outline off; the openings then tell.
    Each is shifted as a whole to where most of its rim finds lines, and the sides give way.
    """
    edges = edges_of(layout, step=1.0)
    view = _look(
        pixels,
        edges,
        camera,
        thickness=layout.outline.thickness,
        lines=LINE_OFFSETS,
        reach_mm=OPENING_REACH_MM + 0.6,
        reduction=reduction,
        blur_px=blur_px,
    )
    if view is None:
        return None
    steps = np.arange(-OPENING_REACH_MM, OPENING_REACH_MM + 1e-9, 0.5)
    grid = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    near = np.hypot(*grid.T) <= OPENING_SLACK_MM
    n, m = view.strength.shape
    to_samples = view.px_per_mm / reduction / view.step
    shifted = (grid @ edges.normals.T) * to_samples
    best = np.zeros(shifted.shape, np.float32)
    first = np.arange(n) * m
    for place, clear in zip(view.places[:2], view.clear[:2], strict=True):
        soft = cv2.GaussianBlur(
            clear.astype(np.float32), (0, 0), 0.3 * float(np.median(to_samples)), sigmaY=1e-6
        ).ravel()
        k = np.clip(
            (first + place * to_samples + m // 2 + 0.5 + shifted).astype(np.int64), first, first + m - 1
        )
        np.maximum(best, soft[k], out=best)
    aim = np.zeros(n)
    moved = False
    for window in range(len(layout.window)):
        rows = edges.window == window
        # Its four sides count alike: the short ones tell the place along the long ones.
        sides = [best[:, rows & (edges.rim_side == side)].mean(axis=1) for side in range(4)]
        votes = np.sum(sides, axis=0) * (1 - 0.03 * np.hypot(*grid.T))
        k = int(votes.argmax())
        if not near[k] and votes[k] > OPENING_GAIN * votes[near].max():
            aim[rows] = edges.normals[rows] @ grid[k]
            moved = True
    if not moved:
        return None
    pivot = np.array([layout.outline.width, layout.outline.height]) / 2
    jacobian = _jacobian(edges, camera, pivot, view)
    held, _ = _held(camera, LINE_OFFSETS, focal_prior, camera.rotation[:, 2], tilt_se)
    weight = np.where(edges.outer, 0.1 / edges.outer.sum(), 1.0 / (~edges.outer).sum()) * 30 / EDGE_SE_MM**2
    normal_matrix = (jacobian * weight[:, None]).T @ jacobian + held[:8, :8]
    step = np.linalg.solve(normal_matrix, jacobian.T @ (weight * aim))
    if not np.isfinite(step).all() or np.abs(step[:3]).max() > 0.5:
        return None
    return _moved(camera, pivot, step)


# Sides shifted together in a vote: each alone, opposite ones along with each other, and against.
PATTERNS = np.array(
    [
        [1, 0, 0, 0],
        [0, 1, 0, 0],
        [0, 0, 1, 0],
        [0, 0, 0, 1],
        [-1, 0, 1, 0],
        [0, 1, 0, -1],
        [1, 0, 1, 0],
        [0, 1, 0, 1],
    ]
)


def _other_lines(
    view: _View,
    edges: Edges,
    jacobian: Points,
    held: Points,
    reach_mm: float,
    blur_mm: float,
    reduction: float,
) -> Points:
    """The step (8,) of the camera that brings most edges onto lines, sides taken to lie on another line than
    thought.

    Near by, the fit can settle with a side's start on its end, or on a shadow: a valley beside the right one.
    So sides are shifted, alone and in pairs, up to reach_mm and in steps of twice blur_mm, and all edges are
    asked for their vote; the best shift stands and the next is tried from there.
    """
    normal_matrix = held[:8, :8].copy()
    right = np.zeros((8, 4))
    for side in range(4):
        rows = jacobian[edges.side == side]
        # Each side as if it were measured by eight independent points.
        stiffness = 8.0 / max(1, len(rows)) / EDGE_SE_MM**2
        normal_matrix += stiffness * rows.T @ rows
        right[:, side] = stiffness * rows.sum(axis=0)
    per_side = np.linalg.solve(normal_matrix, right)
    moves = jacobian @ per_side
    n, m = view.strength.shape
    blur = blur_mm * float(np.median(view.px_per_mm)) / reduction / view.step
    to_samples = view.px_per_mm / reduction / view.step
    soft = []
    for place, clear in zip(view.places, view.clear, strict=True):
        smeared = cv2.GaussianBlur(
            clear.astype(np.float32), (0, 0), blur, sigmaY=1e-6, borderType=cv2.BORDER_CONSTANT
        )
        soft.append((smeared.ravel(), np.arange(n) * m + place * to_samples + m // 2 + 0.5))
    first = np.arange(n) * m
    sizes = np.arange(-reach_mm, reach_mm + 1e-9, 2 * blur_mm)
    tries = np.concatenate([np.outer(sizes, pattern) for pattern in PATTERNS])
    shift, most = np.zeros(4), -1.0
    for _ in range(3):
        shifts = shift + tries
        shifted = (shifts @ moves.T) * to_samples
        best = np.zeros(shifted.shape, np.float32)
        for smeared, at in soft:
            k = np.clip((at + shifted).astype(np.int64), first, first + m - 1)
            np.maximum(best, smeared[k], out=best)
        votes = best @ edges.weight
        if votes.max() <= most * (1 + 1e-6):
            break
        most, shift = float(votes.max()), shifts[int(votes.argmax())]
    return np.asarray(per_side @ shift, np.float64)


def _smooth_so_far(clear: Points, outer: NDArray[np.bool_]) -> Points:
    """Chance (n, m) that the plate's face is smooth from its middle up to here: no clear edge passed.

    From an outline's point of view the face lies at negative offsets, from an opening's at positive ones.
    """
    passed = 1.0 - np.clip((clear - 0.4) / 0.6, 0.0, 1.0)
    outwards = np.where(outer[:, None], passed, passed[:, ::-1])
    smooth = np.cumprod(outwards, axis=1)
    return np.where(outer[:, None], smooth, smooth[:, ::-1])


def _lagged(smooth: Points, outer: NDArray[np.bool_], lag: int) -> Points:
    """What holds `lag` samples nearer to the face's middle; 1 beyond the sampled stretch."""
    lag = max(1, lag)
    shifted = np.ones_like(smooth)
    shifted[outer, lag:] = smooth[outer, :-lag]
    shifted[~outer, :-lag] = smooth[~outer, lag:]
    return shifted


def _silhouette(lean: Points) -> Points:
    """Shift outwards, mm, of a rounded edge's outermost visible line; lean: tangent of the view's slant,
    outwards positive.

    Seen from the inside (lean negative) the rounding hides its own lower part; seen from the outside it shows
    all of it.
    """
    cos = 1 / np.sqrt(1 + lean**2)
    sin = np.abs(lean) * cos
    hidden = -ROUNDING_MM * ((1 - cos) + (1 - sin) * np.abs(lean))
    return np.where(lean < 0, hidden, ROUNDING_MM * lean)


def first_camera(homography: Points, *, centre: Points, focal_prior: tuple[float, float]) -> Camera | None:
    """A camera that sees a plane by a homography: the focal length as the perspective says, as far as it can
    be trusted.
    """
    mean, se = focal_prior
    implied = focal_from(homography, centre)
    log_focal = mean if implied is None else float(np.clip(np.log(implied[0]), mean - se, mean + se))
    return camera_from(homography, focal=float(np.exp(log_focal)), centre=centre)


POINT_SE_PX = 1.0
MOST_ROUNDS = 8


def fit_points(
    camera: Camera, points: Points, seen: Points, *, focal_prior: tuple[float, float]
) -> tuple[Camera, Points] | None:
    """Refine a camera on known points: (n, 2) mm and where they were seen, (n, 2) px; robust least squares.

    Returns the camera and each point's miss (n,) in mm, or None where it does not converge.
    """
    pivot = points.mean(axis=0)
    prior_se = np.array([np.inf] * 6 + [focal_prior[1], BEND_PRIOR[1]])
    for _ in range(MOST_ROUNDS):
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
        if np.abs(change).max() < 1e-4:
            break
    at = camera.project(points)
    px_per_mm = np.linalg.norm(camera.project(points + np.array([1.0, 0.0])) - at, axis=1)
    return camera, np.asarray(np.linalg.norm(seen - at, axis=1) / np.maximum(px_per_mm, 1e-6), np.float64)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Proof:
    """How far each part of a layout is really there: share 0..1 of its edge that stands out from the smooth
    face beside it.

    sides (5,): the outline's top, right, bottom, left, and the cut; openings (n windows,).
    """

    sides: Points
    openings: Points


def prove_edges(
    pixels: Pixels, layout: Layout, camera: Camera, *, reduction: float, blur_px: float
) -> Proof | None:
    """Check a pose part by part: at its place an edge must show that is clearer than all on the face next to
    it.

    A line laid over a textured table finds edges everywhere, beside it no less than on it; a plate's face is
    smooth.
    """
    edges = edges_of(layout, step=1.0)
    middle = np.array([[layout.outline.width, layout.outline.height]]) / 2
    spread = (
        blur_px
        * reduction
        / float(np.linalg.norm(camera.project(middle + np.array([1.0, 0.0])) - camera.project(middle)))
    )
    view = _look(
        pixels,
        edges,
        camera,
        thickness=layout.outline.thickness,
        lines=LINE_OFFSETS,
        reach_mm=FACE_BAND_MM[1] + 2 * spread + 0.2,
        reduction=reduction,
        blur_px=blur_px,
    )
    if view is None:
        return None
    outwards = np.where(edges.outer, 1.0, -1.0)[:, None]
    along = outwards * (view.offsets * reduction)[None, :] / view.px_per_mm[:, None]
    # Anything down to the membrane tells of an opening; beyond an outline lies the table, which may show
    # anything.
    last = np.where(edges.outer, np.maximum(view.places[1], 0.0) + 0.35, OPENING_DEPTH_MM)
    on_line = (along > -FACE_BAND_MM[0]) & (along < last[:, None])
    # The edge's own blur reaches into the face.
    on_face = (along > -FACE_BAND_MM[1] - 2 * spread) & (along < -FACE_BAND_MM[0] - 2 * spread)
    there = np.where(on_line, view.strength, 0.0).max(axis=1)
    beside = np.where(on_face, view.strength, 0.0).max(axis=1)
    stands_out = there > STANDS_OUT * beside
    return Proof(
        sides=np.array([stands_out[edges.side == i].mean() for i in range(5)]),
        openings=np.array([stands_out[edges.window == i].mean() for i in range(len(layout.window))]),
    )
