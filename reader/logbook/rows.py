"""The rows that lists show, kept in step with the events: each event's effect on them, written once."""

from collections.abc import Iterable, Mapping
from typing import Any, Final

from pydantic_core import from_json
from sqlalchemy import Connection, Index, Table, bindparam, delete, insert, inspect, select, update

from reader.errors import LinecallError
from reader.logbook.apart import story_of
from reader.logbook.chains import Chains, every_body, has_chains, own_id
from reader.logbook.events import MERGE, Event, load_event
from reader.logbook.follow_up_events import ASKED, FOLLOW_UP_KINDS, follow_up_row
from reader.logbook.run_events import RUN, RUN_KINDS, run_row
from reader.logbook.summary import first_row, next_row, superseded_row
from reader.logbook.tables import (
    FIRST_TABLES,
    FORMAT,
    FORMAT_WITH_FOLLOW_UPS,
    FORMAT_WITH_RUNS,
    OF_CHAINS,
    about,
    called,
    events,
    follow_ups,
    others,
    readings,
    runs,
    seen,
    takeovers,
)
from reader.store.database import BATCH_SIZE

PERSON_EVENT: Final = "person"

_EVENTS_ABOUT: Final = (
    select(events.c.seq, events.c.body).where(events.c.reading == bindparam("id")).order_by(events.c.seq)
)
_ROWS: Final = {table: select(table).where(table.c.id == bindparam("id")) for table in (runs, follow_ups)}
_MADE_BY: Final = {runs: run_row, follow_ups: follow_up_row}


def row_of(connection: Connection, reading: str) -> dict[str, Any] | None:
    """Row of a reading, None if it has none."""
    found = connection.execute(select(readings).where(readings.c.id == reading)).one_or_none()
    return None if found is None else dict(found._mapping)


def apply(connection: Connection, event: Event) -> None:
    """Change the rows as an event that has just been appended asks for."""
    if has_chains(connection):
        _apply_among_others(connection, event)
        return
    if event.reading is None:
        return
    if event.kind in RUN_KINDS or event.kind in FOLLOW_UP_KINDS:
        _store_made(connection, runs if event.kind in RUN_KINDS else follow_ups, event.reading)
        return
    if event.kind != "reading":
        row = row_of(connection, event.reading)
        assert row is not None, f"event {event.seq} is about a reading that no event began"
        _store(connection, next_row(row, seq=event.seq, kind=event.kind, payload=event.payload))
        return
    at = event.at.isoformat(timespec="seconds")
    row = first_row(seq=event.seq, id=event.id, at=at, payload=event.payload)
    connection.execute(insert(readings).values(row))
    for replaced in event.payload.get("supersedes", ()):
        row = row_of(connection, replaced)
        assert row is not None, f"event {event.seq} supersedes a reading that no event began"
        _store(connection, superseded_row(row, event.id))


def _store(connection: Connection, row: Mapping[str, Any]) -> None:
    connection.execute(update(readings).where(readings.c.seq == row["seq"]).values(dict(row)))


# --- where others' chains are held -----------------------------------------------------------------------


def _apply_among_others(connection: Connection, event: Event) -> None:
    if event.kind == PERSON_EVENT:  # whose decisions on other devices may count from now on, or count no more
        reviewed = select(others.c.reading).where(others.c.kind == "review").distinct()
        make_rows(connection, list(connection.scalars(reviewed)))
    if event.kind == MERGE:
        note_merge(connection, event, Chains(connection))
    if event.reading is None:
        return
    if event.kind == "reading":
        note_takeovers(connection, event)
    make_rows(connection, (event.reading, *event.payload.get("supersedes", ())))


