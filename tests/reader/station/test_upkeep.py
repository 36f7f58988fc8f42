"""The station's own files: those of an earlier linecall get what they lack, with a copy first, and still open there."""

import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager
from pathlib import Path

import pytest

from reader.errors import LinecallError
from reader.logbook import Logbook
from reader.logbook.people import add_person
from reader.logbook.upgrade import bring_up_to_date
from reader.station.exams import Exams
from reader.station.looks import Looks
from reader.station.signins import SignIns
from reader.station.tokens import Tokens
from reader.version import VERSION
from tests.reader.station.depots import NOW

FIRST = """
CREATE TABLE link (id VARCHAR PRIMARY KEY, secret VARCHAR NOT NULL UNIQUE, person VARCHAR NOT NULL,
  shared INTEGER NOT NULL, made_at VARCHAR NOT NULL, until VARCHAR NOT NULL, used_at VARCHAR);
CREATE TABLE sign_in (id VARCHAR PRIMARY KEY, secret VARCHAR NOT NULL UNIQUE, person VARCHAR NOT NULL,
  shared INTEGER NOT NULL, device VARCHAR NOT NULL, since VARCHAR NOT NULL, until VARCHAR NOT NULL,
  seen_at VARCHAR NOT NULL, revoked_at VARCHAR);
INSERT INTO sign_in VALUES ('1', 'x', 'Ada North', 0, 'phone', '2026-05-04T09:00:00+00:00',
  '2026-05-04T21:00:00+00:00', '2026-05-04T09:00:00+00:00', NULL);
"""
"""As a first linecall may have begun it: without a column that today's has, and without tokens."""


def logbook_of_the_first_format(path: Path) -> None:
    """A logbook with an event and no list of runs, and without an index, as an earlier linecall left it."""
    with Logbook.open(path) as book:
        add_person(book, "Ada North", roles=["keeper"], at=NOW)
    with sqlite3.connect(path) as plain:
        assert plain.execute("SELECT value FROM linecall_logbook WHERE name = 'format'").fetchone() == ("1",)
        plain.execute("DROP INDEX linecall_reading_point")
    plain.close()


def test_a_logbook_of_any_earlier_format_goes_on_with_a_copy_of_it_kept(tmp_path: Path) -> None:
    path = tmp_path / "book.sqlite"
    logbook_of_the_first_format(path)
    with Logbook.open(path) as book:
        before = list(book.bodies())
    copy = bring_up_to_date(path)
    assert copy is not None
    assert copy.stat().st_mode & 0o077 == 0
    with Logbook.open(path) as book, Logbook.open(copy, read_only=True, photos=str(tmp_path)) as kept:
        assert list(book.bodies()) == list(kept.bodies()) == before, "events stay as they were written"
        assert book.verify().problem is None
        assert book.runs() == []
    with sqlite3.connect(path) as plain:
        names = {name for (name,) in plain.execute("SELECT name FROM sqlite_master")}
        assert {"linecall_reading_point", "linecall_run", "linecall_run_open"} <= names
    plain.close()
    assert bring_up_to_date(path) is None, "once"


def test_where_no_copy_can_be_kept_nothing_is_changed(tmp_path: Path) -> None:
    path = tmp_path / "book.sqlite"
    logbook_of_the_first_format(path)
    path.with_name(f"book.sqlite.before-{VERSION}.part").mkdir()
    with pytest.raises(LinecallError, match="nothing was changed"):
        bring_up_to_date(path)
    with sqlite3.connect(path) as plain:
        assert plain.execute("SELECT value FROM linecall_logbook WHERE name = 'format'").fetchone() == ("1",)
    plain.close()


def test_a_logbook_that_is_new_or_of_today_is_left_without_a_copy(tmp_path: Path) -> None:
    path = tmp_path / "book.sqlite"
    Logbook.open(path).close()
    assert bring_up_to_date(path) is None
    with Logbook.open(path) as book:
        add_person(book, "Ada North", roles=["keeper"], at=NOW)
    assert bring_up_to_date(path) is None
    assert not list(tmp_path.glob("*before*"))


def begun_earlier(path: Path) -> None:
    with sqlite3.connect(path) as made:
        made.executescript(FIRST)
    made.close()


