"""Rows of the library's tables and the values they stand for: examples, their marks, verdicts and gradings."""

import json
import zlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, fields
from typing import Any, Final

from sqlalchemy import (
    Connection,
    Row,
    select,
)

from reader.errors import LinecallError
from reader.files.damage import kept
from reader.library.errors import LibraryError
from reader.library.examples import Example, ExamplePhoto, Grading, flat_calls
from reader.library.tables import (
    examples,
    gradings,
    marks,
    verdicts,
)
from reader.verdict.model import SettingsRecord, Verdict, load_verdict


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


ROW_COLUMNS: Final = [examples.c[field.name] for field in fields(ExampleRow)]
MARK_COLUMNS: Final = [marks.c[field.name] for field in fields(StoredMark)]


def seq_of(connection: Connection, id: str) -> int:
    """The seq of an example by its id. Raises LibraryError if there is none."""
    seq = connection.scalar(select(examples.c.seq).where(examples.c.id == id))
    if seq is None:
        raise LibraryError(f"the library has no example {id!r}; linecall library list names them")
    return int(seq)


def load_measured(connection: Connection, seq: int) -> tuple[bytes, str]:
    """An example's verdict and look."""
    row = connection.execute(select(verdicts).where(verdicts.c.example == seq)).one_or_none()
    if row is None:
        raise LibraryError("the library's file is damaged; restore it from a backup")
    return unpack(row.json), row.look.hex()


def verdict_of(connection: Connection, seq: int) -> Verdict:
    """An example's verdict."""
    return load_verdict(load_measured(connection, seq)[0])


def unpack(data: bytes) -> bytes:
    """Decompress a verdict. Raises LibraryError if it is damaged."""
    try:
        return zlib.decompress(data)
    except zlib.error as error:
        raise LibraryError("the library's file is damaged; restore it from a backup") from error


def gradings_of(connection: Connection, seq: int, id: str) -> Iterator[Grading]:
    """Every grading of an example, in the order they were added."""
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


def make_example(row: Row[Any], verdict: bytes, look: str) -> Example:
    """An example from its row."""
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
            defects=split_tags(row.defects),
            source=row.source,
            added_at=row.added_at,
        )


def make_row(row: Mapping[Any, Any]) -> ExampleRow:
    """What lists show of an example, from its row."""
    values = dict(row)
    values["defects"], values["tags"] = split_tags(values["defects"]), split_tags(values["tags"])
    return ExampleRow(**values)


def make_mark(row: Mapping[Any, Any]) -> StoredMark:
    """A mark from its row."""
    values = dict(row)
    values["disputed"] = bool(values["disputed"])
    return StoredMark(**values)


def join_tags(words: Iterable[str]) -> str:
    """Tags as one text, each between bars so that it can be searched for."""
    return "".join(f"|{word}" for word in words) + "|"


def split_tags(text: str) -> tuple[str, ...]:
    """The tags of such a text."""
    return tuple(filter(None, text.split("|")))
