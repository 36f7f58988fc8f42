"""The times that are known become a reading age; the expiry that is stated is held against the day of use."""

import math
from datetime import date, datetime, time, timedelta, timezone, tzinfo
from typing import TYPE_CHECKING, Any, Final, Literal

from reader.decide.records import ExpiryRecord, ReadingAgeRecord
from reader.errors import LinecallError
from reader.words.clock import MACHINE, OFFSET_MAX, Zone, last_before, span_in_words, utc_offset

if TYPE_CHECKING:
    from reader.settings.values import Layout

CLOCK_SLACK: Final = timedelta(minutes=5)  # clocks of phones and computers differ by so much; no source
SHELF_LIFE_MAX_DAYS: Final = 5 * 366  # plates keep for two years or so (common practice, no source)
EASTERNMOST: Final = timezone(OFFSET_MAX)

SAID: Final[dict[str, str]] = {
    "in_range": "{found}, within {first} to {last} min",
    "early": "{found}, but lines may form until {first} min: photograph it again in {wait}",
    "early_between": "{found}, but lines may form until {first} min: photograph it again in {wait}, between {from} "
    "and {until}",
    "late": "{found}, but the plate may be read up to {last} min only",
    "found": "photographed {span} after the drops",
    "found_at_most": "photographed at most {span} after the drops",
    "unknown": "reading age unknown: {why}; not checked whether the photo was taken {first} to {last} min after the "
    "drops",
    "contradictory": "{why}: check the date, the time and the zone of both, and that this is the photo of this plate; "
    "then read it again with the right ones",
    "not_given": "neither it nor the time of the drops was given",
    "no_capture_time": "the photo carries no capture time",
    "day_unknown": "the photo carries no capture time, so {clock} as a time of day alone says nothing",
}
"""What is said of a reading age, by code, as str.format templates."""
EXPIRY: Final[dict[str, str]] = {
    "in_date": "the plate is in date: {until}, and {when}",
    "expired": "the plate had expired: {until}, and {when}",
    "implausible": "the plate's expiry, {stated}, lies years further ahead than plates are kept; check it",
    "until": "it may be used until {stated}",
    "until_end_of": "it may be used until the end of {stated}",
    "used_on": "it was used on {day}",
    "today_is": "today is {day}, and when it was used is not known",
}
"""What is said of a plate's expiry."""


def reading_age(
    layout: "Layout",
    *,
    stated_minutes: float | None = None,
    drops_at: datetime | time | None = None,
    captured_at: datetime | None = None,
    now: datetime,
    zone: Zone = MACHINE,
    photo_at: datetime | None = None,
) -> ReadingAgeRecord:
    """Work out how old the plate was in the photo; what cannot be known is said, never guessed.

    stated_minutes : the age as the user gives it; it is taken before `drops_at`.
    drops_at, captured_at : when the drops were put in, and the camera's claim. A time of day alone is the last
    such time before the photo. A time without an offset is read in the other one's, else in `zone`.
    now : with its offset; neither time can be after it.
    photo_at : when the photo was taken by the clock that noted the drops too, where it was noted, with its offset; a
    camera's clock that disagrees with it is said, and where that would change the status, nothing is known.
    Raises LinecallError where `stated_minutes` is negative or not finite.
    """
    span = layout.assay.reading_age
    age = _age(span, stated_minutes, drops_at, captured_at, now, zone)
    if photo_at is not None and isinstance(drops_at, datetime) and drops_at.tzinfo is not None:
        return _beside_own_clock(age, span, drops_at, photo_at)
    return age


def _age(
    span: tuple[float, float],
    stated_minutes: float | None,
    drops_at: datetime | time | None,
    captured_at: datetime | None,
    now: datetime,
    zone: Zone,
) -> ReadingAgeRecord:
    doubt = _clock_doubt(captured_at, now, zone)
    if stated_minutes is not None:
        if not 0 <= stated_minutes < math.inf:
            raise LinecallError(f"the reading age is {stated_minutes} min, but must be 0 or more")
        return _aged(stated_minutes, "stated", span, note=f"; {doubt}" if doubt else "")
    if drops_at is None:
        return _unaged("unknown", doubt or SAID["not_given"], "none", span)
    if captured_at is None:
        if isinstance(drops_at, time):
            return _unaged(
                "unknown",
                SAID["day_unknown"].format(clock=f"{drops_at:%H:%M}"),
                "drops_at",
                span,
            )
        if _is_future(drops_at, now, zone):
            return _contradictory_times(f"the drops, {_written(drops_at)}, lie in the future", span, drops_at)
        oldest = max((now - one) / timedelta(minutes=1) for one in _instants(drops_at, zone))
        if _status(max(oldest, 0.0), span) == "early":
            return _at_most(oldest, span, drops_at)
        return _unaged("unknown", SAID["no_capture_time"], "drops_at", span, drops_at)
    if doubt:
        return _contradictory_times(doubt, span, None if isinstance(drops_at, time) else drops_at)
    if isinstance(drops_at, time):
        drops_at = last_before(drops_at, captured_at)
    return _between(drops_at, captured_at, now, zone, span)


