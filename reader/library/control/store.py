"""Control charts as a library keeps them: rows are added and never changed; reading needs no tables to be there."""

import json
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, insert, inspect, select

from reader.errors import LinecallError
from reader.library.control.rules import ControlRules, load_control
from reader.library.control.strip import (
    Baseline,
    ControlChart,
    ControlError,
    ControlPoint,
    MarkHeight,
    NotChartedError,
    SetAside,
    TimeSource,
    checked,
    conditions,
    control_chart,
    mark_words,
    measure,
    moment_words,
    present_marks,
)
from reader.library.examples import ExamplePhoto
from reader.library.files import keep_file, kept_file, load_file, read_file
from reader.library.tables import CONTROL, control_baselines, control_points, control_set_aside, files, tables
from reader.settings.values import Layout
from reader.store.database import Database
from reader.verdict.model import SettingsRecord, Verdict, load_verdict, to_bytes
from reader.words import MarkKey, did_you_mean
from reader.words.ids import new_id
from reader.words.names import folded


@dataclass(frozen=True, kw_only=True, slots=True)
class Anew:
    """A new baseline is to begin: who says so and why."""

    by: str
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Entry:
    """A photo that is to be charted. keep : keeps its bytes, once nothing else stands against it."""

    verdict: Verdict
    taken_at: datetime
    taken_from: TimeSource
    by: str | None
    note: str | None
    keep: Callable[[], object]


