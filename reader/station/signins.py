"""Who is signed in: one-time links, and the sign-ins that they become, each a row that can be revoked.

Only hashes of secrets are kept, so whoever reads the file cannot sign in by it. Roles are not kept here: they are
those of the logbook's people at the moment of each request, so a retirement holds at once.
"""

import hashlib
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final, Self

from sqlalchemy import Column, Integer, MetaData, String, Table, insert, select, update

from reader.errors import LinecallError
from reader.station.upkeep import open_own
from reader.store.database import Database
from reader.words.ids import new_id
from reader.words.names import Role

LINK_LASTS: Final = timedelta(minutes=10)
INVITATION_LASTS: Final = timedelta(days=7)
"""A link to one quiz opens that paper alone, so it may wait until its person has time."""
SHIFT: Final = timedelta(hours=12)
"""A sign-in lasts a shift: nobody signs in with wet gloves in the middle of one."""
SECRET_BYTES: Final = 32  # 256 bits, far beyond guessing
DEVICE_MAX: Final = 120  # characters kept of what a browser says of itself
SEEN_EVERY: Final = timedelta(minutes=1)
"""How exactly it is kept when a device was last seen: a row is not written anew for every request."""

_META: Final = MetaData()
_LINKS: Final = Table(
    "link",
    _META,
    Column("id", String, primary_key=True),
    Column("secret", String, nullable=False, unique=True),
    Column("person", String, nullable=False),
    Column("shared", Integer, nullable=False),
    Column("quiz", String),
    Column("made_at", String, nullable=False),
    Column("until", String, nullable=False),
    Column("used_at", String),
)
_SIGN_INS: Final = Table(
    "sign_in",
    _META,
    Column("id", String, primary_key=True),
    Column("secret", String, nullable=False, unique=True),
    Column("person", String, nullable=False),
    Column("shared", Integer, nullable=False),
    Column("quiz", String),
    Column("device", String, nullable=False),
    Column("since", String, nullable=False),
    Column("until", String, nullable=False),
    Column("seen_at", String, nullable=False),
    Column("revoked_at", String),
    Column("revoked_by", String),
)


class SignInError(LinecallError):
    """A link or a sign-in that opens nothing; the sentence says what to do."""


@dataclass(frozen=True, kw_only=True, slots=True)
class SignIn:
    """A device that is signed in.

    person : whose name stands under what is done. shared : a phone that passes from hand to hand: its person may be
    changed to any technician without another link, and it opens nothing but the technician's pages. quiz : the one
    quiz that it opens, and nothing else; None: it opens what its person's roles open. role : the only one that it has;
    None: those of its person.
    """

    id: str
    person: str
    shared: bool
    device: str
    since: datetime
    until: datetime
    seen_at: datetime
    quiz: str | None = None
    revoked_at: datetime | None = None
    revoked_by: str | None = None
    role: Role | None = None

    def is_open(self, now: datetime) -> bool:
        """Whether it still opens pages."""
        return self.revoked_at is None and now < self.until


