"""Which examples and marks a list, a table or a count is of, and the conditions that say so to the database."""

from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import (
    ColumnElement,
    Exists,
    Select,
    exists,
    func,
    select,
)

from reader.library.tables import (
    examples,
    graders,
    gradings,
    marks,
)
from reader.words.names import folded


@dataclass(frozen=True, kw_only=True, slots=True)
class Filters:
    """Which examples: all that is given must hold; strength, tier, call and disputed of one and the same mark.

    call, tool_call : the consensus, and linecall's own. mark : of which marks; without it strength, tier and
    call are those of indicator marks, except for the call undeveloped. settled : with, or without, a consensus
    on every mark. has_strips : with pictures of its strips. graded_by, not_graded_by : a person's name. plate,
    photo : the plate's id, the photo's file name.
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
    has_strips: bool | None = None
    light: str | None = None
    layout: str | None = None
    defect: str | None = None
    graded_by: str | None = None
    not_graded_by: str | None = None
    plate: str | None = None
    photo: str | None = None


EVERYTHING: Final = Filters()
_N_MARKS: Final = select(func.count()).where(marks.c.example == examples.c.seq).scalar_subquery()


def spelled(name: str) -> Select[Any]:
    """How a grader's name is written here, no row if it is new.

    Folded anew, one by one: the keys of a library from before are folded by fewer rules.
    """
    return select(graders.c.name).where(func.linecall_folded(graders.c.name) == folded(name))


def choose(query: Select[Any], filters: Filters) -> Select[Any]:
    """Of the examples, those that the filters want."""
    query = of_example(query, filters)
    of_mark = mark_conditions(filters)
    if of_mark:
        query = query.where(exists().where(marks.c.example == examples.c.seq, *of_mark))
    return query


def of_example(query: Select[Any], filters: Filters) -> Select[Any]:
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
    if filters.has_strips is not None:
        query = query.where(
            examples.c.strips_sha256.is_not(None)
            if filters.has_strips
            else examples.c.strips_sha256.is_(None)
        )
    if filters.graded_by is not None:
        query = query.where(_graded_by(filters.graded_by))
    if filters.not_graded_by is not None:
        query = query.where(~_graded_by(filters.not_graded_by))
    return query


def _graded_by(name: str) -> Exists:
    return exists().where(
        gradings.c.example == examples.c.seq, gradings.c.grader == spelled(name).scalar_subquery()
    )


def mark_conditions(filters: Filters) -> list[ColumnElement[bool]]:
    """The conditions that filters put on one and the same mark."""
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
