"""The rows that lists show, kept in step with the events: each event's effect on them, written once."""

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, delete, insert, select, update

from reader.logbook.events import Event, load_event
from reader.logbook.summary import first_row, next_row, superseded_row
from reader.logbook.tables import events, readings
from reader.store.database import BATCH_SIZE


def row_of(connection: Connection, reading: str) -> dict[str, Any] | None:
    """Row of a reading, None if it has none."""
    found = connection.execute(select(readings).where(readings.c.id == reading)).one_or_none()
    return None if found is None else dict(found._mapping)


def apply(connection: Connection, event: Event) -> None:
    """Change the rows as an event that has just been appended asks for."""
    if event.reading is None:
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


def rebuild(connection: Connection) -> int:
    """Make all rows anew from the events, in a transaction that writes; returns how many readings there are.

    Raises LinecallError at an event that has been altered.
    """
    connection.execute(delete(readings))
    n = 0
    query = select(events.c.seq, events.c.hash, events.c.body).order_by(events.c.seq)
    for stored in connection.execute(query.execution_options(yield_per=BATCH_SIZE)):
        event = load_event(*stored)
        apply(connection, event)
        n += event.kind == "reading"
    return n
