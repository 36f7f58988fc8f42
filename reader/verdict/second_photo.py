"""What kind of second photo would settle a doubt, and how long there is time to take it."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

from reader.decide.call import DYED, EDGE, LOSSES, MISPLACED, UNEVEN, height_needed
from reader.decide.records import PivotalMark, ReadingAgeRecord
from reader.photo.original import FLAG as NOT_ORIGINAL
from reader.refusals import COPY
from reader.verdict.model import Mark, WindowRecord
from reader.words import windows_named as named

LAST_MINUTE = 1.0
"""With less of the reading time left nobody gets a second photo taken."""
FINE_PX_PER_MM = 16.0
"""With fewer pixels coming closer helps: strips are measured at so many samples a millimetre."""
SHARP_BLUR = 0.25
"""Blur, sigma in mark widths, beyond which a steadier photo helps."""
CLIPPED_MIN = 0.01
HIDDEN_MIN = 0.1
"""Share of a membrane blown out, or hidden by its rim, from which it matters."""

TOGETHER = "Have both photos read as one plate"
SAID: Final[dict[str, str]] = {
    "original": "{remedy}: it may settle the doubt by itself.",
    "no_time": "There is no time left for a second photo of this plate.",
    "again": "Photograph the plate again {time}: {how}. "
    f"{TOGETHER}; a second photo settles a doubt if it is the clearer one.",
    "while": "while it may be read, up to {minutes} min after the drops",
    "within": "within {minutes} min of this photo",
    "until": "within {minutes} min of this photo (until {clock})",
    "until_by_camera": "within {minutes} min of this photo (until {clock} by its clock)",
    "other_side": "and from another side",
}
"""Sentences and their parts by code, as str.format templates."""
HINTS: Final[dict[str, str]] = {
    "hidden": "from straight above, with nothing over {windows}",
    "glare": "with the lamp moved or the plate turned so that nothing is mirrored in {windows}",
    "shadow": "with your shadow and the phone's off the plate, most of all off {windows}",
    "foreign": "with hairs and dust blown off {windows} and no edge of a shadow across",
    "far": "closer, so that the plate fills the picture",
    "blurred": "with the phone held against something firm and focused on the plate",
    "smoothed": "in more light, without zoom and with filters and beauty modes off",
    "near_white": "exposed darker: tap on the plate in the camera's picture, and turn the nearest lamp off",
    "compressed": "sent as a file and not as a picture in a chat",
    "few_tones": "with all filters off, and as the camera's own file",
    "noisy": "in more and even light",
}
"""By what troubles a window, in the order in which they are said."""


def second_photo(
    windows: Sequence[WindowRecord],
    pivotal: Sequence[PivotalMark],
    age: ReadingAgeRecord,
    captured_at: datetime | None,
    photo_flags: Sequence[str] = (),
) -> str:
    """A sentence for a technician whose single photo leaves a grade undecided, with a space at its end.

    photo_flags : codes of `refusals.FLAGS` of the whole file. Where it is a copy its original is asked for: that
    needs no second photo.

    Minutes count from the photo, as nobody knows when the verdict is read. Empty for a plate that is early:
    there the reading age has a sentence of its own.
    """
    if age.status not in ("in_range", "unknown") or age.range_minutes is None:
        return ""
    said = [SAID["original"].format(remedy=_capital(COPY.remedy))] if NOT_ORIGINAL in photo_flags else []
    last = age.range_minutes[1]
    left = None if age.minutes is None else last - age.minutes
    if left is not None and left < LAST_MINUTE:
        return _joined([*said, SAID["no_time"]])
    time = _in_time(left, last, age, captured_at)
    return _joined([*said, SAID["again"].format(time=time, how=_how(windows, pivotal))])


def _joined(sentences: Sequence[str]) -> str:
    return "".join(f"{sentence} " for sentence in sentences)


def _capital(sentence: str) -> str:
    return sentence[0].upper() + sentence[1:]


def _in_time(left: float | None, last: float, age: ReadingAgeRecord, captured_at: datetime | None) -> str:
    """How long there is time, with the time of day at which it ends where a clock tells."""
    if left is None:
        return SAID["while"].format(minutes=f"{last:g}")
    code, clock = "within", None
    if age.drops_at is not None:
        code, clock = "until", age.drops_at + timedelta(minutes=last)
    elif captured_at is not None:
        code, clock = "until_by_camera", captured_at + timedelta(minutes=left)
    return SAID[code].format(minutes=int(left), clock="" if clock is None else f"{clock:%H:%M}")


def _how(windows: Sequence[WindowRecord], pivotal: Sequence[PivotalMark]) -> str:
    by_id = {window.id: window for window in windows}
    troubled: dict[str, list[str]] = {hint: [] for hint in HINTS}
    for window, mark in dict.fromkeys((pivot.window, pivot.mark) for pivot in pivotal):
        trouble = _trouble(by_id[window], getattr(by_id[window], mark))
        if window not in troubled[trouble]:
            troubled[trouble].append(window)
    hints = [HINTS[hint].format(windows=named(ids)) for hint, ids in troubled.items() if ids]
    return "; ".join([*hints, SAID["other_side"]])


def _trouble(window: WindowRecord, mark: Mark) -> str:
    """What most likely keeps a mark doubtful."""
    quality, width = window.quality, mark.expected_width_mm or 1.0
    if mark.height is None or mark.limit_of_blank is None or (quality.hidden_fraction or 0.0) > HIDDEN_MIN:
        return "hidden"
    if not set(MISPLACED).isdisjoint(mark.flags):
        return "hidden"
    if mark.height < -mark.limit_of_blank or (quality.clipped_fraction or 0.0) > CLIPPED_MIN:
        return "glare"
    found, expected = mark.position_mm, mark.expected_mm
    off_mm = 0.0 if found is None or expected is None else found - expected
    needed = height_needed(mark.limit_of_blank, mark.standard_error or 0.0, off_mm)
    if _is_shadow(mark, needed):
        return "shadow"
    if mark.height > needed or "part_of_breadth" in mark.flags:
        return "foreign"
    lost = next((flag for flag in LOSSES if flag in mark.flags), None)
    if lost is not None:
        return "glare" if lost == "veiled" else lost
    if quality.px_per_mm is not None and quality.px_per_mm < FINE_PX_PER_MM:
        return "far"
    if quality.blur_mm is not None and quality.blur_mm > SHARP_BLUR * width:
        return "blurred"
    return "noisy"


def _is_shadow(mark: Mark, needed: float) -> bool:
    """Whether a change of the light keeps a mark doubtful: one that was seen, or one that no witness excludes."""
    height, reach = mark.height or 0.0, mark.shade_reach or 0.0
    if height <= needed:
        return max(abs(mark.shade_height or 0.0), reach) > UNEVEN
    is_edge = mark.line_evidence is not None and mark.line_evidence < EDGE
    unseen = mark.plastic is False and not (mark.dye_evidence is not None and mark.dye_evidence > DYED)
    return is_edge or unseen or height - reach <= needed
