"""What follows in a logbook: looked up, brought into step with the readings, done, put off.

What is open is computed from the events. Whatever writes brings the stored follow-ups into step (`settle`); whoever
only looks sees them as they would then be, so that nothing hangs on who looked when.
"""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from reader.errors import LinecallError
from reader.logbook import Logbook
from reader.logbook.follow_up_events import (
    ASKED,
    DEFERRED,
    ENDED,
    FollowUpAsked,
    FollowUpDeferred,
    FollowUpEnded,
)
from reader.logbook.run_events import FileRef, Payload
from reader.round.follow_up import (
    BY_A_READING,
    FollowUp,
    Known,
    asked_after,
    asked_then,
    ended_by_reading,
    follow_up_of,
    id_of,
    no_longer_asked,
    ways_to_end,
)
from reader.round.history.point import Occurrence
from reader.round.record import Desk
from reader.round.site import Site
from reader.words import did_you_mean, listed
from reader.words.ids import MISREAD

LATER_MAX = 500  # readings of a tank after one that is still followed up
OF_LATE = timedelta(days=31)  # what may be entered afterwards
RUNS_OF_LATE = 1000
ROUNDS_MAX = 20  # what is done may ask for something that readings have done already
Change = tuple[str, str, Payload]


# --- looking --------------------------------------------------------------------------------------------------


def open_follow_ups(
    logbook: Logbook, site: Site, *, now: datetime, last: dict[str, Known] | None = None
) -> list[FollowUp]:
    """Follow-ups of a site that are open, as of now; last : each point's last reading, where that is known already."""
    return [one for one in _folded(logbook, site, now, last)[0] if one.ended is None]


def follow_ups_of(
    logbook: Logbook,
    *,
    site: str | None = None,
    point: str | None = None,
    about: Sequence[str] | None = None,
) -> list[FollowUp]:
    """Follow-ups as they were written down, those asked for last first, whether they have ended or not."""
    return [follow_up_of(events) for events in logbook.follow_ups(site=site, point=point, about=about)]


def occurrences(
    logbook: Logbook, site: Site, *, now: datetime, place: tuple[str | None, str | None] | None = None
) -> list[Occurrence]:
    """Follow-ups as a history and a report show them: of one tank and point as they were stated, or all open ones."""
    standing = {one.id: one for one in open_follow_ups(logbook, site, now=now)}
    if place is None:
        return [one.occurrence for one in standing.values()]
    points = {point.id for point in site.point if (site.tank_of(point).name, point.name) == place}
    found = {
        one.id: one for point in sorted(points) for one in follow_ups_of(logbook, site=site.name, point=point)
    }
    found |= {
        one.id: one for one in standing.values() if (one.asked.tank_name, one.asked.point_name) == place
    }
    return [one.occurrence for one in found.values()]


def occurrences_after(logbook: Logbook, site: Site, reading: str, *, now: datetime) -> list[Occurrence]:
    """Follow-ups that one reading has asked for, those that have ended too."""
    written = follow_ups_of(logbook, site=site.name)
    found = {one.id: one for one in (*written, *open_follow_ups(logbook, site, now=now))}
    return [one.occurrence for one in found.values() if one.asked.reading == reading]


def find_follow_up(logbook: Logbook, site: Site, id: str, *, now: datetime) -> FollowUp:
    """A follow-up by its id as people write it, or one that is open as POINT/ACTION.

    Raises LinecallError, with the id that was perhaps meant, or where several that are open fit.
    """
    wanted = id.strip().lower().translate(MISREAD)
    standing = _folded(logbook, site, now, None)[0]
    named = [
        one
        for one in standing
        if one.ended is None and f"{one.asked.point}/{one.asked.action}".lower() == id.strip().lower()
    ]
    if len(named) > 1:
        several = listed([one.id for one in named])
        raise LinecallError(f"{id.strip()} is open {len(named)} times: {several}; name one by its id")
    for one in (*named, *standing):
        if one in named or one.id == wanted:
            return one
    stored = logbook.follow_ups(id=wanted)
    if stored:
        return follow_up_of(stored[0])
    guess = did_you_mean(wanted, [one.id for one in standing]) or "; linecall follow list shows them"
    raise LinecallError(f"{logbook.name}: there is no follow-up {id.strip()!r}{guess}")


