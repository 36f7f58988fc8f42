"""Label files: who called which mark what, and when; CSV from a spreadsheet, JSON or JSON lines."""

import csv
import hashlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from io import StringIO
from pathlib import Path
from typing import Any, Final, NoReturn, get_args

from pydantic import TypeAdapter, ValidationError

from reader.errors import LinecallError
from reader.files.csv_cells import plain_cell
from reader.files.plain import read_plain
from reader.library.adding import unlike_spelling
from reader.library.examples import MARKS, ROLES, GraderRole, Grading, plain_tag
from reader.verdict.model import Verdict
from reader.verdict.statement import Name, Note
from reader.words import CALLS_OF, Call, Grade, MarkKey, did_you_mean
from reader.words.fields import AwareMoment
from reader.words.names import folded

BYTES_MAX: Final = 100_000_000  # 50,000 examples with twelve marks and two graders each
PROBLEMS_MAX: Final = 20  # told of one file

NEEDED: Final = ("photo", "grader", "role", "graded_at", "window", "mark", "call")
FURTHER: Final = ("grade", "blind", "light", "defects", "plate", "note")
COLUMNS: Final = NEEDED + FURTHER
FOR_ALL: Final = ("grader", "role", "graded_at")
"""What may be said once for a whole file instead."""


class LabelsError(LinecallError):
    """A label file that says what cannot be; `problems` has a line for each thing wrong, the text the first."""

    def __init__(self, problems: Sequence[str]) -> None:
        """Take the lines."""
        more = len(problems) - 1
        super().__init__(problems[0] + (f" (and {more} more problem{'s' * (more > 1)})" if more else ""))
        self.problems = tuple(problems)


