"""Each window cut straight out of the full-size pixels, at a fixed scale, in linear light.

The membrane lies some way below the plate's top face, so at a slant it is seen shifted, and partly hidden by
the rim of its opening. The recess is found from the windows' own edges, rims and membranes', all windows of the
plate together: a rim often shows more clearly than the membrane's edge beside it, and must not be taken for it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.locate.plate import PlatePose
from reader.numbers.arrays import FloatArray
from reader.numbers.geometry import Matrix, apply
from reader.numbers.median import median
from reader.photo.light import linear
from reader.photo.open import Photo
from reader.settings.values import Window

Extent = tuple[float, float, float, float]

STRIP_PX_PER_MM = 16.0
"""Samples per millimetre of a strip, both ways: eight on the blurred flank of a 1 mm line."""

RECESS_MM = 1.5
"""Depth of a membrane below the top face (common practice, no source: cassette housings leave 1 to 2 mm)."""
RECESS_SD_MM = 0.4
"""Spread of that depth among plates."""
RECESS_RANGE_MM = (0.0, 3.0)
"""Depths tried."""
OPENING_MARGIN_MM = 0.5
"""How much wider than its membrane an opening is, each side: a bevel (common practice, no source)."""
OPENING_MARGIN_SD_MM = 0.25
"""Spread of that margin among plates."""
OPENING_MARGIN_RANGE_MM = (0.0, 1.2)
"""Margins tried."""
SEATING_STEP_MM = 0.05
"""Steps in which depths, margins and shifts are tried."""
LINES_APART_MM = 0.4
"""Nearer to a rim a membrane's edge is not told from it: each is half a millimetre of rounding, bevel and blur.
Common practice, no source; of 0.2, 0.3 and 0.4 the one that places simulated windows best."""
UNSEEN = 0.4
"""What stands for an edge that is not told: the edge strength of a smooth face, in the terms of `_steps`."""
LOCAL_SHIFT_SD_MM = 0.05
"""Spread of a single membrane's place about the plate's (lens distortion and assembly)."""
POSE_SHIFT_SD_MM = 0.25
"""Spread of what the whole plate's pose may be off by: a moulded edge shows two lines half a millimetre apart."""
POSE_BEND_MM = 300.0
"""The distance over which that may change as much."""
MARGIN_MM = 0.3
"""Left out along every edge of the membrane: blur, wicking and the edge's own shadow."""
PAD_MM = 1.8
"""Seen around a membrane while its edges are sought."""
EDGE_PX_PER_MM = 10.0
"""Samples per millimetre while edges are sought."""
EDGE_NEAR_MM = 0.6
"""A side's step is sought this near to its place."""
EDGE_FAR_MM = 1.7
"""Its range of tones is taken this far about it."""
EDGE_MM = 0.5
"""Its sharpness is the share of that range that is passed within so much: 0.98 for a Gaussian edge of sigma 0.1 mm,
0.50 for 0.37 mm (error function)."""
CLIPPED = 0.985
"""Linear light from which a sample counts as clipped (8-bit code 253)."""
DARK = 0.002
"""Linear light below which a sample carries no absorbance (8-bit code 6)."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Strip:
    """One window, straightened: row 0 at the upstream end, column 0 on the left looking along the flow.

    linear : (n_along, n_across, 3) float32 RGB, 0..1.
    valid : (n_along, n_across) bool, False where the membrane is hidden or its light clipped.
    mm_to_px : (3, 3), millimetres on the membrane (x across, y along, origin upstream left) to upright pixels.
    to_plate : (3, 3), the same millimetres to plate millimetres, with what the pose was found to be off by.
    corners_px : (4, 2) membrane corners: upstream left, upstream right, downstream right, downstream left.
    hidden_fraction : share of the samples inside the membrane's margins that the rim hides, or that are too dark to
    tell, as beyond the photo's frame; clipped_fraction : share of those seen that are too bright; 1 where there are
    none. edge_step : the strongest step of absorbance at the membrane's four sides; edge_share : how much of an end's
    step lies within EDGE_MM.
    """

    window: Window
    linear: NDArray[np.float32]
    valid: NDArray[np.bool_]
    px_per_mm: float
    native_px_per_mm: float
    corners_px: FloatArray
    mm_to_px: Matrix
    to_plate: Matrix
    hidden_fraction: float
    clipped_fraction: float
    edge_step: float
    edge_share: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Seating:
    """How the membranes sit in the plate: depth below the top face, and the openings' extra width, mm."""

    recess_mm: float
    opening_margin_mm: float


