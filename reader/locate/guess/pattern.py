"""Does a four-sided region hold a layout's openings, and which way up? A quick comparison on a small square grid."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.locate.outline import mirror_layout, wells, window_curve
from reader.numbers.geometry import Points, apply
from reader.settings.values import Layout

GRID = 96
"""Side of the grid, px."""
BORDER = 0.05
"""Share of the grid kept free along its border, where the outline itself would outshine the openings."""
RIM_MM = 0.5
"""An opening's rim is drawn so far outside its membrane."""
SIZE_MISS = 0.2
"""How far a region's sides may lie from a plate's, as a share of these."""
LEAST_SEEN = 0.3
"""A region that shows less of itself than this tells nothing."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Way:
    """A way up: a layout, mirrored or not (`plan` is then its mirror image), and quarter turns.

    The plate's corner i is the region's corner (i + turns) modulo 4, both clockwise as seen.
    """

    layout: Layout
    plan: Layout
    turns: int
    mirrored: bool


@lru_cache(maxsize=4)
def templates_of(layouts: tuple[Layout, ...]) -> "Templates":
    """The templates of some layouts, drawn once for all photos."""
    return Templates(layouts)


class Templates:
    """The openings of some layouts, in all ways up, ready to compare with many regions of one photo."""

    def __init__(self, layouts: Sequence[Layout]) -> None:
        """Draw every layout's openings, four turns, plain and mirrored."""
        plans = [(x, plan, plan is not x) for x in layouts for plan in (x, mirror_layout(x))]
        self.plans = tuple(plan for _, plan, _ in plans)
        self.ways = tuple(
            Way(layout=x, plan=plan, turns=k, mirrored=m) for x, plan, m in plans for k in range(4)
        )
        drawn = []
        for layout in layouts:
            edges = _draw(layout)
            for sheet in (edges, edges[:, ::-1]):
                drawn += [_turn(sheet, k) for k in range(4)]
        self.mirrored = np.array([way.mirrored for way in self.ways])
        sizes = [(way.plan.outline.width, way.plan.outline.height) for way in self.ways]
        self._sides = np.array(
            [np.roll(2 * size, way.turns) for way, size in zip(self.ways, sizes, strict=True)]
        )
        self._matrix = np.stack([_normalise(edges) for edges in drawn])

    def have_size(self, sides: Points) -> NDArray[np.bool_]:
        """Whether (n ways,) a region's sides (4,) mm are about a plate's, that way up."""
        return np.asarray(np.abs(sides / self._sides - 1).max(axis=1) < SIZE_MISS)

    def likeness(self, grey: NDArray[np.uint8], quad: Points) -> NDArray[np.float32]:
        """Correlation (n ways,) of a region's edges with each of `ways`; quad (4, 2) px, clockwise."""
        edges, _ = _edges_in(grey, quad)
        return np.asarray(self._matrix @ _normalise(edges), np.float32)

    def likeness_in_frame(self, grey: NDArray[np.uint8], quad: Points) -> tuple[float, NDArray[np.float32]]:
        """The same for a region that sticks out of the frame: share of it in the frame, and correlation
        there.
        """
        edges, to_photo = _edges_in(grey, quad)
        b = round(GRID * BORDER)
        at = apply(to_photo, np.stack(np.meshgrid(np.arange(b, GRID - b), np.arange(b, GRID - b)), axis=-1))
        seen = ((at >= 2) & (at <= np.array(grey.shape[::-1]) - 3)).all(axis=2)
        share = float(seen.mean())
        if share < LEAST_SEEN:
            return share, np.zeros(len(self.ways), np.float32)
        shown = _core(edges)[seen]
        shown = shown - shown.mean(axis=0)
        drawn = self._matrix.reshape(len(self.ways), *seen.shape, 2)[:, seen]
        drawn = drawn - drawn.mean(axis=1, keepdims=True)
        lengths = np.linalg.norm(drawn, axis=(1, 2)) * np.linalg.norm(shown)
        return share, np.asarray(np.einsum("nkc,kc->n", drawn, shown) / np.maximum(lengths, 1e-6), np.float32)


def _edges_in(grey: NDArray[np.uint8], quad: Points) -> tuple[NDArray[np.float32], Points]:
    """A region's edges on the grid, damped where strong, and the homography (3, 3) from grid to picture."""
    side = GRID - 1.0
    square = np.array([[0, 0], [side, 0], [side, side], [0, side]], np.float32)
    to_photo = cv2.getPerspectiveTransform(square, quad.astype(np.float32))
    patch = cv2.warpPerspective(
        grey,
        to_photo,
        (GRID, GRID),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    dx, dy = cv2.spatialGradient(patch)
    edges = np.abs(np.stack([dx, dy], axis=2)).astype(np.float32)
    typical = 2.0 * float(edges.mean()) + 2.0
    return np.asarray(edges / (edges + typical), np.float32), np.asarray(to_photo, np.float64)


def _core(edges: NDArray[np.float32]) -> NDArray[np.float32]:
    """Blurred so that a few per cent of misfit do no harm, without border."""
    b = round(GRID * BORDER)
    return np.asarray(cv2.GaussianBlur(edges, (0, 0), GRID * 0.014)[b:-b, b:-b], np.float32)


def _normalise(edges: NDArray[np.float32]) -> NDArray[np.float32]:
    """The core, each direction of zero mean, together of unit length."""
    core = _core(edges)
    core = core - core.mean(axis=(0, 1))
    return np.asarray((core / max(float(np.linalg.norm(core)), 1e-6)).ravel(), np.float32)


def _turn(edges: NDArray[np.float32], turns: int) -> NDArray[np.float32]:
    """A drawn grid after quarter turns clockwise; each turn makes changes along x ones along y."""
    turned = np.rot90(edges, -turns)
    return np.ascontiguousarray(turned[..., ::-1] if turns % 2 else turned)


def _draw(layout: Layout) -> NDArray[np.float32]:
    """Edges expected in the grid, as |change along x| and |change along y|: the openings' rims, and blobs for
    the wells.
    """
    size = np.array([layout.outline.width, layout.outline.height])
    edges = np.zeros((GRID, GRID, 2), np.float32)
    points, normals = [], []
    for window in layout.window:
        curve = window_curve(window, step=0.5)
        points.append((curve.points + RIM_MM * curve.normals) / size)
        slope = curve.normals * size
        normals.append(slope / np.linalg.norm(slope, axis=1)[:, None])
    radius = 0.55 * min(w.breadth for w in layout.window)
    angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    for grow in (1.0, 1.3, 1.6):
        for well in wells(layout):
            points.append((well + grow * radius * ring) / size)
            slope = ring * size
            normals.append(0.5 * slope / np.linalg.norm(slope, axis=1)[:, None])
    p, n = np.concatenate(points), np.concatenate(normals)
    at = np.rint(p * (GRID - 1)).astype(int)
    inside = ((at >= 0) & (at < GRID)).all(axis=1)
    np.maximum.at(edges, (at[inside, 1], at[inside, 0]), np.abs(n[inside]).astype(np.float32))
    return edges
