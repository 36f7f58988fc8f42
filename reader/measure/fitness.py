"""Whether a picture is fit to be read, and how far its colour is: refusals come before any call is made."""

import math
from collections.abc import Sequence
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from reader.locate.plate import PlatePose
from reader.measure.profile import Profile
from reader.measure.strip import EDGE_MM, Strip
from reader.numbers.median import quantile
from reader.photo.open import ChromaInfo
from reader.photo.tags import quantisation_step
from reader.refusals import refuse
from reader.settings.values import Layout, Thresholds

HIDDEN_MAX = 0.5
"""Share of a membrane that its rim may hide (a steep view) before the window is not read."""
CLIPPED_MAX = 0.25
"""Share of a membrane that may be blown out."""
EDGE_STEP_MIN = 0.06
"""Absorbance step that at least one side of every membrane shows: a rim, a bevel or a shadow (common practice, no
source: 13 % of the light)."""
COVER_ABSORBANCE = 0.55
"""Absorbance over the plate's bare membrane, beyond hard shadows (half to two thirds of the light)."""
COVER_HUE = 0.18
"""Difference between channels, beyond tints and mixed lamps."""
BARE_SHARE = 0.25
"""So large a share of the rows between marks is taken to be bare: a pen may lie across all windows and hide most."""
COVERED_MAX = 0.12
"""Share of a membrane's rows that something may cover."""
INSIDE_MM = 1.5
"""Left out at a membrane's ends when covers are sought."""
CHROMA_STEP = 21.0
"""Quantisation step of low chroma frequencies at quality 50 (ITU-T T.81, table K.2: 17 to 26)."""
UNKNOWN_CHROMA_QUALITY = 70
"""Taken where a lossy file does not tell its quality (HEIC, WebP): phones use more, messengers less."""
LOSSLESS_CHROMA_FLOOR = 0.5
"""Chroma amplitude, 8-bit codes, below which a phone's own colour noise reduction leaves nothing reliable."""


def check_pose(pose: PlatePose, thresholds: Thresholds) -> None:
    """Refuse a plate that is too small in the picture for its marks' width."""
    narrowest = min(pose.layout.marks.indicator.width, pose.layout.marks.reference.width)
    found = pose.px_per_mm * narrowest
    if found < thresholds.min_px_per_mark_width:
        refuse(
            "too_few_pixels",
            found=pose.px_per_mm,
            needed=thresholds.min_px_per_mark_width / narrowest,
            closer=thresholds.min_px_per_mark_width / found,
        )


def check_strips(strips: Sequence[Strip]) -> None:
    """Refuse a plate of which a window cannot be seen."""
    clipped = [strip.window.id for strip in strips if strip.clipped_fraction > CLIPPED_MAX]
    if len(clipped) > len(strips) / 2:
        refuse("overexposed", windows=clipped)
    if clipped:
        refuse("glare", windows=clipped)
    hidden = [strip.window.id for strip in strips if strip.hidden_fraction > HIDDEN_MAX]
    if hidden:
        refuse("window_hidden", windows=hidden)


def check_sharpness(strips: Sequence[Strip], layout: Layout, thresholds: Thresholds) -> None:
    """Refuse a picture whose blur smears its marks, and windows whose own edges are covered."""
    edgeless = [strip.window.id for strip in strips if strip.edge_step < EDGE_STEP_MIN]
    if is_blurred(strips, layout, thresholds) or len(edgeless) > len(strips) / 2:
        refuse("blurred", far=f" for marks of {_narrowest(layout):g} mm", mark_mm=_narrowest(layout))
    if edgeless:
        refuse("window_hidden", windows=edgeless)


def is_blurred(strips: Sequence[Strip], layout: Layout, thresholds: Thresholds) -> bool:
    """Whether the windows' own edges are too blurred for the layout's narrowest mark."""
    blur = blur_mm(float(np.median([strip.edge_share for strip in strips])))
    return blur > thresholds.max_blur * _narrowest(layout)


def _narrowest(layout: Layout) -> float:
    return min(layout.marks.indicator.width, layout.marks.reference.width)


def check_covers(profiles: Sequence[Profile], layout: Layout) -> None:
    """Refuse a plate with something over a window: stretches much darker, or of another hue, than its membranes."""
    between = [(profile, _between_marks(profile, layout)) for profile in profiles]
    between = [(profile, rows) for profile, rows in between if rows.any()]
    if not between:  # windows hardly longer than their marks
        return
    rows_of_all = np.concatenate([profile.absorbance[rows] for profile, rows in between])
    bare = np.array([quantile(channel, BARE_SHARE) for channel in rows_of_all.T])
    covered = [
        profile.window.id
        for profile, rows in between
        if _is_covered(profile.absorbance[rows] - bare).mean() > COVERED_MAX
    ]
    if covered:
        refuse("window_hidden", windows=covered)


def _between_marks(profile: Profile, layout: Layout) -> NDArray[np.bool_]:
    """Rows well inside the membrane on which no mark lies."""
    x = profile.position_mm
    rows = profile.valid & (x > INSIDE_MM) & (x < profile.window.length - INSIDE_MM)
    for mark in layout.marks.both:
        rows = rows & (np.abs(x - mark.position) > mark.width + INSIDE_MM / 2)
    return rows


def _is_covered(difference: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether absorbance (n, 3) is off by more than any shadow, tint or wetting is."""
    hue = np.abs(difference[:, [0, 2]] - difference[:, [1]]).max(axis=1)
    return np.asarray((difference[:, 1] > COVER_ABSORBANCE) | (hue > COVER_HUE))


def blur_mm(edge_share: float) -> float:
    """Sigma of a Gaussian edge of which a share lies within EDGE_MM: share = erf(EDGE_MM / (2 sqrt 2 sigma))."""
    share = min(max(edge_share, 0.05), 0.995)
    return EDGE_MM / 2 / NormalDist().inv_cdf((1 + share) / 2)


def chroma_floor(chroma: ChromaInfo) -> float:
    """Smallest chroma amplitude, in 8-bit codes, that a file carries.

    A cosine of amplitude a over an 8 x 8 block has a DCT coefficient of a x sqrt(8) x 2, which is rounded away below
    half a quantisation step; a line's energy lies in two or so of them. The step follows the IJG's scale of quality.
    """
    if not chroma.lossy:
        return LOSSLESS_CHROMA_FLOOR
    quality = chroma.chroma_quality or chroma.jpeg_quality or UNKNOWN_CHROMA_QUALITY
    return max(LOSSLESS_CHROMA_FLOOR, quantisation_step(CHROMA_STEP, quality) / (2 * math.sqrt(8)))
