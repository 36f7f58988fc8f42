"""What waits for a reviewer, in words: why, how urgent, and what a blind reader may be told of it.

The order itself is the logbook's: it is kept with each reading (reader.logbook.summary) and looked up by index.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from reader.errors import LinecallError
from reader.logbook import Logbook, ReadingRow
from reader.logbook.summary import Rank
from reader.words import counted

TELLING: Final = {"grade": "--grade", "in_doubt": "--analyte"}
"""Filters that would tell a blind reader what linecall made of a reading."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Entry:
    """One reading that waits.

    open_until : until when its plate may still be read, None where that is over or not known. why : what a reviewer
    is asked for; empty for a blind reader. row : what else the logbook lists of it; not for a blind reader.
    """

    id: str
    at: datetime
    tank: str | None
    sample_point: str | None
    photo: str
    operator: str
    open_until: datetime | None
    why: str
    row: ReadingRow | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Page:
    """A page of the queue, the most urgent first; `count` wait in all, the oldest `since`."""

    entries: tuple[Entry, ...]
    count: int
    since: datetime | None
    number: int
    pages: int


def waiting_page(
    logbook: Logbook,
    *,
    now: datetime,
    number: int = 1,
    size: int = 20,
    blind: bool = False,
    since: datetime | None = None,
    in_doubt: str | None = None,
    **filters: str | None,
) -> Page:
    """Fetch page `number`, from 1, of the readings that wait.

    since, in_doubt, filters : as `Logbook.waiting` takes them. blind : tell nothing of what linecall or a reader
    made of them, not by the order either. Raises LinecallError for a filter that would, or a page that there is not.
    """
    chosen = {name: value for name, value in filters.items() | {("in_doubt", in_doubt)} if value is not None}
    for name, option in TELLING.items():
        if blind and name in chosen:
            raise LinecallError(
                f"a list by {option} tells a blind reader what was called; leave {option} out"
            )
    waiting = logbook.waiting_count(since=since, **chosen)
    pages = max(1, -(-waiting.count // size))
    if number > pages:
        raise LinecallError(
            f"there is no page {number}; {counted(waiting.count, 'reading')} in all, {size} on a page"
        )
    skip = (number - 1) * size
    rows = logbook.waiting(now=now, limit=size, skip=skip, by_age=blind, since=since, **chosen)
    return Page(
        entries=tuple(_entry(logbook, row, now, blind=blind) for row in rows),
        count=waiting.count,
        since=waiting.since,
        number=number,
        pages=pages,
    )


def _entry(logbook: Logbook, row: ReadingRow, now: datetime, *, blind: bool) -> Entry:
    return Entry(
        id=row.id,
        at=row.at,
        tank=row.tank,
        sample_point=row.sample_point,
        photo=row.photo,
        operator=row.operator,
        open_until=row.open_until if row.open_until is not None and row.open_until > now else None,
        why="" if blind else _why(logbook, row),
        row=None if blind else row,
    )


def _why(logbook: Logbook, row: ReadingRow) -> str:
    """What a reviewer is asked for: what earlier reviews left open, else what the reading itself leaves."""
    if row.rank is Rank.APART:
        return "; ".join(logbook.reading(row.id).apart)
    if row.reviews:
        review = logbook.reading(row.id).current.review
        if review is not None and review.open:
            return "; ".join(mark.sentence for mark in review.open)
    if row.rank is Rank.DECIDING_DOUBT and not row.doubtful:
        age = logbook.reading(row.id).current.reading_age
        return reason_to_wait(row) if age is None else age.sentence
    return reason_to_wait(row)


def reason_to_wait(row: ReadingRow) -> str:
    """Why a reading waits, in words; empty where it does not."""
    doubts = f"{row.doubtful} doubtful mark{'s' * (row.doubtful != 1)}"
    if row.rank is None:
        return ""
    if row.rank is Rank.DECIDING_DOUBT:
        return (
            f"{doubts}, and the grade turns on it"
            if row.doubtful
            else "its times leave the grade open, not its marks"
        )
    return {
        Rank.APART: "decided on on several devices, without having seen each other's decision",
        Rank.IDLE_DOUBT: f"{doubts}, the grade stands",
        Rank.SMALL_MARGIN: f"a call {row.margin or 0:.1f} standard errors from its limit",
        Rank.INVALID: "invalid: see whether the plate or the reading failed",
        Rank.CONTRADICTION: "its calls contradict each other, or its photos do",
    }[row.rank]


def ago(moment: datetime, now: datetime) -> str:
    """How long ago, in the largest whole unit: `5 min`, `3 h`, `12 days`."""
    passed = max(now - moment, timedelta())
    if passed < timedelta(hours=1):
        return f"{passed // timedelta(minutes=1)} min"
    if passed < timedelta(days=2):
        return f"{passed // timedelta(hours=1)} h"
    return f"{passed.days} days"
