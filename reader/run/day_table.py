"""A table of a day's plates: which photos, of which tank and point, when the drops were put in, lot and expiry.

A row is a plate; its photos, if there are several, stand in one cell with semicolons between. Photos lie below the
table's own folder, so that a table from elsewhere reaches nothing else on this machine.
"""

import csv
import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time
from io import StringIO, TextIOWrapper
from itertools import chain
from math import isfinite
from pathlib import Path
from typing import Final

from reader.errors import LinecallError
from reader.files.csv_cells import BOM, safe_path
from reader.files.extra import needed
from reader.files.plain import open_plain, read_plain, sha256_of
from reader.files.urls import Place, Url, is_url, open_url
from reader.run.batch import Outcome, with_problem
from reader.verdict.statement import Stated
from reader.verdict.succession import photos_of
from reader.words import did_you_mean
from reader.words.clock import parse_clock_or_moment

COLUMNS: Final = ("photo", "tank", "point", "drops", "lot", "expiry")
"""Of a new table; a table may have `MORE` too."""
MORE: Final = ("phase", "age", "note")
STATED: Final = {
    "tank": "tank", "point": "sample_point", "phase": "sample_phase", "lot": "plate_lot", "expiry": "plate_expiry",
    "note": "note",
}  # fmt: skip
BYTES_MAX: Final = 2_000_000  # a row has some 100
ROWS_AT_ONCE: Final = 1000  # of Parquet, held in memory
SEPARATORS: Final = ",;\t"  # what spreadsheets of different countries write


class TableError(LinecallError):
    """A table that cannot be read by; the text says which row and what to do."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Plate:
    """One row: a plate's photos, and what is stated about it. reading_age_min : minutes from the drops to the photo."""

    line: int
    photos: tuple[Place, ...]
    statement: Stated
    drops_at: datetime | time | None
    reading_age_min: float | None


def read_table(path: Path, operator: str | None = None, *, root: Path | None = None) -> tuple[Plate, ...]:
    """The plates of a table of this machine, checked: all photos are there, each in one row.

    root : the folder that they lie in or below; the table's own, unless whoever asks names another.
    Raises TableError at the first row that cannot be so.
    """
    root = root or path.parent
    plates = tuple(_plates(path, root, operator))
    seen: dict[str, tuple[int, Path]] = {}
    for plate in plates:
        for photo in plate.photos:
            assert isinstance(photo, Path), "a table of this machine names photos of this machine"
            try:
                digest = sha256_of(photo, within=root)
            except OSError as error:
                raise TableError(
                    f"{path}, line {plate.line}: {photo.name} cannot be read ({error.strerror or error})"
                ) from None
            if digest in seen:
                line, other = seen[digest]
                raise TableError(
                    f"{path}, line {plate.line}: {photo.name} is the same photo as {other.name} in line {line}; each "
                    "plate has its own photo"
                )
            seen[digest] = plate.line, photo
    return plates


def stream_table(table: Place, root: Place, operator: str | None = None) -> Iterator[Plate]:
    """The plates of a table in CSV or Parquet, as its rows come.

    root : the folder that all photos lie in or below; the table's own, unless whoever asks names another.
    Raises TableError at the first row that cannot be so, or names a photo that an earlier row has.
    """
    with Seen() as names:
        for plate in _plates(table, root, operator):
            for photo in plate.photos:
                before = names.add(str(photo), str(plate.line))
                if before is not None:
                    raise TableError(
                        f"{table}, line {plate.line}: {photo.name} stands in line {before} already; each plate has its "
                        "own photo"
                    )
            yield plate


def once_each(outcomes: Iterable[Outcome]) -> Iterator[Outcome]:
    """The same outcomes; one whose photo was read before, under another name, has that for a problem."""
    with Seen() as seen:
        for outcome in outcomes:
            verdict = outcome.verdict
            for sha256 in sorted(photos_of(verdict)) if verdict is not None else ():
                before = seen.add(sha256, str(outcome.job.photo))
                if before is not None and outcome.job.order is not None:
                    outcome = with_problem(
                        outcome,
                        f"{outcome.job.photo}: is the same photo as {before}, but each plate has its own; trust "
                        "neither verdict before you know whose it is",
                    )
            yield outcome


