"""Whether the chains of other logbooks hold that were merged into one, and whether its lists show what all say."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any, Final

from pydantic_core import from_json
from sqlalchemy import Connection, Table, func, literal_column, select

from reader.errors import LinecallError
from reader.logbook.chain import Chain, ChainBrokenError, Seal
from reader.logbook.chains import ChainHead, Chains, every_body, own_id, place_of, short
from reader.logbook.events import MERGE, NUMBER_BITS, NUMBER_MAX
from reader.logbook.rows import BEGINS, has_follow_ups, has_runs, row_among_others
from reader.logbook.tables import called, chains, events, follow_ups, others, readings, runs, seen, takeovers
from reader.store.database import BATCH_SIZE

TELL_EVERY: Final = 1000  # events between two calls of `progress`
REBUILD: Final = "linecall logbook rebuild makes them anew from the events"


@dataclass(kw_only=True, slots=True)
class Others:
    """What was found in the chains of others: how many of what, and what is odd."""

    events: int = 0
    readings: int = 0
    photos: int = 0
    notes: list[str] = field(default_factory=list)


class OtherChainError(ChainBrokenError):
    """The first bad event of another logbook's chain, and what is wrong with it."""

    def __init__(self, chain: str, seq: int, problem: str) -> None:
        """Take the chain's id, the event's number in it, and a sentence."""
        super().__init__(seq, problem)
        self.chain = chain


def own_seals(connection: Connection, seals: tuple[Seal, ...]) -> tuple[Seal, ...]:
    """Those of the seals that no other chain's event answers to."""
    slots = connection.scalars(select(chains.c.slot)).all()

    def is_others(seal: Seal) -> bool:
        places = [place_of(slot, seal.seq) for slot in slots]
        found = select(others.c.seq).where(others.c.seq.in_(places), others.c.hash == seal.hash)
        return connection.execute(found).first() is not None

    return tuple(seal for seal in seals if seal.seq > NUMBER_MAX or not is_others(seal))


def check_others(
    connection: Connection,
    known: Chains,
    look_at_photos: Callable[[int, dict[str, Any]], int],
    progress: Callable[[int], None] | None,
) -> Others:
    """Walk over every other chain. Raises OtherChainError at the first bad event, ChainBrokenError at a bad merge.

    look_at_photos : takes an event's number and payload, returns how many photos it names; raises ChainBrokenError.
    """
    found = Others()
    for slot, head in known.heads.items():
        chain = Chain()
        try:
            for seq, kind, payload in _walk(connection, chain, slot, head):
                if kind == "reading":
                    found.readings += 1
                    found.photos += look_at_photos(seq, payload)
                if progress is not None and (found.events + seq) % TELL_EVERY == 0:
                    progress(found.events + seq)
            chain.finish()
            _check_head(chain, head)
        except ChainBrokenError as broken:
            raise OtherChainError(head.id, broken.seq, f"{head}: {broken.problem}") from None
        found.events += chain.seq
        found.notes += [f"{head}: {note}" for note in chain.notes()]
    _check_stray(connection, known, found.events)
    _check_merges(connection, known)
    return found


def _walk(
    connection: Connection, chain: Chain, slot: int, head: ChainHead
) -> Iterator[tuple[int, str, dict[str, Any]]]:
    """(number, kind, payload) of each event of a chain, followed. Raises ChainBrokenError."""
    is_sqlite = connection.dialect.name == "sqlite"
    body = literal_column("CAST(linecall_other_event.body AS BLOB)") if is_sqlite else others.c.body
    query = select(
        others.c.seq, others.c.id, others.c.reading, others.c.kind, others.c.by, others.c.hash, body
    )
    query = query.where(others.c.seq.between(place_of(slot, 0), place_of(slot, NUMBER_MAX))).order_by(
        others.c.seq
    )
    with connection.execute(query.execution_options(yield_per=BATCH_SIZE)) as rows:
        for place, id, reading, kind, by, digest, stored in rows:
            number = place & NUMBER_MAX
            raw = stored if isinstance(stored, bytes) else stored.encode("utf-8")
            link = chain.follow(number, id, reading, digest, raw)
            if number == 1 and digest != head.id:
                raise ChainBrokenError(1, "its first event is not the one that it is named by")
            told = from_json(raw)
            if (kind, by) != (link.kind, told["by"]):
                raise ChainBrokenError(
                    number, f"event {number}: its row does not say what the event itself says"
                )
            yield number, link.kind, told["payload"]


def _check_head(chain: Chain, head: ChainHead) -> None:
    if chain.seq < head.seq:
        missing = chain.seq + 1
        raise ChainBrokenError(
            missing, f"event {missing} and what followed is missing: it was held up to {head.seq}"
        )
    if (chain.seq, chain.head) != (head.seq, head.hash):
        raise ChainBrokenError(
            chain.seq, f"event {chain.seq} is not the last that was taken in, event {head.seq}"
        )


