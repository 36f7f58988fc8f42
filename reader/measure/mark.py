"""Profiles -> a height with its standard error for every mark of a plate, and what else each line shows.

In order: the noise of the stretches without a mark (`noise`), heights where no line can be (`blanks`), both marks'
heights (`line_height`), whether the file kept colour (`line_colour`), and each line's looks (`line_looks`).
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from reader.measure.blanks import NoiseLevel, fit_blanks, noise_level, pool_blanks
from reader.measure.line_colour import (
    FileColour,
    angle_between,
    angle_error,
    codes_per_height,
    dyes_of,
    faintest_colour,
    judge_colour,
)
from reader.measure.line_height import FileCodes, LineFit, fit_lines
from reader.measure.line_looks import (
    LOOKS_SNR,
    SEEN_SHARE,
    STRONG_SNR,
    full_width,
    is_misplaced,
    look_across,
    place_error,
    seen_share,
)
from reader.measure.line_shape import DYE, LUMA
from reader.measure.noise import learn_noise
from reader.measure.profile import Profile
from reader.measure.shade import Shade, flat_shade
from reader.measure.witness import dye_evidence, which_dye
from reader.numbers.arrays import BoolArray, FloatArray
from reader.settings.values import Layout
from reader.words import MarkName

TONE_MIN = 0.05
"""Darker membranes are taken for so bright when codes are turned into absorbance."""


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkMeasurement:
    """One mark: height and standard_error in absorbance of the dye's strongest channel, 1 sigma; lengths in mm.

    None where a line is too faint, or the file too coarse, to tell. span : share of the lanes across the breadth
    that carry the line. straightness_mm : rms of the lanes' places about a straight line. dye : the dye whose colour
    fits best of those the mark may show; None where the file cannot carry it. dye_angle_deg : degrees between the
    line's colour and that dye's, in absorbance space. blank_mean, blank_sd : heights found where no line is, in this
    window's terms; blank_n : degrees of freedom behind them.

    What tells dye from light. plastic : whether the plastic beside the window was seen; None where nobody looked.
    shade_height : what the change of light that it shows would have added to the height; None where it was not seen.
    shade_reach : what it may yet add, where the membrane does not tell where its shadow lies.
    dye_evidence : by how much the dye explains the colour better than a neutral shadow does, natural logarithm of the
    likelihood ratio; which_dye_evidence : the same over the mark's other dye; line_evidence : by how much a line
    explains the profile better than an edge does.
    """

    window: str
    mark: MarkName
    height: float | None
    standard_error: float | None
    blank_mean: float
    blank_sd: float
    blank_n: float
    position_mm: float | None = None
    position_mm_se: float | None = None
    width_mm: float | None = None
    straightness_mm: float | None = None
    span: float | None = None
    dye: str | None = None
    dye_angle_deg: float | None = None
    dye_angle_deg_se: float | None = None
    plastic: bool | None = None
    shade_height: float | None = None
    shade_reach: float | None = None
    dye_evidence: float | None = None
    which_dye_evidence: float | None = None
    line_evidence: float | None = None
    flags: tuple[str, ...] = ()

    @property
    def measured(self) -> dict[str, Any]:
        """All that was measured, by the names that it has in a verdict too."""
        return {name: getattr(self, name) for name in MEASURED}


MEASURED = tuple(field.name for field in fields(MarkMeasurement) if field.name not in ("window", "mark"))
"""What is measured of a mark, under one set of names from here to the verdict."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class WindowFit:
    """The marks of one window and the curves behind them, all (n,): position_mm; absorbance, its standard error,
    baseline, and baseline plus lines (fit) along the indicator's dye; used, where the profile took part."""

    window: str
    indicator: MarkMeasurement
    reference: MarkMeasurement
    blur_mm: float
    position_mm: FloatArray
    absorbance: FloatArray
    standard_error: FloatArray
    baseline: FloatArray
    fit: FloatArray
    used: BoolArray


def measure_marks(
    profiles: Sequence[Profile],
    layout: Layout,
    shades: Sequence[Shade] | None = None,
    losses: Sequence[tuple[str, ...]] | None = None,
    *,
    chroma_floor: float = 0.0,
    tone: float = 0.8,
    rounding: float = 0.0,
) -> tuple[WindowFit, ...]:
    """Measure all marks of a plate: one WindowFit a profile, in order. Heights may be negative, as noise makes them.

    shades : the change of light along each window. losses : by window, flags of what may have taken
    a faint line, or put the window elsewhere.

    chroma_floor : the smallest chroma amplitude that the file carries, in 8-bit codes. tone : the membranes' encoded
    brightness, 0..1, which says how many codes a given absorbance is. rounding : what the file's rounding alone may
    have made of a blank, codes of luma, 1 sigma: no height is known better.
    """
    shades = shades or [flat_shade(len(profile.position_mm), plastic=None) for profile in profiles]
    losses = losses or [()] * len(profiles)
    noise = learn_noise(profiles, shades, layout)
    blanks = [
        fit_blanks(profile, shade, layout, noise) for profile, shade in zip(profiles, shades, strict=True)
    ]
    plate = pool_blanks(blanks)
    levels = [noise_level(own, plate) for own in blanks]
    codes = FileCodes(code=1 / codes_per_height(max(tone, TONE_MIN)), rounding=rounding)
    fits = [
        fit_lines(profile, shade, layout, noise, level.sigma, codes)
        for profile, shade, level in zip(profiles, shades, levels, strict=True)
    ]
    colour = judge_colour(profiles, fits, layout, faintest_colour(chroma_floor, tone))
    windows = [
        _Window(profile=profile, shade=shade, fit=fit, level=level, colour=colour, flags=lost)
        for profile, shade, fit, level, lost in zip(profiles, shades, fits, levels, losses, strict=True)
    ]
    return tuple(_measure_window(window, layout) for window in windows)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Window:
    """All that one window's marks are measured from; flags : what may have taken a faint line, or moved the window."""

    profile: Profile
    shade: Shade
    fit: LineFit
    level: NoiseLevel
    colour: FileColour
    flags: tuple[str, ...]


