"""A point's history as plain shapes: grades, each analyte's brackets, departures and follow-ups over one time axis.

Units are CSS pixels on a phone; x right, y down. Time runs to the right: a day is PER_DAY wide, readings lie STEP apart
at least, and a gap in which nothing was tested is no wider than GAP and marked as cut.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Final

from reader.history.brackets import SAID, Bracket
from reader.history.point import History, Occurrence, Seen
from reader.history.usual import ORDER
from reader.words import counted, listed

PANEL_MOST: Final = 60  # readings in one panel: a year's weekly ones fit across a sheet of paper
PER_DAY: Final = 1.6
STEP: Final = 11.0
GAP: Final = 64.0
LEFT: Final = 12.0
RIGHT: Final = 104.0  # room for the words of the levels
LEVEL: Final = 17.0  # from grade to grade
FINE: Final = 11.0  # from bracket to bracket
HEAD: Final = 16.0  # above a lane, for its name
TICKS_APART: Final = 58.0
BEYOND: Final = 26.0  # to either side of the first and last reading
DAY: Final = timedelta(days=1)

GRADE_LEVELS: Final = (*reversed(ORDER), "invalid or refused")
BRACKET_LEVELS: Final[tuple[tuple[str, str], ...]] = (
    ("above", "above upper"), ("between", "between"), ("below", "below lower"), ("invalid", "invalid"),
)  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class Mark:
    """A sign at a place, or reaching from `top` to `bottom` where it stands for several levels."""

    x: float
    y: float
    shape: str
    title: str
    top: float | None = None
    bottom: float | None = None
    words: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Level:
    """A level line with its name beside it."""

    y: float
    name: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Lane:
    """What is drawn over one name: its levels and signs."""

    name: str
    y: float
    levels: tuple[Level, ...]
    marks: tuple[Mark, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Span:
    """A follow-up from when it was asked for until it was done, or to the panel's end while it is open."""

    x0: float
    x1: float
    y: float
    done: bool
    number: int
    title: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Panel:
    """One stretch of time; title and label say it to those who do not see it. cuts : where a gap is drawn shorter."""

    width: float
    height: float
    title: str
    label: str
    lanes: tuple[Lane, ...]
    spans: tuple[Span, ...]
    ticks: tuple[tuple[float, str], ...]
    cuts: tuple[tuple[float, str], ...]
    axis: float
    x0: float
    x1: float


def panels(history: History) -> tuple[Panel, ...]:
    """The newest readings of a history, drawn; the newest panel first."""
    seen = history.seen
    parts = [seen[max(0, end - PANEL_MOST) : end] for end in range(len(seen), 0, -PANEL_MOST)]
    numbers = {one.id: number for number, one in enumerate(history.occurrences, 1)}
    ends = [None, *(part[0].taken_at for part in parts)]
    return tuple(
        _panel(history, part, numbers, until=ends[place], first=place == len(parts) - 1)
        for place, part in enumerate(parts)
    )


class _Axis:
    """Where instants lie across a panel."""

    def __init__(self, moments: Sequence[datetime]) -> None:
        """Take the readings' instants, in order."""
        self.moments = list(moments)
        self.places = [LEFT + BEYOND]
        self.cuts: list[tuple[float, str]] = []
        for before, after in pairwise(self.moments):
            days = (after - before) / DAY
            wide = max(STEP, days * PER_DAY)
            if wide > GAP:
                self.cuts.append(
                    (self.places[-1] + GAP / 2, f"{round(days)} days without a reading, drawn shorter")
                )
            self.places.append(self.places[-1] + min(wide, GAP))
        self.end = self.places[-1] + BEYOND

    def x(self, moment: datetime) -> float:
        """Place of an instant; at most BEYOND outside the readings."""
        right = bisect_right(self.moments, moment)
        if right == 0:
            return max(self.places[0] - (self.moments[0] - moment) / DAY * PER_DAY, LEFT)
        if right == len(self.moments):
            return min(self.places[-1] + (moment - self.moments[-1]) / DAY * PER_DAY, self.end)
        before, after = self.moments[right - 1], self.moments[right]
        share = (moment - before) / (after - before)
        return self.places[right - 1] + share * (self.places[right] - self.places[right - 1])


def _panel(
    history: History, seen: Sequence[Seen], numbers: dict[str, int], *, until: datetime | None, first: bool
) -> Panel:
    axis = _Axis([one.taken_at for one in seen])
    lanes, y = [], 4.0
    lanes.append(_grade_lane(seen, axis, y))
    y += HEAD + LEVEL * len(GRADE_LEVELS)
    for analyte in history.analytes:
        lanes.append(_analyte_lane(analyte, seen, axis, y))
        y += HEAD + FINE * len(BRACKET_LEVELS)
    here = [
        one for one in history.occurrences
        if (until is None or one.at < until) and (first or (one.done_at or one.at) >= seen[0].taken_at)
    ]  # fmt: skip
    departures = [one for one in here if one.kind == "departure"]
    if departures:
        marks = tuple(
            Mark(
                x=axis.x(one.at),
                y=y + HEAD + 5,
                shape="departure",
                title=_told(one),
                words=str(numbers[one.id]),
            )
            for one in departures
        )
        lanes.append(Lane(name="departures", y=y, levels=(), marks=marks))
        y += HEAD + 14
    spans: list[Span] = []
    follow_ups = [one for one in here if one.kind == "follow-up"]
    if follow_ups:
        lanes.append(Lane(name="follow-ups", y=y, levels=(), marks=()))
        rows: list[float] = []
        for one in follow_ups:
            x0, x1 = (
                axis.x(one.at),
                axis.end if one.done_at is None else max(axis.x(one.done_at), axis.x(one.at) + 4),
            )
            row = next((n for n, taken in enumerate(rows) if taken + 16 < x0), len(rows))
            rows[row : row + 1] = [x1]
            spans.append(
                Span(x0=x0, x1=x1, y=y + HEAD + 5 + 12 * row, done=one.done_at is not None, number=numbers[one.id],
                     title=_told(one))
            )  # fmt: skip
        y += HEAD + 12 * len(rows) + 2
    title = f"{seen[0].taken_at:%Y-%m-%d} to {seen[-1].taken_at:%Y-%m-%d}"
    return Panel(
        width=axis.end + RIGHT,
        height=y + 26,
        title=f"{history.title}, {title}",
        label=_label(seen, here),
        lanes=tuple(lanes),
        spans=tuple(spans),
        ticks=tuple(_ticks(axis)),
        cuts=tuple(axis.cuts),
        axis=y + 8,
        x0=LEFT,
        x1=axis.end,
    )


