"""Who has opened which reading with its calls in view: nobody reads blind what they have seen.

The logbook tells who has decided so, but not who has only looked.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Final, Self

from sqlalchemy import Column, MetaData, String, Table, insert, select

from reader.store.database import Database
from reader.words.names import folded

TIMEOUT_S: Final = 10.0

_META: Final = MetaData()
_LOOKS: Final = Table(
    "look",
    _META,
    Column("reading", String, primary_key=True),
    Column("person", String, primary_key=True),
    Column("at", String, nullable=False),
)


class Looks:
    """The list of those looks, beside the sign-ins."""

    def __init__(self, database: Database) -> None:
        """Take a database whose table exists; see `open`."""
        self._database = database

    @classmethod
    @contextmanager
    def open(cls, folder: Path) -> Iterator[Self]:
        """Open the list in the station's folder, or begin it. Raises OutputError."""
        database = Database(
            folder / "looks.sqlite", read_only=False, timeout_s=TIMEOUT_S, holds="list of looks"
        )
        try:
            with database.creating() as connection:
                _META.create_all(connection)
            yield cls(database)
        finally:
            database.close()

    def note(self, reading: str, person: str, *, at: datetime) -> None:
        """Keep that somebody has seen the calls of a reading."""
        with self._database.writing() as connection:
            known = select(_LOOKS).where(_LOOKS.c.reading == reading, _LOOKS.c.person == folded(person))
            if connection.execute(known).first() is None:
                connection.execute(
                    insert(_LOOKS).values(reading=reading, person=folded(person), at=at.isoformat())
                )

    def has_seen(self, readings: Sequence[str], person: str) -> bool:
        """Whether somebody has seen the calls of one of these readings, which are of one plate."""
        with self._database.reading() as connection:
            seen = select(_LOOKS).where(_LOOKS.c.reading.in_(readings), _LOOKS.c.person == folded(person))
            return connection.execute(seen).first() is not None
