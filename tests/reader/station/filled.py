"""A station in the middle of its work: runs in every state, a plate that waits, quizzes, reports, a chart, backups."""

import asyncio
import hashlib
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

from httpx2 import Response
from starlette.testclient import TestClient

from reader.logbook.people import add_person
from reader.round import record
from reader.round.run import Run
from reader.station import work
from reader.station.looks import Looks
from reader.station.uploads import PIECE_MAX, finished, store_piece
from tests.reader.station.depots import ADA, BEN, CLEO, OURS, STEPS, browser, photo_of, signed_in
from tests.reader.station.phone import Served, served

DANA, ELI, FAY, GIL = "Dana East", "Eli Grove", "Fay Lund", "Gil Moor"
PLATES = {
    "HB-sump": "helipad-bowser",
    "N1-drain": "north-tank-drain",
    "GEN-dip": "pump-house",
    "RB-drain": "rescue-boat-tank-1",
}
"""Points, and the demo photo of each one's plate: negligible, moderate, refused, undecided."""


@dataclass(frozen=True, kw_only=True)
class Filled:
    """runs : by their points. pages : who opens which paths."""

    place: Served
    runs: dict[str, str]
    plate: str
    pages: dict[str, list[str]] = field(default_factory=dict)


@contextmanager
def filled(
    folder: Path, root: Path, *, begin_library: Callable[[Path], None], prefix: str = ""
) -> Iterator[Filled]:
    """A station of Tallowmere harbour on a busy day."""
    with served(folder, prefix=prefix) as place:
        for name, roles in (
            (DANA, ["trainer"]),
            (ELI, ["trainee"]),
            (FAY, ["reviewer"]),
            (GIL, ["reviewer"]),
        ):
            add_person(place.desk.logbook, name, roles=roles, at=place.clock())  # type: ignore[arg-type]
        read = {point: add_reading(place, root, point, photo) for point, photo in PLATES.items()}
        runs = {point: run.id for point, run in read.items()}
        runs["S1-drain"] = _developing(place, "S1-drain", minutes=6)
        plate = read["RB-drain"].readings[-1].id
        begin_library(place.desk.library_folder())
        made = Filled(place=place, runs=runs, plate=plate)
        made.pages[BEN] = _technicians(runs)
        made.pages[CLEO] = ["/", "/queue", f"/readings/{plate}"]
        made.pages[FAY] = _decided(place, plate)
        made.pages[GIL] = _opened(place, plate)
        made.pages[DANA], made.pages[ELI] = _taught(place, root)
        made.pages[ADA] = _kept(place)
        yield made


def _developing(place: Served, point: str, *, minutes: float) -> str:
    """A run whose drops were put in so many minutes ago; its id."""
    now = place.clock.shift
    place.clock.shift = now - timedelta(minutes=minutes + 30)
    run = record.begin(place.desk.runs_by(BEN), point=point, phase="fuel", lot="CB-2604").id
    for step, before in STEPS:
        place.clock.shift = now - timedelta(minutes=minutes + before)
        record.step(place.desk.runs_by(BEN), run, step)
    place.clock.shift = now
    return run


def add_reading(place: Served, root: Path, point: str, name: str) -> Run:
    """A run whose photo was taken a minute ago, and is read."""
    run = _developing(place, point, minutes=20)
    data = photo_of(root, place.clock() - timedelta(minutes=1), name)
    sha = hashlib.sha256(data).hexdigest()
    for at in range(0, len(data), PIECE_MAX):
        store_piece(place.desk, run, sha, at, data[at : at + PIECE_MAX])
    asyncio.run(work.read(place.desk, run, [finished(place.desk, run, sha, len(data))], by=BEN))
    return record.find_run(place.desk.logbook, run)


def _technicians(runs: dict[str, str]) -> list[str]:
    """The answers of every kind, and what goes wrong."""
    answers = [f"/runs/{runs[point]}" for point in PLATES]
    return [
        "/",
        "/today",
        "/prepare",
        "/prepare#HB-sump",
        "/run#00000000",
        *answers,
        "/unsent",
        "/people",
        "/quiz",
        "/help",
        "/help?words=faint+line",
        "/help?words=zzz",
        "/help/times",
        "/help/station",
        "/queue",
        "/nothing",
    ]


