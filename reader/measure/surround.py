"""The plastic beside each window, cut out of the full-size pixels: what falls on it is light, never dye.

Lanes of the plate's top face run along the flow on both sides of a window, clear of rims, wells and the outline. They
lie in the top face, the membrane some way below it: the same shadow falls on both, shifted by the slant of the light.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from reader.locate.plate import PlatePose
from reader.measure.profile import ROW_MM
from reader.measure.strip import CLIPPED, DARK, Strip, cut_patch, sample
from reader.numbers.arrays import BoolArray, FloatArray
from reader.numbers.geometry import apply
from reader.photo.open import Photo
from reader.settings.values import Layout, Outline, Window

BESIDE_MM = 1.2
"""Plastic nearer to a membrane than this belongs to its opening: bevel, rounded rim, blur.
Common practice, no source: a bevel of half a millimetre (`strip.OPENING_MARGIN_MM`), its rounding, a pixel or two."""
REACH_MM = 5.7
"""Plastic further from a membrane than this lies in the light of the next window."""
LANE_COLUMNS = 3
"""Columns of ROW_MM a lane: half a millimetre, as the lanes of a profile."""
BEYOND_MM = 3.0
"""Plastic seen beyond a membrane's ends: a slanted light shifts a shadow by so much between the two depths."""
WELL_MM = 4.5
"""Plastic nearer to the middle of a well lies in its funnel (common practice, no source: wells of 5 to 7 mm)."""
OUTLINE_MM = 1.5
"""Plastic nearer to the plate's outline is rounded off."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Surround:
    """Plastic on both sides of one window, lane by lane.

    position_mm : (n,) along the flow from the membrane's upstream end, rows as a profile's and beyond both ends.
    across_mm : (k,) each lane's middle from the window's, to the right looking along the flow.
    absorbance : (k, n, 3) RGB. seen : (k, n), False off the plastic, out of the picture, or where light is clipped.
    """

    window: Window
    position_mm: FloatArray
    across_mm: FloatArray
    absorbance: FloatArray
    seen: BoolArray


def cut_surrounds(photo: Photo, pose: PlatePose, strips: Sequence[Strip]) -> tuple[Surround, ...]:
    """Cut the plastic beside every strip's window out of the photo, in the strips' order."""
    return tuple(_surround(photo, pose, strip) for strip in strips)


def _surround(photo: Photo, pose: PlatePose, strip: Strip) -> Surround:
    window = strip.window
    mm_to_px = pose.mm_to_px @ strip.to_plate
    n_beyond = round(BEYOND_MM / ROW_MM)
    n_rows = int(window.length / ROW_MM) + 2 * n_beyond
    n_lanes = int((REACH_MM - BESIDE_MM) / (LANE_COLUMNS * ROW_MM))
    breadth_of_lanes = n_lanes * LANE_COLUMNS * ROW_MM
    top = -n_beyond * ROW_MM
    position = top + (np.arange(n_rows, dtype=np.float64) + 0.5) * ROW_MM
    lane = (np.arange(n_lanes) + 0.5) * LANE_COLUMNS * ROW_MM
    across, absorbance, seen = [], [], []
    for start in (-BESIDE_MM - breadth_of_lanes, window.breadth + BESIDE_MM):
        extent = (start, top, start + breadth_of_lanes, top + n_rows * ROW_MM)
        patch = cut_patch(photo, mm_to_px, extent)
        light = sample(patch, mm_to_px, extent, 1 / ROW_MM)
        lanes = light.reshape(n_rows, n_lanes, LANE_COLUMNS, 3)
        lit = cv2.inRange(light, (DARK,) * 3, (CLIPPED,) * 3).reshape(n_rows, n_lanes, LANE_COLUMNS)
        clear = np.logical_and.reduce([lit[..., column] > 0 for column in range(LANE_COLUMNS)])
        x = start + lane
        grid = np.stack(np.broadcast_arrays(x[None], position[:, None]), axis=-1)
        clear &= _on_plastic(apply(strip.to_plate, grid.reshape(-1, 2)), pose.layout).reshape(clear.shape)
        across.append(x - window.breadth / 2)
        mean = sum(lanes[:, :, column].astype(np.float64) for column in range(LANE_COLUMNS)) / LANE_COLUMNS
        absorbance.append(-np.log10(np.maximum(mean, DARK)).transpose(1, 0, 2))
        seen.append(clear.T)
    return Surround(
        window=window,
        position_mm=position,
        across_mm=np.concatenate(across),
        absorbance=np.concatenate(absorbance),
        seen=np.concatenate(seen),
    )


def _on_plastic(points: FloatArray, layout: Layout) -> BoolArray:
    """Whether points (n, 2), plate mm, lie on plain plastic: clear of the outline, of every opening and well."""
    x, y = np.ascontiguousarray(points.T)
    centre, well, flow, size = (
        np.array(values)[:, :, None]
        for values in zip(
            *((w.centre, w.well, w.flow, (w.length, w.breadth)) for w in layout.window), strict=True
        )
    )
    along = np.abs(flow)
    clear = (along * size[:, :1] + (1 - along) * size[:, 1:]) / 2 + BESIDE_MM - LANE_COLUMNS * ROW_MM / 2
    off = (np.abs(x - centre[:, 0]) > clear[:, 0]) | (np.abs(y - centre[:, 1]) > clear[:, 1])
    off &= (x - well[:, 0]) ** 2 + (y - well[:, 1]) ** 2 > WELL_MM**2
    return np.asarray(_inside(points, layout.outline) & off.all(axis=0))


def _inside(points: FloatArray, outline: Outline) -> BoolArray:
    """Whether points (n, 2) lie in the outline and clear of its edge."""
    size = np.array([outline.width, outline.height])
    plain = ((points > OUTLINE_MM) & (points < size - OUTLINE_MM)).all(axis=1)
    right, bottom = "right" in outline.cut_corner, "bottom" in outline.cut_corner
    from_corner = np.abs(points - np.array([right, bottom]) * size).sum(axis=1)
    return np.asarray(plain & (from_corner > outline.cut_leg + OUTLINE_MM * np.sqrt(2)))
