"""A point's history as a page that is complete in itself: drawn as SVG, and said in a table."""

from datetime import datetime
from typing import Final

from reader.draw.annotate import CAUTION
from reader.draw.templates import render
from reader.files.bundled import DATA
from reader.history.brackets import SAID
from reader.history.drawing import panels
from reader.history.point import History
from reader.history.usual import METHOD
from reader.version import VERSION
from reader.words import counted

TEMPLATES: Final = (DATA / "history", DATA / "report")  # the second for the style that all our pages share
COLUMNS: Final = ("negligible", "moderate", "heavy", "undecided", "invalid", None)


def history_page(history: History, *, made_at: datetime) -> bytes:
    """HTML of a point's history, UTF-8."""
    return render(
        "history.html",
        TEMPLATES,
        {
            "history": history,
            "panels": panels(history),
            "span": span(history),
            "said": SAID,
            "names": COLUMNS,
            "unsettled": sum(not one.is_settled for one in history.usual.past),
            "caution": CAUTION,
            "method": METHOD,
            "made_at": made_at,
            "version": VERSION,
        },
        {"moment": lambda moment: f"{moment:%Y-%m-%d %H:%M}"},
    )


def span(history: History) -> str:
    """How many readings there are, and which of them are shown."""
    total = sum(n for _, counts in history.years for _, n in counts)
    if not history.seen:
        return "no reading stands"
    shown = f"{history.seen[0].taken_at:%Y-%m-%d} to {history.seen[-1].taken_at:%Y-%m-%d}"
    if len(history.seen) < total:
        return f"{counted(total, 'reading')}; the last {len(history.seen)}, {shown}, one by one"
    return f"{counted(total, 'reading')}, {shown}"
