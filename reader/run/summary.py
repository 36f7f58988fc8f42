"""The summary of a run as a table in CSV, a row for each photo."""

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from reader.files.csv_cells import BOM, safe_cell, safe_path
from reader.files.output import free_name, write_whole
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


def write_summary(outcomes: Sequence[Outcome], folder: Path, *, force: bool = False) -> Path:
    """Write `summary.csv`, or `summary-2.csv` and so on beside an earlier one; returns its path.

    force : overwrite the earlier one. Raises OutputError if it cannot be written.
    """
    data = summary_csv(outcomes)
    path = folder / SUMMARY_NAME
    if not force:
        path = free_name(path, data)
    return write_whole({path: data}, force=force)[0]


def summary_csv(outcomes: Iterable[Outcome]) -> bytes:
    """A table of outcomes as CSV (RFC 4180, UTF-8 with its mark), one row a photo; lists are joined by "; "."""
    import csv
    from io import StringIO

    text = StringIO()
    text.write(BOM)
    table = csv.DictWriter(text, SUMMARY_COLUMNS, restval="", lineterminator="\r\n")
    table.writeheader()
    for outcome in outcomes:
        table.writerow({name: safe_cell(cell) for name, cell in _summary_row(outcome).items()})
    return text.getvalue().encode("utf-8", "replace")


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