class Seen:
    """Which things came before, however many, with what is to be said of each: on the disk, not in memory."""

    def __enter__(self) -> "Seen":
        """None yet; they lie in a file that is gone with this."""
        import sqlite3

        self._found = sqlite3.connect("")
        self._found.execute("create table seen (thing text primary key, said text) without rowid")
        return self

    def __exit__(self, *error: object) -> None:
        """Drop them."""
        self._found.close()

    def add(self, thing: str, said: str) -> str | None:
        """What was said of it before; None where it is new."""
        done = self._found.execute("insert or ignore into seen values (?, ?)", (thing, said))
        if done.rowcount:
            return None
        return str(self._found.execute("select said from seen where thing = ?", (thing,)).fetchone()[0])


def new_table(photos: Sequence[Path], folder: Path) -> bytes:
    """A table to be filled in, with a row for each photo; raises TableError for one that is not below `folder`."""
    text = StringIO()
    text.write(BOM)
    rows = csv.writer(text, lineterminator="\r\n")
    rows.writerow(COLUMNS)
    root = Path(os.path.realpath(folder))
    for photo in photos:
        real = Path(os.path.realpath(photo.parent)) / photo.name
        if not real.is_relative_to(root):
            raise TableError(
                f"{photo}: does not lie below {folder}, the folder of the table; put the table above it"
            )
        name = real.relative_to(root).as_posix()
        rows.writerow([safe_path(name), *[""] * (len(COLUMNS) - 1)])
    return text.getvalue().encode("utf-8", "replace")


def _plates(table: Place, root: Place, operator: str | None) -> Iterator[Plate]:
    rows = _cells(table)
    head = [name.strip().lower() for name in next(rows, (1, list[str]()))[1]]
    _check_head(table, head)
    empty = True
    for line, cells in rows:
        if any(cell.strip() for cell in cells):
            empty = False
            yield _plate(table, root, line, _row(table, line, head, cells), operator)
    if empty:
        raise TableError(f"{table}: has no rows; write one for each plate")


def _cells(table: Place) -> Iterator[tuple[int, list[str]]]:
    """The rows of a table with their lines' numbers, its head first."""
    if table.suffix.lower() == ".parquet":
        return _parquet_cells(table)
    if isinstance(table, Url):
        return _csv_at(table)
    return _csv_cells(table, StringIO(_text(table), newline=""))


def _csv_at(table: Url) -> Iterator[tuple[int, list[str]]]:
    with open_url(table) as file, TextIOWrapper(file, "utf-8-sig", newline="") as text:
        yield from _csv_cells(table, text)


def _csv_cells(table: Place, text: Iterable[str]) -> Iterator[tuple[int, list[str]]]:
    try:
        head, text = _spied(text)
        rows = csv.reader(text, delimiter=max(SEPARATORS, key=head.count))
        try:
            for cells in rows:
                yield rows.line_num, cells
        except csv.Error as error:
            raise TableError(f"{table}, line {rows.line_num}: is no CSV ({error})") from None
    except UnicodeDecodeError as error:
        raise TableError(f"{table}: byte {error.start} is not UTF-8; save it as CSV UTF-8") from None


def _spied(lines: Iterable[str]) -> tuple[str, Iterator[str]]:
    """The first line, and all of them."""
    remaining = iter(lines)
    first = next(remaining, "")
    return first, chain([first], remaining)


def _parquet_cells(table: Place) -> Iterator[tuple[int, list[str]]]:
    parquet = needed("pyarrow.parquet", "to read a table in Parquet")
    arrow = needed("pyarrow", "to read a table in Parquet")
    try:
        with open_url(table) if isinstance(table, Url) else open_plain(table) as file:
            rows = parquet.ParquetFile(file)
            yield 1, list(rows.schema_arrow.names)
            line = 1
            for batch in rows.iter_batches(ROWS_AT_ONCE):
                for row in zip(*(column.to_pylist() for column in batch.columns), strict=True):
                    line += 1
                    yield line, ["" if cell is None else str(cell) for cell in row]
    except arrow.ArrowInvalid as error:
        raise TableError(f"{table}: is no Parquet ({str(error)[:100]})") from None
    except OSError as error:
        raise TableError(f"{table}: cannot be read ({error.strerror or error})") from None


