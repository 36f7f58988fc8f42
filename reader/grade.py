"""Calls and rules become a grade: every doubt is tried all ways, and the reading age is checked.

Nothing here sees a pixel or a height, so a reviewer's calls are graded by the same function as the reader's.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from typing import Final, Literal, Protocol

from reader.errors import LinecallError
from reader.settings import (
    GRADES,
    Finding,
    Layout,
    MarkName,
    ReferenceCall,
    Row,
    Rules,
    SettledGrade,
    Tally,
    Texts,
    Window,
)

CLOCK_SLACK: Final = timedelta(minutes=5)  # clocks of phones and computers differ by so much; no source
EASTERNMOST: Final = timezone(timedelta(hours=14))  # the largest offset from UTC in use (IANA time zone data)

Call = Literal["present", "absent", "doubtful", "undeveloped"]
Step = Literal["negligible", "moderate", "heavy", "invalid", "undecided", "early", "late", "implausible"]

FINDINGS: Final[dict[tuple[str, str], Finding]] = {
    ("competitive", "present"): "below cutoff",
    ("competitive", "absent"): "above cutoff",
    ("sandwich", "present"): "above cutoff",
    ("sandwich", "absent"): "below cutoff",
}


class CallsError(LinecallError):
    """The calls are not those of the layout's windows."""


