"""Calls and rules become a grade: every doubt is tried all ways, and the reading age is checked.

Nothing here sees a pixel or a height, so a reviewer's calls are graded by the same function as the reader's.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta, timezone
from typing import Any, Final, Literal, Protocol

from reader.errors import LinecallError
from reader.settings.values import Layout, Row, Rules, Tally, Texts, Window
from reader.words import GRADES, Call, Finding, MarkName, ReferenceCall, SettledGrade, listed
from reader.words.clock import MACHINE, OFFSET_MAX, Zone, last_before, span_in_words, utc_offset

CLOCK_SLACK: Final = timedelta(minutes=5)  # clocks of phones and computers differ by so much; no source
SHELF_LIFE_MAX_DAYS: Final = 5 * 366  # plates keep for two years or so (common practice, no source)
EASTERNMOST: Final = timezone(OFFSET_MAX)

Step = Literal[
    "negligible", "moderate", "heavy", "invalid", "undecided", "early", "late", "times", "implausible"
]

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
class Expiry:
    """The plate's expiry as stated, and the day it is held against; `sentence` says it in words.

    `implausible` : it lies further ahead than any plate is kept, so it is perhaps a slip of the pen.
    """

    stated: str
    status: Literal["in_date", "expired", "implausible"]
    held_against: date
    sentence: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Departure:
    """Something that was done otherwise than the procedure says, before the photo, and what that does to the reading.

    `code` is the procedure's; `sentence` says it in words.
    """

    code: str
    effect: Literal["warning", "invalid"]
    sentence: str


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadingAge:
    """Minutes from the drops to the photo, held against the layout's range; `sentence` says it in words.

    `minutes` is None where the age is unknown or its times contradict each other, and is rounded to a tenth: what
    is shown is what was compared. `drops_at` has its offset wherever one was found; `zone` and `zone_source` say
    in which zone times without an offset were read. `expiry` is that of the plate, None where it was not stated;
    `departures` are what else is known to have gone otherwise before the photo.
    """

    minutes: float | None
    status: Literal["in_range", "early", "late", "unknown", "contradictory"]
    source: Literal["drops_at", "stated", "none"]
    range_minutes: tuple[float, float]
    sentence: str
    drops_at: datetime | None = None
    zone: str | None = None
    zone_source: Literal["camera", "option", "rules", "site", "machine"] | None = None
    expiry: Expiry | None = None
    departures: tuple[Departure, ...] = ()


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


def grade_plate(calls: Iterable[Called], layout: Layout, rules: Rules, reading_age: ReadingAge) -> Grade:
    """Grade a plate over every doubt.

    calls : one for each mark of each window of the layout, in any order.
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
    early = reading_age.status == "early"
    marks = _open_marks(calls, layout, early=early)
    expiry, departures = reading_age.expiry, reading_age.departures
    grave = [one for one in departures if one.effect == "invalid" and rules.departure == "invalid"]
    told = [departure_warning(one) for one in departures if one not in grave]
    if reading_age.status == "late":
        return _invalid("the photo was taken after the time in which the plate may be read", "late", told)
    if expiry is not None and expiry.status == "expired" and rules.expired_plate == "invalid":
        return _invalid(expiry.sentence, "invalid", told)
    if grave:
        return _invalid("; ".join(one.sentence for one in grave), "invalid", told)
    if reading_age.status == "contradictory":
        return _undecided_by_time(
            "the times contradict each other, so the age of the plate is anybody's guess", told
        )
    if reading_age.status == "unknown" and rules.reading_age == "must be known":
        return _undecided_by_time("the reading age is not known, and the rules ask for it", told)
    rows = [
        rules.row[index] for index in sorted({_deciding(rules, tally) for tally in _tallies(rules, marks)})
    ]
    grades = {row.grade for row in rows}
    possible = tuple(grade for grade in GRADES if grade in grades)
    if early and (len(possible) > 1 or possible == ("negligible",)):
        return _undecided_by_time(
            "the photo was taken before the time from which the plate may be read", told, "early"
        )
    grade = possible[0] if len(possible) == 1 else "undecided"
    contradictory = _contradictory(marks)
    warnings = [
        f"{analyte}: above its upper cutoff but below its lower one, which contradicts itself; "
        "the grade stands, but repeat with a new plate"
        for analyte in contradictory
    ]
    if expiry is not None and expiry.status == "expired":
        warnings.append(f"{expiry.sentence}; the rules take that for a warning")
    if expiry is not None and expiry.status == "implausible":
        warnings.append(expiry.sentence)
    warnings += told
    return Grade(
        grade=grade,
        possible_grades=possible,
        pivotal=tuple(
            PivotalMark(window=mark.window.id, mark=mark.mark)
            for index, mark in enumerate(marks)
            if mark.doubtful and _is_pivotal(rules, mark, [*marks[:index], *marks[index + 1 :]])
        ),
        rule=_in_words(rows, marks, settled=len(possible) == 1),
        warnings=tuple(warnings),
        steps=(grade, "implausible") if contradictory else (grade,),
        cause="marks" if grade == "undecided" else None,
    )


