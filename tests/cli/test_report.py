"""`linecall report`: what is written, for whom, and what is asked when it is not clear what is meant."""

import stat
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli.main import main
from reader.logbook import Logbook
from tests.reader.logbook.samples import AT, add

pytestmark = pytest.mark.usefixtures("here")


def report(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["report", *arguments, "-L", "log.db"])


@pytest.fixture
def ids(here: Path) -> list[str]:
    with Logbook.open("log.db") as book:
        return [
            add(book, here, number, at=AT + timedelta(days=number), tank="T3", sample_point="sump")
            for number in range(3)
        ]


def test_a_reading_is_written_as_pdf_and_as_a_page_for_their_owner_alone(ids: list[str], here: Path) -> None:
    run = report(ids[0])
    assert run.exit_code == 0, run.output
    assert run.output.split() == [f"reading-{ids[0]}.pdf", f"reading-{ids[0]}.html"]
    paper, page = (here / name for name in run.output.split())
    assert paper.read_bytes().startswith(b"%PDF")
    assert ids[0] in page.read_text(encoding="utf-8")
    assert {stat.S_IMODE(path.stat().st_mode) for path in (paper, page)} == {0o600}


def test_the_last_day_of_a_period_belongs_to_it(ids: list[str], here: Path) -> None:
    run = report("--from", "2026-05-04", "--to", "2026-05-05", "-o", "may.html")
    assert run.exit_code == 0, run.output
    page = (here / "may.html").read_text(encoding="utf-8")
    assert "2 readings logged in this time" in page
    assert [id in page for id in ids] == [True, True, False]


def test_a_period_without_an_end_goes_up_to_today(ids: list[str], here: Path) -> None:
    assert report("--from", "2026-05-05", "-o", "all.html").exit_code == 0
    assert "2 readings logged in this time" in (here / "all.html").read_text(encoding="utf-8")


def test_a_report_never_overwrites_another_file(ids: list[str], here: Path) -> None:
    (here / "mine.pdf").write_bytes(b"mine")
    assert report(ids[0], "-o", "mine.pdf").exit_code == 1
    assert (here / "mine.pdf").read_bytes() == b"mine"
    assert report(ids[0], "-o", "mine.pdf", "--force").exit_code == 0


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "name the ID of a reading, or a period"),
        (("3emgsrnm", "--from", "2026-05-04"), "name the ID of a reading, or a period"),
        (("3emgsrnm", "--to", "2026-05-04"), "--to goes with --from"),
        (("3emgsrnm",), "there is no reading '3emgsrnm'"),
        (("--from", "May"), "'May' is no date; write it such as 2026-05-04"),
        (("--from", "2026-05-04", "--to", "2026-05-01"), "ends on 2026-05-01, before it begins"),
        (("--from", "2026-05-04", "-o", "may.txt"), "must end in .pdf, .html or .htm"),
    ],
)
def test_what_is_not_clear_is_asked_about_in_one_line(
    ids: list[str], arguments: tuple[str, ...], said: str
) -> None:
    run = report(*arguments)
    assert run.exit_code == 2
    assert said in " ".join(run.output.split())
    assert "Traceback" not in run.output
