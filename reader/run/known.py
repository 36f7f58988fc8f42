"""What is done already: a verdict that lies where this run would write its own, of the same photos and all else."""

from collections.abc import Sequence
from datetime import UTC, datetime

from reader.decide.age import plate_expiry, reading_age
from reader.run.jobs import Order
from reader.verdict.model import Verdict
from reader.verdict.statement import Stated
from reader.version import VERSION


def is_known(verdict: Verdict, photos: Sequence[tuple[str, str]], order: Order) -> bool:
    """Whether reading photos by an order would give this very verdict.

    photos : name and SHA-256 of each, in order. That hangs on them, on what is stated, on the settings by their hashes
    and on linecall's version. Times are worked out anew from the capture time that the verdict holds. A refused photo's
    layouts are not kept, so it is read again; so is what a person has decided on.
    """
    if order.force or order.anew or order.run is not None or order.label is not None:
        return False
    readings = verdict.readings or (verdict,)
    return (
        verdict.software.version == VERSION
        and verdict.review is None
        and verdict.run is None
        and [(one.photo.name, one.photo.sha256) for one in readings] == list(photos)
        and all(_same_but_photo(one, order) for one in (verdict, *verdict.readings))
    )


def _same_but_photo(verdict: Verdict, order: Order) -> bool:
    settings = order.settings
    layout = next(
        (one for one in settings.layouts if verdict.layout and one.sha256 == verdict.layout.sha256), None
    )
    if verdict.status != "read" or layout is None or verdict.layout is None:
        return False
    stated, now = order.statement or Stated(), datetime.now(UTC)
    age = reading_age(
        layout,
        stated_minutes=order.reading_age_min,
        drops_at=order.drops_at,
        captured_at=verdict.photo.captured_at,
        now=now,
        zone=settings.zone,
    )
    expiry = plate_expiry(
        stated.plate_expiry, age, captured_at=verdict.photo.captured_at, now=now, zone=settings.zone
    )
    return (
        (verdict.statement or Stated()) == stated
        and (verdict.layout.chosen == "named") == settings.layout_named
        and _hashes(verdict) == [one.sha256 for one in (settings.rules, settings.thresholds, settings.texts)]
        and (verdict.reading_age, verdict.expiry) == (age, expiry)
    )


def _hashes(verdict: Verdict) -> list[str | None]:
    return [None if one is None else one.sha256 for one in (verdict.rules, verdict.thresholds, verdict.texts)]