def _instants(moment: datetime, zone: Zone) -> tuple[datetime, ...]:
    return (moment,) if moment.tzinfo else zone.instants(moment)


def _at_most(minutes: float, span: tuple[float, float], drops_at: datetime) -> ReadingAgeRecord:
    """The age of a photo without a capture time that is early whenever it was taken: it is there already."""
    return _aged(
        max(minutes, 0.0),
        "drops_at",
        span,
        drops_at if drops_at.tzinfo else None,
        f"; {SAID['no_capture_time']}",
        found="found_at_most",
    )


def _between(
    drops_at: datetime, captured_at: datetime, now: datetime, zone: Zone, span: tuple[float, float]
) -> ReadingAgeRecord:
    """The age between two times, of which each may lack its offset."""
    aware = next((moment for moment in (captured_at, drops_at) if moment.tzinfo is not None), None)
    by_camera = captured_at.tzinfo is not None
    if by_camera:
        drops, photos = (
            [drops_at if drops_at.tzinfo else drops_at.replace(tzinfo=captured_at.tzinfo)],
            [captured_at],
        )
    else:
        photos = list(zone.instants(captured_at))
        drops = [drops_at] if drops_at.tzinfo else list(zone.instants(drops_at))
    named: dict[str, Any] = {}
    if captured_at.tzinfo is None:
        named = {"zone": zone.name if zone.place else utc_offset(photos[0]), "zone_source": zone.source}
        whose = "both times are" if aware is None else "the camera's time is"
        note = f"; {whose} read in {zone.in_words(photos[0])}"
    elif drops_at.tzinfo is None:
        named = {"zone": utc_offset(captured_at), "zone_source": "camera"}
        note = f"; the time of the drops is read in {utc_offset(captured_at)}, as the camera's"
    else:
        note = ""
    ages = [(photo - drop) / timedelta(minutes=1) for photo in photos for drop in drops]
    if len({_status(age, span) for age in ages}) > 1:
        why = f"the clocks change in that hour, so {_written(drops_at)} and {_written(captured_at)} may be {{}} apart"
        found = why.format(" or ".join(dict.fromkeys(span_in_words(abs(age)) for age in ages)))
        return _contradictory_times(f"{found}{note}", span, drops[0]).model_copy(update=named)
    if aware is not None and photos[0] > now + CLOCK_SLACK:
        found = f"the capture time, {_written(captured_at)}, lies in the future{note}"
        return _contradictory_times(found, span, drops[0]).model_copy(update=named)
    if ages[0] < 0:
        found = (
            f"the photo was taken {span_in_words(-ages[0])} before the drops, at {_written(captured_at)} by the clock "
            f"of the camera, the drops at {_written(drops_at)}{note}"
        )
        return _contradictory_times(found, span, drops[0]).model_copy(update=named)
    return _aged(ages[0], "drops_at", span, drops[0], note).model_copy(update=named)


def _beside_own_clock(
    age: ReadingAgeRecord, span: tuple[float, float], drops_at: datetime, photo_at: datetime
) -> ReadingAgeRecord:
    """An age by the camera's clock, held against the clock that noted both drops and photo."""
    minutes = (photo_at - drops_at) / timedelta(minutes=1)
    if age.status == "unknown":
        return _aged(minutes, "drops_at", span, drops_at, "; by the clock that noted both")
    if age.minutes is None or abs(age.minutes - minutes) <= CLOCK_SLACK / timedelta(minutes=1):
        return age
    apart = span_in_words(abs(age.minutes - minutes))
    if age.status == _status(minutes, span):
        ahead = "ahead of" if age.minutes > minutes else "behind"
        note = f"; the camera's clock is {apart} {ahead} the one that noted drops and photo"
        return age.model_copy(update={"sentence": age.sentence + note})
    found = (
        f"photographed {span_in_words(age.minutes)} after the drops by the camera's clock, "
        f"{span_in_words(minutes)} by the one that noted drops and photo"
    )
    return _contradictory_times(found, span, drops_at)


def _status(
    minutes: float, span: tuple[float, float]
) -> Literal["in_range", "early", "late", "contradictory"]:
    if minutes < 0:
        return "contradictory"
    minutes = round(minutes, 1)
    return "early" if minutes < span[0] else "late" if minutes > span[1] else "in_range"


