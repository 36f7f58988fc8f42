"""What a verdict says in words, alike on the screen, the picture and in tables."""

from typing import TYPE_CHECKING

from reader.words import listed
from reader.words.clock import utc_offset

if TYPE_CHECKING:
    from reader.verdict.model import Verdict


def why(verdict: "Verdict") -> str:
    """The reason for a grade or a refusal, in a sentence."""
    if not verdict.pivotal:
        return verdict.rule or verdict.reason or ""
    doubt = "is doubtful and decides" if len(verdict.pivotal) == 1 else "are doubtful and decide"
    return f"{pivotal_marks(verdict)} {doubt}: {listed(verdict.possible_grades, 'or')}"


def pivotal_marks(verdict: "Verdict") -> str:
    """The pivotal marks with their analytes: the indicators of windows 3 (yeast, lower) and 4 (yeast, upper)."""
    by_id = {window.id: window for window in verdict.windows}
    found = []
    for mark in ("indicator", "reference"):
        windows = [by_id[pivot.window] for pivot in verdict.pivotal if pivot.mark == mark]
        if windows:
            plural = "s" * (len(windows) > 1)
            names = listed([f"{window.id} ({window.analyte}, {window.tier})" for window in windows])
            found.append(f"the {mark}{plural} of window{plural} {names}")
    return " and ".join(found)


def sample(verdict: "Verdict") -> str:
    """What the reading is of and by whom, as far as it was stated; empty where nothing was."""
    said = verdict.statement
    if said is None:
        return ""
    parts = [
        said.tank and f"tank {said.tank}",
        said.sample_point,
        said.sample_phase,
        said.plate_lot and f"lot {said.plate_lot}",
        said.operator and f"by {said.operator}",
    ]
    return ", ".join(part for part in parts if part)


def taken(verdict: "Verdict") -> str:
    """When the photo was taken, by its own clock."""
    moment = verdict.photo.captured_at
    if moment is None:
        return "no capture time in the photo"
    offset = "" if moment.tzinfo is None else f" {utc_offset(moment)}"
    return f"taken {moment:%Y-%m-%d %H:%M}{offset}"


def identity(verdict: "Verdict") -> str:
    """Whose reading this is: sample and person, when the photo was taken, and the reading's id."""
    reading = verdict.id and f"reading {verdict.id}"
    return "; ".join(part for part in (sample(verdict), taken(verdict), reading) if part)
