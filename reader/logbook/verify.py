"""Whether a logbook holds: its chain, its photos, and that its lists show what its events say."""

from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import closing
from typing import Any, Final

from pydantic_core import from_json
from sqlalchemy import Connection, Select, Table, bindparam, func, literal_column, null, select
from sqlalchemy.exc import DBAPIError

from reader.logbook.chain import Chain, ChainBrokenError, Link, Report, Seal
from reader.logbook.chains import Chains
from reader.logbook.database_integrity import file_problem, has_server_guard, missing_guards
from reader.logbook.follow_up_events import ASKED, FOLLOW_UP_KINDS
from reader.logbook.photos import place_record
from reader.logbook.rows import has_follow_ups, has_runs, made_row, stored_row
from reader.logbook.run_events import RUN, RUN_KINDS
from reader.logbook.summary import first_row, next_row, superseded_row
from reader.logbook.tables import about, events, follow_ups, readings, runs
from reader.logbook.verify_chains import OtherChainError, Others, check_lists, check_others, own_seals
from reader.store.database import BATCH_SIZE
from reader.store.kept_files import FileStore, FolderStore, check_file

TELL_EVERY: Final = 1000  # events between two calls of `progress`

_NAMES: Final = tuple(column.name for column in readings.c)
_SEQ: Final = _NAMES.index("seq")
_LAST: Final = _NAMES.index("last_seq")
_SUPERSEDED: Final = _NAMES.index("superseded_by")
_VERDICT: Final = b',"verdict":{'  # in the payload of a reading what comes before it is all that lists need


_LATER: Final = (
    select(events.c.seq, events.c.body)
    .where(events.c.reading == bindparam("reading"), events.c.seq > bindparam("seq"))
    .order_by(events.c.seq)
)


_SUCCESSORS: Final = select(readings.c.superseded_by).where(
    readings.c.id.in_(bindparam("ids", expanding=True))
)


def check(
    connection: Connection,
    photos: FileStore | None,
    seals: Sequence[Seal],
    progress: Callable[[int], None] | None,
) -> Report:
    """Walk over all events once and stop at the first bad one.

    That a list shows something else than the events is told last, because a changed event brings it about.
    """
    place = _place(connection)
    sqlite = connection.dialect.name == "sqlite"
    named: set[str] = set()
    known, other = Chains.of(connection), Others()
    if known is not None:
        seals = own_seals(connection, tuple(seals))
    chain, sealed = Chain(), {seal.seq: seal for seal in seals}
    n_readings = n_photos = n_runs = n_follow_ups = 0
    others = [runs] if has_runs(connection) else []
    others += [follow_ups] if has_follow_ups(connection) else []
    found: ChainBrokenError | None = None
    listed: ChainBrokenError | None = None
    try:
        with closing(_rows(connection, chain, others)) as rows:
            for seq, id, reading, digest, body, run_seq, run_last, follow_seq, follow_last, *row in rows:
                link = chain.follow(seq, id, reading, digest, body)
                if seq in sealed and sealed[seq].hash != digest:
                    raise ChainBrokenError(seq, f"event {seq} is not the one that was sealed: {sealed[seq]}")
                if link.kind == "reading":
                    n_readings += 1
                    payload = _listed_part(seq, link, body)
                    if payload.get("place", place) != place:
                        raise ChainBrokenError(seq, f"event {seq}: {_OTHER_PLACE}")
                    n_photos += 0 if photos is None else _check_photos(photos, seq, payload, named)
                    if known is None and not _shows(connection, seq, link, payload, tuple(row)):
                        listed = listed or _not_shown(seq)
                elif known is not None:
                    pass  # what the lists show, all chains together tell
                elif link.kind in RUN_KINDS:
                    n_runs += link.kind == RUN
                    within = run_seq is not None and run_seq <= seq <= run_last
                    if not within or (link.kind == RUN and not _shows_made(connection, runs, link.id)):
                        listed = listed or _not_shown(seq, "run")
                elif link.kind in FOLLOW_UP_KINDS:
                    n_follow_ups += link.kind == ASKED
                    within = follow_seq is not None and follow_seq <= seq <= follow_last
                    if not within or (
                        link.kind == ASKED and not _shows_made(connection, follow_ups, link.id)
                    ):
                        listed = listed or _not_shown(seq, "follow-up")
                elif reading is not None and (row[_SEQ] is None or not row[_SEQ] < seq <= row[_LAST]):
                    listed = listed or _not_shown(seq)
                if progress is not None and seq % TELL_EVERY == 0:
                    progress(seq)
        chain.finish()
        _check_end(chain, seals)
        if known is not None:

            def look(seq: int, payload: dict[str, Any]) -> int:
                return 0 if photos is None else _check_photos(photos, seq, payload, named)

            other = check_others(connection, known, look, progress)
            check_lists(connection, known)
        else:
            counts = {readings: n_readings, runs: n_runs, follow_ups: n_follow_ups}
            for table in (readings, *others):
                listed = listed or _count_problem(connection, chain, table, counts[table])
    except ChainBrokenError as broken:
        found = broken
    found = found or listed
    problem = found.problem if found else file_problem(connection) if sqlite else None
    notes = [*chain.notes(), *other.notes, *_guard_notes(connection)]
    if problem is None and isinstance(photos, FolderStore):
        problem, more = photos.strays(named, by="event")
        notes += more
    if progress is not None:
        progress(chain.seq + other.events)
    return Report(
        events=chain.seq + other.events,
        head=chain.head,
        readings=n_readings + other.readings,
        photos=n_photos + other.photos,
        first_bad=(found.seq or None) if found else None,
        problem=problem,
        notes=tuple(notes),
        chains=1 if known is None else 1 + len(known.heads),
        bad_chain=found.chain if isinstance(found, OtherChainError) else None,
    )


