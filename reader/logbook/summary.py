"""What lists and queues show about a reading: one row each, which its events alone determine.

The part that rests on a verdict is written into the event itself (payload field `summary`), so that rows can
be rebuilt and checked without taking verdicts apart, and by a later linecall too.
"""

from collections.abc import Mapping
from datetime import datetime, timedelta
from enum import IntEnum
from typing import Any, Final

from reader.decide.grade import departure_warning
from reader.verdict.model import Mark, Verdict

SMALL_MARGIN: Final = 1.0
"""Standard errors between a settled mark's height and its limit of blank; below, a second look helps."""

NO_MARGIN: Final = 1e9
"""Where a reading has no margin it comes after all of its rank that have one."""

CORRECTABLE: Final = (
    "tank", "sample_point", "sample_phase", "plate_lot", "plate_expiry", "drops_at", "operator", "note",
)  # fmt: skip


class Rank(IntEnum):
    """Why a reading waits for a reviewer, the most urgent first."""

    APART = -1  # written about on several devices (reader.logbook.apart)
    DECIDING_DOUBT = 0
    IDLE_DOUBT = 1
    SMALL_MARGIN = 2
    INVALID = 3
    CONTRADICTION = 4


def summarise(verdict: Verdict) -> dict[str, Any]:
    """JSON object with what the verdict adds to a row; `rank` null: nothing in it waits for a reviewer."""
    marks = [mark for window in verdict.windows for mark in (window.indicator, window.reference)]
    margins = [margin for mark in marks if (margin := _margin(mark)) is not None]
    margin = round(min(margins), 3) if margins else None
    closes, rank = _window_closes(verdict), _rank(verdict, marks, margin)
    return {
        "doubtful": sum(mark.call == "doubtful" for mark in marks),
        "grade": verdict.grade,
        "in_doubt": _in_doubt(verdict),
        "layout": verdict.layout.name if verdict.layout else None,
        "margin": margin,
        "open_until": closes.isoformat(timespec="seconds") if closes else None,
        "rank": None if rank is None else int(rank),
        "status": verdict.status,
    }


def _in_doubt(verdict: Verdict) -> list[str]:
    """Analytes of the windows that have a doubtful mark, in the plate's order, each once."""
    doubtful = (w.analyte for w in verdict.windows if "doubtful" in (w.indicator.call, w.reference.call))
    return list(dict.fromkeys(doubtful))


def _rank(verdict: Verdict, marks: list[Mark], margin: float | None) -> Rank | None:
    if verdict.status == "refused":
        return None  # there is nothing to look at: a new photo is needed
    if verdict.grade == "undecided":
        return Rank.DECIDING_DOUBT
    if any(mark.call == "doubtful" for mark in marks):
        return Rank.IDLE_DOUBT
    if margin is not None and margin < SMALL_MARGIN:
        return Rank.SMALL_MARGIN
    if verdict.grade == "invalid":
        return Rank.INVALID
    of_departures = {departure_warning(one) for one in verdict.departures}  # nothing a reviewer could settle
    return Rank.CONTRADICTION if set(verdict.warnings) - of_departures else None


def _margin(mark: Mark) -> float | None:
    """Standard errors from the height to the limit of blank; None where a doubt or a person stands for it."""
    if mark.call not in {"present", "absent"} or getattr(mark, "decided_by", None):
        return None
    if mark.height is None or mark.limit_of_blank is None or not mark.standard_error:
        return None
    return abs(mark.height - mark.limit_of_blank) / mark.standard_error


def _window_closes(verdict: Verdict) -> datetime | None:
    """When the plate may no longer be read; None where the instants of photo and drops are unknown."""
    age = verdict.reading_age
    if age is None or age.range_minutes is None:
        return None
    latest = age.range_minutes[1]
    if age.drops_at is not None and age.drops_at.tzinfo is not None:
        return age.drops_at + timedelta(minutes=latest)
    taken = verdict.photo.captured_at
    if age.minutes is None or taken is None or taken.tzinfo is None:
        return None
    return (taken + timedelta(minutes=latest - age.minutes)).replace(microsecond=0)


def first_row(*, seq: int, id: str, at: str, payload: Mapping[str, Any]) -> dict[str, Any]:
    """Row of a reading as its first event makes it; `at` in the event's own writing."""
    statement, photo = payload["statement"], payload["photos"][0]
    return {
        "seq": seq,
        "id": id,
        "last_seq": seq,
        "at": at,
        "at_utc": int(datetime.fromisoformat(at).timestamp()),
        "photo": photo["name"],
        "photo_sha256": photo["sha256"],
        "reviews": 0,
        "superseded_by": None,
        **{name: statement.get(name) for name in _STATED},
        **_of_summary(payload["summary"]),
    }


_STATED: Final = ("operator", "tank", "sample_point", "sample_phase", "plate_lot", "plate_expiry")


def _of_summary(summary: Mapping[str, Any]) -> dict[str, Any]:
    closes = summary["open_until"]
    return {
        "status": summary["status"],
        "grade": summary["grade"],
        "layout": summary["layout"],
        "doubtful": summary["doubtful"],
        "in_doubt": "".join(f"|{analyte}" for analyte in summary["in_doubt"]) + "|",
        "rank": summary["rank"],
        "margin": summary["margin"],
        "urgency": NO_MARGIN if summary["margin"] is None else summary["margin"],
        "open_until": None if closes is None else int(datetime.fromisoformat(closes).timestamp()),
    }


def next_row(row: Mapping[str, Any], *, seq: int, kind: str, payload: Mapping[str, Any]) -> dict[str, Any]:
    """Row of a reading after one more event of its own."""
    changed = dict(row) | {"last_seq": seq}
    if kind == "review":
        changed["reviews"] += "departures" not in payload  # graded anew by its run, decided on by nobody
        if "summary" in payload:
            changed |= _of_summary(payload["summary"])
        if payload.get("waiting") is False:
            changed["rank"] = None
        elif payload.get("waiting") is True and changed["rank"] is None:
            changed["rank"] = int(Rank.IDLE_DOUBT)
    elif kind == "correction" and payload["field"] in _STATED:
        changed[payload["field"]] = payload["value"]
    if changed["superseded_by"] is not None:
        changed["rank"] = None
    return changed


def superseded_row(row: Mapping[str, Any], by: str) -> dict[str, Any]:
    """Row of a reading after another one, of the same photos and more, has taken its place."""
    return dict(row) | {"superseded_by": by, "rank": None}