def note_merge(connection: Connection, event: Event, known: Chains) -> None:
    """Note what a merge took in, and, of the own chain's, what its people and places are called here."""
    slots = known.slots | {own_id(connection): 0}
    rows = {
        slots[head["chain"]]: {"until": head["seq"], "hash": head["hash"]} for head in event.payload["chains"]
    }
    place = {"chain": event.slot, "seq": event.number}
    connection.execute(insert(seen), [place | {"other": slot} | row for slot, row in rows.items()])
    names = event.payload.get("called", ()) if event.chain is None else ()
    for name in names:
        slot = known.slots[name["chain"]]
        connection.execute(
            insert(called).values(chain=slot, kind=name["kind"], there=name["there"], here=name["here"])
        )


def note_takeovers(connection: Connection, event: Event) -> None:
    """Note whose place a reading says it takes, so that their histories find it."""
    rows = [{"reading": one, "by": event.id} for one in dict.fromkeys(event.payload.get("supersedes", ()))]
    if rows:
        connection.execute(insert(takeovers), rows)


def make_rows(connection: Connection, ids: Iterable[str]) -> None:
    """Make the rows of readings, runs and follow-ups anew from their events in every chain.

    Raises LinecallError where one has no beginning, or events that do not belong to its kind.
    """
    known = Chains(connection)
    for id in ids:
        table, row = row_among_others(known, id)
        if table is not readings:
            (begin_runs if table is runs else begin_follow_ups)(connection)
        # rows as parameters: far cheaper than as values of a statement
        changed = connection.execute(_CHANGED[table], row | {"of": row["seq"]})
        if not changed.rowcount:
            connection.execute(insert(table), [row])


_CHANGED: Final = {
    table: update(table).where(table.c.seq == bindparam("of")) for table in (readings, runs, follow_ups)
}


def row_among_others(known: Chains, id: str) -> tuple[Table, dict[str, Any]]:
    """The list that something is in, and its row as its events in every chain make it. Raises LinecallError."""
    told = known.history(id)
    first = told[0] if told else None
    if first is None or first.id != id or first.kind not in BEGINS:
        raise LinecallError(f"{id}: no event of any chain here began it, but {len(told)} are about it")
    kinds = BEGINS[first.kind]
    odd = next((one for one in told if (one.kind in kinds) != (first.kind != "reading")), None)
    if odd is not None:
        raise LinecallError(
            f"event {odd.number} of {known.whose(odd)} is a {odd.kind} about {id}, which is no such thing"
        )
    if first.kind == "reading":
        return readings, story_of(known, told).row()
    table = runs if first.kind == RUN else follow_ups
    events_ = [(one.seq, one.kind, one.at.isoformat(timespec="seconds"), one.payload) for one in told]
    return table, _MADE_BY[table](events_, id)


BEGINS: Final = {"reading": RUN_KINDS | FOLLOW_UP_KINDS, RUN: RUN_KINDS, ASKED: FOLLOW_UP_KINDS}
"""Kinds of events that begin something; and which further ones a reading never has, a run and a follow-up only has."""


def begin_chains(connection: Connection) -> None:
    """Make room for other logbooks' chains if there is none yet, in a transaction that writes."""
    if has_chains(connection):
        return
    for table in OF_CHAINS:
        table.create(connection)
    _raise_format(connection, FORMAT)
    query = select(events.c.seq, events.c.hash, events.c.body).where(events.c.body.contains('"supersedes":'))
    for stored in connection.execute(query.order_by(events.c.seq).execution_options(yield_per=BATCH_SIZE)):
        event = load_event(*stored)
        if event.kind == "reading":
            note_takeovers(connection, event)


def has_runs(connection: Connection) -> bool:
    """Whether the logbook has a list of runs, which it gets with the first one."""
    return inspect(connection).has_table(runs.name)


def begin_runs(connection: Connection) -> None:
    """Make the list of runs if there is none yet, in a transaction that writes."""
    if not has_runs(connection):
        runs.create(connection)
        _raise_format(connection, FORMAT_WITH_RUNS)


def has_follow_ups(connection: Connection) -> bool:
    """Whether the logbook has a list of follow-ups, which it gets with the first one."""
    return inspect(connection).has_table(follow_ups.name)


