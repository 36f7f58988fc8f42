"""Who is signed in: one-time links, and the sign-ins that they become, each a row that can be revoked."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import Boolean, Column, MetaData, String, Table, insert, select, update

from reader.errors import LinecallError
from reader.station.credentials import Credential, Credentials, Moment, columns, hash_of, new_secret, plain
from reader.words.ids import new_id
from reader.words.names import Role

LINK_LASTS: Final = timedelta(minutes=10)
INVITATION_LASTS: Final = timedelta(days=7)
"""A link to one quiz opens that paper alone, so it may wait until its person has time."""
SHIFT: Final = timedelta(hours=12)
"""A sign-in lasts a shift: nobody signs in with wet gloves in the middle of one."""

_META: Final = MetaData()
_LINKS: Final = Table(
    "link",
    _META,
    Column("id", String, primary_key=True),
    Column("secret", String, nullable=False, unique=True),
    Column("person", String, nullable=False),
    Column("shared", Boolean, nullable=False),
    Column("quiz", String),
    Column("made_at", Moment, nullable=False),
    Column("until", Moment, nullable=False),
    Column("used_at", Moment),
)
_SIGN_INS: Final = Table(
    "sign_in",
    _META,
    *columns(),
    Column("shared", Boolean, nullable=False),
    Column("quiz", String),
    Column("device", String, nullable=False),
)


class SignInError(LinecallError):
    """A link or a sign-in that opens nothing; the sentence says what to do."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SignIn(Credential):
    """A device that is signed in.

    person : whose name stands under what is done. shared : a phone that passes from hand to hand: its person may be
    changed to any technician without another link, and it opens nothing but the technician's pages. quiz : the one
    quiz that it opens, and nothing else; None: it opens what its person's roles open. role : the only one that it has,
    of a program; None: those of its person.
    """

    shared: bool
    device: str
    quiz: str | None = None
    role: Role | None = None


class SignIns(Credentials[SignIn]):
    """Links and sign-ins."""

    table, row, called = _SIGN_INS, SignIn, "sign-in"

    def make_link(self, person: str, *, shared: bool = False, quiz: str | None = None, now: datetime) -> str:
        """A secret that signs one device in, once, within ten minutes; to one quiz alone, within seven days."""
        secret = new_secret()
        with self._database.writing() as connection:
            connection.execute(
                insert(_LINKS).values(
                    id=new_id(),
                    secret=hash_of(secret),
                    person=person,
                    shared=shared,
                    quiz=quiz,
                    made_at=now,
                    until=now + (LINK_LASTS if quiz is None else INVITATION_LASTS),
                )
            )
        return secret

    def use_link(self, secret: str, *, device: str, now: datetime) -> tuple[str, SignIn]:
        """Turn a link into a sign-in: its secret, for a cookie, and the row. Raises SignInError."""
        with self._database.writing() as connection:
            link = connection.execute(select(_LINKS).where(_LINKS.c.secret == hash_of(secret))).first()
            if link is None:
                raise SignInError("this link opens nothing; ask the keeper for a new one")
            if link.used_at is not None:
                raise SignInError("this link has been used already; ask the keeper for a new one")
            if now >= link.until:
                raise SignInError(
                    "this link was good for ten minutes and is over; ask the keeper for a new one"
                    if link.quiz is None
                    else "this invitation was good for seven days and is over; ask the trainer for a new one"
                )
            connection.execute(update(_LINKS).where(_LINKS.c.id == link.id).values(used_at=now))
            cookie = new_secret()
            row = SignIn(
                id=new_id(),
                person=link.person,
                shared=link.shared,
                device=plain(device),
                since=now,
                until=now + SHIFT,
                seen_at=now,
                quiz=link.quiz,
            )
            self._add(connection, cookie, row)
        return cookie, row

    def change_person(self, sign_in: SignIn, person: str) -> None:
        """Let another person work on a shared device. Raises SignInError on a device that is one person's own."""
        if not sign_in.shared:
            raise SignInError(
                "this device is signed in for one person alone; sign out, and use your own link"
            )
        self._change(sign_in.id, person=person)

    def withdraw(self, quiz: str, *, by: str, now: datetime) -> None:
        """Close every link and every sign-in to a quiz, so that one device at most can answer it."""
        with self._database.writing() as connection:
            connection.execute(
                update(_LINKS).where(_LINKS.c.quiz == quiz, _LINKS.c.used_at.is_(None)).values(used_at=now)
            )
            connection.execute(self._revoking(by=by, now=now).where(_SIGN_INS.c.quiz == quiz))
