"""Real processes that write at once, are killed at any moment, or find the disk full: nothing lost, no gap, no fork."""

import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from itertools import count
from pathlib import Path
from random import Random

import pytest

from reader.errors import LinecallError, OutputError
from reader.logbook import Logbook
from tests.reader.logbook.samples import AT, Place, add, filled

ENDLESS = 100_000
WRITER = "tests.reader.logbook.writer"
ROOT = Path(__file__).parents[3]


def start(
    place: Place, folder: Path, *, first: int, n: int, bytes_max: int | None = None
) -> subprocess.Popen[str]:
    folder.mkdir(exist_ok=True)
    limit = [] if bytes_max is None else [str(bytes_max)]
    return subprocess.Popen(
        [
            sys.executable,
            "-m",
            "tests.reader.logbook.writer",
            place.where,
            place.photos,
            folder,
            str(first),
            str(n),
            *limit,
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )


def kept(place: Place) -> list[str]:
    """Ids in the logbook, in order, after all of it has been checked."""
    with closing(place.open(must_exist=True)) as logbook:
        report = logbook.verify()
        assert report.good, report
        events = list(logbook.events())
        assert [event.seq for event in events] == list(range(1, len(events) + 1))
        assert len(logbook.readings(limit=ENDLESS)) == len(events)
    return [event.id for event in events]


@pytest.mark.posix
def test_processes_that_write_at_once_make_one_chain_and_lose_nothing(place: Place, tmp_path: Path) -> None:
    writers = [start(place, tmp_path / f"{k}", first=100 * k, n=25) for k in range(3)]
    told = []
    for writer in writers:
        out, problem = writer.communicate(timeout=60)
        assert (writer.returncode, problem) == (0, "")
        told.append(out.split())
    assert [len(ids) for ids in told] == [25, 25, 25]
    found = kept(place)
    assert sorted(found) == sorted(id for ids in told for id in ids)
    for ids in told:
        assert [id for id in found if id in set(ids)] == ids  # each one's own, in its own order


@pytest.mark.posix
def test_a_kill_at_any_moment_loses_nothing_that_was_told(place: Place, tmp_path: Path) -> None:
    random, told = Random(3), []
    for turn in count():
        writer = start(place, tmp_path / "photos_taken", first=1000 * turn, n=ENDLESS)
        assert writer.stdout is not None
        told += [writer.stdout.readline().strip() for _ in range(random.randrange(0, 6))]
        try:
            writer.wait(random.uniform(0, 0.02))  # a moment of its own, seldom between two readings
        except subprocess.TimeoutExpired:
            writer.send_signal(signal.SIGKILL)
        out, problem = writer.communicate(timeout=30)
        assert writer.returncode == -signal.SIGKILL
        assert problem == ""
        told += [line for line in out.splitlines(keepends=False) if len(line) == 8]
        if turn >= 7 and told:
            break
    found = kept(place)
    assert set(told) <= set(found)
    assert len(found) <= len(told) + turn + 1  # at most one a kill was kept and not told


@pytest.mark.posix
@pytest.mark.parametrize(
    "step", ["make_event", "apply"]
)  # photo kept, event not yet; both written, not committed
def test_a_kill_inside_a_step_leaves_no_half_of_it(place: Place, tmp_path: Path, step: str) -> None:
    ids = filled(place, tmp_path)
    script = (
        "import os, sys, reader.logbook.store as store\n"
        f"store.{step} = lambda *_, **__: os.kill(os.getpid(), 9)\n"
        f"from {WRITER} import main\n"
        "main(*sys.argv[1:], 100, 1)\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", script, place.where, place.photos, tmp_path],
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        check=False,
    )
    assert run.returncode == -signal.SIGKILL
    with closing(place.open()) as logbook:
        assert logbook.verify().good
        assert logbook.head()[0] == len(ids) + 2
        add(logbook, tmp_path, 100)  # the photo that was kept already is no hindrance
        assert logbook.verify().events == len(ids) + 3