def _folded(
    logbook: Logbook, site: Site, now: datetime, last: dict[str, Known] | None, also: str | None = None
) -> tuple[list[FollowUp], list[Change]]:
    """Open follow-ups with what readings have changed since they were written, and the changes."""
    known = logbook.last_point_readings(site.name, [one.id for one in site.point]) if last is None else last
    stored = [follow_up_of(events) for events in logbook.follow_ups(site=site.name, is_open=True)]
    files = FileRef(name=site.name, revision=site.revision, sha256=site.sha256)
    changes: list[Change] = []
    asks = _asking(logbook, site, known, now, also)
    written = {
        (one.asked.reading, one.asked.action)
        for one in follow_ups_of(logbook, about=[reading.id for _, reading in asks])
    }
    for pair in asks:
        for asked in asked_after(site, pair, _before(logbook, site, pair), files):
            if (asked.reading, asked.action) not in written and not _is_of_same_run(
                logbook, stored, pair, asked
            ):
                stored.append(_new(asked, now))
                changes.append((stored[-1].id, ASKED, asked))
    changes += _lapsed(logbook, site, stored, files, now)
    for _ in range(ROUNDS_MAX):
        more = _ended(logbook, site, stored, files, now)
        changes += more
        if not more:
            break
    return stored, changes


def _asking(
    logbook: Logbook, site: Site, last: dict[str, Known], now: datetime, also: str | None
) -> list[Known]:
    """Readings that the plan may ask something for: the last of each point, all of late, and the one that is named.

    Older ones were looked at when they were logged, reviewed or graded anew.
    """
    grades = sorted({grade for row in site.follow for grade in row.grade})
    if not grades:
        return []
    recent = logbook.run_readings(site.name, grades=grades, since=now - OF_LATE, last=RUNS_OF_LATE)
    found = {pair[1].id: pair for pair in recent}
    found |= {pair[1].id: pair for pair in last.values() if pair[1].grade in grades}
    if also is not None:
        for run in logbook.runs(reading=also, limit=1):
            found[also] = run, logbook.row(also)
    points = {point.id.lower() for point in site.point}
    return [pair for pair in found.values() if pair[0].point.lower() in points]


def _new(asked: FollowUpAsked, at: datetime) -> FollowUp:
    return FollowUp(id=id_of(asked), asked=asked, asked_at=at, due_at=asked.due_at)


def _before(logbook: Logbook, site: Site, pair: Known) -> list[Known]:
    """Readings of the same point that the plan may look back on."""
    days = max((row.history.days for row in site.follow if row.history is not None), default=0.0)
    if not days:
        return []
    since = pair[0].taken_at - timedelta(days=days)
    return logbook.point_readings(site.name, pair[0].point, since=since, limit=LATER_MAX)


def _is_of_same_run(logbook: Logbook, stored: Sequence[FollowUp], pair: Known, asked: FollowUpAsked) -> bool:
    """Whether an earlier reading of the same run has asked for it already: its photo was read again."""
    return any(
        one.asked.action == asked.action
        and one.asked.point == asked.point
        and logbook.row(one.asked.reading).superseded_by == pair[1].id
        for one in stored
        if one.asked.since == asked.since
    )


def _lapsed(
    logbook: Logbook, site: Site, stored: list[FollowUp], files: FileRef, now: datetime
) -> list[Change]:
    """End what a reading asks for no longer, in place; returns the changes."""
    changes: list[Change] = []
    for id in dict.fromkeys(one.asked.reading for one in stored):
        of = [one for one in stored if one.asked.reading == id and one.ended is None]
        pair = _known(logbook, of[0]) if of else None
        if pair is None or pair[0].point.lower() not in {point.id.lower() for point in site.point}:
            continue
        asked = asked_after(site, pair, _before(logbook, site, pair), files)
        for one, end in no_longer_asked(of, pair[1].grade, asked, now.replace(microsecond=0)):
            stored[stored.index(one)] = _with_end(one, end)
            changes.append((one.id, ENDED, end))
    return changes


