"""Rough places where a plate may lie in a reduced photo: four-sided regions, and groups of openings."""

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.geometry import Points

Picture = NDArray[np.uint8]

# A plate fills at least this share of the frame, or its marks would be too few pixels wide to read.
LEAST_SHARE = 0.012
LEVELS = 14
# Regions are looked for at this size first, px along the long side; their corners are refined elsewhere.
SIDE = 560


def quads(small: Picture, *, side: float = SIDE) -> list[Points]:
    """Four-sided regions (4, 2) px of a reduced BGR photo, clockwise as seen, each once.

    side : the size, px along the long side, at which they are looked for.
    """
    scale = min(1.0, side / max(small.shape[:2]))
    if scale < 1:
        small = np.asarray(
            cv2.resize(small, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8
        )
    found: list[Points] = []
    areas: list[float] = []
    least = LEAST_SHARE * small.shape[0] * small.shape[1]
    for contour in _contours(small):
        box = cv2.boundingRect(contour)
        if box[2] * box[3] < 1.3 * least:
            continue
        hull = cv2.convexHull(contour)
        area = cv2.contourArea(hull)
        if area < least or area > 0.97 * small.shape[0] * small.shape[1]:
            continue
        quad = quad_around(hull[:, 0].astype(np.float64))
        if quad is None or area < 0.85 * cv2.contourArea(quad.astype(np.float32)):
            continue
        if cv2.contourArea(contour) < 0.6 * area:
            continue
        if any(
            abs(a - area) < 0.1 * area and np.abs(q - quad).max() < 6
            for q, a in zip(found, areas, strict=True)
        ):
            continue
        found.append(quad)
        areas.append(area)
    return [(quad + 0.5) / scale - 0.5 for quad in found]


def _contours(small: Picture) -> Iterator[NDArray[np.int32]]:
    """Outer and inner borders of what stands out, by brightness at many levels and as smooth ground between
    edges.
    """
    calm = cv2.medianBlur(small, 5)
    grey = cv2.cvtColor(calm, cv2.COLOR_BGR2GRAY)
    least = 2 * np.sqrt(LEAST_SHARE * grey.size)
    levels = np.unique(np.quantile(grey[::4, ::4], np.linspace(0.03, 0.97, LEVELS)).astype(int))
    for level in levels:
        mask = cv2.threshold(grey, int(level), 255, cv2.THRESH_BINARY)[1]
        yield from _long(np.asarray(mask, np.uint8), least)
    for low in (12, 25, 50):
        edges = cv2.Canny(calm, low, 2 * low)
        smooth = cv2.bitwise_not(cv2.dilate(edges, np.ones((3, 3), np.uint8)))
        yield from _long(np.asarray(smooth, np.uint8), least)


def _long(mask: Picture, least: float) -> Iterator[NDArray[np.int32]]:
    contours, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
    for contour in contours:
        if len(contour) >= 4 and max(cv2.boundingRect(contour)[2:]) > least / 2:
            yield np.asarray(contour, np.int32)


def quad_around(hull: Points) -> Points | None:
    """Small quadrilateral (4, 2) around a convex polygon (n, 2), clockwise: drop the side whose loss adds
    least area.
    """
    epsilon = 0.004 * cv2.arcLength(hull.astype(np.float32), True)
    polygon = cv2.approxPolyDP(hull.astype(np.float32), epsilon, True)[:, 0].astype(np.float64)
    if len(polygon) < 4:
        return None
    x, y = polygon.T
    if np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)) < 0:
        polygon = polygon[::-1]
    corners = list(polygon)
    while len(corners) > 4:
        best, place, at = np.inf, -1, corners[0]
        n = len(corners)
        for i in range(n):
            a, b, c, d = corners[i - 1], corners[i], corners[(i + 1) % n], corners[(i + 2) % n]
            r, s = b - a, c - d
            cross = r[0] * s[1] - r[1] * s[0]
            if cross >= -1e-9:
                continue
            t = ((d - a)[0] * s[1] - (d - a)[1] * s[0]) / cross
            if t < 1:
                continue
            p = a + t * r
            added = abs((c - b)[0] * (p - b)[1] - (c - b)[1] * (p - b)[0]) / 2
            if added < best:
                best, place, at = added, i, p
        if place < 0:
            return None
        corners[place] = at
        del corners[(place + 1) % n]
    return np.array(corners)
