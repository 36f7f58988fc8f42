"""Whether the hand shook while the shutter was open: smeared one way and sharp the other, or seen double.

Two measures that fail on different pictures. *Marks* are of a known width: where all of a plate's lines are far too
broad, the light already taken out, they are smeared, whatever the edges say: a narrow dark gap smeared to a broad one
keeps steep flanks, and a swing to and fro shows every edge twice, each time sharp. *Edges* give the spread of a step by
direction (ISO 12233), from how much a second, known blur weakens them: a shaken picture's are sharp along the way of
the hand and soft across it. They tell a shake from a lack of focus, and speak where a plate shows no line.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.locate.plate import PlatePose
from reader.measure.fitness import is_blurred
from reader.measure.line_shape import LUMA
from reader.measure.profile import Profile
from reader.measure.strip import Strip
from reader.numbers.arrays import FloatArray
from reader.numbers.median import median, quantile
from reader.photo.open import Photo, Pixels
from reader.refusals import refuse
from reader.settings.values import IndicatorMark, Layout, Thresholds

Grey = NDArray[np.float32]

PLANE_PX_PER_MM = 8.0
"""Edges are sought on the plate's plane, on a grid of so many pixels per millimetre,"""
PLANE_MARGIN_MM = 3.0
"""and this far around the plate."""
PICTURE_PX = 1200
"""Long side to which a picture without a plate is reduced for the same."""
SOFTEN_PX = 1.0
"""Blur (1 sigma) before edges are sought, against grain."""
REBLUR_PX = 2.0
"""The second blur, by which the edges' spread is measured."""
GRAIN_TIMES = 6.0
"""An edge is steeper than so many times the usual slope"""
EDGE_SHARE = 0.06
"""and than this share of the steepest slopes."""
N_DIRECTIONS = 12
"""Directions by which edges are sorted, over half a turn."""
MIN_EDGE_PIXELS = 12
"""A direction with fewer edge pixels tells nothing."""
MIN_DIRECTIONS = 4
"""Fewer directions tell no ellipse of blur."""
SHARPEST = 0.2
"""Of the edges of a direction this quantile of spread counts: bevels and shadows are soft by themselves."""
LINE_SIGMA = 0.36
"""Sigma of a developed line in widths of its mark; 0.29 for a box, 0.42 where the width is a Gaussian's FWHM."""
BROAD_LINE = 1.3
"""So many times as broad as its layout says a line may be by itself (common practice, no source)."""
SPREAD_SIGMAS = 2.073
"""A Gaussian's places of 15 and 85 % lie so many sigma apart (any table of the normal law)."""
SIDE_WIDTHS = (0.8, 3.4)
"""A line's own level is sought between these distances on either side, in widths of its mark from its middle."""
MIN_HEIGHT = 0.03
"""Lower lines (absorbance) are too near to grain for their width to count."""
EDGES_ALONE = 0.25
"""Where no line can be measured, edges alone say that a photo was shaken from this blur on, in mark widths."""
EDGES_ALONE_PX = 1.5
"""And in the photo's own pixels: less is a camera's own."""
ONE_WAY = 2.5
"""A blur so many times stronger one way than the other is a shake and no lack of focus."""
DOUBTED = 0.7
"""Where neither a line stands out nor the plate's own edges prove its place, so much less blur says the same: a long
swing leaves hardly an edge across it to be measured."""
PICTURE_SMEAR_PX = 0.9
"""On a reduced picture without a plate, the sharpest edges' blur one way; of pictures that show something else the
strongest is 0.7 (simulated)."""
PICTURE_BLUR_PX = 2.0
"""The same every way; of pictures that show something else the strongest is 1.0 (simulated)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Smear:
    """Blur by direction, an ellipse of 1 sigma: strongest and weakest (px of the grid), and the strongest's direction.

    direction : radians from x to y.
    """

    strongest: float
    weakest: float
    direction: float


def check_shake(
    photo: Photo,
    pose: PlatePose,
    strips: Sequence[Strip],
    profiles: Sequence[Profile],
    thresholds: Thresholds,
) -> None:
    """Refuse a photo that was shaken so far along the flow that its marks are smeared."""
    layout = pose.layout
    narrowest = min(layout.marks.indicator.width, layout.marks.reference.width)
    spread = lines_spread(profiles, layout)
    smeared = spread is not None and spread > math.hypot(BROAD_LINE * LINE_SIGMA, thresholds.max_blur)
    blurred = is_blurred(strips, layout, thresholds)
    if not (smeared or blurred or spread is None):
        return
    smear = edge_smear(_plane(photo, pose))
    doubted = DOUBTED if "place_unsure" in pose.notes and spread is None else 1.0
    one_way = smear is not None and smear.strongest > doubted * ONE_WAY * smear.weakest
    if spread is not None and smeared and (one_way or not blurred):
        refuse(
            "shaken",
            far=f": lines of {narrowest:g} mm look {spread / LINE_SIGMA * narrowest:.1f} mm broad",
            mark_mm=narrowest,
            seen_mm=spread / LINE_SIGMA * narrowest,
        )
    if smear is None or not one_way:
        return
    least = max(EDGES_ALONE * narrowest, EDGES_ALONE_PX / pose.px_per_mm)
    if blurred or _one_way_mm(smear, layout) > doubted * least:
        refuse("shaken", far=f": lines of {narrowest:g} mm are smeared along the flow", mark_mm=narrowest)


def check_picture(photo: Photo) -> None:
    """Refuse a picture in which no plate was found because all of it is shaken or blurred."""
    scale = min(1.0, PICTURE_PX / max(photo.width, photo.height))
    small = cv2.resize(photo.pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    smear = edge_smear(_grey(small))
    if smear is None:
        return
    if smear.weakest > PICTURE_BLUR_PX:
        refuse("blurred", far=" for a plate to be told in it")
    if smear.strongest > max(PICTURE_SMEAR_PX, ONE_WAY * smear.weakest):
        refuse("shaken", far=": no plate can be told in it")


def edge_smear(grey: Grey) -> Smear | None:
    """Measure the blur of a picture's edges (h, w) by direction; None where there are too few edges.

    A step of sigma s that is blurred by r loses slope by sqrt(1 + r^2 / s^2).
    """
    soft = _blur(grey, SOFTEN_PX)
    softer = _blur(soft, REBLUR_PX)
    x, y = _slopes(soft)
    slope = np.hypot(x, y) + np.float32(1e-9)
    limit = max(GRAIN_TIMES * median(slope), EDGE_SHARE * quantile(slope[::3, ::3], 0.995))
    rows, columns = np.nonzero(_crests(slope, x, y, limit))
    slope, x, y = slope[rows, columns], x[rows, columns], y[rows, columns]
    fewer_x, fewer_y = (axis[rows, columns] for axis in _slopes(softer))
    left = np.abs(fewer_x * x + fewer_y * y) / slope
    lost = np.maximum((slope / np.maximum(left, 1e-9)) ** 2 - 1, 1e-3)
    variance = REBLUR_PX**2 / lost - SOFTEN_PX**2
    turn = np.mod(np.arctan2(y, x), np.pi)
    return _ellipse(turn, variance)


def lines_spread(profiles: Sequence[Profile], layout: Layout) -> float | None:
    """Sigma of a plate's lines in widths of their marks, all lines laid upon each other; None if none stands out."""
    grid = np.linspace(-SIDE_WIDTHS[1], SIDE_WIDTHS[1], 105)
    total = np.zeros_like(grid)
    for profile in profiles:
        for mark in layout.marks.both:
            shape = _line(profile, mark, grid)
            if shape is not None:
                total += shape
    if not total.any():
        return None
    below = np.cumsum(total) / total.sum()
    low, high = np.interp((0.15, 0.85), below, grid)
    return float((high - low) / SPREAD_SIGMAS)