def _check_stray(connection: Connection, known: Chains, n_events: int) -> None:
    if connection.scalar(select(func.count()).select_from(others)) != n_events:
        raise ChainBrokenError(0, "there are events of a chain that was never taken in")


def _check_merges(connection: Connection, known: Chains) -> None:
    """Hold every event `merge`, of every chain, against what is here, and what was noted of it."""
    own = own_id(connection)
    slots = known.slots | {own: 0}
    ids = {slot: id for id, slot in slots.items()}
    held: dict[int, int] = {}
    noted: dict[tuple[int, int, int], tuple[int, str]] = {}
    names: dict[tuple[int, str, str], str] = {}
    for number, slot, payload in _merges(connection):
        name = "" if slot == 0 else f"{known.heads[slot]}: "
        for head in payload["chains"]:
            other = slots.get(head["chain"])
            table, place = (
                (events, head["seq"]) if other == 0 else (others, place_of(other or 0, head["seq"]))
            )
            here = (
                None if other is None else connection.scalar(select(table.c.hash).where(table.c.seq == place))
            )
            if other is None or here != head["hash"]:
                problem = (
                    f"{name}event {number} took in chain {short(head['chain'])} up to event {head['seq']}, which is "
                    f"{'missing' if here is None else 'another one here'}"
                )
                raise (
                    OtherChainError(ids[slot] or "", number, problem)
                    if slot
                    else ChainBrokenError(number, problem)
                )
            noted[slot, number, other] = (head["seq"], head["hash"])
            if slot == 0:
                held[other] = head["seq"]
        if slot == 0:
            for one in payload.get("called", ()):
                names[slots[one["chain"]], one["kind"], one["there"]] = one["here"]
    for slot, head in known.heads.items():
        if held.get(slot) != head.seq:
            raise OtherChainError(
                head.id,
                head.seq,
                f"{head}: is here up to event {head.seq}, but was taken in up to {held.get(slot, 0)}",
            )
    if noted != {
        (row.chain, row.seq, row.other): (row.until, row.hash) for row in connection.execute(select(seen))
    }:
        raise ChainBrokenError(0, f"what was noted of the merges is not what they say; {REBUILD}")
    if names != {(row.chain, row.kind, row.there): row.here for row in connection.execute(select(called))}:
        raise ChainBrokenError(0, f"the names of other logbooks are not what the merges say; {REBUILD}")


def _merges(connection: Connection) -> Iterator[tuple[int, int, dict[str, Any]]]:
    """(number, slot, payload) of every event `merge`."""
    sign = f'"kind":"{MERGE}"'
    own = select(events.c.seq, events.c.body).where(events.c.reading.is_(None), events.c.body.contains(sign))
    theirs = select(others.c.seq, others.c.body).where(others.c.kind == MERGE)
    for query in (own.order_by(events.c.seq), theirs.order_by(others.c.seq)):
        for place, body in connection.execute(query).all():
            told = from_json(body)
            if told["kind"] == MERGE:
                yield place & NUMBER_MAX, place >> NUMBER_BITS, told["payload"]


def check_lists(connection: Connection, known: Chains) -> None:
    """Hold every row against the events of all chains. Raises ChainBrokenError at the first that shows otherwise."""
    counts: dict[Table, int] = {readings: 0}
    counts |= {
        table: 0 for table, there in ((runs, has_runs), (follow_ups, has_follow_ups)) if there(connection)
    }
    n_takeovers = 0
    for place, digest, body in every_body(connection):
        try:
            event = known.event(place, digest, body)
            if event.kind not in BEGINS:
                continue
            table, row = row_among_others(known, event.id)
            stored = connection.execute(select(table).where(table.c.id == event.id)).one_or_none()
            shows = stored is not None and dict(stored._mapping) == row
            if event.kind == "reading":
                wanted = set(event.payload.get("supersedes", ()))
                query = select(takeovers.c.reading).where(takeovers.c.by == event.id)
                shows = shows and set(connection.scalars(query)) == wanted
                n_takeovers += len(wanted)
        except (KeyError, TypeError, ValueError, AttributeError, IndexError, LinecallError):
            table, shows = readings, False
        if not shows:
            number = place & NUMBER_MAX
            name = "" if place <= NUMBER_MAX else f"{known.heads[place >> NUMBER_BITS]}: "
            raise ChainBrokenError(
                number,
                f"{name}event {number}: the event holds, but the lists show something else about it; {REBUILD}",
            )
        counts[table] = counts.get(table, 0) + 1
    for table, n in (*counts.items(), (takeovers, n_takeovers)):
        shown = connection.scalar(select(func.count()).select_from(table))
        if shown != n:
            raise ChainBrokenError(
                0, f"the lists show {shown} of {table.name}, but the events hold {n}; {REBUILD}"
            )
