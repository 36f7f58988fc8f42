"""The library itself: a folder with `library.sqlite`, and photos and strips under their hashes beside it."""

import hashlib
import json
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, fields
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Final, Self

from sqlalchemy import (
    ColumnElement,
    Connection,
    FromClause,
    Row,
    Select,
    case,
    exists,
    func,
    insert,
    inspect,
    or_,
    select,
    update,
)

from reader.errors import LinecallError, OutputError
from reader.files.damage import kept
from reader.files.output import make_private_folder
from reader.files.plain import read_at_most
from reader.library.compute import (
    GIVEN_COLUMNS,
    Given,
    Standard,
    compute,
    compute_anew,
    given,
    mark_rows,
)
from reader.library.consensus import Agreed, ConsensusRule, consensus, newest
from reader.library.examples import Example, ExamplePhoto, Grading, flat_calls, nested_calls
from reader.library.files import COMPUTED_BY, keep_file, kept_layout, load_file, read_file
from reader.library.strength import STRENGTHS, StrengthLimits
from reader.library.tables import (
    FORMAT,
    about,
    counts,
    examples,
    files,
    graders,
    gradings,
    marks,
    tables,
    verdicts,
)
from reader.library.tidy import GradeRow, MarkRow, MeasuredRow
from reader.settings.values import Layout, Rules
from reader.store.database import PIECE, Database
from reader.store.kept_files import FolderStore, check_photo
from reader.verdict.model import SettingsRecord, Verdict, load_verdict
from reader.words import Call, MarkKey, did_you_mean
from reader.words.names import folded

if TYPE_CHECKING:
    from reader.library.control.store import ControlCharts
    from reader.library.strips import KeptStrip

FILE_NAME: Final = "library.sqlite"
TIMEOUT_S: Final = 30.0  # that a writer waits for others; a turn takes some milliseconds
NEAR: Final = 10_000  # examples among which one that was perhaps meant is looked for


