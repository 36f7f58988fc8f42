"""The follow-up plan as data: which grade, after which history, asks for which actions, and when each one ends.

Rows are tried from the top; the first that fits decides, as in the grading rules. No dose is computed or named.
"""

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, Field

from reader.settings.toml_file import Problem, contradiction
from reader.settings.values import Label, SiteSentence
from reader.words import Grade, did_you_mean, listed, shown
from reader.words.fields import Frozen

HOURS_MAX: Final = 24.0 * 366
MUST_LEAD_SOMEWHERE: Final[tuple[Grade, ...]] = ("moderate", "heavy", "invalid", "undecided")
"""Grades after which something has to follow; a plan that lets one pass leads nowhere."""

ActionKind = Literal["draw again", "second point", "confirm", "hold", "tell", "other"]


def checked_key(text: str) -> str:
    """A key that files name things by, such as hold-stock. Raises a contradiction for another text."""
    if not re.fullmatch(r"[a-z][a-z0-9-]{0,39}", text):
        problem = f"is {shown(text)}, but must be 1 to 40 small letters, digits and hyphens"
        raise contradiction(Problem(path=(), text=problem))
    return text


PlanId = Annotated[str, AfterValidator(checked_key)]
Hours = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=HOURS_MAX)]


class PlanAction(Frozen):
    """Something to be done, by whom and until when.

    `kind` "draw again" and "second point" are done by a reading, which is then linked to what it repeats; a "hold"
    ends only by what `ends_by` or `ends_at_grade` names.
    """

    id: PlanId = Field(description="the action's id, such as hold-stock")
    kind: ActionKind = Field(description="what it is")
    text: SiteSentence = Field(description="what is to be done, in a sentence")
    owner: Label = Field(description="who does it: a name, or 'responsible' for who answers for the point")
    due_hours: Hours = Field(description="hours after the reading until which it is due")
    ends_by: tuple[PlanId, ...] = Field(
        default=(), description="ids of the actions after all of which a hold may end"
    )
    ends_at_grade: tuple[Grade, ...] = Field(
        default=(), description="grades of a later reading of the same point that end it"
    )
    then: tuple[PlanId, ...] = Field(default=(), description="ids of the actions that follow once it is done")


class History(Frozen):
    """What the point's earlier readings must be like for a row to fit; what is not said does not count.

    The readings counted are those of the same point before this one, none that was superseded, within `days`.
    """

    grades: tuple[Grade, ...] = Field(min_length=1, description="grades of the earlier readings that count")
    at_least: int = Field(default=1, strict=True, ge=1, le=100, description="how many of them there must be")
    days: float = Field(
        strict=True, allow_inf_nan=False, gt=0, le=3660, description="days before this reading that count"
    )


class FollowUpRow(Frozen):
    """One row of the plan: after these grades, and this history if one is asked for, these actions are due."""

    grade: tuple[Grade, ...] = Field(min_length=1, description="grades of the reading that the row is for")
    history: History | None = Field(
        default=None, description="what the point's earlier readings must be like"
    )
    actions: tuple[PlanId, ...] = Field(description="ids of the actions that are due; [] for none")


_Tables = Sequence[tuple[int, Mapping[str, Any]]]


def plan_problems(actions: _Tables, rows: _Tables) -> Iterator[Problem]:
    """What in a plan leads nowhere, or in a circle; on the tables as they were written, with their places."""
    places = {str(action.get("id")): at for at, action in actions}
    for id, n in Counter(str(action.get("id")) for _, action in actions).items():
        if n > 1:
            text = f"is {shown(id)}, but another action has that id"
            yield Problem(path=("action", places[id], "id"), text=text)
    yield from _unknown(actions, rows, places)
    yield from _holds(actions)
    yield from _circles(actions, places)
    yield from _unused(actions, rows, places)
    if rows or actions:
        yield from _rows(rows)


def _ids(table: Mapping[str, Any], key: str) -> list[str]:
    found = table.get(key, ())
    return [one for one in found if isinstance(one, str)] if isinstance(found, list) else []