def test_an_earlier_file_keeps_its_rows_and_a_copy_of_it_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    begun_earlier(path)
    signs = SignIns.open(path)
    assert [one.person for one in signs.all()] == ["Ada North"]
    signs.revoke("1", by="Ada North", now=NOW)
    assert signs.all()[0].revoked_by == "Ada North"
    signs.close()
    copy = tmp_path / f"station.sqlite.before-{VERSION}"
    with sqlite3.connect(copy) as before:
        assert "revoked_by" not in str(before.execute("SELECT sql FROM sqlite_master").fetchall())
        assert before.execute("SELECT person, revoked_at FROM sign_in").fetchall() == [("Ada North", None)]
    before.close()
    assert copy.stat().st_mode & 0o077 == 0


def test_the_earlier_linecall_goes_on_with_the_later_file(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    begun_earlier(path)
    SignIns.open(path).close()
    Tokens.open(path).close()
    with sqlite3.connect(path) as earlier:
        earlier.execute(
            "INSERT INTO sign_in (id, secret, person, shared, device, since, until, seen_at) "
            "VALUES ('2', 'y', 'Ben South', 0, 'phone', '2026-05-04T10:00:00+00:00', "
            "'2026-05-04T22:00:00+00:00', '2026-05-04T10:00:00+00:00')"
        )
    earlier.close()
    signs = SignIns.open(path)
    assert {one.person for one in signs.all()} == {"Ada North", "Ben South"}
    signs.close()


@contextmanager
def everything_open(folder: Path) -> Iterator[tuple[SignIns, Tokens, Looks, Exams]]:
    """All that the station keeps of its own."""
    with ExitStack() as stack:
        signs = stack.enter_context(closing(SignIns.open(folder / "station.sqlite")))
        tokens = stack.enter_context(closing(Tokens.open(folder / "station.sqlite")))
        yield signs, tokens, stack.enter_context(Looks.open(folder)), stack.enter_context(Exams.open(folder))


def test_files_of_today_are_opened_without_a_copy(tmp_path: Path) -> None:
    for _ in range(2):
        with everything_open(tmp_path):
            pass
    assert not list(tmp_path.glob("*before*"))


COLUMNS = [  # of each table, one that is no key; an earlier linecall may have lacked any that may be empty
    ("station.sqlite", "link", "quiz"),
    ("station.sqlite", "sign_in", "revoked_by"),
    ("station.sqlite", "token", "revoked_by"),
    ("looks.sqlite", "look", "at"),
    ("quizzes.sqlite", "exam", "hits"),
    ("quizzes.sqlite", "asked", "lower"),
    ("quizzes.sqlite", "answer", "at"),
]


@pytest.mark.parametrize(("file", "table", "column"), COLUMNS)
def test_each_table_gets_the_columns_that_it_lacks_with_a_copy_kept(
    tmp_path: Path, file: str, table: str, column: str
) -> None:
    with everything_open(tmp_path) as (signs, tokens, looks, exams):
        cookie, _ = signs.use_link(signs.make_link("Ada North", now=NOW), device="phone", now=NOW)
        secret, _ = tokens.make("gauge", person="Ada North", role="technician", by="Ada North", now=NOW)
        looks.note(["7k3m9q2x"], "Ada North", at=NOW)
        exams.note_shown("Ada North", ["3k3m9q2x"])
    with closing(sqlite3.connect(tmp_path / file)) as plain:
        plain.execute(f"ALTER TABLE {table} DROP COLUMN {column}")
        plain.commit()
    with everything_open(tmp_path) as (signs, tokens, looks, exams):
        assert signs.find(cookie, now=NOW) is not None
        assert tokens.find(secret, now=NOW) is not None
        assert looks.has_seen(["7k3m9q2x"], "Ada North")
        assert exams.was_shown("Ada North", ["3k3m9q2x"])
        assert signs.use_link(signs.make_link("Ben South", now=NOW), device="phone", now=NOW)
    with closing(sqlite3.connect(tmp_path / f"{file}.before-{VERSION}")) as before:
        assert column not in [row[1] for row in before.execute(f"PRAGMA table_info({table})")]
    with closing(sqlite3.connect(tmp_path / file)) as plain:
        assert column in [row[1] for row in plain.execute(f"PRAGMA table_info({table})")]


def test_every_table_of_the_station_is_among_those_that_are_brought_up_to_date(tmp_path: Path) -> None:
    with everything_open(tmp_path):
        pass
    found = set()
    for path in tmp_path.glob("*.sqlite"):
        with closing(sqlite3.connect(path)) as plain:
            found |= {
                (path.name, name)
                for (name,) in plain.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            }
    assert found == {(file, table) for file, table, _ in COLUMNS} | {("quizzes.sqlite", "shown")}, (
        "shown is all key"
    )