def _rows(
    connection: Connection, chain: Chain, others: Sequence[Table]
) -> Generator[Sequence[Any], None, None]:
    """Each event, its body in UTF-8, with first and last event of its run and follow-up, and the row of its reading."""
    sqlite = connection.dialect.name == "sqlite"
    # SQLite hands over the bytes that it holds, so that ones which are no text can be told.
    body = literal_column("CAST(linecall_event.body AS BLOB)") if sqlite else events.c.body
    spans = [
        column
        for table in (runs, follow_ups)
        for column in ((table.c.seq, table.c.last_seq) if table in others else (null(), null()))
    ]
    query: Select[Any] = (
        select(events.c.seq, events.c.id, events.c.reading, events.c.hash, body, *spans, *readings.c)
        .outerjoin_from(events, readings, readings.c.id == events.c.reading)
        .order_by(events.c.seq)
    )
    for table in others:
        query = query.outerjoin(table, table.c.id == events.c.reading)
    try:
        with connection.execute(query.execution_options(yield_per=BATCH_SIZE)) as found:
            if sqlite:
                yield from found
            else:
                for seq, id, reading, digest, text, *row in found:
                    yield seq, id, reading, digest, text.encode("utf-8"), *row
    except DBAPIError as error:
        if not sqlite or not any(sign in str(error.orig) for sign in ("decode", "malformed")):
            raise
        yield from _rows_one_by_one(connection, query.where(events.c.seq > chain.seq), chain)


def _rows_one_by_one(connection: Connection, query: Select[Any], chain: Chain) -> Iterator[Sequence[Any]]:
    """Go on where rows fetched together held one that cannot be read, up to that one."""
    while True:
        try:
            row = connection.execute(query.limit(1)).first()
        except DBAPIError as error:
            bad = chain.seq + 1
            raise ChainBrokenError(bad, f"event {bad}: its row cannot be read ({error.orig})") from error
        if row is None:
            return
        yield row
        query = query.where(events.c.seq > chain.seq)


def _listed_part(seq: int, link: Link, body: bytes) -> dict[str, Any]:
    """What a reading's payload holds before the verdict, which need not be taken apart."""
    end = body.find(_VERDICT, link.payload_at)
    try:
        payload: dict[str, Any] = from_json(body[link.payload_at : end] + b"}")
    except ValueError as error:
        raise ChainBrokenError(seq, f"event {seq}: it holds something else than a reading does") from error
    return payload


