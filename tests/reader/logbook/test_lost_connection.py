"""A server that goes away in the middle of anything: nothing half-written, nothing twice, nothing told wrongly.

Every request of every command is the one at which the line breaks, once before the server hears it and once before
it is heard; COMMIT is among them.
"""

import gc
import os
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from itertools import count
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from click.testing import CliRunner
from sqlalchemy import create_engine, text

from cli.main import main
from reader.errors import OutputError, UnsettledError
from reader.files.output import open_whole
from reader.logbook import Logbook
from reader.logbook.export import write_zip
from reader.logbook.follow_up_events import ASKED, FollowUpAsked
from reader.logbook.people import add_person
from reader.logbook.restore import restore_zip
from reader.store import postgresql
from reader.words.ids import new_id
from tests.bench.postgresql import hammer
from tests.conftest import POSTGRESQL
from tests.reader.logbook.broken_line import BrokenLine, Fault, broken_line
from tests.reader.logbook.samples import AT, Place, add, filled
from tests.reader.logbook.test_runs import FILE, begin, begun, stepped

# SQLAlchemy leaves a cursor of a connection that is gone as it is
pytestmark = pytest.mark.filterwarnings("ignore:.*ServerCursor.*deleted while still open:ResourceWarning")
on_a_server = pytest.mark.parametrize("place", ["postgresql"], indirect=True)


@pytest.fixture
def line(place: Place) -> Iterator[BrokenLine]:
    assert POSTGRESQL is not None
    with broken_line(POSTGRESQL) as line:
        yield line
    gc.collect()


def far(line: BrokenLine, place: Place) -> Place:
    """The same logbook, at the other end of the line."""
    return Place(where=line.through(place.where), photos=place.photos)


def _review(book: Logbook, folder: Path, ids: list[str], n: int) -> None:
    book.append("review", {"waiting": False}, by="B. Reviewer", reading=ids[0], at=AT)


_APART = "bdfghkpstv"  # letters that nobody takes for each other


def _person(book: Logbook, folder: Path, ids: list[str], n: int) -> None:
    add_person(book, f"Person {_APART[n // 10]}{_APART[n % 10]}", roles=["technician"], at=AT)


def asked_for(reading: str) -> FollowUpAsked:
    return FollowUpAsked(
        site=FILE, reading=reading, point="P1", tank="T", point_name="drain", tank_name="tank", kind="sample",
        action=f"again {new_id()}", text="sample again", owner="A. Lind", since=AT, due_at=AT, grade="heavy",
        because="heavy",
    )  # fmt: skip


def _go_on(book: Logbook, folder: Path, ids: list[str], n: int) -> None:
    row = book.runs(point="P0", limit=1)[0]
    book.add_to_run(row.id, [stepped(f"step {n}")], by="A. Technician", at=AT, expect_last=row.last_seq)


WRITERS: dict[str, tuple[int, Callable[[Logbook, Path, list[str], int], object]]] = {
    "reading": (1, lambda book, folder, ids, n: add(book, folder, 100 + n)),
    "review": (1, _review),
    "correction": (
        1,
        lambda book, folder, ids, n: book.correct(ids[1], "tank", f"N{n}", by="A", reason="slip", at=AT),
    ),
    "person": (1, _person),
    "run": (
        2,
        lambda book, folder, ids, n: book.begin_run(
            begun(f"P{n + 1}"), [stepped("drops")], by="A. Technician", at=AT
        ),
    ),
    "step": (1, _go_on),
    "follow-up": (
        1,
        lambda book, folder, ids, n: book.add_to_follow_ups(
            [(new_id(), ASKED, asked_for(ids[0]))], by="A", at=AT
        ),
    ),
}