def _measure_window(window: _Window, layout: Layout) -> WindowFit:
    profile, fit = window.profile, window.fit
    indicator_dyes, reference_dyes = dyes_of(layout)
    lines = fit.shapes @ fit.heights
    smooth = fit.y - lines - _residual(fit, lines)
    scale = 1 / float(LUMA @ DYE[layout.marks.indicator.colour])
    x = profile.position_mm
    baseline = np.interp(x, fit.x, smooth) * scale
    off = _flags(window_off=is_misplaced(fit, layout.marks.reference.position))
    return WindowFit(
        window=profile.window.id,
        indicator=_measure_mark(window, "indicator", 0, indicator_dyes, off),
        reference=_measure_mark(window, "reference", 1, reference_dyes),
        blur_mm=fit.blur,
        position_mm=x,
        absorbance=profile.absorbance @ LUMA * scale,
        standard_error=np.sqrt((profile.standard_error**2) @ (LUMA**2)) * scale,
        baseline=baseline,
        fit=baseline + np.interp(x, fit.x, lines) * scale,
        used=fit.rows,
    )


def _residual(fit: LineFit, lines: FloatArray) -> FloatArray:
    """What neither the lines nor the smooth baseline explain: the rough noise's part of the rest (kriging)."""
    return np.asarray(fit.rough @ (fit.projected @ (fit.y - lines)))


def _measure_mark(
    window: _Window, name: MarkName, k: int, dyes: Sequence[str], flags: tuple[str, ...] = ()
) -> MarkMeasurement:
    """Mark k of a window; dyes : those that it may show; flags : of this mark alone."""
    profile, shade, fit, level = window.profile, window.shade, window.fit, window.level
    colour = fit.filters[k] @ profile.absorbance[fit.rows]
    luma, error = float(fit.heights[k]), float(fit.errors[k])
    snr = luma / error
    shown = min(dyes, key=lambda dye: angle_between(colour, DYE[dye]))
    coloured = snr >= LOOKS_SNR and luma >= window.colour.carried
    told = coloured and not window.colour.lost
    dye = shown if coloured else dyes[0]
    scale = 1 / float(LUMA @ DYE[dye])
    white = error / level.sigma * scale
    unseen = MarkMeasurement(
        window=profile.window.id,
        mark=name,
        height=None,
        standard_error=None,
        blank_mean=level.mean * white,
        blank_sd=level.sd * white,
        blank_n=level.freedom,
        flags=("not_seen", *flags, *window.flags),
    )
    if seen_share(profile, fit, k) < SEEN_SHARE:
        return unseen
    span, straightness, part = look_across(profile, fit, k)
    unsure = level.rgb * (error / level.sigma) ** 2
    other = next((name for name in dyes if name != dye), None)
    own_flags = _flags(part_of_breadth=part, colour_not_carried=snr >= LOOKS_SNR and not told)
    return replace(
        unseen,
        height=luma * scale,
        standard_error=error * scale,
        position_mm=float(fit.places[k]),
        position_mm_se=place_error(fit, k, level.sigma) if snr >= LOOKS_SNR else None,
        width_mm=full_width(float(fit.widths[k]), fit.blur) if snr >= STRONG_SNR else None,
        straightness_mm=straightness,
        span=span,
        dye=dye if coloured else None,
        dye_angle_deg=angle_between(colour, DYE[dye]) if told else None,
        dye_angle_deg_se=angle_error(colour, DYE[dye], level, error / float(fit.misfit[k])) if told else None,
        dye_evidence=dye_evidence(colour, unsure, dye) if told else None,
        which_dye_evidence=which_dye(colour, unsure, dye, other) if coloured and other else None,
        line_evidence=fit.line_evidence[k] if snr >= LOOKS_SNR else None,
        plastic=shade.plastic,
        shade_reach=_shade_reach(shade, fit, k) * scale if shade.plastic else None,
        shade_height=_shade_height(shade, fit, k) * scale if shade.plastic else None,
        flags=(*own_flags, *flags, *window.flags),
    )


def _shade_height(shade: Shade, fit: LineFit, k: int) -> float:
    """Luma height that the change of light would have added to a mark."""
    return float(fit.filters[k] @ (shade.change[fit.rows] @ LUMA))


def _shade_reach(shade: Shade, fit: LineFit, k: int) -> float:
    """Luma height that the light may yet add to a mark, if its shadow lies elsewhere than thought."""
    if not len(shade.others):
        return 0.0
    left = shade.others[:, fit.rows] - shade.change[fit.rows] @ LUMA
    return max(0.0, float((left @ fit.filters[k]).max()))


def _flags(**found: bool) -> tuple[str, ...]:
    """Codes of `refusals.FLAGS` that hold."""
    return tuple(code for code, holds in found.items() if holds)
