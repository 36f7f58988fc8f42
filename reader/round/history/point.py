"""One point's history: what each reading that stands has shown, and what else happened there."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo
from typing import Any, Final, Literal

from reader.errors import LinecallError
from reader.files.damage import kept
from reader.logbook import Event, Logbook, ReadingRow
from reader.logbook.store import Place
from reader.round.history.brackets import Bracket, brackets
from reader.round.history.usual import Usual, judge, occasions
from reader.words import GRADES, SettledGrade, counted, did_you_mean, listed, shown

NEWEST: Final = (
    120  # readings looked at closely: twice what the rule needs, two years of weekly ones and repeats
)
PLACES_SHOWN: Final = 6  # of one name, in an error

OccurrenceKind = Literal["departure", "follow-up"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Occurrence:
    """What happened at a point besides a reading: a departure from the procedure, or a follow-up.

    at : when, with its offset. done_at : when a follow-up was done, None while it is open, and of departures.
    """

    kind: OccurrenceKind
    id: str
    at: datetime
    text: str
    done_at: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Seen:
    """What one reading has shown, as it stands now.

    taken_at : when the drops were put in; where that is not known, when the photo was taken, else when it was logged,
    as `taken_from` says. grade : None of a refused photo. first_grade : before the reviews. brackets : of each
    analyte, in the plate's order. departures : what was done otherwise than the procedure says before its photo, a
    sentence each. lot, operator : as corrected.
    """

    id: str
    taken_at: datetime
    taken_from: Literal["drops", "photo", "logbook"]
    grade: str | None
    first_grade: str | None
    possible_grades: tuple[SettledGrade, ...]
    brackets: tuple[tuple[str, Bracket], ...]
    warnings: tuple[str, ...]
    departures: tuple[str, ...]
    reviews: int
    waits: bool
    operator: str
    lot: str | None


@dataclass(frozen=True, kw_only=True, slots=True)
class History:
    """A point's readings in order, its other occurrences in order, and what is usual there.

    place : as stated in the logbook; name : the site's own, empty where it has none. seen : the newest readings, in
    order of when they were taken. years : of all readings, how many have each grade (None: refused) in each year they
    were logged. head : number and hash of the logbook's last event.
    """

    place: Place
    name: str
    seen: tuple[Seen, ...]
    occurrences: tuple[Occurrence, ...]
    usual: Usual
    years: tuple[tuple[str, tuple[tuple[str | None, int], ...]], ...]
    logbook: str
    head: tuple[int, str]

    @property
    def analytes(self) -> tuple[str, ...]:
        """Names of all analytes, in the order in which they first appear."""
        return tuple(dict.fromkeys(analyte for one in self.seen for analyte, _ in one.brackets))

    @property
    def title(self) -> str:
        """What the point is called."""
        return self.name or str(self.place)

    @property
    def span(self) -> str:
        """How many readings there are, and which of them are shown one by one."""
        if not self.seen:
            return "no reading stands"
        total = sum(n for _, counts in self.years for _, n in counts)
        days = f"{self.seen[0].taken_at:%Y-%m-%d} to {self.seen[-1].taken_at:%Y-%m-%d}"
        if len(self.seen) < total:
            return f"{counted(total, 'reading')}; the last {len(self.seen)}, {days}, one by one"
        return f"{counted(total, 'reading')}, {days}"


def find_place(logbook: Logbook, name: str, *, tank: str | None = None) -> Place:
    """The sample point of this name, or the tank's only one; tank : in which tank.

    Raises LinecallError where there is none, with the name that was perhaps meant, or several.
    """
    wanted = name.strip()
    found = [one for one in logbook.places(wanted) if tank is None or one.tank == tank]
    points = [one for one in found if one.sample_point == wanted] or found
    if len(points) == 1:
        return points[0]
    if points:
        several = listed([str(one) for one in points[:PLACES_SHOWN]]) + ", ..." * (len(points) > PLACES_SHOWN)
        if len({one.tank for one in points}) > 1:
            remedy = "say which with --tank"
        else:
            remedy = "name the sample point, with --tank"
        raise LinecallError(f"{shown(wanted)} is the name of several: {several}; {remedy}")
    known = [part for one in logbook.places() for part in (one.sample_point, one.tank) if part]
    where = "" if tank is None else f" in tank {shown(tank)}"
    hint = did_you_mean(wanted, known) or "; linecall history --site shows all"
    raise LinecallError(f"{logbook.name}: there is no reading of a point {shown(wanted)}{where}{hint}")


def point_history(
    logbook: Logbook,
    place: Place,
    *,
    name: str = "",
    zone: tzinfo | None = None,
    occurrences: Iterable[Occurrence] = (),
    newest: int | None = NEWEST,
) -> History:
    """Gather a point's history. zone : the site's, for which day a reading is of; None: as each was written.

    occurrences : besides the departures of the readings themselves, which are taken from them: follow-ups above all.
    newest : how many readings are looked at closely, those logged last; None: all. Readings in whose place others stand
    are left out. Raises LinecallError at an event that has been altered.
    """
    seen = []
    for row, events in logbook.stories(place=place, newest=newest):
        if row.superseded_by is None:
            with kept(f"reading {row.id}"):
                seen.append(_seen(row, events))
    seen.sort(key=lambda one: one.taken_at)
    return History(
        place=place,
        name=name,
        seen=tuple(seen),
        occurrences=tuple(sorted([*_departures(seen), *occurrences], key=lambda one: one.at)),
        usual=_judged(seen, zone),
        years=_years(logbook, place),
        logbook=logbook.name,
        head=logbook.head(),
    )


def _departures(seen: Iterable[Seen]) -> Iterator[Occurrence]:
    for one in seen:
        for number, sentence in enumerate(one.departures, 1):
            told = f"{sentence}; reading {one.id}"
            yield Occurrence(kind="departure", id=f"{one.id}-{number}", at=one.taken_at, text=told)


def _years(logbook: Logbook, place: Place) -> tuple[tuple[str, tuple[tuple[str | None, int], ...]], ...]:
    years: dict[str, dict[str | None, int]] = {}
    for one in logbook.grades_by_month(place=place):
        counts = years.setdefault(one.month[:4], dict.fromkeys((*GRADES, "undecided", None), 0))
        counts[one.grade] = counts.get(one.grade, 0) + one.readings
    return tuple(
        (year, tuple((grade, n) for grade, n in counts.items() if n))
        for year, counts in sorted(years.items())
    )


def _judged(seen: Sequence[Seen], zone: tzinfo | None) -> Usual:
    days = (one.taken_at if zone is None else one.taken_at.astimezone(zone) for one in seen)
    found, left_out = occasions(
        (day.date(), one.grade, one.possible_grades) for day, one in zip(days, seen, strict=True)
    )
    return judge(found, left_out)


def _seen(row: ReadingRow, events: Sequence[Event]) -> Seen:
    first = events[0].payload["verdict"]
    now = current_verdict(events)
    taken_at, taken_from = taken(first, row.at)
    return Seen(
        id=row.id,
        taken_at=taken_at,
        taken_from=taken_from,
        grade=now["grade"],
        first_grade=first["grade"],
        possible_grades=tuple(now["possible_grades"]),
        brackets=tuple(brackets(now).items()) if now["status"] == "read" else (),
        warnings=tuple(now["warnings"]),
        departures=departures_of(now),
        reviews=row.reviews,
        waits=row.rank is not None,
        operator=row.operator,
        lot=row.plate_lot,
    )


def current_verdict(events: Sequence[Event]) -> Mapping[str, Any]:
    """The verdict as the reviews have left it, as JSON has it."""
    found: Mapping[str, Any] = next(
        event.payload["verdict"] for event in reversed(events) if event.payload.get("verdict")
    )
    return found


def departures_of(verdict: Mapping[str, Any]) -> tuple[str, ...]:
    """What was done otherwise than the procedure says, and what that does to the grade, a sentence each."""
    return tuple(
        one["sentence"] + " (invalid)" * (one["effect"] == "invalid") for one in verdict.get("departures", ())
    )


def taken(
    verdict: Mapping[str, Any], logged_at: datetime
) -> tuple[datetime, Literal["drops", "photo", "logbook"]]:
    """When a reading's plate was used, and whose word that is: a time without an offset is no instant."""
    age = verdict.get("reading_age") or {}
    drops, captured = age.get("drops_at"), (verdict.get("photo") or {}).get("captured_at")
    for text, source in ((drops, "drops"), (captured, "photo")):
        if text is not None and (moment := datetime.fromisoformat(text)).tzinfo is not None:
            return moment, "drops" if source == "drops" else "photo"
    return logged_at, "logbook"
