"""Where a plate's sample wells are seen: round, so that no shadow's straight edge is taken for one."""

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.locate.camera import Camera
from reader.locate.camera_steps import jacobian_of, project_edges
from reader.locate.outline import wells
from reader.locate.view import View
from reader.numbers.geometry import Points
from reader.settings.values import Layout

REACH_MM = 6.0
"""How far from its place a well is looked for, mm."""
RADII_MM = np.arange(2.0, 5.6, 0.5)
"""How large a well may be, radius, mm (common practice, no source)."""
DEPTH_MM = 2.0
"""How deep what shows best of a well lies, between its rim and its pad, mm (common practice, no source)."""
SAMPLES_PER_MM = 2.0
"""Samples per millimetre while wells are sought."""
RING_MM = 0.5
"""One standard deviation of a ring's edge, mm."""
WELL_CODES = 8.0
"""A step of so many 8-bit codes round a ring is as likely as not a well."""
WELL_SE_MM = 1.0
"""A well seen this far from where a pose puts it speaks against the pose, one standard deviation, mm: its depth is a
guess."""
WELL_VOTES = 2.0
"""What the wells count for together, where a side of the outline counts 1."""
MOST_WELLS = 2
"""Those at both ends tell as much as all."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Wells:
    """How far (n, 2) wells are seen from their places, mm on the top face; how clearly (n,), 0..1; jacobian (n, 2, 8):
    how far their places move, mm, per unit of each of the camera's unknowns.
    """

    shift: Points
    clear: Points
    jacobian: Points

    def agreement(self, steps: Points) -> Points:
        """How well (t,) the wells lie at their places after steps (t, 8) of the camera, 0..1."""
        miss = np.einsum("nij,tj->tni", self.jacobian, steps) - self.shift
        near = np.exp(-0.5 * np.einsum("tni,tni->tn", miss, miss) / WELL_SE_MM**2)
        return np.asarray(near @ self.clear / len(self.clear), np.float64)


def find_wells(view: View, layout: Layout, camera: Camera) -> Wells:
    """Where a layout's wells are seen in a view, near where a camera (full-size px) predicts them."""
    rings = _rings()
    half = round(REACH_MM * SAMPLES_PER_MM)
    border = rings[0].shape[0] // 2
    grid = np.arange(-half - border, half + border + 1) / SAMPLES_PER_MM
    around = np.stack(np.meshgrid(grid, grid), axis=-1).reshape(-1, 2)
    places = wells(layout)[:: max(1, len(wells(layout)) - 1)][:MOST_WELLS]
    shifts, clear = [], []
    for well in places:
        at = view.to_view(camera.project(well + around, DEPTH_MM)).astype(np.float32)
        x, y = (at[:, i].reshape(len(grid), -1) for i in (0, 1))
        patch = cv2.remap(view.pixels, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        grey = patch.astype(np.float32).mean(axis=2) / (257 if view.pixels.dtype == np.uint16 else 1)
        steps = np.max([np.abs(cv2.filter2D(grey, cv2.CV_32F, ring)) for ring in rings], axis=0)
        inner = steps[border : border + 2 * half + 1, border : border + 2 * half + 1]
        row, column = divmod(int(inner.argmax()), inner.shape[1])
        shifts.append(((column - half) / SAMPLES_PER_MM, (row - half) / SAMPLES_PER_MM))
        clear.append(inner[row, column] / (inner[row, column] + WELL_CODES))
    return Wells(
        shift=np.array(shifts), clear=np.array(clear, np.float64), jacobian=_jacobian(camera, layout, places)
    )


def _jacobian(camera: Camera, layout: Layout, places: Points) -> Points:
    both = np.repeat(places, 2, axis=0)
    _, outwards, px_per_mm = project_edges(camera, both, np.tile(np.eye(2), (len(places), 1)))
    pivot = np.array([layout.outline.width, layout.outline.height]) / 2
    return jacobian_of(camera, pivot, both, outwards / px_per_mm[:, None]).reshape(len(places), 2, -1)


@lru_cache(maxsize=1)
def _rings() -> tuple[NDArray[np.float32], ...]:
    """Kernels that answer with the mean step of brightness across rings of RADII_MM."""
    half = int(np.ceil((RADII_MM[-1] + 2 * RING_MM) * SAMPLES_PER_MM))
    x = np.arange(-half, half + 1) / SAMPLES_PER_MM
    radius = np.hypot(*np.meshgrid(x, x))
    rings = []
    for middle in RADII_MM:
        apart = (radius - middle) / RING_MM
        inside, outside = (
            np.where(side, np.exp(-0.5 * apart**2) * np.abs(apart), 0) for side in (apart < 0, apart > 0)
        )
        rings.append((outside / outside.sum() - inside / inside.sum()).astype(np.float32))
    return tuple(rings)
