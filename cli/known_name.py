"""A person's name as it was typed, settled to somebody known in the logbook; on a terminal, by asking."""

import sys
from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING

import click

from cli import show

if TYPE_CHECKING:
    from reader.logbook import Logbook
    from reader.logbook.people import Person
    from reader.words.names import Role


def known_name(book: "Logbook", typed: str, role: "Role") -> str:
    """The name of the known person that was typed, as it is written; asks on a terminal about one not known.

    Raises LinecallError, which says what to do, where nobody can be asked or the answer is no.
    """
    from reader.logbook.people import UnknownPersonError, settle

    try:
        return settle(book, typed, role=role).name
    except UnknownPersonError as unknown:
        if not (sys.stdin.isatty() and sys.stderr.isatty()):
            raise
        person = _asked_about(book, unknown.name, unknown.alike, role)
        if person is None:
            raise
        return person.name


def _asked_about(book: "Logbook", name: str, alike: Sequence[str], role: "Role") -> "Person | None":
    from reader.logbook.people import add_person, settle

    click.echo(show.printable(f"{name} is not known in {book.name}."), err=True)
    for other in alike:
        if click.confirm(show.printable(f"Is it {other}?"), default=False, err=True):
            return settle(book, other, role=role)
    if not click.confirm(show.printable(f"Make {name} known, as {role}?"), default=False, err=True):
        return None
    return add_person(book, name, roles=[role], apart_from=alike, at=datetime.now().astimezone())
