"""The library itself: a folder with `library.sqlite`, and photos and strips under their hashes beside it."""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Final, Self

from sqlalchemy import (
    func,
    insert,
    inspect,
    or_,
    select,
    update,
)

from reader.errors import OutputError
from reader.files.output import make_private_folder
from reader.library.adding import check_spelling, check_windows, find_new, insert_example, insert_grading
from reader.library.compute import (
    Standard,
    compute_anew,
)
from reader.library.consensus import Agreed, ConsensusRule, consensus
from reader.library.errors import LibraryError
from reader.library.examples import Example, Grading
from reader.library.files import COMPUTED_BY, keep_file, read_file
from reader.library.filters import EVERYTHING, Filters, choose, mark_conditions, of_example
from reader.library.pictures import Pictures
from reader.library.rows import (
    MARK_COLUMNS,
    ROW_COLUMNS,
    ExampleRow,
    StoredMark,
    gradings_of,
    join_tags,
    load_measured,
    make_example,
    make_mark,
    make_row,
    seq_of,
    split_tags,
    unpack,
    verdict_of,
)
from reader.library.settings import LibrarySettings
from reader.library.strength import STRENGTHS
from reader.library.tables import (
    FORMAT,
    about,
    counts,
    examples,
    graders,
    marks,
    tables,
    verdicts,
)
from reader.store.database import BATCH_SIZE, Database
from reader.words import MarkKey, did_you_mean

if TYPE_CHECKING:
    from reader.library.askable import Askable
    from reader.library.control.store import ControlCharts
    from reader.library.tidy_tables import TidyTables


FILE_NAME: Final = "library.sqlite"
TIMEOUT_S: Final = 30.0  # that a writer waits for others; a turn takes some milliseconds
NEAR: Final = 10_000  # examples among which one that was perhaps meant is looked for


