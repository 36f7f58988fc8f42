"""What tests of the round share: the example site, a logbook, and a desk whose clock the test sets."""

import hashlib
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from reader.files.bundled import DATA
from reader.logbook import Logbook, Statement
from reader.logbook.people import begin_with
from reader.round.record import Desk, begin, step
from reader.round.run import Run
from reader.round.site import Site, load_site
from tests.reader.review.samples import read_plate

EXAMPLE = (DATA / "examples" / "site.toml").read_text(encoding="utf-8")
NOON = datetime.fromisoformat("2026-05-04T12:00:00+02:00")
BY = "R. Aalto"


def moment(text: str) -> datetime:
    return datetime.fromisoformat(text)


def site_of(folder: Path, text: str = EXAMPLE, name: str = "site.toml") -> Site:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return load_site(path)


def desk_in(folder: Path, *, now: datetime = NOON, site: Site | None = None) -> Desk:
    logbook = Logbook.open(folder / "log.db")
    begin_with(logbook, BY, role="technician", at=now)
    return Desk(logbook=logbook, site=site or site_of(folder), by=BY, now=now)


def at(desk: Desk, when: str | datetime) -> Desk:
    return replace(desk, now=when if isinstance(when, datetime) else moment(when))


def begun(desk: Desk, **changes: Any) -> Run:
    return begin(desk, **({"point": "N1-drain", "phase": "fuel", "lot": "CB-2604"} | changes))


def codes(run: Run) -> set[str]:
    return {one.code for one in run.departures}


STEPS = (("sample", 0), ("settled", 10), ("extract", 12), ("gathered", 20), ("drops", 25))


def read_of(
    desk: Desk, folder: Path, grade: str, *, point: str = "N1-drain", when: datetime
) -> tuple[str, Desk]:
    """A run whose sample was drawn then, read 50 minutes later with a grade; the reading's id, and the desk then."""
    early = at(desk, when)
    run = begun(early, point=point)
    for name, minutes in STEPS:
        run = step(at(early, when + timedelta(minutes=minutes)), run.id, name)
    photo = folder / f"{run.id}.jpg"
    photo.write_bytes(run.id.encode())
    verdict = read_plate()
    record = verdict.photo.model_copy(update={"sha256": hashlib.sha256(photo.read_bytes()).hexdigest()})
    settled = () if grade in ("undecided", "invalid") else (grade,)
    said = {"photo": record, "run": run.id, "grade": grade, "possible_grades": settled}
    then = at(early, when + timedelta(minutes=50))
    reading = then.logbook.add_reading(
        verdict.model_copy(update=said),
        [photo],
        Statement.of(operator=desk.by, **run.stated()),
        at=then.now,
        run=(run.id, run.last_seq),
    )
    return reading, then
