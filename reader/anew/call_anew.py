"""A verdict's marks called anew from its own numbers, by other thresholds: the photo is not needed."""

from collections.abc import Sequence
from dataclasses import replace
from operator import attrgetter
from typing import Final

from reader.decide.call import MarkCall, call_mark, false_call_per_mark
from reader.decide.reasons import reason
from reader.errors import LinecallError
from reader.measure.mark import MEASURED, MarkMeasurement
from reader.settings.values import IndicatorMark, Layout, Thresholds
from reader.verdict.model import Mark, Verdict
from reader.words import MarkName

UNWITNESSED: Final = reason("light_unknown_then")
_measured_of = attrgetter(*MEASURED)
NO_BLANKS: Final = 1.0  # degrees of freedom where nothing was seen and no limit is worked out


def measured_marks(verdict: Verdict, layout: Layout) -> tuple[tuple[MarkMeasurement, IndicatorMark], ...]:
    """What was measured of every mark, with its place in the layout; the indicator of each window first.

    Raises LinecallError where the verdict was written without the mean of its blanks.
    """
    return tuple(
        (_measurement(verdict, window.id, name, mark), place)
        for window in verdict.windows
        for name, mark, place in _named_marks(window.indicator, window.reference, layout)
    )


def call_anew(verdict: Verdict, layout: Layout, thresholds: Thresholds) -> tuple[MarkCall, ...]:
    """Call every mark of a verdict by these thresholds, in the order of `measured_marks`; raises as it does."""
    return call_measured(verdict, measured_marks(verdict, layout), thresholds)


def call_measured(
    verdict: Verdict, measured: Sequence[tuple[MarkMeasurement, IndicatorMark]], thresholds: Thresholds
) -> tuple[MarkCall, ...]:
    """Call the measured marks of a verdict by these thresholds.

    A verdict from before the light was looked at gains no line by this: what it did not call present may have been a
    shadow.
    """
    false_call = false_call_per_mark(thresholds.false_calls_per_plate, len(measured))
    called = tuple(call_mark(mark, place, thresholds, false_call=false_call) for mark, place in measured)
    before = [
        mark.first_call or mark.call
        for window in verdict.windows
        for mark in (window.indicator, window.reference)
    ]
    return tuple(
        replace(call, call="doubtful", reasons=(*call.reasons, UNWITNESSED))
        if mark.plastic is None and call.call == "present" and first != "present"
        else call
        for call, (mark, _), first in zip(called, measured, before, strict=True)
    )


def _named_marks(
    indicator: Mark, reference: Mark, layout: Layout
) -> tuple[tuple[MarkName, Mark, IndicatorMark], ...]:
    return (
        ("indicator", indicator, layout.marks.indicator),
        ("reference", reference, layout.marks.reference),
    )


def _measurement(verdict: Verdict, window: str, name: MarkName, mark: Mark) -> MarkMeasurement:
    if mark.height is not None and None in (mark.blank_mean, mark.blank_sd, mark.blank_n):
        raise LinecallError(
            f"{verdict.photo.name}: the verdict does not say what the blanks of window {window} were like, so its "
            "marks cannot be called anew; read the photo again with this linecall"
        )
    measured = dict(zip(MEASURED, _measured_of(mark), strict=True))
    measured["blank_mean"] = mark.blank_mean or 0.0
    measured["blank_sd"] = mark.blank_sd or 0.0
    measured["blank_n"] = mark.blank_n or NO_BLANKS
    return MarkMeasurement(window=window, mark=name, **measured)