@dataclass(frozen=True, kw_only=True, slots=True)
class Drafted:
    """One person's calls on one photo; `rows` says in which row of the file each stands."""

    grader: str
    role: GraderRole
    at: datetime
    calls: dict[MarkKey, Call]
    rows: dict[MarkKey, int]
    grade: Grade | None
    blind: bool | None
    note: str | None

    def grading(self, example: str, source: str) -> Grading:
        """The grading of an example."""
        return Grading(
            example=example,
            grader=self.grader,
            role=self.role,
            at=self.at,
            calls=self.calls,
            grade=self.grade,
            blind=self.blind,
            source=source,
            note=self.note,
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class PhotoLabels:
    """All that a file says of one photo; `row` is the first that names it."""

    photo: str
    row: int
    light: str | None
    defects: tuple[str, ...]
    plate: str | None
    drafted: tuple[Drafted, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Labels:
    """A label file: what it says of each photo, by the name that it gives the photo."""

    name: str
    sha256: str
    photos: Mapping[str, PhotoLabels]
    place: Callable[[int, str], str] = field(repr=False)

    @property
    def source(self) -> str:
        """What a grading says of where it came from."""
        return f"{self.name}, SHA-256 {self.sha256[:12]}"

    def problems_with(self, photo: PhotoLabels, verdict: Verdict) -> list[str]:
        """Labels of windows that the photo's layout does not have, a line each."""
        assert verdict.layout is not None, "a plate that was read has a layout"
        windows = [window.id for window in verdict.windows]
        return [
            f"{self.place(row, 'window')} is {window!r}, but {photo.photo} shows layout {verdict.layout.name}, "
            f"which has the windows {', '.join(windows)}{did_you_mean(window, windows)}"
            for drafted in photo.drafted
            for (window, _), row in drafted.rows.items()
            if window not in windows
        ]


def load_labels(
    path: Path, *, for_all: Mapping[str, str] | None = None, known_graders: Sequence[str] = ()
) -> Labels:
    """Read a label file, its kind told by its suffix: .csv, .json or .jsonl.

    for_all : grader, role and graded_at of rows that do not say them. known_graders : names in the spelling that
    counts already. Every row calls one mark of one photo; a row with an empty call says that the mark was not
    judged. Raises LabelsError that names row and column, what was found and what was expected.
    """
    try:
        data = read_plain(path, limit=BYTES_MAX)
    except OSError as error:
        raise LinecallError(f"{path}: cannot be read ({error.strerror or error}); check the name") from error
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise LinecallError(f"{path}: byte {error.start} is not UTF-8; save the file as UTF-8 text") from None
    is_csv = path.suffix.lower() == ".csv"
    if not is_csv and path.suffix.lower() not in (".json", ".jsonl"):
        raise LinecallError(f"{path}: is no label file; labels are in a .csv, .json or .jsonl")

    def place(row: int, column: str) -> str:
        return f"{path}, row {row}, column {column}:" if is_csv else f"{path}, item {row}, field {column}:"

    rows = list(_csv_rows(path, text) if is_csv else _json_rows(path, text))
    reader = _Reader(place, {name: value for name, value in (for_all or {}).items() if value})
    for row, values in rows:
        reader.take(row, values)
    reader.check_spelling(known_graders)
    if reader.problems:
        raise LabelsError(reader.problems[:PROBLEMS_MAX])
    if not reader.photos:
        raise LinecallError(f"{path}: has no row with a call; fill in {', '.join(NEEDED)}")
    return Labels(
        name=path.name,
        sha256=hashlib.sha256(data).hexdigest(),
        photos={name: photo.done() for name, photo in reader.photos.items()},
        place=place,
    )


# --- rows -------------------------------------------------------------------------------------------------------


def _csv_rows(path: Path, text: str) -> Iterator[tuple[int, dict[str, str]]]:
    """Rows of a table as a spreadsheet counts them, the header being row 1; comma, semicolon or tab."""
    first = text.partition("\n")[0]
    delimiter = max(",;\t", key=first.count)
    table = csv.reader(StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        header = [_column(name) for name in next(table, [])]
        _check_header(path, header)
        for number, cells in enumerate(table, start=2):
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) < len(header):
                missing = header[len(cells)]
                raise LabelsError(
                    [
                        f"{path}, row {number}, column {missing}: is missing: the row has {len(cells)} columns, the "
                        f"header {len(header)}; fill the row up to its end"
                    ]
                )
            if any(cell.strip() for cell in cells[len(header) :]):
                raise LabelsError(
                    [
                        f"{path}, row {number}: has {len(cells)} columns, but the header {len(header)}; put a "
                        f"text with {delimiter!r} in it into quotes"
                    ]
                )
            yield number, dict(zip(header, map(plain_cell, cells), strict=False))
    except csv.Error as error:
        raise LinecallError(f"{path}, line {table.line_num}: is no table of text ({error})") from None


def _column(name: str) -> str:
    return "_".join(name.strip().casefold().replace("_", " ").split())


def _check_header(path: Path, header: Sequence[str]) -> None:
    for name in header:
        if name not in COLUMNS:
            guess = did_you_mean(name, list(COLUMNS)) or f"; there are {', '.join(COLUMNS)}"
            raise LabelsError([f"{path}, row 1: has a column {name!r}, which labels do not have{guess}"])
        if header.count(name) > 1:
            raise LabelsError([f"{path}, row 1: has the column {name!r} twice; keep one"])
    for name in NEEDED:
        if name not in header and name not in FOR_ALL:
            raise LabelsError([f"{path}, row 1: lacks the column {name!r}; labels need {', '.join(NEEDED)}"])


def _json_rows(path: Path, text: str) -> Iterator[tuple[int, dict[str, str]]]:
    lines = path.suffix.lower() == ".jsonl"
    try:
        found = (
            [json.loads(line) for line in text.splitlines() if line.strip()] if lines else json.loads(text)
        )
    except (ValueError, RecursionError) as error:
        raise LinecallError(f"{path}: is not JSON ({error})") from None
    if not isinstance(found, list):
        raise LinecallError(f"{path}: is no list; give a list of objects, each with {', '.join(NEEDED)}")
    for number, item in enumerate(found, start=1):
        if not isinstance(item, dict):
            raise LabelsError([f"{path}, item {number}: is no object; give one with {', '.join(NEEDED)}"])
        for name in item:
            if name not in COLUMNS:
                guess = did_you_mean(name, list(COLUMNS)) or f"; there are {', '.join(COLUMNS)}"
                raise LabelsError([f"{path}, item {number}, field {name}: is none of a label{guess}"])
        for name in NEEDED:
            if name not in item and name not in FOR_ALL:
                raise LabelsError(
                    [f"{path}, item {number}, field {name}: is missing; labels need {', '.join(NEEDED)}"]
                )
        yield number, {name: _as_text(value) for name, value in item.items()}


def _as_text(value: Any) -> str:
    if isinstance(value, list):
        return ";".join(map(str, value))
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value is None else str(value)


# --- values -----------------------------------------------------------------------------------------------------


class _WrongError(Exception):
    """A cell that cannot be so: its column and what was found and expected."""

    def __init__(self, column: str, sentence: str) -> None:
        super().__init__(sentence)
        self.column = column


@dataclass(slots=True)
class _Drafting:
    """A grading as its rows come in."""

    role: GraderRole
    grade: Grade | None
    blind: bool | None
    note: str | None
    calls: dict[MarkKey, Call] = field(default_factory=dict)
    rows: dict[MarkKey, int] = field(default_factory=dict)


@dataclass(slots=True)
class _Photo:
    """What is said of a photo, as its rows come in."""

    name: str
    row: int
    said: dict[str, Any] = field(default_factory=dict)
    drafting: dict[tuple[str, datetime], _Drafting] = field(default_factory=dict)

    def done(self) -> PhotoLabels:
        return PhotoLabels(
            photo=self.name,
            row=self.row,
            light=self.said.get("light"),
            defects=self.said.get("defects", ()),
            plate=self.said.get("plate"),
            drafted=tuple(
                Drafted(
                    grader=grader,
                    role=made.role,
                    at=at,
                    calls=made.calls,
                    rows=made.rows,
                    grade=made.grade,
                    blind=made.blind,
                    note=made.note,
                )
                for (grader, at), made in self.drafting.items()
            ),
        )


_MOMENT: Final[TypeAdapter[datetime]] = TypeAdapter(AwareMoment)
_NAME: Final[TypeAdapter[str]] = TypeAdapter(Name)
_NOTE: Final[TypeAdapter[str]] = TypeAdapter(Note)


class _Reader:
    """Takes rows one by one, and notes what is wrong with each."""

    def __init__(self, place: Callable[[int, str], str], for_all: Mapping[str, str]) -> None:
        self._place = place
        self._for_all = for_all
        self._spelled: dict[str, int] = {}
        self.photos: dict[str, _Photo] = {}
        self.problems: list[str] = []

    def take(self, row: int, values: Mapping[str, str]) -> None:
        """Take a row."""
        try:
            self._take(row, {name: value.strip() for name, value in values.items()})
        except _WrongError as wrong:
            self.problems.append(f"{self._place(row, wrong.column)} {wrong}")

    def check_spelling(self, known: Sequence[str]) -> None:
        """Note names that are nearly another's, in the file or among those that are known."""
        spelled = {folded(name): name for name in known}
        for name, row in self._spelled.items():
            other = spelled.setdefault(folded(name), name)
            if other != name:
                self.problems.append(f"{self._place(row, 'grader')} {unlike_spelling(name, other)}")

    def _take(self, row: int, values: Mapping[str, str]) -> None:
        name = values.get("photo", "")
        if not name:
            raise _WrongError("photo", "is empty; name the photo's file")
        photo = self.photos.get(name) or _Photo(name=name, row=row)
        self._take_about(photo, values)
        if values["call"]:
            self._take_call(photo, row, values)
        self.photos[name] = photo

    def _take_about(self, photo: _Photo, values: Mapping[str, str]) -> None:
        for column, parse in (("light", _tag), ("defects", _tags), ("plate", _plate)):
            text = values.get(column)
            if text:
                value = parse(text)
                if photo.said.setdefault(column, value) != value:
                    raise _WrongError(
                        column, f"is {text!r}, but an earlier row says something else of {photo.name}"
                    )

    def _take_call(self, photo: _Photo, row: int, values: Mapping[str, str]) -> None:
        grader = _parsed(_NAME, self._said("grader", values), "grader", "a name of 1 to 200 characters")
        role: GraderRole = _one_of(self._said("role", values), ROLES, "role")
        expected = "a time with its offset, such as 2026-05-04T14:30:00+02:00"
        said = self._said("graded_at", values).upper().replace(" ", "T", 1)
        at = _parsed(
            _MOMENT, said if said.count(":") > 2 or not said else _with_seconds(said), "graded_at", expected
        )
        if not values["window"]:
            raise _WrongError("window", "is empty; give the window's id")
        mark = _one_of(values["mark"], MARKS, "mark")
        call: Call = _one_of(values["call"], CALLS_OF[mark], "call", f" of {_a(mark)} mark")
        grade: Grade | None = (
            _one_of(values["grade"], get_args(Grade), "grade") if values.get("grade") else None
        )
        blind = _yes_or_no(values["blind"]) if values.get("blind") else None
        note = (
            _parsed(_NOTE, values["note"], "note", "at most 4000 characters") if values.get("note") else None
        )
        self._spelled.setdefault(grader, row)
        drafting = photo.drafting.setdefault(
            (grader, at), _Drafting(role=role, grade=grade, blind=blind, note=note)
        )
        for column, value in (("role", role), ("grade", grade), ("blind", blind), ("note", note)):
            had = getattr(drafting, column)
            if value is not None and had is None:
                setattr(drafting, column, value)
            elif value is not None and had != value:
                raise _WrongError(
                    column,
                    f"is {values.get(column)!r}, but an earlier row of {grader} says {_as_text(had)!r}",
                )
        key: MarkKey = (values["window"], mark)
        if key in drafting.rows:
            raise _WrongError(
                "call",
                f"is a second one of {grader} on this mark; the first stands in row {drafting.rows[key]}",
            )
        drafting.calls[key], drafting.rows[key] = call, row

    def _said(self, column: str, values: Mapping[str, str]) -> str:
        text = values.get(column) or self._for_all.get(column, "")
        if not text:
            option = column.replace("_", "-")
            raise _WrongError(column, f"is missing; fill it in, or say it for all rows with --{option}")
        return text


def _with_seconds(text: str) -> str:
    """A time to the minute, as people write it, with its seconds."""
    hours = text.find("T") + 3
    return text[: hours + 3] + ":00" + text[hours + 3 :] if text[hours : hours + 1] == ":" else text


def _parsed(adapter: TypeAdapter[Any], text: str, column: str, expected: str) -> Any:
    try:
        return adapter.validate_python(text)
    except ValidationError:
        raise _WrongError(column, f"is {text[:60]!r}, expected {expected}") from None


def _one_of(text: str, words: Sequence[Any], column: str, whose: str = "") -> Any:
    word = " ".join(text.split()).casefold()
    if word not in words:
        _wrong_word(text, words, column, whose)
    return word


def _wrong_word(text: str, words: Sequence[str], column: str, whose: str) -> NoReturn:
    guess = did_you_mean(text.casefold(), list(words))
    raise _WrongError(column, f"is {text[:60]!r}, but the {column}s{whose} are {', '.join(words)}{guess}")


def _a(mark: str) -> str:
    return f"an {mark}" if mark[0] in "aeiou" else f"a {mark}"


def _yes_or_no(text: str) -> bool:
    if text.casefold() not in ("yes", "no"):
        raise _WrongError("blind", f"is {text[:60]!r}, expected yes or no")
    return text.casefold() == "yes"


def _tag(text: str) -> str:
    try:
        return plain_tag(text)
    except ValueError as error:
        raise _WrongError("light", f"is {text[:60]!r}, {error}") from None


def _tags(text: str) -> tuple[str, ...]:
    try:
        return tuple(dict.fromkeys(plain_tag(part) for part in text.split(";") if part.strip()))
    except ValueError as error:
        raise _WrongError("defects", f"is {text[:60]!r}, {error}; put ; between several") from None


def _plate(text: str) -> str:
    found: str = _parsed(_NAME, text, "plate", "a name of 1 to 200 characters")
    return found
