"""A station whose logbook is on a server that goes away and comes back: it goes on by itself, and loses no photo."""

from collections.abc import Iterator
from datetime import timedelta
from itertools import count
from pathlib import Path

import pytest

from reader.logbook.run_events import STEP
from reader.round.record import find_run
from reader.station import uploads
from reader.station.desk import Desk
from tests.conftest import POSTGRESQL
from tests.reader.logbook.broken_line import BrokenLine, broken_line
from tests.reader.logbook.samples import Place
from tests.reader.station.depots import BEN, NOW, OURS, browser, depot, photo_of, signed_in
from tests.reader.station.test_technician import ALL, RUN, put, said, send_pieces

on_a_server = pytest.mark.parametrize("place", ["postgresql"], indirect=True)


@pytest.fixture
def line(place: Place) -> Iterator[BrokenLine]:
    assert POSTGRESQL is not None
    with broken_line(POSTGRESQL) as line:
        yield line


@pytest.fixture
def desk(place: Place, line: BrokenLine, tmp_path: Path) -> Iterator[Desk]:
    folder = tmp_path / "depot"
    folder.mkdir()
    with depot(folder, where=line.through(place.where), photos=place.photos) as desk:
        yield desk


@on_a_server
def test_a_station_waits_for_its_server_and_goes_on_with_every_run_and_photo(
    desk: Desk, line: BrokenLine, place: Place, root: Path
) -> None:
    phone = signed_in(browser(desk), desk, BEN)
    assert put(phone, said(*ALL)).status_code == 200
    photo = photo_of(root, NOW - timedelta(minutes=1))
    sha = send_pieces(phone, RUN, photo)
    line.cut_all()
    assert phone.get("/today").status_code == 200  # as if nothing had been

    line.take_down()
    health = phone.get("/health")
    assert health.status_code == 503
    assert "the server cannot be reached" in health.json()["database"]
    ready = {
        "photos": [{"sha256": sha, "name": "a.jpg", "at": NOW.isoformat(), "offset_s": 0}],
        "now": NOW.isoformat(),
    }
    for answer in (
        put(phone, said(*ALL)),
        phone.get(f"/runs/{RUN}/state"),
        phone.put(f"/runs/{RUN}/photos/{sha}?at=0", content=b"", headers=OURS),
        phone.post(f"/runs/{RUN}/end?why=late", headers=OURS),
        phone.post(f"/runs/{RUN}/send", json=ready, headers=OURS),
    ):
        assert answer.status_code == 503, answer.text  # not 4xx, after which a phone gives up what it has
        assert "the server cannot be reached" in answer.json()["error"]
    assert phone.get("/today", headers={"Accept": "text/html"}).status_code == 503
    uploads.sweep(desk)
    assert uploads.finished(desk, RUN, sha).read_bytes() == photo

    line.mend()
    assert phone.get("/health").json()["database"] == "ok"
    line.break_at(0, "lose the answer", of=b"INSERT INTO linecall_reading")
    assert phone.post(f"/runs/{RUN}/send", json=ready, headers=OURS).status_code == 503
    line.break_at(2, "lose the answer", of=b"COMMIT\0")
    while phone.post(f"/runs/{RUN}/send", json=ready, headers=OURS).status_code == 503:
        pass
    assert len(find_run(desk.logbook, RUN).readings) == 1
    assert desk.logbook.verify().problem is None


@on_a_server
def test_a_run_that_is_told_over_a_line_that_keeps_breaking_is_there_once(
    desk: Desk, line: BrokenLine
) -> None:
    phone = signed_in(browser(desk), desk, BEN)
    attempts = 0
    for n in count(1, 2):
        line.break_at(n, "lose the answer" if n % 4 == 3 else "cut")
        answer = put(phone, said(*ALL))
        line.mend()
        attempts += 1
        if answer.status_code == 200:
            break
        assert answer.status_code == 503, answer.text
    assert attempts > 1, "the line did break"
    run = find_run(desk.logbook, RUN)
    assert [one.step for one in run.steps] == [step for step, _ in ALL]
    assert [event.kind for event in desk.logbook.run_events(RUN)].count(STEP) == len(ALL)
    assert len(desk.logbook.runs()) == 1
    assert desk.logbook.verify().problem is None