class ControlCharts:
    """The control charts of one library."""

    def __init__(self, database: Database, name: str) -> None:
        """Take the library's database and what errors call it."""
        self._database = database
        self._name = name

    # --- looking --------------------------------------------------------------------------------------------

    def strips(self) -> tuple[str, ...]:
        """Names of the strips that have a chart, in the order they were begun."""
        with self._database.reading() as connection:
            return _strips(connection)

    def chart(self, strip: str) -> ControlChart:
        """The chart of a strip. Raises ControlError if there is none."""
        with self._database.reading() as connection:
            return _chart(connection, self._found(connection, strip))

    def layout(self, strip: str) -> Layout | None:
        """The layout of a strip as its last baseline has it; None if there is no such chart."""
        with self._database.reading() as connection:
            named = _named(_strips(connection), strip)
            if named is None:
                return None
            return kept_file(connection, Layout, _baselines(connection, named)[-1].layout.sha256)

    def verdict_bytes(self, point: str) -> bytes:
        """What linecall read on a point's photo. Raises ControlError if there is no such point."""
        with self._database.reading() as connection:
            data = _scalar(connection, select(control_points.c.verdict).where(control_points.c.id == point))
        if data is None:
            raise ControlError(f"{self._name}: no chart has a point {point!r}")
        try:
            return zlib.decompress(data)
        except zlib.error as error:
            raise ControlError("the library's file is damaged; restore it from a backup") from error

    def records(self) -> Iterator[Baseline | ControlPoint]:
        """Every baseline, then every point, in the order they were added: all that `put` needs, with verdicts."""
        with self._database.reading() as connection:
            for strip in _strips(connection):
                yield from _baselines(connection, strip)
            yield from _points(connection)

    # --- adding ---------------------------------------------------------------------------------------------

    def add(
        self,
        strip: str,
        entry: Entry,
        *,
        at: datetime,
        new: bool = False,
        anew: Anew | None = None,
        marks: Sequence[MarkKey] | None = None,
        control: str | Path | None = None,
        layout: tuple[Layout, bytes] | None = None,
    ) -> ControlPoint:
        """Add a photo to a strip's chart, which it begins if the library has no chart, or it is `new`.

        anew : begin a new baseline with it. marks, control : of a new chart or baseline; otherwise those of the
        baseline, which they must not contradict. layout : to be kept. All of it or nothing is written.
        Raises NotChartedError if the photo cannot be charted, ControlError if the chart cannot be so.
        """
        verdict = entry.verdict
        if verdict.status != "read" or verdict.layout is None or verdict.photo.sha256 is None:
            raise NotChartedError(f"{verdict.photo.name}: refused: {verdict.reason}; {verdict.remedy}")
        with self._database.writing() as connection:
            tables.create_all(connection, tables=list(CONTROL))
            baseline = self._baseline(connection, strip, verdict, at, new, anew, entry.by, marks, control)
            heights = measure(verdict, baseline.marks, baseline.layout.name)
            _check_new(connection, baseline.strip, entry)
            point = checked(
                ControlPoint,
                id=_free_id(connection),
                baseline=baseline.id,
                photo=ExamplePhoto(name=verdict.photo.name, sha256=verdict.photo.sha256),
                taken_at=entry.taken_at,
                taken_from=entry.taken_from,
                added_at=at,
                by=entry.by,
                note=entry.note,
                heights=heights,
                made=conditions(verdict),
            )
            if layout is not None:
                keep_file(connection, *layout)
            _insert_point(connection, baseline.strip, point, to_bytes(verdict, one_line=True))
            entry.keep()
        return point

    def begin_anew(
        self,
        strip: str,
        anew: Anew,
        *,
        at: datetime,
        marks: Sequence[MarkKey] | None = None,
        control: str | Path | None = None,
    ) -> Baseline:
        """Begin a new baseline with the next photo that is added. Raises ControlError."""
        with self._database.writing() as connection:
            named = self._found(connection, strip)
            return _begin_anew(connection, _baselines(connection, named)[-1], anew, at, marks, control)

    def set_aside(self, strip: str, point: str, *, by: str, reason: str, at: datetime) -> ControlPoint:
        """Let a point, named by its id or its photo, count no longer. Raises ControlError."""
        with self._database.writing() as connection:
            named = self._found(connection, strip)
            there = list(_points(connection, named))
            found = [one for one in there if point.strip() in (one.id, one.photo.name)]
            if len(found) > 1:
                raise ControlError(
                    f"{len(found)} points are photos named {point!r}: {', '.join(one.id for one in found)}; "
                    "name one by its id"
                )
            if not found:
                words = [word for one in there for word in (one.id, one.photo.name)]
                raise ControlError(
                    f"the chart of {named!r} has no point {point!r}{did_you_mean(point, words)}"
                )
            if found[0].set_aside is not None:
                said = found[0].set_aside
                raise ControlError(
                    f"point {found[0].id} was set aside by {said.by} at {moment_words(said.at)} already"
                )
            aside = checked(SetAside, at=at, by=by, reason=reason)
            _insert_aside(connection, found[0].id, aside)
        return found[0].model_copy(update={"set_aside": aside})

    def keep_rules(self, data: bytes) -> None:
        """Keep the rules that a chart of another library is judged by."""
        with self._database.writing() as connection:
            keep_file(connection, load_file(ControlRules, data), data)

    def put(self, records: Sequence[Baseline | tuple[ControlPoint, bytes]]) -> int:
        """Add baselines and points with their verdicts as another library had them; returns how many points are new.

        What is there is left out. Raises ControlError, with nothing added, if a strip of a name has another chart
        here, or a kept settings file is missing.
        """
        n = 0
        with self._database.writing() as connection:
            tables.create_all(connection, tables=list(CONTROL))
            marks: dict[str, Baseline] = {}
            for record in records:
                if isinstance(record, Baseline):
                    marks[record.id] = record
                    _put_baseline(connection, record)
                else:
                    point, verdict = record
                    baseline = marks.get(point.baseline)
                    if baseline is None:
                        raise ControlError(f"point {point.id} is of a baseline that is not there")
                    n += _put_point(connection, baseline, point, verdict)
        return n

    # --- helpers --------------------------------------------------------------------------------------------

    def _found(self, connection: Connection, strip: str) -> str:
        """A strip's name as it was first written. Raises ControlError."""
        known = _strips(connection)
        named = _named(known, strip)
        if named is None:
            raise ControlError(_unknown(self._name, strip, known))
        return named

    def _baseline(
        self,
        connection: Connection,
        strip: str,
        verdict: Verdict,
        at: datetime,
        new: bool,
        anew: Anew | None,
        by: str | None,
        marks: Sequence[MarkKey] | None,
        control: str | Path | None,
    ) -> Baseline:
        """The baseline that a photo comes to, begun if it must be."""
        known = _strips(connection)
        named = _named(known, strip)
        if named is None:
            if anew or (known and not new):
                raise ControlError(f"{_unknown(self._name, strip, known)}; --new begins a chart of that name")
            assert verdict.layout is not None, "a plate that was read has a layout"
            layout = verdict.layout
            return _insert_baseline(
                connection,
                strip=strip,
                at=at,
                by=by,
                reason=None,
                layout=SettingsRecord(name=layout.name, revision=layout.revision, sha256=layout.sha256),
                marks=tuple(marks) if marks else present_marks(verdict),
                control=_keep_control(connection, control or "standard"),
            )
        if new:
            raise ControlError(
                f"{self._name}: strip {named!r} has a chart already; --begin-anew begins a new baseline of it"
            )
        last = _baselines(connection, named)[-1]
        if anew:
            return _begin_anew(connection, last, anew, at, marks, control)
        if marks and tuple(marks) != last.marks:
            raise ControlError(
                f"the chart of {named!r} follows {', '.join(map(mark_words, last.marks))}; --begin-anew begins a "
                "baseline of other marks"
            )
        if control is not None and (other := load_control(control)).sha256 != last.control.sha256:
            raise ControlError(
                f"the chart of {named!r} is judged by {last.control.name}, revision {last.control.revision}, not by "
                f"{other.name}, revision {other.revision}; --begin-anew begins a baseline that is"
            )
        return last


