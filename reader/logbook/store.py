"""The logbook itself: readings go in, events are appended, and all of it can be read back and checked."""

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, fields, replace
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from hashlib import sha256
from itertools import groupby
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Literal, Self

from sqlalchemy import (
    Column,
    ColumnElement,
    Connection,
    Row,
    Table,
    func,
    insert,
    inspect,
    or_,
    select,
    update,
)

from reader.errors import LinecallError
from reader.files.damage import kept
from reader.files.output import write_whole
from reader.files.plain import read_plain
from reader.logbook.apart import Story, story_of, version
from reader.logbook.chain import Report, Seal, clock_ran_back
from reader.logbook.chains import (
    PERSON,
    POINT,
    SAMPLE_POINT,
    TANK,
    ChainHead,
    Chains,
    event_tables,
    every_body,
    has_chains,
    own_id,
    place_of,
    site_events,
)
from reader.logbook.events import GENESIS, MERGE, NUMBER_MAX, Event, Statement, load_event, make_event
from reader.logbook.follow_up_events import FollowUpAsked
from reader.logbook.kept_settings import KIND as SETTINGS
from reader.logbook.kept_settings import KeptFile, as_payload, kept_files, not_kept
from reader.logbook.photos import photo_store, place_record
from reader.logbook.rows import (
    add_missing,
    apply,
    begin_follow_ups,
    begin_runs,
    has_follow_ups,
    has_runs,
    rebuild,
    row_of,
    stored_row,
)
from reader.logbook.run_events import READING as RUN_READING
from reader.logbook.run_events import RUN, Effect, Payload, RunBegun, RunCorrection, RunReading
from reader.logbook.summary import CORRECTABLE, Rank, summarise
from reader.logbook.tables import (
    FILTERS,
    FIRST_TABLES,
    FORMAT,
    FORMAT_WITHOUT_RUNS,
    about,
    events,
    follow_ups,
    others,
    readings,
    runs,
    tables,
)
from reader.logbook.take_in import Incoming, make_all_rows, take_in
from reader.logbook.verify import check
from reader.settings.values import SettingsFile
from reader.store.database import BATCH_SIZE, Database
from reader.store.kept_files import FileStore, has_file, read_file, what_exists_of
from reader.verdict.model import Verdict, load_verdict
from reader.verdict.succession import photos_of, says_no_less
from reader.words import listed
from reader.words.ids import new_id
from reader.words.sayings import Sayings

TIMEOUT_S: Final = 30.0
"""Seconds that a writer waits for others; a turn takes some milliseconds."""

SAYS: Final = Sayings(
    "logbook",
    {
        "open_run": "sample point {point} has an open run, {run}, begun {at}; go on with it, or end it first: "
        "linecall run abandon {run} --reason TEXT",
        "plate_in": "plate {plate} of lot {lot} is in run {run}, of sample point {point}; "
        "a plate is used once: check its number, or take another plate",
        "plate_used": "plate {plate} of lot {lot} has been used in run {run}, of sample point {point}; "
        "a plate is used once: check its number, or take another plate",
    },
)
"""Why a run cannot begin or go on."""
FILTERABLE: Final = (*FILTERS, "sample_point", "sample_phase", "status", "layout")


_FROM_RUN: Final = ("tank", "sample_point", "sample_phase", "plate_lot", "plate_expiry", "drops_at")
"""What a reading takes from its run."""
CLOCK: Final = "clock"
"""Kind of the event that stands before one whose clock shows an earlier time than the event before it."""


class StaleHeadError(LinecallError):
    """The logbook has grown since the caller looked at it."""


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptPhoto:
    """A photo of a reading: the name it came under, and its hash."""

    name: str
    sha256: str


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadingRow:
    """What lists show about a reading.

    `in_doubt` are the analytes of windows with a doubtful mark; `rank` says why it waits for a reviewer, None
    that it does not; `margin` is the smallest distance of a settled mark from its limit of blank, in standard
    errors; `open_until` is when the plate may no longer be read; `reviews` counts the review events.
    """

    id: str
    seq: int
    last_seq: int
    at: datetime
    operator: str
    tank: str | None
    sample_point: str | None
    sample_phase: str | None
    plate_lot: str | None
    plate_expiry: str | None
    photo: str
    status: str
    grade: str | None
    layout: str | None
    doubtful: int
    in_doubt: tuple[str, ...]
    rank: Rank | None
    margin: float | None
    open_until: datetime | None
    reviews: int
    superseded_by: str | None


