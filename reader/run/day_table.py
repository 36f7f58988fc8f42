"""A table of a day's plates: which photos, of which tank and point, when the drops were put in, lot and expiry.

A row is a plate; its photos, if there are several, stand in one cell with semicolons between. Photos lie below the
table's own folder, so that a table from elsewhere reaches nothing else on this machine.
"""

import csv
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time
from io import StringIO
from math import isfinite
from pathlib import Path
from typing import Final

from reader.errors import LinecallError
from reader.files.csv_cells import BOM, safe_path
from reader.files.plain import read_plain, sha256_of
from reader.verdict.statement import Stated
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
SEPARATORS: Final = ",;\t"  # what spreadsheets of different countries write


class TableError(LinecallError):
    """A table that cannot be read by; the text says which row and what to do."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Plate:
    """One row: a plate's photos, and what is stated about it. reading_age_min : minutes from the drops to the photo."""

    line: int
    photos: tuple[Path, ...]
    statement: Stated
    drops_at: datetime | time | None
    reading_age_min: float | None


def read_table(path: Path, operator: str | None = None) -> tuple[Plate, ...]:
    """The plates of a table, checked: all photos are there, below its folder, and each stands in one row.

    Raises TableError at the first row that cannot be so.
    """
    plates = tuple(_plates(path, operator))
    if not plates:
        raise TableError(f"{path}: has no rows; write one for each plate")
    seen: dict[str, tuple[int, Path]] = {}
    for plate in plates:
        for photo in plate.photos:
            try:
                digest = sha256_of(photo, within=path.parent)
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


def _plates(path: Path, operator: str | None) -> Iterator[Plate]:
    lines = csv.reader(StringIO(_text(path), newline=""), delimiter=_separator(path))
    try:
        head = [name.strip().lower() for name in next(lines, [])]
        _check_head(path, head)
        for cells in lines:
            if any(cell.strip() for cell in cells):
                yield _plate(path, lines.line_num, _row(path, lines.line_num, head, cells), operator)
    except csv.Error as error:
        raise TableError(f"{path}, line {lines.line_num}: is no CSV ({error})") from None


def _text(path: Path) -> str:
    try:
        data = read_plain(path, limit=BYTES_MAX)
    except OSError as error:
        raise TableError(f"{path}: cannot be read ({error.strerror or error})") from None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise TableError(f"{path}: byte {error.start} is not UTF-8; save it as CSV UTF-8") from None


def _separator(path: Path) -> str:
    """What stands between the names of the columns."""
    head = _text(path).partition("\n")[0]
    return max(SEPARATORS, key=head.count)


def _check_head(path: Path, head: Sequence[str]) -> None:
    known = [*COLUMNS, *MORE]
    for name in head:
        if name not in known:
            guess = did_you_mean(name, known) or f"; the columns are {', '.join(known)}"
            raise TableError(f"{path}, line 1: there is no column {name[:40]!r}{guess}")
        if head.count(name) > 1:
            raise TableError(f"{path}, line 1: the column {name} is there twice; keep one")
    if "photo" not in head:
        raise TableError(f"{path}, line 1: the column photo is missing")


def _row(path: Path, line: int, head: Sequence[str], cells: Sequence[str]) -> dict[str, str]:
    if len(cells) > len(head):
        raise TableError(
            f"{path}, line {line}: has {len(cells)} cells, but there are {len(head)} columns; put a cell with a "
            "separator in it in quotes"
        )
    return {name: cell.strip() for name, cell in zip(head, cells, strict=False) if cell.strip()}


def _plate(path: Path, line: int, row: Mapping[str, str], operator: str | None) -> Plate:
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
            photos=tuple(_photo(path, name.strip()) for name in row["photo"].split(";") if name.strip()),
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


def _photo(table: Path, name: str) -> Path:
    """A photo that a table names; it must be a file below the table's own folder, links followed."""
    root = Path(os.path.realpath(table.parent))
    path = table.parent / name
    if "\0" in name or Path(name).is_absolute() or not Path(os.path.realpath(path)).is_relative_to(root):
        raise TableError(f"{name[:80]!r} does not lie below the table's own folder; move the photo there")
    if not os.path.isfile(path):
        try:
            guess = did_you_mean(path.name, [found.name for found in path.parent.iterdir()])
        except OSError:
            guess = ""
        raise TableError(f"there is no photo {name[:80]}{guess or '; check its name'}")
    return path
