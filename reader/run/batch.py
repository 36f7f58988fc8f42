"""Many photos: which ones, where their results go, what became of each, and the table of it all."""

import os
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time
from functools import partial
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

from reader.errors import LinecallError, OutputError
from reader.files.csv_cells import safe_cell, safe_path
from reader.files.output import free_name, write_whole
from reader.verdict.in_words import why

if TYPE_CHECKING:
    from reader.logbook import Succession
    from reader.read import ReadSettings, RunTie
    from reader.run.day_table import Plate
    from reader.verdict.model import Verdict, WindowRecord
    from reader.verdict.statement import Stated

PICTURE_SUFFIXES = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif"})
VERDICT_SUFFIX = ".verdict.json"
IMAGE_SUFFIX = ".annotated.jpg"
SUMMARY_NAME = "summary.csv"


@dataclass(frozen=True, kw_only=True, slots=True)
class Job:
    """One photo and the two files that its results go into.

    plate : all photos of one plate that are read as one, in order, the photo among them; empty for a photo that
    is read by itself. order : how it is read, where each photo of a run has an order of its own.
    """

    photo: Path
    verdict_path: Path
    image_path: Path
    plate: tuple[Path, ...] = ()
    order: "Order | None" = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Order:
    """How every photo of a run is read and written.

    drops_at : when the drops were put in; or reading_age_min : minutes from then to the photo; or neither.
    statement : what is stated about the sample and the plate. run : the run whose plate the photos show.
    """

    settings: "ReadSettings"
    drops_at: datetime | time | None = None
    reading_age_min: float | None = None
    statement: "Stated | None" = None
    run: "RunTie | None" = None
    force: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class Outcome:
    """What became of one photo: a verdict and the files written, or a problem in one line, or both.

    details : the traceback, where the problem is a fault of linecall's own. logged : the reading's id in the
    logbook, where it was put into one; set_aside : where the results of an earlier reading are kept, whose place
    the written ones took; succession : what it did to earlier readings there.
    """

    job: Job
    verdict: "Verdict | None" = None
    written: tuple[Path, ...] = ()
    problem: str | None = None
    details: str | None = None
    set_aside: tuple[Path, ...] = ()
    logged: str | None = None
    succession: "Succession | None" = None


def find_photos(sources: Iterable[Path]) -> tuple[Path, ...]:
    """Photos to read, each once, in the order given; a folder stands for the pictures in it, sorted by name.

    Pictures are told by their suffix; folders inside the folder and hidden files are left out. So are pictures that
    we drew ourselves, known by the mark in the file, unless there is nothing else. A folder without pictures stands
    for itself, so that it gets an outcome of its own.
    """
    found: dict[Path, Path] = {}
    for source in sources:
        for photo in _pictures_in(source) or [source]:
            found.setdefault(_real_folder(photo.parent) / photo.name, photo)
    photos = tuple(found.values())
    return tuple(photo for photo in photos if not is_drawn_file(photo)) or photos


def is_drawn_file(path: Path) -> bool:
    """Whether a file is a picture that we drew ourselves."""
    from reader.photo.tags import DRAWN_WITHIN, is_drawn

    try:
        if not os.path.isfile(path):  # unlike Path.is_file, this takes any name
            return False
        with path.open("rb") as file:
            return is_drawn(file.read(DRAWN_WITHIN))
    except OSError:
        return False


def missing_paths(sources: Iterable[Path]) -> Iterator[str]:
    """A sentence for each path that leads to nothing, with a guess at what was meant."""
    from reader.words import did_you_mean

    for source in sources:
        try:
            os.stat(source)
        except (FileNotFoundError, NotADirectoryError):
            try:
                beside = [path.name for path in source.parent.iterdir()]
            except OSError:
                beside = []
            yield f"{source}: there is no such file or folder{did_you_mean(source.name, beside) or '; check its name'}"
        except (OSError, ValueError):  # it is there and out of reach: the reader says how
            continue


def _pictures_in(folder: Path) -> list[Path]:
    try:
        return sorted(filter(_is_picture, folder.iterdir()))
    except OSError:  # no folder, or a locked one: the reader will say so
        return []


def _real_folder(folder: Path) -> Path:
    return Path(os.path.realpath(folder))  # unlike Path.resolve, this takes links that lead in a circle


def _is_picture(path: Path) -> bool:
    name = path.name.lower()
    return path.suffix.lower() in PICTURE_SUFFIXES and not name.startswith(".") and os.path.isfile(path)


