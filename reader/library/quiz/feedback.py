"""What becomes of a score: the page that shows each error beside the consensus, and the logbook's entry."""

from datetime import datetime
from typing import TYPE_CHECKING, Any

from reader.draw.page_picture import png
from reader.draw.templates import render
from reader.errors import LinecallError
from reader.library.store import Library
from reader.library.strips import as_photographed, raise_contrast
from reader.logbook.events import load_event
from reader.verdict.model import WindowRecord
from reader.words import MarkName

if TYPE_CHECKING:
    from reader.logbook import Logbook
from reader.library.quiz.marking import Score, Wrong
from reader.library.quiz.papers import TEMPLATES, indicator_is_upstream


def as_payload(score: Score) -> dict[str, Any]:
    """What the logbook keeps of a score."""
    low, high = score.agreement.by_plate or (None, None)
    return {
        "quiz": score.key.quiz,
        "trainee": score.key.trainee,
        "paper": score.key.paper,
        "answers": score.answers.hash,
        "mix": score.key.mix.model_dump(mode="json"),
        "consensus": score.key.consensus.model_dump(mode="json"),
        "plates": len(score.key.items),
        "seconds": score.answers.seconds,
        "passed": score.passed,
        "agreement": {
            "hits": score.agreement.hits,
            "of": score.agreement.of,
            "value": score.agreement.value,
            "low": low,
            "high": high,
        },
        "criteria": [
            {"name": c.name, "hits": c.hits, "of": c.of, "limit": c.limit, "met": c.met}
            for c in score.criteria
        ],
        "classes": [
            {
                "class": c.name,
                "marks": c.marks,
                "agreed": c.agreed,
                "missed": c.missed,
                "false_calls": c.false_calls,
                "doubts": c.doubts,
                "unanswered": c.unanswered,
            }
            for c in score.classes
        ],
    }


def log(logbook: "Logbook", score: Score, *, by: str, at: datetime) -> bool:
    """Add a score to the logbook, once, by the trainee as the logbook knows them; returns whether it was added."""
    of_these = (
        f'"answers":"{score.answers.hash}"'  # as canonical JSON has it; to parse all events takes far longer
    )
    for seq, digest, body in logbook.bodies():
        if of_these in body and load_event(seq, digest, body).kind == "quiz":
            return False
    logbook.append("quiz", as_payload(score), by=by, at=at)
    return True


def feedback_page(library: Library, score: Score) -> tuple[bytes, tuple[str, ...]]:
    """The result as HTML: each error's strip, as photographed and with its contrast raised, beside the consensus.

    Also says which strips could not be shown, as the library has them no more.
    """
    shown = [_show_error(library, wrong) for wrong in score.wrong]
    lost = dict.fromkeys(one["lost"] for one in shown if one["lost"])
    return render("feedback.html", [TEMPLATES], {"score": score, "shown": shown}), tuple(lost)


def _show_error(library: Library, wrong: Wrong) -> dict[str, Any]:
    try:
        example = library.example(wrong.example)
        strip = library.pictures.strips(example)[wrong.window]
        agreed = library.agreed(wrong.example)[wrong.window, wrong.mark]
    except LinecallError as error:
        return {"wrong": wrong, "lost": f"the strip of window {wrong.window} cannot be shown: {error}"}
    window = next(window for window in example.verdict.windows if window.id == wrong.window)
    return {
        "wrong": wrong,
        "lost": None,
        "photo": example.photo.name,
        "natural": png(as_photographed(strip)),
        "raised": png(raise_contrast(window, strip)),
        "lower": (wrong.mark == "indicator") == indicator_is_upstream(window),
        "from_top": _from_top(window, wrong.mark),
        "votes": agreed.reason,
        "now": agreed.call,
    }


def _from_top(window: WindowRecord, mark: MarkName) -> float | None:
    """Where a mark belongs on its strip, flow upwards, as a share of the length; None without sizes."""
    place = (window.indicator if mark == "indicator" else window.reference).expected_mm
    return None if place is None or not window.length_mm else 1 - place / window.length_mm
