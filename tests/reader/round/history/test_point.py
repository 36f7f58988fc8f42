"""A point's history as the logbook gives it, and as its pages show it."""

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from reader.errors import LinecallError
from reader.logbook import Logbook, Statement
from reader.round.history.drawing import panels
from reader.round.history.months import cell, site_months
from reader.round.history.page import history_page, months_page
from reader.round.history.point import Occurrence, departures_of, find_place, point_history
from reader.words import Call, Grade
from tests.reader.logbook.samples import AT, Place, photo, verdict_of

WEEK = timedelta(weeks=1)
SIX_WINDOWS: tuple[Call, ...] = ("present",) * 6
GRADES: dict[Grade, tuple[Call, ...]] = {
    "negligible": SIX_WINDOWS,
    "moderate": ("absent", *SIX_WINDOWS[1:]),
    "heavy": ("absent", "absent", *SIX_WINDOWS[2:]),
    "undecided": ("doubtful", *SIX_WINDOWS[1:]),
}


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    with Logbook.open(tmp_path / "log.db") as opened:
        yield opened


def log(book: Logbook, folder: Path, week: int, grade: Grade, *, day: int = 0, **said: str) -> str:
    """A reading of a week: drops put in at nine, logged twenty minutes later."""
    drops = AT.replace(hour=9, minute=0, second=0) + week * WEEK + timedelta(days=day)
    path = photo(folder, book.head()[0])
    verdict = verdict_of(path, GRADES[grade], grade=grade)
    assert verdict.reading_age is not None
    verdict = verdict.model_copy(
        update={"reading_age": verdict.reading_age.model_copy(update={"drops_at": drops})}
    )
    statement = Statement.of(**{"operator": "A. Technician", "tank": "T3", "sample_point": "sump"} | said)
    return book.add_reading(verdict, [path], statement, at=drops + timedelta(minutes=20))


@pytest.fixture
def ids(book: Logbook, tmp_path: Path) -> list[str]:
    clean: list[Grade] = ["negligible"] * 14
    bad: list[Grade] = ["heavy"] * 6
    return [log(book, tmp_path, week, grade) for week, grade in enumerate([*clean, *bad])]


def test_a_point_that_went_bad_is_called_worse_than_usual(book: Logbook, ids: list[str]) -> None:
    found = point_history(book, find_place(book, "sump"))
    assert [one.id for one in found.seen] == ids
    assert [one.grade for one in found.seen[-7:]] == ["negligible", *["heavy"] * 6]
    assert found.usual.state == "worse"
    assert found.usual.level == "negligible"
    assert {one.taken_from for one in found.seen} == {"drops"}
    assert dict(found.seen[-1].brackets) == {"bacteria": "above", "yeast": "below", "mould": "below"}
    assert dict(found.seen[0].brackets) == {"bacteria": "below", "yeast": "below", "mould": "below"}


def test_a_repeat_later_on_the_day_is_no_further_day_of_testing(
    book: Logbook, tmp_path: Path, ids: list[str]
) -> None:
    for _ in range(4):
        log(book, tmp_path, 13, "heavy")
    found = point_history(book, find_place(book, "sump"))
    assert len(found.seen) == 24
    assert [len(found.usual.past), len(found.usual.recent)] == [14, 6]
    assert found.usual.past[-1].worst == "heavy"


def test_what_was_corrected_or_replaced_is_shown_as_it_stands(
    book: Logbook, tmp_path: Path, ids: list[str]
) -> None:
    book.correct(ids[0], "sample_point", "valve", by="B", reason="misread", at=AT + 30 * WEEK)
    found = point_history(book, find_place(book, "sump"))
    assert ids[0] not in {one.id for one in found.seen}
    assert [one.id for one in point_history(book, find_place(book, "valve")).seen] == [ids[0]]


def test_only_the_newest_are_looked_at_closely_and_all_are_counted(book: Logbook, ids: list[str]) -> None:
    found = point_history(book, find_place(book, "sump"), newest=5)
    assert [one.id for one in found.seen] == ids[-5:]
    assert found.years == (("2026", (("negligible", 14), ("heavy", 6))),)


def test_a_name_that_stands_for_several_points_is_asked_about(
    book: Logbook, tmp_path: Path, ids: list[str]
) -> None:
    log(book, tmp_path, 1, "negligible", tank="T4")
    with pytest.raises(
        LinecallError, match="several: tank T3, sump and tank T4, sump; say which with --tank"
    ):
        find_place(book, "sump")
    assert find_place(book, "sump", tank="T4").readings == 1
    assert find_place(book, "T3").sample_point == "sump"
    with pytest.raises(LinecallError, match='no reading of a point "sumpf"; did you mean "sump"'):
        find_place(book, "sumpf")


def test_readings_without_a_tank_or_a_point_have_a_history_too(book: Logbook, tmp_path: Path) -> None:
    made = log(book, tmp_path, 1, "moderate", sample_point="")
    found = point_history(book, find_place(book, "T3"))
    assert [(one.id, one.grade) for one in found.seen] == [(made, "moderate")]
    assert found.title == "tank T3"


