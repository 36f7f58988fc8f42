"""What is done in the processes beside the server: photos are read there and their strips cut.

Nothing of the server is imported here, so a process begins soon and stays small.
"""

from collections.abc import Sequence
from functools import partial

import numpy as np

from reader.files.urls import fetched
from reader.photo.open import Photo, open_photo
from reader.photo.source import photo_source
from reader.read import examine, examine_plate
from reader.run.batch import Outcome
from reader.run.jobs import Job, Order
from reader.settings.read_settings import ReadSettings
from reader.station.answer_strips import strip_pictures
from reader.verdict.model import WindowRecord

_last: dict[str, Photo] = {}
"""The photo that was read last, by its hash: its strips are asked for at once."""


def get_ready(settings: ReadSettings) -> None:
    """Look at a picture of nothing, so that the first photo finds everything loaded."""
    examine(np.full((900, 1200, 3), 200, np.uint8), settings)


def read(job: Job, order: Order) -> Outcome:
    """Read the photo or photos of a plate, and draw nothing."""
    _last.clear()
    photos = fetched(job.photos)
    read_it = partial(examine_plate, photos) if job.plate else partial(examine, photos[0])
    try:
        reading = read_it(order.settings, drops_at=order.drops_at, statement=order.statement, run=order.run)
    except MemoryError:
        problem = f"{job.photo.name}: the photo needs more memory than a reading has here; send a smaller one"
        return Outcome(job=job, problem=problem)
    if reading.evidence is not None and reading.evidence.photo is not None:
        _last[reading.evidence.photo.sha256] = reading.evidence.photo
    return Outcome(job=job, verdict=reading.verdict)


def cut_strips_of_last(sha256: str, windows: Sequence[WindowRecord]) -> tuple[bytes, ...] | None:
    """Pictures of the windows of the photo that was read last; None where that was another one."""
    photo = _last.pop(sha256, None)
    return None if photo is None else strip_pictures(photo, windows)


def cut_strips(data: bytes, name: str, windows: Sequence[WindowRecord]) -> tuple[bytes, ...]:
    """Pictures of the windows of a photo that was read before."""
    return strip_pictures(open_photo(photo_source(data, name)), windows)
