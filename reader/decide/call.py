"""Measurement + thresholds -> a call for each mark, from limits that this strip's own blanks give.

Limit of blank (CLSI EP17; Currie's critical level L_C, Anal. Chem. 40, 1968, 586): the height that a place without
a line exceeds with a given chance. Limit of detection (L_D): the height that then is missed with a given chance.
As the blanks' spread is itself estimated, Student's t takes the normal quantile's place (ISO 11843-2). The chance of
a false call is set for a whole plate and shared among its marks.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np

from reader.decide.reasons import Reason, reason
from reader.measure.line_search import PLACE_SD_MM
from reader.measure.mark import MarkMeasurement, WindowFit
from reader.numbers.arrays import FloatArray
from reader.numbers.student import t_quantile
from reader.settings.values import IndicatorMark, Layout, ReferenceMark, Thresholds
from reader.words import Call, MarkName

MISS = 0.05
"""Chance that a line as high as the limit of detection is missed (Currie 1968; EP17)."""
ANGLE_SE = 2.0
"""Standard errors by which a line's colour must be off before its colour counts against it."""
GREY = -1.0
"""Log likelihood ratio of dye over shadow below which a line's colour counts against it: a shadow e times likelier."""
DYED = 3.0
"""Log likelihood ratio from which a line's colour alone speaks for dye (20 to 1)."""
WHICH_DYE = 3.9
"""Log likelihood ratio from which one dye is told from the other (50 to 1)."""
EDGE = -2.0
"""Log likelihood ratio of line over edge below which a line's shape counts against it. Faint true lines fall below it
once in a thousand (simulated)."""

LOSSES = ("smoothed", "near_white", "veiled", "compressed", "few_tones")
"""Flags of a file that may have lost a faint line: nothing is called absent in it."""
MISPLACED = ("place_unsure", "window_off")
"""Flags, and reasons, of a window that may lie elsewhere: neither a line in it nor its lack counts."""
UNEVEN = 0.002
"""Heights below this, absorbance, are no shadow worth a word: half a per cent of the light."""

Value = TypeVar("Value", float, FloatArray)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Limits(Generic[Value]):
    """What a height is held against, in absorbance; of one mark, or of many in arrays (n,).

    needed : height that counts at the place where the line was found. reach : from a height to its upper bound.
    ceiling : that bound excludes any line that counts if it is lower.
    """

    blank: Value
    detection: Value
    needed: Value
    reach: Value
    ceiling: Value