class Called(Protocol):
    """A mark with its call; `reader.call.MarkCall` is one, and so is a reviewer's decision."""

    @property
    def window(self) -> str:
        """Id of the window."""

    @property
    def mark(self) -> MarkName:
        """Which mark of the window."""

    @property
    def call(self) -> Call:
        """What was called."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadingAge:
    """Minutes from the drops to the photo, held against the layout's range; `sentence` says it in words.

    `minutes` is None where the age is unknown, and is rounded to a tenth: what is shown is what was compared.
    """

    minutes: float | None
    status: Literal["in_range", "early", "late", "unknown"]
    source: Literal["drops_at", "stated", "none"]
    range_minutes: tuple[float, float]
    sentence: str
    drops_at: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class PivotalMark:
    """A doubtful mark whose call would change the grade."""

    window: str
    mark: MarkName


@dataclass(frozen=True, kw_only=True, slots=True)
class Grade:
    """What the calls come to.

    grade : `undecided` exactly where there is more than one possible grade.
    possible_grades : what all ways of settling the open marks give, mildest first, `invalid` last.
    pivotal : the doubtful marks whose call, with some settling of all others, changes the grade.
    rule : the row that decided, in words; where rows differ, each with the grade it would give.
    warnings : what contradicts itself, a sentence each; the grade stands.
    steps : keys of the site's texts that apply, in order.
    """

    grade: SettledGrade | Literal["undecided"]
    possible_grades: tuple[SettledGrade, ...]
    pivotal: tuple[PivotalMark, ...]
    rule: str
    warnings: tuple[str, ...]
    steps: tuple[Step, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Mark:
    """One mark and every outcome that it may still have, a single one where it is settled."""

    window: Window
    mark: MarkName
    doubtful: bool
    ways: tuple[ReferenceCall | Finding, ...]


def grade_plate(calls: Iterable[Called], layout: Layout, rules: Rules, reading_age: ReadingAge) -> Grade:
    """Grade a plate over every doubt.

    calls : one for each mark of each window of the layout, in any order.
    A doubtful mark is tried all ways. Before the reading range a line may still form, so a mark that is not
    there yet is tried as present too, while one that is there stays; after the range the plate is invalid.
    Raises CallsError where a call is missing, double, unknown to the layout or impossible for its mark.
    """
    early = reading_age.status == "early"
    marks = _open_marks(calls, layout, early=early)
    if reading_age.status == "late":
        return Grade(
            grade="invalid",
            possible_grades=("invalid",),
            pivotal=(),
            rule="the photo was taken after the time in which the plate may be read",
            warnings=(),
            steps=("late",),
        )
    rows = [
        rules.row[index] for index in sorted({_deciding(rules, tally) for tally in _tallies(rules, marks)})
    ]
    grades = {row.grade for row in rows}
    possible = tuple(grade for grade in GRADES if grade in grades)
    grade = possible[0] if len(possible) == 1 else "undecided"
    contradictory = _contradictory(marks)
    steps: tuple[Step, ...] = ("early",) if early else (grade,)
    return Grade(
        grade=grade,
        possible_grades=possible,
        pivotal=tuple(
            PivotalMark(window=mark.window.id, mark=mark.mark)
            for index, mark in enumerate(marks)
            if mark.doubtful and _is_pivotal(rules, mark, [*marks[:index], *marks[index + 1 :]])
        ),
        rule=_in_words(rows, settled=len(possible) == 1),
        warnings=tuple(
            f"{analyte}: above its upper cutoff but below its lower one, which contradicts itself; "
            "the grade stands, but repeat with a new plate"
            for analyte in contradictory
        ),
        steps=(*steps, "implausible") if contradictory else steps,
    )


def next_step(grade: Grade, texts: Texts) -> str:
    """What the site wants done next, in its own words."""
    return " ".join(str(getattr(texts.next_step, step)) for step in grade.steps)


def _open_marks(calls: Iterable[Called], layout: Layout, *, early: bool) -> list[_Mark]:
    """Every mark of the layout, in its order, with its ways."""
    by_mark: dict[tuple[str, str], Call] = {}
    for called in calls:
        key = (called.window, called.mark)
        if key in by_mark:
            raise CallsError(f"the {called.mark} of window {called.window} is called twice; give one call")
        by_mark[key] = called.call
    names: tuple[MarkName, ...] = ("reference", "indicator")
    expected = [(window, name) for window in layout.window for name in names]
    unknown = by_mark.keys() - {(window.id, name) for window, name in expected}
    if unknown:
        window_id, name = min(unknown)
        raise CallsError(
            f"layout {layout.name} has no {name} of window {window_id}; grade by the plate's layout"
        )
    marks = []
    for window, name in expected:
        call = by_mark.get((window.id, name))
        if call is None:
            raise CallsError(
                f"the {name} of window {window.id} has no call; every mark of the layout needs one"
            )
        ways = _ways(call, window, name, layout, early=early)
        marks.append(_Mark(window=window, mark=name, doubtful=call == "doubtful", ways=ways))
    return marks


def _ways(
    call: Call, window: Window, name: MarkName, layout: Layout, *, early: bool
) -> tuple[ReferenceCall | Finding, ...]:
    """Every outcome that a mark may have: a call for a reference mark, a finding for an indicator mark."""
    if name == "indicator":
        if call == "undeveloped":
            raise CallsError(
                f"the indicator of window {window.id} is called undeveloped, but it has no starting dye; "
                "call it present, absent or doubtful"
            )
        settled: tuple[str, ...] = ("present", "absent") if call == "doubtful" or early else (call,)
        if call == "present":
            settled = ("present",)
        return tuple(FINDINGS[layout.assay.format, outcome] for outcome in settled)
    has_dye = layout.marks.reference.undeveloped_colour is not None
    if call == "present":
        return ("present",)
    if call == "doubtful" or early:
        return (
            ("present", "absent", "undeveloped")
            if has_dye or call == "undeveloped"
            else ("present", "absent")
        )
    return (call,)


def _tallies(rules: Rules, marks: Iterable[_Mark]) -> set[Tally]:
    """Every tally that some settling of the marks gives: exact, and never more than the rules tell apart."""
    tallies = {rules.nothing}
    for mark in marks:
        tallies = {
            rules.add(tally, mark.mark, mark.window.tier, outcome)
            for tally in tallies
            for outcome in mark.ways
        }
    return tallies


def _deciding(rules: Rules, tally: Tally) -> int:
    index = rules.deciding(tally)
    assert index is not None, "rules that leave a plate without a grade do not load"
    return index


def _is_pivotal(rules: Rules, mark: _Mark, others: list[_Mark]) -> bool:
    return any(
        len({rules.row[_deciding(rules, after)].grade for after in _each_way(rules, mark, tally)}) > 1
        for tally in _tallies(rules, others)
    )


def _each_way(rules: Rules, mark: _Mark, tally: Tally) -> Iterable[Tally]:
    return (rules.add(tally, mark.mark, mark.window.tier, outcome) for outcome in mark.ways)


def _in_words(rows: Sequence[Row], *, settled: bool) -> str:
    if settled:
        return ", or ".join(dict.fromkeys(row.because for row in rows))
    return "; ".join(dict.fromkeys(f"{row.grade} if {row.because}" for row in rows))


def _contradictory(marks: Sequence[_Mark]) -> list[str]:
    """Analytes above an upper cutoff but below a lower one, by settled marks of windows that worked."""
    worked = {mark.window.id for mark in marks if mark.mark == "reference" and mark.ways == ("present",)}
    settled = [
        (mark.window, mark.ways[0])
        for mark in marks
        if mark.mark == "indicator" and len(mark.ways) == 1 and mark.window.id in worked
    ]
    above = {w.analyte for w, finding in settled if w.tier == "upper" and finding == "above cutoff"}
    below = {w.analyte for w, finding in settled if w.tier == "lower" and finding == "below cutoff"}
    return list(dict.fromkeys(w.analyte for w, _ in settled if w.analyte in above & below))


# ------------------------------------------------------------------------------------------ reading age


def reading_age(
    layout: Layout,
    *,
    stated_minutes: float | None = None,
    drops_at: datetime | None = None,
    captured_at: datetime | None = None,
    now: datetime,
) -> ReadingAge:
    """Work out how old the plate was in the photo; what cannot be known is said, never guessed.

    stated_minutes : the age as the user gives it; it is taken before `drops_at`.
    drops_at, captured_at : when the drops were put in, and the camera's claim. A time without an offset is
    that of a clock on the wall where the photo was taken; such a capture time is not compared with drops that
    have an offset, for where it was taken is not known.
    now : with its offset; a capture time after it is not believed.
    Raises LinecallError where `stated_minutes` is no age.
    """
    first, last = layout.assay.reading_age
    span = f"{first:g} to {last:g} min after the drops"
    doubt = _clock_doubt(captured_at, now)

    def unknown(reason: str, source: Literal["drops_at", "none"]) -> ReadingAge:
        sentence = f"reading age unknown: {reason}; not checked whether the photo was taken {span}"
        return ReadingAge(
            minutes=None,
            status="unknown",
            source=source,
            range_minutes=(first, last),
            sentence=sentence,
            drops_at=drops_at,
        )

    if stated_minutes is not None:
        if not 0 <= stated_minutes < math.inf:
            raise LinecallError(f"the reading age is {stated_minutes} min, but must be 0 or more")
        return _aged(stated_minutes, "stated", (first, last), None, f"; {doubt}" if doubt else "")
    if drops_at is None:
        return unknown(doubt or "neither it nor the time of the drops was given", "none")
    if captured_at is None:
        return unknown("the photo carries no capture time", "drops_at")
    if doubt:
        return unknown(doubt, "drops_at")
    if captured_at.tzinfo is None and drops_at.tzinfo is not None:
        return unknown(
            "the photo's capture time has no offset from UTC, so give the time of the drops without one too, "
            "as the camera's clock showed it",
            "drops_at",
        )
    started = drops_at
    note = ""
    if drops_at.tzinfo is None:
        started = drops_at.replace(tzinfo=captured_at.tzinfo)
        note = "; both times are taken from one wall clock"
    minutes = (captured_at - started) / timedelta(minutes=1)
    if minutes < 0:
        return unknown(
            f"by its clock the photo was taken {-minutes:.1f} min before the drops; check both times",
            "drops_at",
        )
    return _aged(minutes, "drops_at", (first, last), drops_at, note)


def _aged(
    minutes: float,
    source: Literal["drops_at", "stated"],
    span: tuple[float, float],
    drops_at: datetime | None,
    note: str,
) -> ReadingAge:
    """The reading age of a known number of minutes."""
    first, last = span
    minutes = round(minutes, 1) + 0.0
    found = f"photographed {minutes:g} min after the drops"
    status: Literal["in_range", "early", "late"] = "in_range"
    sentence = f"{found}, within {first:g} to {last:g} min"
    if minutes < first:
        status = "early"
        wait = round(first - minutes, 1)
        sentence = f"{found}, but lines may form until {first:g} min: photograph it again in {wait:g} min"
        if drops_at is not None:
            times = [drops_at + timedelta(minutes=age) for age in span]
            sentence += f", between {times[0]:%H:%M} and {times[1]:%H:%M}"
    elif minutes > last:
        status = "late"
        sentence = f"{found}, but the plate may be read up to {last:g} min only"
    return ReadingAge(
        minutes=minutes,
        status=status,
        source=source,
        range_minutes=span,
        sentence=sentence + note,
        drops_at=drops_at,
    )


def _clock_doubt(captured_at: datetime | None, now: datetime) -> str:
    """Why the capture time is not believed: it lies in the future, wherever on earth the camera is."""
    if captured_at is None:
        return ""
    latest = now + CLOCK_SLACK
    if captured_at.tzinfo is None:
        latest = latest.astimezone(EASTERNMOST).replace(tzinfo=None)
    if captured_at <= latest:
        return ""
    return (
        f"the photo's capture time, {captured_at:%Y-%m-%d %H:%M}, lies in the future, so its clock is wrong"
    )
