"""Tidy rows of an invented library, drawn from a stated model, so that what statistics should find is known."""

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from reader.library.tidy import MarkRow

BLANK_SD = 0.0015
LIMIT_OF_BLANK, LIMIT_OF_DETECTION = 0.004, 0.008


@dataclass(frozen=True, kw_only=True, slots=True)
class Person:
    """A grader who sees a line of height h with the chance that normal noise `sd` leaves it above `threshold`."""

    name: str
    role: str = "expert"
    sd: float = 0.002
    threshold: float = 0.005
    doubts: float = 0.001
    graded: float = 1.0


PEOPLE = (
    Person(name="Ada Quill"),
    Person(name="Bo Marsh", sd=0.003),
    Person(name="Cyd Vane", threshold=0.007, graded=0.8),
)


def strength_of(height: float | None) -> str:
    if height is None:
        return "unmeasured"
    bounds = (("strong", 0.1), ("weak", 0.03), ("faint", 0.012), ("very faint", 0.005))
    return next((name for name, least in bounds if height >= least), "none")


def library(
    n_plates: int,
    *,
    seed: int = 5,
    windows: int = 6,
    photos: Sequence[int] = (1, 1, 3),
    people: Sequence[Person] = PEOPLE,
    lights: Sequence[str] = ("bench lamp", "daylight"),
) -> Iterator[MarkRow]:
    """Plates of `windows` windows, photographed as often as `photos` says in turn, each graded by all people."""
    rng = np.random.default_rng(seed)
    for plate in range(n_plates):
        kind = rng.random(windows)
        true = np.where(kind < 0.25, 0.0, np.exp(rng.uniform(np.log(0.006), np.log(0.3), windows)))
        for photo in range(photos[plate % len(photos)]):
            light = lights[(plate + photo) % len(lights)]
            shift = rng.normal(0, 0.0007)
            yield from _photo(rng, f"P{plate:05}", photo, true, shift, light, people)


def _photo(
    rng: np.random.Generator,
    plate: str,
    photo: int,
    true: np.ndarray,
    shift: float,
    light: str,
    people: Sequence[Person],
) -> Iterator[MarkRow]:
    example = f"{plate}-{photo}"
    sha256 = hashlib.sha256(example.encode()).hexdigest()
    graders = [person for person in people if rng.random() < person.graded]
    for window, indicator in enumerate(true):
        for mark, height in (("indicator", float(indicator)), ("reference", 0.15)):
            measured = height * (1 + rng.normal(0, 0.02)) + shift + rng.normal(0, BLANK_SD)
            tool = (
                "present"
                if measured > LIMIT_OF_DETECTION
                else "absent"
                if measured < LIMIT_OF_BLANK
                else "doubtful"
            )
            calls = []
            for person in graders:
                seen = height + shift + rng.normal(0, person.sd)
                apart = seen - person.threshold
                calls.append(
                    "doubtful" if abs(apart) < person.doubts else "present" if apart > 0 else "absent"
                )
            settled = [call for call in calls if call != "doubtful"]
            most = max(set(settled), key=settled.count) if settled else None
            consensus = most if most and 2 * settled.count(most) > len(calls) and len(calls) > 1 else None
            for person, call in zip(graders or [Person(name="", role="")], calls or [""], strict=True):
                yield MarkRow(
                    example=example, plate=plate, window=str(window + 1), mark=mark,
                    tier="upper" if window % 2 else "lower", analyte="ABC"[window // 2 % 3],
                    strength=strength_of(measured), light=light, layout="comb", grader=person.name, role=person.role,
                    call=call, consensus=consensus, tool_call=tool, height=measured, standard_error=BLANK_SD,
                    sha256=sha256,
                )  # fmt: skip
