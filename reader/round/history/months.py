"""All points of a site by month: how often each grade was given."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from reader.logbook import Logbook

WORST_FIRST: Final = ("heavy", "moderate", "undecided", "invalid", None, "negligible")
"""Grades in the order in which a cell names them; None: refused. What is not settled stands before what is clean."""
LETTERS: Final[Mapping[str | None, str]] = {
    "heavy": "H", "moderate": "M", "undecided": "U", "invalid": "I", None: "R", "negligible": "n",
}  # fmt: skip
LEGEND: Final = "H heavy, M moderate, U undecided, I invalid, R refused, n negligible; how many of each"


@dataclass(frozen=True, kw_only=True, slots=True)
class PointMonths:
    """One tank and sample point: its grades in each month, as counts; a month without a reading has none."""

    title: str
    months: tuple[Mapping[str | None, int], ...]

    @property
    def total(self) -> int:
        """How many readings there are."""
        return sum(sum(counts.values()) for counts in self.months)


@dataclass(frozen=True, kw_only=True, slots=True)
class SiteMonths:
    """All points by month, the months in order, such as 2026-05, of when readings were logged."""

    months: tuple[str, ...]
    points: tuple[PointMonths, ...]
    logbook: str
    head: tuple[int, str]


def site_months(
    logbook: Logbook,
    *,
    since: datetime | None = None,
    until: datetime | None = None,
    names: Mapping[tuple[str | None, str | None], str] | None = None,
) -> SiteMonths:
    """Count the grades of all points by month. names : the site's own, by tank and sample point.

    since, until : of when readings were logged; until is not included.
    """
    counted = logbook.grades_by_month(since=since, until=until)
    months = tuple(_every_month(one.month for one in counted))
    points: dict[tuple[str | None, str | None], dict[str, dict[str | None, int]]] = {}
    for one in counted:
        points.setdefault((one.tank, one.sample_point), {}).setdefault(one.month, {})[one.grade] = (
            one.readings
        )
    titled = {key: (names or {}).get(key) or _title(*key) for key in points}
    return SiteMonths(
        months=months,
        points=tuple(
            PointMonths(title=titled[key], months=tuple(points[key].get(month, {}) for month in months))
            for key in sorted(points, key=lambda key: _natural(titled[key]))
        ),
        logbook=logbook.name,
        head=logbook.head(),
    )


def _title(tank: str | None, point: str | None) -> str:
    return ", ".join(filter(None, (tank and f"tank {tank}", point))) or "no place stated"


def _natural(text: str) -> list[tuple[int, int | str]]:
    """A key by which T2 comes before T10."""
    parts = "".join(letter if letter.isdecimal() else f"\0{letter}\0" for letter in text.casefold()).split(
        "\0"
    )
    return [(0, int(part)) if part.isdecimal() else (1, part) for part in parts if part]


def _every_month(named: Iterable[str]) -> list[str]:
    """All months from the first named to the last, those between without a reading too."""
    found = sorted(set(named))
    if not found:
        return []
    (year, month), last = map(int, found[0].split("-")), found[-1]
    every = [found[0]]
    while every[-1] < last:
        year, month = (year, month + 1) if month < 12 else (year + 1, 1)
        every.append(f"{year:04}-{month:02}")
    return every


def cell(counts: Mapping[str | None, int]) -> str:
    """A month's grades, the worst first: `H1 M2 n4`; empty without a reading."""
    return " ".join(f"{LETTERS[grade]}{counts[grade]}" for grade in WORST_FIRST if counts.get(grade))
