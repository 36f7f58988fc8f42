"""What the page of an answer shows: the grade in words, why, every window's calls, what next, and what photo to add."""

from dataclasses import dataclass
from datetime import datetime

from reader.decide.age import in_zone
from reader.decide.records import ReadingAgeRecord
from reader.round.run import Run
from reader.round.site import Site
from reader.station import said
from reader.station.texts import Texts
from reader.verdict.model import Mark, Verdict, WindowRecord
from reader.verdict.second_photo import second_photo


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkShown:
    """A mark: what it is called, and why, in sentences."""

    name: str
    call: str
    call_text: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class WindowShown:
    """A window, in the order of the plate: `number` counts from 0."""

    number: int
    id: str
    analyte: str
    tier: str
    marks: tuple[MarkShown, ...]
    doubtful: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Answer:
    """The answer. sign : the grade, or `refused`. again : what kind of photo is asked for, None where none is."""

    sign: str
    title: str
    why: str
    next: str
    again: str | None
    until: str | None
    phase: str
    warnings: tuple[str, ...]
    departures: tuple[str, ...]
    windows: tuple[WindowShown, ...]
    n_photos: int
    age: str
    done: bool


def answer_of(verdict: Verdict, run: Run, site: Site, *, now: datetime, texts: Texts) -> Answer:
    """What is shown of a run's verdict as it is now."""
    sign = verdict.grade if verdict.status == "read" and verdict.grade is not None else "refused"
    until = run.readable_until
    in_time = run.ended is None and (until is None or now <= until)
    age, asked = verdict.reading_age, _asked(verdict, verdict.reading_age)
    here = None if age is None else in_zone(age, site.place.place)
    if not verdict.next_step.startswith(asked):
        asked = ""
    return Answer(
        sign=sign,
        title=texts(f"grade.{sign}"),
        why=said.why(texts, verdict),
        next=said.next_steps(texts, verdict.next_step.removeprefix(asked)),
        again=_again(verdict, _asked(verdict, here) if asked else "", texts) if in_time else None,
        until=None if until is None else texts.clock(until.astimezone(site.place.place)),
        phase=said.told(texts, run.phase, "phase_name"),
        departures=tuple(
            said.departure(texts, one.sentence)
            for one in run.departures
            if not _is_said(verdict, one.sentence)
        ),
        warnings=tuple(said.warning(texts, one) for one in verdict.warnings),
        windows=tuple(
            WindowShown(
                number=number,
                id=window.id,
                analyte=said.told(texts, window.analyte, "analyte"),
                tier=texts(f"tier.{window.tier}"),
                marks=tuple(_mark(name, mark, texts) for name, mark in _from_the_top(window)),
                doubtful="doubtful" in (window.reference.call, window.indicator.call),
            )
            for number, window in enumerate(verdict.windows)
        ),
        n_photos=max(1, len(verdict.readings)),
        age="" if here is None else said.age(texts, here.sentence),
        done=run.ended is not None,
    )


def _from_the_top(window: WindowRecord) -> list[tuple[str, Mark]]:
    """The marks as they lie in the window's picture, whose flow runs upwards."""
    marks = [("reference", window.reference), ("indicator", window.indicator)]
    return sorted(marks, key=lambda one: -(one[1].expected_mm or 0.0))


def _is_said(verdict: Verdict, departure: str) -> bool:
    """Whether the verdict itself names a departure, as its rule or among its warnings."""
    return any(departure in told for told in (verdict.rule or "", *verdict.warnings))


def _asked(verdict: Verdict, age: ReadingAgeRecord | None) -> str:
    """The sentence with which a verdict of this age asks for another photo; empty where it does not."""
    if verdict.grade != "undecided" or not verdict.pivotal or age is None:
        return ""
    return second_photo(verdict.windows, verdict.pivotal, age, verdict.photo.captured_at, verdict.photo.flags)


def _again(verdict: Verdict, asked: str, texts: Texts) -> str | None:
    if verdict.status == "refused":
        return said.refusal(texts, verdict)[1]
    if verdict.grade != "undecided" or verdict.reading_age is None:
        return None
    if verdict.reading_age.status == "early":
        return texts("answer.early")
    return said.another_photo(texts, asked.strip()) or (texts("answer.again") if verdict.pivotal else None)


def _mark(name: str, mark: Mark, texts: Texts) -> MarkShown:
    return MarkShown(
        name=texts(f"mark.{name}"),
        call=mark.call,
        call_text=texts(f"call.{mark.call}"),
        reasons=said.reasons(texts, mark),
    )
