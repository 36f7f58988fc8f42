"""What worker processes do for the library: read a photo. Each imports this, so it stays clear of the database."""

from dataclasses import dataclass
from pathlib import Path

from reader.files.urls import fetched
from reader.library.strips import strips_png
from reader.read import examine
from reader.run.batch import Outcome
from reader.run.jobs import Job
from reader.settings.read_settings import ReadSettings


@dataclass(frozen=True, kw_only=True, slots=True)
class PhotoJob(Job):
    """A photo to be read by its path or, where they are given, its bytes; nothing is written."""

    data: bytes | None = None

    @property
    def files(self) -> tuple[Path, ...]:
        """What whoever does the job must see."""
        return () if self.data is not None else Job.files.__get__(self)


@dataclass(frozen=True, kw_only=True, slots=True)
class Measured(Outcome):
    """What became of one photo, with the picture of its strips (PNG) where it was read."""

    strips: bytes = b""


def measure(job: Job, settings: ReadSettings) -> Outcome:
    """Read a photo and make the picture of its strips; both come back in the outcome."""
    assert isinstance(job, PhotoJob)
    photo = fetched(job.photos)[0] if job.data is None else job.data
    reading = examine(photo, settings, name=job.photo.name)
    if reading.verdict.status == "refused" or reading.evidence is None:
        return Outcome(job=job, verdict=reading.verdict)
    picture = strips_png([window.strip for window in reading.evidence.windows])
    return Measured(job=job, verdict=reading.verdict, strips=picture)


def only_read(job: Job, settings: ReadSettings) -> Outcome:
    """Read a photo for the sake of its layout."""
    return Outcome(job=job, verdict=examine(fetched(job.photos)[0], settings).verdict)