def cut_strips(photo: Photo, pose: PlatePose) -> tuple[Strip, ...]:
    """Cut every window of the pose's layout out of the photo, in the layout's order."""
    windows = pose.layout.window
    views = [_edge_view(photo, pose, window) for window in windows]
    seating = _find_seating(views, pose)
    common = _common_shifts(views, pose, seating)
    return tuple(
        _cut(pose, window, seating, view, shift, _local_shift(view, pose, window, seating.recess_mm, shift))
        for window, view, shift in zip(windows, views, common, strict=True)
    )


def membrane_mm_to_px(pose: PlatePose, recess_mm: float) -> Matrix:
    """Plate millimetres at a depth below the top face -> pixels, shape (3, 3).

    The ray from the camera to a point at that depth crosses the top face at a point that is a fixed share of
    the way towards the camera's foot: a similarity within the plate's plane.
    """
    x, y, z = pose.camera_mm
    share = recess_mm / (z + recess_mm)
    similarity = np.array([[1 - share, 0, share * x], [0, 1 - share, share * y], [0, 0, 1]])
    return np.asarray(pose.mm_to_px @ similarity, dtype=np.float64)


def window_to_plate(window: Window) -> Matrix:
    """Window millimetres (x across, y along the flow, origin upstream left) -> plate millimetres, shape (3, 3)."""
    along = np.asarray(window.flow, dtype=np.float64)
    across = np.array([-along[1], along[0]])  # to the right, looking along the flow, y down
    origin = np.asarray(window.centre) - across * window.breadth / 2 - along * window.length / 2
    return np.array([[across[0], along[0], origin[0]], [across[1], along[1], origin[1]], [0, 0, 1]])


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Patch:
    """The part of a photo about one window in linear light, (h, w, 3) RGB float32, and its top-left pixel (x, y)."""

    light: NDArray[np.float32]
    corner: tuple[int, int]


def cut_patch(photo: Photo, mm_to_px: Matrix, extent_mm: Extent) -> Patch:
    """Make light linear once for all that is cut out of an extent (x0, y0, x1, y1, window mm)."""
    x0, y0, x1, y1 = extent_mm
    ring = apply(mm_to_px, np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))
    height, width = photo.pixels.shape[:2]
    low = np.clip(np.floor(ring.min(axis=0)).astype(int) - 3, 0, (width - 1, height - 1))
    high = np.clip(np.ceil(ring.max(axis=0)).astype(int) + 4, low + 1, (width, height))
    light = linear(photo.pixels[low[1] : high[1], low[0] : high[0]], photo.encoding)
    return Patch(light=light, corner=(int(low[0]), int(low[1])))


def sample(patch: Patch, mm_to_px: Matrix, extent_mm: Extent, scale: float) -> NDArray[np.float32]:
    """Linear RGB on a regular grid over an extent, averaged where the photo is finer; outside of the patch it is 0."""
    x0, y0, x1, y1 = extent_mm
    n_across, n_along = round((x1 - x0) * scale), round((y1 - y0) * scale)
    finer = max(1, round(_native_scale(mm_to_px, extent_mm) / scale))
    step = 1 / (scale * finer)
    grid_to_mm = np.array([[step, 0, x0 + step / 2], [0, step, y0 + step / 2], [0, 0, 1]])
    to_patch = np.array([[1, 0, -patch.corner[0]], [0, 1, -patch.corner[1]], [0, 0, 1]], dtype=np.float64)
    sampled = cv2.warpPerspective(
        patch.light,
        to_patch @ mm_to_px @ grid_to_mm,
        (n_across * finer, n_along * finer),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
    )
    if finer > 1:
        sampled = cv2.resize(sampled, (n_across, n_along), interpolation=cv2.INTER_AREA)
    return np.asarray(sampled, dtype=np.float32)


def _native_scale(mm_to_px: Matrix, extent_mm: Extent) -> float:
    """Photo pixels per millimetre in the middle of the extent (geometric mean of both ways)."""
    x, y = (extent_mm[0] + extent_mm[2]) / 2, (extent_mm[1] + extent_mm[3]) / 2
    centre, right, down = apply(mm_to_px, np.array([[x, y], [x + 1, y], [x, y + 1]]))
    return float(np.sqrt(abs(np.linalg.det(np.stack([right - centre, down - centre])))))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _EdgeView:
    """Edge strength around one membrane, seen at the nominal recess: steps of log light across each side.

    across, along : 1-D edge strength between the grid positions x, y (window mm); tone_across, tone_along : the tones
    (log10 of light, RGB) behind them; top_shift : how far the window axes' origin lies from the opening's; patch :
    what both were cut from.
    """

    x_mm: FloatArray
    y_mm: FloatArray
    across: FloatArray
    along: FloatArray
    tone_across: FloatArray
    tone_along: FloatArray
    top_shift: FloatArray
    patch: Patch


