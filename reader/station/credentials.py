"""What opens the station: rows in somebody's name, each with a secret of which only the hash is kept.

So whoever reads the file opens nothing by it. A row ends by itself, by being revoked, or with its person's retirement,
which `Desk.person` sees at each request, since people and their roles are the logbook's.
"""

import hashlib
import secrets
from contextlib import suppress
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, ClassVar, Final, Generic, Self, TypeVar

from sqlalchemy import (
    Column,
    Connection,
    Dialect,
    String,
    Table,
    TypeDecorator,
    Update,
    insert,
    select,
    update,
)

from reader.errors import LinecallError, OutputError
from reader.station.upkeep import OwnFile, open_own

SECRET_BYTES: Final = 32  # 256 bits, far beyond guessing
NAME_MAX: Final = 120  # characters kept of what a device or a program calls itself
SEEN_EVERY: Final = timedelta(minutes=1)
"""How exactly it is kept when a row was last used: it is not written anew for every request."""


class UnknownCredentialError(LinecallError):
    """An id that no row has."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Credential:
    """A row: in whose name, from when until when, when last used, and who revoked it first."""

    id: str
    person: str
    since: datetime
    until: datetime
    seen_at: datetime
    revoked_at: datetime | None = None
    revoked_by: str | None = None

    def is_open(self, now: datetime) -> bool:
        """Whether it still opens anything, while its person is at work."""
        return self.revoked_at is None and now < self.until


class Moment(TypeDecorator[datetime]):
    """A moment with its offset from UTC, kept as ISO 8601 text."""

    impl = String
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:
        """As it is kept."""
        return None if value is None else value.isoformat()

    def process_result_value(self, value: str | None, dialect: Dialect) -> datetime | None:
        """As it was."""
        return None if value is None else datetime.fromisoformat(value)


def columns() -> tuple[Column[Any], ...]:
    """The columns of a `Credential`, and its secret's hash."""
    return (
        Column("id", String, primary_key=True),
        Column("secret", String, nullable=False, unique=True),
        Column("person", String, nullable=False),
        Column("since", Moment, nullable=False),
        Column("until", Moment, nullable=False),
        Column("seen_at", Moment, nullable=False),
        Column("revoked_at", Moment),
        Column("revoked_by", String),
    )


Row = TypeVar("Row", bound=Credential)


class Credentials(OwnFile, Generic[Row]):
    """One table of such rows in the station's own file, readable by its owner alone.

    table : its columns are called as the fields of `row`. called : what an error calls a row.
    """

    table: ClassVar[Table]
    row: ClassVar[type[Credential]]
    called: ClassVar[str]

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open the file, or begin it. Raises OutputError."""
        return cls(open_own(path, cls.table.metadata, holds="list of sign-ins"))

    def find(self, secret: str, *, now: datetime) -> Row | None:
        """The open row of a secret; None where it opens nothing (any more)."""
        with self._database.reading() as connection:
            found = self._rows(connection, self.table.c.secret == hash_of(secret))
        if not found or not found[0].is_open(now):
            return None
        if now - found[0].seen_at >= SEEN_EVERY:
            with suppress(OutputError):  # a full disk must lock nobody out
                self._change(found[0].id, seen_at=now)
        return found[0]

    def all(self) -> tuple[Row, ...]:
        """Every row, the newest first."""
        with self._database.reading() as connection:
            return self._rows(connection)

    def revoke(self, id: str, *, by: str, now: datetime) -> None:
        """Close a row for good; of one that is closed it stays on record who did so.

        Raises UnknownCredentialError.
        """
        with self._database.writing() as connection:
            if not self._rows(connection, self.table.c.id == id):
                raise UnknownCredentialError(f"there is no {self.called} {id[:20]!r}")
            connection.execute(self._revoking(by=by, now=now).where(self.table.c.id == id))

    def _revoking(self, *, by: str, now: datetime) -> Update:
        """Of rows that are still to be chosen."""
        return (
            update(self.table).where(self.table.c.revoked_at.is_(None)).values(revoked_at=now, revoked_by=by)
        )

    def _add(self, connection: Connection, secret: str, row: Row) -> None:
        values = {field.name: getattr(row, field.name) for field in self._fields()}
        connection.execute(insert(self.table).values(secret=hash_of(secret), **values))

    def _change(self, id: str, **values: Any) -> None:
        with self._database.writing() as connection:
            connection.execute(update(self.table).where(self.table.c.id == id).values(**values))

    def _rows(self, connection: Connection, *conditions: Any) -> tuple[Row, ...]:
        query = select(*(self.table.c[field.name] for field in self._fields())).where(*conditions)
        found = connection.execute(query.order_by(self.table.c.since.desc()))
        return tuple(self.row(**values) for values in found.mappings())  # type: ignore[misc]

    @classmethod
    def _fields(cls) -> tuple[Any, ...]:
        return tuple(field for field in fields(cls.row) if field.name in cls.table.c)


def new_secret() -> str:
    """One that nobody guesses."""
    return secrets.token_urlsafe(SECRET_BYTES)


def hash_of(secret: str) -> str:
    """What is kept of a secret."""
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()


def plain(name: str) -> str:
    """What is kept of what a device or a program calls itself: one short line."""
    return "".join(letter for letter in name if letter.isprintable())[:NAME_MAX].strip() or "unnamed device"
