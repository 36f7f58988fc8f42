"""Calls, rules and the plate's age become a grade: every doubt is tried all ways.

Nothing here sees a pixel or a height, so a reviewer's calls are graded by the same function as the reader's.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Literal, Protocol

from reader.decide.records import DepartureRecord, ExpiryRecord, PivotalMark, ReadingAgeRecord
from reader.errors import LinecallError
from reader.settings.values import Layout, Row, Rules, Tally, Texts, Window
from reader.words import GRADES, Call, Finding, MarkName, ReferenceCall, SettledGrade, listed

Step = Literal[
    "negligible", "moderate", "heavy", "invalid", "undecided", "early", "late", "times", "implausible"
]

FINDINGS: Final[dict[tuple[str, str], Finding]] = {
    ("competitive", "present"): "below cutoff",
    ("competitive", "absent"): "above cutoff",
    ("sandwich", "present"): "above cutoff",
    ("sandwich", "absent"): "below cutoff",
}

SAID: Final[dict[str, str]] = {
    "late": "the photo was taken after the time in which the plate may be read",
    "early": "the photo was taken before the time from which the plate may be read",
    "times": "the times contradict each other, so the age of the plate is anybody's guess",
    "age_not_known": "the reading age is not known, and the rules ask for it",
    "implausible": "{analyte}: above its upper cutoff but below its lower one, which contradicts itself; "
    "the grade stands, but repeat with a new plate",
    "softened": "{what}; the rules take that for a warning",
    "departure": "departure from the procedure: {what}",
    "either": "{grade} if {because}",
}
"""What is said of a grade besides the rules' own words, by code, as str.format templates."""


class CallsError(LinecallError):
    """The calls are not those of the layout's windows."""