def _unknown(name: str, strip: str, known: Sequence[str]) -> str:
    if not known:
        return f"{name}: has no control chart yet; the first photo of the strip begins one"
    guess = did_you_mean(strip, list(known)) or f"; there are {', '.join(map(repr, known))}"
    return f"{name}: has no control chart of a strip {strip!r}{guess}"


def _named(known: Sequence[str], strip: str) -> str | None:
    return next((name for name in known if folded(name) == folded(strip)), None)


def _begin_anew(
    connection: Connection,
    last: Baseline,
    anew: Anew,
    at: datetime,
    marks: Sequence[MarkKey] | None,
    control: str | Path | None,
) -> Baseline:
    """A new baseline of the same strip; marks and rules are those of the last one, unless others are given."""
    return _insert_baseline(
        connection,
        strip=last.strip,
        at=at,
        by=anew.by,
        reason=anew.reason,
        layout=last.layout,
        marks=tuple(marks) if marks else last.marks,
        control=last.control if control is None else _keep_control(connection, control),
    )


def _keep_control(connection: Connection, source: str | Path) -> SettingsRecord:
    value, data = read_file(ControlRules, source)
    keep_file(connection, value, data)
    return SettingsRecord(name=value.name, revision=value.revision, sha256=value.sha256)


def _check_new(connection: Connection, strip: str, entry: Entry) -> None:
    """Raise NotChartedError for a photo that is there, or one that is out of turn and nobody has said so."""
    name = entry.verdict.photo.name
    there = list(_points(connection, strip))
    for point in there:
        if point.photo.sha256 == entry.verdict.photo.sha256:
            raise NotChartedError(
                f"{name}: is point {point.id} of the chart already, {point.photo.name}; photograph the strip anew"
            )
    last = max((point.taken_at for point in there), default=None)
    if last is not None and entry.taken_at < last and entry.taken_from != "stated":
        at = moment_words(entry.taken_at)
        raise NotChartedError(
            f"{name}: was taken at {at} by its camera's clock, before the chart's last photo at {moment_words(last)}; "
            "give its true time with --at, also if it is this one"
        )


# --- rows -------------------------------------------------------------------------------------------------------


def _there(connection: Connection) -> bool:
    """Whether the tables are there: libraries of earlier days lack them."""
    return inspect(connection).has_table(control_baselines.name)


def _scalar(connection: Connection, query: Any) -> Any:
    return connection.scalar(query) if _there(connection) else None


def _strips(connection: Connection) -> tuple[str, ...]:
    if not _there(connection):
        return ()
    query = select(control_baselines.c.strip).order_by(control_baselines.c.seq)
    return tuple(dict.fromkeys(connection.scalars(query)))


def _chart(connection: Connection, strip: str) -> ControlChart:
    baselines = _baselines(connection, strip)
    rules = [kept_file(connection, ControlRules, baseline.control.sha256) for baseline in baselines]
    return control_chart(strip, list(zip(baselines, rules, strict=True)), list(_points(connection, strip)))


def _baselines(connection: Connection, strip: str) -> list[Baseline]:
    query = select(control_baselines).where(control_baselines.c.strip == strip)
    return [
        Baseline(
            id=row.id,
            strip=row.strip,
            begun_at=row.begun_at,
            by=row.by,
            reason=row.reason,
            layout=SettingsRecord(name=row.layout, revision=row.layout_revision, sha256=row.layout_sha256),
            marks=json.loads(row.marks),
            control=_record(connection, row.control_sha256),
        )
        for row in connection.execute(query.order_by(control_baselines.c.seq))
    ]


def _record(connection: Connection, sha256: str) -> SettingsRecord:
    value = kept_file(connection, ControlRules, sha256)
    return SettingsRecord(name=value.name, revision=value.revision, sha256=value.sha256)


