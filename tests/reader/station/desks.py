"""A station over a logbook with a plate that waits, its people, and browsers that they sign in with."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

from starlette.testclient import TestClient

from reader.logbook import Logbook, Statement
from reader.logbook.people import add_person
from reader.station.app import station
from reader.station.desk import Desk
from reader.station.guard import Place
from reader.station.signins import SignIns
from reader.station.texts import english
from reader.verdict.model import Verdict
from reader.words import Call, MarkName
from tests.reader.review.photographed import SETTINGS, photographed, read, with_calls

NOW = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
OURS = {"Origin": "http://testserver"}
PEOPLE = {
    "Ada North": ["technician", "reviewer"],
    "Ben South": ["reviewer"],
    "Cleo West": ["reviewer"],
    "Dora Kettle": ["keeper", "technician"],
}


class Clock:
    """A clock that a test turns."""

    now = NOW

    def __call__(self) -> datetime:
        return self.now


@contextmanager
def opened_desk(folder: Path) -> Iterator[Desk]:
    """A station's things in a folder, with everybody of PEOPLE."""
    with Logbook.open(folder / "book.sqlite") as book:
        for name, roles in PEOPLE.items():
            add_person(book, name, roles=roles, at=NOW)  # type: ignore[arg-type]
        signs = SignIns.open(folder / "station.sqlite")
        try:
            yield Desk(
                logbook=book,
                reopen=lambda: Logbook.open(folder / "book.sqlite", read_only=True),
                folder=folder,
                sign_ins=signs,
                texts=english(),
                now=Clock(),
            )
        finally:
            signs.close()


@cache
def _rendered(seed: int) -> tuple[str, bytes, Verdict]:
    """A photo's name, its bytes, and what linecall reads from it; rendered once."""
    with TemporaryDirectory() as folder:
        photo = photographed(Path(folder), seed=seed)
        return photo.name, photo.read_bytes(), read(photo).verdict


def add_plate(desk: Desk, folder: Path, *, tank: str = "north 1", seed: int = 5) -> str:
    """Log a photographed plate of Ada North's whose windows 3 and 5 are in doubt; returns the reading's id."""
    name, data, found = _rendered(seed)
    photo = folder / name
    photo.write_bytes(data)
    doubts: dict[tuple[str, MarkName], Call] = {
        ("3", "indicator"): "doubtful",
        ("5", "indicator"): "doubtful",
    }
    verdict = with_calls(found, doubts)
    statement = Statement.of(operator="Ada North", tank=tank, sample_point="drain")
    return desk.logbook.add_reading(
        verdict,
        [photo],
        statement,
        at=NOW - timedelta(minutes=1),
        settings=SETTINGS.files_used(verdict.layout.sha256 if verdict.layout else None),
    )


def browser_of(desk: Desk, name: str, *, shared: bool = False) -> TestClient:
    """A browser that somebody has signed in with; what it posts comes from our own pages."""
    client = TestClient(
        station(desk, Place(hosts=frozenset({"testserver"}))), follow_redirects=True, headers=OURS
    )
    secret = desk.sign_ins.make_link(name, shared=shared, now=desk.now())
    assert client.post("/pair", json={"secret": secret}).status_code == 200
    return client