def _edge_view(photo: Photo, pose: PlatePose, window: Window) -> _EdgeView:
    """Measure the steps across a window's long sides and ends in the top face's coordinates."""
    to_plate = window_to_plate(window)
    parallax = _parallax(pose, window, RECESS_MM)
    shifted = to_plate @ np.array([[1, 0, parallax[0]], [0, 1, parallax[1]], [0, 0, 1]])
    extent = (-PAD_MM, -PAD_MM, window.breadth + PAD_MM, window.length + PAD_MM)
    patch = cut_patch(photo, pose.mm_to_px @ shifted, extent)
    tone = cv2.log(np.maximum(sample(patch, pose.mm_to_px @ shifted, extent, EDGE_PX_PER_MM), DARK))
    inset = round((PAD_MM + 0.8) * EDGE_PX_PER_MM)
    across = cv2.reduce(tone[inset:-inset], 0, cv2.REDUCE_AVG, dtype=cv2.CV_64F)[0] / np.log(10)
    along = cv2.reduce(tone[:, inset:-inset], 1, cv2.REDUCE_AVG, dtype=cv2.CV_64F)[:, 0] / np.log(10)
    x = np.arange(across.shape[0] - 1) / EDGE_PX_PER_MM - PAD_MM + 1 / EDGE_PX_PER_MM
    y = np.arange(along.shape[0] - 1) / EDGE_PX_PER_MM - PAD_MM + 1 / EDGE_PX_PER_MM
    return _EdgeView(
        x_mm=x,
        y_mm=y,
        across=_steps(across),
        along=_steps(along),
        tone_across=across,
        tone_along=along,
        top_shift=parallax,
        patch=patch,
    )


def _steps(profile: FloatArray) -> FloatArray:
    """Edge strength of a (n, 3) log profile between samples: saturating, so that one hard shadow cannot outvote."""
    step = np.abs(np.diff(profile, axis=0)).max(axis=1)
    noise = median(step) + 1e-4
    return np.asarray(np.log1p(step / (2 * noise)), dtype=np.float64)


def _foot(pose: PlatePose, window: Window) -> FloatArray:
    """The point of the top face straight below the camera, window axes, mm: (2,)."""
    to_plate = window_to_plate(window)
    return np.asarray(to_plate[:2, :2].T @ (pose.camera_mm[:2] - to_plate[:2, 2]))


def _parallax(pose: PlatePose, window: Window, recess_mm: float) -> FloatArray:
    """Where the middle of a membrane at that depth appears on the top face, minus where it is: window axes, mm."""
    middle = np.array([window.breadth / 2, window.length / 2])
    share = recess_mm / (float(pose.camera_mm[2]) + recess_mm)
    return np.asarray(share * (_foot(pose, window) - middle), dtype=np.float64)


DEPTHS = np.arange(RECESS_RANGE_MM[0], RECESS_RANGE_MM[1] + 1e-9, SEATING_STEP_MM)
"""Depths of the membranes that are tried, mm."""
MARGINS = np.arange(OPENING_MARGIN_RANGE_MM[0], OPENING_MARGIN_RANGE_MM[1] + 1e-9, SEATING_STEP_MM)
"""Extra widths of the openings that are tried, mm."""
SHIFTS = np.arange(-3 * POSE_SHIFT_SD_MM, 3 * POSE_SHIFT_SD_MM + 1e-9, SEATING_STEP_MM)
"""Shifts of the pose that are tried, mm."""


def _axes(view: _EdgeView, window: Window) -> tuple[tuple[FloatArray, FloatArray, float], ...]:
    """Grid, edge strength and the membrane's size, across the flow and along it."""
    return (view.x_mm, view.across, window.breadth), (view.y_mm, view.along, window.length)