class LibraryError(LinecallError):
    """The library has no such example, or cannot keep what it was given; nothing was changed."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ExampleRow:
    """What lists show of an example.

    grade : of the consensus, over what is not settled; None where nobody's calls count. graders : people who
    have called a mark. settled, disputed : marks with a consensus, and marks that were called unlike.
    defects : those that were stated. tags : those and linecall's flags. seq : grows with each example.
    """

    seq: int
    id: str
    photo: str
    photo_sha256: str
    plate: str
    layout: str
    light: str
    defects: tuple[str, ...]
    tags: tuple[str, ...]
    source: str
    added_at: str
    tool_grade: str | None
    grade: str | None
    graders: int
    settled: int
    disputed: int


@dataclass(frozen=True, kw_only=True, slots=True)
class StoredMark:
    """One mark of an example: what was measured, what linecall called, and the consensus (None: there is none)."""

    window: str
    mark: str
    tier: str
    analyte: str
    strength: str
    height: float | None
    standard_error: float | None
    limit_of_blank: float | None
    limit_of_detection: float | None
    tool_call: str
    consensus: str | None
    disputed: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Filters:
    """Which examples: all that is given must hold; strength, tier, call and disputed of one and the same mark.

    call, tool_call : the consensus, and linecall's own. mark : of which marks; without it strength, tier and
    call are those of indicator marks, except for the call undeveloped. settled : with, or without, a consensus
    on every mark. graded_by : a person's name. plate, photo : the plate's id, the photo's file name.
    """

    grade: str | None = None
    tool_grade: str | None = None
    call: str | None = None
    tool_call: str | None = None
    strength: str | None = None
    tier: str | None = None
    mark: str | None = None
    disputed: bool = False
    settled: bool | None = None
    light: str | None = None
    layout: str | None = None
    defect: str | None = None
    graded_by: str | None = None
    plate: str | None = None
    photo: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class FitToAsk:
    """Examples that a person may be asked about, each by its seq.

    of_class : those with an indicator mark of each contrast class. alike : groups of examples, also ones that are
    not fit, that show one and the same plate.
    """

    every: Sequence[int]
    of_class: Mapping[str, Sequence[int]]
    alike: Sequence[Sequence[int]]


EVERYTHING: Final = Filters()

_ROW_COLUMNS: Final = [examples.c[field.name] for field in fields(ExampleRow)]
_MARK_COLUMNS: Final = [marks.c[field.name] for field in fields(StoredMark)]
_NOBODY: Final = Given(grader="", role="", at=datetime.min, blind=None, calls={}, grade=None, written_at="")
_N_MARKS: Final = select(func.count()).where(marks.c.example == examples.c.seq).scalar_subquery()


class Library(AbstractContextManager["Library"]):
    """Graded examples. Open it with `Library.open`; many processes may have it open at once."""

    def __init__(self, folder: Path, database: Database) -> None:
        """Take an open database; `open` is for everyone else."""
        self.folder = folder
        self._database = database
        self._photos = FolderStore(folder / "photos")
        self._strips = FolderStore(folder / "strips")

    @classmethod
    def open(
        cls,
        where: str | Path,
        *,
        must_exist: bool = False,
        read_only: bool = False,
        timeout_s: float = TIMEOUT_S,
    ) -> Self:
        """Open the library in a folder, or begin one unless it `must_exist`.

        read_only : for looking only, also on a medium that cannot be written to. Raises LinecallError if there
        is no library, or none that this linecall knows; OutputError if it is out of reach.
        """
        folder = Path(where)
        path = folder / FILE_NAME
        new = not path.is_file()
        if new:
            if must_exist or read_only:
                raise LibraryError(
                    f"{folder}: holds no library; linecall library add begins one, or give another folder"
                )
            try:
                make_private_folder(folder)
            except OSError as error:
                raise OutputError(f"{folder}: no library can be begun there ({error.strerror})") from error
        database = Database(path, read_only=read_only, timeout_s=timeout_s, holds="library")
        try:
            if new:
                _begin(database)
            _check_format(database)
            return cls(folder, database)
        except BaseException:
            database.close()
            raise

    @property
    def name(self) -> str:
        """The folder's path."""
        return str(self.folder)

    @property
    def control(self) -> "ControlCharts":
        """The charts of the site's control strips."""
        from reader.library.control.store import ControlCharts

        return ControlCharts(self._database, self.name)

    def close(self) -> None:
        """Let go of the database."""
        self._database.close()

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close."""
        self.close()

    # --- what it computes by --------------------------------------------------------------------------------

    def standard(self) -> Standard:
        """The rule of consensus, the grading rules and the contrast classes that are in use."""
        with self._database.reading() as connection:
            return Standard.of(connection)

    @property
    def consensus_rule(self) -> ConsensusRule:
        """The rule by which graders agree."""
        return self.standard().consensus

    @property
    def rules(self) -> Rules:
        """The rules by which calls make a grade."""
        return self.standard().rules

    @property
    def strength_limits(self) -> StrengthLimits:
        """The limits of the contrast classes."""
        return self.standard().strength

    def compute_by(self, kind: str, source: str | Path | bytes) -> int:
        """Compute consensus, grades and classes anew by another file; returns how many examples changed.

        kind : consensus, rules or strength. source : a bundled name, a TOML file, or its bytes. No call and no
        measurement changes. Raises SettingsError for a broken file.
        """
        model, _ = COMPUTED_BY[kind]
        if isinstance(source, bytes):
            value, data = load_file(model, source), source
        else:
            value, data = read_file(model, source)
        with self._database.writing() as connection:
            keep_file(connection, value, data)
            connection.execute(update(about).where(about.c.name == kind).values(value=value.sha256))
            standard = Standard.of(connection)
            seqs = connection.scalars(select(examples.c.seq).order_by(examples.c.seq)).all()
            return sum(
                compute_anew(connection, seqs[start : start + PIECE], standard)
                for start in range(0, len(seqs), PIECE)
            )

    def in_use(self) -> dict[str, str]:
        """Hashes of the files that the library computes by, by kind."""
        with self._database.reading() as connection:
            found = connection.execute(
                select(about.c.name, about.c.value).where(about.c.name.in_(COMPUTED_BY))
            )
            return {row.name: row.value for row in found}

    def kept_files(self) -> Iterator[tuple[str, str, str, bytes]]:
        """Kind, name, hash and bytes of every settings file that the library keeps."""
        with self._database.reading() as connection:
            query = select(files.c.kind, files.c.name, files.c.sha256, files.c.data)
            for row in connection.execute(query.order_by(files.c.kind, files.c.name, files.c.sha256)):
                yield row.kind, row.name, row.sha256, row.data

    # --- adding ---------------------------------------------------------------------------------------------

    def keep_photo(self, data: bytes) -> str:
        """Keep a photo, byte for byte; returns its hash. Raises OutputError."""
        return _put(self._photos, data)

    def keep_strips(self, data: bytes) -> str:
        """Keep a picture of strips; returns its hash. Raises OutputError."""
        return _put(self._strips, data)

    def keep_layout(self, source: str | Path | bytes) -> Layout:
        """Keep a layout, a bundled one by its name or any by its path or bytes, before its first example."""
        if isinstance(source, bytes):
            layout, data = load_file(Layout, source), source
        else:
            layout, data = read_file(Layout, source)
        with self._database.writing() as connection:
            keep_file(connection, layout, data)
        return layout

    def add(self, example: Example, given_calls: Sequence[Grading] = ()) -> None:
        """Add an example, with gradings of it; its photo and strips are kept first.

        Raises LibraryError if its photo or id is in the library already, its layout is not kept, it was not
        read, or a grading is not of its marks or by a name that is nearly another's.
        """
        self.add_all([(example, given_calls)])

    def add_all(self, pairs: Iterable[tuple[Example, Sequence[Grading]]]) -> int:
        """Add many examples in one transaction: all of them or, where it raises, none; returns how many."""
        n = 0
        with self._database.writing() as connection:
            standard = Standard.of(connection)
            for example, given_calls in pairs:
                _add(connection, example, given_calls, standard)
                n += 1
        return n

    def add_gradings(self, example: str, given_calls: Sequence[Grading]) -> int:
        """Add gradings to an example; returns how many are new, for those it has already are left out.

        Raises LibraryError as `add` does, with nothing added.
        """
        with self._database.writing() as connection:
            seq = _seq(connection, example)
            verdict = _verdict(connection, seq)
            had = {_essence(found) for found in _gradings(connection, seq, example)}
            new = [grading for grading in given_calls if _essence(grading) not in had]
            for grading in new:
                _add_grading(connection, seq, example, grading, verdict)
            if new:
                compute_anew(connection, [seq], Standard.of(connection))
        return len(new)

    def count_new(self, example: str, given_calls: Sequence[Grading]) -> int:
        """How many gradings `add_gradings` would add, checked as it does; nothing is added."""
        with self._database.reading() as connection:
            seq = _seq(connection, example)
            verdict = _verdict(connection, seq)
            had = {_essence(found) for found in _gradings(connection, seq, example)}
            new = [grading for grading in given_calls if _essence(grading) not in had]
            for grading in new:
                _check_windows(grading, example, verdict)
                _check_spelling(connection, grading.grader)
        return len(new)

    def describe(
        self,
        example: str,
        *,
        light: str | None = None,
        defects: Sequence[str] = (),
        plate: str | None = None,
    ) -> bool:
        """Say something else of an example's light, defects or plate; returns whether anything changed.

        What is None or empty stays as it is. Raises LibraryError if there is no such example.
        """
        with self._database.writing() as connection:
            row = connection.execute(select(examples).where(examples.c.id == example)).one_or_none()
            if row is None:
                raise LibraryError(
                    f"{self.name}: has no example {example!r}; linecall library list names them"
                )
            flags = [tag for tag in _split_tags(row.tags) if tag not in _split_tags(row.defects)]
            stated = tuple(defects) or _split_tags(row.defects)
            values = {
                "light": light or row.light,
                "defects": _join_tags(stated),
                "tags": _join_tags(dict.fromkeys((*stated, *flags))),
                "plate": plate or row.plate,
            }
            if all(row._mapping[name] == value for name, value in values.items()):
                return False
            connection.execute(update(examples).where(examples.c.seq == row.seq).values(values))
        return True

    def graders(self) -> tuple[str, ...]:
        """Everyone who has graded, in the spelling that counts."""
        with self._database.reading() as connection:
            return tuple(connection.scalars(select(graders.c.name).order_by(graders.c.folded)))

    # --- looking --------------------------------------------------------------------------------------------

    def examples(
        self,
        filters: Filters = EVERYTHING,
        *,
        limit: int | None = None,
        before: int | None = None,
        oldest_first: bool = False,
    ) -> Iterator[ExampleRow]:
        """Rows of examples, the newest first; before : seq of the last row of the page before."""
        order = examples.c.seq if oldest_first else examples.c.seq.desc()
        query = _chosen(select(*_ROW_COLUMNS), filters).order_by(order)
        if before is not None:
            query = query.where(examples.c.seq < before)
        if limit is not None:
            query = query.limit(limit)
        with self._database.reading() as connection:
            for row in connection.execute(query.execution_options(yield_per=PIECE)):
                yield _row_value(row._mapping)

    def count(self, filters: Filters = EVERYTHING) -> int:
        """How many examples there are."""
        with self._database.reading() as connection:
            return connection.scalar(_chosen(select(func.count()).select_from(examples), filters)) or 0

    def find(self, text: str) -> str:
        """The id of an example, named by its id or its photo's file name. Raises LibraryError."""
        with self._database.reading() as connection:
            wanted = text.strip()
            named = select(examples.c.id).where(
                or_(examples.c.id == wanted.lower(), examples.c.photo == wanted)
            )
            found = connection.scalars(named).all()
            if len(found) == 1:
                return str(found[0])
            if found:
                raise LibraryError(
                    f"{len(found)} examples have a photo named {wanted!r}: {', '.join(found[:5])}; "
                    "name one by its id"
                )
            known = connection.execute(select(examples.c.id, examples.c.photo).limit(NEAR)).all()
        words = [word for row in known for word in row]
        raise LibraryError(f"{self.name}: has no example {wanted!r}{did_you_mean(wanted, words)}")

    def example(self, id: str) -> Example:
        """An example by its id. Raises LibraryError if there is none."""
        with self._database.reading() as connection:
            row = connection.execute(select(examples).where(examples.c.id == id)).one_or_none()
            if row is None:
                raise LibraryError(f"{self.name}: has no example {id!r}; linecall library list names them")
            return _example(row, *_measured(connection, row.seq))

    def row(self, id: str) -> ExampleRow:
        """An example's row. Raises LibraryError if there is none."""
        with self._database.reading() as connection:
            row = connection.execute(select(*_ROW_COLUMNS).where(examples.c.id == id)).one_or_none()
        if row is None:
            raise LibraryError(f"{self.name}: has no example {id!r}; linecall library list names them")
        return _row_value(row._mapping)

    def by_photo(self, sha256: str) -> str | None:
        """The id of the example of a photo, None if it is not in the library."""
        with self._database.reading() as connection:
            return connection.scalar(select(examples.c.id).where(examples.c.photo_sha256 == sha256))

    def has(self, id: str) -> bool:
        """Whether there is an example with this id."""
        with self._database.reading() as connection:
            return connection.scalar(select(examples.c.seq).where(examples.c.id == id)) is not None

    def marks(self, id: str) -> tuple[StoredMark, ...]:
        """An example's marks: windows in the plate's order, the indicator first. Raises LibraryError."""
        with self._database.reading() as connection:
            query = select(*_MARK_COLUMNS).where(marks.c.example == _seq(connection, id))
            return tuple(
                _mark_value(row._mapping) for row in connection.execute(query.order_by(marks.c.place))
            )

    def with_marks(self, ids: Sequence[str]) -> list[tuple[Example, tuple[StoredMark, ...]]]:
        """What `example` and `marks` give, for many at once, in the order of the ids. Raises LibraryError."""
        measured = select(examples, verdicts.c.json, verdicts.c.look).join(
            verdicts, verdicts.c.example == examples.c.seq
        )
        of_marks = select(*_MARK_COLUMNS, marks.c.example).order_by(marks.c.example, marks.c.place)
        with self._database.reading() as connection:
            rows = {row.id: row for row in connection.execute(measured.where(examples.c.id.in_(ids)))}
            lost = next((id for id in ids if id not in rows), None)
            if lost is not None:
                raise LibraryError(f"{self.name}: has no example {lost!r}; linecall library list names them")
            found: dict[int, list[StoredMark]] = {row.seq: [] for row in rows.values()}
            for *values, seq in connection.execute(of_marks.where(marks.c.example.in_(list(found)))):
                found[seq].append(_mark_value(dict(zip(StoredMark.__slots__, values, strict=True))))
            return [
                (_example(row, _unpacked(row.json), row.look.hex()), tuple(found[row.seq]))
                for row in map(rows.__getitem__, ids)
            ]

    def gradings(self, id: str) -> tuple[Grading, ...]:
        """Every grading of an example, in the order they were added. Raises LibraryError."""
        with self._database.reading() as connection:
            return tuple(_gradings(connection, _seq(connection, id), id))

    def agreed(self, id: str, rule: ConsensusRule | None = None) -> dict[MarkKey, Agreed]:
        """The consensus on each of an example's marks, with its votes or why there is none; by another rule too."""
        keys: list[MarkKey] = [(mark.window, mark.mark) for mark in self.marks(id)]  # type: ignore[misc]
        return consensus(self.gradings(id), keys, rule or self.consensus_rule)

    def layout(self, sha256: str) -> Layout:
        """A layout that the library keeps."""
        with self._database.reading() as connection:
            return kept_layout(connection, sha256)

    def photo_bytes(self, sha256: str) -> bytes:
        """A photo, byte for byte. Raises LibraryError if it is gone or has been altered."""
        return self._bytes(self._photos, sha256, "photo")

    def photo_problem(self, sha256: str) -> str | None:
        """What is wrong with a photo: gone, or altered; None if nothing is."""
        return check_photo(self._photos, sha256)

    def strips_bytes(self, sha256: str) -> bytes:
        """The picture of an example's strips. Raises LibraryError if it is gone or has been altered."""
        return self._bytes(self._strips, sha256, "picture of strips")

    def strips(self, example: Example) -> "dict[str, KeptStrip]":
        """An example's strips by window. Raises LibraryError if they are gone or have been altered."""
        if example.strips_sha256 is None:
            raise LibraryError(f"example {example.id}: was added without its strips")
        from reader.library.strips import load_strips  # OpenCV, which lists do without

        return load_strips(self.strips_bytes(example.strips_sha256), example.verdict.windows)

    def looks(self, layout: str) -> list[tuple[str, str, str]]:
        """Id, photo and look of every example of a layout, by its name."""
        query = (
            select(examples.c.id, examples.c.photo, verdicts.c.look)
            .join_from(examples, verdicts, verdicts.c.example == examples.c.seq)
            .where(examples.c.layout == layout)
        )
        with self._database.reading() as connection:
            return [(row.id, row.photo, row.look.hex()) for row in connection.execute(query)]

    # --- tables for statistics ------------------------------------------------------------------------------

    def marks_table(
        self,
        filters: Filters = EVERYTHING,
        *,
        rule: ConsensusRule | None = None,
        every_grading: bool = False,
    ) -> Iterator[MarkRow]:
        """One row for each mark and person who called it, with their newest call; examples in order of adding.

        A mark that nobody has called has one row, without grader, role and call. rule : the consensus by
        another rule than the library's. every_grading : earlier calls of the same person too, in order.
        """
        for row, of_marks, calls in self._parts(filters):
            keys: list[MarkKey] = [(mark[0], mark[1]) for mark in of_marks]
            agreed = None if rule is None else consensus(calls, keys, rule)
            called: Mapping[MarkKey, Iterable[Given]]
            if every_grading:
                called = {key: [grading for grading in calls if key in grading.calls] for key in keys}
            else:
                called = {key: people.values() for key, people in newest(calls).items()}
            example, plate, light, layout, sha256 = row.id, row.plate, row.light, row.layout, row.photo_sha256
            for key, mark in zip(keys, of_marks, strict=True):
                window, which, tier, analyte, strength, height, error, blank, detection, tool, settled = mark[
                    :11
                ]
                for grading in called.get(key) or (_NOBODY,):
                    yield MarkRow(
                        example=example,
                        plate=plate,
                        window=window,
                        mark=which,
                        tier=tier,
                        analyte=analyte,
                        strength=strength,
                        light=light,
                        layout=layout,
                        grader=grading.grader,
                        role=grading.role,
                        call=grading.calls.get(key, ""),
                        consensus=settled if agreed is None else agreed[key].call,
                        tool_call=tool,
                        height=height,
                        standard_error=error,
                        sha256=sha256,
                        graded_at=grading.written_at,
                        limit_of_blank=blank,
                        limit_of_detection=detection,
                    )

    def grades_table(self, filters: Filters = EVERYTHING) -> Iterator[GradeRow]:
        """One row for each example and person who graded it: the grade they gave last, or that of their calls."""
        standard = self.standard()
        for row, of_marks, calls in self._parts(filters):
            keys: list[MarkKey] = [(mark.window, mark.mark) for mark in of_marks]
            layout = standard.layouts.get(row.layout_sha256)
            if layout is None:
                layout = standard.layouts[row.layout_sha256] = self.layout(row.layout_sha256)
            last: dict[str, Given] = {}
            graded: dict[str, str] = {}
            for grading in sorted(calls, key=lambda grading: grading.at):
                last[folded(grading.grader)] = grading
                if grading.grade is not None:
                    graded[folded(grading.grader)] = grading.grade
            people = newest(calls)
            for person, grading in last.items():
                own = {key: people[key][person].calls[key] for key in keys if person in people.get(key, ())}
                grade = graded.get(person) or standard.grade(own, layout)
                if grade is not None:
                    yield GradeRow(
                        example=row.id,
                        plate=row.plate,
                        light=row.light,
                        layout=row.layout,
                        grader=grading.grader,
                        role=grading.role,
                        grade=grade,
                        given=person in graded,
                        consensus=row.grade,
                        tool_grade=row.tool_grade,
                        sha256=row.photo_sha256,
                        graded_at=grading.written_at,
                    )

    def measured_table(
        self, filters: Filters = EVERYTHING, *, rule: ConsensusRule | None = None
    ) -> Iterator[MeasuredRow]:
        """One row an example, with its verdict; rule : the consensus by another rule than the library's."""
        standard = self.standard()
        with self._database.reading() as connection:
            for row, of_marks, calls in self._parts(filters):
                settled: Mapping[MarkKey, Call | None]
                settled = {(mark.window, mark.mark): mark.consensus for mark in of_marks}
                if rule is not None:
                    settled = {key: one.call for key, one in consensus(calls, list(settled), rule).items()}
                yield MeasuredRow(
                    example=row.id,
                    photo=row.photo,
                    plate=row.plate,
                    sha256=row.photo_sha256,
                    verdict=_verdict(connection, row.seq),
                    layout=standard.layout(connection, row.layout_sha256),
                    consensus=settled,
                )

    def _parts(self, filters: Filters) -> Iterator[tuple[Row[Any], list[Any], list[Given]]]:
        """Every example with its marks and gradings, some hundred in memory at a time."""
        query = _chosen(select(*_ROW_COLUMNS, examples.c.layout_sha256), filters).order_by(examples.c.seq)
        of_marks = select(*_MARK_COLUMNS, marks.c.example).order_by(marks.c.example, marks.c.place)
        of_people = select(*GIVEN_COLUMNS, gradings.c.example).order_by(gradings.c.example, gradings.c.seq)
        with self._database.reading() as connection:
            found = connection.execute(query.execution_options(yield_per=PIECE))
            for part in found.partitions():
                seqs = [row.seq for row in part]
                marks_of: dict[int, list[Any]] = {seq: [] for seq in seqs}
                for mark in connection.execute(of_marks.where(marks.c.example.in_(seqs))):
                    marks_of[mark.example].append(mark)
                calls_of: dict[int, list[Given]] = {seq: [] for seq in seqs}
                for grading in connection.execute(of_people.where(gradings.c.example.in_(seqs))):
                    calls_of[grading.example].append(given(grading))
                for row in part:
                    yield row, marks_of[row.seq], calls_of[row.seq]

    def marks_by_height(
        self, filters: Filters = EVERYTHING, *, limit: int | None = None, after: int = 0
    ) -> Iterator[tuple[ExampleRow, StoredMark]]:
        """Marks with their examples, the highest first, unmeasured ones last; filters hold for each mark itself.

        Indicator marks, unless the filters say otherwise. after : how many to leave out first.
        """
        query = _of_example(
            select(*_ROW_COLUMNS, *_MARK_COLUMNS).join_from(
                marks, examples, examples.c.seq == marks.c.example
            ),
            filters,
        )
        query = query.where(*(_mark_conditions(filters) or [marks.c.mark == (filters.mark or "indicator")]))
        order = (marks.c.height.desc().nulls_last(), marks.c.example, marks.c.place)
        n = len(_ROW_COLUMNS)
        with self._database.reading() as connection:
            for row in connection.execute(query.order_by(*order).limit(limit).offset(after)):
                values = tuple(row)
                yield (
                    _row_value(dict(zip(ExampleRow.__slots__, values[:n], strict=True))),
                    _mark_value(dict(zip(StoredMark.__slots__, values[n:], strict=True))),
                )

    def count_marks(self, filters: Filters = EVERYTHING) -> int:
        """How many marks `marks_by_height` gives."""
        query = select(func.count()).select_from(marks.join(examples, examples.c.seq == marks.c.example))
        conditions = _mark_conditions(filters) or [marks.c.mark == (filters.mark or "indicator")]
        with self._database.reading() as connection:
            return connection.scalar(_of_example(query, filters).where(*conditions)) or 0

    def class_counts(self, filters: Filters = EVERYTHING) -> list[tuple[str, str, str, dict[str, int]]]:
        """Layout, light, grade of the consensus ("" where there is none), and indicator marks by class."""
        sums = [func.sum(examples.c[column.name]) for column in counts.values()]
        by = (examples.c.layout, examples.c.light, func.coalesce(examples.c.grade, ""))
        query = _chosen(select(*by, *sums), filters).group_by(*by).order_by(*by)
        with self._database.reading() as connection:
            return [
                (row[0], row[1], row[2], dict(zip(STRENGTHS, row[3:], strict=True)))
                for row in connection.execute(query)
            ]

    def plates_to_ask(self, filters: Filters = EVERYTHING) -> tuple[int, dict[str, int]]:
        """How many plates a quiz may ask for: all, and those with an indicator mark of each class.

        They have a photo with strips and a consensus on every mark. A quiz asks nobody for a plate of theirs.
        """
        names = [column.name for column in counts.values()]
        several = select(examples.c.plate).group_by(examples.c.plate).having(func.count() > 1)

        def total(shown: FromClause) -> Select[Any]:
            of_class: list[ColumnElement[Any]] = [func.count(func.nullif(shown.c[name], 0)) for name in names]
            return select(func.count(), *of_class).select_from(shown)

        with self._database.reading() as connection:
            fit = _chosen(
                select(*(examples.c[name] for name in names)).where(_may_be_asked(connection)), filters
            )
            single = fit.where(examples.c.plate.not_in(several)).subquery()
            by_plate = (
                _chosen(select(*(func.max(examples.c[name]).label(name) for name in names)), filters)
                .where(_may_be_asked(connection), examples.c.plate.in_(several))
                .group_by(examples.c.plate)
                .subquery()
            )  # of few plates, as a rule: to group all takes five times as long
            found = [connection.execute(total(shown)).one() for shown in (single, by_plate)]
        every, *of_class = (sum(both) for both in zip(*found, strict=True))
        return every, dict(zip(STRENGTHS, of_class, strict=True))

    def fit_to_ask(self, grader: str, asked: Sequence[str] = ()) -> FitToAsk:
        """Every example with strips and a consensus on every mark.

        Left out are plates of which the grader has graded a photo, or that a photo of the examples `asked` shows.
        """
        name = _spelled(grader).scalar_subquery()
        known = select(gradings.c.example).where(gradings.c.grader == name)
        plates = select(examples.c.plate).where(or_(examples.c.seq.in_(known), examples.c.id.in_(asked)))
        several = select(examples.c.plate).group_by(examples.c.plate).having(func.count() > 1)
        alike: dict[str, list[int]] = {}
        # One text for each class: to step over 50,000 rows takes four times as long.
        seqs = [func.group_concat(examples.c.seq)]
        seqs += [
            func.group_concat(case((examples.c[column.name] > 0, examples.c.seq)))
            for column in counts.values()
        ]
        with self._database.reading() as connection:
            query = select(*seqs).where(_may_be_asked(connection), examples.c.plate.not_in(plates))
            texts = connection.execute(query).one()
            shown = select(examples.c.plate, examples.c.seq).where(examples.c.plate.in_(several))
            for row in connection.execute(shown.order_by(examples.c.seq)):
                alike.setdefault(row.plate, []).append(row.seq)
        every, *of_class = (sorted(map(int, text.split(","))) if text else [] for text in texts)
        return FitToAsk(
            every=every, of_class=dict(zip(STRENGTHS, of_class, strict=True)), alike=tuple(alike.values())
        )

    def ids(self, seqs: Sequence[int]) -> list[str]:
        """The ids of examples that are there, in the order of their seqs as given."""
        with self._database.reading() as connection:
            query = select(examples.c.seq, examples.c.id).where(examples.c.seq.in_(seqs))
            found = {row.seq: str(row.id) for row in connection.execute(query)}
        return [found[seq] for seq in seqs]

    def layouts(self) -> list[Layout]:
        """The layouts of the examples, the newest revision of each name."""
        query = select(examples.c.layout_sha256, func.max(examples.c.layout_revision)).group_by(
            examples.c.layout
        )
        with self._database.reading() as connection:
            return [
                kept_layout(connection, row[0])
                for row in connection.execute(query.order_by(examples.c.layout))
            ]

    @staticmethod
    def _bytes(store: FolderStore, sha256: str, what: str) -> bytes:
        file = store.open(sha256)
        if file is None:
            raise LibraryError(
                f"{what} {sha256[:12]} is gone from the library's folder; restore it from a backup"
            )
        with file:
            data = read_at_most(file)
        if hashlib.sha256(data).hexdigest() != sha256:
            raise LibraryError(
                f"{what} {sha256[:12]} has been altered in the library's folder; restore it from a backup"
            )
        return data


