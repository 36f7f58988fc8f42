"""What tests of the round share: the example site, a logbook, and a desk whose clock the test sets."""

from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from reader.files.bundled import DATA
from reader.logbook import Logbook
from reader.logbook.people import begin_with
from reader.round.record import Desk, begin
from reader.round.run import Run
from reader.round.site import Site, load_site

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
