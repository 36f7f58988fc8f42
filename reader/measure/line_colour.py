"""A line's colour, as evidence of its dye: only as far as the file can carry it."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reader.measure.blanks import NoiseLevel
from reader.measure.line_height import LineFit
from reader.measure.line_looks import STRONG_SNR
from reader.measure.line_shape import DYE, LUMA
from reader.measure.profile import Profile
from reader.measure.witness import dye_share
from reader.numbers.arrays import FloatArray
from reader.settings.values import Layout

COLOURED_LINES = 2
"""Where a plate has so many strong lines"""
COLOUR_KEPT = 0.5
"""and each keeps less than this share of its dye's colour, the file has lost it (a phone's colour noise reduction in
dim light, a filter), and colour is no evidence on this plate."""
CHROMA_MARGIN = 2.0
"""A line's chroma must exceed the file's floor so many times before its colour is evidence."""


@dataclass(frozen=True, kw_only=True, slots=True)
class FileColour:
    """What a file says of colour. carried : luma height from which a line's colour is told. lost : whether the plate's
    own strong lines show that the file lost it.
    """

    carried: float
    lost: bool


def judge_colour(
    profiles: Sequence[Profile], fits: Sequence[LineFit], layout: Layout, carried: float
) -> FileColour:
    """Whether the plate's own strong lines show that the file lost their colour: all of them are nearly grey."""
    kept = [
        max(dye_share(fit.filters[k] @ profile.absorbance[fit.rows], dye) for dye in dyes_of(layout)[k])
        for profile, fit in zip(profiles, fits, strict=True)
        for k in (0, 1)
        if fit.heights[k] > STRONG_SNR * fit.errors[k] and fit.heights[k] > carried
    ]
    return FileColour(carried=carried, lost=len(kept) >= COLOURED_LINES and max(kept) < COLOUR_KEPT)


def dyes_of(layout: Layout) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The dyes that the indicator mark, and the reference mark, may show."""
    reference = layout.marks.reference
    undeveloped = (reference.undeveloped_colour,) if reference.undeveloped_colour else ()
    return (layout.marks.indicator.colour,), (reference.colour, *undeveloped)


def angle_between(colour: FloatArray, dye: FloatArray) -> float:
    """Angle between two directions in absorbance space, degrees."""
    cosine = float(colour @ dye) / max(float(np.linalg.norm(colour) * np.linalg.norm(dye)), 1e-12)
    return math.degrees(math.acos(min(1.0, max(-1.0, cosine))))


def angle_error(colour: FloatArray, dye: FloatArray, level: NoiseLevel, error: float) -> float:
    """Standard error of a line's colour direction across the dye's, degrees, from the blanks' colour noise."""
    unit = dye / np.linalg.norm(dye)
    across = np.eye(3) - np.outer(unit, unit)
    spread = math.sqrt(float(np.trace(across @ level.rgb @ across)) / 2) * error / level.sigma
    return math.degrees(math.atan2(spread, float(np.linalg.norm(colour))))


def codes_per_height(tone: float) -> float:
    """8-bit codes that an absorbance of 1 takes off a channel of an encoded brightness 0..1, to first order (gamma of
    about 2.2)."""
    return tone * 255 * math.log(10) / 2.2


def faintest_colour(chroma_floor: float, tone: float) -> float:
    """Luma height from which a red line's chroma exceeds the file's floor well enough to be believed.

    A line of green absorbance h takes tone x 255 x ln 10 / 2.2 x h codes off green (gamma of about 2.2) and, by the
    dye's direction and ITU-R BT.601, moves Cr by 0.713 of the difference between red's loss and luma's.
    """
    dye = DYE["red"]
    chroma = 0.713 * (float(LUMA @ dye) - dye[0]) * codes_per_height(tone)
    return float(CHROMA_MARGIN * chroma_floor / chroma * float(LUMA @ dye))