def _shows(
    connection: Connection, seq: int, link: Link, payload: dict[str, Any], row: tuple[Any, ...]
) -> bool:
    """Whether the lists show what the events of a reading say."""
    try:
        expected = first_row(seq=seq, id=link.id, at=link.at, payload=payload)
        if row[_LAST] != seq:
            for later, kind, inside in _later(connection, link.id, seq):
                expected = next_row(expected, seq=later, kind=kind, payload=inside)
        successor = row[_SUPERSEDED]
        if successor is not None:
            expected = superseded_row(expected, successor)
            if link.id not in _superseded_by(connection, successor):
                return False
        replaced = payload.get("supersedes", ())
        if replaced and {link.id} != set(connection.scalars(_SUCCESSORS, {"ids": replaced})):
            return False
    except (KeyError, TypeError, ValueError, AttributeError, IndexError):
        return False  # an event that was changed, or written by another program
    return tuple(map(expected.__getitem__, _NAMES)) == row


def _shows_made(connection: Connection, table: Table, id: str) -> bool:
    """Whether the list shows what the events of a run or a follow-up say."""
    try:
        return made_row(connection, table, id) == stored_row(connection, table, id)
    except (KeyError, TypeError, ValueError, AttributeError, IndexError):
        return False  # an event that was changed, or written by another program


def _later(connection: Connection, reading: str, seq: int) -> Iterator[tuple[int, str, dict[str, Any]]]:
    for later, body in connection.execute(_LATER, {"reading": reading, "seq": seq}):
        event = from_json(body)
        yield later, event["kind"], event["payload"]


def _superseded_by(connection: Connection, successor: str) -> Sequence[str]:
    body = connection.scalar(select(events.c.body).where(events.c.id == successor))
    replaced: Sequence[str] = [] if body is None else from_json(body)["payload"].get("supersedes", [])
    return replaced


def _not_shown(seq: int, what: str = "reading") -> ChainBrokenError:
    return ChainBrokenError(
        seq,
        f"event {seq}: the event holds, but the lists show something else about its {what}; "
        "linecall logbook rebuild makes them anew from the events",
    )


_OTHER_PLACE: Final = (
    "it was logged with its photos in another place than the one that the logbook now names for them; "
    "name their place with --logbook-photos, and ask who has changed it"
)


def _place(connection: Connection) -> str:
    return place_record(connection.scalar(select(about.c.value).where(about.c.name == "photos")) or "")


_GUARD_OFF: Final = (
    "what keeps events from being changed, the trigger linecall_no_change, was taken out or switched off by somebody "
    "with the owner's rights"
)


def _guard_notes(connection: Connection) -> tuple[str, ...]:
    if connection.dialect.name == "postgresql":
        return () if has_server_guard(connection) else (_GUARD_OFF,)
    gone = missing_guards(connection)
    return (f"another program has taken out of the logbook's file: {', '.join(gone)}",) if gone else ()


def _check_photos(photos: FileStore, seq: int, payload: dict[str, Any], named: set[str]) -> int:
    """Look at the photos that an event names, which join those named so far; returns how many."""
    try:
        digests = [str(photo["sha256"]) for photo in payload["photos"]]
    except (KeyError, TypeError) as error:
        raise ChainBrokenError(seq, f"event {seq}: it names no photos as a reading does") from error
    named.update(digests)
    for digest in digests:
        problem = check_file(photos, digest)
        if problem is not None:
            raise ChainBrokenError(seq, f"event {seq}: {problem}")
    return len(digests)


def _check_end(chain: Chain, seals: Sequence[Seal]) -> None:
    cut = [seal for seal in seals if seal.seq > chain.seq]
    if cut:
        missing = chain.seq + 1
        raise ChainBrokenError(
            missing, f"event {missing} and what followed is missing: event {cut[0].seq} was sealed: {cut[0]}"
        )


def _count_problem(connection: Connection, chain: Chain, table: Table, n: int) -> ChainBrokenError | None:
    shown = connection.scalar(select(func.count()).select_from(table))
    if shown == n:
        return None
    what = {runs: "runs", follow_ups: "follow-ups"}.get(table, "readings")
    return ChainBrokenError(
        chain.seq,
        f"the lists show {shown} {what}, but the events hold {n}; "
        "linecall logbook rebuild makes them anew from the events",
    )
