"""The station's own file: an earlier linecall's is brought up to date with a copy first, and still opens there."""

import sqlite3
from pathlib import Path

import pytest

from reader.errors import LinecallError
from reader.logbook import Logbook
from reader.logbook.people import add_person
from reader.logbook.upgrade import bring_up_to_date
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


def test_a_file_of_today_is_opened_without_a_copy(tmp_path: Path) -> None:
    path = tmp_path / "station.sqlite"
    for _ in range(2):
        SignIns.open(path).close()
        Tokens.open(path).close()
    assert not list(tmp_path.glob("*before*"))