def _decided(place: Served, plate: str) -> list[str]:
    """What a reviewer sees who has decided, and whose second decision came too late."""
    fay = signed_in(browser(place.desk), place.desk, FAY)
    last = place.desk.logbook.reading(plate).last_seq
    said = {"last": str(last), "blind": "yes", "reason": "an even line", "indicator 3": "present"}
    assert fay.post(f"/readings/{plate}/decisions", data=said, headers=OURS).is_success
    return [f"/readings/{plate}/own", f"/readings/{plate}"]


def _opened(place: Served, plate: str) -> list[str]:
    """What a reviewer sees who has opened the calls."""
    with Looks.open(place.desk.folder) as looks:
        looks.note([plate], GIL, at=place.clock())
    return [f"/readings/{plate}/calls"]


def _taught(place: Served, root: Path) -> tuple[list[str], list[str]]:
    """The trainer's pages, and those of somebody who takes a quiz and has handed one in."""
    dana, eli = (signed_in(browser(place.desk), place.desk, name) for name in (DANA, ELI))
    for client in (dana, eli):
        client.headers.update(OURS)
    label = dana.get("/teaching/labels/next").url.path
    handed_in = _drawn(dana)
    eli.post(f"/quiz/{handed_in}/begin")
    eli.post(f"/quiz/{handed_in}/end")
    quiz = _drawn(dana)
    eli.post(f"/quiz/{quiz}/begin")
    reports = [
        _finished(dana, dana.post("/teaching/reports", data={"kind": kind}, follow_redirects=False))
        for kind in ("agreement", "validation")
    ]
    chart = _control_chart(dana, root)
    example = label.split("/")[3]
    trainers = [
        "/teaching",
        "/teaching/labels",
        label,
        f"/teaching/labels/{example}/done",
        "/teaching/coverage",
        "/teaching/quizzes",
        f"/teaching/quizzes/{quiz}",
        f"/teaching/quizzes/{handed_in}",
        f"/teaching/quizzes/{handed_in}/feedback",
        "/teaching/reports",
        *reports,
        "/teaching/control",
        chart,
    ]
    trainees = ["/", "/quiz", f"/quiz/{quiz}", f"/quiz/{quiz}/0", f"/quiz/{quiz}/end", f"/quiz/{handed_in}"]
    return trainers, trainees


def _drawn(dana: TestClient) -> str:
    form = {"trainee": ELI, "plates": "6", "minutes": "0", "mix": "even"}
    drawn = dana.post("/teaching/quizzes", data=form, follow_redirects=False)
    return _finished(dana, drawn).rpartition("/")[2]


def _control_chart(dana: TestClient, root: Path) -> str:
    """A chart begun by one photo of the bench's strip; its page."""
    data = (root / "demo_images" / "north-tank-drain.jpg").read_bytes()
    begun = dana.post("/teaching/photos", json={"name": "bench.jpg", "size": len(data)}).json()
    for at in range(0, len(data), PIECE_MAX):
        dana.put(f"/teaching/photos/{begun['id']}?at={at}", content=data[at : at + PIECE_MAX])
    asked = dana.post(
        f"/teaching/control/photos/{begun['id']}",
        data={"strip": "bench", "new": "yes"},
        follow_redirects=False,
    )
    _finished(dana, asked)
    return "/teaching/control/chart?strip=bench"


def _finished(client: TestClient, begun: Response) -> str:
    """Where a computation leads to, once it is done."""
    assert begun.status_code == 303, begun.text
    path = str(begun.headers["location"])
    until = time.monotonic() + 90
    while (answer := client.get(path, follow_redirects=False)).status_code != 303:
        assert time.monotonic() < until, answer.text
        time.sleep(0.05)
    return str(answer.headers["location"])


def _kept(place: Served) -> list[str]:
    """The keeper's pages, with something on each."""
    ada = signed_in(browser(place.desk), place.desk, ADA)
    ada.headers.update(OURS)
    ada.post("/keeping/backups")
    ada.post("/keeping/tokens", data={"program": "tank gauge", "person": BEN, "role": "technician"})
    pages = ("people", "devices", "backups", "seal", "site", "log", "tokens")
    return ["/keeping", *(f"/keeping/{page}" for page in pages)]
