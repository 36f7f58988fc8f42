"""Which photos are read, and where the results of each go."""

import os
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time
from pathlib import Path
from typing import TYPE_CHECKING

from reader.errors import LinecallError
from reader.files.urls import Place, Url, files_at

if TYPE_CHECKING:
    from reader.read import LookForLabel
    from reader.run.day_table import Plate
    from reader.settings.read_settings import ReadSettings
    from reader.verdict.statement import RunTie, Stated


PICTURE_SUFFIXES = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif"})
VERDICT_SUFFIX = ".verdict.json"
IMAGE_SUFFIX = ".annotated.jpg"


@dataclass(frozen=True, kw_only=True, slots=True)
class Job:
    """One photo and the two files that its results go into.

    plate : all photos of one plate that are read as one, in order, the photo among them; empty for a photo that
    is read by itself. order : how it is read, where each photo of a run has an order of its own.
    """

    photo: Place
    verdict_path: Place
    image_path: Place
    plate: tuple[Place, ...] = ()
    order: "Order | None" = None

    @property
    def photos(self) -> tuple[Place, ...]:
        """All that are read."""
        return self.plate or (self.photo,)

    @property
    def files(self) -> tuple[Path, ...]:
        """What whoever does the job must see."""
        return tuple(photo for photo in self.photos if isinstance(photo, Path))


@dataclass(frozen=True, kw_only=True, slots=True)
class Order:
    """How every photo of a run is read and written.

    drops_at : when the drops were put in; or reading_age_min : minutes from then to the photo; or neither.
    statement : what is stated about the sample and the plate. run : the run whose plate the photos show. label : looks
    for a label beside the plate, which may tie a photo to its run. anew : read also what was read already, with the
    same result.
    """

    settings: "ReadSettings"
    drops_at: datetime | time | None = None
    reading_age_min: float | None = None
    statement: "Stated | None" = None
    run: "RunTie | None" = None
    label: "LookForLabel | None" = None
    force: bool = False
    anew: bool = False


def find_photos(sources: Iterable[Path]) -> tuple[Path, ...]:
    """Photos to read, each once, in the order given; a folder stands for the pictures in it, sorted by name.

    Pictures are told by their suffix; folders inside the folder and hidden files are left out. So are pictures that
    we drew ourselves, known by the mark in the file, unless there is nothing else. A folder without pictures stands
    for itself, so that it gets an outcome of its own.
    """
    found: dict[Path, Path] = {}
    for source in sources:
        for photo in _pictures_in(source) or [source]:
            found.setdefault(Path(os.path.realpath(photo.parent)) / photo.name, photo)
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


def _real_folder(folder: Place) -> Place:
    if isinstance(folder, Url):
        return folder
    return Path(os.path.realpath(folder))  # unlike Path.resolve, this takes links that lead in a circle


def _is_picture(path: Path) -> bool:
    name = path.name.lower()
    return path.suffix.lower() in PICTURE_SUFFIXES and not name.startswith(".") and os.path.isfile(path)


def plan_jobs(photos: Sequence[Path], out: Place | None) -> tuple[Job, ...]:
    """Give each photo its own names for results, in `out` or beside the photo.

    The names begin with the photo's stem; photos that share one (`a.jpg`, `a.png`) keep their suffix in it.
    Raises LinecallError if two photos would still share a name.
    """
    folders: list[Place] = [photo.parent if out is None else out for photo in photos]
    stems = Counter((_real_folder(folder), photo.stem) for folder, photo in zip(folders, photos, strict=True))
    jobs: dict[Place, Job] = {}
    for folder, photo in zip(folders, photos, strict=True):
        name = photo.stem if stems[_real_folder(folder), photo.stem] == 1 else photo.name
        job = job_at(photo, name, folder)
        key = _real_folder(folder) / name
        if key in jobs:
            raise LinecallError(
                f"{jobs[key].photo} and {photo} would both be written to {job.verdict_path}; "
                "rename one, or read them into different folders"
            )
        jobs[key] = job
    return tuple(jobs.values())


def plan_plate(photos: Sequence[Place], out: Place | None) -> Job:
    """One job for several photos of one plate, named after the first that is a file."""
    first = next((photo for photo in photos if isinstance(photo, Url) or os.path.isfile(photo)), photos[0])
    return replace(job_at(first, first.stem, out), plate=tuple(photos))


