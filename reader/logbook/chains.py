"""The chains that a logbook holds: its own, and those of other logbooks that were merged into it.

A chain's id is the hash of its first event, so nobody can give another chain that id but by copying that event. The
chains of others are kept beside the own one as they were written. Where an event stands here is its *place*: the
chain's slot, drawn from its id, and its number; so places are the same in every logbook, and the own chain's, whose
slot is 0, are its numbers as ever. What its writer had before them, events of kind `merge` tell.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final, Self

from sqlalchemy import ColumnElement, Connection, Table, bindparam, func, inspect, or_, select

from reader.logbook.chain import Seal
from reader.logbook.events import NUMBER_BITS, NUMBER_MAX, Event, load_event
from reader.logbook.run_events import CORRECTION as RUN_CORRECTION
from reader.logbook.run_events import RUN
from reader.logbook.tables import called, chains, events, others, readings, seen, takeovers
from reader.store.database import BATCH_SIZE
from reader.words.names import folded

SLOTS: Final = 1 << 20  # a place has 52 bits, which every program keeps whole
PERSON: Final = "person"
TANK: Final = "tank"
SAMPLE_POINT: Final = "sample point"
POINT: Final = "point"
"""Kinds of names: of people, of what is stated about a reading, and ids of a site's points."""
DECIDING_ROLES: Final = frozenset({"reviewer", "trainer", "keeper"})
"""Of these one must have been given here for somebody's decisions on another device to count here."""


def place_of(slot: int, number: int) -> int:
    """Where an event stands: its chain's slot and its number in it."""
    return slot << NUMBER_BITS | number


@dataclass(frozen=True, kw_only=True, slots=True)
class ChainHead:
    """A chain as far as it is held: its last event's number and hash, and who began it when."""

    id: str
    seq: int
    hash: str
    begun_by: str = ""
    begun_at: datetime | None = None

    def seal(self, *, at: datetime) -> Seal:
        """It, to be kept where whoever could change the logbook cannot."""
        return Seal(seq=self.seq, hash=self.hash, at=at)

    def __str__(self) -> str:
        """Such as `chain 1a2b3c4d (begun by A. Lind, 2026-05-04)`."""
        begun = f" (begun by {self.begun_by}, {self.begun_at:%Y-%m-%d})" if self.begun_at else ""
        return f"chain {short(self.id)}{begun}"


def short(chain: str) -> str:
    """As much of a chain's id as people read out."""
    return chain[:8]


def has_chains(connection: Connection) -> bool:
    """Whether another logbook was ever merged into this one."""
    return inspect(connection).has_table(chains.name)


def event_tables(connection: Connection) -> tuple[Table, ...]:
    """The tables that hold events, the own chain's first."""
    return (events, others) if has_chains(connection) else (events,)


def own_id(connection: Connection) -> str | None:
    """Id of the own chain; None while it is empty."""
    return connection.scalar(select(events.c.hash).where(events.c.seq == 1))


class Sight:
    """What each writer had before them."""

    def __init__(self, merges: Iterable[tuple[int, int, int, int]]) -> None:
        """Take (chain's slot, number of its event `merge`, other chain's slot, number up to which it was taken in)."""
        self._until: dict[tuple[int, int], list[tuple[int, int]]] = {}
        for chain, seq, other, until in merges:
            self._until.setdefault((chain, other), []).append((seq, until))

    def sees(self, event: Event, other: Event) -> bool:
        """Whether the other event lay before the writer of an event."""
        if event.slot == other.slot:
            return other.seq < event.seq
        taken = self._until.get((event.slot, other.slot), ())
        return any(seq < event.number and other.number <= until for seq, until in taken)

    def in_order(self, told: Iterable[Event]) -> list[Event]:
        """Events about one thing, cause before effect; where neither saw the other, by time, then chain."""
        waiting = sorted(told, key=lambda event: (event.at, event.chain or "", event.seq))
        order: list[Event] = []
        while waiting:
            first = next(
                (
                    one
                    for one in waiting
                    if not any(self.sees(one, other) for other in waiting if other is not one)
                ),
                waiting[0],
            )
            waiting.remove(first)
            order.append(first)
        return order


