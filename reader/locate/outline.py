"""A layout's edges as points along curves, in plate mm: outline, window rims, wells."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from reader.numbers.geometry import Points
from reader.settings.values import Corner, Layout, Outline, Window

CORNERS: tuple[Corner, ...] = ("top-left", "top-right", "bottom-right", "bottom-left")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Curve:
    """Points (n, 2) mm along an edge, evenly spaced, with unit normals (n, 2) that point away from the
    inside.

    part (n,) numbers the straight pieces: 0 to 3 the sides top, right, bottom, left; 4 the cut; -1 the
    rounded corners.
    """

    points: Points
    normals: Points
    part: NDArray[np.int64]


def box_corners(outline: Outline) -> Points:
    """Corners (4, 2) of the outline's bounding box, mm: top-left, top-right, bottom-right, bottom-left."""
    w, h = outline.width, outline.height
    return np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])


@lru_cache(maxsize=8)
def corner_curves(outline: Outline, *, step: float) -> tuple[tuple[Curve, Curve], ...]:
    """For each corner of the box: the edge there if it were the cut one, and if it were a plain one."""
    curves = []
    reach = outline.cut_leg
    for i, corner in enumerate(CORNERS):
        cut = outline_curve(outline, step=step, cut=corner)
        plain = outline_curve(outline, step=step, cut=CORNERS[(i + 2) % 4])
        near = np.abs(plain.points - box_corners(outline)[i]).max(axis=1) < reach
        curves.append((_select(cut, cut.part == 4), _select(plain, near)))
    return tuple(curves)


def _select(curve: Curve, keep: NDArray[np.bool_]) -> Curve:
    return Curve(points=curve.points[keep], normals=curve.normals[keep], part=curve.part[keep])


def outline_curve(outline: Outline, *, step: float, cut: Corner | None = None) -> Curve:
    """The outline, clockwise as seen from the middle of its top-left corner, points every `step` mm.

    cut: another corner to cut instead of the layout's own, to ask which fits a photo best.
    """
    width, height = outline.width, outline.height
    box = [(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)]
    cut_at = CORNERS.index(cut or outline.cut_corner)
    polygon: list[tuple[float, float]] = []
    sides: list[int] = []
    for i, (x, y) in enumerate(box):
        if i != cut_at:
            polygon.append((x, y))
            sides.append(i)
            continue
        leg = outline.cut_leg
        before, after = box[i - 1], box[(i + 1) % 4]
        for toward, side in ((before, 4), (after, i)):
            span = float(np.hypot(toward[0] - x, toward[1] - y))
            polygon.append((x + (toward[0] - x) * leg / span, y + (toward[1] - y) * leg / span))
            sides.append(side)
    return _round_corners(np.array(polygon), np.array(sides), outline.corner_radius, step)


def _round_corners(polygon: Points, sides: NDArray[np.int64], radius: float, step: float) -> Curve:
    """Convex clockwise polygon with rounded corners; sides[i] names the piece that leaves vertex i."""
    ahead = np.roll(polygon, -1, axis=0) - polygon
    length = np.linalg.norm(ahead, axis=1)
    along = ahead / length[:, None]
    normal = np.stack([along[:, 1], -along[:, 0]], axis=1)
    turn = np.arccos(np.clip(np.einsum("ij,ij->i", np.roll(along, 1, axis=0), along), -1, 1))
    used = np.minimum(radius * np.tan(turn / 2), length.min() / 2)
    points, normals, part = [], [], []
    for i in range(len(polygon)):
        j = (i + 1) % len(polygon)
        start, stop = used[i], length[i] - used[j]
        n = max(2, round((stop - start) / step))
        at = start + (np.arange(n) + 0.5) * (stop - start) / n
        points.append(polygon[i] + at[:, None] * along[i])
        normals.append(np.repeat(normal[i : i + 1], n, axis=0))
        part.append(np.full(n, sides[i]))
        bend = used[j] / np.tan(turn[j] / 2) if turn[j] > 0 else 0.0
        n = round(bend * turn[j] / step)
        if n > 0:
            middle = polygon[i] + stop * along[i] - bend * normal[i]
            share = (np.arange(n) + 0.5) / n * turn[j]
            out = np.cos(share)[:, None] * normal[i] + np.sin(share)[:, None] * along[i]
            points.append(middle + bend * out)
            normals.append(out)
            part.append(np.full(n, -1))
    return Curve(points=np.concatenate(points), normals=np.concatenate(normals), part=np.concatenate(part))


def window_corners(window: Window, grow: float = 0.0) -> Points:
    """Membrane corners (4, 2) mm: upstream left, upstream right, downstream right, downstream left, along the
    flow.

    grow: mm added on all four sides, for the wider rim of a bevelled opening.
    """
    flow = np.array(window.flow)
    right = np.array([-flow[1], flow[0]])
    along = (window.length / 2 + grow) * flow
    across = (window.breadth / 2 + grow) * right
    centre = np.array(window.centre)
    return np.stack(
        [centre - along - across, centre - along + across, centre + along + across, centre + along - across]
    )


def window_curve(window: Window, *, step: float) -> Curve:
    """The membrane's edge without its corners; part 0 to 3: upstream, right, downstream, left of the flow."""
    corners = window_corners(window)
    inset = 0.15 * min(window.length, window.breadth)
    points, normals, part = [], [], []
    for i in range(4):
        a, b = corners[i], corners[(i + 1) % 4]
        length = float(np.linalg.norm(b - a))
        along = (b - a) / length
        n = max(3, round((length - 2 * inset) / step))
        at = inset + (np.arange(n) + 0.5) * (length - 2 * inset) / n
        points.append(a + at[:, None] * along)
        normals.append(np.repeat([[-along[1], along[0]]], n, axis=0))
        part.append(np.full(n, i))
    return Curve(points=np.concatenate(points), normals=np.concatenate(normals), part=np.concatenate(part))


@lru_cache(maxsize=32)
def mirror_layout(layout: Layout) -> Layout:
    """The layout as a flipped picture would show it: x runs the other way."""
    width = layout.outline.width
    across: dict[Corner, Corner] = {
        "top-left": "top-right",
        "top-right": "top-left",
        "bottom-left": "bottom-right",
        "bottom-right": "bottom-left",
    }
    outline = layout.outline.model_copy(update={"cut_corner": across[layout.outline.cut_corner]})
    windows = tuple(
        w.model_copy(
            update={
                "centre": (width - w.centre[0], w.centre[1]),
                "well": (width - w.well[0], w.well[1]),
                "flow": (-w.flow[0], w.flow[1]),
            }
        )
        for w in layout.window
    )
    return layout.model_copy(update={"outline": outline, "window": windows})


def wells(layout: Layout) -> Points:
    """Centres (n, 2) mm of the layout's sample wells, each once."""
    return np.array(sorted({w.well for w in layout.window}), np.float64)
