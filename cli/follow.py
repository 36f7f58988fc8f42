"""`linecall follow`: what follows a grade by the site's plan, and what became of it."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import click

from cli import show
from cli.options import Group, explained_by, known_name, moment, needed, opened
from cli.site import named_site
from cli.variables import OPERATOR_VARIABLE

if TYPE_CHECKING:
    from reader.round.follow_up import FollowUp
    from reader.round.record import Desk
    from reader.round.site import Site

CAUTION = "your local procedure and licensed practice come first; a plan of linecall's own is an example"


@click.group(cls=Group, short_help="What follows a grade: what is open, what was done, what was put off.")
def follow() -> None:
    """See and settle what follows a grade by the site's follow-up plan.

    A repeat is ended by its reading, by itself. A hold ends only by what the plan asks for. Your local procedure and
    licensed practice come first; no amount of anything that treats fuel is computed or named.
    """


@follow.command("list", shared=("logbook",), keys=("site",), limit=(50, 10_000))
@click.option("--point", metavar="ID", help="Only of this sample point.", **explained_by("linecall run list"))
@click.option(
    "--all",
    "everything",
    is_flag=True,
    help="Also those that have ended, as they were written down.",
    **explained_by("linecall run list"),
)
def list_follow_ups(
    point: str | None,
    everything: bool,
    limit: int,
    logbook: str | None,
    logbook_photos: str | None,
    site: str | None,
) -> None:
    """List follow-ups that are open, those due first at the top."""
    from reader.round.follow_up_record import follow_ups_of, open_follow_ups

    place = named_site()
    with opened(logbook, logbook_photos) as book:
        found = open_follow_ups(book, place, now=datetime.now(UTC))
        if everything:
            standing = {one.id for one in found}
            found += [one for one in follow_ups_of(book, site=place.name) if one.id not in standing]
    wanted = None if point is None else point.strip().lower()
    shown = [one for one in found if wanted in (None, one.asked.point.lower())]
    if not shown:
        click.echo("no follow-up is open" if not everything else "there are no follow-ups")
        return
    shown.sort(key=lambda one: (one.ended is not None, one.due_at))
    head = ("id", "due", "point", "what", "who", "reading", "state")
    for line in show.in_columns([head, *(_cells(place, one) for one in shown[:limit])]):
        click.echo(line)
    click.echo("")
    click.echo(CAUTION)


@follow.command("show", shared=("logbook",), keys=("site",))
@click.argument("id", metavar="ID|POINT/ACTION")
def show_follow_up(id: str, logbook: str | None, logbook_photos: str | None, site: str | None) -> None:
    """Show a follow-up: why it is asked for, what ends it, and who put it off or ended it, when and why."""
    from reader.round.follow_up_record import find_follow_up

    place = named_site()
    with opened(logbook, logbook_photos) as book:
        _tell(place, find_follow_up(book, place, id, now=datetime.now(UTC)))


@follow.command("done", shared=("logbook", "by", "reason"), keys=("site",))
@click.argument("id", metavar="ID|POINT/ACTION")
@click.option("--reading", metavar="ID", help="The reading that did it, where it does not end it by itself.")
def done(
    id: str,
    reading: str | None,
    logbook: str | None,
    logbook_photos: str | None,
    by: str | None,
    reason: str | None,
    site: str | None,
) -> None:
    """Note that a follow-up was done; --reason says how, or what it showed."""
    from reader.round import follow_up_record

    with _desk(logbook, logbook_photos, by) as desk:
        _tell(desk.site, follow_up_record.done(desk, id, reason=needed("--reason", reason), reading=reading))


@follow.command("defer", shared=("logbook", "by", "reason"), keys=("site",))
@click.argument("id", metavar="ID|POINT/ACTION")
@click.option("--until", required=True, metavar="TIME", callback=moment, help="Until when: a date and time.")
def defer(
    id: str,
    until: datetime,
    logbook: str | None,
    logbook_photos: str | None,
    by: str | None,
    reason: str | None,
    site: str | None,
) -> None:
    """Put a follow-up off until another time; a hold is never put off."""
    from reader.round import follow_up_record

    with _desk(logbook, logbook_photos, by) as desk:
        _tell(desk.site, follow_up_record.defer(desk, id, until=until, reason=needed("--reason", reason)))


@contextmanager
def _desk(logbook: str | None, logbook_photos: str | None, by: str | None) -> "Iterator[Desk]":
    from reader.round.record import Desk

    place = named_site()
    by = needed("--by", by or os.environ.get(OPERATOR_VARIABLE))
    with opened(logbook, logbook_photos, read_only=False) as book:
        who = known_name(book, by, "technician")
        yield Desk(logbook=book, site=place, by=who, now=datetime.now(UTC).astimezone())


def _cells(site: "Site", one: "FollowUp") -> tuple[str, ...]:
    due = one.due_at.astimezone(site.place.place)
    state: str = one.ended or ("holds" if one.is_hold else "open")
    if one.repeat is not None:
        state += f", reading {one.repeat}"
    elif one.ended is None and one.deferrals:
        state += f", put off {len(one.deferrals)}x"
    return (
        one.id,
        f"{due:%Y-%m-%d %H:%M}",
        one.asked.point,
        one.asked.action,
        one.asked.owner,
        f"{one.asked.reading} {one.asked.grade}",
        state,
    )


def _tell(site: "Site", one: "FollowUp") -> None:
    from reader.round.follow_up import lines_of

    for line in lines_of(one, site.place.place):
        click.echo(show.printable(line))