# --- beginning ----------------------------------------------------------------------------------------------


def _begin(database: Database) -> None:
    with database.creating() as connection:
        if inspect(connection).has_table(about.name):
            return  # another process was quicker
        tables.create_all(connection)
        connection.execute(insert(about).values(name="format", value=str(FORMAT)))
        for kind, (model, name) in COMPUTED_BY.items():
            value, data = read_file(model, name)
            keep_file(connection, value, data)
            connection.execute(insert(about).values(name=kind, value=value.sha256))


def _check_format(database: Database) -> None:
    with database.reading() as connection:
        if not inspect(connection).has_table(about.name):
            raise LibraryError(f"{database.name}: is a database of something else; give another folder")
        found = connection.scalar(select(about.c.value).where(about.c.name == "format")) or ""
    if not found.isdecimal() or int(found) > FORMAT:
        raise LibraryError(
            f"{database.name}: is a library of format {found}, but this linecall knows up to {FORMAT}; "
            "update linecall"
        )


# --- writing ------------------------------------------------------------------------------------------------


def _put(store: FolderStore, data: bytes) -> str:
    digest = hashlib.sha256(data).hexdigest()
    store.put(digest, data)
    return digest


def _add(
    connection: Connection, example: Example, given_calls: Sequence[Grading], standard: Standard
) -> None:
    verdict = example.verdict
    if verdict.status != "read" or verdict.layout is None:
        raise LibraryError(f"{example.photo.name}: was refused, so there is nothing to grade")
    if verdict.photo.sha256 != example.photo.sha256 or verdict.layout.sha256 != example.layout.sha256:
        raise LibraryError(f"{example.photo.name}: the verdict is not that of this photo and layout")
    for column, value, what in (
        (examples.c.photo_sha256, example.photo.sha256, "photo"),
        (examples.c.id, example.id, "id"),
    ):
        there = connection.execute(
            select(examples.c.id, examples.c.photo).where(column == value)
        ).one_or_none()
        if there is not None:
            raise LibraryError(
                f"{example.photo.name}: its {what} is in the library already, example {there.id} ({there.photo})"
            )
    layout = standard.layout(connection, example.layout.sha256)
    flags = [flag for window in verdict.windows for flag in window.flags]
    flags += [
        flag
        for window in verdict.windows
        for mark in (window.indicator, window.reference)
        for flag in mark.flags
    ]
    stated = example.defects
    made = connection.execute(
        insert(examples).values(
            id=example.id,
            photo=example.photo.name,
            photo_sha256=example.photo.sha256,
            strips_sha256=example.strips_sha256,
            plate=example.plate,
            layout=example.layout.name,
            layout_revision=example.layout.revision,
            layout_sha256=example.layout.sha256,
            light=example.light,
            defects=_join_tags(stated),
            source=example.source,
            added_at=example.added_at.isoformat(timespec="seconds"),
            tags=_join_tags(dict.fromkeys((*stated, *verdict.photo.flags, *flags))),
            tool_grade=verdict.review.first_grade if verdict.review else verdict.grade,
            **_NOTHING_COMPUTED,
        )
    )
    seq = int(made.inserted_primary_key[0])  # type: ignore[index]
    connection.execute(
        insert(verdicts).values(
            example=seq, json=zlib.compress(example.verdict_json), look=bytes.fromhex(example.look)
        )
    )
    for grading in given_calls:
        _add_grading(connection, seq, example.id, grading, verdict)
    rows = mark_rows(verdict, seq)
    own = [
        Given(
            grader=grading.grader,
            role=grading.role,
            at=grading.at,
            blind=grading.blind,
            calls=grading.calls,
            grade=grading.grade,
            written_at="",
        )
        for grading in given_calls
    ]
    computed = compute(rows, own, layout, standard)
    connection.execute(insert(marks), [row | new for row, new in zip(rows, computed.marks, strict=True)])
    connection.execute(update(examples).where(examples.c.seq == seq).values(computed.example))


