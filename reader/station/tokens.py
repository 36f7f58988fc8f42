"""Tokens of other programs: each in one person's name, with one of their roles, made and revoked by the keeper.

A token lasts until it is revoked, or a year, so that one that is forgotten ends by itself.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, get_args

from sqlalchemy import Column, MetaData, String, Table

from reader.errors import LinecallError
from reader.station.credentials import Credential, Credentials, columns, new_secret, plain
from reader.station.signins import SignIn
from reader.words.ids import new_id
from reader.words.names import Role

LASTS: Final = timedelta(days=365)
START: Final = "lct_"
"""What a token begins with, so that one that was left in a file is known for what it is."""

_TOKENS: Final = Table(
    "token",
    MetaData(),
    *columns(),
    Column("program", String, nullable=False),
    Column("role", String, nullable=False),
    Column("made_by", String, nullable=False),
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Token(Credential):
    """A token: which program has it, in whose name, with which role."""

    program: str
    role: Role
    made_by: str

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


class Tokens(Credentials[Token]):
    """The tokens, in the file of sign-ins."""

    table, row, called = _TOKENS, Token, "token"

    def make(self, program: str, *, person: str, role: str, by: str, now: datetime) -> tuple[str, Token]:
        """A new token's secret, which is shown once, and its row. Raises LinecallError for no role or no name."""
        if role not in get_args(Role):
            raise LinecallError(f"{role[:40]!r} is no role; choose one of {', '.join(get_args(Role))}")
        if not program.strip():
            raise LinecallError("a token needs the name of the program that gets it")
        made = Token(
            id=new_id(),
            program=plain(program),
            person=person,
            role=role,  # type: ignore[arg-type]
            made_by=by,
            since=now,
            until=now + LASTS,
            seen_at=now,
        )
        secret = START + new_secret()
        with self._database.writing() as connection:
            self._add(connection, secret, made)
        return secret, made
