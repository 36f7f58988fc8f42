"""What a line shows besides its height: how much of the breadth it crosses, how straight and broad it is, and where."""

import math

import numpy as np

from reader.measure.line_height import HALO_MM, LineFit
from reader.measure.line_search import SEARCH_MM, SEARCH_STEP_MM
from reader.measure.line_shape import LUMA, line_shape
from reader.measure.profile import Profile
from reader.numbers.arrays import FloatArray

STRONG_SNR = 12.0
"""From this signal-to-noise ratio a line's own width is known better than the layout's prior."""
LOOKS_SNR = 3.0
"""From this ratio a line (or a lane of it) has looks that can be measured at all."""
PART_MIN = 0.25
"""Share of the lanes from which a line over part of the breadth is more than a hair or a speck."""
SEEN_SHARE = 0.7
"""Share of the rows under a line and its flanks that must be seen for its height to be measured."""


def seen_share(profile: Profile, fit: LineFit, k: int) -> float:
    """Share of the rows under a line that took part in the fit."""
    under = np.abs(profile.position_mm - fit.places[k]) < fit.widths[k] / 2 + HALO_MM
    return float(fit.rows[under].mean()) if under.any() else 0.0


def is_misplaced(fit: LineFit, reference_mm: float) -> bool:
    """Whether something strong lies at the end of the reference line's search: then the line lies beyond it, and the
    indicator mark is off as far. What does not fit the model there is counted in, as half a line fits badly."""
    strong = abs(float(fit.heights[1])) >= STRONG_SNR * float(fit.errors[1] / fit.misfit[1])
    return strong and abs(float(fit.places[1]) - reference_mm) > SEARCH_MM - SEARCH_STEP_MM / 2


def look_across(profile: Profile, fit: LineFit, k: int) -> tuple[float | None, float | None, bool]:
    """Share of the lanes that carry the line, how far it bends from a straight one (rms, mm), and whether a part of
    the breadth carries a line that the whole does not."""
    height, error = float(fit.heights[k]), float(fit.errors[k])
    under = fit.shapes[:, k] > 0.5
    lanes = np.flatnonzero(profile.lane_valid[:, fit.rows][:, under].mean(axis=1) > SEEN_SHARE)
    if len(lanes) < 3:
        return None, None, False
    known = profile.lane_valid[lanes][:, fit.rows]
    y = np.where(known, profile.lanes[lanes][:, fit.rows] @ LUMA, fit.y)
    lane_heights = y @ fit.filters[k]
    lane_error = error * math.sqrt(len(profile.lane_mm))
    if height < LOOKS_SNR * error:
        return None, None, float((lane_heights > STRONG_SNR / 2 * lane_error).mean()) > PART_MIN
    span = float((lane_heights + 2 * lane_error >= 0.5 * height).mean())
    part = float((lane_heights > height + STRONG_SNR / 2 * lane_error).mean()) > PART_MIN
    bends = height >= LOOKS_SNR * lane_error
    return span, _straightness(profile.lane_mm[lanes], y, fit, k) if bends else None, part


def _straightness(lane_mm: FloatArray, y: FloatArray, fit: LineFit, k: int) -> float:
    """Scatter of the lanes' own places about a straight line over the breadth, rms, mm."""
    steps = np.arange(-SEARCH_MM, SEARCH_MM + 1e-9, SEARCH_STEP_MM)
    shapes = line_shape(fit.x[:, None] - fit.places[k] - steps, float(fit.widths[k]), fit.blur)
    filters = shapes.T @ fit.projected
    power = np.sqrt(np.einsum("ij,ji->i", filters, shapes))
    at = steps[np.argmax((filters @ y.T) / power[:, None], axis=0)]
    from_middle, stray = lane_mm - lane_mm.mean(), at - at.mean()
    stray = stray - float(from_middle @ stray) / float(from_middle @ from_middle) * from_middle
    return math.sqrt(float(stray @ stray) / len(stray))


def full_width(width: float, blur: float) -> float:
    """Full width at half height of a blurred box, mm."""
    offsets = np.linspace(0, width + 3 * blur, 400)
    return float(2 * np.interp(-0.5, -line_shape(offsets, width, blur), offsets))


def place_error(fit: LineFit, k: int, sigma: float) -> float | None:
    """Standard error of a line's place, mm, from the slope of its flanks."""
    slope = np.gradient(fit.shapes[:, k], fit.x)
    power = float(slope @ fit.projected @ slope)
    return sigma / (abs(float(fit.heights[k])) * math.sqrt(power)) if power > 0 else None
