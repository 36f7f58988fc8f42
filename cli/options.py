"""What several commands ask of an option's value; each is a click callback, or makes one."""

import re
from collections.abc import Callable
from datetime import datetime, time
from pathlib import Path

import click

# RFC 3339, with an offset from UTC or, like a camera's clock, without
_MOMENT = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d+)?)?( ?(Z|[+-]\d\d:\d\d))?", re.ASCII)
_CLOCK = re.compile(r"\d\d:\d\d", re.ASCII)


def moment(ctx: click.Context, param: click.Parameter, value: str | None) -> datetime | None:
    """Parse a time; a date or an offset that is left out is never made up."""
    if value is None:
        return None
    text = value.strip().upper()
    try:
        if _MOMENT.fullmatch(text):
            return datetime.fromisoformat(text[:11] + text[11:].replace(" ", ""))
    except ValueError:
        pass
    raise click.BadParameter(f"{value!r} is no time; write date and time, such as 2026-05-04T09:08+02:00")


def moment_or_clock(ctx: click.Context, param: click.Parameter, value: str | None) -> datetime | time | None:
    """Parse a time, or a time of day alone."""
    if value is None or not _CLOCK.fullmatch(value.strip()):
        return moment(ctx, param, value)
    try:
        return time.fromisoformat(value.strip())
    except ValueError:
        raise click.BadParameter(f"{value!r} is no time of day; write it such as 07:36") from None


def ending_in(*suffixes: str) -> Callable[[click.Context, click.Parameter, Path | None], Path | None]:
    """Make a check of a file's name: it must end in one of these, such as `.html`."""

    def check(ctx: click.Context, param: click.Parameter, value: Path | None) -> Path | None:
        if value is not None and value.suffix.lower() not in suffixes:
            *others, last = suffixes
            raise click.BadParameter(f"{value} must end in {', '.join(others)}{' or ' * bool(others)}{last}")
        return value

    return check
