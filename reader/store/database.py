"""How a database is reached: SQLite or PostgreSQL; every failure as one clear line."""

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, SQLAlchemyError

from reader.errors import LinecallError, OutputError
from reader.files.damage import DamagedError, kept
from reader.files.output import create_private_file
from reader.words.names import folded

CONNECT_S: Final = 10  # seconds to wait for a PostgreSQL server to answer at all
BATCH_SIZE: Final = 500  # rows fetched at a time


class Database:
    """A database: transactions that read, and ones that write and wait for each other."""

    def __init__(
        self, where: str | Path, *, read_only: bool, timeout_s: float, holds: str, locks: str = ""
    ) -> None:
        """Take a path (SQLite) or a postgresql:// URL; connects to nothing yet.

        holds : what errors call it, such as "logbook". locks : the table that a writer on a server locks.
        """
        self._timeout_s = timeout_s
        self._holds = holds
        self._locks = locks
        self.path: Path | None = None
        if isinstance(where, str) and "://" in where:
            self.name, self._engine = self._postgresql(where)
        else:
            self.path = Path(where)
            self.name, self._engine = str(where), self._sqlite(self.path, read_only=read_only)

    def _postgresql(self, where: str) -> tuple[str, Engine]:
        try:
            url = make_url(where)
        except (ArgumentError, ValueError) as error:
            raise LinecallError(
                f"the {self._holds}'s URL cannot be understood; write postgresql://USER@HOST/NAME"
            ) from error
        if url.drivername not in {"postgresql", "postgresql+psycopg", "postgres"}:
            raise LinecallError(
                f"a {self._holds} is a file or a postgresql:// URL, not {url.drivername}://; for SQLite give a path"
            )
        url = url.set(drivername="postgresql+psycopg")
        if "connect_timeout" not in url.query:
            url = url.update_query_dict({"connect_timeout": str(CONNECT_S)})
        name = url.set(drivername="postgresql", query={}).render_as_string(hide_password=True)
        try:
            return name, create_engine(url)
        except ImportError as error:
            raise LinecallError(
                f"{name}: psycopg is not installed; install it with pip install 'psycopg[binary]'"
            ) from error

    def _sqlite(self, path: Path, *, read_only: bool) -> Engine:
        try:
            str(path).encode("utf-8")
        except UnicodeEncodeError:
            raise LinecallError(f"{path}: a {self._holds}'s path must be UTF-8; give another path") from None
        for suffix in ("", "-wal", "-shm", "-journal"):  # a pipe among them would hang
            beside = Path(f"{path}{suffix}")
            if beside.exists() and not beside.is_file() and not (beside == path and path.is_dir()):
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
        isolation: dict[str, Any] = {} if self.is_sqlite else {"isolation_level": "REPEATABLE READ"}
        with self.clear_errors(), self._engine.connect() as plain:
            connection = plain.execution_options(**isolation)
            with connection.begin():
                yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Transaction that no other writer overlaps: it waits for its turn. Raises OutputError."""
        with self.clear_errors(), self._engine.connect() as plain:
            connection = plain.execution_options(writes=True)
            with connection.begin():
                if not self.is_sqlite:
                    connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{int(self._timeout_s * 1000)}ms'")
                    connection.exec_driver_sql(f"LOCK TABLE {self._locks} IN EXCLUSIVE MODE")
                yield connection

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
    def clear_errors(self) -> Iterator[None]:
        """Turn what the database raises into an OutputError of one line, and what its values do into a DamagedError.

        What runs inside takes kept values apart and nothing else, so that a value of another kind than expected means
        that the file was damaged, or written by another program.
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
        except DBAPIError as error:
            cause = error.orig if isinstance(error.orig, Exception) else error
            raise OutputError(self._sentence(cause)) from error
        except (SQLAlchemyError, sqlite3.Error) as error:
            raise OutputError(self._sentence(error)) from error

    def _sentence(self, error: Exception) -> str:
        found = str(error).strip().partition("\n")[0]
        state = getattr(error, "sqlstate", None) or ""
        for states, words, sentence in _FAILURES:
            if any(state.startswith(known) for known in states if state) or any(
                word in found for word in words
            ):
                return f"{self.name}: {sentence.format(seconds=self._timeout_s, holds=self._holds)}"
        if not self.is_sqlite and not state:
            return (
                f"{self.name}: the server cannot be reached ({found[:200]}); check the URL and that it runs"
            )
        return f"{self.name}: the {self._holds} cannot be used ({found[:200]}); nothing was changed"


# SQLSTATE classes (PostgreSQL), parts of SQLite's messages -> what is said
_FAILURES: Final = (
    (
        ("55P03", "57014"),
        ("is locked",),
        "another program has kept the {holds} locked for {seconds:g} s; try again",
    ),
    (
        ("25006", "42501"),
        ("readonly",),
        "the {holds} can only be read here: it or its folder may not be written to",
    ),
    (("53100",), ("is full",), "the disk is full, nothing was written; free some space and try again"),
    (
        (),
        ("disk I/O error",),
        "the disk cannot be read or written, nothing was written; check it and its free space",
    ),
    ((), ("not a database",), "this file is not a {holds}; give another path"),
    (
        (),
        ("malformed", "corrupt", "decode", "no such table", "no such column", "datatype"),
        "the {holds}'s file is damaged; restore it from a backup",
    ),
    ((), ("unable to open",), "the {holds} cannot be opened: check the path and that its folder exists"),
    (("P0001",), ("never changed",), "what a {holds} holds is never changed"),
    (("28", "3D"), (), "the server refuses the login or has no such database; check user, password and name"),
)


def _has_wal(path: Path) -> bool:
    return path.with_name(path.name + "-wal").exists()


def _writable_folder(path: Path) -> bool:
    return os.access(path.absolute().parent, os.W_OK, effective_ids=os.access in os.supports_effective_ids)
