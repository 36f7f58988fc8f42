"""The logbook's tables: the events, which are never changed, and the rows for lists that follow from them."""

from typing import Any, Final

from sqlalchemy import (
    DDL,
    REAL,
    BigInteger,
    Column,
    Double,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    event,
    text,
)
from sqlalchemy.types import TypeEngine

FORMAT: Final = 4
"""Of the tables; a logbook of a later format is refused. A file is of format 1 until its first run begins, of 2 until
something first follows from a reading, and of 3 until another logbook is first merged into it; on a server whoever
begins a logbook makes all tables but those of merging, and is of format 3 before."""
FORMAT_WITHOUT_RUNS: Final = 1
FORMAT_WITH_RUNS: Final = 2
FORMAT_WITH_FOLLOW_UPS: Final = 3

Whole: Final = BigInteger().with_variant(Integer, "sqlite")
Real: Final[TypeEngine[float]] = Double().with_variant(REAL, "sqlite")

tables = MetaData()

about = Table(
    "linecall_logbook",
    tables,
    Column("name", Text, primary_key=True),
    Column("value", Text, nullable=False),
    sqlite_strict=True,
)
"""`format`, and `photos`: the folder or URL of the photos, empty for the folder beside the file."""

events = Table(
    "linecall_event",
    tables,
    Column("seq", Whole, primary_key=True, autoincrement=False),
    Column("id", Text, nullable=False, unique=True),
    Column("reading", Text),
    Column("hash", Text, nullable=False),
    Column("body", Text, nullable=False),
    sqlite_strict=True,
)
"""An event's canonical JSON and its hash; `seq`, `id` and `reading` repeat what it says, to find it by."""

Index("linecall_event_reading", events.c.reading, events.c.seq)

readings = Table(
    "linecall_reading",
    tables,
    Column("seq", Whole, primary_key=True, autoincrement=False),
    Column("id", Text, nullable=False, unique=True),
    Column("last_seq", Whole, nullable=False),
    Column("at", Text, nullable=False),
    Column("at_utc", Whole, nullable=False),
    Column("operator", Text, nullable=False),
    Column("tank", Text),
    Column("sample_point", Text),
    Column("sample_phase", Text),
    Column("plate_lot", Text),
    Column("plate_expiry", Text),
    Column("photo", Text, nullable=False),
    Column("photo_sha256", Text, nullable=False),
    Column("status", Text, nullable=False),
    Column("grade", Text),
    Column("layout", Text),
    Column("doubtful", Whole, nullable=False),
    Column("in_doubt", Text, nullable=False),
    Column("rank", Whole),
    Column("margin", Real),
    Column("urgency", Real, nullable=False),
    Column("open_until", Whole),
    Column("reviews", Whole, nullable=False),
    Column("superseded_by", Text),
    sqlite_strict=True,
)
"""What lists show of a reading (reader.logbook.summary); times to sort by are seconds since 1970."""

FILTERS: Final = ("tank", "plate_lot", "operator", "grade")
Index("linecall_reading_at", readings.c.at_utc, readings.c.seq)
Index("linecall_reading_photo", readings.c.photo_sha256)
Index(
    "linecall_reading_point", readings.c.sample_point, readings.c.seq
)  # logbooks begun before it do without
_WAITS: Final[dict[str, Any]] = {
    f"{name}_where": text("rank IS NOT NULL") for name in ("sqlite", "postgresql")
}
_URGENCY: Final = tuple(readings.c[name] for name in ("rank", "urgency", "seq", "at_utc", "in_doubt"))
Index("linecall_waiting", *_URGENCY, **_WAITS)
Index("linecall_waiting_open", readings.c.open_until, readings.c.seq, **_WAITS)
for _column in FILTERS:
    Index(f"linecall_reading_{_column}", readings.c[_column], readings.c.seq)
    Index(f"linecall_waiting_{_column}", readings.c[_column], *_URGENCY, **_WAITS)

runs = Table(
    "linecall_run",
    tables,
    Column("seq", Whole, primary_key=True, autoincrement=False),
    Column("id", Text, nullable=False, unique=True),
    Column("last_seq", Whole, nullable=False),
    Column("at", Text, nullable=False),
    Column("site", Text, nullable=False),
    Column("point", Text, nullable=False),
    Column("tank", Text, nullable=False),
    Column("phase", Text, nullable=False),
    Column("lot", Text, nullable=False),
    Column("plate", Text),
    Column("operator", Text, nullable=False),
    Column("taken_utc", Whole, nullable=False),
    Column("drops_utc", Whole),
    Column("until_utc", Whole),
    Column("departures", Whole, nullable=False),
    Column("effect", Text),
    Column("reading", Text),
    Column("ended", Text),
    sqlite_strict=True,
)
"""What lists show of a run (reader.logbook.run_events); made with the first run, so that older logbooks stay as they
are until then. `taken_utc` is when the sample was drawn, else when the run began; `reading` the last not refused."""