@pytest.mark.posix
def test_a_kill_while_others_write_stops_none_of_them(place: Place, tmp_path: Path) -> None:
    victim = start(place, tmp_path / "victim", first=0, n=ENDLESS)
    assert victim.stdout is not None
    victim.stdout.readline()
    other = start(place, tmp_path / "other", first=ENDLESS, n=15)
    assert other.stdout is not None
    told = [other.stdout.readline().strip()]
    victim.kill()
    victim.communicate(timeout=30)
    out, problem = other.communicate(timeout=60)
    assert (other.returncode, problem) == (0, "")
    told += out.split()
    assert len(told) == 15
    assert set(told) <= set(kept(place))


@pytest.mark.posix
def test_a_full_disk_is_one_clear_line_and_what_was_kept_stays(tmp_path: Path) -> None:
    place = Place(where=str(tmp_path / "log.db"), photos=str(tmp_path / "photos"))
    ids = filled(place, tmp_path)
    size = os.path.getsize(place.where)
    writer = start(place, tmp_path / "more", first=100, n=ENDLESS, bytes_max=size + 200_000)
    out, problem = writer.communicate(timeout=60)
    assert writer.returncode == 1
    assert len(problem.splitlines()) == 1
    assert "nothing was written" in problem
    assert out.split()
    place.tamper()  # the database itself is sound: it can be written to
    with closing(place.open()) as logbook:
        assert logbook.verify().good
        assert {row.id for row in logbook.readings(limit=ENDLESS)} == {*ids, *out.split()}


@pytest.mark.posix
def test_a_disk_too_full_for_the_photo_leaves_no_event_and_no_part_of_it(
    place: Place, tmp_path: Path
) -> None:
    import resource

    path = tmp_path / "big.jpg"
    path.write_bytes(bytes(3_000_000))
    from reader.logbook import Statement
    from tests.reader.logbook.samples import verdict_of

    with closing(place.open()) as logbook:
        before = resource.getrlimit(resource.RLIMIT_FSIZE)
        resource.setrlimit(resource.RLIMIT_FSIZE, (2_000_000, before[1]))
        try:
            with pytest.raises(OutputError, match="cannot be written"):
                logbook.add_reading(verdict_of(path), [path], Statement(operator="A"), at=AT)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, before)
        assert logbook.head()[0] == 0
        assert [found for found in Path(place.photos).rglob("*") if found.is_file()] == []


@pytest.mark.posix
def test_two_processes_may_begin_one_logbook(place: Place, tmp_path: Path) -> None:
    writers = [start(place, tmp_path / f"{k}", first=100 * k, n=1) for k in range(4)]
    for writer in writers:
        _, problem = writer.communicate(timeout=60)
        assert (writer.returncode, problem) == (0, "")
    assert len(kept(place)) == 4


@contextmanager
def locked(place: Place) -> Iterator[None]:
    """Another program that does not let go."""
    from sqlalchemy import create_engine, text

    if "://" in place.where:
        engine = create_engine(place.where.replace("postgresql://", "postgresql+psycopg://"))
        with engine.begin() as connection:
            connection.execute(text("LOCK TABLE linecall_event IN EXCLUSIVE MODE"))
            yield
        engine.dispose()
        return
    with closing(sqlite3.connect(place.where, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")


def test_a_locked_logbook_can_be_looked_at_and_says_that_it_cannot_be_written(
    place: Place, tmp_path: Path
) -> None:
    filled(place, tmp_path)
    with closing(place.open(timeout_s=0.2)) as logbook:
        with locked(place):
            assert logbook.verify().good
            assert len(logbook.readings()) == 5
            with pytest.raises(OutputError, match=r"kept the logbook locked for 0\.2 s; try again"):
                add(logbook, tmp_path, 9)
        add(logbook, tmp_path, 9)
        assert logbook.head()[0] == 8


def test_a_logbook_opened_for_looking_is_not_written_to(tmp_path: Path) -> None:
    place = Place(where=str(tmp_path / "log.db"), photos=str(tmp_path / "photos"))
    filled(place, tmp_path)
    with Logbook.open(place.where, photos=place.photos, read_only=True) as logbook:
        assert logbook.verify().good
        with pytest.raises(OutputError, match="the logbook can only be read here"):
            add(logbook, tmp_path, 9)
    with pytest.raises(LinecallError, match="there is no logbook"):
        Logbook.open(tmp_path / "none.db", read_only=True)
    assert not (tmp_path / "none.db").exists()
