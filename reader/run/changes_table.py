"""What changes when an archive is called anew, as a table: a row a verdict, written as they come, CSV or Parquet."""

import csv
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from io import TextIOWrapper
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import IO, Final

from reader.errors import OutputError
from reader.files.csv_cells import BOM, safe_cell, safe_path
from reader.files.extra import needed
from reader.files.output import open_whole
from reader.files.urls import Place, Url, check_writable, upload, url_exists
from reader.run.call_archive import CalledAnew, MarkAnew

COLUMNS: Final = (
    "verdict", "reading", "photo sha256", "layout", "came to", "grade before", "grade after", "possible grades before",
    "possible grades after", "marks", "own limits at hand", "why left",
)  # fmt: skip
CSV, PARQUET = ".csv", ".parquet"
SUFFIXES: Final = (CSV, PARQUET)
TOLD: Final = ("changed", "apart", "left")
"""What has a row; the others are counted."""
ROW_GROUP: Final = 10_000
"""Rows that are held until Parquet takes them: some megabytes."""

Write = Callable[[Iterable[CalledAnew]], None]


@contextmanager
def changes_table(place: Place, *, force: bool = False) -> Iterator[Write]:
    """Take rows as they come; the table has its name once the block has ended well, and else is not there at all.

    Columns of texts, in the archive's order. Raises OutputError where it cannot be written, MissingExtraError where
    Parquet needs pyarrow.
    """
    with ExitStack() as stack:
        path = place if isinstance(place, Path) else _on_this_machine(place, stack, force=force)
        with _table_file(path, force=force) as write:
            yield lambda rows: write(_cells(row) for row in rows if row.came in TOLD)
        if isinstance(place, Url):
            upload(path, place)


def _on_this_machine(url: Url, stack: ExitStack, *, force: bool) -> Path:
    """Where what goes to a URL is written first; makes sure, before long work, that it may go there."""
    check_writable(url.parent)
    if not force and url_exists(url):
        raise OutputError(f"{url}: exists; write elsewhere or give --force")
    return Path(stack.enter_context(TemporaryDirectory(prefix="linecall-")), url.name)


@contextmanager
def _table_file(path: Path, *, force: bool) -> Iterator[Callable[[Iterable[dict[str, str]]], None]]:
    writing = _parquet if path.suffix.lower() == PARQUET else _csv
    with open_whole(path, force=force) as file, writing(file) as write:
        yield write


@contextmanager
def _csv(file: IO[bytes]) -> Iterator[Callable[[Iterable[dict[str, str]]], None]]:
    """CSV (RFC 4180, UTF-8 with its mark) in which no spreadsheet computes a cell."""
    text = TextIOWrapper(file, encoding="utf-8", errors="replace", newline="", write_through=True)
    text.write(BOM)
    table = csv.DictWriter(text, COLUMNS, lineterminator="\r\n")
    table.writeheader()

    def write(rows: Iterable[dict[str, str]]) -> None:
        for row in rows:
            safe = {name: safe_cell(cell) for name, cell in row.items()}
            table.writerow(safe | {"verdict": safe_path(row["verdict"])})

    try:
        yield write
        text.flush()
    finally:
        text.detach()


@contextmanager
def _parquet(file: IO[bytes]) -> Iterator[Callable[[Iterable[dict[str, str]]], None]]:
    arrow, parquet = (needed(name, "to write Parquet") for name in ("pyarrow", "pyarrow.parquet"))
    schema = arrow.schema([(name, arrow.string()) for name in COLUMNS])
    waiting: list[dict[str, str]] = []
    with parquet.ParquetWriter(file, schema) as table:

        def flush() -> None:
            table.write_table(arrow.Table.from_pylist(waiting, schema))
            waiting.clear()

        def write(rows: Iterable[dict[str, str]]) -> None:
            waiting.extend(rows)
            if len(waiting) >= ROW_GROUP:
                flush()

        yield write
        flush()


def _cells(row: CalledAnew) -> dict[str, str]:
    return {
        "verdict": row.name,
        "reading": row.reading or "",
        "photo sha256": "; ".join(row.photos),
        "layout": row.layout,
        "came to": row.came,
        "grade before": row.before or "",
        "grade after": row.after or "",
        "possible grades before": "; ".join(row.possible_before),
        "possible grades after": "; ".join(row.possible_after),
        "marks": "; ".join(map(_in_words, row.changed_marks)),
        "own limits at hand": "" if row.came == "left" else "yes" if row.own_known else "no",
        "why left": row.why,
    }


def _in_words(mark: MarkAnew) -> str:
    """Such as `1 indicator: present, doubtful (decided present)`."""
    decided = f" (decided {mark.stands})" if mark.stands is not None else ""
    return f"{mark.window} {mark.mark}: {mark.before}, {mark.after}{decided}"
