"""How a database is reached: SQLite or PostgreSQL; every failure as one clear line."""

import os
import sqlite3
import stat
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final
from urllib.parse import quote

from sqlalchemy import Connection, Engine, Table, create_engine, event, text
from sqlalchemy.engine import URL
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from reader.errors import LinecallError, OutputError, UnsettledError
from reader.files.damage import DamagedError, kept
from reader.files.output import create_private_file
from reader.store import postgresql
from reader.words.names import folded

BATCH_SIZE: Final = 500  # rows fetched at a time


class Database:
    """A database: transactions that read, and ones that write and wait for each other."""

    def __init__(
        self,
        where: str | Path,
        *,
        read_only: bool,
        timeout_s: float,
        holds: str,
        locks: Table | None = None,
    ) -> None:
        """Take a path (SQLite) or a postgresql:// URL; connects to nothing yet.

        holds : what errors call it, such as "logbook". locks : the table that writers on a server take turns at; it
        has columns `seq` and `hash`, and its rows are only ever added to.
        """
        self._timeout_s = timeout_s
        self._holds = holds
        self._locks = locks
        self._has_written = False
        self.path: Path | None = None
        if isinstance(where, str) and "://" in where:
            self.name, self._engine = postgresql.engine_of(where, holds=holds)
        else:
            self.path = Path(where)
            self.name, self._engine = str(where), self._sqlite(self.path, read_only=read_only)

    def _sqlite(self, path: Path, *, read_only: bool) -> Engine:
        try:
            str(path).encode("utf-8")
        except UnicodeEncodeError:
            raise LinecallError(f"{path}: a {self._holds}'s path must be UTF-8; give another path") from None
        for suffix in ("", "-wal", "-shm", "-journal"):  # a pipe among them would hang
            beside = Path(f"{path}{suffix}")
            if not _may_be_plain(beside) and not (beside == path and path.is_dir()):
                raise LinecallError(
                    f"{beside}: is not a plain file, so this is not a {self._holds}; give another path"
                )
        if read_only:
            # Where nothing can be written, WAL has no room for its own files, and nothing changes meanwhile.
            mode = "mode=ro" if _writable_folder(path) or _has_wal(path) else "mode=ro&immutable=1"
            url = URL.create(
                "sqlite", database=f"file:{quote(str(path.absolute()))}?{mode}", query={"uri": "true"}
            )
        else:
            url = URL.create("sqlite", database=str(path))
        engine = create_engine(url, connect_args={"timeout": self._timeout_s, "isolation_level": None})

        @event.listens_for(engine, "connect")
        def prepare(connection: sqlite3.Connection, _: object) -> None:
            connection.execute("PRAGMA synchronous = FULL")  # what is committed outlives a power cut
            connection.execute("PRAGMA trusted_schema = OFF")
            connection.create_function("linecall_folded", 1, folded, deterministic=True)

        @event.listens_for(engine, "begin")
        def begin(connection: Connection) -> None:
            writes = connection.get_execution_options().get("writes", False)
            connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

        return engine

    @property
    def is_sqlite(self) -> bool:
        """Whether this is a file of its own."""
        return self.path is not None

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Transaction that sees one state of the database, whoever writes meanwhile. Raises OutputError."""
        one_state = {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True}
        with self.clear_errors(), self._engine.connect() as plain:
            connection = plain.execution_options(**({} if self.is_sqlite else one_state))
            with connection.begin():
                yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Transaction that no other writer overlaps: it waits for its turn.

        Raises OutputError, with nothing written; UnsettledError where a server went away for good as it was to keep it.
        """
        if not self.is_sqlite:
            with self._writing_on_server() as connection:
                yield connection
            return
        with self.clear_errors(), self._engine.connect() as plain:
            connection = plain.execution_options(writes=True)
            with connection.begin():
                yield connection

    @contextmanager
    def _writing_on_server(self) -> Iterator[Connection]:
        """The same where the answer to COMMIT may be lost: then the last row tells whether it was kept."""
        assert self._locks is not None, "who writes to a server takes turns"
        with self.clear_errors(lost="this was not written, try again"), self._engine.connect() as plain:
            connection = plain.execution_options(isolation_level="READ COMMITTED")
            with connection.begin() as transaction:
                postgresql.take_turn(connection, self._locks, timeout_s=self._timeout_s)
                before = postgresql.last_row(connection, self._locks)
                yield connection
                after = postgresql.last_row(connection, self._locks)
                try:
                    transaction.commit()
                except DBAPIError as error:
                    if not postgresql.is_lost(error) or after is None or after == before:
                        raise
                    found = postgresql.was_kept(self._engine, self._locks, after, timeout_s=self._timeout_s)
                    if found is None:
                        raise UnsettledError(f"{self.name}: {_UNSETTLED}") from error
                    if not found:
                        raise
        self._has_written = True

    @contextmanager
    def creating(self) -> Iterator[Connection]:
        """Transaction that creates tables; of two at once, the second finds them made."""
        if self.path is not None:
            with suppress(OSError):  # there already, or not to be written; SQLite will say so
                os.close(create_private_file(self.path))
        with self.clear_errors(), self._engine.connect() as plain:
            if self.is_sqlite:
                self._use_wal(plain)
            connection = plain.execution_options(writes=True)
            with connection.begin():
                if not self.is_sqlite:
                    connection.execute(
                        text("SELECT pg_advisory_xact_lock(hashtext(:name))"),
                        {"name": f"linecall_{self._holds}"},
                    )
                yield connection

    def _use_wal(self, connection: Connection) -> None:
        """Switch the file to WAL, once and for all; SQLite does not wait for others here, so this does."""
        driver = connection.connection.driver_connection
        assert isinstance(driver, sqlite3.Connection)
        deadline = time.monotonic() + self._timeout_s
        while True:
            try:
                driver.execute("PRAGMA journal_mode = WAL")
                return
            except sqlite3.OperationalError as error:
                if "locked" not in str(error) or time.monotonic() > deadline:
                    raise OutputError(self._sentence(error)) from error
            time.sleep(0.01)

    def copy_into(self, path: Path) -> None:
        """Copy an SQLite file as of one moment into an empty one, whoever writes meanwhile. Raises OutputError."""
        assert self.is_sqlite, "a server has its own ways"
        with self.clear_errors(), self._engine.connect() as plain, sqlite3.connect(path) as copy:
            driver = plain.connection.driver_connection
            assert isinstance(driver, sqlite3.Connection)
            driver.backup(copy)
        copy.close()

    def close(self) -> None:
        """Let go of the connections."""
        self._engine.dispose()

    @contextmanager
    def clear_errors(self, lost: str | None = None) -> Iterator[None]:
        """Turn what the database raises into an OutputError of one line, and what its values do into a DamagedError.

        What runs inside takes kept values apart and nothing else, so that a value of another kind than expected means
        that the file was damaged, or written by another program. lost : what to say where a server went away.
        """
        try:
            with kept("what it holds"):
                yield
        except DamagedError as error:
            if str(error).startswith(f"{self.name}:"):
                raise
            raise DamagedError(
                f"{self.name}: the {self._holds} is damaged: {error}; restore it from a backup"
            ) from error
        except (SQLAlchemyError, sqlite3.Error) as error:
            raise OutputError(self._sentence(error, lost)) from error

    def _sentence(self, error: Exception, lost: str | None = None) -> str:
        if not self.is_sqlite:
            lost = lost or (_HAS_WRITTEN if self._has_written else "try again")
            said = postgresql.sentence(error, holds=self._holds, timeout_s=self._timeout_s, lost=lost)
            return f"{self.name}: {said}"
        cause = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
        found = str(cause).strip().partition("\n")[0]
        for words, sentence in _FAILURES:
            if any(word in found for word in words):
                return f"{self.name}: {sentence.format(seconds=self._timeout_s, holds=self._holds)}"
        return f"{self.name}: the {self._holds} cannot be used ({found[:200]}); nothing was changed"


