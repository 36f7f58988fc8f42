"""The station's own files, each brought up to what this linecall keeps in it, with a copy first.

Tables and columns are only ever added, and a column may be empty, so an earlier linecall goes on with the file of a
later one.
"""

from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from sqlalchemy import Connection, MetaData, inspect

from reader.logbook.upgrade import keep_copy
from reader.store.database import Database

TIMEOUT_S: Final = 10.0


class OwnFile:
    """One of the station's files, open until it is closed."""

    def __init__(self, database: Database) -> None:
        """Take a database whose tables exist; see `open_own`."""
        self._database = database

    def close(self) -> None:
        """Let go of the file."""
        self._database.close()

    def __enter__(self) -> Self:
        """Itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let go of the file."""
        self.close()


def open_own(path: Path, tables: MetaData, *, holds: str) -> Database:
    """Open a file with these tables, or begin it; what an earlier one lacks is added. Raises OutputError.

    holds : what errors call it, such as "list of sign-ins".
    """
    database = Database(path, read_only=False, timeout_s=TIMEOUT_S, holds=holds)
    try:
        if path.exists() and path.stat().st_size:
            with database.reading() as connection:
                columns = _missing_columns(connection, tables)
                tables_too = _missing_tables(connection, tables)
            if not columns and not tables_too:
                return database  # no writer has to wait for a page that only looks
            if columns:
                keep_copy(database, path)
        with database.creating() as connection:
            tables.create_all(connection)
            for statement in _missing_columns(connection, tables):
                connection.exec_driver_sql(statement)
    except BaseException:
        database.close()
        raise
    return database


def _missing_tables(connection: Connection, tables: MetaData) -> Sequence[str]:
    there = set(inspect(connection).get_table_names())
    return [table.name for table in tables.sorted_tables if table.name not in there]


def _missing_columns(connection: Connection, tables: MetaData) -> Sequence[str]:
    """The statements that add what tables lack that are there."""
    found = inspect(connection)
    missing = _missing_tables(connection, tables)
    return [
        f'ALTER TABLE "{table.name}" ADD COLUMN "{column.name}" {column.type.compile(connection.dialect)}'
        for table in tables.sorted_tables
        if table.name not in missing
        for column in table.columns
        if column.name not in {known["name"] for known in found.get_columns(table.name)}
    ]