_NOTHING_COMPUTED: Final[dict[str, int]] = {
    "graders": 0, "settled": 0, "disputed": 0, **{column.name: 0 for column in counts.values()}
}  # fmt: skip


def _add_grading(connection: Connection, seq: int, example: str, grading: Grading, verdict: Verdict) -> None:
    _check_windows(grading, example, verdict)
    if _check_spelling(connection, grading.grader):
        connection.execute(insert(graders).values(folded=folded(grading.grader), name=grading.grader))
    connection.execute(
        insert(gradings).values(
            example=seq,
            grader=grading.grader,
            role=grading.role,
            at=grading.at.isoformat(timespec="seconds"),
            grade=grading.grade,
            blind=None if grading.blind is None else int(grading.blind),
            source=grading.source,
            note=grading.note,
            calls=json.dumps(nested_calls(grading.calls), ensure_ascii=False, separators=(",", ":")),
        )
    )


def _check_windows(grading: Grading, example: str, verdict: Verdict) -> None:
    if grading.example != example:
        raise LibraryError(f"a grading of example {grading.example} was given for example {example}")
    windows = [window.id for window in verdict.windows]
    for window, _ in grading.calls:
        if window not in windows:
            raise LibraryError(
                f"{grading.grader} called a mark of window {window!r}, but {verdict.photo.name} has the windows "
                f"{', '.join(windows)}"
            )