class Chains:
    """The chains of others in a logbook, as of one transaction."""

    def __init__(self, connection: Connection) -> None:
        """Read which there are, and what this logbook calls their people and places."""
        self._connection = connection
        self.heads: dict[int, ChainHead] = {}
        for row in connection.execute(select(chains).order_by(chains.c.id)):
            self.heads[row.slot] = ChainHead(
                id=row.id,
                seq=row.seq,
                hash=row.hash,
                begun_by=row.begun_by,
                begun_at=datetime.fromisoformat(row.begun_at),
            )
        self.slots = {head.id: slot for slot, head in self.heads.items()}
        self._called = {
            (row.chain, row.kind, row.there): row.here for row in connection.execute(select(called))
        }
        self._deciders: dict[str, datetime | None] | None = None

    @classmethod
    def of(cls, connection: Connection) -> Self | None:
        """Those of a logbook; None of one into which none was ever merged."""
        return cls(connection) if has_chains(connection) else None

    def event(self, seq: int, digest: str, body: str) -> Event:
        """Event of a stored row, told by this logbook's names. Raises LinecallError where it was changed."""
        slot = seq >> NUMBER_BITS
        if not slot:
            return load_event(seq, digest, body)
        head = self.heads[slot]
        event = load_event(seq & NUMBER_MAX, digest, body, of=f"chain {short(head.id)}")
        said = {"by": self.name(slot, PERSON, event.by), "payload": self._payload(slot, event)}
        return event.of_chain(head.id, slot, **said)

    def name(self, slot: int, kind: str, there: str) -> str:
        """What this logbook calls somebody or something of a chain."""
        return str(self._called.get((slot, kind, there), there))

    def _payload(self, slot: int, event: Event) -> dict[str, Any]:
        payload = event.payload
        if event.kind == "person":
            return payload | {"name": self.name(slot, PERSON, payload["name"])}
        if event.kind == RUN_CORRECTION:
            return payload | {"event": place_of(slot, payload["event"])}
        if event.kind == "reading":
            return payload | {"statement": self._renamed(slot, payload["statement"])}
        if event.kind == "correction":
            field = payload["field"]
            values = {key: self._renamed(slot, {field: payload[key]})[field] for key in ("was", "value")}
            return payload | values
        if event.kind == RUN or "point" in payload:
            return self._renamed(slot, payload)
        return payload

    def _renamed(self, slot: int, said: Mapping[str, Any]) -> dict[str, Any]:
        changed = dict(said)
        for field, kind in NAMED.items():
            there = changed.get(field)
            if isinstance(there, str):
                changed[field] = self.name(slot, kind, there)
        return changed

    def sight(self, slots: Iterable[int]) -> Sight:
        """What the writers of some chains had before them."""
        inside = tuple(slots)
        if len(inside) < 2:
            return Sight(())
        query = select(seen.c.chain, seen.c.seq, seen.c.other, seen.c.until)
        query = query.where(seen.c.chain.in_(inside), seen.c.other.in_(inside))
        return Sight(tuple(row) for row in self._connection.execute(query))

    def whose(self, event: Event) -> str:
        """Who wrote an event, and with which chain it came."""
        return f"{event.by} ({'this logbook' if event.chain is None else f'chain {short(event.chain)}'})"

    def may_decide(self, event: Event, *, by_itself: bool = False) -> bool:
        """Whether everybody whose decisions a review rests on may decide by roles that were given here.

        by_itself : it was no person's decision, but may rest on earlier ones.
        """
        if event.chain is None:
            return True
        record = event.payload.get("verdict", {}).get("review") or {}
        readers = [self.name(event.slot, PERSON, str(one)) for one in record.get("readers", ())]
        people = readers if by_itself else (event.by, *readers)
        return all(self._decides(one, event.at) for one in people)

    def _decides(self, name: str, at: datetime) -> bool:
        if self._deciders is None:
            self._deciders = dict(_deciders(self._connection))
        who = folded(name)
        if who not in self._deciders:
            return False
        until = self._deciders[who]
        return until is None or at < until

    def takers(self, reading: str) -> list[Event]:
        """First events of readings that say they take a reading's place."""
        ids = self._connection.scalars(_TAKERS, {"reading": reading}).all()
        return [event for id in ids for event in self._found("id", id) if event.kind == "reading"]

    def history(self, reading: str, last: int | None = None) -> list[Event]:
        """All events about a reading, run or follow-up, cause before effect.

        last : number in the own chain up to which it is told, with what had been merged by then.
        """
        told = list(self._found("reading", reading))
        if last is not None:
            held = self.held_at(last)
            told = [event for event in told if event.number <= held.get(event.slot, 0)]
        slots = {event.slot for event in told}
        return told if len(slots) < 2 else self.sight(slots).in_order(told)

    def held_at(self, last: int) -> dict[int, int]:
        """Up to which number each chain was held when the own one ended at `last`, by slot."""
        query = select(seen.c.other, func.max(seen.c.until)).where(seen.c.chain == 0, seen.c.seq <= last)
        found = self._connection.execute(query.group_by(seen.c.other)).all()
        return {0: last, **{int(slot): int(until) for slot, until in found}}

    def heads_at(self, last: int) -> tuple[ChainHead, ...]:
        """The chains as far as they were held when the own one ended at `last`."""
        held = self.held_at(last)
        found = []
        for slot, head in self.heads.items():
            if slot in held:
                place = place_of(slot, held[slot])
                digest = self._connection.scalar(select(others.c.hash).where(others.c.seq == place))
                found.append(replace(head, seq=held[slot], hash=digest or ""))
        return tuple(found)

    def matched(self, chain: str) -> set[tuple[str, str]]:
        """(kind, name) of what a keeper has said of a chain's names."""
        slot = self.slots.get(chain)
        return {(kind, there) for at, kind, there in self._called if at == slot}

    def firsts(self, *, likely: Sequence[ColumnElement[bool]], photos: Sequence[str]) -> list[Event]:
        """First events of readings whose rows are like that, or that name one of some photos; chain by chain."""
        found = []
        for table in (events, others):
            of_photo = [table.c.body.contains(f'"sha256":"{photo}"') for photo in photos]
            query = select(table.c.seq, table.c.hash, table.c.body)
            query = query.join_from(readings, table, table.c.seq == readings.c.seq).where(
                or_(*of_photo, *likely)
            )
            found += [self.event(*row) for row in self._connection.execute(query.order_by(table.c.seq))]
        return found

    def _found(self, column: str, value: str) -> Iterator[Event]:
        for query in _BY[column]:
            yield from (self.event(*row) for row in self._connection.execute(query, {"value": value}).all())