def limits(
    *,
    standard_error: Value,
    blank_mean: Value,
    blank_sd: Value,
    blank_n: Value,
    off_mm: Value,
    thresholds: Thresholds,
    false_call: float,
) -> Limits[Value]:
    """Limits of marks from their standard errors and blanks. off_mm : how far off its place a line was found."""
    blank = blank_mean + t_quantile(1 - false_call, blank_n) * blank_sd
    detection = blank + t_quantile(1 - MISS, blank_n) * standard_error
    return Limits(
        blank=blank,
        detection=detection,
        needed=height_needed(blank, standard_error, off_mm),
        reach=t_quantile(1 - thresholds.missed_lines, blank_n) * standard_error,
        ceiling=np.minimum(detection, thresholds.faintest_line),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkCall:
    """A mark's call with the limits it was held against (absorbance) and the reasons for it.

    disturbed : the place shows neither a line nor its lack but something else (glare, a hair, a stain), or nothing:
    another photo may see it better.
    """

    window: str
    mark: MarkName
    call: Call
    limit_of_blank: float | None
    limit_of_detection: float | None
    reasons: tuple[Reason, ...]
    disturbed: bool = False


def height_needed(blank: Value, standard_error: Value, off_mm: Value) -> Value:
    """Height that counts so far off a mark's place, over a limit of blank.

    The likelihood ratio of a line against a blank has the prior of its place in it, so the squared signal-to-noise
    ratio that a faint line needs grows by the square of its distance in standard deviations of lines' places.
    """
    needed: Value = np.hypot(blank, standard_error * off_mm / PLACE_SD_MM)
    return needed


def call_marks(fits: Sequence[WindowFit], layout: Layout, thresholds: Thresholds) -> tuple[MarkCall, ...]:
    """Call both marks of every window, indicator first, in the windows' order."""
    false_call = false_call_per_mark(thresholds.false_calls_per_plate, 2 * len(fits))
    return tuple(
        call_mark(measured, place, thresholds, false_call=false_call)
        for fit in fits
        for measured, place in (
            (fit.indicator, layout.marks.indicator),
            (fit.reference, layout.marks.reference),
        )
    )


def false_call_per_mark(false_calls_per_plate: float, n_marks: int) -> float:
    """Chance of a false call on one mark, where all of a plate's marks share the plate's."""
    return 1 - float((1 - false_calls_per_plate) ** (1 / n_marks))


def call_mark(
    measured: MarkMeasurement, place: IndicatorMark, thresholds: Thresholds, *, false_call: float
) -> MarkCall:
    """Call one mark. false_call : the chance, for this mark, that a blank is called present."""
    if measured.height is None or measured.standard_error is None:
        return _call(measured, "doubtful", None, None, [reason("place_not_seen")], disturbed=True)
    held = limits(
        standard_error=measured.standard_error,
        blank_mean=measured.blank_mean,
        blank_sd=measured.blank_sd,
        blank_n=measured.blank_n,
        off_mm=off_place(measured, place),
        thresholds=thresholds,
        false_call=false_call,
    )
    blank, detection, needed, ceiling = held.blank, held.detection, held.needed, held.ceiling
    # A height below zero is noise, and excludes no more than zero does.
    bound = max(measured.height, 0.0) + held.reach
    if measured.height > needed:
        above = reason("above_blank", height=measured.height, needed=needed)
        against = looks_against(measured, place, thresholds)
        if against:
            return _call(measured, "doubtful", blank, detection, [above, *against], disturbed=True)
        reach = measured.shade_reach or 0.0
        if measured.height - reach <= needed:
            may = reason("shadow_possible", reach=reach)
            return _call(measured, "doubtful", blank, detection, [above, may], disturbed=True)
        witness, speaks = heard(measured)
        if not speaks:
            return _call(measured, "doubtful", blank, detection, [above, witness], disturbed=True)
        if isinstance(place, ReferenceMark) and place.undeveloped_colour is not None:
            if not _dye_is_known(measured):
                unknown = reason("dye_not_told", dye=place.undeveloped_colour)
                return _call(measured, "doubtful", blank, detection, [above, unknown], disturbed=True)
            if measured.dye == place.undeveloped_colour:
                starting = reason("starting_dye", dye=measured.dye)
                return _call(measured, "undeveloped", blank, detection, [above, starting])
        return _call(measured, "present", blank, detection, [above, witness])
    if "part_of_breadth" in measured.flags:
        part = reason("line_over_part", height=measured.height)
        return _call(measured, "doubtful", blank, detection, [part], disturbed=True)
    if measured.height < -blank:
        glare = reason("brighter", height=measured.height)
        return _call(measured, "doubtful", blank, detection, [glare], disturbed=True)
    below = reason("not_above_blank", height=measured.height, needed=needed)
    misplaced = _misplaced(measured)
    if misplaced:
        return _call(measured, "doubtful", blank, detection, [below, *misplaced], disturbed=True)
    lost = [flag for flag in LOSSES if flag in measured.flags]
    if bound < ceiling and lost:
        taken = reason("line_may_be_lost", flag=lost[0])
        return _call(measured, "doubtful", blank, detection, [below, taken], disturbed=True)
    if bound < ceiling:
        excluded = reason("line_excluded", bound=bound, ceiling=ceiling)
        return _call(measured, "absent", blank, detection, [below, excluded])
    possible = reason("line_possible", bound=bound, ceiling=ceiling)
    return _call(measured, "doubtful", blank, detection, [below, possible])


def off_place(measured: MarkMeasurement, place: IndicatorMark) -> float:
    """How far off its place a line was found, mm; 0 where none was."""
    return 0.0 if measured.position_mm is None else measured.position_mm - place.position


def _call(
    measured: MarkMeasurement,
    call: Call,
    blank: float | None,
    detection: float | None,
    reasons: Sequence[Reason],
    *,
    disturbed: bool = False,
) -> MarkCall:
    return MarkCall(
        window=measured.window,
        mark=measured.mark,
        call=call,
        limit_of_blank=None if blank is None else float(blank),
        limit_of_detection=None if detection is None else float(detection),
        reasons=tuple(reasons),
        disturbed=disturbed,
    )


def looks_against(measured: MarkMeasurement, place: IndicatorMark, thresholds: Thresholds) -> list[Reason]:
    """What speaks against a line that is high enough: where it lies, how broad, how straight, how whole, its colour."""
    against = _misplaced(measured)
    if "part_of_breadth" in measured.flags:
        against.append(reason("part_stronger"))
    if (
        measured.position_mm is not None
        and abs(measured.position_mm - place.position) > thresholds.position_tolerance_mm
    ):
        against.append(
            reason(
                "off_place",
                position_mm=measured.position_mm,
                tolerance_mm=thresholds.position_tolerance_mm,
                expected_mm=place.position,
            )
        )
    if measured.width_mm is not None:
        low, high = (
            place.width * ratio for ratio in (thresholds.width_ratio_min, thresholds.width_ratio_max)
        )
        if not low <= measured.width_mm <= high:
            against.append(reason("odd_width", width_mm=measured.width_mm, least_mm=low, most_mm=high))
    if measured.straightness_mm is not None and measured.straightness_mm > thresholds.straightness_mm:
        against.append(
            reason("bent", straightness_mm=measured.straightness_mm, most_mm=thresholds.straightness_mm)
        )
    if measured.span is not None and measured.span < thresholds.span_min:
        against.append(reason("short", span=measured.span, least=thresholds.span_min))
    if measured.dye_angle_deg is not None and measured.dye_angle_deg_se is not None:
        off = measured.dye_angle_deg - ANGLE_SE * measured.dye_angle_deg_se
        grey = measured.dye_evidence is not None and measured.dye_evidence < GREY
        if off > thresholds.dye_angle_max_deg or grey:
            against.append(reason("other_colour", dye_angle_deg=measured.dye_angle_deg, dye=measured.dye))
    if measured.line_evidence is not None and measured.line_evidence < EDGE:
        against.append(reason("edge"))
    return against


def _misplaced(measured: MarkMeasurement) -> list[Reason]:
    return [reason(flag) for flag in MISPLACED if flag in measured.flags]


def has_lost(measured: MarkMeasurement) -> bool:
    """Whether the file may have lost a faint line at this mark."""
    return any(flag in measured.flags for flag in LOSSES)


def heard(measured: MarkMeasurement) -> tuple[Reason, bool]:
    """What says that a line high enough is dye and no change of the light; whether anything says so.

    Where nobody looked at the plastic, nobody is asked: a strip by itself, a verdict of before (`call_anew`).
    """
    if measured.plastic is None:
        return reason("light_not_looked_at"), True
    if measured.plastic:
        taken = abs(measured.shade_height or 0.0)
        if taken < UNEVEN:
            return reason("light_level"), True
        return reason("shadow_taken_out", height=taken), True
    if measured.dye_evidence is not None and measured.dye_evidence > DYED:
        return reason("colour_of_dye", dye=measured.dye), True
    return reason("no_witness"), False


def _dye_is_known(measured: MarkMeasurement) -> bool:
    """Whether a line's colour tells one of the mark's dyes from the other; not asked of a verdict of before."""
    if measured.plastic is None and measured.which_dye_evidence is None:
        return True
    return measured.which_dye_evidence is not None and measured.which_dye_evidence > WHICH_DYE
