"""Tables of a library for statistics: a row for each mark or grade and person, or for each verdict."""

from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from typing import Any, Final

from sqlalchemy import (
    Row,
    select,
)

from reader.library.compute import (
    GIVEN_COLUMNS,
    Given,
    given,
)
from reader.library.consensus import ConsensusRule, consensus, newest
from reader.library.filters import EVERYTHING, Filters, choose
from reader.library.rows import (
    MARK_COLUMNS,
    ROW_COLUMNS,
    verdict_of,
)
from reader.library.settings import LibrarySettings
from reader.library.tables import (
    examples,
    gradings,
    marks,
)
from reader.library.tidy import AgreedRow, GradeRow, MarkRow, MeasuredRow
from reader.store.database import BATCH_SIZE, Database
from reader.words import Call, MarkKey
from reader.words.names import folded

_NOBODY: Final = Given(grader="", role="", at=datetime.min, blind=None, calls={}, grade=None, written_at="")


class TidyTables:
    """Rows of examples, in the order of adding, some hundred examples in memory at a time."""

    def __init__(self, database: Database, settings: LibrarySettings) -> None:
        """Take the library's database and settings; `Library.tidy` is for everyone else."""
        self._database = database
        self._settings = settings

    def marks(
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

    def grades(self, filters: Filters = EVERYTHING) -> Iterator[GradeRow]:
        """One row for each example and person who graded it: the grade they gave last, or that of their calls."""
        standard = self._settings.standard()
        for row, of_marks, calls in self._parts(filters):
            keys: list[MarkKey] = [(mark.window, mark.mark) for mark in of_marks]
            layout = standard.layouts.get(row.layout_sha256)
            if layout is None:
                layout = standard.layouts[row.layout_sha256] = self._settings.layout(row.layout_sha256)
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

    def measured(
        self, filters: Filters = EVERYTHING, *, rule: ConsensusRule | None = None
    ) -> Iterator[MeasuredRow]:
        """One row an example, with its verdict; rule : the consensus by another rule than the library's."""
        standard = self._settings.standard()
        with self._database.reading() as connection:
            for row, of_marks, calls in self._parts(filters):
                yield MeasuredRow(
                    example=row.id,
                    photo=row.photo,
                    plate=row.plate,
                    sha256=row.photo_sha256,
                    verdict=verdict_of(connection, row.seq),
                    layout=standard.layout(connection, row.layout_sha256),
                    consensus=_settled(of_marks, calls, rule),
                )

    def agreed(
        self, filters: Filters = EVERYTHING, *, rule: ConsensusRule | None = None
    ) -> Iterator[AgreedRow]:
        """One row an example, with the consensus alone; rule : another one than the library's."""
        for row, of_marks, calls in self._parts(filters):
            yield AgreedRow(
                plate=row.plate,
                sha256=row.photo_sha256,
                layout=row.layout,
                consensus=_settled(of_marks, calls, rule),
            )

    def _parts(self, filters: Filters) -> Iterator[tuple[Row[Any], list[Any], list[Given]]]:
        """Every example with its marks and gradings, some hundred in memory at a time."""
        query = choose(select(*ROW_COLUMNS, examples.c.layout_sha256), filters).order_by(examples.c.seq)
        of_marks = select(*MARK_COLUMNS, marks.c.example).order_by(marks.c.example, marks.c.place)
        of_people = select(*GIVEN_COLUMNS, gradings.c.example).order_by(gradings.c.example, gradings.c.seq)
        with self._database.reading() as connection:
            found = connection.execute(query.execution_options(yield_per=BATCH_SIZE))
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


def _settled(
    of_marks: Iterable[Any], calls: Iterable[Given], rule: ConsensusRule | None
) -> dict[MarkKey, Call | None]:
    """The consensus on each mark, by the library's rule or another."""
    kept: dict[MarkKey, Call | None] = {(mark.window, mark.mark): mark.consensus for mark in of_marks}
    return (
        kept if rule is None else {key: one.call for key, one in consensus(calls, list(kept), rule).items()}
    )