def _support(
    view: _EdgeView, pose: PlatePose, window: Window, depths: FloatArray, margins: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Edge strength at both rims and both edges of a membrane, across and along: (n shifts, n depths, n margins).

    A pose that is off moves rims and membrane alike; the rims lie in the top face, the membrane below it, nearer to
    the camera's foot and smaller. An edge of the membrane that the rim hides, or all but hides, tells nothing.
    """
    share = depths / (float(pose.camera_mm[2]) + depths)
    prior = 0.5 * (SHIFTS / POSE_SHIFT_SD_MM) ** 2
    found = []
    for (grid, edge, size), foot, origin in zip(
        _axes(view, window), _foot(pose, window), view.top_shift, strict=True
    ):
        total = np.broadcast_to(-prior[:, None, None], (len(SHIFTS), len(depths), len(margins))).copy()
        for end, outwards in ((0.0, -1.0), (size, 1.0)):
            membrane = end + share * (foot - end)
            rim = end + outwards * margins
            seen = outwards * (rim - membrane[:, None]) > LINES_APART_MM
            deep = np.interp(membrane - origin + SHIFTS[:, None], grid, edge)
            top = np.interp(rim - origin + SHIFTS[:, None], grid, edge)
            total += (top + UNSEEN)[:, None]
            total += (deep - UNSEEN)[:, :, None] * seen.astype(np.float64)
        found.append(total)
    return found[0], found[1]


def _find_seating(views: Sequence[_EdgeView], pose: PlatePose) -> Seating:
    """The recess and the openings' margin that explain the edges of all windows best, each shifted as suits it."""
    support = (
        -0.5 * ((DEPTHS - RECESS_MM) / RECESS_SD_MM)[:, None] ** 2
        - 0.5 * ((MARGINS - OPENING_MARGIN_MM) / OPENING_MARGIN_SD_MM) ** 2
    )
    for view, window in zip(views, pose.layout.window, strict=True):
        across, along = _support(view, pose, window, DEPTHS, MARGINS)
        support = support + (across.max(axis=0) + along.max(axis=0)) / len(views)
    depth, margin = np.unravel_index(int(np.argmax(support)), support.shape)
    return Seating(recess_mm=float(DEPTHS[depth]), opening_margin_mm=float(MARGINS[margin]))


def _common_shifts(views: Sequence[_EdgeView], pose: PlatePose, seating: Seating) -> list[FloatArray]:
    """What the pose is off by at each window, window axes, mm: an affine map of the plate fitted to all windows' edges.

    Shifts that do not go with the others' count less (Huber's weights); turn and stretch are held small.
    """
    windows = pose.layout.window
    depth, margin = np.array([seating.recess_mm]), np.array([seating.opening_margin_mm])
    found = [
        np.array([SHIFTS[int(np.argmax(axis))] for axis in _support(view, pose, window, depth, margin)])
        for view, window in zip(views, windows, strict=True)
    ]
    axes = [window_to_plate(window)[:2, :2] for window in windows]
    centres = np.array([window.centre for window in windows])
    spread = (centres - centres.mean(axis=0)) / POSE_BEND_MM
    design = np.concatenate([np.ones((len(windows), 1)), spread], axis=1)
    on_plate = np.stack([axis @ shift for axis, shift in zip(axes, found, strict=True)])
    ridge = np.diag([1e-6, 1.0, 1.0]) * (LOCAL_SHIFT_SD_MM / POSE_SHIFT_SD_MM) ** 2
    weight = np.ones(len(windows))
    for _ in range(4):
        weighted = design * weight[:, None]
        fitted = design @ np.linalg.solve(design.T @ weighted + ridge, weighted.T @ on_plate)
        off = np.linalg.norm(on_plate - fitted, axis=1)
        weight = np.minimum(1.0, LOCAL_SHIFT_SD_MM / np.maximum(off, 1e-9))
    return [axis.T @ shift for axis, shift in zip(axes, fitted, strict=True)]


def _local_shift(
    view: _EdgeView, pose: PlatePose, window: Window, recess_mm: float, common: FloatArray
) -> FloatArray:
    """A single membrane's own shift from where it should be, window axes, mm."""
    steps = np.arange(-3 * LOCAL_SHIFT_SD_MM, 3 * LOCAL_SHIFT_SD_MM + 1e-9, SEATING_STEP_MM)
    prior = 0.5 * (steps / LOCAL_SHIFT_SD_MM) ** 2
    share = recess_mm / (float(pose.camera_mm[2]) + recess_mm)
    best = []
    for (grid, edge, size), foot, origin, shift in zip(
        _axes(view, window), _foot(pose, window), view.top_shift, common, strict=True
    ):
        ends = np.array([0.0, size])
        places = ends + share * (foot - ends) - origin + shift
        best.append(steps[int(np.argmax(np.interp(places + steps[:, None], grid, edge).sum(axis=1) - prior))])
    return np.array(best)


def _tones_near(tones: FloatArray, place_mm: float, reach_mm: float) -> FloatArray:
    """The tones (n, 3) within a reach of a place on an edge view's axis."""
    at, reach = (place_mm + PAD_MM) * EDGE_PX_PER_MM, reach_mm * EDGE_PX_PER_MM
    return tones[max(0, round(at - reach)) : max(2, round(at + reach))]


def _edge_step(view: _EdgeView, window: Window, shift: FloatArray) -> float:
    """The strongest step of absorbance at a membrane's four sides; none stands out where it is covered or blurred."""
    sides = [(view.tone_across, shift[0]), (view.tone_across, window.breadth + shift[0])]
    sides += [(view.tone_along, shift[1]), (view.tone_along, window.length + shift[1])]
    return max(float(np.ptp(_tones_near(tones, at, EDGE_NEAR_MM), axis=0).max()) for tones, at in sides)


def _edge_share(view: _EdgeView, window: Window, shift: FloatArray) -> float:
    """Share of an end's step that lies within EDGE_MM, the sharper end's: the other may lie in a soft shadow."""
    shares = []
    for place in (shift[1], window.length + shift[1]):
        green = _tones_near(view.tone_along, place, EDGE_FAR_MM)[:, 1]
        apart = round(EDGE_MM * EDGE_PX_PER_MM)
        shares.append(float(np.abs(green[apart:] - green[:-apart]).max() / max(float(np.ptp(green)), 1e-6)))
    return max(shares)


def _cut(
    pose: PlatePose, window: Window, seating: Seating, view: _EdgeView, common: FloatArray, own: FloatArray
) -> Strip:
    """The strip of one window: `common` is what the pose is off by there, `own` the membrane's shift in its opening."""
    parallax = _parallax(pose, window, seating.recess_mm)
    local = common + own
    to_plate = window_to_plate(window) @ np.array([[1, 0, local[0]], [0, 1, local[1]], [0, 0, 1.0]])
    mm_to_px = membrane_mm_to_px(pose, seating.recess_mm) @ to_plate
    extent = (0.0, 0.0, window.breadth, window.length)
    light = sample(view.patch, mm_to_px, extent, STRIP_PX_PER_MM)
    x = (np.arange(light.shape[1]) + 0.5) / STRIP_PX_PER_MM
    y = (np.arange(light.shape[0]) + 0.5) / STRIP_PX_PER_MM
    inside = np.logical_and.outer(_inside(y, window.length), _inside(x, window.breadth))
    clear = np.logical_and.outer(
        _open(y, window.length, parallax[1] + own[1], seating.opening_margin_mm),
        _open(x, window.breadth, parallax[0] + own[0], seating.opening_margin_mm),
    )
    channels = [light[..., channel] for channel in range(3)]
    seen = np.logical_and.reduce([inside, clear, *(channel > DARK for channel in channels)])
    clipped = np.logical_or.reduce([channel >= CLIPPED for channel in channels])
    valid = seen & ~clipped
    for array in (light, valid):
        array.setflags(write=False)
    corners = np.array([[0, 0], [window.breadth, 0], [window.breadth, window.length], [0, window.length]])
    return Strip(
        window=window,
        linear=light,
        valid=valid,
        px_per_mm=STRIP_PX_PER_MM,
        native_px_per_mm=_native_scale(mm_to_px, extent),
        corners_px=apply(mm_to_px, corners),
        mm_to_px=mm_to_px,
        to_plate=to_plate,
        hidden_fraction=1 - _share(seen, inside),
        clipped_fraction=_share(clipped & seen, seen) if seen.any() else 1.0,
        edge_step=_edge_step(view, window, parallax - view.top_shift + local),
        edge_share=_edge_share(view, window, parallax - view.top_shift + local),
    )


def _share(part: NDArray[np.bool_], whole: NDArray[np.bool_]) -> float:
    """Number of true values over the whole's; 0 where that has none."""
    return int(np.count_nonzero(part)) / max(1, int(np.count_nonzero(whole)))


def _inside(place: NDArray[np.floating], size: float) -> NDArray[np.bool_]:
    """Places (mm) that lie within the margins of a membrane's two edges."""
    return np.asarray((place > MARGIN_MM) & (place < size - MARGIN_MM))


def _open(place: NDArray[np.floating], size: float, shift: float, margin: float) -> NDArray[np.bool_]:
    """Places (mm) as far inside both rims of the opening, which lies `shift` before the membrane."""
    return np.asarray((place > MARGIN_MM - margin - shift) & (place < size + margin - shift - MARGIN_MM))
