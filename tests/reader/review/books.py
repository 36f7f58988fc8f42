"""Logbooks with readings in them whose photos nobody looks into."""

import hashlib
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from reader.logbook import Logbook, Statement
from reader.logbook.people import add_person, find_person, people_of
from reader.verdict.evidence import Reading
from reader.verdict.model import Verdict
from tests.reader.review.samples import NOON

REVIEWERS = ("Ilmar Soot", "Vesna Rask", "Oren Lade", "A", "B", "C")


def leave_photos_unread(monkeypatch: pytest.MonkeyPatch, verdict: Verdict) -> list[bytes]:
    """Measure kept photos as if there were nothing on them; gives the list of the bytes then measured."""
    measured: list[bytes] = []

    def examine(photo: bytes, settings: object, *, name: str) -> Reading:
        measured.append(photo)
        return Reading(verdict=verdict, evidence=None)

    monkeypatch.setattr("reader.review.record.examine", examine)
    return measured


def make_known(book: Logbook, *reviewers: str) -> None:
    """Make people known who may review, once."""
    for name in reviewers:
        if find_person(people_of(book), name) is None:
            add_person(book, name, roles=["reviewer"], at=NOON)


def add(
    book: Logbook, folder: Path, verdict: Verdict, *, number: int = 1, at: datetime | None = None, **said: Any
) -> str:
    """Log a reading of a photo of its own, as the verdict says, in a logbook that knows its people."""
    make_known(book, *REVIEWERS)
    photo = folder / f"plate-{number}.jpg"
    photo.write_bytes(b"photo %d" % number)
    digest = hashlib.sha256(photo.read_bytes()).hexdigest()
    record = verdict.photo.model_copy(update={"sha256": digest, "name": photo.name})
    statement = Statement.of(**{"operator": "Ilmar Soot", "tank": f"north {number}"} | said)
    return book.add_reading(
        verdict.model_copy(update={"photo": record}),
        [photo],
        statement,
        at=at or NOON + timedelta(minutes=number),
    )
