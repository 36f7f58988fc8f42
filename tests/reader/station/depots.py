"""What tests of the station share: a depot with a site, people, a clock that the test turns, and runs on their way."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from io import BytesIO
from pathlib import Path

from PIL import Image
from starlette.testclient import TestClient

from reader.files.bundled import DATA
from reader.logbook import Logbook
from reader.logbook.people import add_person
from reader.round import record
from reader.station.app import station
from reader.station.desk import Desk
from reader.station.guard import Place
from reader.station.readers import Readers
from reader.station.signins import SignIns
from reader.station.texts import english
from reader.station.tokens import Tokens

NOW = datetime.fromisoformat("2026-05-04T12:00:00+02:00")
ADA, BEN, CLEO = "Ada North", "Ben South", "Cleo West"
OURS = {"Origin": "http://testserver"}
STEPS = (("sample", 25), ("settled", 15), ("extract", 13), ("gathered", 5), ("drops", 0))
"""Steps of the example's procedure, and minutes before the drops."""


class Clock:
    """A clock that a test turns; it stands still until `began`, by time.monotonic()."""

    now = NOW
    began: float | None = None

    def __call__(self) -> datetime:
        return self.now + timedelta(seconds=0 if self.began is None else time.monotonic() - self.began)


@contextmanager
def depot(
    folder: Path, *, workers: int = 1, where: str | Path | None = None, photos: str | None = None
) -> Iterator[Desk]:
    """A station over a new logbook, here or elsewhere: Ada keeps it, Ben is a technician, Cleo a reviewer."""
    where = where or folder / "book.sqlite"
    site = folder / "site.toml"
    site.write_bytes((DATA / "examples" / "site.toml").read_bytes())
    own = folder / "station"
    own.mkdir()
    signs = SignIns.open(own / "station.sqlite")
    tokens = Tokens.open(own / "station.sqlite")
    readers = Readers(workers)
    with Logbook.open(where, photos=photos) as book:
        add_person(book, ADA, roles=["technician", "keeper"], at=NOW)
        add_person(book, BEN, roles=["technician"], at=NOW)
        add_person(book, CLEO, roles=["reviewer"], at=NOW)
        desk = Desk(
            logbook=book,
            reopen=lambda: Logbook.open(where, read_only=True, photos=photos),
            folder=own,
            sign_ins=signs,
            texts=english(),
            site_file=site,
            readers=readers,
            tokens=tokens,
            now=Clock(),
        )
        try:
            yield desk
        finally:
            readers.close()
            desk.hinter.close()
            tokens.close()
            signs.close()


def turn(desk: Desk, now: datetime) -> None:
    """Set the station's clock."""
    desk.now.now = now  # type: ignore[attr-defined]


def developed(desk: Desk, point: str = "HB-sump", *, by: str = BEN, minutes: float = 20) -> str:
    """A run whose drops were put in so many minutes ago; its id."""
    now = desk.now()
    drops = now - timedelta(minutes=minutes)
    turn(desk, drops - timedelta(minutes=30))
    run = record.begin(desk.runs_by(by), point=point, phase="fuel", lot="CB-2604").id
    for step, before in STEPS:
        turn(desk, drops - timedelta(minutes=before))
        record.step(desk.runs_by(by), run, step)
    turn(desk, now)
    return run


def photo_of(root: Path, taken: datetime, name: str = "helipad-bowser") -> bytes:
    """A demo photo whose camera says when it was taken."""
    with Image.open(root / "demo_images" / f"{name}.jpg") as image:
        exif = image.getexif()
        exif.get_ifd(0x8769).update(
            {0x9003: f"{taken:%Y:%m:%d %H:%M:%S}", 0x9011: f"{taken:%z}"[:3] + ":" + f"{taken:%z}"[3:]}
        )  # Exif 2.32: DateTimeOriginal, OffsetTimeOriginal
        into = BytesIO()
        image.save(into, "JPEG", exif=exif.tobytes(), quality=95, subsampling=0)
    return into.getvalue()


def signed_in(client: TestClient, desk: Desk, person: str) -> TestClient:
    """The browser, signed in."""
    secret = desk.sign_ins.make_link(person, now=desk.now())
    assert client.post("/pair", json={"secret": secret}, headers=OURS).status_code == 200
    return client


def browser(desk: Desk) -> TestClient:
    """A browser that is not signed in."""
    return TestClient(station(desk, Place(hosts=frozenset({"testserver"}))))


def program(desk: Desk, person: str, role: str) -> TestClient:
    """Another program with a token."""
    assert desk.tokens is not None
    secret, _ = desk.tokens.make("a test", person=person, role=role, by=ADA, now=desk.now())
    client = browser(desk)
    client.headers["Authorization"] = f"Bearer {secret}"
    return client