def departure_warning(departure: Departure) -> str:
    """The warning that a departure leaves where it does not make the reading invalid."""
    softened = "; the rules take that for a warning" if departure.effect == "invalid" else ""
    return f"departure from the procedure: {departure.sentence}{softened}"


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
    return "; ".join(dict.fromkeys(f"{row.grade} if {words}" for row, words in found))


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


# ------------------------------------------------------------------------------------------ reading age


def reading_age(
    layout: Layout,
    *,
    stated_minutes: float | None = None,
    drops_at: datetime | time | None = None,
    captured_at: datetime | None = None,
    now: datetime,
    zone: Zone = MACHINE,
    plate_expiry: str | None = None,
    departures: Sequence[Departure] = (),
    photo_at: datetime | None = None,
) -> ReadingAge:
    """Work out how old the plate was in the photo; what cannot be known is said, never guessed.

    stated_minutes : the age as the user gives it; it is taken before `drops_at`.
    drops_at, captured_at : when the drops were put in, and the camera's claim. A time of day alone is the last
    such time before the photo. A time without an offset is read in the other one's, else in `zone`.
    now : with its offset; neither time can be after it.
    plate_expiry : a date or a month, as plates print it. departures : what else went otherwise before the photo.
    photo_at : when the photo was taken by the clock that noted the drops too, where it was noted, with its offset; a
    camera's clock that disagrees with it is said, and where that would change the status, nothing is known.
    Raises LinecallError where `stated_minutes` is no age.
    """
    age = _age(layout, stated_minutes, drops_at, captured_at, now, zone)
    if photo_at is not None and isinstance(drops_at, datetime) and drops_at.tzinfo is not None:
        age = _beside_own_clock(age, drops_at, photo_at)
    age = replace(age, departures=tuple(departures))
    if plate_expiry is None:
        return age
    believed = captured_at if captured_at is not None and not _clock_doubt(captured_at, now, zone) else None
    used = [moment.date() for moment in (age.drops_at, believed) if moment is not None]
    return replace(age, expiry=_expiry(plate_expiry, used, now))


def _age(
    layout: Layout,
    stated_minutes: float | None,
    drops_at: datetime | time | None,
    captured_at: datetime | None,
    now: datetime,
    zone: Zone,
) -> ReadingAge:
    span = layout.assay.reading_age
    doubt = _clock_doubt(captured_at, now, zone)
    if stated_minutes is not None:
        if not 0 <= stated_minutes < math.inf:
            raise LinecallError(f"the reading age is {stated_minutes} min, but must be 0 or more")
        return _aged(stated_minutes, "stated", span, note=f"; {doubt}" if doubt else "")
    if drops_at is None:
        return _unaged("unknown", doubt or "neither it nor the time of the drops was given", "none", span)
    if captured_at is None:
        if isinstance(drops_at, time):
            return _unaged(
                "unknown",
                f"the photo carries no capture time, so {drops_at:%H:%M} as a time of day alone says nothing",
                "drops_at",
                span,
            )
        if _is_future(drops_at, now, zone):
            return _contradictory_times(f"the drops, {_written(drops_at)}, lie in the future", span, drops_at)
        return _unaged("unknown", "the photo carries no capture time", "drops_at", span, drops_at)
    if doubt:
        return _contradictory_times(doubt, span, None if isinstance(drops_at, time) else drops_at)
    if isinstance(drops_at, time):
        drops_at = last_before(drops_at, captured_at)
    return _between(drops_at, captured_at, now, zone, span)


