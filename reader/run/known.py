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
    and on linecall's version. Times are worked out anew from the capture time that the verdict holds. What a person has
    decided on is read again.
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
    return (
        (verdict.statement or Stated()) == (order.statement or Stated())
        and _hashes(verdict) == [one.sha256 for one in (settings.rules, settings.thresholds, settings.texts)]
        and (_same_refused if verdict.status == "refused" else _same_read)(verdict, order)
    )


def _same_refused(verdict: Verdict, order: Order) -> bool:
    """No time is asked of a photo that is refused; the bundled layouts are linecall's own."""
    named = order.settings.layouts[0].sha256 if order.settings.layout_named else None
    return named == (None if verdict.looked_for is None else verdict.looked_for.sha256)


def _same_read(verdict: Verdict, order: Order) -> bool:
    settings = order.settings
    layout = next(
        (one for one in settings.layouts if verdict.layout and one.sha256 == verdict.layout.sha256), None
    )
    if layout is None or verdict.layout is None:
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
    return (verdict.layout.chosen == "named") == settings.layout_named and (
        verdict.reading_age,
        verdict.expiry,
    ) == (age, expiry)


def _hashes(verdict: Verdict) -> list[str | None]:
    return [None if one is None else one.sha256 for one in (verdict.rules, verdict.thresholds, verdict.texts)]
