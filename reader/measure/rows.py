"""Which rows of a profile take part in a fit, and on which of them no mark can lie."""

import numpy as np

from reader.measure.line_shape import LUMA
from reader.measure.profile import Profile
from reader.numbers.arrays import BoolArray, FloatArray
from reader.numbers.median import median
from reader.settings.values import Layout

END_MM = 0.7
"""Left out at a membrane's ends at the least: rounded corners, blur, the edge's own shadow."""
STEEP = 3.0
"""An end is left out as far as its slope exceeds so many times the median one inside: there lies the rim's shadow,"""
STEEP_FLOOR = 0.002
"""plus so much absorbance a mm."""
MARK_ZONE_MM = 0.9
"""So much beyond a line's own half width counts as the mark's place when blanks are sought."""
FLANK_MM = 1.3
"""Steepness nearer to a line than this may be the line's own flank, displaced and blurred."""


def used_rows(profile: Profile, layout: Layout) -> BoolArray:
    """Rows (n,) between the rim's shadows: an end is left out as far as the profile is steeper there than inside."""
    x, length = profile.position_mm, profile.window.length
    spans = sorted(
        (mark.position - mark.width / 2, mark.position + mark.width / 2) for mark in layout.marks.both
    )
    before = x < spans[0][0] - FLANK_MM
    after = x > spans[-1][1] + FLANK_MM
    slope = np.abs(np.gradient(running_mean(profile.absorbance @ LUMA, 2), x))
    inside = (x > spans[0][1] + MARK_ZONE_MM) & (x < spans[-1][0] - MARK_ZONE_MM)
    steep = slope > STEEP * median(slope[inside if inside.any() else before | after]) + STEEP_FLOOR
    low = max(END_MM, float(x[before & steep].max(initial=0.0)))
    high = min(length - END_MM, float(x[after & steep].min(initial=length)))
    return profile.valid & (x > low) & (x < high)


def blank_rows(profile: Profile, layout: Layout) -> BoolArray:
    """Rows (n,) used in the fit on which no mark can lie."""
    rows = used_rows(profile, layout)
    for mark in layout.marks.both:
        rows = rows & (np.abs(profile.position_mm - mark.position) > mark.width / 2 + MARK_ZONE_MM)
    return rows


def running_mean(y: FloatArray, reach: int) -> FloatArray:
    """Mean over 2 reach + 1 values, the ends repeated."""
    size = 2 * reach + 1
    return np.convolve(np.pad(y, reach, mode="edge"), np.full(size, 1 / size), mode="valid")