def _line(profile: Profile, mark: IndicatorMark, grid: FloatArray) -> FloatArray | None:
    """A line's absorbance over the level of its sides, centred, on a grid of mark widths; None if it is too low."""
    place = (profile.position_mm - mark.position) / mark.width
    near = profile.valid & (np.abs(place) < SIDE_WIDTHS[1] + 0.4)
    if not near.any() or place[near][0] > -SIDE_WIDTHS[1] + 0.4 or place[near][-1] < SIDE_WIDTHS[1] - 0.4:
        return None
    tone = np.interp(grid, place[near], profile.absorbance[near] @ LUMA)
    sides = []
    for side in (-1, 1):
        beside = np.flatnonzero(side * grid > SIDE_WIDTHS[0])
        at = beside[int(np.argmin(tone[beside]))]
        sides.append((grid[at], tone[at]))
    (left, left_tone), (right, right_tone) = sides
    level = left_tone + (grid - left) / (right - left) * (right_tone - left_tone)
    height = np.where((grid > left) & (grid < right), np.maximum(tone - level, 0), 0)
    if quantile(height[np.abs(grid) < 1.2], 0.7) < MIN_HEIGHT:
        return None
    middle = float((height * grid).sum() / height.sum())
    return np.interp(grid + middle, grid, height, left=0, right=0)