def plan_jobs(photos: Sequence[Path], out: Path | None) -> tuple[Job, ...]:
    """Give each photo its own names for results, in `out` or beside the photo.

    The names begin with the photo's stem; photos that share one (`a.jpg`, `a.png`) keep their suffix in it.
    Raises LinecallError if two photos would still share a name.
    """
    folders = [photo.parent if out is None else out for photo in photos]
    stems = Counter((_real_folder(folder), photo.stem) for folder, photo in zip(folders, photos, strict=True))
    jobs: dict[Path, Job] = {}
    for folder, photo in zip(folders, photos, strict=True):
        name = photo.stem if stems[_real_folder(folder), photo.stem] == 1 else photo.name
        job = Job(
            photo=photo,
            verdict_path=folder / (name + VERDICT_SUFFIX),
            image_path=folder / (name + IMAGE_SUFFIX),
        )
        key = _real_folder(folder) / name
        if key in jobs:
            raise LinecallError(
                f"{jobs[key].photo} and {photo} would both be written to {job.verdict_path}; "
                "rename one, or read them into different folders"
            )
        jobs[key] = job
    return tuple(jobs.values())


def plan_plate(photos: Sequence[Path], out: Path | None) -> Job:
    """One job for several photos of one plate, named after the first that is a file."""
    first = next((photo for photo in photos if os.path.isfile(photo)), photos[0])
    return replace(plan_jobs([first], out)[0], plate=tuple(photos))


def plan_table(plates: Sequence["Plate"], out: Path | None, order: "Order") -> tuple[Job, ...]:
    """A job for each plate of a table, with an order of its own, named after its first photo."""
    jobs = plan_jobs([plate.photos[0] for plate in plates], out)
    return tuple(
        replace(
            job,
            plate=plate.photos if len(plate.photos) > 1 else (),
            order=replace(
                order,
                drops_at=plate.drops_at,
                reading_age_min=plate.reading_age_min,
                statement=plate.statement,
            ),
        )
        for job, plate in zip(jobs, plates, strict=True)
    )


def read_and_write(job: Job, order: Order) -> Outcome:
    """Read one photo, or all of one plate, and write the verdict, and its annotated image where there is a picture.

    A path that is no file gets its refusal and no files. A verdict that is there already gives way to one of
    several photos that holds it whole, and to one for which more was stated; the latter is kept beside it. Never
    raises for a bad photo or a folder that cannot be written into.
    """
    from reader.read import examine, examine_plate
    from reader.verdict.model import to_bytes

    order = job.order or order
    read = partial(examine_plate, job.plate) if job.plate else partial(examine, job.photo)
    reading = read(
        order.settings,
        drops_at=order.drops_at,
        reading_age_min=order.reading_age_min,
        statement=order.statement,
        run=order.run,
    )
    if not os.path.isfile(job.photo):  # unlike Path.is_file, this takes any name
        return Outcome(job=job, verdict=reading.verdict)
    files = {job.verdict_path: to_bytes(reading.verdict)}
    if reading.evidence is not None:
        from reader.draw.annotate import annotated_jpeg

        files[job.image_path] = annotated_jpeg(reading.verdict, reading.evidence)
    try:
        aside = {} if order.force else _set_aside(job, reading.verdict)
        force = order.force or bool(aside) or _holds_earlier(reading.verdict, job.verdict_path)
        written = write_whole(aside | files, force=force)
    except OutputError as error:
        return Outcome(job=job, verdict=reading.verdict, problem=str(error))
    return Outcome(
        job=job, verdict=reading.verdict, written=written[len(aside) :], set_aside=written[: len(aside)]
    )


def _earlier(path: Path) -> "Verdict | None":
    """The verdict in a file, if there is one."""
    from reader.verdict.model import load_verdict

    if not os.path.isfile(path):
        return None
    try:
        return load_verdict(path)
    except LinecallError:
        return None


def _holds_earlier(verdict: "Verdict", path: Path) -> bool:
    """Whether a verdict of several photos holds every reading of the verdict in a file, so that nothing is lost."""
    earlier = _earlier(path) if verdict.status == "read" and verdict.readings else None
    return earlier is not None and all(
        reading in verdict.readings for reading in earlier.readings or (earlier,)
    )


def _set_aside(job: Job, verdict: "Verdict") -> dict[Path, bytes]:
    """Where the results of an earlier reading are kept, if more was stated for the verdict that takes their place."""
    from reader.verdict.succession import says_more

    earlier = _earlier(job.verdict_path)
    if earlier is None or not says_more(verdict, earlier) or _holds_earlier(verdict, job.verdict_path):
        return {}
    results = {VERDICT_SUFFIX: job.verdict_path, IMAGE_SUFFIX: job.image_path}
    stem = job.verdict_path.name.removesuffix(VERDICT_SUFFIX)
    for number in count(1):
        places = {
            suffix: job.verdict_path.with_name(f"{stem}.earlier-{number}{suffix}") for suffix in results
        }
        if not any(os.path.lexists(place) for place in places.values()):
            break
    return {places[suffix]: path.read_bytes() for suffix, path in results.items() if os.path.isfile(path)}


