"""Logbooks of several devices, to merge."""

from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from fixtures.verdicts import example_verdict
from reader.logbook import Event, Logbook
from reader.logbook.matching import Answers, Question
from reader.logbook.merge import LogbookSource, Merged, ZipSource, merge, open_source
from reader.logbook.people import add_person
from reader.words import Call, Grade
from reader.words.names import Role
from tests.reader.logbook.samples import AT, Place, add

KEEPER = "K. Harbour"
GRADE_OF: dict[Call, Grade] = {"present": "negligible", "absent": "moderate", "doubtful": "undecided"}
LATER = AT + timedelta(days=2)


def place_in(folder: Path, name: str) -> Place:
    """Where a device keeps its logbook."""
    return Place(where=str(folder / f"{name}.db"), photos=str(folder / f"{name}.db.photos"))


def begin(place: Place, *people: tuple[str, Role], at: datetime = AT) -> Place:
    """Begin a logbook in which people are known, a keeper first."""
    with closing(place.open()) as book:
        add_person(book, KEEPER, roles=["keeper"], at=at)
        for name, role in people:
            add_person(book, name, roles=[role], by=KEEPER, at=at)
    return place


def device(folder: Path, name: str, n: int = 2, *, first: int = 1, at: datetime = AT, **said: Any) -> Place:
    """A device with `n` readings of photos of their own, numbered from `first`."""
    place = begin(place_in(folder, name), ("A. Lind", "technician"), ("B. Moreau", "reviewer"), at=at)
    with closing(place.open()) as book:
        for number in range(first, first + n):
            add(book, folder, number, at=at + timedelta(minutes=number), **({"operator": "A. Lind"} | said))
    return place


def ids_of(place: Place) -> list[str]:
    """Ids of a logbook's readings, the oldest first."""
    with closing(place.open(read_only=True)) as book:
        return [row.id for row in book.readings(limit=1000)][::-1]


def bring(
    home: Place,
    other: Place | Path,
    *,
    by: str = KEEPER,
    at: datetime = LATER,
    same: dict[str, str] | None = None,
    apart: frozenset[str] = frozenset(),
    ask: Callable[[Question], str | None] | None = None,
) -> Merged:
    """Merge one into the other."""
    where, photos = (other.where, other.photos) if isinstance(other, Place) else (str(other), None)
    with open_source(where, photos) as theirs, closing(home.open()) as book:
        source = theirs if isinstance(theirs, ZipSource) else LogbookSource(theirs)
        answers = Answers(same=same or {}, apart=apart)
        return merge(book, source, by=by, at=at, answers=answers, ask=ask)


def review(
    place: Place,
    reading: str,
    call: Call,
    *,
    by: str = "B. Moreau",
    at: datetime = AT + timedelta(hours=1),
    waiting: bool = False,
    **more: Any,
) -> Event:
    """A review as a reviewer's decision on window 1 leaves it: its call stands, and the grade with it."""
    with closing(place.open()) as book:
        return review_in(book, reading, call, by=by, at=at, waiting=waiting, **more)


def review_in(book: Logbook, reading: str, call: Call, *, by: str, at: datetime, **more: Any) -> Event:
    """The same, in a logbook that is open."""
    grade = GRADE_OF[call]
    verdict = example_verdict((call, "present"), grade=grade)
    made = {
        "window": verdict.windows[0].id,
        "mark": "indicator",
        "call": call,
        "reason": "seen",
        "blind": False,
    }
    verdict = verdict.model_copy(update={"photo": book.reading(reading).first.photo})
    payload = {"decisions": [made], "verdict": verdict.model_dump(mode="json"), "waiting": False}
    return book.append("review", payload | more, by=by, reading=reading, at=at)


def everything(place: Place) -> dict[str, Any]:
    """All that a logbook shows, but for its own events about merging."""
    with closing(place.open(read_only=True)) as book:
        return {
            "chains": [(head.id, head.seq, head.hash) for head in book.heads()],
            "readings": book.readings(limit=100_000),
            "runs": book.runs(limit=100_000),
            "events": [(event.seq, event.hash) for event in book.events() if event.kind != "merge"],
            "waiting": [row.id for row in book.waiting(now=LATER, limit=100_000)],
            "stories": {row.id: [one.seq for one in told] for row, told in book.stories()},
        }


@contextmanager
def looking(place: Place) -> Iterator[Logbook]:
    """The logbook, to look at."""
    with closing(place.open(read_only=True)) as book:
        yield book
