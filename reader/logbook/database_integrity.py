"""Whether a logbook's file is sound: SQLite's own check, and that its tables are those that linecall makes.

Of a server, whether the guard of the events is in its place.
"""

from functools import cache
from typing import Final

from sqlalchemy import Connection, create_engine, text

from reader.logbook.tables import tables

DAMAGES_TOLD: Final = 3
_OBJECTS: Final = text(
    "SELECT type, name, tbl_name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite!_%' ESCAPE '!'"
)


def file_problem(connection: Connection) -> str | None:
    """What SQLite finds damaged, or what stands in the file that linecall did not put there; None if nothing."""
    found = connection.execute(text(f"PRAGMA integrity_check({DAMAGES_TOLD})")).scalars().all()
    if found != ["ok"]:
        said = "; ".join(" ".join(str(line).split()) for line in found)[:300]
        return f"the logbook's file is damaged ({said}); restore it from a backup"
    there, made = _objects(connection), _made_by_linecall()
    for name in sorted(there):
        if there[name] != made.get(name):
            what = "is none of linecall's" if name not in made else "is not as linecall makes it"
            return (
                f"the {there[name][0]} {name} in the logbook's file {what}: another program has put it there"
            )
    return None


def missing_guards(connection: Connection) -> tuple[str, ...]:
    """Indexes and triggers that linecall made and that are gone; they hold nothing, but somebody took them out."""
    there = _objects(connection)
    return tuple(
        name for name, (kind, table, _) in sorted(_made_by_linecall().items())
        if kind in {"index", "trigger"} and table in there and name not in there
    )  # fmt: skip


def has_server_guard(connection: Connection) -> bool:
    """Whether a PostgreSQL logbook still refuses that an event is changed."""
    enabled = connection.scalar(
        text(
            "SELECT tgenabled FROM pg_trigger "
            "WHERE tgrelid = 'linecall_event'::regclass AND tgname = 'linecall_no_change'"
        )
    )
    return enabled in ("O", "A", b"O", b"A")  # fires at what users do: "origin", or always


def _objects(connection: Connection) -> dict[str, tuple[str, str, str]]:
    """Kind, table and definition of each table, index, trigger and view, by name."""
    return {
        row.name: (row.type, row.tbl_name, " ".join(str(row.sql).split()))
        for row in connection.execute(_OBJECTS)
    }


@cache
def _made_by_linecall() -> dict[str, tuple[str, str, str]]:
    engine = create_engine("sqlite://")
    with engine.begin() as connection:
        tables.create_all(connection)
        made = _objects(connection)
    engine.dispose()
    return made
