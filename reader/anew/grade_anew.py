"""A verdict graded anew by other calls than its own: the photo is not needed."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import get_args

from reader.decide.grade import Grade, grade_plate
from reader.settings.values import Layout, Rules
from reader.verdict.model import Mark, Verdict
from reader.words import Call, MarkKey, MarkName


@dataclass(frozen=True, kw_only=True, slots=True)
class Called:
    """A mark with the call it has, as `grade_plate` takes it."""

    window: str
    mark: MarkName
    call: Call


def marks_of(verdict: Verdict) -> dict[MarkKey, Mark]:
    """Every mark of a verdict, the indicator of each window first; none of a refused photo."""
    return {
        (window.id, name): getattr(window, name) for window in verdict.windows for name in get_args(MarkName)
    }


def calls_of(verdict: Verdict) -> dict[MarkKey, Call]:
    """The call of every mark of a verdict."""
    return {key: mark.call for key, mark in marks_of(verdict).items()}


def graded(verdict: Verdict, calls: Mapping[MarkKey, Call], layout: Layout, rules: Rules) -> Grade:
    """The grade that the calls of all marks come to at the verdict's reading age, expiry and departures."""
    assert verdict.reading_age is not None, "a verdict that was read has a reading age"
    return grade_plate(called(calls), layout, rules, verdict.reading_age, verdict.expiry, verdict.departures)


def called(calls: Mapping[MarkKey, Call]) -> list[Called]:
    """Calls as `grade_plate` takes them."""
    return [Called(window=window, mark=mark, call=call) for (window, mark), call in calls.items()]