def _known(logbook: Logbook, one: FollowUp) -> Known | None:
    """The reading that is followed up as it stands, or what took its place; None where its run is no more known."""
    row = logbook.row(one.asked.reading)
    while row.superseded_by is not None:
        row = logbook.row(row.superseded_by)
    runs = logbook.runs(reading=row.id, limit=1)
    return (runs[0], row) if runs else None


def _ended(
    logbook: Logbook, site: Site, stored: list[FollowUp], files: FileRef, now: datetime
) -> list[Change]:
    """End what readings have done, in place, and ask for what follows then; returns the changes."""
    changes: list[Change] = []
    later: dict[str, list[Known]] = {}
    for place, one in enumerate(list(stored)):
        waits = one.asked.kind in BY_A_READING or (one.is_hold and one.asked.ends_at_grade)
        if one.ended is not None or not waits:
            continue
        if one.asked.tank not in later:
            first = min(other.asked.since for other in stored if other.asked.tank == one.asked.tank)
            later[one.asked.tank] = _later(logbook, site, one, first)
        end = ended_by_reading(one, later[one.asked.tank])
        if end is None:
            continue
        stored[place] = _with_end(one, end)
        changes.append((one.id, ENDED, end))
        changes += _and_then(logbook, site, stored, stored[place], files, end.at)
    return changes


def _and_then(
    logbook: Logbook, site: Site, stored: list[FollowUp], done: FollowUp, files: FileRef, at: datetime
) -> list[Change]:
    pair = _known(logbook, done) if done.asked.then else None
    if pair is None or pair[0].point.lower() not in {point.id.lower() for point in site.point}:
        return []
    changes: list[Change] = []
    for asked in asked_then(site, pair, done, at, files):
        if all((one.asked.reading, one.asked.action) != (asked.reading, asked.action) for one in stored):
            stored.append(_new(asked, at))
            changes.append((stored[-1].id, ASKED, asked))
    return changes


def _later(logbook: Logbook, site: Site, one: FollowUp, since: datetime) -> list[Known]:
    points = {point.id for point in site.point if point.tank == one.asked.tank} | {one.asked.point}
    found = [
        pair
        for point in sorted(points)
        for pair in logbook.point_readings(site.name, point, since=since, limit=LATER_MAX)
    ]
    return sorted(found, key=lambda pair: pair[0].taken_at)


def _with_end(one: FollowUp, end: FollowUpEnded) -> FollowUp:
    return replace(one, ended=end.how, ended_at=end.at, end_reason=end.reason, repeat=end.reading)


# --- writing --------------------------------------------------------------------------------------------------


def settle(desk: Desk, reading: str | None = None) -> int:
    """Write down what follows from the readings as they stand, and what they have ended; returns how many events.

    reading : one that has been reviewed or graded anew, however old it is.
    """
    if not desk.site.follow and not desk.logbook.follow_ups(site=desk.site.name, is_open=True, limit=1):
        return 0
    return _write(desk, _folded(desk.logbook, desk.site, desk.now, None, reading)[1])


def _write(desk: Desk, changes: Sequence[Change]) -> int:
    if not changes:
        return 0
    return desk.logbook.add_to_follow_ups(changes, by=desk.by, at=desk.now, settings=[desk.site])


