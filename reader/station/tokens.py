"""Tokens of other programs: each in one person's name, with one of their roles, made and revoked by the keeper.

Rows like sign-ins: only a secret's hash is kept, and a retirement holds at once. A token lasts until it is revoked,
or a year, so that one that is forgotten ends by itself.
"""

import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final, Self, get_args

from sqlalchemy import Column, MetaData, String, Table, insert, select, update

from reader.errors import LinecallError
from reader.station.signins import SECRET_BYTES, SEEN_EVERY, SignIn, hash_of, plain
from reader.station.upkeep import open_own
from reader.store.database import Database
from reader.words.ids import new_id
from reader.words.names import Role

LASTS: Final = timedelta(days=365)
START: Final = "lct_"
"""What a token begins with, so that one that was left in a file is known for what it is."""

_META: Final = MetaData()
_TOKENS: Final = Table(
    "token",
    _META,
    Column("id", String, primary_key=True),
    Column("secret", String, nullable=False, unique=True),
    Column("program", String, nullable=False),
    Column("person", String, nullable=False),
    Column("role", String, nullable=False),
    Column("made_by", String, nullable=False),
    Column("since", String, nullable=False),
    Column("until", String, nullable=False),
    Column("seen_at", String, nullable=False),
    Column("revoked_at", String),
    Column("revoked_by", String),
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Token:
    """A token: which program has it, in whose name, with which role."""

    id: str
    program: str
    person: str
    role: Role
    made_by: str
    since: datetime
    until: datetime
    seen_at: datetime
    revoked_at: datetime | None = None
    revoked_by: str | None = None

    def is_open(self, now: datetime) -> bool:
        """Whether it still opens anything."""
        return self.revoked_at is None and now < self.until

    def sign_in(self) -> SignIn:
        """What it is for whoever asks who is there."""
        return SignIn(
            id=self.id,
            person=self.person,
            shared=False,
            device=self.program,
            since=self.since,
            until=self.until,
            seen_at=self.seen_at,
            role=self.role,
        )


class Tokens:
    """The tokens, in the file of sign-ins."""

    def __init__(self, database: Database) -> None:
        """Take a database whose table exists; see `open`."""
        self._database = database

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open the file, or begin it. Raises OutputError."""
        return cls(open_own(path, _META))

    def close(self) -> None:
        """Let go of the file."""
        self._database.close()

    def make(self, program: str, *, person: str, role: str, by: str, now: datetime) -> tuple[str, Token]:
        """A new token's secret, which is shown once, and its row. Raises LinecallError for no role or no name."""
        if role not in get_args(Role):
            raise LinecallError(f"{role[:40]!r} is no role; choose one of {', '.join(get_args(Role))}")
        if not program.strip():
            raise LinecallError("a token needs the name of the program that gets it")
        secret = START + secrets.token_urlsafe(SECRET_BYTES)
        row = {
            "id": new_id(),
            "program": plain(program),
            "person": person,
            "role": role,
            "made_by": by,
            "since": now.isoformat(),
            "until": (now + LASTS).isoformat(),
            "seen_at": now.isoformat(),
        }
        with self._database.writing() as connection:
            connection.execute(insert(_TOKENS).values(secret=hash_of(secret), **row))
        return secret, _token({**row, "revoked_at": None, "revoked_by": None})

    def find(self, secret: str, *, now: datetime) -> Token | None:
        """The open token of a secret; None where it opens nothing (any more)."""
        query = select(_TOKENS).where(_TOKENS.c.secret == hash_of(secret))
        with self._database.reading() as connection:
            row = connection.execute(query).mappings().first()
        if row is None:
            return None
        found = _token(row)
        if not found.is_open(now):
            return None
        if now - found.seen_at >= SEEN_EVERY:
            self._change(found.id, seen_at=now.isoformat())
        return found

    def all(self) -> Sequence[Token]:
        """Every token, the newest first."""
        query = select(_TOKENS).order_by(_TOKENS.c.since.desc())
        with self._database.reading() as connection:
            return tuple(_token(row) for row in connection.execute(query).mappings())

    def revoke(self, id: str, *, by: str, now: datetime) -> None:
        """Close a token for good; one that is closed stays as it is. Raises LinecallError for one that there is not."""
        found = next((one for one in self.all() if one.id == id), None)
        if found is None:
            raise LinecallError(f"there is no token {id[:20]!r}")
        if found.revoked_at is None:
            self._change(id, revoked_at=now.isoformat(), revoked_by=by)

    def _change(self, id: str, **values: str) -> None:
        with self._database.writing() as connection:
            connection.execute(update(_TOKENS).where(_TOKENS.c.id == id).values(**values))


def _token(row: Any) -> Token:
    moments: dict[str, Any] = {
        name: None if row[name] is None else datetime.fromisoformat(row[name])
        for name in ("since", "until", "seen_at", "revoked_at")
    }
    texts = {name: row[name] for name in ("id", "program", "person", "role", "made_by", "revoked_by")}
    return Token(**texts, **moments)