class Library(AbstractContextManager["Library"]):
    """Graded examples. Open it with `Library.open`; many processes may have it open at once."""

    def __init__(self, folder: Path, database: Database) -> None:
        """Take an open database; `open` is for everyone else."""
        self.folder = folder
        self._database = database
        self.settings = LibrarySettings(database)
        self.pictures = Pictures(folder)

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
    def tidy(self) -> "TidyTables":
        """Tables for statistics."""
        from reader.library.tidy_tables import TidyTables

        return TidyTables(self._database, self.settings)

    @property
    def askable(self) -> "Askable":
        """Plates that a quiz may ask for."""
        from reader.library.askable import Askable

        return Askable(self._database)

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

    # --- adding ---------------------------------------------------------------------------------------------

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
                insert_example(connection, example, given_calls, standard)
                n += 1
        return n

    def add_gradings(self, example: str, given_calls: Sequence[Grading]) -> int:
        """Add gradings to an example; returns how many are new, for those it has already are left out.

        Raises LibraryError as `add` does, with nothing added.
        """
        with self._database.writing() as connection:
            seq, new = find_new(connection, example, given_calls)
            verdict = verdict_of(connection, seq)
            for grading in new:
                insert_grading(connection, seq, example, grading, verdict)
            if new:
                compute_anew(connection, [seq], Standard.of(connection))
        return len(new)

    def count_new(self, example: str, given_calls: Sequence[Grading]) -> int:
        """How many gradings `add_gradings` would add, checked as it does; nothing is added."""
        with self._database.reading() as connection:
            seq, new = find_new(connection, example, given_calls)
            verdict = verdict_of(connection, seq)
            for grading in new:
                check_windows(grading, example, verdict)
                check_spelling(connection, grading.grader)
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
                raise self._no_example(example)
            flags = [tag for tag in split_tags(row.tags) if tag not in split_tags(row.defects)]
            stated = tuple(defects) or split_tags(row.defects)
            values = {
                "light": light or row.light,
                "defects": join_tags(stated),
                "tags": join_tags(dict.fromkeys((*stated, *flags))),
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
        query = choose(select(*ROW_COLUMNS), filters).order_by(order)
        if before is not None:
            query = query.where(examples.c.seq < before)
        if limit is not None:
            query = query.limit(limit)
        with self._database.reading() as connection:
            for row in connection.execute(query.execution_options(yield_per=BATCH_SIZE)):
                yield make_row(row._mapping)

    def count(self, filters: Filters = EVERYTHING) -> int:
        """How many examples there are."""
        with self._database.reading() as connection:
            return connection.scalar(choose(select(func.count()).select_from(examples), filters)) or 0

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
                raise self._no_example(id)
            return make_example(row, *load_measured(connection, row.seq))

    def row(self, id: str) -> ExampleRow:
        """An example's row. Raises LibraryError if there is none."""
        with self._database.reading() as connection:
            row = connection.execute(select(*ROW_COLUMNS).where(examples.c.id == id)).one_or_none()
        if row is None:
            raise self._no_example(id)
        return make_row(row._mapping)

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
            query = select(*MARK_COLUMNS).where(marks.c.example == seq_of(connection, id))
            return tuple(make_mark(row._mapping) for row in connection.execute(query.order_by(marks.c.place)))

    def with_marks(self, ids: Sequence[str]) -> list[tuple[Example, tuple[StoredMark, ...]]]:
        """What `example` and `marks` give, for many at once, in the order of the ids. Raises LibraryError."""
        measured = select(examples, verdicts.c.json, verdicts.c.look).join(
            verdicts, verdicts.c.example == examples.c.seq
        )
        of_marks = select(*MARK_COLUMNS, marks.c.example).order_by(marks.c.example, marks.c.place)
        with self._database.reading() as connection:
            rows = {row.id: row for row in connection.execute(measured.where(examples.c.id.in_(ids)))}
            lost = next((id for id in ids if id not in rows), None)
            if lost is not None:
                raise self._no_example(lost)
            found: dict[int, list[StoredMark]] = {row.seq: [] for row in rows.values()}
            for *values, seq in connection.execute(of_marks.where(marks.c.example.in_(list(found)))):
                found[seq].append(make_mark(dict(zip(StoredMark.__slots__, values, strict=True))))
            return [
                (make_example(row, unpack(row.json), row.look.hex()), tuple(found[row.seq]))
                for row in map(rows.__getitem__, ids)
            ]

    def gradings(self, id: str) -> tuple[Grading, ...]:
        """Every grading of an example, in the order they were added. Raises LibraryError."""
        with self._database.reading() as connection:
            return tuple(gradings_of(connection, seq_of(connection, id), id))

    def agreed(self, id: str, rule: ConsensusRule | None = None) -> dict[MarkKey, Agreed]:
        """The consensus on each of an example's marks, with its votes or why there is none; by another rule too."""
        keys: list[MarkKey] = [(mark.window, mark.mark) for mark in self.marks(id)]  # type: ignore[misc]
        return consensus(self.gradings(id), keys, rule or self.settings.consensus_rule)

    def looks(self, layout: str) -> list[tuple[str, str, str]]:
        """Id, photo and look of every example of a layout, by its name."""
        query = (
            select(examples.c.id, examples.c.photo, verdicts.c.look)
            .join_from(examples, verdicts, verdicts.c.example == examples.c.seq)
            .where(examples.c.layout == layout)
        )
        with self._database.reading() as connection:
            return [(row.id, row.photo, row.look.hex()) for row in connection.execute(query)]

    def marks_by_height(
        self, filters: Filters = EVERYTHING, *, limit: int | None = None, after: int = 0
    ) -> Iterator[tuple[ExampleRow, StoredMark]]:
        """Marks with their examples, the highest first, unmeasured ones last; filters hold for each mark itself.

        Indicator marks, unless the filters say otherwise. after : how many to leave out first.
        """
        query = of_example(
            select(*ROW_COLUMNS, *MARK_COLUMNS).join_from(marks, examples, examples.c.seq == marks.c.example),
            filters,
        )
        query = query.where(*(mark_conditions(filters) or [marks.c.mark == (filters.mark or "indicator")]))
        order = (marks.c.height.desc().nulls_last(), marks.c.example, marks.c.place)
        n = len(ROW_COLUMNS)
        with self._database.reading() as connection:
            for row in connection.execute(query.order_by(*order).limit(limit).offset(after)):
                values = tuple(row)
                yield (
                    make_row(dict(zip(ExampleRow.__slots__, values[:n], strict=True))),
                    make_mark(dict(zip(StoredMark.__slots__, values[n:], strict=True))),
                )

    def count_marks(self, filters: Filters = EVERYTHING) -> int:
        """How many marks `marks_by_height` gives."""
        query = select(func.count()).select_from(marks.join(examples, examples.c.seq == marks.c.example))
        conditions = mark_conditions(filters) or [marks.c.mark == (filters.mark or "indicator")]
        with self._database.reading() as connection:
            return connection.scalar(of_example(query, filters).where(*conditions)) or 0

    def class_counts(self, filters: Filters = EVERYTHING) -> list[tuple[str, str, str, dict[str, int]]]:
        """Layout, light, grade of the consensus ("" where there is none), and indicator marks by class."""
        sums = [func.sum(examples.c[column.name]) for column in counts.values()]
        by = (examples.c.layout, examples.c.light, func.coalesce(examples.c.grade, ""))
        query = choose(select(*by, *sums), filters).group_by(*by).order_by(*by)
        with self._database.reading() as connection:
            return [
                (row[0], row[1], row[2], dict(zip(STRENGTHS, row[3:], strict=True)))
                for row in connection.execute(query)
            ]

    def _no_example(self, id: str) -> LibraryError:
        return LibraryError(f"{self.name}: has no example {id!r}; linecall library list names them")


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
