"""What the lists show of an example, computed from its measurement and its gradings; nothing of it is typed in."""

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, NamedTuple, Self

from sqlalchemy import Connection, Row, bindparam, select, update

from reader.errors import LinecallError
from reader.files.damage import kept
from reader.library.consensus import ConsensusRule, consensus, grade_of_calls
from reader.library.examples import flat_calls
from reader.library.files import COMPUTED_BY, kept_file, kept_layout
from reader.library.strength import StrengthLimits
from reader.library.tables import about, counts, examples, gradings, marks
from reader.settings.values import Layout, Rules
from reader.verdict.model import Verdict
from reader.words import Call, MarkKey
from reader.words.names import folded


class Given(NamedTuple):
    """A grading as statistics need it."""

    grader: str
    role: str
    at: datetime
    blind: bool | None
    calls: Mapping[MarkKey, Call]
    grade: str | None
    written_at: str


GIVEN_COLUMNS = [gradings.c[name] for name in ("grader", "role", "at", "blind", "calls", "grade")]


def given(row: Row[Any] | Sequence[Any]) -> Given:
    """A grading of a row that begins with GIVEN_COLUMNS."""
    grader, role, at, blind, calls, grade = row[:6]
    with kept(f"a grading by {grader}", LinecallError):
        return Given(
            grader=grader,
            role=role,
            at=datetime.fromisoformat(at),
            blind=None if blind is None else bool(blind),
            calls=flat_calls(json.loads(calls)),
            grade=grade,
            written_at=at,
        )


@dataclass(slots=True, eq=False)
class Standard:
    """What a library computes by; grades that were computed once are remembered."""

    consensus: ConsensusRule
    rules: Rules
    strength: StrengthLimits
    layouts: dict[str, Layout] = field(default_factory=dict)
    _grades: dict[tuple[str, frozenset[tuple[MarkKey, Call | None]]], str | None] = field(
        default_factory=dict
    )

    @classmethod
    def of(cls, connection: Connection) -> Self:
        """What the library computes by now."""
        chosen: dict[str, str] = {row.name: row.value for row in connection.execute(select(about))}
        found: dict[str, Any] = {
            kind: kept_file(connection, model, chosen[kind]) for kind, (model, _) in COMPUTED_BY.items()
        }
        return cls(**found)

    def layout(self, connection: Connection, sha256: str) -> Layout:
        """A layout that the library keeps."""
        if sha256 not in self.layouts:
            self.layouts[sha256] = kept_layout(connection, sha256)
        return self.layouts[sha256]

    def grade(self, calls: Mapping[MarkKey, Call | None], layout: Layout) -> str | None:
        """The grade that calls come to; see `grade_of_calls`."""
        key = layout.sha256, frozenset(calls.items())
        if key not in self._grades:
            self._grades[key] = grade_of_calls(calls, layout, self.rules)
        return self._grades[key]


def mark_rows(verdict: Verdict, seq: int) -> list[dict[str, Any]]:
    """Rows of an example's marks, as measured: windows in the plate's order, the indicator first."""
    found: list[dict[str, Any]] = []
    for window in verdict.windows:
        for name, mark in (("indicator", window.indicator), ("reference", window.reference)):
            found.append(
                {
                    "example": seq,
                    "place": len(found),
                    "window": window.id,
                    "mark": name,
                    "tier": window.tier,
                    "analyte": window.analyte,
                    "height": mark.height,
                    "standard_error": mark.standard_error,
                    "limit_of_blank": mark.limit_of_blank,
                    "limit_of_detection": mark.limit_of_detection,
                    "tool_call": mark.first_call or mark.call,
                }
            )
    return found


@dataclass(frozen=True, kw_only=True, slots=True)
class Computed:
    """The computed columns: of each mark, in order, and of the example."""

    marks: tuple[dict[str, Any], ...]
    example: dict[str, Any]


def compute(
    rows: Sequence[Mapping[str, Any]], given_calls: Sequence[Given], layout: Layout, standard: Standard
) -> Computed:
    """Compute an example's columns. rows : its marks', with window, mark and height."""
    keys: list[MarkKey] = [(row["window"], row["mark"]) for row in rows]
    agreed = consensus(given_calls, keys, standard.consensus)
    of_marks = tuple(
        {
            "strength": standard.strength.of(row["height"]),
            "consensus": agreed[key].call,
            "disputed": int(agreed[key].disputed),
        }
        for row, key in zip(rows, keys, strict=True)
    )
    classes = Counter(
        made["strength"] for made, row in zip(of_marks, rows, strict=True) if row["mark"] == "indicator"
    )
    return Computed(
        marks=of_marks,
        example={
            "grade": standard.grade({key: agreed[key].call for key in keys}, layout),
            "graders": len({folded(grading.grader) for grading in given_calls}),
            "settled": sum(made["consensus"] is not None for made in of_marks),
            "disputed": sum(made["disputed"] for made in of_marks),
            **{column.name: classes[strength] for strength, column in counts.items()},
        },
    )


_MARKS = select(
    marks.c.example,
    marks.c.place,
    *(marks.c[name] for name in ("window", "mark", "height", "strength", "consensus", "disputed")),
).order_by(marks.c.example, marks.c.place)
_GIVEN = select(*GIVEN_COLUMNS, gradings.c.example).order_by(gradings.c.example, gradings.c.seq)
_EXAMPLES = select(
    examples.c.seq,
    examples.c.layout_sha256,
    *(examples.c[name] for name in ("grade", "graders", "settled", "disputed")),
    *(examples.c[column.name] for column in counts.values()),
)
_CHANGE_MARK = (
    update(marks)
    .where(marks.c.example == bindparam("of"), marks.c.place == bindparam("at"))
    .values({name: bindparam(name) for name in ("strength", "consensus", "disputed")})
)


def compute_anew(connection: Connection, seqs: Sequence[int], standard: Standard) -> int:
    """Compute the columns of some examples anew, in a transaction that writes; returns how many changed."""
    of_marks: dict[int, list[Row[Any]]] = {seq: [] for seq in seqs}
    for row in connection.execute(_MARKS.where(marks.c.example.in_(seqs))):
        of_marks[row.example].append(row)
    calls: dict[int, list[Given]] = {seq: [] for seq in seqs}
    for row in connection.execute(_GIVEN.where(gradings.c.example.in_(seqs))):
        calls[row.example].append(given(row))
    changed = 0
    for row in connection.execute(_EXAMPLES.where(examples.c.seq.in_(seqs))).all():
        rows = [dict(found._mapping) for found in of_marks[row.seq]]
        made = compute(rows, calls[row.seq], standard.layout(connection, row.layout_sha256), standard)
        unlike = [
            {**new, "of": row.seq, "at": old["place"]}
            for new, old in zip(made.marks, rows, strict=True)
            if any(old[name] != value for name, value in new.items())
        ]
        if unlike:
            connection.execute(_CHANGE_MARK, unlike)
        if any(row._mapping[name] != value for name, value in made.example.items()):
            connection.execute(update(examples).where(examples.c.seq == row.seq).values(made.example))
            changed += 1
        else:
            changed += bool(unlike)
    return changed