def done(desk: Desk, id: str, *, reason: str, reading: str | None = None) -> FollowUp:
    """Note that a follow-up was done: how and by what, in words; reading : the one that did it.

    Raises LinecallError where it has ended, where the plan asks for a reading and none is named, or for a hold whose
    conditions are not met.
    """
    if not reason.strip():
        raise LinecallError("say how it was done, or what it showed")
    settle(desk)
    one = _open(desk, id)
    if one.is_hold:
        _check_hold(desk, one)
    if one.asked.kind in BY_A_READING:
        reading = _checked_reading(desk, one, reading)
    elif reading is not None:
        reading = desk.logbook.row(reading.strip().lower().translate(MISREAD)).id
    end = FollowUpEnded(
        how="done", at=desk.now.replace(microsecond=0), reason=reason.strip(), reading=reading
    )
    files = FileRef(name=desk.site.name, revision=desk.site.revision, sha256=desk.site.sha256)
    standing = follow_ups_of(desk.logbook, about=[one.asked.reading])
    after = _and_then(desk.logbook, desk.site, standing, one, files, end.at)
    if not _write(desk, [(one.id, ENDED, end), *after]):
        raise LinecallError(f"follow-up {one.id} has just been ended by somebody else; nothing was changed")
    return find_follow_up(desk.logbook, desk.site, one.id, now=desk.now)


def defer(desk: Desk, id: str, *, until: datetime, reason: str) -> FollowUp:
    """Put a follow-up off until another time, which must lie ahead; who, when and why stay on record."""
    if not reason.strip():
        raise LinecallError("a follow-up is put off only for a reason; say which")
    settle(desk)
    one = _open(desk, id)
    if one.is_hold:
        raise LinecallError(
            f"follow-up {one.id} is a hold: it holds until it ends, and there is nothing to put off"
        )
    if until.tzinfo is None:
        until = desk.site.place.instants(until)[0]
    until = until.astimezone(desk.site.place.place).replace(microsecond=0)
    if until <= desk.now:
        raise LinecallError(f"{until:%Y-%m-%d %H:%M} is past; put it off until a time that lies ahead")
    put_off = FollowUpDeferred(was=one.due_at, now=until, reason=reason.strip())
    if not _write(desk, [(one.id, DEFERRED, put_off)]):
        raise LinecallError(f"follow-up {one.id} has just been ended by somebody else; nothing was changed")
    return find_follow_up(desk.logbook, desk.site, one.id, now=desk.now)


def _open(desk: Desk, id: str) -> FollowUp:
    one = find_follow_up(desk.logbook, desk.site, id, now=desk.now)
    if one.ended is not None:
        assert one.ended_at is not None
        raise LinecallError(
            f"follow-up {one.id} ended {one.ended_at:%Y-%m-%d %H:%M} ({one.ended}: {one.end_reason}); "
            "nothing was changed"
        )
    return one


def _check_hold(desk: Desk, hold: FollowUp) -> None:
    others = {one.asked.action: one for one in follow_ups_of(desk.logbook, about=[hold.asked.reading])}
    done = {action for action, one in others.items() if one.ended in ("done", "by a reading")}
    if not hold.asked.ends_by or not set(hold.asked.ends_by) <= done:
        open_ones = [f"{id} is follow-up {others[id].id}" for id in hold.asked.ends_by if id in others]
        raise LinecallError(
            f"follow-up {hold.id} is a hold, and stays: {'; '.join([*ways_to_end(hold), *open_ones])}"
        )


def _checked_reading(desk: Desk, one: FollowUp, reading: str | None) -> str:
    if reading is None:
        raise LinecallError(
            f"follow-up {one.id} is done by a reading, which ends it by itself: begin a run of the point with linecall "
            "run begin; a reading of another tank or from before is named with --reading ID"
        )
    row = desk.logbook.row(reading.strip().lower().translate(MISREAD))
    runs = desk.logbook.runs(reading=row.id, limit=1)
    taken_at = runs[0].taken_at if runs else row.at.astimezone(UTC)
    if taken_at <= one.asked.since or row.id == one.asked.reading:
        drawn = f"{taken_at.astimezone(desk.site.place.place):%Y-%m-%d %H:%M}"
        raise LinecallError(
            f"reading {row.id} is of a sample drawn {drawn}, not after the one followed up; name a later reading"
        )
    if row.status != "read" or row.grade in (None, "invalid"):
        raise LinecallError(f"reading {row.id} is {row.grade or 'refused'}, which repeats nothing")
    return row.id
