"""What a reviewer reads around the pictures, in their page's language; figures keep the sheet's own."""

from typing import Any

from reader.review.sheet import MARKS
from reader.station import said
from reader.station.texts import Texts
from reader.verdict.model import Verdict


def in_language(content: dict[str, Any], verdict: Verdict, texts: Texts) -> dict[str, Any]:
    """What `sheet.content_of` made of a reading whose verdict is this now, as far as it is text."""
    grade = content["grade"]
    return content | {
        "grade": None if grade is None else grade | _grade(verdict, texts),
        "assay": said.told(texts, content["assay"], "assay"),
        "stated": [
            (said.told(texts, label, "stated"), said.told(texts, said.age(texts, value), "stated"))
            for label, value in content["stated"]
        ],
        "measured": [
            photo | {"flags": [said.told(texts, flag, "flag") for flag in photo["flags"]]}
            for photo in content["measured"]
        ],
        "said_of": {} if grade is None else _reasons(verdict, texts),
    }


def _grade(verdict: Verdict, texts: Texts) -> dict[str, object]:
    return {
        "possible": said.possible(texts, verdict) if verdict.grade == "undecided" else "",
        "rule": said.rule(texts, verdict.rule or ""),
        "turns_on": said.pivotal_marks(texts, verdict),
        "warnings": tuple(said.warning(texts, one) for one in verdict.warnings),
    }


def _reasons(verdict: Verdict, texts: Texts) -> dict[str, list[tuple[str, str, tuple[str, ...]]]]:
    """Of each window its marks, their calls, and why."""
    return {
        window.id: [
            (name, getattr(window, name).call, said.reasons(texts, getattr(window, name))) for name in MARKS
        ]
        for window in verdict.windows
    }
