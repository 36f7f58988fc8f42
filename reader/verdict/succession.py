"""What makes a reading the one it is: its photos, what was stated and its settings; and whether it says no less than
an earlier one, whose place it may then take unasked."""

import json

from reader.verdict.model import Verdict
from reader.words.ids import derived_id

SETTINGS = ("layout", "rules", "thresholds", "texts")


def said(verdict: Verdict) -> dict[str, object]:
    """What was stated for a verdict, by name; of the reading age what was given, not what was worked out from it."""
    stated: dict[str, object] = {} if verdict.statement is None else verdict.statement.as_payload()
    age = verdict.reading_age
    if age is not None and age.source != "none":
        stated["reading age"] = (age.source, age.minutes if age.source == "stated" else age.drops_at)
    if verdict.run is not None:
        stated["run"] = verdict.run
    stated |= {f"departure {one.code}": one.effect for one in verdict.departures}
    return stated


def says_no_less(new: Verdict, earlier: Verdict) -> bool:
    """Whether a verdict rests on the settings of an earlier one, and says again whatever was stated for that.

    A refused photo's layout is not known and is taken for any; so is its reading age. But a refusal says less than any
    verdict on the fuel.
    """
    if new.status == "refused" and earlier.status == "read":
        return False
    for kind in SETTINGS:
        was, now = getattr(earlier, kind), getattr(new, kind)
        if was and now and (was.name, was.revision, was.sha256) != (now.name, now.revision, now.sha256):
            return False
    before, after = said(earlier), said(new)
    return all(name in after and after[name] == value for name, value in before.items())


def says_more(new: Verdict, earlier: Verdict) -> bool:
    """Whether a verdict is of the same photos, or more, as an earlier one, and more was stated for it."""
    photos = photos_of(new)
    more = len(said(new)) > len(said(earlier)) or len(photos) > len(photos_of(earlier))
    return more and photos_of(earlier) <= photos and bool(photos_of(earlier)) and says_no_less(new, earlier)


def reading_id(verdict: Verdict) -> str | None:
    """The id that the same photos, statement and settings always give; None of a file that could not be read."""
    photos = photos_of(verdict)
    if not photos:
        return None
    settings = {kind: record.sha256 for kind in SETTINGS if (record := getattr(verdict, kind)) is not None}
    identity = {"photos": sorted(photos), "said": said(verdict), "settings": settings}
    return derived_id(json.dumps(identity, sort_keys=True, default=str).encode("utf-8"))


def photos_of(verdict: Verdict) -> set[str]:
    """Hashes of the photos that a verdict is about: its own, and those of the readings inside it."""
    return {record.photo.sha256 for record in (verdict, *verdict.readings) if record.photo.sha256 is not None}
