"""Four-sided regions of a reduced photo: rough places where a plate may lie."""

import math
from collections.abc import Iterator
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.numbers.arrays import Picture
from reader.numbers.geometry import Points, signed_area
from reader.numbers.median import quantiles

Point = tuple[float, float]
Looks = tuple[float, float, float, float, float]

LEAST_SHARE = 0.012
"""A plate fills at least this share of the frame, or its marks would be too few pixels wide to read."""
LEVELS = 14
"""Levels of brightness at which regions are sought."""
SIDE = 560
"""Regions are looked for at this size first, px along the long side; their corners are refined elsewhere."""
SAME_PX = 5.0
"""Regions this near to one another at that size, px, are one."""


def find_regions(small: Picture, *, side: float = SIDE) -> list[Points]:
    """Four-sided regions (4, 2) px of a reduced BGR photo, clockwise as seen, each once.

    side : the size, px along the long side, at which they are looked for.
    """
    scale = min(1.0, side / max(small.shape[:2]))
    if scale < 1:
        small = np.asarray(
            cv2.resize(small, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8
        )
    found: list[Points] = []
    known: list[Looks] = []
    least = LEAST_SHARE * small.shape[0] * small.shape[1]
    for contour in _trace_contours(small):
        box = cv2.boundingRect(contour)
        if box[2] * box[3] < 1.3 * least:
            continue
        hull = cv2.convexHull(contour)
        area = cv2.contourArea(hull)
        if area < least or area > 0.97 * small.shape[0] * small.shape[1]:
            continue
        if cv2.contourArea(contour) < 0.6 * area:
            continue
        # One thing stands out at many levels.
        looks = (box[0], box[1], box[0] + box[2], box[1] + box[3], 4 * math.sqrt(area))
        if any(_is_same(other, looks) for other in known):
            continue
        known.append(looks)
        quad = _fit_quad(hull[:, 0])
        if quad is None or area < 0.85 * cv2.contourArea(quad.astype(np.float32)):
            continue
        if not any(np.abs(other - quad).max() < SAME_PX for other in found):
            found.append(quad)
    return [(quad + 0.5) / scale - 0.5 for quad in found]


def _is_same(one: Looks, other: Looks) -> bool:
    return all(abs(a - b) < SAME_PX for a, b in zip(one, other, strict=True))


def _trace_contours(small: Picture) -> Iterator[NDArray[np.int32]]:
    """Outer and inner borders of what stands out, by brightness at many levels and as smooth ground between
    edges.
    """
    calm = cv2.medianBlur(small, 5)
    grey = cv2.cvtColor(calm, cv2.COLOR_BGR2GRAY)
    least = 2 * np.sqrt(LEAST_SHARE * grey.size)
    levels = quantiles(grey[::4, ::4], np.linspace(0.03, 0.97, LEVELS)).astype(int)
    for level in sorted(set(levels.tolist())):
        mask = cv2.threshold(grey, level, 255, cv2.THRESH_BINARY)[1]
        yield from _keep_long(np.asarray(mask, np.uint8), least)
    across, down = (
        cv2.Sobel(calm, cv2.CV_16S, x, 1 - x, ksize=3, borderType=cv2.BORDER_REPLICATE) for x in (1, 0)
    )
    for low in (12, 25, 50):
        edges = cv2.Canny(across, down, low, 2 * low)
        smooth = cv2.bitwise_not(cv2.dilate(edges, np.ones((3, 3), np.uint8)))
        yield from _keep_long(np.asarray(smooth, np.uint8), least)


def _keep_long(mask: Picture, least: float) -> Iterator[NDArray[np.int32]]:
    contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
    for contour in contours:
        if len(contour) >= 4 and max(cv2.boundingRect(contour)[2:]) > least / 2:
            yield np.asarray(contour, np.int32)


def _fit_quad(hull: NDArray[Any]) -> Points | None:
    """Small quadrilateral (4, 2) around a convex polygon (n, 2), clockwise: drop the side whose loss adds
    least area.
    """
    outline = hull.astype(np.float32)
    polygon = cv2.approxPolyDP(outline, 0.004 * cv2.arcLength(outline, True), True)[:, 0].astype(np.float64)
    if len(polygon) < 4:
        return None
    if signed_area(polygon) < 0:
        polygon = polygon[::-1]
    corners: list[Point] = [(float(x), float(y)) for x, y in polygon]
    n = len(corners)
    joins = [_join_at(corners, i) for i in range(n)]
    while n > 4:
        place = min(range(n), key=lambda i: joins[i][0])
        added, corner = joins[place]
        if math.isinf(added):
            return None
        corners[place] = corner
        lost = (place + 1) % n
        del corners[lost], joins[lost]
        n -= 1
        place -= lost < place
        for i in (place - 2, place - 1, place, place + 1):  # those that the new corner is part of
            joins[i % n] = _join_at(corners, i % n)
    return np.array(corners)


def _join_at(corners: list[Point], i: int) -> tuple[float, Point]:
    """What joining the sides before and after corner i and the next one would make of both."""
    n = len(corners)
    return _join(corners[i - 1], corners[i], corners[(i + 1) % n], corners[(i + 2) % n])


def _join(a: Point, b: Point, c: Point, d: Point) -> tuple[float, Point]:
    """Where the sides a-b and d-c of a convex polygon meet beyond b and c, and the area that adds, else infinite."""
    rx, ry, sx, sy = b[0] - a[0], b[1] - a[1], c[0] - d[0], c[1] - d[1]
    cross = rx * sy - ry * sx
    if cross >= -1e-9:
        return math.inf, b
    t = ((d[0] - a[0]) * sy - (d[1] - a[1]) * sx) / cross
    if t < 1:
        return math.inf, b
    x, y = a[0] + t * rx, a[1] + t * ry
    return abs((c[0] - b[0]) * (y - b[1]) - (c[1] - b[1]) * (x - b[0])) / 2, (x, y)
