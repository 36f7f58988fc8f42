"""Read the photo or photos of a job and write the results; what became of each."""

import hashlib
import os
from collections.abc import Callable, Generator, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import count
from pathlib import Path
from socket import gethostname
from typing import TYPE_CHECKING

from reader.errors import LinecallError, OutputError
from reader.files.output import write_whole
from reader.files.plain import sha256_of
from reader.files.urls import Fetched, Place, Url, fetched, holds_this, read_url, url_exists, write_url
from reader.run.hand_out import Hands, hand_out
from reader.run.jobs import IMAGE_SUFFIX, VERDICT_SUFFIX, Job, Order

if TYPE_CHECKING:
    from reader.logbook import Succession
    from reader.verdict.model import Verdict


@dataclass(frozen=True, kw_only=True, slots=True)
class Outcome:
    """What became of one photo: a verdict and the files written, or a problem in one line, or both.

    details : the traceback of an internal error. done_before : an earlier run had the same result. logged : the
    reading's id in the logbook, where it was put into one; set_aside : where the results of an earlier reading are
    kept, whose place the written ones took; succession : what it did to earlier readings there.
    """

    job: Job
    verdict: "Verdict | None" = None
    written: tuple[Place, ...] = ()
    problem: str | None = None
    details: str | None = None
    done_before: bool = False
    set_aside: tuple[Path, ...] = ()
    logged: str | None = None
    succession: "Succession | None" = None


def read_and_write(job: Job, order: Order) -> Outcome:
    """Read one photo, or all of one plate, and write the verdict, and its annotated image where there is a picture.

    A path that is no file gets its refusal and no files. Where the very verdict is there already that this order would
    give, nothing is read. Another that is there gives way to one of several photos that holds it whole, and to one for
    which more was stated; the latter is kept beside it. Never raises for a bad photo or a folder that cannot be written
    into; raises LinecallError for a photo at a URL that is out of reach.
    """
    from reader.read import examine, examine_plate

    order = job.order or order
    photos = fetched(job.photos)
    known = _known(job, photos, order)
    if known is not None:
        written = (job.verdict_path, job.image_path) if _has_picture(known) else (job.verdict_path,)
        return Outcome(job=job, verdict=known, written=written, done_before=True)
    read = partial(examine_plate, photos) if job.plate else partial(examine, photos[0])
    reading = read(
        order.settings,
        drops_at=order.drops_at,
        reading_age_min=order.reading_age_min,
        statement=order.statement,
        run=order.run,
        label=order.label,
    )
    # Unlike Path.is_file, os.path.isfile takes any name.
    if isinstance(job.photo, Path) and not os.path.isfile(job.photo):
        return Outcome(job=job, verdict=reading.verdict)
    image = None
    if reading.evidence is not None:
        from reader.draw.annotate import annotated_jpeg

        image = annotated_jpeg(reading.verdict, reading.evidence)
    try:
        return _written(job, reading.verdict, image, force=order.force)
    except OutputError as error:
        return Outcome(job=job, verdict=reading.verdict, problem=str(error))


def _known(job: Job, photos: "Sequence[Path | Fetched]", order: Order) -> "Verdict | None":
    """The verdict that is there, if the order would give the very same one, and its image is there too."""
    earlier = None if order.force or order.anew else _earlier(job.verdict_path)
    if earlier is None or bool(earlier.readings) != bool(job.plate):
        return None
    from reader.run.known import is_known

    try:
        hashes = [
            hashlib.sha256(photo.getbuffer()).hexdigest() if isinstance(photo, Fetched) else sha256_of(photo)
            for photo in photos
        ]
    except OSError:  # the reader says why
        return None
    names = [photo.name for photo in photos]
    if not is_known(earlier, list(zip(names, hashes, strict=True)), order):
        return None
    return earlier if _is_there(job.image_path) or not _has_picture(earlier) else None


def _has_picture(verdict: "Verdict") -> bool:
    """Whether there was a picture to annotate: a file that cannot be opened has none."""
    return verdict.photo.width is not None


def _is_there(place: Place) -> bool:
    return url_exists(place) if isinstance(place, Url) else os.path.isfile(place)


def _written(job: Job, verdict: "Verdict", image: bytes | None, *, force: bool) -> Outcome:
    """Write the results. Raises OutputError, with nothing half-written."""
    from reader.verdict.model import to_bytes

    data = to_bytes(verdict)
    if isinstance(job.verdict_path, Url):
        assert isinstance(job.image_path, Url)
        replaces = force or _holds_earlier(verdict, _earlier(job.verdict_path))
        if not replaces:
            holds_this(job.verdict_path, data)  # a new image never comes beside an earlier verdict
        if image is not None:
            write_url(job.image_path, image, force=replaces)
        write_url(job.verdict_path, data, force=replaces)  # the last, so that where it is, all is
        written: tuple[Place, ...] = (job.verdict_path, *[job.image_path] * (image is not None))
        return Outcome(job=job, verdict=verdict, written=written)
    assert isinstance(job.image_path, Path)
    files = {job.verdict_path: data} | ({} if image is None else {job.image_path: image})
    aside = {} if force else _set_aside(job.verdict_path, job.image_path, verdict)
    replaces = force or bool(aside) or _holds_earlier(verdict, _earlier(job.verdict_path))
    paths = write_whole(aside | files, force=replaces)
    return Outcome(job=job, verdict=verdict, written=paths[len(aside) :], set_aside=paths[: len(aside)])