def _between(
    drops_at: datetime, captured_at: datetime, now: datetime, zone: Zone, span: tuple[float, float]
) -> ReadingAge:
    """The age between two times, of which each may lack its offset."""
    aware = next((moment for moment in (captured_at, drops_at) if moment.tzinfo is not None), None)
    by_camera = captured_at.tzinfo is not None
    if by_camera:
        drops, photos = (
            [drops_at if drops_at.tzinfo else drops_at.replace(tzinfo=captured_at.tzinfo)],
            [captured_at],
        )
    else:
        photos = list(zone.instants(captured_at))
        drops = [drops_at] if drops_at.tzinfo else list(zone.instants(drops_at))
    named: dict[str, Any] = {}
    if captured_at.tzinfo is None:
        named = {"zone": zone.name if zone.place else utc_offset(photos[0]), "zone_source": zone.source}
        whose = "both times are" if aware is None else "the camera's time is"
        note = f"; {whose} read in {zone.in_words(photos[0])}"
    elif drops_at.tzinfo is None:
        named = {"zone": utc_offset(captured_at), "zone_source": "camera"}
        note = f"; the time of the drops is read in {utc_offset(captured_at)}, as the camera's"
    else:
        note = ""
    ages = [(photo - drop) / timedelta(minutes=1) for photo in photos for drop in drops]
    if len({_status(age, span) for age in ages}) > 1:
        why = f"the clocks change in that hour, so {_written(drops_at)} and {_written(captured_at)} may be {{}} apart"
        found = why.format(" or ".join(dict.fromkeys(span_in_words(abs(age)) for age in ages)))
        return replace(_contradictory_times(f"{found}{note}", span, drops[0]), **named)
    if aware is not None and photos[0] > now + CLOCK_SLACK:
        found = f"the capture time, {_written(captured_at)}, lies in the future{note}"
        return replace(_contradictory_times(found, span, drops[0]), **named)
    if ages[0] < 0:
        found = (
            f"the photo was taken {span_in_words(-ages[0])} before the drops, at {_written(captured_at)} by the clock "
            f"of the camera, the drops at {_written(drops_at)}{note}"
        )
        return replace(_contradictory_times(found, span, drops[0]), **named)
    return replace(_aged(ages[0], "drops_at", span, drops[0], note), **named)


def _beside_own_clock(age: ReadingAge, drops_at: datetime, photo_at: datetime) -> ReadingAge:
    """An age by the camera's clock, held against the clock that noted both drops and photo."""
    minutes = (photo_at - drops_at) / timedelta(minutes=1)
    if age.status == "unknown":
        return _aged(minutes, "drops_at", age.range_minutes, drops_at, "; by the clock that noted both")
    if age.minutes is None or abs(age.minutes - minutes) <= CLOCK_SLACK / timedelta(minutes=1):
        return age
    apart = span_in_words(abs(age.minutes - minutes))
    if age.status == _status(minutes, age.range_minutes):
        ahead = "ahead of" if age.minutes > minutes else "behind"
        note = f"; the camera's clock is {apart} {ahead} the one that noted drops and photo"
        return replace(age, sentence=age.sentence + note)
    found = (
        f"photographed {span_in_words(age.minutes)} after the drops by the camera's clock, "
        f"{span_in_words(minutes)} by the one that noted drops and photo"
    )
    return _contradictory_times(found, age.range_minutes, drops_at)


def _status(
    minutes: float, span: tuple[float, float]
) -> Literal["in_range", "early", "late", "contradictory"]:
    if minutes < 0:
        return "contradictory"
    minutes = round(minutes, 1)
    return "early" if minutes < span[0] else "late" if minutes > span[1] else "in_range"