def _check_spelling(connection: Connection, name: str) -> bool:
    """Whether the name is new; raises LibraryError if it is nearly another's."""
    known = connection.scalar(_spelled(name))
    if known is not None and known != name:
        raise LibraryError(unlike_spelling(name, known))
    return known is None


def _spelled(name: str) -> Select[Any]:
    """How a grader's name is written here, no row if it is new.

    Folded anew, one by one: the keys of a library from before are folded by fewer rules.
    """
    return select(graders.c.name).where(func.linecall_folded(graders.c.name) == folded(name))


def unlike_spelling(name: str, other: str) -> str:
    """What to say of two spellings of one name."""
    return (
        f"graders {name!r} and {other!r} differ only in what looks alike, case, spaces, points, accents or the order "
        "of words; write one name for one person, and more of it for another"
    )


def _essence(grading: Grading) -> tuple[object, ...]:
    return (grading.grader, grading.role, grading.at, grading.grade, frozenset(grading.calls.items()))


# --- reading rows -------------------------------------------------------------------------------------------


def _seq(connection: Connection, id: str) -> int:
    seq = connection.scalar(select(examples.c.seq).where(examples.c.id == id))
    if seq is None:
        raise LibraryError(f"the library has no example {id!r}; linecall library list names them")
    return int(seq)


