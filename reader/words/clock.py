"""Clocks: in which zone a time without an offset is read, and which instants it may stand for."""

import os
import re
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, timezone, tzinfo
from typing import Final, Literal

from reader.errors import LinecallError

_MOMENT = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d+)?)?( ?(Z|[+-]\d\d:\d\d))?", re.ASCII)
_CLOCK = re.compile(r"(\d{1,2}):(\d\d)(?::00)?", re.ASCII)  # spreadsheets make 7:36 or 07:36:00 of it
_OFFSET = re.compile(r"(?:UTC)?([+-])(\d\d):(\d\d)", re.ASCII)
OFFSET_MAX: Final = timedelta(hours=14)  # the largest offset from UTC in use (IANA time zone data)

NO_PLACES: Final = frozenset(
    {"localtime", "posixrules", "Factory"}
)  # names in zone data that differ by machine

SPANS: Final[dict[str, str]] = {
    "minutes": "{minutes} min",
    "hours": "{hours} h",
    "hours_and_minutes": "{hours} h {minutes} min",
    "days": "{n} days",
}
"""Spans of time in words, by code."""

ZoneSource = Literal["option", "rules", "site", "machine"]
"""Who says in which zone a time without an offset is read."""
_WHOSE: Final = {"option": "--zone says", "rules": "the rules say", "site": "the site says"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Zone:
    """The zone of a camera that writes no offset. `place` is None for this machine's own."""

    name: str
    source: ZoneSource
    place: tzinfo | None

    def instants(self, wall: datetime) -> tuple[datetime, ...]:
        """Every instant that a time without an offset may stand for: two where the clocks change, else one."""
        both = [self._instant(wall.replace(fold=fold)) for fold in (0, 1)]
        return tuple(both[: 1 + (both[0].utcoffset() != both[1].utcoffset())])

    def _instant(self, wall: datetime) -> datetime:
        if self.place is None:
            try:
                return wall.astimezone()
            except (OverflowError, OSError, ValueError):  # no such year in this machine's clock
                return wall.replace(tzinfo=UTC)
        offset = wall.replace(tzinfo=self.place).utcoffset()
        assert offset is not None, "a zone has an offset at any time"
        return wall.replace(tzinfo=timezone(offset))

    def in_words(self, instant: datetime) -> str:
        """The zone as a sentence names it, with its offset at an instant."""
        offset = utc_offset(instant)
        if self.source == "machine":
            return f"{offset}, the zone of this machine"
        named = "" if self.name == offset else f" ({offset})"
        return f"{self.name}{named}, as {_WHOSE[self.source]}"


MACHINE: Final = Zone(name="this machine's", source="machine", place=None)


def load_zone(text: str, source: ZoneSource) -> Zone:
    """A zone by its IANA name or its offset, such as Europe/Lisbon or +02:00. Raises LinecallError."""
    found = _OFFSET.fullmatch(text.strip())
    if found is not None:
        sign, hours, minutes = found.groups()
        offset = timedelta(hours=int(hours), minutes=int(minutes)) * (1 if sign == "+" else -1)
        if abs(offset) <= OFFSET_MAX and int(minutes) < 60:
            return Zone(name=f"UTC{text.strip().removeprefix('UTC')}", source=source, place=timezone(offset))
    else:
        from zoneinfo import ZoneInfo

        name = text.strip()
        try:
            if name not in NO_PLACES:
                return Zone(name=name, source=source, place=ZoneInfo(name))
        except (ValueError, OSError, KeyError):
            pass
    raise LinecallError(
        f"{text[:60]!r} is no zone; write its name or its offset from UTC, such as Europe/Lisbon or +02:00"
    )


def machine_zone() -> str:
    """IANA name of this machine's zone, as far as it can be told; UTC where it cannot."""
    named = os.environ.get("TZ", "").removeprefix(":")
    linked = os.path.realpath("/etc/localtime").partition("zoneinfo/")[2]
    for name in (named, linked):
        try:
            if name:
                return load_zone(name, "machine").name
        except LinecallError:
            continue
    return "UTC"


def utc_offset(instant: datetime) -> str:
    """The offset of a time that has one: UTC+02:00."""
    return f"UTC{instant.isoformat(timespec='minutes')[-6:]}"


def parse_moment(text: str) -> datetime:
    """A date and time as people write it, with an offset or without. Raises LinecallError.

    RFC 3339; like a camera's clock, it may lack the offset. A date or an offset that is left out is never made up.
    """
    written = text.strip().upper()
    try:
        if _MOMENT.fullmatch(written):
            return datetime.fromisoformat(written[:11] + written[11:].replace(" ", ""))
    except ValueError:
        pass
    raise _no_time(text, "2026-05-04T09:08+02:00")


def parse_clock_or_moment(text: str) -> datetime | time:
    """A date and time, or a time of day alone. Raises LinecallError."""
    found = _CLOCK.fullmatch(text.strip())
    if found is None:
        try:
            return parse_moment(text)
        except LinecallError:
            raise _no_time(text, "09:08 or 2026-05-04T09:08+02:00") from None
    try:
        return time(int(found[1]), int(found[2]))
    except ValueError:
        raise LinecallError(f"{text!r} is no time of day; write it such as 07:36") from None


def _no_time(text: str, example: str) -> LinecallError:
    return LinecallError(f"{text[:60]!r} is no time; write it such as {example}")


def last_before(clock: time, moment: datetime) -> datetime:
    """The last time that a clock showed a time of day before a moment, on that moment's own clock."""
    on_the_day = datetime.combine(moment.date(), clock, tzinfo=moment.tzinfo)
    return on_the_day if on_the_day <= moment else on_the_day - timedelta(days=1)


def span_in_words(minutes: float) -> str:
    """A span of time as people say it: 17 min, 17.5 min, 24 h 20 min, 115 days."""
    if minutes < 100:
        return SPANS["minutes"].format(minutes=f"{round(minutes, 1):g}")
    hours, rest = divmod(int(minutes), 60)
    if hours < 48:
        return SPANS["hours_and_minutes" if rest else "hours"].format(hours=hours, minutes=rest)
    return SPANS["days"].format(n=round(hours / 24))