_HAS_WRITTEN: Final = "look whether what you entered is there before you enter it again"
_UNSETTLED: Final = (
    "the connection to the server was lost as it was to keep what was written, and the server does not say whether it "
    "has: look whether it is there before you enter it again"
)
# parts of SQLite's messages -> what is said
_FAILURES: Final = (
    (("is locked",), "another program has kept the {holds} locked for {seconds:g} s; try again"),
    (("readonly",), "the {holds} can only be read here: it or its folder may not be written to"),
    (("is full",), "the disk is full, nothing was written; free some space and try again"),
    (
        ("disk I/O error",),
        "the disk cannot be read or written, nothing was written; check it and its free space",
    ),
    (("not a database",), "this file is not a {holds}; give another path"),
    (
        ("malformed", "corrupt", "decode", "no such table", "no such column", "datatype"),
        "the {holds}'s file is damaged; restore it from a backup",
    ),
    (("unable to open",), "the {holds} cannot be opened: check the path and that its folder exists"),
    (("never changed",), "what a {holds} holds is never changed"),
)


def _may_be_plain(path: Path) -> bool:
    """Whether it is a plain file or not there; asked once, as SQLite takes its own files away whenever it likes."""
    try:
        return stat.S_ISREG(os.stat(path).st_mode)
    except OSError:
        return True


def _has_wal(path: Path) -> bool:
    return path.with_name(path.name + "-wal").exists()


def _writable_folder(path: Path) -> bool:
    return os.access(path.absolute().parent, os.W_OK, effective_ids=os.access in os.supports_effective_ids)