def _unknown(actions: _Tables, rows: _Tables, places: Mapping[str, int]) -> Iterator[Problem]:
    named = [("follow", at, row, "actions") for at, row in rows]
    named += [("action", at, action, key) for at, action in actions for key in ("then", "ends_by")]
    for kind, at, table, key in named:
        for id in _ids(table, key):
            if id not in places:
                guess = did_you_mean(id, list(places)) or "; enter it as a table [[action]]"
                text = f"names {shown(id)}, but no [[action]] has that id{guess}"
                yield Problem(path=(kind, at, key), text=text)


def _holds(actions: _Tables) -> Iterator[Problem]:
    for at, action in actions:
        ends = [key for key in ("ends_by", "ends_at_grade") if action.get(key)]
        if action.get("kind") == "hold" and not ends:
            text = "is a hold that nothing ends; name actions in ends_by or grades in ends_at_grade"
            yield Problem(path=("action", at, "kind"), text=text)
        elif action.get("kind") != "hold" and "ends_by" in ends:
            text = "is for a hold; another action ends when it is done"
            yield Problem(path=("action", at, "ends_by"), text=text)


def _circles(actions: _Tables, places: Mapping[str, int]) -> Iterator[Problem]:
    """Actions that wait for each other: each circle is told once, where it begins."""
    after = {
        str(action.get("id")): [id for key in ("then", "ends_by") for id in _ids(action, key) if id in places]
        for _, action in actions
    }
    told: set[str] = set()
    for start in after:
        path = _way_back(start, after)
        if path and not told & set(path):
            told |= set(path)
            text = f"leads in a circle: {' -> '.join([*path, start])}; an action follows itself only by a new reading"
            yield Problem(path=("action", places[start], "id"), text=text)


def _way_back(start: str, after: Mapping[str, Sequence[str]]) -> list[str]:
    """Ids on a way from an action back to itself, itself first; empty where there is none."""
    came: dict[str, str] = {}
    waiting = [start]
    while waiting:
        here = waiting.pop()
        for then in after.get(here, ()):
            if then == start:
                way = [here]
                while way[-1] != start:
                    way.append(came[way[-1]])
                return way[::-1]
            if then not in came:
                came[then] = here
                waiting.append(then)
    return []


def _unused(actions: _Tables, rows: _Tables, places: Mapping[str, int]) -> Iterator[Problem]:
    asked = {id for _, row in rows for id in _ids(row, "actions")}
    asked |= {id for _, action in actions for key in ("then", "ends_by") for id in _ids(action, key)}
    for id, at in places.items():
        if id not in asked:
            yield Problem(path=("action", at, "id"), text=f"is {shown(id)}, but no row or action leads to it")
    reached = {id for _, row in rows for id in _ids(row, "actions")}
    grown = True
    by_id = {str(action.get("id")): action for _, action in actions}
    while grown:
        more = {then for id in reached if id in by_id for then in _ids(by_id[id], "then")} - reached
        reached, grown = reached | more, bool(more)
    for at, action in actions:
        for id in _ids(action, "ends_by"):
            if str(action.get("id")) in reached and id in places and id not in reached:
                text = f"waits for {shown(id)}, which no row asks for, so it would never end"
                yield Problem(path=("action", at, "ends_by"), text=text)


def _rows(rows: _Tables) -> Iterator[Problem]:
    """Grades that no row catches whatever the history, and rows that an earlier one leaves nothing."""
    caught: set[str] = set()
    for at, row in rows:
        grades = set(_ids(row, "grade"))
        if grades and grades <= caught:
            text = f"is never reached: rows above it catch {listed(sorted(grades))} whatever came before"
            yield Problem(path=("follow", at), text=text)
        if row.get("history") is None:
            if not _ids(row, "actions") and grades & set(MUST_LEAD_SOMEWHERE):
                some = [grade for grade in MUST_LEAD_SOMEWHERE if grade in grades]
                text = f"asks for nothing after {listed(some)}; a plan that leads nowhere is refused"
                yield Problem(path=("follow", at, "actions"), text=text)
            caught |= grades
    missing = [grade for grade in MUST_LEAD_SOMEWHERE if grade not in caught]
    if missing:
        text = f"leads nowhere after {listed(missing)}: add a row [[follow]] without history for it"
        yield Problem(path=("follow",), text=text)
