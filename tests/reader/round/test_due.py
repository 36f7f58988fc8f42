"""What is due today: by grade and interval, on the site's own calendar, the riskiest first, each with its reason."""

from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest

from reader.round.due import day_round
from reader.round.record import Desk
from reader.round.sheets import SHEETS_MM, label_sheet, round_sheet
from tests.reader.round.rounds import EXAMPLE, NOON, moment, read_of, site_of


def reasons(desk: Desk, now: datetime) -> dict[str, str]:
    found = day_round(desk.logbook, desk.site, now=now)
    return {task.point: task.reason for task in found.points}


def test_a_point_that_was_never_read_is_due_and_says_so(desk: Desk) -> None:
    assert reasons(desk, desk.now)["N1-drain"] == "no run of it has been read yet"
    assert day_round(None, desk.site, now=desk.now).points[0].reason == "no run of it has been read yet"


@pytest.mark.parametrize(
    ("grade", "days", "reason"),
    [
        ("heavy", 1, None),
        ("heavy", 2, "heavy 2 days ago, the repeat is due today, after 2"),
        ("heavy", 9, "heavy 9 days ago, the repeat was due in 2"),
        ("moderate", 7, "moderate 7 days ago, the repeat is due today, after 7"),
        ("negligible", 31, "negligible 31 days ago, the next test was due in 30"),
        ("undecided", 0, "undecided today, the repeat is due at once"),
        ("invalid", 1, "invalid yesterday, the repeat was due at once"),
    ],
)
def test_the_reason_names_the_last_grade_and_the_interval(
    desk: Desk, tmp_path: Path, grade: str, days: int, reason: str | None
) -> None:
    _, then = read_of(desk, tmp_path, grade, when=NOON)
    assert reasons(then, then.now + timedelta(days=days)).get("N1-drain") == reason


def test_a_point_s_own_interval_comes_before_the_site_s(desk: Desk, tmp_path: Path) -> None:
    _, then = read_of(desk, tmp_path, "negligible", point="HB-sump", when=NOON)
    assert "HB-sump" not in reasons(then, NOON + timedelta(days=6))
    assert (
        reasons(then, NOON + timedelta(days=8))["HB-sump"]
        == "negligible 8 days ago, the next test was due in 7"
    )


def test_days_are_the_site_s_whether_or_not_its_clocks_have_changed(desk: Desk, tmp_path: Path) -> None:
    # Copenhagen leaves summer time on 25 October 2026 at 3:00 (tzdata)
    drawn = moment("2026-10-18T23:30:00+02:00")
    _, then = read_of(desk, tmp_path, "moderate", when=drawn)
    assert "N1-drain" not in reasons(then, moment("2026-10-24T23:59:00+02:00"))
    found = day_round(then.logbook, then.site, now=moment("2026-10-25T22:30:00+00:00"))
    (task,) = [one for one in found.points if one.point == "N1-drain"]
    assert (found.day, task.due_on, task.days_late) == (date(2026, 10, 25), date(2026, 10, 25), 0)


def test_the_riskiest_comes_first_and_what_nobody_knows_before_moderate(desk: Desk, tmp_path: Path) -> None:
    grades = {"N1-drain": "moderate", "S1-drain": "heavy", "HB-sump": "negligible", "RB-drain": "invalid"}
    for point, grade in grades.items():
        _, then = read_of(desk, tmp_path, grade, point=point, when=NOON)
    found = day_round(then.logbook, then.site, now=NOON + timedelta(days=40))
    tests = [task.point for task in found.points]
    assert tests == ["S1-drain", "RB-drain", "GEN-dip", "N1-drain", "HB-sump"]
    first = found.tasks[0]
    assert first.follow_up is not None
    assert first.follow_up.is_hold
    risk = {"heavy": 0, "invalid": 1, None: 1, "moderate": 2, "negligible": 3}
    order = [risk[task.grade] for task in found.tasks]
    assert order == sorted(order)


def test_a_reading_that_is_not_the_last_says_nothing_of_what_is_due(desk: Desk, tmp_path: Path) -> None:
    read_of(desk, tmp_path, "heavy", when=NOON)
    _, then = read_of(desk, tmp_path, "negligible", when=NOON + timedelta(hours=3))
    assert "N1-drain" not in reasons(then, NOON + timedelta(days=9))


@pytest.mark.parametrize("paper", SHEETS_MM)
def test_the_day_s_round_is_one_page_however_much_is_due(desk: Desk, tmp_path: Path, paper: str) -> None:
    pdfium = pytest.importorskip("pypdfium2")
    found = day_round(desk.logbook, desk.site, now=desk.now)
    many = replace(found, tasks=found.tasks * 20)
    for shown, sentence in (
        (found, "North tank, drain cock"),
        (many, "more of less risk had no room on this page"),
    ):
        document = pdfium.PdfDocument(round_sheet(shown, made_at=desk.now, paper=paper))
        assert len(document) == 1
        assert document[0].get_size() == pytest.approx([mm * 72 / 25.4 for mm in SHEETS_MM[paper]], abs=0.01)
        text = document[0].get_textpage().get_text_range()
        assert sentence in text
        assert "licensed practice come first" in text.replace("\r\n", " ")


def test_a_site_of_many_points_lists_each_once(desk: Desk, tmp_path: Path) -> None:
    site = site_of(tmp_path, EXAMPLE, "again.toml")
    found = day_round(desk.logbook, site, now=desk.now)
    assert sorted(task.point for task in found.tasks) == sorted(point.id for point in site.point)
    assert label_sheet([]) != b""