def _grade_lane(seen: Sequence[Seen], axis: _Axis, y: float) -> Lane:
    levels = {name: y + HEAD + LEVEL * row + LEVEL / 2 for row, name in enumerate(GRADE_LEVELS)}
    marks = []
    for one, x in zip(seen, axis.places, strict=True):
        where = [levels[grade] for grade in ORDER if grade in one.possible_grades]
        if one.grade == "undecided" and where:
            marks.append(
                Mark(x=x, y=(min(where) + max(where)) / 2, top=min(where), bottom=max(where), shape="open",
                     title=told(one))
            )  # fmt: skip
        else:
            name = one.grade if one.grade in ORDER else GRADE_LEVELS[-1]
            assert name is not None
            shape = one.grade if one.grade in ORDER else "none"
            marks.append(Mark(x=x, y=levels[name], shape=str(shape), title=told(one)))
    return Lane(
        name="grade",
        y=y,
        levels=tuple(Level(y=y, name=name) for name, y in levels.items()),
        marks=tuple(marks),
    )


def _analyte_lane(analyte: str, seen: Sequence[Seen], axis: _Axis, y: float) -> Lane:
    levels = {kind: y + HEAD + FINE * row + FINE / 2 for row, (kind, _) in enumerate(BRACKET_LEVELS)}
    marks = []
    for one, x in zip(seen, axis.places, strict=True):
        bracket: Bracket | None = dict(one.brackets).get(analyte)
        if bracket is None:
            continue
        title = f"{one.taken_at:%Y-%m-%d}, {analyte}: {SAID[bracket]}"
        if bracket == "doubtful":
            marks.append(
                Mark(
                    x=x,
                    y=levels["between"],
                    top=levels["above"],
                    bottom=levels["below"],
                    shape="open",
                    title=title,
                )
            )
        else:
            shape = "none" if bracket == "invalid" else bracket
            marks.append(Mark(x=x, y=levels[bracket], shape=shape, title=title))
    names = dict(BRACKET_LEVELS)
    return Lane(
        name=analyte,
        y=y,
        levels=tuple(Level(y=y, name=names[kind]) for kind, y in levels.items()),
        marks=tuple(marks),
    )


def told(one: Seen) -> str:
    """A reading in a sentence, as its sign's title has it."""
    grade = one.grade or "refused"
    possible = f" ({listed(one.possible_grades, 'or')})" if one.grade == "undecided" else ""
    was = f", first graded {one.first_grade}" if one.reviews and one.first_grade != one.grade else ""
    return f"{one.taken_at:%Y-%m-%d %H:%M}: {grade}{possible}{was}; reading {one.id}"


def _told(one: Occurrence) -> str:
    done = (
        ""
        if one.kind == "departure"
        else ", open"
        if one.done_at is None
        else f", done {one.done_at:%Y-%m-%d}"
    )
    return f"{one.at:%Y-%m-%d}, {one.kind}: {one.text}{done}"


def _label(seen: Sequence[Seen], here: Sequence[Occurrence]) -> str:
    """What the drawing shows, in words."""
    grades = [one.grade or "refused" for one in seen]
    counts = [f"{grades.count(name)} {name}" for name in dict.fromkeys((*ORDER, "undecided", "invalid", "refused"))
              if name in grades]  # fmt: skip
    others = [
        counted(n, kind) for kind in ("departure", "follow-up") if (n := sum(o.kind == kind for o in here))
    ]
    return (
        f"{counted(len(seen), 'reading')}: {listed(counts)}. The last one: {told(seen[-1])}."
        + f" Also {listed(others)}." * bool(others)
        + " The table below the drawing says the same."
    )


def _ticks(axis: _Axis) -> list[tuple[float, str]]:
    """Months' beginnings, as many as have room."""
    found: list[tuple[float, str]] = []
    first, last = axis.moments[0], axis.moments[-1]
    month = first.replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    while month <= last:
        x = axis.x(month)
        if month >= first and (not found or x - found[-1][0] >= TICKS_APART) and x <= axis.end - 20:
            found.append((x, f"{month:%Y-%m}"))
        month = (month + timedelta(days=32)).replace(day=1)
    return found or [(axis.places[0], f"{first:%Y-%m-%d}")]