def _unaged(
    status: Literal["unknown", "contradictory"],
    reason: str,
    source: Literal["drops_at", "none"],
    span: tuple[float, float],
    drops_at: datetime | None = None,
) -> ReadingAge:
    """A reading age that is not known, and why."""
    if status == "unknown":
        sentence = (
            f"reading age unknown: {reason}; not checked whether the photo was taken {span[0]:g} to {span[1]:g} min "
            "after the drops"
        )
    else:
        sentence = (
            f"{reason}: check the date, the time and the zone of both, and that this is the photo of this plate; then "
            "read it again with the right ones"
        )
    return ReadingAge(
        minutes=None, status=status, source=source, range_minutes=span, sentence=sentence, drops_at=drops_at
    )


def _contradictory_times(reason: str, span: tuple[float, float], drops_at: datetime | None) -> ReadingAge:
    return _unaged("contradictory", reason, "drops_at", span, drops_at)


def _aged(
    minutes: float,
    source: Literal["drops_at", "stated"],
    span: tuple[float, float],
    drops_at: datetime | None = None,
    note: str = "",
) -> ReadingAge:
    """The reading age of a known number of minutes."""
    first, last = span
    minutes = round(minutes, 1) + 0.0
    status = _status(minutes, span)
    found = f"photographed {span_in_words(minutes)} after the drops"
    sentence = f"{found}, within {first:g} to {last:g} min"
    if status == "early":
        wait = round(first - minutes, 1)
        sentence = (
            f"{found}, but lines may form until {first:g} min: photograph it again in {span_in_words(wait)}"
        )
        if drops_at is not None:
            times = [drops_at + timedelta(minutes=age) for age in span]
            sentence += f", between {times[0]:%H:%M} and {times[1]:%H:%M}"
    elif status == "late":
        sentence = f"{found}, but the plate may be read up to {last:g} min only"
    return ReadingAge(
        minutes=minutes,
        status=status,
        source=source,
        range_minutes=span,
        sentence=sentence + note,
        drops_at=drops_at,
    )


def _clock_doubt(captured_at: datetime | None, now: datetime, zone: Zone) -> str:
    """Why the capture time is not believed: it lies in the future, where the zone is only assumed anywhere on earth."""
    if captured_at is None or not _is_future(captured_at, now, zone):
        return ""
    return f"the photo's capture time, {_written(captured_at)}, lies in the future, so its clock is wrong"


def _is_future(moment: datetime, now: datetime, zone: Zone) -> bool:
    latest = now + CLOCK_SLACK
    if moment.tzinfo is not None:
        return moment > latest
    if zone.source == "machine":
        return moment > latest.astimezone(EASTERNMOST).replace(tzinfo=None)
    return zone.instants(moment)[0] > latest


def _written(moment: datetime) -> str:
    return f"{moment:%Y-%m-%d %H:%M}"


# ---------------------------------------------------------------------------------------------- expiry


def _expiry(stated: str, used: Sequence[date], now: datetime) -> Expiry:
    """Hold a plate's expiry against the latest day on which it is known to have been used.

    A day that lies longer before the expiry than any plate is kept is that of a clock that was never set, and counts
    for nothing; where no day is left, today is taken.
    """
    last = date.fromisoformat(stated if len(stated) > 7 else f"{stated}-01")
    days = [day for day in used if (last - day).days <= SHELF_LIFE_MAX_DAYS]
    day = max(days, default=now.date())
    expired = f"{day:%Y-%m-%d}"[: len(stated)] > stated
    when = (
        f"it was used on {day:%Y-%m-%d}"
        if days
        else f"today is {day:%Y-%m-%d}, and when it was used is not known"
    )
    until = f"it may be used until {'the end of ' * (len(stated) <= 7)}{stated}"
    status: Literal["in_date", "expired", "implausible"] = "in_date"
    sentence = f"the plate is in date: {until}, and {when}"
    if expired:
        status, sentence = "expired", f"the plate had expired: {until}, and {when}"
    elif (last - day).days > SHELF_LIFE_MAX_DAYS:
        status = "implausible"
        sentence = f"the plate's expiry, {stated}, lies years further ahead than plates are kept; check it"
    return Expiry(stated=stated, status=status, held_against=day, sentence=sentence)
