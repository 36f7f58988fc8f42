"""The summary of a run as a table, a row for each photo: CSV, and Parquet at a URL."""

import csv
from collections.abc import Iterable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from reader.files.csv_cells import BOM, safe_cell, safe_path
from reader.files.extra import needed
from reader.files.output import free_name, write_whole
from reader.files.urls import Place, upload, url_exists
from reader.run.batch import Outcome
from reader.verdict.in_words import why

if TYPE_CHECKING:
    from reader.verdict.model import WindowRecord

SUMMARY_NAME = "summary.csv"


SUMMARY_COLUMNS = (
    "photo", "reading", "tank", "sample point", "operator", "plate lot", "plate expiry", "taken", "status", "grade",
    "why", "possible grades", "pivotal marks", "absent marks", "doubtful marks", "undeveloped marks", "layout",
    "reading age min", "warnings", "reason", "remedy", "next step", "problem", "verdict", "sha256",
)  # fmt: skip


ROWS_AT_ONCE = 1000  # of Parquet, held in memory


class Summary:
    """The table of a run, a row for each photo, kept in passing files as it grows and written at the end.

    parquet : as Parquet besides, for programs that read many; needs the extra `linecall[cluster]`.
    """

    def __init__(self, *, parquet: bool = False) -> None:
        """Begin it."""
        self._folder = TemporaryDirectory(prefix="linecall-")
        self._csv = Path(self._folder.name, "summary.csv")
        self._text = self._csv.open("w", encoding="utf-8", errors="replace", newline="")
        self._text.write(BOM)
        self._table = csv.DictWriter(self._text, SUMMARY_COLUMNS, restval="", lineterminator="\r\n")
        self._table.writeheader()
        self._parquet = _ParquetFile(Path(self._folder.name, "summary.parquet")) if parquet else None

    def __enter__(self) -> "Summary":
        """Itself."""
        return self

    def __exit__(self, *error: object) -> None:
        """Drop the passing files."""
        self._text.close()
        self._folder.cleanup()

    def add(self, outcome: Outcome) -> None:
        """Add what became of a photo."""
        row = _summary_row(outcome)
        self._table.writerow({name: safe_cell(cell) for name, cell in row.items()})
        if self._parquet is not None:
            self._parquet.add(row)

    def csv(self) -> bytes:
        """The table so far as CSV (RFC 4180, UTF-8 with its mark); lists are joined by "; "."""
        self._text.flush()
        return self._csv.read_bytes()

    def write(self, folder: Place, *, force: bool = False) -> Place:
        """Write `summary.csv`, or `summary-2.csv` and so on beside an earlier one; returns its place.

        At a URL, Parquet of the same name beside it. force : overwrite the earlier one. Raises OutputError.
        """
        if isinstance(folder, Path):
            data, path = self.csv(), folder / SUMMARY_NAME
            if not force:
                path = free_name(path, data)
            return write_whole({path: data}, force=force)[0]
        self._text.flush()
        place = folder / SUMMARY_NAME
        number = 1
        while not force and url_exists(place):
            number += 1
            place = folder / f"summary-{number}.csv"
        upload(self._csv, place)
        if self._parquet is not None:
            upload(self._parquet.finished(), folder / f"{place.stem}.parquet")
        return place


class _ParquetFile:
    """Rows as Parquet: the reading age is a number, all else text."""

    def __init__(self, path: Path) -> None:
        """Begin it. Raises MissingExtraError."""
        self._arrow = needed("pyarrow", "to write a summary as Parquet")
        parquet = needed("pyarrow.parquet", "to write a summary as Parquet")
        self._path, self._rows = path, list[dict[str, object]]()
        types = {"reading age min": self._arrow.float64()}
        self._schema = self._arrow.schema(
            [(name, types.get(name, self._arrow.string())) for name in SUMMARY_COLUMNS]
        )
        self._file = parquet.ParquetWriter(path, self._schema)

    def add(self, row: dict[str, object]) -> None:
        self._rows.append(
            {name: cell.encode("utf-8", "replace").decode() if isinstance(cell, str) else cell
             for name, cell in row.items()}
        )  # fmt: skip
        if len(self._rows) >= ROWS_AT_ONCE:
            self._write()

    def _write(self) -> None:
        self._file.write_table(self._arrow.Table.from_pylist(self._rows, schema=self._schema))
        self._rows = []

    def finished(self) -> Path:
        if self._rows:
            self._write()
        self._file.close()
        return self._path


def summary_csv(outcomes: Iterable[Outcome]) -> bytes:
    """The table of outcomes as CSV."""
    with Summary() as summary:
        for outcome in outcomes:
            summary.add(outcome)
        return summary.csv()


def _summary_row(outcome: Outcome) -> dict[str, object]:
    verdict, photo = outcome.verdict, str(outcome.job.photo)
    row: dict[str, object] = {
        "photo": safe_path(photo),
        "status": "failed" if verdict is None else verdict.status,
        "problem": outcome.problem,
    }
    if verdict is None:
        return row
    for call in ("absent", "doubtful", "undeveloped"):
        row[f"{call} marks"] = "; ".join(
            _mark_name(window, mark)
            for window in verdict.windows
            for mark in ("indicator", "reference")
            if getattr(window, mark).call == call
        )
    said, by_id = verdict.statement, {window.id: window for window in verdict.windows}
    row |= {
        name: getattr(said, name.replace(" ", "_"))
        for name in ("tank", "sample point", "operator", "plate lot", "plate expiry")
        if said is not None
    }
    taken = verdict.photo.captured_at
    return row | {
        "reading": outcome.logged or verdict.id,
        "taken": None if taken is None else taken.isoformat(sep=" ", timespec="seconds"),
        "grade": verdict.grade,
        "why": why(verdict) if verdict.status == "read" else None,
        "possible grades": "; ".join(verdict.possible_grades),
        "pivotal marks": "; ".join(_mark_name(by_id[pivot.window], pivot.mark) for pivot in verdict.pivotal),
        "layout": verdict.layout.name if verdict.layout else None,
        "reading age min": verdict.reading_age.minutes if verdict.reading_age else None,
        "warnings": "; ".join(verdict.warnings),
        "reason": verdict.reason,
        "remedy": verdict.remedy,
        "next step": verdict.next_step,
        "verdict": outcome.job.verdict_path.name if outcome.job.verdict_path in outcome.written else None,
        "sha256": verdict.photo.sha256,
    }


def _mark_name(window: "WindowRecord", mark: str) -> str:
    return f"{window.id} {mark} ({window.analyte}, {window.tier})"
