"""Who had a hand in reading a plate: also those who read it from another file, or whose reading was replaced since.

Two readings are of one plate if they share a photo, byte for byte; if tank, sample point and the time of the drops
are the same; if one took the other's place; or if one picture is the other's, saved otherwise: the plate has the same
shape in it, and its marks the same heights. Of 46 copies of 22 rendered photos (JPEG at quality 70, or six tenths of
the size) that is said of 45, and of no two of those photos. Said wrongly, it keeps one more person from deciding;
unsaid, one too few.
"""

from collections.abc import Iterator, Mapping
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from reader.logbook import Logbook, StoredReading

LOGGED_APART: Final = timedelta(days=7)
"""Of readings that are compared by their pictures; a copy of an older photo is found by its hash alone."""
DROPS_APART: Final = timedelta(minutes=3)
"""One time said twice, from memory, or worked out from a photo's minutes."""
SHAPE: Final = (
    0.025  # of the plate's size in the picture, by which a corner may lie elsewhere once it is saved anew
)
HEIGHT_ERROR: Final = 0.004  # absorbance
HEIGHT_SHARE: Final = 0.10  # of the height: a file that was compressed or made smaller
HEIGHTS: Final = (
    1.5  # rms difference of the heights in those units, or in their standard errors where these are more
)


def readings_of_plate(logbook: Logbook, stored: StoredReading) -> tuple[StoredReading, ...]:
    """All readings of the plate of one reading, it first; what is of one plate with any of them is of it, too."""
    found = {stored.id: stored}
    looked_at: set[str] = set()
    while waiting := [one for id, one in found.items() if id not in looked_at]:
        for one in waiting:
            looked_at.add(one.id)
            replaced = [row.id for row in logbook.succession(one.id).replaced]
            for id in filter(None, (*replaced, one.superseded_by)):
                found.setdefault(id, logbook.reading(id))
            for event in logbook.related(one, within=LOGGED_APART):
                if event.id not in found and _same_plate(one, event.payload):
                    found[event.id] = logbook.reading(event.id)
    return tuple(found.values())


def hands_in(reading: StoredReading) -> Iterator[str]:
    """Everyone who is said to have taken a reading: as logged, as stated, and as corrected since."""
    yield from (reading.by, reading.stated.operator, reading.statement.operator)
    for event in reading.corrections:
        if event.payload["field"] == "operator":
            yield str(event.payload["value"])


def _same_plate(one: StoredReading, payload: Mapping[str, Any]) -> bool:
    if {photo.sha256 for photo in one.photos} & {photo["sha256"] for photo in payload["photos"]}:
        return True
    first = one.first.model_dump(mode="json")
    said, verdict = payload["statement"], payload["verdict"]
    place = one.statement.tank, one.statement.sample_point
    if None not in place and place == (said.get("tank"), said.get("sample_point")):
        ours, theirs = _drops_at(first, one.stated.as_payload()), _drops_at(verdict, said)
        if ours is not None and theirs is not None and _apart(ours, theirs) <= DROPS_APART:
            return True
    ours_seen, theirs_seen = _pictures(first), _pictures(verdict)
    return any(_same_picture(a, b) for a in ours_seen for b in theirs_seen)


def _drops_at(verdict: Mapping[str, Any], said: Mapping[str, Any]) -> datetime | None:
    """When the drops were put in, as stated, or from the photo's own time and the minutes stated."""
    age, taken = verdict.get("reading_age") or {}, verdict["photo"].get("captured_at")
    stated = age.get("drops_at") or said.get("drops_at")
    if stated is not None:
        return datetime.fromisoformat(stated)
    if taken is not None and age.get("minutes") is not None:
        return datetime.fromisoformat(taken) - timedelta(minutes=age["minutes"])
    return None


def _apart(one: datetime, other: datetime) -> timedelta:
    if (one.tzinfo is None) != (other.tzinfo is None):  # a camera's clock: read both as they stand
        one, other = one.replace(tzinfo=None), other.replace(tzinfo=None)
    return abs(one - other)


def _pictures(verdict: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The verdicts of single photos that a verdict holds, as far as they were read."""
    return [
        one for one in verdict.get("readings") or [verdict] if one["status"] == "read" and one.get("pose")
    ]


def _same_picture(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    if one["layout"]["name"] != other["layout"]["name"]:
        return False
    heights, theirs = _of_marks(one, "height"), _of_marks(other, "height")
    if heights.shape != theirs.shape:
        return False
    taken, theirs_taken = one["photo"]["captured_at"], other["photo"]["captured_at"]
    if taken and theirs_taken and taken[:19] != theirs_taken[:19]:  # a copy may have lost its offset from UTC
        return False
    corners = min(np.abs(turned - _shape(other)).max() for turned in _quarter_turns(_shape(one)))
    error = np.hypot(_of_marks(one, "standard_error"), _of_marks(other, "standard_error"))
    units = np.maximum(HEIGHT_ERROR + HEIGHT_SHARE * np.maximum(np.abs(heights), np.abs(theirs)), error)
    rms = np.sqrt((((heights - theirs) / units) ** 2).mean())
    return bool(corners <= SHAPE and rms <= HEIGHTS)


def _shape(verdict: Mapping[str, Any]) -> NDArray[np.float64]:
    """The plate's corners in the picture, (4, 2), without place and size."""
    corners = np.array(verdict["pose"]["corners_px"], np.float64)
    corners -= corners.mean(axis=0)
    return np.asarray(corners / np.sqrt((corners**2).sum(axis=1).mean()))


def _quarter_turns(shape: NDArray[np.float64]) -> Iterator[NDArray[np.float64]]:
    for _ in range(4):
        yield shape
        shape = np.column_stack((-shape[:, 1], shape[:, 0]))


def _of_marks(verdict: Mapping[str, Any], field: str) -> NDArray[np.float64]:
    """A number of each mark, in the plate's order; 0 where it could not be measured."""
    marks = [window[name] for window in verdict["windows"] for name in ("indicator", "reference")]
    return np.array([mark[field] or 0.0 for mark in marks], np.float64)
