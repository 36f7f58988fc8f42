"""Add examples and gradings, inside a transaction that the library opened."""

import json
import zlib
from collections.abc import Sequence
from typing import Final

from sqlalchemy import (
    Connection,
    insert,
    select,
    update,
)

from reader.library.compute import (
    Given,
    Standard,
    compute,
    mark_rows,
)
from reader.library.errors import LibraryError
from reader.library.examples import Example, Grading, nested_calls
from reader.library.filters import spelled
from reader.library.rows import gradings_of, join_tags, seq_of
from reader.library.tables import (
    counts,
    examples,
    graders,
    gradings,
    marks,
    verdicts,
)
from reader.verdict.model import Verdict
from reader.words.names import folded


def insert_example(
    connection: Connection, example: Example, given_calls: Sequence[Grading], standard: Standard
) -> None:
    """Insert an example with its marks and gradings, all computed. Raises LibraryError."""
    verdict = example.verdict
    _check_new(connection, example)
    layout = standard.layout(connection, example.layout.sha256)
    seq = _insert_row(connection, example)
    connection.execute(
        insert(verdicts).values(
            example=seq, json=zlib.compress(example.verdict_json), look=bytes.fromhex(example.look)
        )
    )
    for grading in given_calls:
        insert_grading(connection, seq, example.id, grading, verdict)
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
    rows = mark_rows(verdict, seq)
    computed = compute(rows, own, layout, standard)
    connection.execute(insert(marks), [row | new for row, new in zip(rows, computed.marks, strict=True)])
    connection.execute(update(examples).where(examples.c.seq == seq).values(computed.example))


def _check_new(connection: Connection, example: Example) -> None:
    """Raise LibraryError for a photo that was refused or is kept already, or a verdict that is not the photo's."""
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


def _insert_row(connection: Connection, example: Example) -> int:
    """Insert what is told of an example, with nothing computed yet; returns its seq."""
    verdict, stated = example.verdict, example.defects
    flags = [flag for window in verdict.windows for flag in window.flags]
    flags += [
        flag
        for window in verdict.windows
        for mark in (window.indicator, window.reference)
        for flag in mark.flags
    ]
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
            defects=join_tags(stated),
            source=example.source,
            added_at=example.added_at.isoformat(timespec="seconds"),
            tags=join_tags(dict.fromkeys((*stated, *verdict.photo.flags, *flags))),
            tool_grade=verdict.review.first_grade if verdict.review else verdict.grade,
            **_NOTHING_COMPUTED,
        )
    )
    return int(made.inserted_primary_key[0])  # type: ignore[index]


_NOTHING_COMPUTED: Final[dict[str, int]] = {
    "graders": 0, "settled": 0, "disputed": 0, **{column.name: 0 for column in counts.values()}
}  # fmt: skip


def insert_grading(
    connection: Connection, seq: int, example: str, grading: Grading, verdict: Verdict
) -> None:
    """Insert a grading. Raises LibraryError if it does not fit the example, or its name is nearly another's."""
    check_windows(grading, example, verdict)
    if check_spelling(connection, grading.grader):
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


def check_windows(grading: Grading, example: str, verdict: Verdict) -> None:
    """Raise LibraryError for a grading of another example, or of a window that it does not have."""
    if grading.example != example:
        raise LibraryError(f"a grading of example {grading.example} was given for example {example}")
    windows = [window.id for window in verdict.windows]
    for window, _ in grading.calls:
        if window not in windows:
            raise LibraryError(
                f"{grading.grader} called a mark of window {window!r}, but {verdict.photo.name} has the windows "
                f"{', '.join(windows)}"
            )


def check_spelling(connection: Connection, name: str) -> bool:
    """Whether the name is new; raises LibraryError if it is nearly another's."""
    known = connection.scalar(spelled(name))
    if known is not None and known != name:
        raise LibraryError(unlike_spelling(name, known))
    return known is None


def unlike_spelling(name: str, other: str) -> str:
    """What to say of two spellings of one name."""
    return (
        f"graders {name!r} and {other!r} differ only in what looks alike, case, spaces, points, accents or the order "
        "of words; write one name for one person, and more of it for another"
    )


def _essence(grading: Grading) -> tuple[object, ...]:
    """What makes two gradings one: who, when, and what they called."""
    return (grading.grader, grading.role, grading.at, grading.grade, frozenset(grading.calls.items()))


def find_new(
    connection: Connection, example: str, given_calls: Sequence[Grading]
) -> tuple[int, list[Grading]]:
    """An example's seq, and the gradings that it does not have yet. Raises LibraryError if there is no such example."""
    seq = seq_of(connection, example)
    had = {_essence(found) for found in gradings_of(connection, seq, example)}
    return seq, [grading for grading in given_calls if _essence(grading) not in had]
