"""Histories and reports in a real browser: on a phone, on a desk, in print."""

from datetime import timedelta
from pathlib import Path

import pytest

from fixtures.verdicts import example_verdict
from reader.history.months import site_months
from reader.history.page import history_page, months_page
from reader.history.point import Occurrence, find_place, point_history
from reader.logbook import Logbook
from reader.report.page import report_page
from reader.report.period import period_report
from reader.report.reading import reading_report
from tests.reader.review.books import add
from tests.reader.review.browser import Browser
from tests.reader.review.conftest import browser
from tests.reader.review.samples import NOON

__all__ = ["browser"]

KINDS = ("point", "months", "reading", "period")
A4_MM, LETTER_MM = (210, 297), (215.9, 279.4)


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Pages of a point with a long name and seventy readings."""
    folder = tmp_path_factory.mktemp("pages")
    with Logbook.open(folder / "log.db") as book:
        said = {"tank": "north tank by the old pier", "sample_point": "sump drain, lowest point"}
        for number in range(70):
            add(book, folder, example_verdict(), number=number, at=NOON + number * timedelta(weeks=1), **said)
        last = book.readings(limit=1)[0].id
        occurrences = [
            Occurrence(kind="departure", id="d", at=NOON, text="settled 4 minutes, 10 are asked for"),
            Occurrence(kind="follow-up", id="f", at=NOON, text="drain and draw again"),
        ]
        place = find_place(book, said["sample_point"])
        now = NOON + timedelta(weeks=80)
        report = period_report(
            book, since=NOON, until=NOON + timedelta(weeks=99), follow_ups=occurrences, made_at=now
        )
        contents = {
            "point": history_page(point_history(book, place, occurrences=occurrences), made_at=now),
            "months": months_page(site_months(book), made_at=now),
            "reading": report_page(reading_report(book, last, made_at=now), paper="letter"),
            "period": report_page(report),
        }
    for kind, content in contents.items():
        (folder / f"{kind}.html").write_bytes(content)
    return {kind: folder / f"{kind}.html" for kind in contents}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("width", [320, 390, 1280])
def test_nothing_runs_out_of_the_view_and_nothing_is_asked_for(
    browser: Browser, pages: dict[str, Path], kind: str, width: int
) -> None:
    browser.show(pages[kind], width=width)
    assert browser.ask("return document.documentElement.scrollWidth") <= width
    assert [asked for asked in browser.requests() if not asked.startswith("chrome:")] == [
        pages[kind].as_uri()
    ]
    assert browser.complaints() == []


def test_what_can_be_moved_sideways_begins_at_the_newest_reading_and_takes_the_focus(
    browser: Browser, pages: dict[str, Path]
) -> None:
    browser.show(pages["point"], width=390)
    right = "return [...document.querySelectorAll('.roll')].map(r => [r.getBoundingClientRect().right, " \
            "r.querySelector('svg').getBoundingClientRect().right, r.tabIndex])"  # fmt: skip
    (newest, *older) = browser.ask(right)
    assert newest[1] == pytest.approx(newest[0], abs=2)
    assert all(drawing <= roll + 2 for roll, drawing, _ in older)  # a short stretch has room to spare
    assert {focus for *_, focus in (newest, *older)} == {0}


@pytest.mark.parametrize(("kind", "sheet"), [("reading", LETTER_MM), ("period", A4_MM)])
def test_a_report_prints_on_the_paper_that_was_asked_for(
    browser: Browser, pages: dict[str, Path], kind: str, sheet: tuple[float, float]
) -> None:
    browser.show(pages[kind], width=1280)
    for size in browser.print_pages():
        assert size == pytest.approx(sheet, abs=0.5)
