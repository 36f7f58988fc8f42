"""A smoke test in the other engine: a run to its grade and a reviewer's look, without an error or a policy's report."""

import subprocess
from datetime import timedelta
from pathlib import Path

import pytest

from tests.conftest import FIREFOX, NODE, PUPPETEER
from tests.reader.station.depots import BEN, CLEO
from tests.reader.station.field import STEPS, photo
from tests.reader.station.filled import add_reading
from tests.reader.station.phone import served

SCRIPT = Path(__file__).with_name("firefox.mjs")


@pytest.fixture
def firefox(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """The command that drives it, up to what is to be done."""
    assert FIREFOX is not None
    assert NODE is not None
    assert PUPPETEER is not None
    return [NODE, str(SCRIPT), PUPPETEER, FIREFOX, str(tmp_path_factory.mktemp("firefox"))]


def test_in_firefox_a_run_comes_to_its_grade_and_a_reviewer_sees_the_strips(
    firefox: list[str], root: Path, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    with served(tmp_path) as place:
        run = add_reading(place, root, "RB-drain", "rescue-boat-tank-1")
        plate = run.readings[-1].id
        picture = tmp_path_factory.mktemp("dcim") / "later.jpg"
        asked = [str(picture), place.link(BEN), place.link(CLEO), plate]
        pipe = subprocess.PIPE
        with subprocess.Popen(
            [*firefox, *asked], stdin=pipe, stdout=pipe, stderr=pipe, text=True, bufsize=1
        ) as driven:
            assert driven.stdin is not None
            assert driven.stdout is not None
            said: list[str] = []
            for minutes in (0.0, *(wait for _, wait in STEPS), 17.0):
                said += iter(driven.stdout.readline, "clock\n")
                place.clock.shift += timedelta(minutes=minutes)
                if minutes == 17.0:
                    photo(place, root, picture.parent).rename(picture)
                driven.stdin.write(f"{place.clock.shift.total_seconds() / 60}\n")
            rest, wrong = driven.communicate(timeout=180)
        assert wrong == ""
        assert said == ["looks true\n"]
        assert rest.startswith("grade Negligible")
        assert place.desk.logbook.verify().problem is None
