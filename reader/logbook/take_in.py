"""Events of other chains are taken into a logbook, in one transaction: all of them, or none.

Nothing of what comes in is believed: each event is held against the hash of the one before it, its form, the clock, and
what the chain's own merges say they had; what does not hold is refused by name.
"""

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import Connection, Table, func, insert, select, update

from reader.errors import LinecallError
from reader.files.damage import UNFIT, found
from reader.logbook.chain import Chain, ChainBrokenError
from reader.logbook.chains import ChainHead, Chains, free_slot, own_id, place_of, short
from reader.logbook.events import MERGE, NUMBER_MAX, Event, load_event
from reader.logbook.rows import BEGINS, begin_chains, make_rows, note_merge, note_takeovers
from reader.logbook.tables import chains, events, others, takeovers
from reader.store.database import BATCH_SIZE
from reader.verdict.model import load_verdict

AHEAD: Final = timedelta(days=1)
"""What an event may lie after this computer's clock: more than any slip of a time zone."""
DECISION: Final = frozenset({"window", "mark", "call", "reason", "blind"})
"""Fields of a reviewer's decision."""
TELL_EVERY: Final = 100  # events between two calls of `progress`


@dataclass(frozen=True, kw_only=True, slots=True)
class Incoming:
    """A chain as far as it comes in: its head then, the number and hash of the last event held here, and the rest."""

    head: ChainHead
    since: int
    previous: str
    bodies: Callable[[], Iterator[tuple[str, str]]]


@dataclass(frozen=True, kw_only=True, slots=True)
class Taken:
    """A chain that has grown here by the places after `since` up to `until`."""

    id: str
    slot: int
    since: int
    until: int

    def inside(self, table: Table = others) -> Any:
        """What chooses its new events."""
        return table.c.seq.between(self.since + 1, self.until)


def take_in(
    connection: Connection,
    incoming: Sequence[Incoming],
    *,
    now: datetime | None = None,
    progress: Callable[[int], None] | None = None,
) -> tuple[Taken, ...]:
    """Take in the events of chains; `make_all_rows` follows once the logbook's own event about it stands.

    now : events may not lie after it; None where they were held against the clock before. Raises LinecallError where
    anything does not hold; the transaction is to be rolled back then.
    """
    begin_chains(connection)
    taken = tuple(_take_chain(connection, one, now, progress) for one in incoming)
    for one in taken:
        _check_merges(connection, one)
    for one in taken:
        _check_ids(connection, one)
        _check_beginnings(connection, one)
    return taken


def _take_chain(
    connection: Connection, one: Incoming, now: datetime | None, progress: Callable[[int], None] | None
) -> Taken:
    known = Chains(connection)
    slot = known.slots.get(one.head.id)
    slot = free_slot(known.heads, one.head.id) if slot is None else slot
    chain = Chain(after=(one.since, one.previous))
    name = f"chain {short(one.head.id)}"
    pending: list[dict[str, Any]] = []
    begun: Event | None = None
    try:
        for digest, body in one.bodies():
            if chain.seq == one.head.seq:
                break
            with held_against(name):
                event = _checked(chain, digest, body, now, name)
            if event.seq == 1 and digest != one.head.id:
                raise LinecallError(f"{name}: its first event is not the one that it is named by")
            begun = event if event.seq == 1 else begun
            pending.append(
                {
                    "seq": place_of(slot, event.seq), "id": event.id, "reading": event.reading, "kind": event.kind,
                    "by": event.by, "hash": digest, "body": body,
                }
            )  # fmt: skip
            if len(pending) == BATCH_SIZE:
                connection.execute(insert(others), pending)
                pending = []
            if progress is not None and event.seq % TELL_EVERY == 0:
                progress(event.seq)
        chain.finish()
    except ChainBrokenError as broken:
        raise LinecallError(f"{name}: {broken.problem}") from None
    if pending:
        connection.execute(insert(others), pending)
    if (chain.seq, chain.head) != (one.head.seq, one.head.hash):
        raise LinecallError(
            f"{name}: ends at event {chain.seq}, not at event {one.head.seq}, which was looked at first"
        )
    row: dict[str, Any] = {"seq": chain.seq, "hash": chain.head}
    if begun is None:
        connection.execute(update(chains).where(chains.c.slot == slot).values(row))
    else:
        at = begun.at.isoformat(timespec="seconds")
        connection.execute(
            insert(chains).values(slot=slot, id=one.head.id, begun_by=begun.by, begun_at=at, **row)
        )
    return Taken(id=one.head.id, slot=slot, since=place_of(slot, one.since), until=place_of(slot, chain.seq))


@contextmanager
def held_against(name: str) -> Iterator[None]:
    """Take apart what came in with a chain; what that raises is a LinecallError about it."""
    try:
        yield
    except (*UNFIT, LinecallError) as error:
        said = str(error) if isinstance(error, LinecallError) else found(error)
        raise LinecallError(said if said.startswith(name) else f"{name}: {said}") from error


def _checked(chain: Chain, digest: str, body: str, now: datetime | None, name: str) -> Event:
    """The next event of a chain, in its own words. Raises ChainBrokenError or LinecallError."""
    number = chain.seq + 1
    if number > NUMBER_MAX:
        raise LinecallError(f"{name}: has more than {NUMBER_MAX} events")
    event = load_event(number, digest, body, of=name)
    chain.follow(number, event.id, event.reading, digest, body.encode("utf-8"))
    if now is not None and event.at > now + AHEAD:
        raise LinecallError(
            f"{name}: event {number} is of {event.at:%Y-%m-%d %H:%M}, later than this computer's clock; see which of "
            "the two clocks is wrong, and merge when that time has come"
        )
    if event.kind in {"reading", "review"}:
        _check_verdicts(event, f"{name}: event {number}")
    return event


