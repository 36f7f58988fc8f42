"""Which plates of a library a quiz may ask for."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    FromClause,
    Select,
    case,
    func,
    or_,
    select,
)

from reader.library.files import kept_layout
from reader.library.filters import EVERYTHING, Filters, choose, spelled
from reader.library.strength import STRENGTHS
from reader.library.tables import (
    counts,
    examples,
    files,
    gradings,
)
from reader.settings.values import Layout
from reader.store.database import Database


@dataclass(frozen=True, kw_only=True, slots=True)
class FitToAsk:
    """Examples that a person may be asked about, each by its seq.

    of_class : those with an indicator mark of each contrast class. alike : groups of examples, also ones that are
    not fit, that show one and the same plate.
    """

    every: Sequence[int]
    of_class: Mapping[str, Sequence[int]]
    alike: Sequence[Sequence[int]]


class Askable:
    """Examples with strips and a consensus on every mark."""

    def __init__(self, database: Database) -> None:
        """Take the library's database; `Library.askable` is for everyone else."""
        self._database = database

    def count_plates(self, filters: Filters = EVERYTHING) -> tuple[int, dict[str, int]]:
        """How many plates a quiz may ask for: all, and those with an indicator mark of each class.

        They have a photo with strips and a consensus on every mark. A quiz asks nobody for a plate of theirs.
        """
        names = [column.name for column in counts.values()]
        several = select(examples.c.plate).group_by(examples.c.plate).having(func.count() > 1)

        def total(shown: FromClause) -> Select[Any]:
            of_class: list[ColumnElement[Any]] = [func.count(func.nullif(shown.c[name], 0)) for name in names]
            return select(func.count(), *of_class).select_from(shown)

        with self._database.reading() as connection:
            fit = choose(
                select(*(examples.c[name] for name in names)).where(_may_be_asked(connection)), filters
            )
            single = fit.where(examples.c.plate.not_in(several)).subquery()
            by_plate = (
                choose(select(*(func.max(examples.c[name]).label(name) for name in names)), filters)
                .where(_may_be_asked(connection), examples.c.plate.in_(several))
                .group_by(examples.c.plate)
                .subquery()
            )  # of few plates, as a rule: to group all takes five times as long
            found = [connection.execute(total(shown)).one() for shown in (single, by_plate)]
        every, *of_class = (sum(both) for both in zip(*found, strict=True))
        return every, dict(zip(STRENGTHS, of_class, strict=True))

    def fit(self, grader: str, asked: Sequence[str] = ()) -> FitToAsk:
        """Every example with strips and a consensus on every mark.

        Left out are plates of which the grader has graded a photo, or that a photo of the examples `asked` shows.
        """
        name = spelled(grader).scalar_subquery()
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


def _may_be_asked(connection: Connection) -> ColumnElement[bool]:
    """Which examples a quiz may ask for: those with strips and a consensus on every mark."""
    kept = connection.scalars(select(files.c.sha256).where(files.c.kind == Layout.kind)).all()
    whole = [
        (examples.c.layout_sha256 == sha256)
        & (examples.c.settled == 2 * len(kept_layout(connection, sha256).window))
        for sha256 in kept
    ]
    return or_(False, *whole) & examples.c.strips_sha256.is_not(None)
