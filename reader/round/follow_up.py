"""A follow-up as its events make it, and what the plan asks for after a reading. Nothing here opens a file or a clock.

A hold ends by a later reading of a grade that the plan names, or by a person once all is done that the plan asks for
before; by nothing else. What a reading asks for no longer, because its grade is another one now, ends too, but for
holds and what they wait for.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import Final

from reader.errors import LinecallError
from reader.logbook import ReadingRow, RunRow
from reader.logbook.events import Event
from reader.logbook.follow_up_events import (
    ASKED,
    DEFERRED,
    ENDED,
    FollowUpAsked,
    FollowUpDeferred,
    FollowUpEnded,
    HowEnded,
)
from reader.logbook.run_events import FileRef
from reader.round.history.point import Occurrence
from reader.round.plan import FollowUpRow, PlanAction
from reader.round.site import Site
from reader.words import counted, listed
from reader.words.ids import derived_id

BY_A_READING: Final = ("draw again", "second point")
"""Kinds that a reading does, which is then linked to what it repeats."""
RESPONSIBLE: Final = "responsible"
Known = tuple[RunRow, ReadingRow]


@dataclass(frozen=True, kw_only=True, slots=True)
class Deferral:
    """A follow-up was put off: from when to when, by whom and why."""

    was: datetime
    now: datetime
    by: str
    at: datetime
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class FollowUp:
    """Something that is to be done after a reading, or was.

    since : when the reading's sample was drawn. because : why it is asked for. ended_by : who entered the end;
    repeat : id of the reading that ended it.
    """

    id: str
    asked: FollowUpAsked
    asked_at: datetime
    due_at: datetime
    deferrals: tuple[Deferral, ...] = ()
    ended: HowEnded | None = None
    ended_at: datetime | None = None
    ended_by: str | None = None
    end_reason: str | None = None
    repeat: str | None = None

    @property
    def is_hold(self) -> bool:
        """Whether it holds stock."""
        return self.asked.kind == "hold"

    @property
    def occurrence(self) -> Occurrence:
        """What a history and a report show of it."""
        told = f"{self.asked.text} (after reading {self.asked.reading})"
        if self.end_reason:
            told += f"; {self.end_reason}"
        return Occurrence(kind="follow-up", id=self.id, at=self.asked_at, text=told, done_at=self.ended_at)


def follow_up_of(events: Sequence[Event]) -> FollowUp:
    """The follow-up that events make, in order, the first being the one that asked for it."""
    if not events or events[0].kind != ASKED:
        raise LinecallError("a follow-up lacks its first event; linecall logbook verify says more")
    first = events[0]
    asked = FollowUpAsked.model_validate(first.payload)
    due_at, deferrals = asked.due_at, []
    end: dict[str, object] = {}
    for event in events[1:]:
        if event.kind == DEFERRED:
            put_off = FollowUpDeferred.model_validate(event.payload)
            due_at = put_off.now
            deferrals.append(Deferral(by=event.by, at=event.at, **dict(put_off)))
        elif event.kind == ENDED:
            ended = FollowUpEnded.model_validate(event.payload)
            end = {
                "ended": ended.how,
                "ended_at": ended.at,
                "ended_by": event.by,
                "end_reason": ended.reason,
                "repeat": ended.reading,
            }
    return FollowUp(
        id=first.id,
        asked=asked,
        asked_at=first.at,
        due_at=due_at,
        deferrals=tuple(deferrals),
        **end,  # type: ignore[arg-type]
    )


def row_for(site: Site, known: Known, earlier: Iterable[Known]) -> tuple[FollowUpRow | None, str]:
    """The row of the plan that fits a reading, and why in words; earlier : readings of the same point before it."""
    run, reading = known
    past = [
        (one.grade, run.taken_at - of.taken_at)
        for of, one in earlier
        if one.id != reading.id and of.taken_at <= run.taken_at and of.id != run.id
    ]
    for row in site.follow:
        if reading.grade not in row.grade:
            continue
        if row.history is None:
            return row, f"{reading.grade}"
        asked = row.history
        found = [grade for grade, ago in past if grade in asked.grades and ago <= timedelta(days=asked.days)]
        if len(found) >= asked.at_least:
            times = counted(len(found), "reading")
            return row, f"{reading.grade}, after {times} {' or '.join(asked.grades)} in {asked.days:g} days"
    return None, ""


def asked_after(site: Site, known: Known, earlier: Iterable[Known], files: FileRef) -> list[FollowUpAsked]:
    """What the plan asks for after a reading: the row's actions, and what holds among them wait for."""
    row, because = row_for(site, known, earlier)
    if row is None:
        return []
    actions = {one.id: one for one in site.action}
    ids = list(row.actions)
    ids += [id for hold in row.actions for id in actions[hold].ends_by]
    when = known[1].at
    return [_asked(site, known, actions[id], because, when, files) for id in dict.fromkeys(ids)]


def asked_then(site: Site, known: Known, done: FollowUp, at: datetime, files: FileRef) -> list[FollowUpAsked]:
    """What the plan asks for once a follow-up is done; an action that it no longer has is left out."""
    actions = {one.id: one for one in site.action}
    because = f"{done.asked.action} was done"
    return [_asked(site, known, actions[id], because, at, files) for id in done.asked.then if id in actions]


