"""Who is known in a logbook: people become known, get roles and retire, each by an event of the chain.

Operators, reviewers, graders and trainees are the same people. A policy names roles; a name that is typed is settled
to the one person that it can be (reader.words.names), in the spelling in which they became known.

The payload of an event of kind `person`: `name`, `roles` (all that they have from then on), `retired`; with it, where
they were given, `apart_from` (people whose names are alike) and `reason`.
"""

import shlex
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from reader.errors import LinecallError
from reader.logbook.chains import DECIDING_ROLES
from reader.logbook.events import Event
from reader.logbook.store import Logbook, StaleHeadError
from reader.words import listed, shown
from reader.words.names import Role, check_one_script, checked_name, folded, may_be

KIND: Final = "person"
ATTEMPTS: Final = 50
"""Times that an event is tried while others write to the logbook."""


class UnknownPersonError(LinecallError):
    """A name that nobody known in the logbook has; `alike` are those whom it may stand for."""

    def __init__(self, name: str, alike: Sequence[str], role: Role, where: str) -> None:
        """Take the name as it was typed, in NFKC."""
        meant = (
            f", but {listed(alike)} {'is' if len(alike) == 1 else 'are'}: give the whole name"
            if alike
            else ""
        )
        apart = "".join(f' --apart-from "{other}"' for other in alike)
        super().__init__(
            f"{shown(name, quote='')} is not known in {where}{meant}; to make another person known: "
            f'linecall people add "{name}" --role {role}{apart} --logbook {shlex.quote(where)}'
        )
        self.name = name
        self.alike = tuple(alike)
        self.role = role


@dataclass(frozen=True, kw_only=True, slots=True)
class Person:
    """Somebody known: their name as it is written, their roles, since when; `retired_at` None: still at work.

    back_since : when they were last taken back after a retirement.
    """

    name: str
    roles: tuple[Role, ...]
    since: datetime
    retired_at: datetime | None = None
    back_since: datetime | None = None


def people_of(logbook: Logbook) -> tuple[Person, ...]:
    """Everybody who ever became known, in that order; those known on other devices alone come last.

    What this logbook's own chain says of somebody holds. A role by which people decide is given here, or it is not
    theirs here: whoever keeps a laptop could else make a reviewer of anybody.
    """
    found: dict[str, Person] = {}
    elsewhere: dict[str, dict[str | None, Person]] = {}
    for event in logbook.site_events(KIND, everywhere=True):
        payload = event.payload
        name = str(payload["name"])
        of_chain = {} if event.chain is None else elsewhere.setdefault(name, {})
        before = found.get(name) if event.chain is None else of_chain.get(event.chain)
        person = Person(
            name=name,
            roles=tuple(payload["roles"]),
            since=before.since if before else event.at,
            retired_at=event.at if payload["retired"] else None,
            back_since=_back_since(before, event),
        )
        if event.chain is None:
            found[name] = person
        else:
            of_chain[event.chain] = person
    others = (_from_elsewhere(list(known.values())) for name, known in elsewhere.items() if name not in found)
    return (*found.values(), *others)


def _from_elsewhere(known: Sequence[Person]) -> Person:
    """Somebody known on other devices alone, as each of these knows them."""
    roles = {role for one in known for role in one.roles if role not in DECIDING_ROLES}
    retired = [one.retired_at for one in known]
    return Person(
        name=known[0].name,
        roles=tuple(sorted(roles)) or ("technician",),
        since=min(one.since for one in known),
        retired_at=None if None in retired else max(at for at in retired if at is not None),
    )


def _back_since(before: Person | None, event: Event) -> datetime | None:
    if before is None:
        return None
    is_return = before.retired_at is not None and not event.payload["retired"]
    return event.at if is_return else before.back_since


def find_person(people: Iterable[Person], name: str) -> Person | None:
    """The one whom a name folds to."""
    wanted = folded(name)
    return next((person for person in people if folded(person.name) == wanted), None)


