"""What tests of the logbook put into it, and how they tamper with it."""

import hashlib
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

from sqlalchemy import create_engine, text

from fixtures.verdicts import example_verdict
from reader.logbook import Logbook, Statement
from reader.verdict.model import Verdict
from reader.words import Call

AT = datetime(2026, 5, 4, 9, 8, 7, tzinfo=timezone(timedelta(hours=2)))


@dataclass(frozen=True, kw_only=True, slots=True)
class Place:
    """Where a logbook is, or may be begun."""

    where: str
    photos: str

    def open(self, **options: Any) -> Logbook:
        return Logbook.open(self.where, photos=self.photos, **options)

    def tamper(self, *statements: str, **values: object) -> None:
        """Change the tables behind the logbook's back, as somebody with all rights to them can."""
        sqlite = "://" not in self.where
        url = (
            f"sqlite:///{self.where}"
            if sqlite
            else self.where.replace("postgresql://", "postgresql+psycopg://")
        )
        guards = (
            ["DROP TRIGGER IF EXISTS linecall_no_update", "DROP TRIGGER IF EXISTS linecall_no_delete"]
            if sqlite
            else ["DROP TRIGGER IF EXISTS linecall_no_change ON linecall_event"]
        )
        engine = create_engine(url)
        with engine.begin() as connection:
            for statement in [*guards, *statements]:
                used = {name: value for name, value in values.items() if f":{name}" in statement}
                connection.execute(text(statement), used)
        engine.dispose()

    def photo_path(self, sha256: str) -> Path:
        return Path(self.photos) / sha256[:2] / sha256


def photo(folder: Path, number: int = 1) -> Path:
    """A file that stands for a photo; each number gives other bytes."""
    path = folder / f"IMG_{number}.jpg"
    path.write_bytes(b"\xff\xd8 not really a picture \x00\xff" + str(number).encode())
    return path


def verdict_of(path: Path, calls: Sequence[Call] = ("present", "absent"), **changes: Any) -> Verdict:
    """A verdict about a file."""
    changes.setdefault("grade", "undecided" if "doubtful" in calls else "heavy")
    verdict = example_verdict(calls, **changes)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    record = verdict.photo.model_copy(
        update={"sha256": digest, "name": path.name.encode("utf-8", "replace").decode()}
    )
    return verdict.model_copy(update={"photo": record})


def add(logbook: Logbook, folder: Path, number: int = 1, *, at: datetime = AT, **said: Any) -> str:
    """Add a reading of a photo of its own."""
    path = photo(folder, number)
    calls = said.pop("calls", ("present", "absent"))
    changes = said.pop("changes", {})
    statement = Statement.of(**{"operator": "A. Technician", "tank": f"T{number}"} | said)
    return logbook.add_reading(verdict_of(path, calls, **changes), [path], statement, at=at)


def filled(place: Place, folder: Path, n: int = 5) -> list[str]:
    """A logbook of `n` readings, a review of the second, a correction of the third; gives the ids."""
    with closing(place.open()) as logbook:
        ids = [add(logbook, folder, number) for number in range(1, n + 1)]
        logbook.append("review", {"waiting": False}, by="B. Reviewer", reading=ids[1], at=AT)
        logbook.correct(ids[2], "tank", "T33", by="A. Technician", reason="read it wrongly", at=AT)
    return ids
