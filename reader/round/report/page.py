"""A report as a page that is complete in itself: the accessible twin of the PDF, from the same value."""

import numpy as np

from reader.draw import ink
from reader.draw.page_picture import data_uri, png
from reader.draw.templates import render
from reader.files.bundled import DATA
from reader.round.report.value import CAUTIONS, Report, said_at
from reader.version import VERSION

TEMPLATES = (DATA / "printed", DATA / "report")
SIGN_PX = 120
SHEETS = {"a4": "A4", "letter": "letter"}


def report_page(report: Report, *, paper: str = "a4") -> bytes:
    """HTML of a report, UTF-8. paper : of its print, a key of SHEETS."""
    return render(
        "printed.html",
        TEMPLATES,
        {
            "report": report,
            "cautions": CAUTIONS,
            "version": VERSION,
            "paper": SHEETS[paper],
        },
        {
            "moment": said_at,
            "sign": _sign,
            "address": lambda figure: data_uri(figure.kind, figure.data),
            "kind": lambda block: type(block).__name__,
        },
    )


def _sign(grade: ink.SignName) -> str:
    canvas = np.full((SIGN_PX, SIGN_PX, 3), ink.bgr(ink.GRADE_COLOURS[grade]), np.uint8)
    ink.paint(canvas, [ink.Sign(at=(6.0, 6.0), size=SIGN_PX - 12.0, name=grade)], None)
    return png(canvas)
