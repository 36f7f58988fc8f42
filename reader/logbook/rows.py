"""The rows that lists show, kept in step with the events: each event's effect on them, written once."""

from collections.abc import Mapping
from typing import Any, Final

from pydantic_core import from_json
from sqlalchemy import Connection, bindparam, delete, insert, inspect, select, update

from reader.logbook.events import Event, load_event
from reader.logbook.run_events import RUN, RUN_KINDS, run_row
from reader.logbook.summary import first_row, next_row, superseded_row
from reader.logbook.tables import FORMAT, about, events, readings, runs
from reader.store.database import BATCH_SIZE

_EVENTS_OF_RUN: Final = (
    select(events.c.seq, events.c.body).where(events.c.reading == bindparam("run")).order_by(events.c.seq)
)
_ROW_OF_RUN: Final = select(runs).where(runs.c.id == bindparam("run"))


def row_of(connection: Connection, reading: str) -> dict[str, Any] | None:
    """Row of a reading, None if it has none."""
    found = connection.execute(select(readings).where(readings.c.id == reading)).one_or_none()
    return None if found is None else dict(found._mapping)


def apply(connection: Connection, event: Event) -> None:
    """Change the rows as an event that has just been appended asks for."""
    if event.reading is None:
        return
    if event.kind in RUN_KINDS:
        _store_run(connection, event.reading)
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


def has_runs(connection: Connection) -> bool:
    """Whether the logbook has a list of runs, which it gets with the first one."""
    return inspect(connection).has_table(runs.name)


def begin_runs(connection: Connection) -> None:
    """Make the list of runs if there is none yet, in a transaction that writes."""
    if not has_runs(connection):
        runs.create(connection)
        connection.execute(update(about).where(about.c.name == "format").values(value=str(FORMAT)))


def made_run_row(connection: Connection, run: str) -> dict[str, Any]:
    """Row of a run as its events make it."""
    told = [(seq, from_json(body)) for seq, body in connection.execute(_EVENTS_OF_RUN, {"run": run})]
    return run_row([(seq, event["kind"], event["at"], event["payload"]) for seq, event in told], run)


def stored_run_row(connection: Connection, run: str) -> dict[str, Any] | None:
    """Row of a run as the list has it; None where it has none."""
    found = connection.execute(_ROW_OF_RUN, {"run": run}).one_or_none()
    return None if found is None else dict(found._mapping)


def _store_run(connection: Connection, run: str) -> None:
    row = made_run_row(connection, run)
    changed = connection.execute(update(runs).where(runs.c.seq == row["seq"]).values(row))
    if not changed.rowcount:
        connection.execute(insert(runs).values(row))


def rebuild(connection: Connection) -> int:
    """Make all rows anew from the events, in a transaction that writes; returns how many readings there are.

    Raises LinecallError at an event that has been altered.
    """
    connection.execute(delete(readings))
    if has_runs(connection):
        connection.execute(delete(runs))
    n = 0
    query = select(events.c.seq, events.c.hash, events.c.body).order_by(events.c.seq)
    for stored in connection.execute(query.execution_options(yield_per=BATCH_SIZE)):
        event = load_event(*stored)
        if event.kind == RUN:
            begin_runs(connection)
        if event.kind == RUN or event.kind not in RUN_KINDS:  # a run's row is made of all its events at once
            apply(connection, event)
        n += event.kind == "reading"
    return n