@dataclass(frozen=True, kw_only=True, slots=True)
class RunRow:
    """What lists show about a run.

    `taken_at` is when the sample was drawn, else when the run began; `readable_until` None where the drops or the
    layout are not known; `departures` how many stand, `effect` the gravest that they do; `reading` the id of its last
    reading, None while there is none or only refused photos.
    """

    id: str
    seq: int
    last_seq: int
    at: datetime
    site: str
    point: str
    tank: str
    phase: str
    lot: str
    plate: str | None
    operator: str
    taken_at: datetime
    drops_at: datetime | None
    readable_until: datetime | None
    departures: int
    effect: Effect | None
    reading: str | None
    ended: Literal["closed", "abandoned"] | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Succession:
    """What a reading did to earlier ones of its photos.

    `replaced` are those whose place it took, `waited` the ids of those among them that waited for a reviewer
    until then; `beside` are those that stand beside it: of another tank, point, person or settings, stated
    otherwise, or reviewed.
    """

    replaced: tuple[ReadingRow, ...]
    waited: frozenset[str]
    beside: tuple[ReadingRow, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Waiting:
    """How many readings wait for a reviewer, and since when the oldest does; None where none waits."""

    count: int
    since: datetime | None


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class StoredReading:
    """A reading with all that became of it.

    `stated` is what the technician said, `statement` that as corrected since; `first` is the verdict at the
    time of the reading, `base` that with the departures noted since, which reviewers decide on, `current` the one
    after the reviews; `superseded_by` the id of the reading that took its place. `apart` are sentences about what was
    said on several devices without having seen each other; `uncounted` reviews of others that count nothing here.
    """

    id: str
    seq: int
    last_seq: int
    at: datetime
    by: str
    stated: Statement
    statement: Statement
    photos: tuple[KeptPhoto, ...]
    first: Verdict
    base: Verdict
    current: Verdict
    reviews: tuple[Event, ...]
    corrections: tuple[Event, ...]
    waiting: bool
    superseded_by: str | None
    apart: tuple[str, ...] = ()
    uncounted: tuple[Event, ...] = ()


_ROW_COLUMNS: Final = [readings.c[field.name] for field in fields(ReadingRow)]
_EVENT_COLUMNS: Final = (events.c.seq, events.c.hash, events.c.body)
_WAITS: Final = readings.c.rank.is_not(None)


@dataclass(frozen=True, kw_only=True, slots=True)
class Place:
    """A tank and sample point as they were stated, how many standing readings it has, and when the last was logged."""

    tank: str | None
    sample_point: str | None
    readings: int
    last: datetime

    def __str__(self) -> str:
        """Such as `tank T3, sump`."""
        return (
            ", ".join(filter(None, (self.tank and f"tank {self.tank}", self.sample_point)))
            or "no place stated"
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class MonthCount:
    """How many standing readings of a tank and sample point have a grade in a month, such as 2026-05."""

    tank: str | None
    sample_point: str | None
    month: str
    grade: str | None
    readings: int


class Logbook(AbstractContextManager["Logbook"]):
    """An append-only book of events. Open it with `Logbook.open`; many processes may have it open at once."""

    def __init__(self, database: Database, photos: FileStore, place: str) -> None:
        """Take an open database, the photos and the record of their remembered place; `open` is for everyone else."""
        self._database = database
        self._photos = photos
        self._place = place

    @classmethod
    def open(
        cls,
        where: str | Path,
        *,
        must_exist: bool = False,
        read_only: bool = False,
        photos: str | None = None,
        timeout_s: float = TIMEOUT_S,
    ) -> Self:
        """Open a logbook, or begin one unless it `must_exist`.

        where : path of an SQLite file, or a postgresql:// URL. photos : folder or fsspec URL of the photos;
        it is remembered by a logbook that is begun with it, else `<file>.photos` beside the SQLite file.
        read_only : for looking only, also on a medium that cannot be written to. timeout_s : how long to wait
        for other writers. Raises LinecallError if there is no logbook, or none that this linecall knows;
        OutputError if it is out of reach.
        """
        must_exist = must_exist or read_only
        database = Database(where, read_only=read_only, timeout_s=timeout_s, holds="logbook", locks=events)
        try:
            if database.path is not None:
                _check_path(database.path, must_exist=must_exist)
            location = _settle(database, must_exist=must_exist, photos=photos)
            place = photos or location or _photos_beside(database)
            return cls(database, photo_store(place, named=bool(photos)), place_record(location))
        except BaseException:
            database.close()
            raise

    @property
    def name(self) -> str:
        """Path or URL, without a password."""
        return self._database.name

    def close(self) -> None:
        """Let go of the database."""
        self._database.close()

    def try_to_write(self) -> None:
        """Take the turn to write, and give it back unused. Raises OutputError where it cannot be had."""
        with self._database.writing():
            pass

    def try_photos(self) -> None:
        """Try whether a photo could be kept, leaving nothing. Raises OutputError, LinecallError."""
        self._photos.try_to_put()

    def kept_at(self) -> list[Path]:
        """Places on this machine where it grows: the database's and the photos', where they are here."""
        places = [
            None if self._database.path is None else self._database.path.absolute(),
            self._photos.folder,
        ]
        return [what_exists_of(place) for place in places if place is not None]

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close."""
        self.close()

    # --- writing --------------------------------------------------------------------------------------------

    def add_reading(
        self,
        verdict: Verdict,
        photos: Sequence[Path],
        statement: Statement,
        *,
        at: datetime,
        replaces: str | None = None,
        reason: str = "",
        settings: Sequence[SettingsFile] = (),
        run: tuple[str, int] | None = None,
    ) -> str:
        """Keep a reading with the photos that its verdict is about; returns its id.

        The photos are kept whole before the event that names them. An earlier reading of the same photos, or
        some of them, is superseded only if it is of the same tank, point, person and settings, nothing that
        was stated about it is unsaid or said otherwise, and nobody has reviewed it; `succession` tells.
        settings : the files that it was read by, which are kept too.
        run : the run whose plate it is, and that run's last event that the caller has seen.
        replaces : id of any other reading whose place it takes, with a reason. Raises LinecallError if a photo
        is not the one that was read, or the reading to be replaced is unknown, reviewed or superseded;
        OutputError if the logbook or the photos' place cannot be written.
        """
        if replaces is not None and not reason.strip():
            raise LinecallError(f"reading {replaces} is replaced only for a reason; say which")
        if replaces is not None and verdict.status == "refused":
            raise LinecallError(f"a refused photo takes no reading's place; {replaces} stands")
        kept = self._keep(verdict, photos)
        payload: dict[str, Any] = {
            "photos": [{"name": photo.name, "sha256": photo.sha256} for photo in kept],
            "place": self._place,
            "statement": statement.as_payload(),
            "summary": summarise(verdict),
            "verdict": verdict.model_dump(mode="json"),
        }
        with self._database.writing() as connection:
            if run is not None:
                self._run_row(connection, run[0], expect_last=run[1])
                _check_photos_own(connection, run[0], kept)
                payload["run"] = run[0]
            _keep_settings(connection, settings, by=statement.operator, at=at)
            earlier = _replaced_by(
                connection, {photo.sha256 for photo in kept}, statement, verdict, payload.get("run")
            )
            if replaces is not None:
                _check_replaceable(self._row(connection, replaces))
                earlier = list(dict.fromkeys([*earlier, replaces]))
                payload["reason"] = reason.strip()
            if earlier:
                payload["supersedes"] = earlier
            reading = _free_id(connection, verdict.id)
            _append(connection, reading, "reading", payload, by=statement.operator, reading=reading, at=at)
            if run is not None:
                taken = {name: said for name, said in statement.as_payload().items() if name in _FROM_RUN}
                tie = RunReading(reading=reading, status=verdict.status, stated=taken).as_payload()
                _append(
                    connection,
                    _free_id(connection),
                    RUN_READING,
                    tie,
                    by=statement.operator,
                    reading=run[0],
                    at=at,
                )
        return reading

    def begin_run(
        self,
        begun: RunBegun,
        entries: Sequence[tuple[str, Payload]] = (),
        *,
        by: str,
        at: datetime,
        settings: Sequence[SettingsFile] = (),
        id: str | None = None,
    ) -> str:
        """Begin a run, with the first entries of it; returns its id.

        entries : kind and payload of each further event. settings : the files that it rests on, which are kept too.
        id : as the device that began the run drew it, so that a run that is sent twice is begun once.
        Raises LinecallError where the point or the plate has a run already that is open, or the id is taken.
        """
        with self._database.writing() as connection:
            begin_runs(connection)
            _keep_settings(connection, settings, by=by, at=at)
            run = _free_id(connection, id)
            if id not in (None, run):
                raise LinecallError(
                    f"{self.name}: the id {id} is taken already; begin the run with another one"
                )
            _append(connection, run, RUN, begun.as_payload(), by=by, reading=run, at=at)
            self._enter(connection, run, entries, by=by, at=at, begins=True)
        return run

    def add_to_run(
        self,
        run: str,
        entries: Sequence[tuple[str, Payload]],
        *,
        by: str,
        at: datetime,
        expect_last: int,
        settings: Sequence[SettingsFile] = (),
    ) -> None:
        """Append entries to a run, all or none of them.

        expect_last : number of the run's last event that the caller has seen; another since raises StaleHeadError.
        Raises LinecallError where there is no such run, or the point or the plate now has another one that is open.
        """
        with self._database.writing() as connection:
            self._run_row(connection, run, expect_last=expect_last)
            _keep_settings(connection, settings, by=by, at=at)
            self._enter(connection, run, entries, by=by, at=at)

    def _enter(
        self,
        connection: Connection,
        run: str,
        entries: Sequence[tuple[str, Payload]],
        *,
        by: str,
        at: datetime,
        begins: bool = False,
    ) -> None:
        for kind, payload in entries:
            if isinstance(payload, RunCorrection) and payload.event > NUMBER_MAX:
                raise LinecallError(
                    f"what is to be corrected in run {run} was entered on another device; correct it there, and merge "
                    "its logbook again"
                )
            _append(connection, _free_id(connection), kind, payload.as_payload(), by=by, reading=run, at=at)
        _check_alone(connection, self._run_row(connection, run), begins=begins)

    def _run_row(self, connection: Connection, run: str, *, expect_last: int | None = None) -> dict[str, Any]:
        row = stored_row(connection, runs, run) if has_runs(connection) else None
        if row is None:
            raise LinecallError(f"{self.name}: there is no run {run!r}; linecall run list shows them")
        if expect_last not in (None, row["last_seq"]):
            raise StaleHeadError(f"somebody has written to run {run} meanwhile; look at it again, then go on")
        return row

    def add_to_follow_ups(
        self,
        entries: Sequence[tuple[str, str, Payload]],
        *,
        by: str,
        at: datetime,
        settings: Sequence[SettingsFile] = (),
    ) -> int:
        """Append events of follow-ups, all or none; returns how many.

        entries : id of the follow-up, kind and payload. One that asks for what was asked for already, and one about a
        follow-up that has ended, are left out: somebody else was first. settings : as for `begin_run`.
        """
        n = 0
        with self._database.writing() as connection:
            begin_follow_ups(connection)
            _keep_settings(connection, settings, by=by, at=at)
            for id, kind, payload in entries:
                if isinstance(payload, FollowUpAsked):
                    asked = (follow_ups.c.about == payload.reading) & (follow_ups.c.action == payload.action)
                    if connection.execute(select(follow_ups.c.seq).where(asked)).first() is not None:
                        continue
                    id = own = _free_id(connection, id)
                else:
                    row, own = stored_row(connection, follow_ups, id), _free_id(connection)
                    if row is None or row["ended"] is not None:
                        continue
                _append(connection, own, kind, payload.as_payload(), by=by, reading=id, at=at)
                n += 1
        return n

    def append(
        self,
        kind: str,
        payload: Mapping[str, Any],
        *,
        by: str,
        reading: str | None = None,
        at: datetime,
        expect_head: tuple[int, str] | None = None,
        settings: Sequence[SettingsFile] = (),
    ) -> Event:
        """Append an event; `reader.logbook` says what payloads hold.

        settings : the files that it rests on, which are kept before it.
        expect_head : the head the caller has looked at; another writer since then raises StaleHeadError.
        Raises LinecallError for an unknown reading, a review of a superseded one, or a payload that JSON
        cannot carry.
        """
        if kind == "reading":
            raise LinecallError("a reading is added with its photos, not appended")
        if kind == MERGE:
            raise LinecallError("another logbook is taken in with its events, not appended")
        whole = dict(payload)
        if kind == "review" and "verdict" in whole:
            whole["summary"] = summarise(parse_verdict(whole["verdict"]))
        with self._database.writing() as connection:
            if expect_head is not None and _head(connection) != expect_head:
                raise StaleHeadError(
                    f"{self.name}: somebody has written to the logbook meanwhile; look again, then decide"
                )
            row = None if reading is None else self._row(connection, reading)
            if kind == "review" and row is not None and row["superseded_by"] is not None:
                raise LinecallError(
                    f"reading {reading} has been superseded by {row['superseded_by']}; review that one"
                )
            _keep_settings(connection, settings, by=by, at=at)
            return _append(connection, _free_id(connection), kind, whole, by=by, reading=reading, at=at)

    def correct(self, reading: str, field: str, value: str, *, by: str, reason: str, at: datetime) -> Event:
        """Correct what was stated about a reading, as a new event.

        Raises LinecallError for an unknown reading or field, a value the field cannot have or has already, or
        an empty reason.
        """
        field = field.replace("-", "_")
        if field not in CORRECTABLE:
            raise LinecallError(f"{field!r} is nothing that is stated; choose from {', '.join(CORRECTABLE)}")
        if not reason.strip():
            raise LinecallError("a correction needs a reason")
        head = self.head()
        stored = self.reading(reading)
        before = stored.statement.as_payload()
        after = Statement.of(**before | {field: value}).as_payload()
        if before.get(field) == after.get(field):
            raise LinecallError(f"{field} of reading {reading} is {value!r} already; nothing was changed")
        payload = {
            "field": field,
            "was": before.get(field),
            "value": after.get(field),
            "reason": reason.strip(),
        }
        return self.append("correction", payload, by=by, reading=reading, at=at, expect_head=head)

    def take_in(
        self,
        incoming: Sequence[Incoming],
        *,
        called: Sequence[Mapping[str, Any]] = (),
        by: str,
        at: datetime,
        progress: Callable[[int], None] | None = None,
    ) -> Event:
        """Take in the events of other chains, and say so in the own one; all, or nothing.

        called : as events of kind `merge` hold it. Raises LinecallError where one does not hold, and StaleHeadError
        where a chain has grown here meanwhile.
        """
        with self._database.writing() as connection:
            known = Chains.of(connection)
            heads = {} if known is None else {head.id: head.seq for head in known.heads.values()}
            if any(heads.get(one.head.id, 0) != one.since for one in incoming):
                raise StaleHeadError(f"{self.name}: somebody else has merged into it meanwhile; try again")
            taken = take_in(connection, incoming, now=at, progress=progress)
            payload = {
                "chains": [
                    {"chain": one.head.id, "since": one.since, "seq": one.head.seq, "hash": one.head.hash}
                    for one in incoming
                ],
                "called": list(called),
            }
            event = _append(connection, _free_id(connection), MERGE, payload, by=by, reading=None, at=at)
            make_all_rows(connection, taken)
        return event

    def chain_bodies(
        self, chain: str, *, after: int = 0, until: int | None = None
    ) -> Iterator[tuple[str, str]]:
        """(hash, body) of a chain's events after number `after` up to `until`, as they are stored."""
        with self._database.reading() as connection:
            own = chain == own_id(connection)
            table, slot = (events, 0) if own else (others, Chains(connection).slots[chain])
            last = place_of(slot, NUMBER_MAX if until is None else until)
            query = select(table.c.hash, table.c.body).where(
                table.c.seq.between(place_of(slot, after + 1), last)
            )
            with connection.execute(
                query.order_by(table.c.seq).execution_options(yield_per=BATCH_SIZE)
            ) as found:
                yield from (tuple(row) for row in found)

    def put_photo(self, digest: str, data: bytes) -> None:
        """Keep a photo that events about to be taken over name. Raises OutputError."""
        self._photos.put(digest, data)

    def remember_no_place(self) -> None:
        """Let whoever opens the logbook name the photos' place, as that of a file whose photos lay beside it."""
        with self._database.writing() as connection:
            connection.execute(update(about).where(about.c.name == "photos").values(value=""))
        self._place = place_record("")

    def take_over(
        self,
        chain: Iterable[tuple[str, str]],
        others: Sequence[Incoming] = (),
        *,
        without_photos: bool = False,
    ) -> None:
        """Take (hash, body) of all events of another logbook, in order, into this one, which is empty.

        others : the chains that had been merged into it. without_photos : it is not to be kept. Raises LinecallError,
        with nothing taken, where this one is not empty, an event is not whole, or its photos lay elsewhere.
        """
        with self._database.writing() as connection:
            if _head(connection)[0]:
                raise LinecallError(f"{self.name}: holds events already; nothing was taken over")
            for seq, (digest, body) in enumerate(chain, 1):
                event = load_event(seq, digest, body)
                elsewhere = event.kind == "reading" and event.payload.get("place", self._place) != self._place
                if elsewhere and not without_photos:
                    raise LinecallError(
                        f"{self.name}: the photos of event {seq} were kept in a place that was named when its logbook "
                        "was begun; name the same one with --logbook-photos"
                    )
                row = {"seq": seq, "id": event.id, "reading": event.reading, "hash": digest, "body": body}
                connection.execute(insert(events).values(row))
            if others:
                take_in(connection, others)
            rebuild(connection)

    def _keep(self, verdict: Verdict, photos: Sequence[Path]) -> list[KeptPhoto]:
        """Write the photos into their place; each must be one that the verdict is about."""
        due = photos_of(verdict)
        kept = []
        for path in photos:
            try:
                data = read_plain(path)
            except OSError as error:
                raise LinecallError(f"{path}: cannot be read ({error.strerror or error})") from error
            digest = sha256(data).hexdigest()
            if digest not in due:
                raise LinecallError(
                    f"{path}: is not the photo that was read: it has changed since; read it again"
                )
            self._photos.put(digest, data)
            kept.append(KeptPhoto(name=_clean(path.name), sha256=digest))
        missing = due - {photo.sha256 for photo in kept}
        if missing or not kept:
            raise LinecallError(
                "a photo of this reading was not given, and no reading is logged without its photos"
            )
        return kept

    # --- looking --------------------------------------------------------------------------------------------

    def head(self) -> tuple[int, str]:
        """Number and hash of the last event; (0, 64 zeros) of an empty logbook."""
        with self._database.reading() as connection:
            return _head(connection)

    def seal(self, *, at: datetime) -> Seal:
        """The head, to be kept where whoever could change the logbook cannot.

        The own chain names the heads of the chains that were merged into it, so its head stands for all of them.
        """
        seq, digest = self.head()
        if seq == 0:
            raise LinecallError(f"{self.name}: the logbook is empty; there is nothing to seal")
        return Seal(seq=seq, hash=digest, at=at)

    def heads(self) -> tuple[ChainHead, ...]:
        """The chains of other logbooks that were merged into this one, by their ids."""
        with self._database.reading() as connection:
            known = Chains.of(connection)
            return () if known is None else tuple(known.heads.values())

    def heads_at(self, last: int) -> tuple[ChainHead, ...]:
        """The chains of other logbooks as far as they had been merged when the own chain ended at event `last`."""
        with self._database.reading() as connection:
            known = Chains.of(connection)
            return () if known is None else known.heads_at(last)

    def chain_ids(self) -> dict[int, str]:
        """Id of every chain by its slot, the own one's too; empty where no other one is held."""
        with self._database.reading() as connection:
            known = Chains.of(connection)
            if known is None:
                return {}
            return {0: own_id(connection) or "", **{slot: head.id for slot, head in known.heads.items()}}

    def count_apart(self) -> int:
        """How many readings wait because of what was said about them on several devices."""
        query = select(func.count()).select_from(readings).where(readings.c.rank == int(Rank.APART))
        with self._database.reading() as connection:
            return connection.execute(query).scalar_one()

    def reading_ids(self, last: int) -> list[str]:
        """Ids of the readings that were there when the own chain ended at event `last`, the oldest first."""
        with self._database.reading() as connection:
            known = Chains.of(connection)
            held = {0: last} if known is None else known.held_at(last)
            there = [
                readings.c.seq.between(place_of(slot, 1), place_of(slot, until))
                for slot, until in held.items()
            ]
            query = select(readings.c.id).where(or_(*there)).order_by(*_order(connection))
            return list(connection.scalars(query))

    def stated_names(self) -> dict[tuple[str, str], frozenset[str]]:
        """(kind, name) of whoever and whatever readings and runs name, with what tells points from their namesakes."""
        columns = {PERSON: readings.c.operator, TANK: readings.c.tank, SAMPLE_POINT: readings.c.sample_point}
        found: dict[tuple[str, str], frozenset[str]] = {}
        with self._database.reading() as connection:
            for kind, column in columns.items():
                for name in connection.scalars(select(column).where(column.is_not(None)).distinct()):
                    found[kind, name] = frozenset()
            if has_runs(connection):
                for site, point, tank in connection.execute(
                    select(runs.c.site, runs.c.point, runs.c.tank).distinct()
                ):
                    told = f"of site {site} is on tank {tank}"
                    found[POINT, point] = found.get((POINT, point), frozenset()) | {told}
        return found

    def matched_names(self, chain: str) -> set[tuple[str, str]]:
        """(kind, name) of what a keeper has said of a chain's names."""
        with self._database.reading() as connection:
            known = Chains.of(connection)
            return set() if known is None else known.matched(chain)

    def doubles(self) -> list[str]:
        """Sentences about open runs on one point, and runs on one plate, as devices that did not know begin them."""
        with self._database.reading() as connection:
            if not has_runs(connection):
                return []
            return [*_double(connection, ("site", "point")), *_double(connection, ("lot", "plate"))]

    def own_head(self) -> ChainHead | None:
        """The own chain's; None while it is empty."""
        with self._database.reading() as connection:
            return _own_head(connection)

    def reading(self, reading_id: str, *, last: int | None = None) -> StoredReading:
        """A reading with all that became of it, or what had up to event `last` of the own chain.

        Raises LinecallError if it is unknown or has been altered.
        """
        with self._database.reading() as connection:
            row = self._row(connection, reading_id)
            known = Chains.of(connection)
            if known is not None:
                story = story_of(known, known.history(reading_id, last))
                with kept(f"reading {reading_id}"):
                    return _stored_among_others(row, story)
            query = select(*_EVENT_COLUMNS).where(events.c.reading == reading_id).order_by(events.c.seq)
            if last is not None:
                query = query.where(events.c.seq <= last)
            history = [load_event(*found) for found in connection.execute(query)]
            with kept(f"reading {reading_id}"):
                return _stored(row, history)

    def row(self, reading_id: str) -> ReadingRow:
        """Row of one reading. Raises LinecallError if it is unknown."""
        with self._database.reading() as connection:
            self._row(connection, reading_id)
            query = select(*_ROW_COLUMNS).where(readings.c.id == reading_id)
            return _row_value(connection.execute(query).one())

    def succession(self, reading_id: str) -> Succession:
        """What a reading did to earlier ones of its photos. Raises LinecallError if it is unknown."""
        stored = self.reading(reading_id)
        first = next(iter(self.events(reading_id)))
        replaced = [self.reading(id) for id in first.payload.get("supersedes", ())]
        photos = [photo.sha256 for photo in stored.photos]
        query = select(*_ROW_COLUMNS).where(
            readings.c.photo_sha256.in_(photos), readings.c.superseded_by.is_(None)
        )
        with self._database.reading() as connection:
            order = _order(connection)
            before = query.where(_is_before(connection, order, stored.seq)).order_by(*order)
            beside = tuple(_row_value(row) for row in connection.execute(before))
        return Succession(
            replaced=tuple(self.row(earlier.id) for earlier in replaced),
            waited=frozenset(
                earlier.id for earlier in replaced if summarise(earlier.current)["rank"] is not None
            ),
            beside=beside,
        )

    def readings(
        self,
        *,
        limit: int = 50,
        before: int | None = None,
        after: int | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        standing: bool = False,
        **filters: str | None,
    ) -> list[ReadingRow]:
        """Rows of readings, the newest first.

        Where other logbooks were merged into this one, by when they were logged; else as they were logged.
        before, after : seq of a row at a page's edge; after gives the page before it, still the newest first.
        since, until : of when they were logged; until is not included. standing : leave out those that were
        superseded. filters : tank, sample_point, sample_phase, plate_lot, operator, grade, status, layout.
        """
        chosen = _conditions(filters, since, until, standing=standing)
        with self._database.reading() as connection:
            order = _order(connection)
            if before is not None:
                chosen.append(_is_before(connection, order, before))
            if after is not None:
                chosen.append(_is_before(connection, order, after, backwards=True))
            ordered = [column.asc() if after is not None else column.desc() for column in order]
            query = select(*_ROW_COLUMNS).where(*chosen).order_by(*ordered).limit(limit)
            rows = [_row_value(row) for row in connection.execute(query)]
        return rows[::-1] if after is not None else rows

    def count(
        self,
        *,
        since: datetime | None = None,
        until: datetime | None = None,
        standing: bool = False,
        **filters: str | None,
    ) -> int:
        """How many readings `readings` would give with these filters, were there no limit."""
        query = (
            select(func.count())
            .select_from(readings)
            .where(*_conditions(filters, since, until, standing=standing))
        )
        with self._database.reading() as connection:
            return connection.execute(query).scalar_one()

    def places(self, name: str | None = None) -> list[Place]:
        """Tanks and sample points with standing readings; name : only those whose tank or point is called so."""
        query = (
            select(readings.c.tank, readings.c.sample_point, func.count(), func.max(readings.c.at_utc))
            .where(readings.c.superseded_by.is_(None))
            .group_by(readings.c.tank, readings.c.sample_point)
            .order_by(readings.c.tank, readings.c.sample_point)
        )
        if name is not None:
            query = query.where(or_(readings.c.sample_point == name, readings.c.tank == name))
        with self._database.reading() as connection:
            found = connection.execute(query).all()
        return [
            Place(tank=tank, sample_point=point, readings=n, last=datetime.fromtimestamp(last, UTC))
            for tank, point, n, last in found
        ]

    def grades_by_month(
        self,
        *,
        since: datetime | None = None,
        until: datetime | None = None,
        place: Place | None = None,
    ) -> list[MonthCount]:
        """How often each grade was given to a tank and sample point in each month, as the logbook's times are written.

        Standing readings alone; the grade of a refused photo is None. place : of this one only.
        """
        month = func.substr(readings.c.at, 1, 7).label("month")
        columns = (readings.c.tank, readings.c.sample_point, month, readings.c.grade)
        query = select(*columns, func.count()).where(*_conditions({}, since, until, standing=True))
        if place is not None:
            query = query.where(readings.c.tank == place.tank, readings.c.sample_point == place.sample_point)
        with self._database.reading() as connection:
            found = connection.execute(query.group_by(*columns[:2], "month", columns[3])).all()
        return [
            MonthCount(tank=tank, sample_point=point, month=month, grade=grade, readings=n)
            for tank, point, month, grade, n in found
        ]

    def stories(
        self,
        *,
        since: datetime | None = None,
        until: datetime | None = None,
        place: Place | None = None,
        newest: int | None = None,
    ) -> Iterator[tuple[ReadingRow, list[Event]]]:
        """Each reading's row with its own events, in order of their first; memory stays constant.

        place : only of this tank and sample point. newest : only so many, those logged last. since, until : as for
        `readings`. Raises LinecallError at an event that has been altered.
        """
        chosen = _conditions({}, since, until)
        if place is not None:
            chosen += [readings.c.tank == place.tank, readings.c.sample_point == place.sample_point]
        with self._database.reading() as connection:
            known = Chains.of(connection)
            if known is not None:
                yield from _stories_among_others(connection, known, chosen, newest)
                return
        if newest is not None:
            last = select(readings.c.seq).where(*chosen).order_by(readings.c.seq.desc()).limit(newest)
            chosen.append(readings.c.seq.in_(last))
        query = (
            select(events.c.seq.label("event"), events.c.hash, events.c.body, *_ROW_COLUMNS)
            .join_from(readings, events, events.c.reading == readings.c.id)
            .where(*chosen)
            .order_by(readings.c.seq, events.c.seq)
        )
        row: ReadingRow | None = None
        history: list[Event] = []
        with self._database.reading() as connection:
            for found in connection.execute(query.execution_options(yield_per=BATCH_SIZE)):
                if row is None or found.id != row.id:
                    if row is not None:
                        yield row, history
                    row, history = _row_value(found), []
                history.append(load_event(found.event, found.hash, found.body))
        if row is not None:
            yield row, history

    def standing_verdicts(self) -> Iterator[tuple[str, bytes | str]]:
        """Each standing reading's id with its verdict after the reviews, as JSON; memory stays constant.

        In the order of logging. Text says why a verdict cannot be had: an event of its reading has been altered.
        """
        query = (
            select(readings.c.id, events.c.seq, events.c.hash, events.c.body)
            .join_from(readings, events, events.c.reading == readings.c.id)
            .where(readings.c.superseded_by.is_(None))
            .order_by(readings.c.seq, events.c.seq)
        )
        with self._database.reading() as connection:
            known = Chains.of(connection)
            if known is not None:
                yield from _verdicts_among_others(connection, known)
                return
            found = connection.execute(query.execution_options(yield_per=BATCH_SIZE))
            for reading, history in groupby(found, key=lambda row: row.id):
                yield reading, _last_verdict(history)

    def missing_photos(self, hashes: Iterable[str]) -> frozenset[str]:
        """Those of the photos that are no longer kept; whether the others are whole, `verify` tells."""
        return frozenset(digest for digest in set(hashes) if not has_file(self._photos, digest))

    def waiting(
        self,
        *,
        now: datetime,
        limit: int = 50,
        skip: int = 0,
        by_age: bool = False,
        since: datetime | None = None,
        in_doubt: str | None = None,
        **filters: str | None,
    ) -> list[ReadingRow]:
        """Rows of readings that wait for a reviewer, the most urgent first.

        A plate that may still be read comes before all others, the one that closes first; then by rank
        (`Rank`), then by the smaller margin, then the older. by_age : those others by their age alone, which tells
        nothing of what was called. since : logged then or later. in_doubt : an analyte
        of which a mark is doubtful. filters : as for `readings`.
        """
        moment = int(now.timestamp())
        chosen = [_WAITS, *_conditions(filters, since), *_in_doubt(in_doubt)]
        base = select(*_ROW_COLUMNS)
        closed = or_(readings.c.open_until.is_(None), readings.c.open_until <= moment)
        with self._database.reading() as connection:
            age = _order(connection)
            open_now = (
                base.where(*chosen, readings.c.open_until > moment)
                .order_by(readings.c.open_until, *age)
                .limit(skip + limit)
            )
            order = age if by_age else (readings.c.rank, readings.c.urgency, *age)
            first = [_row_value(row) for row in connection.execute(open_now)]
            if len(first) >= skip + limit:
                return first[skip:]
            before = max(skip - len(first), 0)  # of the closed ones, on earlier pages
            rest = (
                base.where(*chosen, closed).order_by(*order).limit(limit - len(first[skip:])).offset(before)
            )
            return first[skip:] + [_row_value(row) for row in connection.execute(rest)]

    def waiting_count(
        self, *, since: datetime | None = None, in_doubt: str | None = None, **filters: str | None
    ) -> Waiting:
        """How many readings wait, and since when; of those that `waiting` chooses."""
        query = select(func.count(), func.min(readings.c.at_utc)).where(
            _WAITS, *_conditions(filters, since), *_in_doubt(in_doubt)
        )
        with self._database.reading() as connection:
            count, oldest = connection.execute(query).one()
        return Waiting(count=count, since=None if oldest is None else datetime.fromtimestamp(oldest, UTC))

    def run_events(self, run: str) -> list[Event]:
        """Events of a run, in order. Raises LinecallError if it is unknown or one has been altered."""
        with self._database.reading() as connection:
            self._run_row(connection, run)
            return _history(connection, run)

    def runs(
        self,
        *,
        limit: int = 50,
        before: int | None = None,
        is_open: bool = False,
        site: str | None = None,
        point: str | None = None,
        lot: str | None = None,
        plate: str | None = None,
        reading: str | None = None,
    ) -> list[RunRow]:
        """Rows of runs, those begun last first.

        before : seq of a row at a page's edge. is_open : only those that were neither closed nor abandoned.
        reading : id of a reading, for the run that it belongs to.
        """
        said = {"site": site, "point": point, "lot": lot, "plate": plate, "reading": reading}
        chosen = [runs.c[name] == value for name, value in said.items() if value is not None]
        if is_open:
            chosen.append(runs.c.ended.is_(None))
        with self._database.reading() as connection:
            if not has_runs(connection):
                return []
            order = _order(connection, runs)
            if before is not None:
                chosen.append(_is_before(connection, order, before))
            query = select(runs).where(*chosen).order_by(*(column.desc() for column in order)).limit(limit)
            return [_run_value(row) for row in connection.execute(query)]

    def point_readings(
        self, site: str, point: str, *, limit: int = 50, since: datetime | None = None
    ) -> list[tuple[RunRow, ReadingRow]]:
        """The readings of a sample point's runs, with the runs, the sample drawn last first; found by an index.

        A reading that another one has superseded is left out, as is a run without one. since : of the sample.
        """
        chosen = [runs.c.site == site, runs.c.point == point, readings.c.superseded_by.is_(None)]
        if since is not None:
            chosen.append(runs.c.taken_utc >= int(since.timestamp()))
        run = [column.label(f"run_{column.name}") for column in runs.c]
        query = (
            select(*run, *_ROW_COLUMNS)
            .join_from(runs, readings, readings.c.id == runs.c.reading)
            .where(*chosen)
            .order_by(runs.c.taken_utc.desc(), runs.c.seq.desc())
            .limit(limit)
        )
        with self._database.reading() as connection:
            if not has_runs(connection):
                return []
            return [(_run_value(row, "run_"), _row_value(row)) for row in connection.execute(query)]

    def last_point_readings(self, site: str, points: Sequence[str]) -> dict[str, tuple[RunRow, ReadingRow]]:
        """The reading of each sample point whose sample was drawn last, where there is one."""
        found = (self.point_readings(site, point, limit=1) for point in points)
        return {pairs[0][0].point: pairs[0] for pairs in found if pairs}

    def run_readings(
        self, site: str, *, grades: Sequence[str], since: datetime, last: int
    ) -> list[tuple[RunRow, ReadingRow]]:
        """Standing readings of some grades among the runs of a site begun last, those begun first first.

        since : of the sample. last : how many runs are looked at, so that it costs the same in any logbook.
        """
        run = [column.label(f"run_{column.name}") for column in runs.c]
        with self._database.reading() as connection:
            if not has_runs(connection):
                return []
            order = _order(connection, runs)
            newest = select(runs.c.seq).where(runs.c.site == site)
            newest = newest.order_by(*(column.desc() for column in order)).limit(last)
            query = (
                select(*run, *_ROW_COLUMNS)
                .join_from(runs, readings, readings.c.id == runs.c.reading)
                .where(
                    runs.c.seq.in_(newest),
                    runs.c.taken_utc >= int(since.timestamp()),
                    readings.c.grade.in_(grades),
                    readings.c.superseded_by.is_(None),
                )
                .order_by(*order)
            )
            return [(_run_value(row, "run_"), _row_value(row)) for row in connection.execute(query)]

    def follow_ups(
        self,
        *,
        site: str | None = None,
        point: str | None = None,
        id: str | None = None,
        about: Sequence[str] | None = None,
        is_open: bool = False,
        limit: int | None = None,
    ) -> list[list[Event]]:
        """Events of each follow-up, those asked for last first.

        about : ids of the readings that they follow from. Raises LinecallError at an event that has been altered.
        """
        said = {"site": site, "point": point, "id": id}
        chosen = [follow_ups.c[name] == value for name, value in said.items() if value is not None]
        if about is not None:
            chosen.append(follow_ups.c.about.in_(about))
        if is_open:
            chosen.append(follow_ups.c.ended.is_(None))
        wanted = select(follow_ups.c.id, follow_ups.c.seq).where(*chosen).order_by(follow_ups.c.seq.desc())
        inner = wanted.limit(limit).subquery()
        query = (
            select(inner.c.id.label("of"), *_EVENT_COLUMNS)
            .join_from(inner, events, events.c.reading == inner.c.id)
            .order_by(inner.c.seq.desc(), events.c.seq)
        )
        stories: dict[str, list[Event]] = {}
        with self._database.reading() as connection:
            if has_follow_ups(connection) and (known := Chains.of(connection)) is not None:
                latest = (
                    select(follow_ups.c.id)
                    .where(*chosen)
                    .order_by(follow_ups.c.at.desc(), follow_ups.c.seq.desc())
                )
                return [known.history(one) for one in connection.scalars(latest.limit(limit)).all()]
            if has_follow_ups(connection):
                for of, *stored in connection.execute(query):
                    stories.setdefault(of, []).append(load_event(*stored))
        return list(stories.values())

    def events(self, reading: str | None = None, after: int = 0) -> Iterator[Event]:
        """Events in order, of one reading or of all; chain by chain, where others' are held.

        Raises LinecallError at one that has been altered.
        """
        with self._database.reading() as connection:
            known = Chains.of(connection)
            if known is not None and reading is not None:
                self._row(connection, reading)
                yield from (event for event in known.history(reading) if event.seq > after)
                return
            if known is not None:
                yield from (known.event(*row) for row in every_body(connection, after))
                return
        for seq, digest, body in self.bodies(reading, after):
            yield load_event(seq, digest, body)

    def site_events(self, kind: str, *, everywhere: bool = False) -> list[Event]:
        """Events of a kind that are about no reading, in order: of the own chain, or of every chain that is held.

        Raises LinecallError at one that has been altered.
        """
        with self._database.reading() as connection:
            return site_events(connection, kind, everywhere=everywhere)

    def settings(self, *, everywhere: bool = True) -> dict[str, KeptFile]:
        """Every settings file that a reading or review was made by, by its hash, as far as they are kept.

        everywhere : not only those of the own chain.
        """
        return kept_files(self.site_events(SETTINGS, everywhere=everywhere))

    def related(self, reading: StoredReading, *, within: timedelta) -> list[Event]:
        """First events of other readings that may be of the same plate, in order; who asks must look closer.

        Those of one of its photos, of the same tank and sample point, and those logged not longer apart than `within`.
        """
        said, at = reading.statement, int(reading.at.timestamp())
        apart = int(within.total_seconds())
        of_photo = [events.c.body.contains(f'"sha256":"{photo.sha256}"') for photo in reading.photos]
        likely: list[ColumnElement[bool]] = [readings.c.at_utc.between(at - apart, at + apart)]
        if said.tank is not None and said.sample_point is not None:
            likely.append((readings.c.tank == said.tank) & (readings.c.sample_point == said.sample_point))
        query = select(*_EVENT_COLUMNS).join_from(readings, events, events.c.seq == readings.c.seq)
        query = query.where(or_(*of_photo, *likely), readings.c.id != reading.id).order_by(events.c.seq)
        with self._database.reading() as connection:
            known = Chains.of(connection)
            if known is None:
                return [load_event(*row) for row in connection.execute(query)]
            photos = [photo.sha256 for photo in reading.photos]
            return [event for event in known.firsts(likely=likely, photos=photos) if event.id != reading.id]

    def readings_of_photo(self, sha256: str) -> list[str]:
        """Ids of the readings that a photo is of, byte for byte, in order."""
        with self._database.reading() as connection:
            of_photo = [
                select(readings.c.id, *_order(connection))
                .join_from(readings, table, table.c.seq == readings.c.seq)
                .where(table.c.body.contains(f'"sha256":"{sha256}"'))
                for table in event_tables(connection)
            ]
            found = [tuple(row) for query in of_photo for row in connection.execute(query)]
        return [row[0] for row in sorted(found, key=lambda row: row[1:])]

    def bodies(self, reading: str | None = None, after: int = 0) -> Iterator[tuple[int, str, str]]:
        """(seq, hash, body) of the own chain's events in order, as they are stored; the body is canonical JSON."""
        query = select(*_EVENT_COLUMNS).where(events.c.seq > after).order_by(events.c.seq)
        if reading is not None:
            query = query.where(events.c.reading == reading)
        with self._database.reading() as connection:
            if reading is not None:
                self._row(connection, reading)
            with connection.execute(query.execution_options(yield_per=BATCH_SIZE)) as found:
                yield from (tuple(row) for row in found)

    def photo_bytes(self, sha256: str) -> bytes:
        """Bytes of a kept photo. Raises LinecallError if it is missing or has been altered."""
        return read_file(self._photos, sha256, where="the logbook's photos")

    def write_photo(self, photo: KeptPhoto, folder: Path) -> Path:
        """Write a kept photo into a folder, under the name it came with; returns its path.

        Raises as `photo_bytes` does, and OutputError if it cannot be written.
        """
        name = Path(photo.name.replace("\0", "")).name
        path = folder / ("photo" if name in {"", ".."} else name)
        write_whole({path: self.photo_bytes(photo.sha256)})
        return path

    def verify(
        self,
        progress: Callable[[int], None] | None = None,
        *,
        photos: bool = True,
        seals: Sequence[Seal] = (),
    ) -> Report:
        """Check every event, photo and row in one pass over one state of the logbook; memory stays constant.

        progress : told from time to time how many events have been looked at. photos : False leaves them out.
        seals : heads noted earlier, which must still be there.
        """
        with self._database.reading() as connection:
            return check(connection, self._photos if photos else None, seals, progress)

    def rebuild(self) -> int:
        """Make the rows that lists show anew from the events, which stay; returns how many."""
        with self._database.writing() as connection:
            return rebuild(connection)

    def _row(self, connection: Connection, reading: str) -> dict[str, Any]:
        row = row_of(connection, reading)
        if row is None:
            raise LinecallError(
                f"{self.name}: there is no reading {reading!r}; linecall logbook list shows them"
            )
        return row


# --- opening ------------------------------------------------------------------------------------------------


def _check_path(path: Path, *, must_exist: bool) -> None:
    if path.is_dir():
        raise LinecallError(
            f"{path}: is a folder; name the logbook's file in it, such as {path / 'logbook.db'}"
        )
    if must_exist and not path.exists():
        raise LinecallError(f"{path}: there is no logbook; check the path")
    if not path.absolute().parent.is_dir():
        raise LinecallError(f"{path}: there is no folder {path.parent}; create it first")


def _photos_beside(database: Database) -> str:
    if database.path is None:
        raise LinecallError(
            f"{database.name}: a logbook on a server needs a place for its photos that all its users reach; "
            "name it with --logbook-photos FOLDER|URL when you begin it"
        )
    return str(database.path.with_name(database.path.name + ".photos"))


def _settle(database: Database, *, must_exist: bool, photos: str | None) -> str:
    """Begin the logbook if there is none yet; returns the remembered place of the photos."""
    known = _about(database)
    if known is None:
        if must_exist:
            raise LinecallError(f"{database.name}: holds no logbook; check the path")
        if not photos:
            _photos_beside(database)  # raises where a place must be named
        with database.creating() as connection:
            if not inspect(connection).has_table(about.name):
                tables.create_all(connection, tables=FIRST_TABLES)
                connection.execute(
                    insert(about),
                    [
                        {"name": "format", "value": str(FORMAT_WITHOUT_RUNS)},
                        {"name": "photos", "value": photos or ""},
                    ],
                )
                if not database.is_sqlite:  # whoever writes there later may be nobody who may make tables
                    add_missing(connection)
        known = _about(database) or {}
    found = known.get("format", "")
    if not found.isdecimal():
        raise LinecallError(f"{database.name}: holds no logbook, but something like it; give another path")
    if int(found) > FORMAT:
        raise LinecallError(
            f"{database.name}: is a logbook of format {found}, but this linecall knows up to {FORMAT}; "
            "update linecall"
        )
    return known.get("photos", "")


def _about(database: Database) -> dict[str, str] | None:
    """What the database says about its logbook; None if it holds none."""
    if database.path is not None and (not database.path.exists() or database.path.stat().st_size == 0):
        return None
    with database.reading() as connection:
        if inspect(connection).has_table(about.name):
            return {row.name: row.value for row in connection.execute(select(about))}
        if database.is_sqlite and inspect(connection).get_table_names():
            raise LinecallError(f"{database.name}: is a database of something else; give another path")
    return None


# --- values -------------------------------------------------------------------------------------------------


def _clean(name: str) -> str:
    return name.encode("utf-8", "replace").decode("utf-8")


def parse_verdict(value: object) -> Verdict:
    """Verdict of an event's payload. Raises LinecallError."""
    return _verdict_of(json.dumps(value).encode("utf-8"))


@lru_cache(maxsize=64)
def _verdict_of(data: bytes) -> Verdict:
    """The verdict of these bytes; frozen, so that one serves all who ask for the same reading again."""
    return load_verdict(data)


def _head(connection: Connection) -> tuple[int, str]:
    found = connection.execute(
        select(events.c.seq, events.c.hash).order_by(events.c.seq.desc()).limit(1)
    ).first()
    return (0, GENESIS) if found is None else (found.seq, found.hash)


def _own_head(connection: Connection) -> ChainHead | None:
    first = connection.execute(select(*_EVENT_COLUMNS).where(events.c.seq == 1)).one_or_none()
    if first is None:
        return None
    begun, (seq, digest) = load_event(*first), _head(connection)
    return ChainHead(id=first.hash, seq=seq, hash=digest, begun_by=begun.by, begun_at=begun.at)


def _history(connection: Connection, id: str) -> list[Event]:
    """All events about a reading, run or follow-up, in order."""
    known = Chains.of(connection)
    if known is not None:
        return known.history(id)
    query = select(*_EVENT_COLUMNS).where(events.c.reading == id).order_by(events.c.seq)
    return [load_event(*row) for row in connection.execute(query)]


def _double(connection: Connection, columns: tuple[str, str]) -> Iterator[str]:
    """Runs that share a point, both open, or a plate."""
    first, second = (runs.c[name] for name in columns)
    chosen = (
        [runs.c.ended.is_(None), runs.c.reading.is_(None)] if columns[0] == "site" else [second.is_not(None)]
    )
    query = select(first, second).where(*chosen).group_by(first, second).having(func.count() > 1)
    for one, other in connection.execute(query.order_by(first, second)).all():
        ids = connection.scalars(
            select(runs.c.id).where(*chosen, first == one, second == other).order_by(runs.c.id)
        ).all()
        of_point = f"sample point {other} of site {one} has open"
        what = of_point if columns[0] == "site" else f"plate {other} of lot {one} is in"
        yield f"{what} runs {listed(ids)}; see linecall run show, and end what is not so"


def _order(connection: Connection, table: Table = readings) -> tuple[Column[Any], ...]:
    """Columns by which a list runs, the oldest first: as things were written, or by time where chains were merged."""
    if not has_chains(connection):
        return (table.c.seq,)
    return (table.c.at_utc if table is readings else table.c.taken_utc, table.c.seq)


def _is_before(
    connection: Connection, order: Sequence[Column[Any]], seq: int, *, backwards: bool = False
) -> ColumnElement[bool]:
    """Whether a row comes before the one of number `seq`, or, backwards, after it."""
    last = order[-1]
    before: ColumnElement[bool] = last > seq if backwards else last < seq
    if len(order) == 1:
        return before
    time = order[0]
    edge = connection.scalar(select(time).where(last == seq))
    if edge is None:
        return before
    earlier: ColumnElement[bool] = time > edge if backwards else time < edge
    return or_(earlier, (time == edge) & before)


def _stories_among_others(
    connection: Connection, known: Chains, chosen: Sequence[ColumnElement[bool]], newest: int | None
) -> Iterator[tuple[ReadingRow, list[Event]]]:
    order = _order(connection)
    query = select(*_ROW_COLUMNS).where(*chosen)
    if newest is not None:
        last = (
            select(readings.c.seq).where(*chosen).order_by(*(column.desc() for column in order)).limit(newest)
        )
        query = select(*_ROW_COLUMNS).where(readings.c.seq.in_(last))
    for row in connection.execute(query.order_by(*order).execution_options(yield_per=BATCH_SIZE)):
        yield _row_value(row), known.history(row.id)


def _last_time(connection: Connection) -> datetime | None:
    """Time of the last event; None where there is none, or it has been altered, which checking tells."""
    head = connection.scalar(select(func.substr(events.c.body, 1, 60)).order_by(events.c.seq.desc()).limit(1))
    try:
        found = datetime.fromisoformat(str(head).split('"')[3])
    except (ValueError, IndexError):
        return None
    return found if found.tzinfo is not None else None


def _free_id(connection: Connection, wanted: str | None = None) -> str:
    """The id that is wanted if no event has it yet, else one that is drawn."""
    tables = event_tables(connection)
    while True:
        drawn, wanted = wanted or new_id(), None
        if all(
            connection.execute(select(table.c.seq).where(table.c.id == drawn)).first() is None
            for table in tables
        ):
            return drawn


def _append(
    connection: Connection,
    id: str,
    kind: str,
    payload: Mapping[str, Any],
    *,
    by: str,
    reading: str | None,
    at: datetime,
) -> Event:
    seq, previous = _head(connection)
    before = _last_time(connection)
    if kind != CLOCK and before is not None and at.tzinfo is not None and clock_ran_back(before, at):
        said = {"before": before.isoformat(timespec="seconds"), "now": at.isoformat(timespec="seconds")}
        _append(connection, _free_id(connection), CLOCK, said, by=by, reading=None, at=at)
        seq, previous = _head(connection)
    event, body = make_event(
        seq=seq + 1, id=id, kind=kind, reading=reading, at=at, by=by, payload=payload, previous=previous
    )
    connection.execute(
        insert(events).values(seq=event.seq, id=id, reading=reading, hash=event.hash, body=body)
    )
    apply(connection, event)
    return event


def _keep_settings(
    connection: Connection, settings: Sequence[SettingsFile], *, by: str, at: datetime
) -> None:
    """Keep the bytes of those settings files that are not kept yet, as one event."""
    new = not_kept(settings, site_events(connection, SETTINGS)) if settings else []
    if new:
        payload = as_payload(new)
        _append(connection, _free_id(connection), SETTINGS, payload, by=by, reading=None, at=at)


def _replaced_by(
    connection: Connection, photos: set[str], statement: Statement, verdict: Verdict, run: str | None
) -> list[str]:
    """Ids of standing readings that a new one of these photos takes the place of without being told to.

    One of the same run does so whatever the run said then: its corrections are in the chain, each with its reason.
    """
    order, known = _order(connection), Chains.of(connection)
    earlier = []
    for table in event_tables(connection):
        columns = [column for column in readings.c if column.name not in {"seq", "hash", "body"}]
        query = (
            select(table.c.seq, table.c.hash, table.c.body, *columns)
            .join_from(readings, table, table.c.seq == readings.c.seq)
            .where(
                readings.c.photo_sha256.in_(photos),
                readings.c.superseded_by.is_(None),
                readings.c.reviews == 0,
            )
            .order_by(*order)
        )
        for row in (dict(one._mapping) for one in connection.execute(query).all()):
            load = load_event if known is None else known.event
            earlier.append((row, load(row["seq"], row["hash"], row["body"])))
    return [
        event.id
        for row, event in earlier
        if {photo.sha256 for photo in _photos(event)} <= photos
        and (
            (run is not None and event.payload.get("run") == run and verdict.status == "read")
            or (
                _is_of_same_matter(row, statement)
                and event.payload["statement"].get("drops_at")
                in (None, statement.as_payload().get("drops_at"))
                and says_no_less(verdict, parse_verdict(event.payload["verdict"]))
            )
        )
    ]


MATTER: Final = ("operator", "tank", "sample_point", "sample_phase")
"""What must be alike for one reading to take another's place; `ON_THE_PLATE` may be added, never changed."""
ON_THE_PLATE: Final = ("plate_lot", "plate_expiry")


def _is_of_same_matter(row: Mapping[str, Any], statement: Statement) -> bool:
    """Whether a reading, as corrected since, is of the same sample and person as a new statement."""
    same = all(row[name] == getattr(statement, name) for name in MATTER)
    return same and all(row[name] in (None, getattr(statement, name)) for name in ON_THE_PLATE)


def _check_replaceable(row: Mapping[str, Any]) -> None:
    if row["superseded_by"] is not None:
        raise LinecallError(
            f"reading {row['id']} has been superseded by {row['superseded_by']}; replace that one"
        )
    if row["reviews"]:
        raise LinecallError(
            f"reading {row['id']} has been reviewed, and what readers decided stands; "
            "read the photo without replacing it"
        )


def _photos(event: Event) -> tuple[KeptPhoto, ...]:
    return tuple(KeptPhoto(name=photo["name"], sha256=photo["sha256"]) for photo in event.payload["photos"])


def _conditions(
    filters: Mapping[str, str | None],
    since: datetime | None = None,
    until: datetime | None = None,
    *,
    standing: bool = False,
) -> list[ColumnElement[bool]]:
    unknown = set(filters) - set(FILTERABLE)
    if unknown:
        raise TypeError(f"no filter {sorted(unknown)}; there are {FILTERABLE}")
    chosen = [readings.c[name] == value for name, value in filters.items() if value is not None]
    if since is not None:
        chosen.append(readings.c.at_utc >= int(since.timestamp()))
    if until is not None:
        chosen.append(readings.c.at_utc < int(until.timestamp()))
    if standing:
        chosen.append(readings.c.superseded_by.is_(None))
    return chosen


def _in_doubt(analyte: str | None) -> list[ColumnElement[bool]]:
    return [] if analyte is None else [readings.c.in_doubt.contains(f"|{analyte}|", autoescape=True)]


def _check_photos_own(connection: Connection, run: str, photos: Sequence[KeptPhoto]) -> None:
    """Raise LinecallError where a photo has been read for another run: it shows one plate."""
    query = (
        select(runs.c.id, readings.c.photo)
        .join_from(runs, readings, readings.c.id == runs.c.reading)
        .where(readings.c.photo_sha256.in_([photo.sha256 for photo in photos]), runs.c.id != run)
    )
    found = connection.execute(query.limit(1)).first()
    if found is not None:
        raise LinecallError(
            f"the photo is that of run {found.id} already ({found.photo}), and a photo shows one plate; check the run"
        )


def _check_alone(connection: Connection, row: Mapping[str, Any], *, begins: bool) -> None:
    """Raise LinecallError where another open run has a run's point, or another run has used its plate.

    A run that goes on is not held up by what has come home with another logbook since it began.
    """
    if row["ended"] is not None:
        return
    others = select(runs).where(runs.c.id != row["id"])
    if not begins:
        others = others.where(runs.c.seq <= NUMBER_MAX)
    waiting = runs.c.ended.is_(None) & runs.c.reading.is_(None)
    if row["reading"] is None:
        of_point = others.where(runs.c.site == row["site"], runs.c.point == row["point"], waiting)
        found = connection.execute(of_point.limit(1)).first()
        if found is not None:
            raise LinecallError(
                SAYS("open_run", point=row["point"], run=found.id, at=found.at[:16].replace("T", " "))
            )
    if row["plate"] is None:
        return
    of_plate = others.where(
        runs.c.lot == row["lot"], runs.c.plate == row["plate"], or_(waiting, runs.c.drops_utc.is_not(None))
    )
    found = connection.execute(of_plate.limit(1)).first()
    if found is not None:
        code = "plate_in" if found.drops_utc is None else "plate_used"
        raise LinecallError(SAYS(code, plate=row["plate"], lot=row["lot"], run=found.id, point=found.point))


def _run_value(row: Row[Any], prefix: str = "") -> RunRow:
    mapping = row._mapping
    values: dict[str, Any] = {column.name: mapping[prefix + column.name] for column in runs.c}
    with kept(f"the list's row of run {values['id']}"):
        values["at"] = datetime.fromisoformat(values["at"])
        for name, seconds in (
            ("taken_at", "taken_utc"),
            ("drops_at", "drops_utc"),
            ("readable_until", "until_utc"),
        ):
            utc = values.pop(seconds)
            values[name] = None if utc is None else datetime.fromtimestamp(utc, UTC)
    return RunRow(**values)


def _row_value(row: Row[Any]) -> ReadingRow:
    values = {column.name: row._mapping[column.name] for column in _ROW_COLUMNS}
    closes = values["open_until"]
    with kept(f"the list's row of reading {values['id']}"):
        values["at"] = datetime.fromisoformat(values["at"])
        values["open_until"] = None if closes is None else datetime.fromtimestamp(closes, UTC)
        values["in_doubt"] = tuple(filter(None, values["in_doubt"].split("|")))
        values["rank"] = None if values["rank"] is None else Rank(values["rank"])
    return ReadingRow(**values)


def _verdicts_among_others(connection: Connection, known: Chains) -> Iterator[tuple[str, bytes | str]]:
    standing = select(readings.c.id).where(readings.c.superseded_by.is_(None)).order_by(*_order(connection))
    for id in connection.scalars(standing.execution_options(yield_per=BATCH_SIZE)):
        try:
            story = story_of(known, known.history(id))
        except LinecallError as error:
            yield id, str(error)
        else:
            yield id, json.dumps((story.stands or story.events[0]).payload["verdict"]).encode()


def _last_verdict(history: Iterable[Any]) -> bytes | str:
    """The newest verdict of a reading's events, as JSON; or, as text, why there is none."""
    verdict: object = None
    try:
        for row in history:
            event = load_event(row.seq, row.hash, row.body)
            verdict = event.payload.get("verdict", verdict)
    except LinecallError as error:
        return str(error)
    return json.dumps(verdict).encode()


def _stored(row: Mapping[str, Any], history: Sequence[Event]) -> StoredReading:
    reviews = tuple(event for event in history if event.kind == "review")
    corrections = tuple(event for event in history if event.kind == "correction")
    return _stored_reading(row, history, reviews, corrections)


def _stored_among_others(row: Mapping[str, Any], story: Story) -> StoredReading:
    stored = _stored_reading(row, story.events, story.reviews, story.corrections)
    current = stored.first if story.stands is None else parse_verdict(story.stands.payload["verdict"])
    told = (*current.warnings, *story.apart)
    return replace(
        stored,
        last_seq=version(story.events),
        current=current.model_copy(update={"warnings": told}) if story.apart else current,
        apart=story.apart,
        uncounted=story.uncounted,
    )


def _stored_reading(
    row: Mapping[str, Any],
    history: Sequence[Event],
    reviews: tuple[Event, ...],
    corrections: tuple[Event, ...],
) -> StoredReading:
    if not history or history[0].kind != "reading" or history[0].seq != row["seq"]:
        raise LinecallError(f"reading {row['id']} lacks its first event; linecall logbook verify says more")
    first = history[0]
    stated = dict(first.payload["statement"])
    corrected = stated | {event.payload["field"]: event.payload["value"] for event in corrections}
    verdicts = [event.payload["verdict"] for event in (first, *reviews) if "verdict" in event.payload]
    return StoredReading(
        id=first.id,
        seq=first.seq,
        last_seq=history[-1].seq,
        at=first.at,
        by=first.by,
        stated=Statement.of(**stated),
        statement=Statement.of(**corrected),
        photos=_photos(first),
        first=parse_verdict(verdicts[0]),
        base=parse_verdict(
            next((e.payload["base"] for e in reversed(reviews) if "base" in e.payload), verdicts[0])
        ),
        current=parse_verdict(verdicts[-1]),
        reviews=reviews,
        corrections=corrections,
        waiting=row["rank"] is not None,
        superseded_by=row["superseded_by"],
    )
