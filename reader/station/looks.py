"""Who was shown the calls of which reading: nobody reads or labels blind what they have seen (`seen`).

The logbook tells who has decided so, but not who has only looked.
"""

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Final, Self

from sqlalchemy import Column, MetaData, String, Table, select
from sqlalchemy.dialects.sqlite import insert as upsert

from reader.station.upkeep import OwnFile, open_own
from reader.words.names import folded

FILE: Final = "looks.sqlite"  # in the station's folder

_META: Final = MetaData()
_LOOKS: Final = Table(
    "look",
    _META,
    Column("reading", String, primary_key=True),
    Column("person", String, primary_key=True),
    Column("at", String, nullable=False),
)


class Looks(OwnFile):
    """The list of those looks, beside the sign-ins."""

    @classmethod
    def open(cls, folder: Path) -> Self:
        """Open the list in the station's folder, or begin it. Raises OutputError."""
        return cls(open_own(folder / FILE, _META, holds="list of looks"))

    def note(self, readings: Sequence[str], person: str, *, at: datetime) -> None:
        """Keep that somebody has seen the calls of these readings, and when they first did."""
        rows = [{"reading": id, "person": folded(person), "at": at.isoformat()} for id in readings]
        if rows:
            with self._database.writing() as connection:
                connection.execute(upsert(_LOOKS).on_conflict_do_nothing(), rows)

    def has_seen(self, readings: Sequence[str], person: str) -> bool:
        """Whether somebody has seen the calls of one of these readings."""
        with self._database.reading() as connection:
            seen = select(_LOOKS).where(_LOOKS.c.reading.in_(readings), _LOOKS.c.person == folded(person))
            return connection.execute(seen).first() is not None
