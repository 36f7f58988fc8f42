"""A label file to be filled in: a row for every mark of every photo, without a call, so that it can be graded blind."""

import csv
from collections import Counter
from collections.abc import Iterable
from io import StringIO

from reader.files.csv_cells import BOM, safe_cell
from reader.library.examples import MARKS
from reader.library.labels import NEEDED
from reader.run.batch import Outcome


def blank_labels(
    outcomes: Iterable[Outcome], *, grader: str = "", role: str = "", graded_at: str = ""
) -> bytes:
    """The label file of photos that were read: CSV, UTF-8; what linecall called is not in it."""
    outcomes = list(outcomes)
    names = Counter(outcome.job.photo.name for outcome in outcomes)
    text = StringIO()
    text.write(BOM)
    table = csv.writer(text, lineterminator="\r\n")
    table.writerow(NEEDED)
    for outcome in outcomes:
        if outcome.verdict is not None:
            photo = outcome.job.photo
            name = photo.name if names[photo.name] == 1 else str(photo).replace("\\", "/")
            for window in outcome.verdict.windows:
                for mark in MARKS:
                    table.writerow(map(safe_cell, (name, grader, role, graded_at, window.id, mark, "")))
    return text.getvalue().encode("utf-8", "replace")
