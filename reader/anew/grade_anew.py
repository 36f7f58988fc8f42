"""A verdict graded anew by other calls than its own: the photo is not needed."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import get_args

from reader.decide.grade import Departure, Expiry, Grade, ReadingAge, grade_plate
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


def graded(calls: Mapping[MarkKey, Call], layout: Layout, rules: Rules, age: ReadingAge) -> Grade:
    """The grade that the calls of all marks come to."""
    marks = [Called(window=window, mark=mark, call=call) for (window, mark), call in calls.items()]
    return grade_plate(marks, layout, rules, age)


def age_of(verdict: Verdict, layout: Layout) -> ReadingAge:
    """The reading age of a verdict, as `grade_plate` takes it."""
    age = verdict.reading_age
    assert age is not None, "a verdict that was read has a reading age"
    return ReadingAge(
        minutes=age.minutes,
        status=age.status,
        source=age.source,
        range_minutes=age.range_minutes or layout.assay.reading_age,
        sentence=age.sentence,
        drops_at=age.drops_at,
        zone=age.zone,
        zone_source=age.zone_source,
        expiry=_expiry_of(verdict),
        departures=departures_of(verdict),
    )


def departures_of(verdict: Verdict) -> tuple[Departure, ...]:
    """The departures of a verdict, as `grade_plate` takes them."""
    return tuple(
        Departure(code=one.code, effect=one.effect, sentence=one.sentence) for one in verdict.departures
    )


def _expiry_of(verdict: Verdict) -> Expiry | None:
    expiry = verdict.expiry
    if expiry is None:
        return None
    return Expiry(
        stated=expiry.stated,
        status=expiry.status,
        held_against=date.fromisoformat(expiry.held_against),
        sentence=expiry.sentence,
    )