def _unaged(
    status: Literal["unknown", "contradictory"],
    reason: str,
    source: Literal["drops_at", "none"],
    span: tuple[float, float],
    drops_at: datetime | None = None,
) -> ReadingAgeRecord:
    """A reading age that is not known, and why."""
    sentence = SAID[status].format(why=reason, first=f"{span[0]:g}", last=f"{span[1]:g}")
    return ReadingAgeRecord(
        minutes=None, status=status, source=source, range_minutes=span, sentence=sentence, drops_at=drops_at
    )


def _contradictory_times(
    reason: str, span: tuple[float, float], drops_at: datetime | None
) -> ReadingAgeRecord:
    return _unaged("contradictory", reason, "drops_at", span, drops_at)


def _aged(
    minutes: float,
    source: Literal["drops_at", "stated"],
    span: tuple[float, float],
    drops_at: datetime | None = None,
    note: str = "",
    found: Literal["found", "found_at_most"] = "found",
) -> ReadingAgeRecord:
    """The reading age of a known number of minutes."""
    first, last = span
    minutes = round(minutes, 1) + 0.0
    status = _status(minutes, span)
    values = {
        "found": SAID[found].format(span=span_in_words(minutes)),
        "first": f"{first:g}",
        "last": f"{last:g}",
        "wait": span_in_words(round(first - minutes, 1)),
    }
    code: str = status
    if status == "early" and drops_at is not None:
        code = "early_between"
        values["from"], values["until"] = (f"{drops_at + timedelta(minutes=age):%H:%M}" for age in span)
    sentence = SAID[code].format(**values)
    return ReadingAgeRecord(
        minutes=minutes,
        status=status,
        source=source,
        range_minutes=span,
        sentence=sentence + note,
        drops_at=drops_at,
    )


def in_zone(age: ReadingAgeRecord, place: tzinfo | None) -> ReadingAgeRecord:
    """An age whose times of day are those of another zone; place : None is this machine's."""
    if age.drops_at is None or age.drops_at.tzinfo is None or age.range_minutes is None:
        return age
    drops = age.drops_at.astimezone(place)
    sentence = age.sentence
    if age.status == "early":
        before, after = (
            [f"{one + timedelta(minutes=limit):%H:%M}" for limit in age.range_minutes]
            for one in (age.drops_at, drops)
        )
        sentence = sentence.replace(" and ".join(before), " and ".join(after))
    return age.model_copy(update={"drops_at": drops, "sentence": sentence})


def _clock_doubt(captured_at: datetime | None, now: datetime, zone: Zone) -> str:
    """Why the capture time is not believed: it lies in the future, where the zone is only assumed anywhere on earth."""
    if captured_at is None or not _is_future(captured_at, now, zone):
        return ""
    return f"the photo's capture time, {_written(captured_at)}, lies in the future, so its clock is wrong"


def _is_future(moment: datetime, now: datetime, zone: Zone) -> bool:
    latest = now + CLOCK_SLACK
    if moment.tzinfo is not None:
        return moment > latest
    if zone.source == "machine":
        return moment > latest.astimezone(EASTERNMOST).replace(tzinfo=None)
    return zone.instants(moment)[0] > latest


def _written(moment: datetime) -> str:
    return f"{moment:%Y-%m-%d %H:%M}"


# ---------------------------------------------------------------------------------------------- expiry


def plate_expiry(
    stated: str | None,
    age: ReadingAgeRecord,
    *,
    captured_at: datetime | None = None,
    now: datetime,
    zone: Zone = MACHINE,
) -> ExpiryRecord | None:
    """Hold a plate's expiry against the latest day on which it is known to have been used; None if it is not stated.

    stated : a date or a month, as plates print it. age : gives the day of the drops; captured_at, now, zone : as for
    `reading_age`. A day that lies longer before the expiry than any plate is kept is that of a clock that was never
    set, and counts for nothing; where no day is left, today is taken.
    """
    if stated is None:
        return None
    believed = captured_at if captured_at is not None and not _clock_doubt(captured_at, now, zone) else None
    used = [moment.date() for moment in (age.drops_at, believed) if moment is not None]
    last = date.fromisoformat(stated if len(stated) > 7 else f"{stated}-01")
    days = [day for day in used if (last - day).days <= SHELF_LIFE_MAX_DAYS]
    day = max(days, default=now.date())
    expired = f"{day:%Y-%m-%d}"[: len(stated)] > stated
    when = EXPIRY["used_on" if days else "today_is"].format(day=f"{day:%Y-%m-%d}")
    until = EXPIRY["until_end_of" if len(stated) <= 7 else "until"].format(stated=stated)
    status: Literal["in_date", "expired", "implausible"] = "in_date"
    if expired:
        status = "expired"
    elif (last - day).days > SHELF_LIFE_MAX_DAYS:
        status = "implausible"
    sentence = EXPIRY[status].format(until=until, when=when, stated=stated)
    return ExpiryRecord(stated=stated, status=status, held_against=day.isoformat(), sentence=sentence)