class SignIns:
    """The file of links and sign-ins beside a logbook, readable by its owner alone."""

    def __init__(self, database: Database) -> None:
        """Take a database whose tables exist; see `open`."""
        self._database = database

    @classmethod
    def open(cls, path: Path) -> Self:
        """Open the file, or begin it. Raises OutputError."""
        return cls(open_own(path, _META))

    def close(self) -> None:
        """Let go of the file."""
        self._database.close()

    def make_link(self, person: str, *, shared: bool = False, quiz: str | None = None, now: datetime) -> str:
        """A secret that signs one device in, once, within ten minutes; to one quiz alone, within seven days."""
        secret = secrets.token_urlsafe(SECRET_BYTES)
        with self._database.writing() as connection:
            connection.execute(
                insert(_LINKS).values(
                    id=new_id(),
                    secret=hash_of(secret),
                    person=person,
                    shared=int(shared),
                    quiz=quiz,
                    made_at=_write(now),
                    until=_write(now + (LINK_LASTS if quiz is None else INVITATION_LASTS)),
                )
            )
        return secret

    def use_link(self, secret: str, *, device: str, now: datetime) -> tuple[str, SignIn]:
        """Turn a link into a sign-in: its secret, for a cookie, and the row. Raises SignInError."""
        with self._database.writing() as connection:
            link = (
                connection.execute(select(_LINKS).where(_LINKS.c.secret == hash_of(secret)))
                .mappings()
                .first()
            )
            if link is None:
                raise SignInError("this link opens nothing; ask the keeper for a new one")
            if link["used_at"] is not None:
                raise SignInError("this link has been used already; ask the keeper for a new one")
            if now >= _read(link["until"]):
                raise SignInError(
                    "this link was good for ten minutes and is over; ask the keeper for a new one"
                    if link["quiz"] is None
                    else "this invitation was good for seven days and is over; ask the trainer for a new one"
                )
            connection.execute(update(_LINKS).where(_LINKS.c.id == link["id"]).values(used_at=_write(now)))
            cookie = secrets.token_urlsafe(SECRET_BYTES)
            row = SignIn(
                id=new_id(),
                person=link["person"],
                shared=bool(link["shared"]),
                device=plain(device),
                since=now,
                until=now + SHIFT,
                seen_at=now,
                quiz=link["quiz"],
            )
            connection.execute(
                insert(_SIGN_INS).values(
                    id=row.id,
                    secret=hash_of(cookie),
                    person=row.person,
                    shared=int(row.shared),
                    quiz=row.quiz,
                    device=row.device,
                    since=_write(row.since),
                    until=_write(row.until),
                    seen_at=_write(row.seen_at),
                )
            )
        return cookie, row

    def find(self, cookie: str, *, now: datetime) -> SignIn | None:
        """The open sign-in of a cookie's secret; None where it opens nothing (any more)."""
        with self._database.reading() as connection:
            row = (
                connection.execute(select(_SIGN_INS).where(_SIGN_INS.c.secret == hash_of(cookie)))
                .mappings()
                .first()
            )
        if row is None:
            return None
        found = _sign_in(row)
        if not found.is_open(now):
            return None
        if now - found.seen_at >= SEEN_EVERY:
            self._change(found.id, seen_at=_write(now))
        return found

    def all(self) -> Sequence[SignIn]:
        """Every sign-in, the newest first."""
        with self._database.reading() as connection:
            rows = connection.execute(select(_SIGN_INS).order_by(_SIGN_INS.c.since.desc())).mappings().all()
        return tuple(_sign_in(row) for row in rows)

    def change_person(self, sign_in: SignIn, person: str) -> None:
        """Let another person work on a shared device. Raises SignInError on a device that is one person's own."""
        if not sign_in.shared:
            raise SignInError(
                "this device is signed in for one person alone; sign out, and use your own link"
            )
        self._change(sign_in.id, person=person)

    def revoke(self, id: str, *, by: str, now: datetime) -> None:
        """Close a sign-in for good. Raises SignInError for one that there is not."""
        if not any(one.id == id for one in self.all()):
            raise SignInError(f"there is no sign-in {id}")
        self._change(id, revoked_at=_write(now), revoked_by=by)

    def withdraw(self, quiz: str, *, by: str, now: datetime) -> None:
        """Close every link and every sign-in to a quiz, so that one device at most can answer it."""
        with self._database.writing() as connection:
            connection.execute(
                update(_LINKS)
                .where(_LINKS.c.quiz == quiz, _LINKS.c.used_at.is_(None))
                .values(used_at=_write(now))
            )
            connection.execute(
                update(_SIGN_INS)
                .where(_SIGN_INS.c.quiz == quiz, _SIGN_INS.c.revoked_at.is_(None))
                .values(revoked_at=_write(now), revoked_by=by)
            )

    def _change(self, id: str, **values: str) -> None:
        with self._database.writing() as connection:
            connection.execute(update(_SIGN_INS).where(_SIGN_INS.c.id == id).values(**values))


def hash_of(secret: str) -> str:
    """What is kept of a secret."""
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()


def plain(device: str) -> str:
    """What is kept of what a device or a program calls itself: one short line."""
    return (
        "".join(letter for letter in device if letter.isprintable())[:DEVICE_MAX].strip() or "unnamed device"
    )


def _write(moment: datetime) -> str:
    return moment.isoformat()


def _read(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _sign_in(row: Any) -> SignIn:
    return SignIn(
        id=row["id"],
        person=row["person"],
        shared=bool(row["shared"]),
        device=row["device"],
        since=_read(row["since"]),
        until=_read(row["until"]),
        seen_at=_read(row["seen_at"]),
        quiz=row["quiz"],
        revoked_at=None if row["revoked_at"] is None else _read(row["revoked_at"]),
        revoked_by=row["revoked_by"],
    )