@on_a_server
@pytest.mark.parametrize("fault", ["cut", "lose the answer"])
@pytest.mark.parametrize("what", WRITERS)
def test_wherever_the_line_breaks_an_entry_is_there_once_if_it_was_told_and_else_not_at_all(
    place: Place, line: BrokenLine, tmp_path: Path, what: str, fault: Fault
) -> None:
    ids = filled(place, tmp_path, 3)
    n_events, write = WRITERS[what]
    told = False
    with closing(place.open()) as near, closing(far(line, place).open()) as book:
        begin(near, "P0")
        for n in count():
            before = near.head()[0]
            line.break_at(n, fault)
            refused = attempt(lambda n=n: write(book, tmp_path, ids, n))  # type: ignore[misc]
            line.mend()
            kept = near.head()[0] - before
            if refused is None:
                assert kept == n_events
            elif "look whether what you entered is there" in refused:
                assert kept in {0, n_events}
            else:
                assert "try again" in refused
                assert kept == 0, refused
            if not line.broke:
                break
            told = refused is None
        assert n > 10
        if what != "person":  # is looked at again afterwards
            assert told == (fault == "lose the answer"), "COMMIT comes last, and was heard or not"
        report = near.verify()
        assert report.problem is None
        assert report.events == near.head()[0]


def _export(book: Logbook, path: Path) -> None:
    with open_whole(path) as file:
        write_zip(book, file, at=AT)


def attempt(do: Callable[[], object]) -> str | None:
    """Do it; what was said where it could not be."""
    try:
        do()
    except UnsettledError:
        raise
    except OutputError as error:
        return str(error)
    return None


LOOKERS: dict[str, Callable[[Logbook, Path], object]] = {
    "list": lambda book, folder: book.readings(),
    "verify": lambda book, folder: book.verify(),
    "export": lambda book, folder: _export(book, folder / "whole.zip"),
}


@on_a_server
@pytest.mark.parametrize("what", LOOKERS)
def test_whoever_looks_is_told_in_one_line_and_no_half_export_is_left(
    place: Place, line: BrokenLine, tmp_path: Path, what: str
) -> None:
    filled(place, tmp_path, 3)
    folder = tmp_path / "out"
    folder.mkdir()
    with closing(far(line, place).open(read_only=True)) as book:
        for n in count():
            line.break_at(n)
            refused = attempt(lambda: LOOKERS[what](book, folder))
            line.mend()
            if refused:
                assert "the connection to the server was lost" in refused
                assert list(folder.iterdir()) == []
            for made in folder.iterdir():
                made.unlink()
            if not line.broke:
                break
        assert n > 1


@on_a_server
@pytest.mark.parametrize("fault", ["cut", "lose the answer"])
def test_a_restore_that_is_cut_off_can_be_begun_again(
    place: Place, line: BrokenLine, tmp_path: Path, fault: Fault
) -> None:
    with closing(Logbook.open(tmp_path / "own.db")) as book:
        for number in range(3):
            add(book, tmp_path, number)
        _export(book, tmp_path / "whole.zip")
        events = list(book.bodies())
    for n in range(0, 100, 7):
        _drop_tables(place)
        line.break_at(n, fault)
        try:
            with closing(far(line, place).open()) as book:
                assert restore_zip(tmp_path / "whole.zip", book).report.good
        except OutputError:
            line.mend()
            with closing(place.open()) as book:
                if book.head()[0] == 0:
                    restore_zip(tmp_path / "whole.zip", book)
        line.mend()
        with closing(place.open()) as book:
            assert list(book.bodies()) == events
            assert book.verify().good
        if not line.broke:
            break


def _drop_tables(place: Place) -> None:
    engine = create_engine(place.where.replace("postgresql://", "postgresql+psycopg://"))
    with engine.begin() as connection:
        for name in connection.scalars(
            text("SELECT tablename FROM pg_tables WHERE schemaname = current_schema()")
        ).all():
            connection.execute(text(f"DROP TABLE {name}"))
    engine.dispose()


@on_a_server
def test_where_nobody_can_say_whether_it_was_kept_that_is_said(
    place: Place, line: BrokenLine, tmp_path: Path
) -> None:
    filled(place, tmp_path, 3)
    with closing(place.open()) as near, closing(far(line, place).open(timeout_s=1.0)) as book:
        add(book, tmp_path, 51)
        before = near.head()[0]
        line.break_at(0, "lose the answer", of=b"COMMIT\0", stay_down=True)
        with pytest.raises(UnsettledError, match="look whether it is there before you enter it again"):
            add(book, tmp_path, 52)
        assert near.head()[0] == before + 1
        line.mend()
        assert len(book.readings(tank="T52")) == 1  # and it works again by itself