def begin_follow_ups(connection: Connection) -> None:
    """Make the list of follow-ups if there is none yet, in a transaction that writes."""
    if not has_follow_ups(connection):
        follow_ups.create(connection)
        _raise_format(connection, FORMAT_WITH_FOLLOW_UPS)


def add_missing(connection: Connection) -> None:
    """Make what this linecall has more than the one that began the logbook, in a transaction that writes."""
    begin_runs(connection)
    begin_follow_ups(connection)
    for index in missing_indexes(connection):
        index.create(connection)


def missing_indexes(connection: Connection) -> list[Index]:
    """Indexes that this linecall makes and the logbook's tables lack."""
    found = inspect(connection)
    there = set(found.get_table_names())
    return [
        index
        for table in (*FIRST_TABLES, runs, follow_ups, *OF_CHAINS)
        if table.name in there
        for index in sorted(table.indexes, key=lambda one: str(one.name))
        if index.name not in {known["name"] for known in found.get_indexes(table.name)}
    ]


def _raise_format(connection: Connection, to: int) -> None:
    known = connection.scalar(select(about.c.value).where(about.c.name == "format"))
    if int(known or 0) < to:
        connection.execute(update(about).where(about.c.name == "format").values(value=str(to)))


def made_row(connection: Connection, table: Table, id: str) -> dict[str, Any]:
    """Row of a run or a follow-up, by the list that it is in, as its events make it."""
    told = [(seq, from_json(body)) for seq, body in connection.execute(_EVENTS_ABOUT, {"id": id})]
    return _MADE_BY[table]([(seq, event["kind"], event["at"], event["payload"]) for seq, event in told], id)


def stored_row(connection: Connection, table: Table, id: str) -> dict[str, Any] | None:
    """Row of a run or a follow-up as the list has it; None where it has none."""
    found = connection.execute(_ROWS[table], {"id": id}).one_or_none()
    return None if found is None else dict(found._mapping)


def _store_made(connection: Connection, table: Table, id: str) -> None:
    row = made_row(connection, table, id)
    changed = connection.execute(update(table).where(table.c.seq == row["seq"]).values(row))
    if not changed.rowcount:
        connection.execute(insert(table).values(row))


def rebuild(connection: Connection) -> int:
    """Make all rows anew from the events, in a transaction that writes; returns how many readings there are.

    On a server what the logbook's tables lack is made first: there whoever owns them does it, for writers who may not.
    Raises LinecallError at an event that has been altered.
    """
    if connection.dialect.name == "postgresql":
        add_missing(connection)
    if has_chains(connection):
        return _rebuild_among_others(connection)
    connection.execute(delete(readings))
    if has_runs(connection):
        connection.execute(delete(runs))
    if has_follow_ups(connection):
        connection.execute(delete(follow_ups))
    n = 0
    query = select(events.c.seq, events.c.hash, events.c.body).order_by(events.c.seq)
    for stored in connection.execute(query.execution_options(yield_per=BATCH_SIZE)):
        event = load_event(*stored)
        if event.kind == RUN:
            begin_runs(connection)
        elif event.kind == ASKED:
            begin_follow_ups(connection)
        # a row of these is made of all its events at once
        if event.kind in (RUN, ASKED) or event.kind not in RUN_KINDS | FOLLOW_UP_KINDS:
            apply(connection, event)
        n += event.kind == "reading"
    return n


def _rebuild_among_others(connection: Connection) -> int:
    for table in (
        readings,
        *([runs] if has_runs(connection) else []),
        *([follow_ups] if has_follow_ups(connection) else []),
    ):
        connection.execute(delete(table))
    for table in (takeovers, seen, called):
        connection.execute(delete(table))
    known, n = Chains(connection), 0
    for stored in every_body(connection):
        event = known.event(*stored)
        if event.kind == "reading":
            note_takeovers(connection, event)
        elif event.kind == MERGE:
            note_merge(connection, event, known)
    known = Chains(connection)  # by the names that were noted
    for stored in every_body(connection):
        event = known.event(*stored)
        if event.kind in BEGINS:
            make_rows(connection, (event.id,))
            n += event.kind == "reading"
    return n
