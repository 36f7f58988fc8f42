"""A verdict's marks called anew from its own numbers, by other thresholds: the photo is not needed."""

from typing import Final

from reader.call import MarkCall, call_mark, false_call_per_mark
from reader.errors import LinecallError
from reader.mark import MarkMeasurement, MarkName
from reader.settings import IndicatorMark, Layout, Thresholds
from reader.verdict import Mark, Verdict

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
    measured = measured_marks(verdict, layout)
    false_call = false_call_per_mark(thresholds.false_calls_per_plate, len(measured))
    return tuple(call_mark(mark, place, thresholds, false_call=false_call) for mark, place in measured)


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
    return MarkMeasurement(
        window=window,
        mark=name,
        height=mark.height,
        standard_error=mark.standard_error,
        position_mm=mark.position_mm,
        position_se=mark.position_mm_se,
        width_mm=mark.width_mm,
        straightness_mm=mark.straightness_mm,
        span=mark.span,
        dye=mark.dye,
        dye_angle=mark.dye_angle_deg,
        dye_angle_se=mark.dye_angle_deg_se,
        blank_mean=mark.blank_mean or 0.0,
        blank_sd=mark.blank_sd or 0.0,
        blank_n=mark.blank_n or NO_BLANKS,
        flags=mark.flags,
    )
