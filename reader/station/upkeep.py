"""The station's own file of sign-ins and tokens, brought up to what this linecall keeps there, with a copy first.

Columns are only ever added, and may be empty, so an earlier linecall goes on with the file of a later one.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, MetaData, inspect

from reader.logbook.upgrade import keep_copy
from reader.store.database import Database

TIMEOUT_S: Final = 10.0


def open_own(path: Path, tables: MetaData) -> Database:
    """Open the file with these tables, or begin it; what an earlier one lacks is added. Raises OutputError."""
    database = Database(path, read_only=False, timeout_s=TIMEOUT_S, holds="list of sign-ins")
    try:
        if path.exists() and path.stat().st_size:
            with database.reading() as connection:
                due = bool(_missing_columns(connection, tables))
            if due:
                keep_copy(database, path)
        with database.creating() as connection:
            tables.create_all(connection)
            for statement in _missing_columns(connection, tables):
                connection.exec_driver_sql(statement)
    except BaseException:
        database.close()
        raise
    return database


def _missing_columns(connection: Connection, tables: MetaData) -> Sequence[str]:
    found = inspect(connection)
    there = set(found.get_table_names())
    return [
        f'ALTER TABLE "{table.name}" ADD COLUMN "{column.name}" {column.type.compile(connection.dialect)}'
        for table in tables.sorted_tables
        if table.name in there
        for column in table.columns
        if column.name not in {known["name"] for known in found.get_columns(table.name)}
    ]
