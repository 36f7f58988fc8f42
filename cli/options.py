"""What several commands ask of an option's value; each is a click callback, or makes one."""

from collections.abc import Callable
from datetime import datetime, time
from pathlib import Path
from typing import TypeVar

import click

T = TypeVar("T")


def moment(ctx: click.Context, param: click.Parameter, value: str | None) -> datetime | None:
    """Parse a time; a date or an offset that is left out is never made up."""
    from reader.words.clock import parse_moment

    return None if value is None else _parsed(parse_moment, value)


def moment_or_clock(ctx: click.Context, param: click.Parameter, value: str | None) -> datetime | time | None:
    """Parse a time, or a time of day alone."""
    from reader.words.clock import parse_clock_or_moment

    return None if value is None else _parsed(parse_clock_or_moment, value)


def _parsed(parse: Callable[[str], T], value: str) -> T:
    from reader.errors import LinecallError

    try:
        return parse(value)
    except LinecallError as error:
        raise click.BadParameter(str(error)) from None


def ending_in(*suffixes: str) -> Callable[[click.Context, click.Parameter, Path | None], Path | None]:
    """Make a check of a file's name: it must end in one of these, such as `.html`."""

    def check(ctx: click.Context, param: click.Parameter, value: Path | None) -> Path | None:
        if value is not None and value.suffix.lower() not in suffixes:
            *others, last = suffixes
            raise click.BadParameter(f"{value} must end in {', '.join(others)}{' or ' * bool(others)}{last}")
        return value

    return check