def with_problem(outcome: Outcome, problem: str) -> Outcome:
    """Add a problem to what became of a photo."""
    return replace(outcome, problem="; ".join(filter(None, (outcome.problem, problem))))


Work = Callable[[Job], Outcome]


def attempt(work: Work, job: Job) -> Outcome:
    """Do the work; an exception out of it becomes that photo's problem, for it must not stop the others."""
    try:
        return work(job)
    except LinecallError as error:
        return Outcome(job=job, problem=str(error))
    except Exception as error:
        from traceback import format_exc

        return Outcome(job=job, problem=fault_line(job.photo, error), details=format_exc())


def fault_line(where: object, error: BaseException) -> str:
    """One line for an exception that nobody expected."""
    first = str(error).strip().partition("\n")[0]
    found = f"{type(error).__name__}: {first}" if first else type(error).__name__
    return f"{where}: a fault in linecall, not in what you did ({found}); LINECALL_DEBUG=1 shows where"


SUMMARY_COLUMNS = (
    "photo", "reading", "tank", "sample point", "operator", "plate lot", "plate expiry", "taken", "status", "grade",
    "why", "possible grades", "pivotal marks", "absent marks", "doubtful marks", "undeveloped marks", "layout",
    "reading age min", "warnings", "reason", "remedy", "next step", "problem", "verdict", "sha256",
)  # fmt: skip


def write_summary(outcomes: Sequence[Outcome], folder: Path, *, force: bool = False) -> Path:
    """Write `summary.csv`, or `summary-2.csv` and so on beside an earlier one; returns its path.

    force : overwrite the earlier one. Raises OutputError if it cannot be written.
    """
    data = summary_csv(outcomes)
    path = folder / SUMMARY_NAME
    if not force:
        path = free_name(path, data)
    return write_whole({path: data}, force=force)[0]


def summary_csv(outcomes: Iterable[Outcome]) -> bytes:
    """A table of outcomes as CSV (RFC 4180, UTF-8), one row a photo; lists are joined by "; "."""
    import csv
    from io import StringIO

    text = StringIO()
    table = csv.DictWriter(text, SUMMARY_COLUMNS, restval="", lineterminator="\r\n")
    table.writeheader()
    for outcome in outcomes:
        table.writerow({name: safe_cell(cell) for name, cell in _summary_row(outcome).items()})
    return text.getvalue().encode("utf-8", "replace")


def _summary_row(outcome: Outcome) -> dict[str, object]:
    verdict, photo = outcome.verdict, str(outcome.job.photo)
    row: dict[str, object] = {
        "photo": safe_path(photo),
        "status": "failed" if verdict is None else verdict.status,
        "problem": outcome.problem,
    }
    if verdict is None:
        return row
    for call in ("absent", "doubtful", "undeveloped"):
        row[f"{call} marks"] = "; ".join(
            _mark_name(window, mark)
            for window in verdict.windows
            for mark in ("indicator", "reference")
            if getattr(window, mark).call == call
        )
    said, by_id = verdict.statement, {window.id: window for window in verdict.windows}
    row |= {
        name: getattr(said, name.replace(" ", "_"))
        for name in ("tank", "sample point", "operator", "plate lot", "plate expiry")
        if said is not None
    }
    taken = verdict.photo.captured_at
    return row | {
        "reading": outcome.logged or verdict.id,
        "taken": None if taken is None else taken.isoformat(sep=" ", timespec="seconds"),
        "grade": verdict.grade,
        "why": why(verdict) if verdict.status == "read" else None,
        "possible grades": "; ".join(verdict.possible_grades),
        "pivotal marks": "; ".join(_mark_name(by_id[pivot.window], pivot.mark) for pivot in verdict.pivotal),
        "layout": verdict.layout.name if verdict.layout else None,
        "reading age min": verdict.reading_age.minutes if verdict.reading_age else None,
        "warnings": "; ".join(verdict.warnings),
        "reason": verdict.reason,
        "remedy": verdict.remedy,
        "next step": verdict.next_step,
        "verdict": outcome.job.verdict_path.name if outcome.job.verdict_path in outcome.written else None,
        "sha256": verdict.photo.sha256,
    }


def _mark_name(window: "WindowRecord", mark: str) -> str:
    return f"{window.id} {mark} ({window.analyte}, {window.tier})"
