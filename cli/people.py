"""`linecall people`: who is known in a logbook, and in what roles."""

from datetime import datetime
from typing import TYPE_CHECKING

import click

from cli import show
from cli.options import Group, needed, opened

if TYPE_CHECKING:
    from reader.words.names import Role

ROLES = ("technician", "reviewer", "grader", "trainee")
USUAL: "Role" = "technician"


@click.group(cls=Group, short_help="Say who is known in the logbook, and in what roles.")
def people() -> None:
    """Say who is known in the logbook, and in what roles.

    A reading or a decision needs the name of somebody known, so that nobody decides on a reading of their own by
    writing their name otherwise. Policies say which roles may review. Whoever begins a logbook is known in it.
    """


@people.command("add", shared=("logbook", "by"))
@click.argument("name")
@click.option(
    "--role",
    "roles",
    type=click.Choice(ROLES),
    multiple=True,
    help=f"What they do here; may be given again.  [default: {USUAL}]",
)
@click.option(
    "--apart-from",
    metavar="NAME",
    multiple=True,
    help="Somebody known with a name that is like this one, who is another person; may be given again.",
)
def add(
    name: str,
    logbook: str | None,
    logbook_photos: str | None,
    roles: "tuple[Role, ...]",
    by: str | None,
    apart_from: tuple[str, ...],
) -> None:
    """Make somebody known, give somebody known another role, or take somebody back who has retired.

    --by says who makes them known, if not they themselves.
    """
    from reader.logbook.people import add_person

    with opened(logbook, logbook_photos, read_only=False) as book:
        person = add_person(
            book, name, roles=roles or [USUAL], by=by, apart_from=apart_from, at=datetime.now().astimezone()
        )
    click.echo(show.printable(f"{person.name}   {', '.join(person.roles)}"))


@people.command("list", shared=("logbook",))
def list_people(logbook: str | None, logbook_photos: str | None) -> None:
    """List everybody who ever became known, in that order."""
    from reader.logbook.people import people_of

    with opened(logbook, logbook_photos) as book:
        found = people_of(book)
    if not found:
        click.echo('nobody is known; linecall people add "NAME" makes somebody known')
        return
    head = ("name", "roles", "known since", "")
    rows = [
        (
            one.name,
            ", ".join(one.roles),
            f"{one.since:%Y-%m-%d}",
            f"retired {one.retired_at:%Y-%m-%d}" if one.retired_at else "",
        )
        for one in found
    ]
    click.echo("\n".join(show.in_columns([head, *rows])))


@people.command("retire", shared=("logbook", "by", "reason"))
@click.argument("name")
def retire(
    name: str, logbook: str | None, logbook_photos: str | None, by: str | None, reason: str | None
) -> None:
    """Let nobody read or decide under a name any more; what its person did stands.

    Say who says so, somebody known, with --by, and why with --reason, such as left in May.
    """
    from reader.logbook import people as known

    by, reason = needed("--by", by), needed("--reason", reason)

    with opened(logbook, logbook_photos, read_only=False) as book:
        person = known.retire(book, name, by=by, reason=reason, at=datetime.now().astimezone())
    click.echo(show.printable(f"{person.name}   retired"))