def _measured(connection: Connection, seq: int) -> tuple[bytes, str]:
    """An example's verdict and look."""
    row = connection.execute(select(verdicts).where(verdicts.c.example == seq)).one_or_none()
    if row is None:
        raise LibraryError("the library's file is damaged; restore it from a backup")
    return _unpacked(row.json), row.look.hex()


def _verdict(connection: Connection, seq: int) -> Verdict:
    return load_verdict(_measured(connection, seq)[0])


def _unpacked(data: bytes) -> bytes:
    try:
        return zlib.decompress(data)
    except zlib.error as error:
        raise LibraryError("the library's file is damaged; restore it from a backup") from error


def _gradings(connection: Connection, seq: int, id: str) -> Iterator[Grading]:
    query = select(gradings).where(gradings.c.example == seq).order_by(gradings.c.seq)
    for row in connection.execute(query):
        with kept(f"grading {row.seq} of example {id}", LinecallError):
            grading = Grading(
                example=id,
                grader=row.grader,
                role=row.role,
                at=row.at,
                calls=flat_calls(json.loads(row.calls)),
                grade=row.grade,
                blind=None if row.blind is None else bool(row.blind),
                source=row.source,
                note=row.note,
            )
        yield grading


def _example(row: Row[Any], verdict: bytes, look: str) -> Example:
    with kept(f"example {row.id}", LinecallError):
        return Example(
            id=row.id,
            photo=ExamplePhoto(name=row.photo, sha256=row.photo_sha256),
            plate=row.plate,
            layout=SettingsRecord(name=row.layout, revision=row.layout_revision, sha256=row.layout_sha256),
            verdict_json=verdict,
            strips_sha256=row.strips_sha256,
            look=look,
            light=row.light,
            defects=_split_tags(row.defects),
            source=row.source,
            added_at=row.added_at,
        )