def _earlier(place: Place) -> "Verdict | None":
    """The verdict in a file, if there is one."""
    from reader.verdict.model import load_verdict

    try:
        if isinstance(place, Url):
            return load_verdict(read_url(place)) if url_exists(place) else None
        return load_verdict(place) if os.path.isfile(place) else None
    except OutputError:
        raise
    except LinecallError:
        return None


def _holds_earlier(verdict: "Verdict", earlier: "Verdict | None") -> bool:
    """Whether a verdict of several photos holds every reading of an earlier one, so that nothing is lost."""
    if earlier is None or verdict.status != "read" or not verdict.readings:
        return False
    return all(reading in verdict.readings for reading in earlier.readings or (earlier,))


def _set_aside(verdict_path: Path, image_path: Path, verdict: "Verdict") -> dict[Path, bytes]:
    """Where the results of an earlier reading are kept, if more was stated for the verdict that takes their place."""
    from reader.verdict.succession import says_more

    earlier = _earlier(verdict_path)
    if earlier is None or not says_more(verdict, earlier) or _holds_earlier(verdict, earlier):
        return {}
    results = {VERDICT_SUFFIX: verdict_path, IMAGE_SUFFIX: image_path}
    stem = verdict_path.name.removesuffix(VERDICT_SUFFIX)
    for number in count(1):
        places = {suffix: verdict_path.with_name(f"{stem}.earlier-{number}{suffix}") for suffix in results}
        if not any(os.path.lexists(place) for place in places.values()):
            break
    return {places[suffix]: path.read_bytes() for suffix, path in results.items() if os.path.isfile(path)}


def with_problem(outcome: Outcome, problem: str) -> Outcome:
    """Add a problem to what became of a photo."""
    return replace(outcome, problem="; ".join(filter(None, (outcome.problem, problem))))


Work = Callable[[Job], Outcome]


def read_many(jobs: Iterable[Job], work: Work, hands: Hands) -> Generator[tuple[int, Outcome], None, None]:
    """Have hands do the work for every job; yields (index of the job, outcome) as they come in.

    Never raises for a photo: an exception out of the work, and a worker that dies of it twice, become its problem.
    """
    do = partial(attempt if hands.near else _attempt_elsewhere, work)
    for index, outcome in hand_out(jobs, do, hands, at_once=lambda: hands.at_once, blame=_killed):
        yield index, outcome if hands.near else _looked_for(outcome)


def _killed(job: Job) -> Outcome:
    problem = (
        f"{job.photo}: the process that read it was killed twice, the second time while nothing else was read, perhaps "
        "for want of memory; try a smaller copy of the photo"
    )
    return Outcome(job=job, problem=problem)


def attempt(work: Work, job: Job) -> Outcome:
    """Do the work; an exception out of it becomes that photo's problem, for it must not stop the others."""
    try:
        return work(job)
    except LinecallError as error:
        return Outcome(job=job, problem=str(error))
    except Exception as error:
        from traceback import format_exc

        return Outcome(job=job, problem=fault_line(job.photo, error), details=format_exc())


def _attempt_elsewhere(work: Work, job: Job) -> Outcome:
    """The same on another machine, which may not see this one's files."""
    unseen = next((path for path in job.files if not os.path.isfile(path)), None)
    if unseen is None:
        return attempt(work, job)
    return Outcome(
        job=job,
        problem=f"{unseen}: the worker on {gethostname()} sees no such file; name photos by a folder that all workers "
        "see, or by a URL",
    )


def _looked_for(outcome: Outcome) -> Outcome:
    """An outcome from another machine, whose files must have arrived on this one."""
    gone = next(
        (path for path in outcome.written if isinstance(path, Path) and not os.path.isfile(path)), None
    )
    if gone is None:
        return outcome
    return with_problem(
        outcome,
        f"{gone}: written by a worker, but not to be seen here; give -o a folder that all workers and this machine "
        "see, or a URL",
    )


def fault_line(where: object, error: BaseException) -> str:
    """One line for an exception that nobody expected."""
    first = str(error).strip().partition("\n")[0]
    found = f"{type(error).__name__}: {first}" if first else type(error).__name__
    return f"{where}: internal error ({found}); set LINECALL_DEBUG=1 for the traceback"