def test_an_altered_event_is_told_and_not_counted(book: Logbook, tmp_path: Path, ids: list[str]) -> None:
    Place(where=str(tmp_path / "log.db"), photos="").tamper(
        "UPDATE linecall_event SET body = replace(body, 'absent', 'present') WHERE seq = 18"
    )
    with pytest.raises(LinecallError, match="event 18 of the logbook has been changed"):
        point_history(book, find_place(book, "sump"))


# --- drawn --------------------------------------------------------------------------------------------------


def with_occurrences(book: Logbook) -> tuple[Occurrence, ...]:
    return (
        Occurrence(kind="departure", id="d1", at=AT, text="settled 4 minutes <b>only</b>"),
        Occurrence(
            kind="follow-up", id="f1", at=AT + timedelta(days=1), text="drain", done_at=AT + timedelta(days=3)
        ),
        Occurrence(kind="follow-up", id="f2", at=AT + timedelta(days=2), text="confirm"),
    )


def test_the_page_says_in_words_what_it_draws(book: Logbook, ids: list[str]) -> None:
    found = point_history(book, find_place(book, "sump"), occurrences=with_occurrences(book))
    page = history_page(found, made_at=AT).decode()
    assert "Content-Security-Policy" in page
    assert "http" not in page.replace("http-equiv", "").replace("http://www.w3.org/2000/svg", "")
    for drawing in re.findall(r"<svg class=.chart.*?</svg>", page, re.DOTALL):
        assert 'role="img"' in drawing
        (title,) = re.findall(r'<title id="(title\d+)">', drawing)
        (desc,) = re.findall(r'<desc id="(desc\d+)">', drawing)
        assert f'aria-labelledby="{title} {desc}"' in drawing
    for one in found.seen:  # each reading by its id, in the drawing and in the table
        assert page.count(one.id) >= 2
    assert "20 readings: 14 negligible and 6 heavy" in page
    assert "settled 4 minutes &lt;b&gt;only&lt;/b&gt;" in page
    assert "done 2026-05-07" in page
    assert "<b>open</b>" in page
    assert str(found.head[1]) in page


def test_time_runs_to_the_right_and_a_long_gap_is_marked(book: Logbook, tmp_path: Path) -> None:
    for week in range(4):
        log(book, tmp_path, week, "negligible")
    found = point_history(book, find_place(book, "sump"))
    moved = tuple(
        replace(one, taken_at=AT + days * timedelta(days=1))
        for one, days in zip(found.seen, (0, 7, 14, 300), strict=True)
    )
    (panel,) = panels(replace(found, seen=moved))
    xs = [mark.x for mark in panel.lanes[0].marks]
    assert xs == sorted(xs)
    assert len(set(xs)) == len(xs)
    assert [words for _, words in panel.cuts] == ["286 days without a reading, drawn shorter"]
    assert xs[2] < panel.cuts[0][0] < xs[3]


def test_each_grade_has_a_place_and_a_shape_of_its_own(book: Logbook, tmp_path: Path) -> None:
    for week, grade in enumerate(GRADES):
        log(book, tmp_path, week, grade)
    (panel,) = panels(point_history(book, find_place(book, "sump")))
    marks = {mark.shape: mark for mark in panel.lanes[0].marks}
    assert set(marks) == {"negligible", "moderate", "heavy", "open"}
    assert marks["heavy"].y < marks["moderate"].y < marks["negligible"].y
    assert (marks["open"].top, marks["open"].bottom) == (marks["moderate"].y, marks["negligible"].y)


# --- all points ---------------------------------------------------------------------------------------------


def test_all_points_by_month_count_every_standing_reading(
    book: Logbook, tmp_path: Path, ids: list[str]
) -> None:
    log(book, tmp_path, 13, "moderate", tank="T10")
    log(book, tmp_path, 13, "undecided", tank="T4", operator="B")
    site = site_months(book)
    assert [one.title for one in site.points] == ["tank T3, sump", "tank T4, sump", "tank T10, sump"]
    assert site.months == ("2026-05", "2026-06", "2026-07", "2026-08", "2026-09")
    assert [one.total for one in site.points] == [20, 1, 1]
    # Weeks 0 to 13 from Monday 4 May are clean, the next six heavy: from Monday 10 August on.
    assert [cell(counts) for counts in site.points[0].months] == ["n4", "n5", "n4", "H4 n1", "H2"]
    page = months_page(site, made_at=AT).decode()
    assert page.count("H4 n1") == 1
    assert "Content-Security-Policy" in page


def test_what_a_verdict_says_of_departures_stands_on_the_time_axis() -> None:
    said = [
        {"code": "settling", "effect": "warning", "sentence": "settled 4 minutes, 10 are asked for"},
        {"code": "expired", "effect": "invalid", "sentence": "the plate had expired"},
    ]
    assert departures_of({"departures": said}) == (
        "settled 4 minutes, 10 are asked for", "the plate had expired (invalid)"
    )  # fmt: skip
    assert departures_of({}) == ()  # readings without a run, and all of before