def _row_value(row: Mapping[Any, Any]) -> ExampleRow:
    values = dict(row)
    values["defects"], values["tags"] = _split_tags(values["defects"]), _split_tags(values["tags"])
    return ExampleRow(**values)


def _mark_value(row: Mapping[Any, Any]) -> StoredMark:
    values = dict(row)
    values["disputed"] = bool(values["disputed"])
    return StoredMark(**values)


def _join_tags(words: Iterable[str]) -> str:
    return "".join(f"|{word}" for word in words) + "|"


def _split_tags(text: str) -> tuple[str, ...]:
    return tuple(filter(None, text.split("|")))


def _may_be_asked(connection: Connection) -> ColumnElement[bool]:
    """Which examples a quiz may ask for: those with strips and a consensus on every mark."""
    kept = connection.scalars(select(files.c.sha256).where(files.c.kind == Layout.kind)).all()
    whole = [
        (examples.c.layout_sha256 == sha256)
        & (examples.c.settled == 2 * len(kept_layout(connection, sha256).window))
        for sha256 in kept
    ]
    return or_(False, *whole) & examples.c.strips_sha256.is_not(None)


def _chosen(query: Select[Any], filters: Filters) -> Select[Any]:
    """Of the examples, those that the filters want."""
    query = _of_example(query, filters)
    of_mark = _mark_conditions(filters)
    if of_mark:
        query = query.where(exists().where(marks.c.example == examples.c.seq, *of_mark))
    return query


