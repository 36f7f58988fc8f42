"""Pages that are complete in themselves: a point's history, drawn as SVG and said in a table; all points by month."""

from datetime import datetime
from typing import Final

from reader.draw.annotate import CAUTION
from reader.draw.templates import render
from reader.files.bundled import DATA
from reader.round.history.brackets import SAID
from reader.round.history.drawing import panels
from reader.round.history.months import LEGEND, WORST_FIRST, SiteMonths, cell
from reader.round.history.point import History
from reader.round.history.usual import METHOD
from reader.version import VERSION

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
            "span": history.span,
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


def months_page(site: SiteMonths, *, made_at: datetime, name: str = "") -> bytes:
    """HTML of all points by month, UTF-8. name : the site's own."""
    return render(
        "months.html",
        TEMPLATES,
        {
            "site": site,
            "name": name,
            "legend": LEGEND,
            "worst": lambda counts: next(
                (one or "refused" for one in WORST_FIRST if counts.get(one)), "empty"
            ),
            "cell": cell,
            "caution": CAUTION,
            "made_at": made_at,
            "version": VERSION,
        },
        {"moment": lambda moment: f"{moment:%Y-%m-%d %H:%M}"},
    )


def page_of(shown: History | SiteMonths, *, made_at: datetime) -> bytes:
    """HTML of either, UTF-8."""
    if isinstance(shown, History):
        return history_page(shown, made_at=made_at)
    return months_page(shown, made_at=made_at)
