"""Readings of runs' photos: once each, in the logbook, whatever dies or asks twice."""

import asyncio
import hashlib
import os
import signal
from collections.abc import Iterator
from datetime import timedelta
from functools import partial
from pathlib import Path

import pytest

from reader.round import record
from reader.run.batch import Outcome
from reader.run.jobs import Job
from reader.station import work
from reader.station.desk import Desk
from reader.station.readers import BusyError, Readers
from reader.station.uploads import PIECE_MAX, finished, store_piece
from tests.reader.station.depots import BEN, NOW, depot, developed, photo_of


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with depot(tmp_path) as made:
        yield made


def sent(desk: Desk, run: str, data: bytes) -> Path:
    sha = hashlib.sha256(data).hexdigest()
    for at in range(0, len(data), PIECE_MAX):
        store_piece(desk, run, sha, at, data[at : at + PIECE_MAX])
    return finished(desk, run, sha, len(data))


async def at_once(desk: Desk, run: str, path: Path, times: int) -> list[work.Answer]:
    return await asyncio.gather(*(work.read(desk, run, [path], by=BEN) for _ in range(times)))


def test_a_runs_photo_is_read_once_however_often_it_is_sent(root: Path, desk: Desk) -> None:
    run = developed(desk)
    data = photo_of(root, NOW - timedelta(minutes=1))
    record.photo(
        desk.runs_by(BEN),
        run,
        sha256=hashlib.sha256(data).hexdigest(),
        name="../IMG 1.jpg",
        at=NOW,
        arrived=False,
    )
    answers = asyncio.run(at_once(desk, run, sent(desk, run, data), 3))
    assert len({answer.reading for answer in answers}) == 1
    verdict = answers[0].verdict
    assert (verdict.status, verdict.grade) == ("read", "negligible")
    assert verdict.photo.name == "IMG 1.jpg", "the name that it has on the phone, and no path"
    assert verdict.run == run
    assert not list(desk.folder.glob("uploads/*/*")), "what the logbook keeps is kept once"
    again = asyncio.run(at_once(desk, run, sent(desk, run, data), 1))[0]
    assert (again.reading, again.is_new) == (answers[0].reading, False)
    assert len(record.find_run(desk.logbook, run).readings) == 1
    assert desk.logbook.verify().problem is None


def test_a_photo_without_a_plate_is_refused_and_that_is_the_answer(desk: Desk) -> None:
    run = developed(desk)
    answer = asyncio.run(at_once(desk, run, sent(desk, run, b"no photo at all"), 1))[0]
    assert answer.verdict.status == "refused"
    assert record.state_in(desk.logbook, run, now=NOW) == "refused"


def test_two_photos_of_a_plate_are_one_reading_that_takes_the_firsts_place(root: Path, desk: Desk) -> None:
    run = developed(desk)
    first, second = (
        sent(desk, run, photo_of(root, NOW - timedelta(minutes=1), f"rescue-boat-tank-{n}")) for n in (1, 2)
    )
    alone = asyncio.run(at_once(desk, run, first, 1))[0]
    first = finished(desk, run, first.name)
    both = asyncio.run(work.read(desk, run, [first, second], by=BEN))
    assert len(both.verdict.readings) == 2
    assert desk.logbook.row(alone.reading).superseded_by == both.reading
    later = asyncio.run(work.read(desk, run, [first], by=BEN))
    assert later.reading == both.reading, "the first photo alone is answered by what stands"


def kill_once(job: Job, marks: Path, times: int) -> Outcome:
    """Die as often as is asked, then answer."""
    mark = marks / f"{len(list(marks.iterdir()))}"
    if len(list(marks.iterdir())) < times:
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return Outcome(job=job, problem=f"lived after {times}")


@pytest.mark.posix
@pytest.mark.parametrize(("times", "said"), [(1, "lived after 1"), (2, "killed twice")])
def test_a_process_that_dies_costs_its_photo_one_retry(tmp_path: Path, times: int, said: str) -> None:
    readers = Readers(1)
    job = Job(photo=tmp_path / "a.jpg", verdict_path=tmp_path, image_path=tmp_path)
    marks = tmp_path / "marks"
    marks.mkdir()
    try:
        asked = readers.ask(
            1, lambda process: process.read(partial(kill_once, marks=marks, times=times), job)
        )
        assert said in (asked.result(timeout=60).problem or "")
        other = readers.ask(2, lambda process: process.read(partial(kill_once, marks=marks, times=0), job))
        assert "lived" in (other.result(timeout=60).problem or ""), "the next photo finds a process"
    finally:
        readers.close()


def hold_memory(job: Job) -> Outcome:
    try:
        held = bytearray(2 * 2**30)
    except MemoryError:
        return Outcome(job=job, problem="refused")
    return Outcome(job=job, problem=f"held {len(held)}")


@pytest.mark.linux
def test_a_reading_gets_no_more_memory_than_its_share(tmp_path: Path) -> None:
    readers = Readers(1)
    job = Job(photo=tmp_path / "a.jpg", verdict_path=tmp_path, image_path=tmp_path)
    try:
        assert readers.ask(1, lambda process: process.read(hold_memory, job)).result(60).problem == "refused"
    finally:
        readers.close()


def test_more_than_the_queue_holds_is_refused_and_nothing_waits_for_ever(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import threading

    monkeypatch.setattr("reader.station.readers.QUEUE_MAX", 2)
    readers, begun, go = Readers(1), threading.Event(), threading.Event()

    def hold(process: object) -> bool:
        begun.set()
        return go.wait(60)

    first = readers.ask(1, hold)
    assert begun.wait(60)
    assert readers.ask(1, lambda process: None) is first, "the same once more is no second reading"
    waiting = readers.ask(2, lambda process: None)
    with pytest.raises(BusyError, match="ask again"):
        readers.ask(3, lambda process: None)
    closing = threading.Thread(target=readers.close)
    closing.start()
    go.set()
    closing.join(60)
    assert first.result(60) is True
    assert isinstance(waiting.exception(60), BusyError | None)
