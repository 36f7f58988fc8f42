"""Whether a reading may take the place of an earlier one unasked: the same photo and settings, and nothing unsaid."""

from reader.verdict import Verdict

SETTINGS = ("layout", "rules", "thresholds", "texts")


def said(verdict: Verdict) -> dict[str, object]:
    """What was stated for a verdict, by name; of the reading age what was given, not what was worked out from it."""
    stated: dict[str, object] = {} if verdict.statement is None else verdict.statement.as_payload()
    age = verdict.reading_age
    if age is not None and age.source != "none":
        stated["reading age"] = (age.source, age.minutes if age.source == "stated" else age.drops_at)
    return stated


def says_no_less(new: Verdict, earlier: Verdict) -> bool:
    """Whether a verdict rests on the settings of an earlier one, and says again whatever was stated for that.

    A refused photo's layout is not known and is taken for any; so is its reading age.
    """
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


def photos_of(verdict: Verdict) -> set[str]:
    """Hashes of the photos that a verdict is about: its own, and those of the readings inside it."""
    return {record.photo.sha256 for record in (verdict, *verdict.readings) if record.photo.sha256 is not None}