def _text(path: Path) -> str:
    try:
        data = read_plain(path, limit=BYTES_MAX)
    except OSError as error:
        raise TableError(f"{path}: cannot be read ({error.strerror or error})") from None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise TableError(f"{path}: byte {error.start} is not UTF-8; save it as CSV UTF-8") from None


def _check_head(path: Place, head: Sequence[str]) -> None:
    known = [*COLUMNS, *MORE]
    for name in head:
        if name not in known:
            guess = did_you_mean(name, known) or f"; the columns are {', '.join(known)}"
            raise TableError(f"{path}, line 1: there is no column {name[:40]!r}{guess}")
        if head.count(name) > 1:
            raise TableError(f"{path}, line 1: the column {name} is there twice; keep one")
    if "photo" not in head:
        raise TableError(f"{path}, line 1: the column photo is missing")


def _row(path: Place, line: int, head: Sequence[str], cells: Sequence[str]) -> dict[str, str]:
    if len(cells) > len(head):
        raise TableError(
            f"{path}, line {line}: has {len(cells)} cells, but there are {len(head)} columns; put a cell with a "
            "separator in it in quotes"
        )
    return {name: cell.strip() for name, cell in zip(head, cells, strict=False) if cell.strip()}


def _plate(path: Place, root: Place, line: int, row: Mapping[str, str], operator: str | None) -> Plate:
    where = f"{path}, line {line}"
    if not row.get("photo", "").strip("; "):
        raise TableError(f"{where}: the photo is missing")
    if "drops" in row and "age" in row:
        raise TableError(f"{where}: drops and age say the same thing; give one")
    said = {field: row[name] for name, field in STATED.items() if name in row}
    try:
        statement = Stated.of(operator=operator, **said)
        drops_at = parse_clock_or_moment(row["drops"]) if "drops" in row else None
        return Plate(
            line=line,
            photos=tuple(
                _photo(path, root, name.strip()) for name in row["photo"].split(";") if name.strip()
            ),
            statement=statement,
            drops_at=drops_at,
            reading_age_min=_age(row["age"]) if "age" in row else None,
        )
    except LinecallError as error:
        raise TableError(f"{where}: {error}") from None


def _age(text: str) -> float:
    try:
        minutes = float(text.removesuffix("min").strip())
    except ValueError:
        minutes = -1.0
    if not (isfinite(minutes) and minutes >= 0):
        raise TableError(f"age is {text[:40]!r}, expected a number of minutes, 0 or more")
    return minutes


def _photo(table: Place, root: Place, name: str) -> Place:
    """A photo that a table names; it must be a file below the root, links followed."""
    where = "the table's own folder" if root == table.parent else str(root)
    outside = TableError(f"{name[:80]!r} does not lie below {where}; move the photo there")
    if isinstance(root, Url):
        return _photo_at(root, name, outside)
    path = root / name
    real = Path(os.path.realpath(root))
    if "\0" in name or Path(name).is_absolute() or not Path(os.path.realpath(path)).is_relative_to(real):
        raise outside
    if not os.path.isfile(path):
        try:
            guess = did_you_mean(path.name, [found.name for found in path.parent.iterdir()])
        except OSError:
            guess = ""
        raise TableError(f"there is no photo {name[:80]}{guess or '; check its name'}")
    return path


def _photo_at(root: Url, name: str, outside: TableError) -> Url:
    """The same at a URL; whether it is there is told when it is read."""
    beginning = f"{root}".rstrip("/") + "/"
    below = name.removeprefix(beginning)
    steps = below.split("/")
    odd = any(letter in below for letter in "\0\\*") or (
        root.scheme in ("http", "https") and set("%?#") & set(below)
    )
    if odd or is_url(below) or "::" in below or any(step in ("", ".", "..") for step in steps):
        raise outside
    return root / below
