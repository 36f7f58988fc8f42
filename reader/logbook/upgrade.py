"""A logbook of an earlier linecall is brought up to date, with a copy of it kept first; its events stay as written.

What is added are indexes and the lists of runs and follow-ups, which all follow from the events.
"""

import os
from pathlib import Path
from typing import Final

from sqlalchemy import Connection, inspect, select

from reader.errors import OutputError
from reader.files.output import create_private_file
from reader.logbook.rows import add_missing, missing_indexes
from reader.logbook.store import TIMEOUT_S
from reader.logbook.tables import FORMAT, FORMAT_WITH_FOLLOW_UPS, about, events
from reader.store.database import Database
from reader.version import VERSION

ENDING: Final = f".before-{VERSION}"


def bring_up_to_date(path: Path) -> Path | None:
    """Add to an SQLite logbook what this linecall has more than the one that began it; the copy, if one was kept.

    None where nothing is to be done, or nothing could be lost. Raises OutputError, with nothing changed, where the
    copy cannot be written.
    """
    if not path.is_file() or not path.stat().st_size:
        return None
    database = Database(path, read_only=False, timeout_s=TIMEOUT_S, holds="logbook", locks=events)
    try:
        with database.reading() as connection:
            if not inspect(connection).has_table(about.name):
                return None  # opening it will say what it is
            missing = bool(missing_indexes(connection))
            is_earlier = _format_of(connection) < FORMAT_WITH_FOLLOW_UPS or missing
            is_empty = connection.execute(select(events.c.seq).limit(1)).first() is None
        if not is_earlier:
            return None
        copy = None if is_empty else keep_copy(database, path)
        with database.writing() as connection:
            add_missing(connection)
        return copy
    finally:
        database.close()


def keep_copy(database: Database, path: Path) -> Path:
    """A whole copy of an SQLite file beside it, as it was before this version changed it; one that is there is kept."""
    copy = path.with_name(path.name + ENDING)
    if copy.exists() and copy.stat().st_size:
        return copy
    part = path.with_name(f"{copy.name}.part")
    try:
        part.unlink(missing_ok=True)
        os.close(create_private_file(part))
        database.copy_into(part)
        part.rename(copy)
    except OSError as error:
        raise OutputError(
            f"{copy}: the copy to go back to cannot be written ({error.strerror}); nothing was changed"
        ) from error
    return copy


def _format_of(connection: Connection) -> int:
    found = connection.execute(about.select().where(about.c.name == "format")).first()
    text = "" if found is None else str(found.value)
    return int(text) if text.isdecimal() else FORMAT  # something else, which opening it will say
