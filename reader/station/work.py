"""A run's photos are read and put into the logbook, as `linecall read --run` does; the same photos only once."""

import asyncio
import os
import re
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final

from reader.errors import LinecallError
from reader.logbook import Statement
from reader.logbook.put_in import put_into
from reader.round import follow_up_record, record
from reader.round.read_run import order_of_run
from reader.round.regrade import grade_anew
from reader.round.run import Run
from reader.run.batch import Outcome
from reader.run.jobs import PICTURE_SUFFIXES, Job, Order
from reader.station import in_process
from reader.station.desk import Desk
from reader.station.readers import Process
from reader.station.says import SAYS
from reader.station.uploads import finished, free_bytes, let_go
from reader.verdict.model import Verdict
from reader.verdict.statement import Stated

ATTEMPTS: Final = 5
"""Times that a photo is read while others write on its run."""
NAME_MAX: Final = 80
_UNNAMED: Final = re.compile(r"[^\w. -]+")
_TEMPORARY: Final = ".reading-"


class NotReadError(LinecallError):
    """A photo that got no verdict at all: a fault of the machine, not of the picture."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Answer:
    """The reading that stands of a run's photos: its id, and its verdict as it is now, reviews included.

    is_new : whether it was read now; False where the same photos of the same run had been read before.
    """

    reading: str
    verdict: Verdict
    is_new: bool


async def read(
    desk: Desk, run_id: str, paths: Sequence[Path], *, by: str | None = None, anew: bool = False
) -> Answer:
    """Read a run's photos, several as one plate, once their turn comes, and put the result into the logbook.

    paths : as `uploads.finished` gives them. by : who reads; whoever the run is by, if not given. anew : read photos
    again that were read before, such as after a correction. Raises LinecallError as `linecall read --run` does,
    BusyError, and NotReadError where the machine could not read them.
    """
    shas = tuple(dict.fromkeys(path.name for path in paths))
    found = desk.readers.ask(
        (run_id, *sorted(shas)), lambda process: read_now(desk, process, run_id, shas, by=by, anew=anew)
    )
    return await asyncio.wrap_future(found)  # it runs already, so a phone that leaves does not stop it


def read_now(
    desk: Desk,
    process: Process,
    run_id: str,
    shas: tuple[str, ...],
    *,
    by: str | None,
    anew: bool,
) -> Answer:
    """Read with a process; see `read`."""
    for _ in range(ATTEMPTS):
        run = record.find_run(desk.logbook, run_id)
        before = None if anew else answered_before(desk, run, shas)
        if before is not None:
            let_go(desk, run.id, shas)
            return before
        operator = by or run.operator
        asked = Order(settings=desk.settings, statement=Stated.of(operator=operator))
        with desk.writing:
            order, run = order_of_run(desk.runs_by(operator), run_id, asked)
        photos = [finished(desk, run.id, sha) for sha in shas]
        with _named(desk, run, photos) as named:
            outcome = process.read(partial(in_process.read, order=order), _job(named))
            if outcome.verdict is None:
                raise NotReadError(outcome.problem or SAYS("not_read"))
            seen = outcome.verdict
            drawing = process.follow(
                partial(in_process.cut_strips_of_last, seen.photo.sha256 or "", seen.windows)
            )
            with desk.writing:
                done = _put(desk, outcome, order, run)
                if done.logged is not None:
                    settled = record.settle(desk.runs_by(operator), run.id)
                    grade_anew(desk.logbook, settled, by=operator, at=desk.now().astimezone())
                    follow_up_record.settle(desk.runs_by(operator))
        if done.logged is not None:
            with suppress(Exception):  # the pictures are drawn again for whoever asks for them
                desk.drawn.keep(done.logged, drawing.result() or ())
            let_go(desk, run.id, shas)
            return Answer(reading=done.logged, verdict=desk.logbook.reading(done.logged).current, is_new=True)
        if record.find_run(desk.logbook, run_id).last_seq == run.last_seq:
            if free_bytes(desk) < 2 * sum(photo.stat().st_size for photo in photos):
                raise NotReadError(SAYS("disk_full"))
            raise NotReadError(done.problem or SAYS("not_kept"))
    raise NotReadError(SAYS("busy_run", run=run_id))


def answered_before(desk: Desk, run: Run, shas: Sequence[str]) -> Answer | None:
    """The reading that stands where exactly these photos of the run were read before."""
    for made in reversed(run.readings):
        stored = desk.logbook.reading(made.id)
        if {photo.sha256 for photo in stored.photos} == set(shas):
            while stored.superseded_by is not None:
                stored = desk.logbook.reading(stored.superseded_by)
            return Answer(reading=stored.id, verdict=stored.current, is_new=False)
    return None


def sweep(desk: Desk) -> None:
    """Delete what a killed server left of readings; the photos themselves are among the uploads."""
    for left in desk.folder.glob(f"{_TEMPORARY}*"):
        shutil.rmtree(left, ignore_errors=True)


async def strips(desk: Desk, reading: str) -> tuple[bytes, ...]:
    """A picture of each window of a reading; drawn from its photo where they are not held. Raises as `read` does."""
    held = desk.drawn.find(reading)
    if held is not None:
        return held
    asked = desk.readers.ask(("strips", reading), lambda process: _draw(desk, process, reading))
    drawn: tuple[bytes, ...] = await asyncio.wrap_future(asked)
    return drawn


def _draw(desk: Desk, process: Process, reading: str) -> tuple[bytes, ...]:
    verdict = desk.logbook.reading(reading).current
    pictures: tuple[bytes, ...] = ()
    if verdict.photo.sha256 is not None and verdict.windows:
        data = desk.logbook.photo_bytes(verdict.photo.sha256)
        pictures = process.do(in_process.cut_strips, data, verdict.photo.name, verdict.windows)
    desk.drawn.keep(reading, pictures)
    return pictures


def _job(photos: Sequence[Path]) -> Job:
    first = photos[0]
    return Job(
        photo=first,
        verdict_path=first,  # nothing is written beside a photo here
        image_path=first,
        plate=tuple(photos) if len(photos) > 1 else (),
    )


def _put(desk: Desk, outcome: Outcome, order: Order, run: Run) -> Outcome:
    said = {} if order.statement is None else order.statement.model_dump()
    statement = Statement.of(**said, drops_at=order.drops_at)
    at = desk.now().astimezone()
    return put_into(desk.logbook, outcome, statement, order.settings, at=at, run=(run.id, run.last_seq))


@contextmanager
def _named(desk: Desk, run: Run, paths: Sequence[Path]) -> Iterator[list[Path]]:
    """The photos under the names that they have on the phone, by which people find them again."""
    called = {photo.sha256: photo.name for photo in run.photos}
    with tempfile.TemporaryDirectory(
        prefix=_TEMPORARY, dir=desk.folder, ignore_cleanup_errors=True
    ) as folder:
        named = []
        for number, path in enumerate(paths, 1):
            own = Path(folder, str(number))
            own.mkdir()
            target = own / file_name(called.get(path.name), f"{run.id}-{number}", path)
            try:
                os.link(path, target)
            except OSError:  # a disk without hard links
                shutil.copyfile(path, target)
            named.append(target)
        yield named


def file_name(name: str | None, otherwise: str, path: Path) -> str:
    """A name that any system takes: letters, digits and a few signs, with a picture's ending."""
    stem, _, ending = _UNNAMED.sub("_", (name or "").replace("\\", "/").rpartition("/")[2]).rpartition(".")
    suffix = f".{ending.lower()}"
    if not stem:
        stem, suffix = otherwise, suffix
    if suffix not in PICTURE_SUFFIXES:
        suffix = _suffix_of(path)
    return (stem.strip(". ")[:NAME_MAX] or otherwise) + suffix


def _suffix_of(path: Path) -> str:
    with path.open("rb") as file:
        start = file.read(12)
    if start[:2] == b"\xff\xd8":
        return ".jpg"
    if start[:4] == b"\x89PNG":
        return ".png"
    return ".heic" if start[4:8] == b"ftyp" else ".tif" if start[:2] in {b"II", b"MM"} else ""
