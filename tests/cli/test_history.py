"""`linecall history`: what is printed, what is written, and what is asked when it is not clear what is meant."""

import stat
from datetime import timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli.main import main
from reader.logbook import Logbook
from tests.reader.logbook.samples import AT, add

pytestmark = pytest.mark.usefixtures("here")


def history(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["history", *arguments, "-L", "log.db"])


@pytest.fixture
def ids(here: Path) -> list[str]:
    with Logbook.open("log.db") as book:
        return [
            add(book, here, number, at=AT + number * timedelta(weeks=1), tank="T3", sample_point="sump")
            for number in range(3)
        ]


def test_a_point_is_told_with_its_readings_and_that_it_cannot_tell_yet(ids: list[str]) -> None:
    run = history("sump")
    assert run.exit_code == 0, run.output
    assert "tank T3, sump   3 readings" in run.output
    assert "Cannot tell whether this is worse than usual" in run.output
    for id in ids:
        assert id in run.output
    assert run.output.count("HEAVY") == 3
    assert run.output.count("above") == 3  # the upper window of the one analyte shows no line


def test_a_page_is_its_owners_alone_and_never_overwrites_another_file(ids: list[str], here: Path) -> None:
    assert history("sump", "-o", "sump.html").exit_code == 0
    page = here / "sump.html"
    assert stat.S_IMODE(page.stat().st_mode) == 0o600
    assert ids[0] in page.read_text(encoding="utf-8")
    page.write_text("mine", encoding="utf-8")
    assert history("sump", "-o", "sump.html").exit_code == 1
    assert page.read_text(encoding="utf-8") == "mine"


def test_all_points_are_told_by_month(ids: list[str]) -> None:
    run = history("--site")
    assert run.exit_code == 0, run.output
    assert "tank T3, sump  H3       3" in run.output
    assert history("--site", "--since", "2030-01-01").output == "no readings\n"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "name a POINT, or give --site"),
        (("sump", "--site"), "name a POINT, or give --site"),
        (("sump", "--since", "2026-01-01"), "--since and --until are for --site"),
        (("--site", "--tank", "T3"), "--tank is for one point"),
        (("sumpf",), 'did you mean "sump"?'),
        (("sump", "--tank", "T9"), 'no reading of a point "sump" in tank "T9"'),
        (("sump", "-o", "sump.pdf"), "must end in .html or .htm"),
    ],
)
def test_what_is_not_clear_is_asked_about_in_one_line(
    ids: list[str], arguments: tuple[str, ...], said: str
) -> None:
    run = history(*arguments)
    assert run.exit_code == 2
    assert said in run.output
    assert "Traceback" not in run.output
