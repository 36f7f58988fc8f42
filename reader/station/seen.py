"""Whether somebody has seen what others made of a plate, in the logbook or in the library: then they are not blind.

A plate is known by its readings and by its examples, and each leads to the other: by the reading that an example came
from, and by the bytes of the photo.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from reader.errors import LinecallError, OutputError
from reader.library.add import OF_READING
from reader.library.examples import Example
from reader.library.filters import Filters
from reader.library.store import Library
from reader.logbook import StoredReading
from reader.review.hands import hands_in, readings_of_plate
from reader.station.desk import Desk
from reader.station.exams import Exams
from reader.station.looks import Looks
from reader.words.names import is_one_of


@dataclass(frozen=True, kw_only=True, slots=True)
class Plate:
    """All readings and the ids of all examples of one plate."""

    readings: tuple[StoredReading, ...]
    examples: tuple[str, ...]


def plate_of_reading(desk: Desk, stored: StoredReading) -> Plate:
    """The plate of a reading."""
    readings = readings_of_plate(desk.logbook, stored)
    if not desk.has_library():
        return Plate(readings=readings, examples=())
    with Library.open(desk.library_folder(), read_only=True) as library:
        photos = {photo.sha256 for reading in readings for photo in reading.photos}
        examples = [library.example(id) for sha256 in photos if (id := library.by_photo(sha256)) is not None]
        return Plate(readings=readings, examples=_of_same_plates(library, examples))


def plate_of_example(desk: Desk, library: Library, example: Example) -> Plate:
    """The plate of an example."""
    examples = _of_same_plates(library, [example])
    found: dict[str, StoredReading] = {}
    for id in _readings_of(desk, [library.example(one) for one in examples]):
        if id not in found:
            found |= {one.id: one for one in readings_of_plate(desk.logbook, desk.logbook.reading(id))}
    return Plate(readings=tuple(found.values()), examples=examples)


def has_seen_calls(desk: Desk, name: str, plate: Plate) -> bool:
    """Whether somebody was shown others' calls on a plate at this station."""
    with Looks.open(desk.folder) as looks:
        if looks.has_seen([one.id for one in plate.readings], name):
            return True
    with Exams.open(desk.folder) as exams:
        return exams.was_shown(name, plate.examples)


def note_calls_shown(desk: Desk, name: str, readings: Sequence[str]) -> None:
    """Remember that somebody is shown the calls of readings, or a grade that tells of them."""
    with Looks.open(desk.folder) as looks:
        looks.note(readings, name, at=desk.now())


def had_a_hand(name: str, plate: Plate) -> bool:
    """Whether somebody photographed or reviewed a plate, and so knows of its calls."""
    return any(
        is_one_of(name, [who for who in (*hands_in(one), *(event.by for event in one.reviews)) if who])
        for one in plate.readings
    )


def _of_same_plates(library: Library, examples: Sequence[Example]) -> tuple[str, ...]:
    plates = {example.plate for example in examples}
    return tuple(row.id for plate in sorted(plates) for row in library.examples(Filters(plate=plate)))


def _readings_of(desk: Desk, examples: Sequence[Example]) -> list[str]:
    """Those that examples came from, and those of the same photos; not those of another logbook."""
    found = [id for one in examples for id in desk.logbook.readings_of_photo(one.photo.sha256)]
    for one in examples:
        id = one.source.removeprefix(OF_READING)
        if id != one.source and id not in found:
            try:
                found.append(desk.logbook.reading(id).id)
            except OutputError:  # the logbook is out of reach: nobody is blind for that
                raise
            except LinecallError:
                continue
    return found