_OPEN: Final[dict[str, Any]] = {f"{name}_where": text("ended IS NULL") for name in ("sqlite", "postgresql")}
Index("linecall_run_point", runs.c.site, runs.c.point, runs.c.taken_utc, runs.c.seq)
Index("linecall_run_plate", runs.c.lot, runs.c.plate)
Index("linecall_run_reading", runs.c.reading)
Index("linecall_run_open", runs.c.seq, **_OPEN)

follow_ups = Table(
    "linecall_follow_up",
    tables,
    Column("seq", Whole, primary_key=True, autoincrement=False),
    Column("id", Text, nullable=False, unique=True),
    Column("last_seq", Whole, nullable=False),
    Column("at", Text, nullable=False),
    Column("site", Text, nullable=False),
    Column("point", Text, nullable=False),
    Column("tank", Text, nullable=False),
    Column("about", Text, nullable=False),
    Column("action", Text, nullable=False),
    Column("due_utc", Whole, nullable=False),
    Column("ended", Text),
    sqlite_strict=True,
)
"""What finds follow-ups (reader.logbook.follow_up_events); made with the first one. `about` is the reading's id."""

Index("linecall_follow_up_about", follow_ups.c.about, follow_ups.c.action)
Index("linecall_follow_up_point", follow_ups.c.site, follow_ups.c.point, follow_ups.c.seq)
Index("linecall_follow_up_open", follow_ups.c.site, follow_ups.c.seq, **_OPEN)

chains = Table(
    "linecall_chain",
    tables,
    Column("slot", Whole, primary_key=True, autoincrement=False),
    Column("id", Text, nullable=False, unique=True),
    Column("seq", Whole, nullable=False),
    Column("hash", Text, nullable=False),
    Column("begun_by", Text, nullable=False),
    Column("begun_at", Text, nullable=False),
    sqlite_strict=True,
)
"""The chains of other logbooks that were merged into this one, each with its head (reader.logbook.chains)."""

others = Table(
    "linecall_other_event",
    tables,
    Column("seq", Whole, primary_key=True, autoincrement=False),
    Column("id", Text, nullable=False),
    Column("reading", Text),
    Column("kind", Text, nullable=False),
    Column("by", Text, nullable=False),
    Column("hash", Text, nullable=False),
    Column("body", Text, nullable=False),
    sqlite_strict=True,
)
"""The events of those chains as they were written; `seq` is their place: the chain's slot and the number in it."""

Index("linecall_other_event_id", others.c.id)
Index("linecall_other_event_reading", others.c.reading, others.c.seq)
Index("linecall_other_event_kind", others.c.kind, others.c.by)

seen = Table(
    "linecall_seen",
    tables,
    Column("chain", Whole, primary_key=True, autoincrement=False),
    Column("seq", Whole, primary_key=True, autoincrement=False),
    Column("other", Whole, primary_key=True, autoincrement=False),
    Column("until", Whole, nullable=False),
    Column("hash", Text, nullable=False),
    sqlite_strict=True,
)
"""What each event `merge` says: from number `seq` of `chain` on, its writers had `other` up to number `until`."""

called = Table(
    "linecall_called",
    tables,
    Column("chain", Whole, primary_key=True, autoincrement=False),
    Column("kind", Text, primary_key=True),
    Column("there", Text, primary_key=True),
    Column("here", Text, nullable=False),
    sqlite_strict=True,
)
"""What this logbook calls the people and places of other chains that are called otherwise there."""

takeovers = Table(
    "linecall_takeover",
    tables,
    Column("reading", Text, primary_key=True),
    Column("by", Text, primary_key=True),
    sqlite_strict=True,
)
"""Which reading says that it takes which one's place; whether it does, its history tells."""

OF_CHAINS: Final = (chains, others, seen, called, takeovers)
"""What the first merge adds."""
FIRST_TABLES: Final = (about, events, readings)


def _ddl(statement: str) -> DDL:
    return DDL(statement)  # type: ignore[no-untyped-call]


# Not against an attacker, who may drop them: against a slip.
for _table, _what in ((events, "no"), (others, "no_other")):
    for _name in ("update", "delete"):
        event.listen(
            _table,
            "after_create",
            _ddl(
                f"CREATE TRIGGER linecall_{_what}_{_name} BEFORE {_name.upper()} ON {_table.name} "
                "BEGIN SELECT RAISE(ABORT, 'events are never changed'); END"
            ).execute_if(dialect="sqlite"),
        )
    event.listen(
        _table,
        "after_create",
        _ddl(
            "CREATE OR REPLACE FUNCTION linecall_no_change() RETURNS trigger LANGUAGE plpgsql AS "
            "$$BEGIN RAISE EXCEPTION 'events are never changed'; END$$"
        ).execute_if(dialect="postgresql"),
    )
    event.listen(
        _table,
        "after_create",
        _ddl(
            f"CREATE TRIGGER linecall_{_what}_change BEFORE UPDATE OR DELETE OR TRUNCATE ON {_table.name} "
            "FOR EACH STATEMENT EXECUTE FUNCTION linecall_no_change()"
        ).execute_if(dialect="postgresql"),
    )