def _one_way_mm(smear: Smear, layout: Layout) -> float:
    """How far blur that is not the same both ways reaches along a flow of the layout, the worst one's: 1 sigma, mm."""
    share = max(abs(np.cos(np.arctan2(w.flow[1], w.flow[0]) - smear.direction)) for w in layout.window)
    return float(share * np.sqrt(smear.strongest**2 - smear.weakest**2)) / PLANE_PX_PER_MM


def _plane(photo: Photo, pose: PlatePose) -> Grey:
    """The plate's plane seen from straight above, grey."""
    outline, step = pose.layout.outline, 1 / PLANE_PX_PER_MM
    to_mm = np.array([[step, 0, -PLANE_MARGIN_MM], [0, step, -PLANE_MARGIN_MM], [0, 0, 1]])
    size = (outline.width + 2 * PLANE_MARGIN_MM, outline.height + 2 * PLANE_MARGIN_MM)
    width, height = (int(side * PLANE_PX_PER_MM) for side in size)
    seen = cv2.warpPerspective(
        photo.pixels, pose.mm_to_px @ to_mm, (width, height), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    )
    return _grey(seen)


def _grey(pixels: Pixels) -> Grey:
    grey = np.asarray(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY), np.float32)
    return grey / np.float32(np.iinfo(pixels.dtype).max)


def _blur(grey: Grey, sigma_px: float) -> Grey:
    return np.asarray(cv2.GaussianBlur(grey, (0, 0), sigma_px), np.float32)


def _slopes(grey: Grey) -> tuple[Grey, Grey]:
    x, y = (cv2.Sobel(grey, cv2.CV_32F, dx, 1 - dx, ksize=3, scale=1 / 8) for dx in (1, 0))
    return np.asarray(x, np.float32), np.asarray(y, np.float32)


def _crests(slope: Grey, x: Grey, y: Grey, limit: float) -> NDArray[np.bool_]:
    """Pixels where a slope is steep and at its steepest across its edge, clear of the picture's border."""
    rows, columns = np.indices(slope.shape, dtype=np.float32)
    step = x / slope, y / slope
    ahead, behind = (
        cv2.remap(slope, columns + sign * step[0], rows + sign * step[1], cv2.INTER_LINEAR)
        for sign in (1, -1)
    )
    crest = (slope > limit) & (slope >= ahead) & (slope > behind)
    border = int(3 * REBLUR_PX)
    inside = np.zeros_like(crest)
    inside[border:-border, border:-border] = crest[border:-border, border:-border]
    return inside


def _ellipse(turn: FloatArray, variance: FloatArray) -> Smear | None:
    """Fit an ellipse of blur to edges' directions (n,) of slope and variances (n,), robustly."""
    sector = np.pi / N_DIRECTIONS
    of = np.rint(turn / sector).astype(int) % N_DIRECTIONS
    counts = np.bincount(of, minlength=N_DIRECTIONS)
    used = np.flatnonzero(counts >= MIN_EDGE_PIXELS)
    if len(used) < MIN_DIRECTIONS:
        return None
    spread = np.array([max(quantile(variance[of == k], SHARPEST), 0.0) for k in used])
    twice = 2 * used * sector
    design = np.stack([np.ones(len(used)), np.cos(twice), np.sin(twice)], axis=1)
    trust = np.sqrt(np.minimum(counts[used], 60.0))
    weight = trust
    for _ in range(5):
        (mean, c, s), *_ = np.linalg.lstsq(design * weight[:, None], spread * weight, rcond=None)
        off = np.abs(spread - design @ (mean, c, s))
        weight = trust / np.sqrt(1 + (off / (0.3 * np.median(spread) + 0.1)) ** 2)
    half = float(np.hypot(c, s))
    mean = min(mean, _least_trace(used, spread) / 2)
    half = min(half, mean)
    return Smear(
        strongest=float(np.sqrt(max(mean + half, 0.0))),
        weakest=float(np.sqrt(max(mean - half, 0.0))),
        direction=float(np.arctan2(s, c)) / 2,
    )


def _least_trace(used: NDArray[np.intp], spread: FloatArray) -> float:
    """The least sum of two variances at right angles, which for one blur is the same at any turn; inf without a pair.

    A lamp's soft spot has edges in every direction, but where a plate's edges are sharp both ways nothing is smeared.
    """
    by = dict(zip(used.tolist(), spread.tolist(), strict=True))
    half = N_DIRECTIONS // 2
    return min((by[k] + by[k + half] for k in range(half) if k in by and k + half in by), default=np.inf)