def _asked(
    site: Site, known: Known, action: PlanAction, because: str, when: datetime, files: FileRef
) -> FollowUpAsked:
    run, reading = known
    point = site.find_point(run.point)
    tank = site.tank_of(point)
    return FollowUpAsked(
        site=files,
        reading=reading.id,
        point=point.id,
        tank=tank.id,
        point_name=point.name,
        tank_name=tank.name,
        action=action.id,
        kind=action.kind,
        text=action.text,
        owner=site.responsible_for(point) if action.owner == RESPONSIBLE else action.owner,
        since=run.taken_at.astimezone(site.place.place).replace(microsecond=0),
        due_at=(when + timedelta(hours=action.due_hours)).astimezone(site.place.place).replace(microsecond=0),
        grade=reading.grade or "refused",
        because=because,
        ends_by=action.ends_by,
        ends_at_grade=action.ends_at_grade,
        then=action.then,
    )


def id_of(asked: FollowUpAsked) -> str:
    """The id of what a reading asks for: always the same, so that it can be named before it is written down."""
    return derived_id(f"{asked.site.name}/{asked.reading}/{asked.action}".encode())


def ended_by_reading(one: FollowUp, later: Iterable[Known]) -> FollowUpEnded | None:
    """How readings of the same tank, the earliest first, have ended a follow-up; None while they have not.

    The sample must have been drawn after the one that is followed up, and the plate must say something: an invalid one
    repeats nothing. A hold may also be ended by the very reading's own grade as it is now.
    """
    for run, reading in later:
        same = run.point == one.asked.point
        after = run.taken_at > one.asked.since
        if one.is_hold:
            fits = same and (after or reading.id == one.asked.reading)
            fits = fits and reading.grade in one.asked.ends_at_grade
        elif one.asked.kind == "draw again":
            fits = same and after and _says_something(reading)
        elif one.asked.kind == "second point":
            fits = not same and run.tank == one.asked.tank and after and _says_something(reading)
        else:
            return None
        if fits:
            return FollowUpEnded(
                how="by a reading",
                at=max(reading.at, one.asked_at),
                reason=f"reading {reading.id} of {run.point} is {reading.grade}",
                reading=reading.id,
            )
    return None


def _says_something(reading: ReadingRow) -> bool:
    return reading.status == "read" and reading.grade not in (None, "invalid")


def no_longer_asked(
    open_ones: Sequence[FollowUp], grade: str | None, asked: Iterable[FollowUpAsked], at: datetime
) -> list[tuple[FollowUp, FollowUpEnded]]:
    """Those of a reading's open follow-ups that its grade, as it is now, asks for no longer.

    A hold stays, and so does what it waits for, and what followed from what was done.
    """
    still = {one.action for one in asked} | {
        id for hold in open_ones if hold.is_hold for id in hold.asked.ends_by
    }
    reason = f"reading {open_ones[0].asked.reading} is {grade} now" if open_ones else ""
    return [
        (one, FollowUpEnded(how="no longer asked", at=at, reason=reason))
        for one in open_ones
        if not one.is_hold and one.asked.action not in still and not one.asked.because.endswith("was done")
    ]


def lines_of(one: FollowUp, zone: tzinfo | None) -> list[str]:
    """What a screen shows of a follow-up; times by the site's clocks."""

    def clock(instant: datetime) -> str:
        return f"{instant.astimezone(zone):%Y-%m-%d %H:%M}"

    asked = one.asked
    state = one.ended or ("holds" if one.is_hold else "open")
    lines = [
        f"follow-up {one.id}   {state}   {asked.tank_name}, {asked.point_name} ({asked.point})",
        f"  {asked.action}: {asked.text}",
        f"  after reading {asked.reading}: {asked.because}",
        f"  {asked.owner}, due {clock(one.due_at)}",
    ]
    lines += [
        f"  put off {clock(put_off.at)} by {put_off.by}, from {clock(put_off.was)} to {clock(put_off.now)}: "
        f"{put_off.reason}"
        for put_off in one.deferrals
    ]
    if one.ended is not None and one.ended_at is not None:
        by = f" by {one.ended_by}" if one.ended == "done" else ""
        lines.append(f"  {one.ended} {clock(one.ended_at)}{by}: {one.end_reason}")
        if one.repeat is not None:
            lines.append(f"  reading {one.repeat} repeats {asked.reading}")
    elif one.is_hold:
        lines += [f"  {way}" for way in ways_to_end(one)]
    return lines


def ways_to_end(hold: FollowUp) -> list[str]:
    """What ends a hold, a sentence each."""
    ways = []
    if hold.asked.ends_by:
        plural = "is" if len(hold.asked.ends_by) == 1 else "are"
        ways.append(f"it may be ended once {listed(list(hold.asked.ends_by))} {plural} done")
    if hold.asked.ends_at_grade:
        grades = listed(list(hold.asked.ends_at_grade), "or")
        ways.append(f"it ends by itself with a later reading of {hold.asked.point} that is {grades}")
    return ways