def _check_verdicts(event: Event, name: str) -> None:
    """See that the verdicts of a reading or review are whole, and that lists will show their grade."""
    payload = event.payload
    with held_against(name):
        for made in payload.get("decisions", ()):
            if set(made) != DECISION or not all(
                isinstance(made[field], str) for field in DECISION - {"blind"}
            ):
                raise ValueError("it holds no whole decision")
        for verdict in (payload[field] for field in ("verdict", "base") if payload.get(field) is not None):
            load_verdict(json.dumps(verdict).encode("utf-8"))
        if payload.get("verdict") is not None:
            said, read = payload.get("summary") or {}, payload["verdict"]
            if (said.get("grade"), said.get("status")) != (read.get("grade"), read.get("status")):
                raise ValueError(
                    f"it says {said.get('grade')} for lists, but its verdict is {read.get('grade')}"
                )


def _check_merges(connection: Connection, one: Taken) -> None:
    """Note what a chain's own merges had taken in; all of it must be here, and be the same."""
    known = Chains(connection)
    own = own_id(connection)
    query = select(others.c.seq, others.c.hash, others.c.body).where(one.inside(), others.c.kind == MERGE)
    for row in connection.execute(query.order_by(others.c.seq)).all():
        event = known.event(*row)
        for head in event.payload["chains"]:
            slot = 0 if head["chain"] == own else known.slots.get(head["chain"])
            table, place = (events, head["seq"]) if slot == 0 else (others, place_of(slot or 0, head["seq"]))
            here = (
                None if slot is None else connection.scalar(select(table.c.hash).where(table.c.seq == place))
            )
            if here != head["hash"]:
                what = "which is not here" if here is None else "which is another one here"
                raise LinecallError(
                    f"chain {short(one.id)}: its event {event.number} had taken in event {head['seq']} of chain "
                    f"{short(head['chain'])}, {what}"
                )
        note_merge(connection, event, known)


def _check_ids(connection: Connection, one: Taken) -> None:
    """See that no event has the id of another one of its chain, and none begins what another one has begun."""
    whole = others.c.seq.between(place_of(one.slot, 1), one.until)
    twice = select(others.c.id).where(whole).group_by(others.c.id).having(func.count() > 1)
    double = connection.scalar(twice.limit(1))
    if double is not None:
        raise LinecallError(f"chain {short(one.id)}: two of its events have the id {double}")
    other = others.alias("other")
    begins = (one.inside(), others.c.kind.in_(BEGINS))
    queries = (
        select(others.c.seq, others.c.id).join(
            events, (events.c.id == others.c.id) & (events.c.reading == events.c.id)
        ),
        select(others.c.seq, others.c.id)
        .join(other, other.c.id == others.c.id)
        .where(other.c.seq != others.c.seq, other.c.kind.in_(BEGINS)),
    )
    for query in queries:
        clash = connection.execute(query.where(*begins).limit(1)).first()
        if clash is not None:
            raise LinecallError(
                f"chain {short(one.id)}: event {clash.seq & NUMBER_MAX} has the id {clash.id}, which an event of "
                "another chain has already; ids are drawn, so one of the two was copied or forged"
            )


def _check_beginnings(connection: Connection, one: Taken) -> None:
    """See that whatever an event is about was begun in some chain here."""
    other = others.alias("other")
    begun = select(events.c.id).where(events.c.id == others.c.reading).exists()
    begun_there = select(other.c.id).where(other.c.id == others.c.reading, other.c.kind.in_(BEGINS)).exists()
    query = select(others.c.seq, others.c.reading).where(
        one.inside(), others.c.reading.is_not(None), ~begun, ~begun_there
    )
    lost = connection.execute(query.limit(1)).first()
    if lost is not None:
        raise LinecallError(
            f"chain {short(one.id)}: event {lost.seq & NUMBER_MAX} is about {lost.reading}, which no event here began"
        )


def make_all_rows(connection: Connection, taken: Iterable[Taken]) -> None:
    """Make the rows of whatever the new events are about. Raises LinecallError as `take_in` does."""
    known = Chains(connection)
    for one in taken:
        query = select(others.c.seq, others.c.hash, others.c.body)
        query = query.where(one.inside(), others.c.kind == "reading", others.c.body.contains('"supersedes":'))
        with connection.execute(
            query.order_by(others.c.seq).execution_options(yield_per=BATCH_SIZE)
        ) as replacing:
            for row in replacing:
                note_takeovers(connection, known.event(*row))
    for one in taken:
        about = select(others.c.reading).where(one.inside(), others.c.reading.is_not(None)).distinct()
        by = select(others.c.id).where(one.inside(), others.c.kind == "reading")
        begun = select(events.c.id).where(events.c.id == takeovers.c.reading).exists()
        begun_there = (
            select(others.c.id).where(others.c.id == takeovers.c.reading, others.c.kind == "reading").exists()
        )
        replaced = select(takeovers.c.reading).where(takeovers.c.by.in_(by), begun | begun_there).distinct()
        for query in (about, replaced):
            with connection.execute(query.execution_options(yield_per=BATCH_SIZE)) as ids:
                for some in ids.scalars().partitions(BATCH_SIZE):
                    with held_against(f"chain {short(one.id)}"):
                        make_rows(connection, some)