_BY: Final = {
    column: [
        select(table.c.seq, table.c.hash, table.c.body)
        .where(table.c[column] == bindparam("value"))
        .order_by(table.c.seq)
        for table in (events, others)
    ]
    for column in ("id", "reading")
}
_TAKERS: Final = select(takeovers.c.by).where(takeovers.c.reading == bindparam("reading"))


NAMED: Final = {
    "operator": PERSON, "owner": PERSON, "tank": TANK, "sample_point": SAMPLE_POINT, "point": POINT,
}  # fmt: skip
"""Fields that hold names, and of what kind."""


def _deciders(connection: Connection) -> Iterator[tuple[str, datetime | None]]:
    """Whom this logbook's own chain gave a role by which they may decide, folded; and when they retired."""
    for event in site_events(connection, "person"):
        if DECIDING_ROLES & set(event.payload["roles"]):
            yield folded(event.payload["name"]), event.at if event.payload["retired"] else None


def site_events(connection: Connection, kind: str, *, everywhere: bool = False) -> list[Event]:
    """Events of a kind that are about no reading, in order: of the own chain, or of every chain."""
    of_kind = f'"kind":"{kind}"'
    query = select(events.c.seq, events.c.hash, events.c.body).where(events.c.reading.is_(None))
    own = (row for row in connection.execute(query.order_by(events.c.seq)) if of_kind in row.body)
    found = [load_event(*row) for row in own]
    if everywhere and (known := Chains.of(connection)) is not None:
        query = select(others.c.seq, others.c.hash, others.c.body).where(
            others.c.kind == kind, others.c.reading.is_(None)
        )
        found += [known.event(*row) for row in connection.execute(query.order_by(others.c.seq))]
    return [event for event in found if event.kind == kind]


def every_body(connection: Connection, after: int = 0) -> Iterator[tuple[int, str, str]]:
    """(place, hash, body) of all events after a place, chain by chain, the own one first."""
    for table in event_tables(connection):
        query = (
            select(table.c.seq, table.c.hash, table.c.body).where(table.c.seq > after).order_by(table.c.seq)
        )
        with connection.execute(query.execution_options(yield_per=BATCH_SIZE)) as found:
            yield from (tuple(row) for row in found)


def free_slot(taken: Mapping[int, object], id: str) -> int:
    """The slot that a chain's id asks for, or the next that is free."""
    slot = int(id[:5], 16) % SLOTS
    while slot == 0 or slot in taken:
        slot = (slot + 1) % SLOTS
    return slot
