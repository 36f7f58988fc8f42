"""What a verdict says in words, alike on the screen, the picture and in tables."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Final, get_args

from reader.words import MarkName, listed
from reader.words.clock import utc_offset

if TYPE_CHECKING:
    from reader.verdict.model import Verdict, WindowRecord

SAID: Final[dict[str, str]] = {
    "one_doubt": "{marks} is doubtful and decides: {grades}",
    "doubts": "{marks} are doubtful and decide: {grades}",
    "marks_indicator": "the indicator of window {windows}",
    "marks_indicators": "the indicators of windows {windows}",
    "marks_reference": "the reference of window {windows}",
    "marks_references": "the references of windows {windows}",
    "window": "{window} ({analyte}, {tier})",
}
"""What is said of the marks that decide, by code, as str.format templates."""


def why(verdict: "Verdict") -> str:
    """The reason for a grade or a refusal, in a sentence."""
    if not verdict.pivotal:
        return verdict.rule or verdict.reason or ""
    said = SAID["one_doubt" if len(verdict.pivotal) == 1 else "doubts"]
    return said.format(marks=pivotal_marks(verdict), grades=listed(verdict.possible_grades, "or"))


def pivotal_marks(verdict: "Verdict") -> str:
    """The pivotal marks with their analytes: the indicators of windows 3 (yeast, lower) and 4 (yeast, upper)."""
    found = []
    for code, windows in pivotal_windows(verdict):
        names = [
            SAID["window"].format(window=window.id, analyte=window.analyte, tier=window.tier)
            for window in windows
        ]
        found.append(SAID[code].format(windows=listed(names)))
    return " and ".join(found)


def pivotal_windows(verdict: "Verdict") -> Iterator[tuple[str, "list[WindowRecord]"]]:
    """The windows whose indicators, then those whose references, are pivotal, each with the code of what is said."""
    by_id = {window.id: window for window in verdict.windows}
    for mark in get_args(MarkName):
        windows = [by_id[pivot.window] for pivot in verdict.pivotal if pivot.mark == mark]
        if windows:
            yield f"marks_{mark}{'s' * (len(windows) > 1)}", windows


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