def settle(logbook: Logbook, name: str, *, role: Role) -> Person:
    """The known person whom a name stands for, whatever their roles; role : what they are needed as.

    Raises UnknownPersonError where nobody is, and LinecallError where a name cannot be one or its person has retired.
    """
    typed = checked_name(name)
    people = people_of(logbook)
    person = find_person(people, name)
    if person is None:
        alike = [other.name for other in people if other.retired_at is None and may_be(typed, other.name)]
        raise UnknownPersonError(typed, alike, role, logbook.name)
    if person.retired_at is not None:
        raise LinecallError(
            f"{person.name} has retired, {person.retired_at:%Y-%m-%d}; linecall people add takes them back"
        )
    return person


def begin_with(logbook: Logbook, name: str, *, role: Role, at: datetime) -> Person | None:
    """Make whoever begins a logbook its first known person; None where it holds an event already."""
    if logbook.head()[0]:
        return None
    return add_person(logbook, name, roles=[role], at=at)


def add_person(
    logbook: Logbook,
    name: str,
    *,
    roles: Sequence[Role],
    by: str | None = None,
    apart_from: Sequence[str] = (),
    at: datetime,
) -> Person:
    """Make somebody known, give somebody known more roles, or take somebody back who had retired.

    by : who does so, somebody known; None: they themselves. apart_from : names of those known whose name is like this
    one, but who are other people. Raises LinecallError where the name cannot be one or may be another's, or nothing
    would change.
    """
    typed = checked_name(name)
    for _ in range(ATTEMPTS):
        head = logbook.head()
        people = people_of(logbook)
        person = find_person(people, name)
        payload: dict[str, Any] = {"name": typed, "roles": _ordered(roles), "retired": False}
        if person is None:
            check_one_script(typed)
            payload |= _apart(typed, people, apart_from)
        else:
            payload |= {"name": person.name, "roles": _ordered((*person.roles, *roles))}
            if person.retired_at is None and set(roles) <= set(person.roles):
                raise LinecallError(
                    f"{person.name} is known in {logbook.name} already, as {listed(person.roles)}; nothing was changed"
                )
        who = payload["name"] if by is None else settle(logbook, by, role="technician").name
        if (added := _append(logbook, payload, by=who, at=at, head=head)) is not None:
            return next(one for one in people_of(logbook) if one.name == added.payload["name"])
    raise LinecallError(f"{logbook.name}: others keep writing to the logbook; nothing was changed, try again")


def names_like(people: Iterable[Person], name: str) -> list[str]:
    """Names of those known whose name may be the same person's as this one."""
    return [person.name for person in people if may_be(name, person.name)]


def _apart(name: str, people: Iterable[Person], apart_from: Sequence[str]) -> dict[str, Any]:
    """Whom a new name was said to be apart from. Raises LinecallError where one that is like it was not named."""
    said = {folded(checked_name(other)) for other in apart_from}
    alike = names_like(people, name)
    unsaid = [other for other in alike if folded(other) not in said]
    if unsaid:
        raise LinecallError(
            f"{shown(name, quote='')} may be {listed(unsaid)}, who is known; if this is another person, give "
            + " ".join(f'--apart-from "{other}"' for other in unsaid)
        )
    return {"apart_from": alike} if alike else {}


def retire(logbook: Logbook, name: str, *, by: str, reason: str, at: datetime) -> Person:
    """Let nobody read or decide under a name any more; what its person did stands. Raises LinecallError."""
    person, who = settle(logbook, name, role="technician"), settle(logbook, by, role="technician")
    if not reason.strip():
        raise LinecallError("a retirement needs a reason, but the reason is empty")
    payload = {"name": person.name, "roles": list(person.roles), "retired": True, "reason": reason.strip()}
    for _ in range(ATTEMPTS):
        if _append(logbook, payload, by=who.name, at=at, head=logbook.head()) is not None:
            return next(one for one in people_of(logbook) if one.name == person.name)
    raise LinecallError(f"{logbook.name}: others keep writing to the logbook; nothing was changed, try again")


def _append(
    logbook: Logbook, payload: dict[str, Any], *, by: str, at: datetime, head: tuple[int, str]
) -> Event | None:
    try:
        return logbook.append(KIND, payload, by=by, at=at, expect_head=head)
    except StaleHeadError:
        return None


def _ordered(roles: Sequence[Role]) -> list[str]:
    return sorted(set(roles))