def _points(connection: Connection, strip: str | None = None) -> Iterator[ControlPoint]:
    if not _there(connection):
        return
    columns = [column for column in control_points.c if column.name != "verdict"]
    aside = [column.label(f"aside_{column.name}") for column in control_set_aside.c]
    query = select(*columns, *aside).join_from(
        control_points, control_set_aside, control_set_aside.c.point == control_points.c.id, isouter=True
    )
    if strip is not None:
        query = query.where(control_points.c.strip == strip)
    for row in connection.execute(query.order_by(control_points.c.seq)):
        yield ControlPoint(
            id=row.id,
            baseline=row.baseline,
            photo=ExamplePhoto(name=row.photo, sha256=row.photo_sha256),
            taken_at=row.taken_at,
            taken_from=row.taken_from,
            added_at=row.added_at,
            by=row.by,
            note=row.note,
            heights=tuple(MarkHeight(**one) for one in json.loads(row.heights)),
            made=json.loads(row.made),
            set_aside=None
            if row.aside_point is None
            else SetAside(at=row.aside_at, by=row.aside_by, reason=row.aside_reason),
        )


def _insert_baseline(
    connection: Connection,
    *,
    strip: str,
    at: datetime,
    by: str | None,
    reason: str | None,
    layout: SettingsRecord,
    marks: tuple[MarkKey, ...],
    control: SettingsRecord,
) -> Baseline:
    baseline = checked(
        Baseline,
        id=_free_id(connection),
        strip=strip,
        begun_at=at,
        by=by,
        reason=reason,
        layout=layout,
        marks=marks,
        control=control,
    )
    _write_baseline(connection, baseline)
    return baseline


def _write_baseline(connection: Connection, baseline: Baseline) -> None:
    connection.execute(
        insert(control_baselines).values(
            id=baseline.id,
            strip=baseline.strip,
            begun_at=baseline.begun_at.isoformat(timespec="seconds"),
            by=baseline.by,
            reason=baseline.reason,
            layout=baseline.layout.name,
            layout_revision=baseline.layout.revision,
            layout_sha256=baseline.layout.sha256,
            marks=_json(baseline.marks),
            control_sha256=baseline.control.sha256,
        )
    )


def _insert_point(connection: Connection, strip: str, point: ControlPoint, verdict: bytes) -> None:
    connection.execute(
        insert(control_points).values(
            id=point.id,
            strip=strip,
            baseline=point.baseline,
            photo=point.photo.name,
            photo_sha256=point.photo.sha256,
            taken_at=point.taken_at.isoformat(timespec="seconds"),
            taken_from=point.taken_from,
            added_at=point.added_at.isoformat(timespec="seconds"),
            by=point.by,
            note=point.note,
            heights=_json([one.model_dump() for one in point.heights]),
            made=_json(point.made.model_dump()),
            verdict=zlib.compress(verdict),
        )
    )


def _insert_aside(connection: Connection, point: str, aside: SetAside) -> None:
    connection.execute(
        insert(control_set_aside).values(
            point=point, at=aside.at.isoformat(timespec="seconds"), by=aside.by, reason=aside.reason
        )
    )


def _json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))


def _free_id(connection: Connection) -> str:
    while True:
        id = new_id()
        taken = [
            connection.scalar(select(table.c.seq).where(table.c.id == id))
            for table in (control_baselines, control_points)
        ]
        if taken == [None, None]:
            return id


# --- from another library ---------------------------------------------------------------------------------------


def _put_baseline(connection: Connection, baseline: Baseline) -> None:
    there = connection.scalar(select(control_baselines.c.strip).where(control_baselines.c.id == baseline.id))
    if there is not None:
        return
    named = _named(_strips(connection), baseline.strip)
    if named is not None and baseline.reason is None:
        raise ControlError(
            f"the library has another control chart of a strip {named!r}; two strips need two names"
        )
    for sha256, kind in ((baseline.layout.sha256, "layout"), (baseline.control.sha256, "control")):
        if connection.scalar(select(files.c.sha256).where(files.c.sha256 == sha256)) is None:
            raise ControlError(f"the {kind} file {sha256[:12]} of the chart of {baseline.strip!r} is missing")
    _write_baseline(connection, baseline)


def _put_point(connection: Connection, baseline: Baseline, point: ControlPoint, verdict: bytes) -> bool:
    """Add a point that is not there, and that it was set aside; what was measured is taken from the verdict."""
    where = (control_points.c.strip == baseline.strip) & (control_points.c.photo_sha256 == point.photo.sha256)
    there = connection.scalar(select(control_points.c.id).where(where))
    if there is None:
        read = load_verdict(verdict)
        if read.photo.sha256 != point.photo.sha256:
            raise LinecallError(f"point {point.id}: its verdict is not that of its photo")
        found = point.model_copy(
            update={
                "heights": measure(read, baseline.marks, baseline.layout.name),
                "made": conditions(read),
            }
        )
        _insert_point(connection, baseline.strip, found, verdict)
    known = there or point.id
    if point.set_aside is not None and (
        connection.scalar(select(control_set_aside.c.point).where(control_set_aside.c.point == known)) is None
    ):
        _insert_aside(connection, known, point.set_aside)
    return there is None
