"""Where a plate may lie by its openings alone: bars (windows) and discs (wells) that stand as some layout has them.

For plates whose outline a shadow, the frame or the table hides.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np

from reader.locate.outline import wells, window_corners
from reader.numbers.arrays import Picture
from reader.numbers.geometry import Points, apply, homography_between
from reader.settings.values import Layout, Window

SEEN_GROWTH_MM = 0.3
"""An opening's visible edge lies between the membrane's and the rim's, mm outside the membrane."""
SMALLEST_SHARE, LARGEST_SHARE = 1.0e-4, 2.0e-2
"""An opening fills between these shares of the frame."""
BAR_ASPECT = (1.6, 9.0)
"""A bar is between so many times as long as broad."""
DISC_ASPECT = 1.7
"""A disc is less than so many times as long as broad."""
NEAR_MM = 2.0
"""A predicted opening is matched by one this near, mm,"""
NEAR_SHARE = 0.15
"""and this share of the distance from where the prediction starts."""
MOST_PLACES = 8
"""The best so many places are given."""
LEAST_STRETCH = 0.35
"""A stretch between marks and ends counts from this share of its window's length."""
UNEVEN = 0.6
"""Scales along and across a stretch differ by the slant of the view, natural logarithm, at most by this."""
MOST_STARTS = 40
"""The best so many starts of a layout are followed up."""
MOST_BARS, MOST_DISCS = 40, 150
"""Speckled tables show hundreds of small blobs; the largest are looked at."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Blobs:
    """Bars: middle, along, across (k, 3, 2) px, the latter from middle to edge; discs: middles (m, 2) px."""

    bars: Points
    discs: Points


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Place:
    """A possible place of a plan: mm to px (3, 3) in the reduced picture, openings matched, and expected in
    the frame.
    """

    plan: int
    mm_to_px: Points
    matched: int
    expected: int

    @property
    def is_affine(self) -> bool:
        """Whether too few openings were matched for perspective to show."""
        return bool(np.abs(self.mm_to_px[2, :2]).max() == 0)


def find_blobs(small: Picture) -> Blobs:
    """Bars and discs in a reduced BGR photo, each once."""
    grey = cv2.cvtColor(small, cv2.COLOR_BGR2GRAY)
    calm = cv2.medianBlur(grey, 3)
    frame = float(grey.size)
    masks = []
    for block in (max(grey.shape) // 24 | 1, max(grey.shape) // 10 | 1):
        local = cv2.blur(calm, (block, block)).astype(np.int16)
        above = calm.astype(np.int16) - local
        masks += [np.asarray(above > 5, np.uint8), np.asarray(above < -5, np.uint8)]
    for low in (10, 25, 60):
        edges = cv2.Canny(small, low, 2 * low)
        masks.append(np.asarray(cv2.dilate(edges, np.ones((2, 2), np.uint8)) == 0, np.uint8))
    bars: list[Points] = []
    discs: list[Points] = []
    bar_sizes: list[float] = []
    disc_sizes: list[float] = []
    for mask in masks:
        contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
        for contour in contours:
            if len(contour) < 6:
                continue
            area = cv2.contourArea(contour)
            if not SMALLEST_SHARE * frame < area < LARGEST_SHARE * frame:
                continue
            (x, y), (w, h), angle = cv2.minAreaRect(contour)
            long, short = max(w, h), min(w, h)
            if short < 3 or area < 0.68 * long * short:
                continue
            middle = np.array([x, y])
            if long < DISC_ASPECT * short and area < 0.9 * long * short:
                discs.append(middle)
                disc_sizes.append(area)
            elif BAR_ASPECT[0] < long / short < BAR_ASPECT[1] and area > 0.78 * long * short:
                turn = np.radians(angle if w >= h else angle + 90)
                along = np.array([np.cos(turn), np.sin(turn)])
                bars.append(np.stack([middle, along * long / 2, np.array([-along[1], along[0]]) * short / 2]))
                bar_sizes.append(area)
    return Blobs(
        bars=_keep_distinct(bars, bar_sizes, MOST_BARS, (3, 2)),
        discs=_keep_distinct(discs, disc_sizes, MOST_DISCS, (2,)),
    )


def _keep_distinct(blobs: list[Points], sizes: list[float], most: int, shape: tuple[int, ...]) -> Points:
    """The largest blobs, less what lies on a larger one within 2 px (and is as large, for bars)."""
    if not blobs:
        return np.zeros((0, *shape))
    order = np.argsort(sizes)[::-1][: 4 * most]
    ranked = np.array([blobs[i] for i in order])
    flat = np.abs(ranked.reshape(len(ranked), -1))
    same = np.abs(flat[:, None] - flat[None]).max(axis=2) <= 2.0
    repeated = np.triu(same, 1).any(axis=0)
    return np.asarray(ranked[~repeated][:most])


def find_places(
    blobs: Blobs, plans: Sequence[Layout], shape: tuple[int, int], *, most_starts: int = MOST_STARTS
) -> list[Place]:
    """Places where a plan's openings meet blobs, best first; shape: rows and columns of the reduced picture.

    Every bar is taken for every window, or for what a mark leaves of it, either way round; where a disc lies at that
    window's well, all other openings are predicted from there, and what is found refines the prediction.
    """
    if len(blobs.bars) == 0 or len(blobs.discs) == 0:
        return []
    places = []
    for number, plan in enumerate(plans):
        starts = [
            (miss, window, h) for window in plan.window for miss, h in _find_starts(plan, window, blobs)
        ]
        starts.sort(key=lambda start: start[0])
        for _, window, h in starts[:most_starts]:
            place = _grow(plan, number, window, h, blobs, shape)
            if place is not None:
                places.append(place)
    places.sort(key=lambda p: -p.matched / max(2, p.expected) - 0.05 * p.matched)
    kept: list[Place] = []
    for place in places:
        size = np.array([plans[place.plan].outline.width, plans[place.plan].outline.height])
        corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * size
        at = apply(place.mm_to_px, corners)
        if all(
            other.plan != place.plan or np.abs(apply(other.mm_to_px, corners) - at).max() > 8
            for other in kept
        ):
            kept.append(place)
        if len(kept) == MOST_PLACES:
            break
    return kept


def _find_starts(plan: Layout, window: Window, blobs: Blobs) -> list[tuple[float, Points]]:
    """Affine maps (3, 3), mm to px, that take a window, or a stretch between its marks and ends, to a bar, either way
    round, and its well to where a disc is; each with how far the disc is from there, mm.
    """
    flow = np.array(window.flow)
    right = np.array([-flow[1], flow[0]])
    well = np.array(window.well)
    reach = NEAR_MM + NEAR_SHARE * float(np.hypot(*(well - np.array(window.centre))))
    per_across = blobs.bars[:, 2] / (window.breadth / 2 + SEEN_GROWTH_MM)
    across_size = np.linalg.norm(per_across, axis=1)
    starts = []
    cuts = sorted((0.0, plan.marks.indicator.position, plan.marks.reference.position, window.length))
    for low, high in combinations(cuts, 2):
        if high - low < LEAST_STRETCH * window.length:
            continue
        middle = np.array(window.centre) + ((low + high) / 2 - window.length / 2) * flow
        per_along = blobs.bars[:, 1] / ((high - low) / 2 + SEEN_GROWTH_MM)
        even = np.abs(np.log(np.linalg.norm(per_along, axis=1) / across_size)) < UNEVEN
        for sign in (1.0, -1.0):
            linear = sign * (per_along[:, :, None] * flow + per_across[:, :, None] * right)
            at = blobs.bars[:, 0] + linear @ (well - middle)
            scale = np.sqrt(np.abs(np.linalg.det(linear)))
            miss = np.linalg.norm(blobs.discs[None] - at[:, None], axis=2).min(axis=1) / scale
            for i in np.flatnonzero(even & (miss < reach)):
                h = np.eye(3)
                h[:2, :2] = linear[i]
                h[:2, 2] = blobs.bars[i, 0] - linear[i] @ middle
                starts.append((float(miss[i]), h))
    return starts


def _grow(
    plan: Layout, number: int, window: Window, h: Points, blobs: Blobs, shape: tuple[int, int]
) -> Place | None:
    """Predict all openings from one, refine by what is found; None where the prediction collapses."""
    seeds = np.array(window.centre), np.array(window.well)
    matched = 0
    for near in (1.0, 0.7, 0.5):
        source, target, matched = _match(plan, h, seeds, near, blobs)
        if matched < 2:
            return None
        better = homography_between(source, target) if matched >= 4 else _fit_affine(source, target)
        if better is None:
            return None
        h = better
    points = np.concatenate([np.array([w.centre for w in plan.window]), wells(plan)])
    seen = apply(h, points)
    inside = ((seen > 0) & (seen < np.array(shape[::-1]) - 1)).all(axis=1)
    return Place(plan=number, mm_to_px=h, matched=matched, expected=int(inside.sum()))


def _match(
    plan: Layout, h: Points, seeds: tuple[Points, Points], near: float, blobs: Blobs
) -> tuple[Points, Points, int]:
    """Points in mm and px of all openings that a blob answers, and how many openings that is."""
    source: list[Points] = []
    target: list[Points] = []
    count = 0
    scale = float(np.sqrt(abs(np.linalg.det(h[:2, :2]))))
    for window in plan.window:
        centre = np.array(window.centre)
        corners = apply(h, window_corners(window, SEEN_GROWTH_MM))
        along = (corners[2] + corners[3] - corners[0] - corners[1]) / 4
        across = (corners[1] + corners[2] - corners[0] - corners[3]) / 4
        reach = near * scale * (NEAR_MM + NEAR_SHARE * min(float(np.linalg.norm(centre - s)) for s in seeds))
        miss = np.linalg.norm(blobs.bars[:, 0] - corners.mean(axis=0), axis=1)
        k = int(miss.argmin())
        if miss[k] > reach:
            continue
        middle, a, c = blobs.bars[k]
        a = a * np.sign(a @ along)
        c = c * np.sign(c @ across)
        if np.linalg.norm(a - along) > 0.35 * np.linalg.norm(along) or np.linalg.norm(c) > 2 * np.linalg.norm(
            across
        ):
            continue
        source.append(window_corners(window, SEEN_GROWTH_MM))
        target.append(np.stack([middle - a - c, middle - a + c, middle + a + c, middle + a - c]))
        count += 1
    for well in wells(plan):
        reach = near * scale * (NEAR_MM + NEAR_SHARE * min(float(np.linalg.norm(well - s)) for s in seeds))
        miss = np.linalg.norm(blobs.discs - apply(h, well), axis=1)
        k = int(miss.argmin())
        if miss[k] <= reach:
            source.append(well[None])
            target.append(blobs.discs[k][None])
            count += 1
    if not source:
        return np.zeros((0, 2)), np.zeros((0, 2)), 0
    return np.concatenate(source), np.concatenate(target), count


def _fit_affine(source: Points, target: Points) -> Points | None:
    """Affine map (3, 3) of points, least squares; None where they lie on a line."""
    design = np.concatenate([source, np.ones((len(source), 1))], axis=1)
    solution, _, rank, _ = np.linalg.lstsq(design, target, rcond=None)
    if rank < 3:
        return None
    h = np.eye(3)
    h[:2] = solution.T
    return h