@on_a_server
def test_a_server_that_hangs_holds_nobody_up_without_end(
    place: Place, line: BrokenLine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(place, tmp_path, 3)
    monkeypatch.setattr(postgresql, "ANSWER_S", 1.0)
    monkeypatch.setattr(postgresql, "PING_S", 0.5)
    with closing(far(line, place).open(timeout_s=1.0)) as book:
        line.break_at(0, "hang")
        began = time.monotonic()
        id = book.readings()[0].id  # by another connection
        line.break_at(0, "hang", of=b"INSERT INTO linecall_event")
        with pytest.raises(OutputError, match=r"lost .*has not answered for 1 s.*this was not written"):
            book.append("review", {"waiting": False}, by="B. Reviewer", reading=id, at=AT)
        line.cut_all()  # the server hears of it, so that nobody keeps the turn
        line.break_at(0, "hang", of=b"COMMIT\0")
        with pytest.raises(UnsettledError):
            book.append("review", {"waiting": False}, by="B. Reviewer", reading=id, at=AT)
        assert time.monotonic() - began < 15
        line.mend()
        line.cut_all()  # the server hears of it, so that nobody keeps the turn
        add(book, tmp_path, 60)
        assert book.verify().good


@on_a_server
def test_a_commit_that_never_arrives_is_told_as_not_written_once_the_server_has_given_it_up(
    place: Place, line: BrokenLine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(place, tmp_path, 3)
    monkeypatch.setattr(postgresql, "ANSWER_S", 1.0)
    monkeypatch.setattr(postgresql, "IDLE_S", 2)
    with closing(far(line, place).open(timeout_s=8.0)) as book:
        before = book.head()
        line.break_at(0, "hang", of=b"COMMIT\0")
        with pytest.raises(OutputError, match="this was not written, try again") as told:
            add(book, tmp_path, 65)
        assert not isinstance(told.value, UnsettledError)
        assert book.head() == before


@on_a_server
def test_a_writer_that_fell_asleep_in_its_turn_does_not_keep_it(
    place: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(place, tmp_path, 3)
    monkeypatch.setattr(postgresql, "IDLE_S", 1)
    with closing(place.open()) as asleep, closing(place.open()) as awake:

        def sleep_in_turn() -> None:
            with asleep._database.writing() as connection:
                time.sleep(1.5)
                add(awake, tmp_path, 70)
                connection.execute(text("SELECT 1"))

        with pytest.raises(OutputError, match=r"lost .*; this was not written, try again"):
            sleep_in_turn()
        assert [row.tank for row in awake.readings(limit=1)] == ["T70"]
        add(asleep, tmp_path, 71)


@on_a_server
def test_a_command_tells_it_in_one_line_that_shows_no_password(
    place: Place, line: BrokenLine, tmp_path: Path
) -> None:
    filled(place, tmp_path, 3)
    where = far(line, place).where.replace("linecall@", "linecall:only-an-example@")
    listed = CliRunner().invoke(
        main, ["logbook", "list", "--logbook", where, "--logbook-photos", place.photos]
    )
    assert listed.exit_code == 0, listed.output
    line.take_down()
    refused = CliRunner().invoke(
        main, ["logbook", "verify", "--logbook", where, "--logbook-photos", place.photos]
    )
    assert refused.exit_code == 1
    assert "the server cannot be reached" in refused.stderr
    assert len(refused.stderr.splitlines()) == 1
    assert "only-an-example" not in listed.output + refused.output


@on_a_server
@pytest.mark.posix
def test_many_writers_at_a_server_that_goes_away_lose_nothing_that_was_told(place: Place) -> None:
    with TemporaryDirectory(prefix="linecall-") as folder:
        os.chmod(folder, 0o755)  # the server is another user
        found = hammer(Path(folder), writers=4, seconds=5, kill_every=0.4, restart_every=2.5)
    assert found.wrong == ()
    assert found.told > 10
    assert found.refused > 0