def plan_table(plates: Sequence["Plate"], out: Place | None, order: "Order") -> tuple[Job, ...]:
    """A job for each plate of a table of this machine, with an order of its own, named after its first photo."""
    jobs = plan_jobs([plate.photos[0] for plate in plates if isinstance(plate.photos[0], Path)], out)
    return tuple(of_plate(job, plate, order) for job, plate in zip(jobs, plates, strict=True))


def of_plate(job: Job, plate: "Plate", order: "Order") -> Job:
    """A job with what a table says of its plate."""
    return replace(
        job,
        plate=plate.photos if len(plate.photos) > 1 else (),
        order=replace(
            order,
            drops_at=plate.drops_at,
            reading_age_min=plate.reading_age_min,
            statement=plate.statement,
        ),
    )


# --- photos at URLs, of which nobody knows beforehand how many there are --------------------------------------


def stream_photos(sources: Sequence[Place], out: Place | None) -> Iterator[Job]:
    """A job for each photo, as it is listed: files and folders, of this machine or at URLs.

    Results are named after the photo's whole name, for nobody knows which others will come: `a.jpg.verdict.json`. In
    `out` they lie as the photos do below the folder that was named; of several folders, in one of its name each.
    Raises LinecallError for two sources whose results would share their names, before anything is listed.
    """
    below = _places_below(sources) if out is not None else {}
    for source in sources:
        for photo in find_photos([source]) if isinstance(source, Path) else _photos_at(source):
            name = photo.name
            if out is not None and isinstance(photo, Url) and isinstance(source, Url) and photo != source:
                name = photo.below(_fixed_part(source))
            yield job_at(photo, below.get(source, "") + name, out)


def stream_plates(plates: Iterable["Plate"], root: Place, out: Place | None, order: "Order") -> Iterator[Job]:
    """A job for each plate of a table, as its rows come, with results that lie as its photos do below the root."""
    for plate in plates:
        first = plate.photos[0]
        if out is None:
            job = job_at(first, first.name, None)
        elif isinstance(first, Url) and isinstance(root, Url):
            job = job_at(first, first.below(root), out)
        else:
            job = job_at(first, os.path.relpath(str(first), str(root)), out)
        yield of_plate(job, plate, order)


def job_at(photo: Place, name: str, out: Place | None) -> Job:
    """The job for a photo, with results of that name in `out`, or beside the photo."""
    folder = photo.parent if out is None else out
    return Job(
        photo=photo, verdict_path=folder / (name + VERDICT_SUFFIX), image_path=folder / (name + IMAGE_SUFFIX)
    )


def _places_below(sources: Sequence[Place]) -> dict[Place, str]:
    """The folder in `out` for the results of each source: none for files, and for a folder that is the only one."""
    many = [source for source in sources if _is_many(source)]
    places = {
        source: f"{(_fixed_part(source) if isinstance(source, Url) else source).name}/"
        if source in many and len(sources) > 1
        else ""
        for source in sources
    }
    taken: dict[str, Place] = {}
    for source, place in places.items():
        name = place or ("" if source in many else source.name)
        if name in taken:
            raise LinecallError(
                f"{taken[name]} and {source} would both be written to {name or 'one folder'}; read them into different "
                "folders"
            )
        taken[name] = source
    return places


def _photos_at(source: Url) -> Iterator[Url]:
    """The photos that a URL names; annotated images of ours in a folder are none."""
    many = _is_many(source)
    for url in files_at(source):
        name = url.name.lower()
        drawn = name.startswith(".") or name.endswith(IMAGE_SUFFIX)
        if not many or url == source or (url.suffix.lower() in PICTURE_SUFFIXES and not drawn):
            yield url


def _is_many(source: Place) -> bool:
    """Whether a source stands for the photos in it; a URL without a picture's suffix does."""
    if isinstance(source, Path):
        return source.is_dir()
    return "*" in source.path or source.path.endswith("/") or source.suffix.lower() not in PICTURE_SUFFIXES


def _fixed_part(source: Url) -> Url:
    """The folder above all that a source can stand for."""
    if "*" in source.path:
        return replace(source, path=source.path.partition("*")[0].rpartition("/")[0])
    return source