def _of_example(query: Select[Any], filters: Filters) -> Select[Any]:
    """What the filters want of an example as a whole."""
    for name in ("grade", "tool_grade", "light", "layout", "plate", "photo"):
        wanted = getattr(filters, name)
        if wanted is not None:
            query = query.where(examples.c[name] == wanted)
    if filters.defect is not None:
        query = query.where(examples.c.tags.contains(f"|{filters.defect}|", autoescape=True))
    if filters.settled is not None:
        all_marks = examples.c.settled == _N_MARKS
        query = query.where(all_marks if filters.settled else ~all_marks)
    if filters.graded_by is not None:
        query = query.where(
            exists().where(
                gradings.c.example == examples.c.seq,
                gradings.c.grader == _spelled(filters.graded_by).scalar_subquery(),
            )
        )
    return query


def _mark_conditions(filters: Filters) -> list[ColumnElement[bool]]:
    wanted = {
        "strength": filters.strength,
        "tier": filters.tier,
        "consensus": filters.call,
        "tool_call": filters.tool_call,
    }
    found = [marks.c[name] == value for name, value in wanted.items() if value is not None]
    mark = filters.mark
    if found and mark is None:
        mark = "reference" if "undeveloped" in (filters.call, filters.tool_call) else "indicator"
    if filters.disputed:
        found.append(marks.c.disputed == 1)
    if found and mark is not None:
        found.append(marks.c.mark == mark)
    return found
