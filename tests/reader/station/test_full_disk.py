"""A disk that is really full: what is refused says so, nothing is half written, and all goes on once there is room."""

import hashlib
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from httpx2 import Response
from starlette.testclient import TestClient

from reader.station.desk import Desk
from reader.station.uploads import PIECE_MAX
from tests.reader.station.depots import BEN, NOW, browser, depot, developed, photo_of, program


@pytest.fixture
def desk(small_disk: Path) -> Iterator[Desk]:
    with depot(small_disk) as made:
        yield made


@contextmanager
def filled(disk: Path, left: int) -> Iterator[None]:
    """Fill the disk up to so many bytes; what fills it is gone afterwards."""
    filler = disk / "filler"
    with filler.open("wb", buffering=0) as file:
        free = os.statvfs(disk).f_bavail * os.statvfs(disk).f_frsize
        if free > left:
            os.posix_fallocate(file.fileno(), 0, free - left)
    try:
        yield
    finally:
        filler.unlink()


def piece(client: TestClient, run: str, photo: bytes, at: int) -> Response:
    sha = hashlib.sha256(photo).hexdigest()
    return client.put(f"/runs/{run}/photos/{sha}?at={at}", content=photo[at : at + PIECE_MAX])


def send(client: TestClient, run: str, photo: bytes) -> Response:
    named = {"sha256": hashlib.sha256(photo).hexdigest(), "name": "a.jpg", "at": NOW.isoformat()}
    return client.post(f"/runs/{run}/send", json={"photos": [named], "now": NOW.isoformat()})


def check_chain(desk: Desk) -> int:
    report = desk.logbook.verify()
    assert report.problem is None, report.problem
    return desk.logbook.head()[0]


def begun(**changes: Any) -> dict[str, Any]:
    said = {"point": "N1-drain", "phase": "fuel", "lot": "CB-2604", "operator": BEN}
    return said | {"begun": {"at": NOW.isoformat()}, "steps": [], "now": NOW.isoformat()} | changes


def test_a_full_disk_takes_no_new_run_and_says_why(desk: Desk, small_disk: Path) -> None:
    client = program(desk, BEN, "technician")
    before = check_chain(desk)
    with filled(small_disk, 0):
        answer = client.put("/runs/k7m3q2xz", json=begun())
        assert answer.status_code == 507
        assert "full" in answer.json()["error"]
        health = browser(desk).get("/health")
        assert (health.status_code, health.json()["room_for_a_run"]) == (503, False)
    assert check_chain(desk) == before


def test_a_photo_goes_on_from_where_the_disk_was_full(desk: Desk, small_disk: Path, root: Path) -> None:
    run, client = developed(desk), program(desk, BEN, "technician")
    photo = photo_of(root, NOW - timedelta(minutes=1))
    assert len(photo) > 2 * PIECE_MAX
    at = piece(client, run, photo, 0).json()["next"]
    with filled(small_disk, 100_000):
        for _ in range(2):  # asked again, it says the same
            answer = piece(client, run, photo, at)
            assert answer.status_code == 507, answer.text
            assert "disk is full" in answer.json()["error"]
            assert answer.json()["next"] == at, "nothing of the piece is kept"
    while at < len(photo):
        at = piece(client, run, photo, at).json()["next"]
    assert send(client, run, photo).json()["status"] == "read"
    check_chain(desk)


@pytest.mark.parametrize("left", [0, 8192, 100_000, 700_000])
def test_a_reading_is_whole_in_the_logbook_or_not_there(
    desk: Desk, small_disk: Path, root: Path, left: int
) -> None:
    run, client = developed(desk), program(desk, BEN, "technician")
    photo, at = photo_of(root, NOW - timedelta(minutes=1)), 0
    while at < len(photo):
        at = piece(client, run, photo, at).json()["next"]
    with filled(small_disk, left):
        answer = send(client, run, photo)
        if answer.status_code != 200:
            assert answer.status_code in {409, 503, 507}, answer.text
            assert "disk is full" in answer.json()["error"], answer.text
            check_chain(desk)  # that the photo came may be written in it, and is true
            assert not desk.logbook.readings()
        assert browser(desk).get("/health").status_code == 503
    assert send(client, run, photo).json()["status"] == "read", "once there is room"
    check_chain(desk)
    assert len(desk.logbook.readings()) == 1
    assert not [path.name for path in small_disk.rglob("*") if path.name.startswith(".reading-")]


def test_a_step_that_cannot_be_written_is_refused_and_the_run_stands(desk: Desk, small_disk: Path) -> None:
    run, client = developed(desk), program(desk, BEN, "technician")
    before = check_chain(desk)
    with filled(small_disk, 0):
        answer = client.post(f"/runs/{run}/end?why=spoilt")
        if answer.status_code != 200:
            assert "full" in answer.json()["error"]
            assert check_chain(desk) == before
    assert client.post(f"/runs/{run}/end?why=spoilt").json()["state"] == "abandoned"
    check_chain(desk)


def test_lines_of_the_log_are_lost_and_requests_are_not(desk: Desk, small_disk: Path) -> None:
    client = browser(desk)
    assert client.get("/").status_code == 200
    with filled(small_disk, 0):
        for _ in range(50):
            assert client.get("/").status_code == 200
    assert client.get("/").status_code == 200
    for text in (desk.folder / "station.log").read_text().splitlines()[-1:]:
        assert json.loads(text)["status"] == 200