class Called(Protocol):
    """A mark with its call; `reader.decide.call.MarkCall` is one, and so is a reviewer's decision."""

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
class Grade:
    """What the calls come to.

    grade : `undecided` exactly where there is more than one possible grade.
    possible_grades : what all ways of settling the open marks give, mildest first, `invalid` last.
    pivotal : the doubtful marks whose call, with some settling of all others, changes the grade.
    cause : what leaves the grade undecided: the pivotal marks, or the time, which leaves all grades possible.
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
    cause: Literal["marks", "time"] | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class _Mark:
    """One mark and every outcome that it may still have, a single one where it is settled."""

    window: Window
    mark: MarkName
    doubtful: bool
    ways: tuple[ReferenceCall | Finding, ...]


def grade_plate(
    calls: Iterable[Called],
    layout: Layout,
    rules: Rules,
    age: ReadingAgeRecord,
    expiry: ExpiryRecord | None,
    departures: Sequence[DepartureRecord] = (),
) -> Grade:
    """Grade a plate over every doubt.

    calls : one for each mark of each window of the layout, in any order. expiry : the plate's, None where it was
    not stated. departures : what else went otherwise before the photo.
    A doubtful mark is tried all ways. A plate after its reading range is invalid, one past its expiry or with a
    departure that makes it so too, unless the rules only warn; every other departure is a warning. Where the times
    contradict each other, or the rules ask for an age that is not known, the grade is undecided whatever the marks
    are.

    Before the range a line that is there stays, for bound dye does not come off, and one that is not there may
    still form; so an early mark is settled only where it is present. In a sandwich assay that is contamination
    found, and its grade stands. In a competitive one it would be a release on a plate whose sample has not yet run
    its time, with dye still flowing past, so nothing early is ever negligible.
    Raises CallsError where a call is missing, double, unknown to the layout or impossible for its mark.
    """
    early = age.status == "early"
    marks = _open_marks(calls, layout, early=early)
    grave = [one for one in departures if one.effect == "invalid" and rules.departure == "invalid"]
    told = [departure_warning(one) for one in departures if one not in grave]
    if age.status == "late":
        return _invalid(SAID["late"], "late", told)
    if expiry is not None and expiry.status == "expired" and rules.expired_plate == "invalid":
        return _invalid(expiry.sentence, "invalid", told)
    if grave:
        return _invalid("; ".join(one.sentence for one in grave), "invalid", told)
    if age.status == "contradictory":
        return _undecided_by_time(SAID["times"], told)
    if age.status == "unknown" and rules.reading_age == "must be known":
        return _undecided_by_time(SAID["age_not_known"], told)
    rows = [
        rules.row[index] for index in sorted({_deciding(rules, tally) for tally in _tallies(rules, marks)})
    ]
    grades = {row.grade for row in rows}
    possible = tuple(grade for grade in GRADES if grade in grades)
    if early and (len(possible) > 1 or possible == ("negligible",)):
        return _undecided_by_time(SAID["early"], told, "early")
    grade = possible[0] if len(possible) == 1 else "undecided"
    contradictory = _contradictory(marks)
    return Grade(
        grade=grade,
        possible_grades=possible,
        pivotal=tuple(
            PivotalMark(window=mark.window.id, mark=mark.mark)
            for index, mark in enumerate(marks)
            if mark.doubtful and _is_pivotal(rules, mark, [*marks[:index], *marks[index + 1 :]])
        ),
        rule=_in_words(rows, marks, settled=len(possible) == 1),
        warnings=_warnings(contradictory, expiry, told),
        steps=(grade, "implausible") if contradictory else (grade,),
        cause="marks" if grade == "undecided" else None,
    )


def _warnings(
    contradictory: Sequence[str], expiry: ExpiryRecord | None, departures: Sequence[str]
) -> tuple[str, ...]:
    """What a grade is given with: analytes that contradict themselves, an expiry past or implausible, departures."""
    warnings = [SAID["implausible"].format(analyte=analyte) for analyte in contradictory]
    if expiry is not None and expiry.status == "expired":
        warnings.append(SAID["softened"].format(what=expiry.sentence))
    if expiry is not None and expiry.status == "implausible":
        warnings.append(expiry.sentence)
    return (*warnings, *departures)


def departure_warning(departure: DepartureRecord) -> str:
    """The warning that a departure leaves where it does not make the reading invalid."""
    told = SAID["departure"].format(what=departure.sentence)
    return SAID["softened"].format(what=told) if departure.effect == "invalid" else told


def _invalid(rule: str, step: Step, warnings: Sequence[str]) -> Grade:
    return Grade(
        grade="invalid",
        possible_grades=("invalid",),
        pivotal=(),
        rule=rule,
        warnings=tuple(warnings),
        steps=(step,),
    )


def _undecided_by_time(rule: str, warnings: Sequence[str], step: Step = "times") -> Grade:
    return Grade(
        grade="undecided",
        possible_grades=GRADES,
        pivotal=(),
        rule=rule,
        warnings=tuple(warnings),
        steps=(step,),
        cause="time",
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


def _in_words(rows: Sequence[Row], marks: Sequence[_Mark], *, settled: bool) -> str:
    because = [_because(row, marks) for row in rows]
    if settled:
        return ", or ".join(dict.fromkeys(because))
    found = zip(rows, because, strict=True)
    return "; ".join(
        dict.fromkeys(SAID["either"].format(grade=row.grade, because=words) for row, words in found)
    )


def _because(row: Row, marks: Sequence[_Mark]) -> str:
    """What is seen, with the names of what a row counts, surely or, joined by "or", possibly."""
    if row.mark is None:
        return row.because
    counted = [
        (mark, len(mark.ways) == 1)
        for mark in marks
        if mark.mark == row.mark and any(row.counts(mark.mark, mark.window.tier, way) for way in mark.ways)
    ]
    sure = [mark.window for mark, is_settled in counted if is_settled]
    windows = sure if len(sure) >= row.at_least else [mark.window for mark, _ in counted]
    joint: Literal["and", "or"] = "and" if windows == sure else "or"
    ids = [window.id for window in windows]
    return row.in_words(
        listed(list(dict.fromkeys(window.analyte for window in windows)), joint),
        f"window{'s' * (len(ids) > 1)} {listed(ids, joint)}",
    )


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
