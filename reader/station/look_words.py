"""What a reviewer reads around the pictures, in their page's language."""

from collections.abc import Mapping
from typing import Any

from reader.station import said
from reader.station.texts import Texts
from reader.verdict.model import Verdict
from reader.words import as_sentence
from reader.words.sayings import Said


def in_language(content: dict[str, Any], verdict: Verdict, texts: Texts) -> dict[str, Any]:
    """What `sheet.content_of` made of a reading whose verdict is this now, as far as it is text."""
    if texts.is_english:
        return content
    grade = content["grade"]
    found: dict[str, Any] = _all_said(content, texts)
    return found | {
        "grade": None if grade is None else grade | _grade(verdict, texts),
        "assay": said.told(texts, content["assay"], "assay"),
        "stated": [
            (said.told(texts, label, "stated"), said.told(texts, said.age(texts, value), "stated"))
            for label, value in content["stated"]
        ],
        "measured": [
            _all_said(photo, texts) | {"flags": [said.told(texts, flag, "flag") for flag in photo["flags"]]}
            for photo in content["measured"]
        ],
        "windows": [_window(window, verdict, texts) for window in content["windows"]],
    }


def _all_said(content: Any, texts: Texts) -> Any:
    """Content with all that the reader said in it by code in the page's language."""
    if isinstance(content, Said):
        return said.say(texts, content)
    if isinstance(content, Mapping):
        return {name: _all_said(value, texts) for name, value in content.items()}
    if isinstance(content, list | tuple):
        return [_all_said(value, texts) for value in content]
    return content


def _window(content: dict[str, Any], verdict: Verdict, texts: Texts) -> dict[str, Any]:
    """A window with what its marks' reasons, rules and open decisions say, which verdicts keep as sentences."""
    (window,) = (one for one in verdict.windows if one.id == content["id"])
    found = _all_said(content, texts)
    for block in found["marks"]:
        mark = getattr(window, block["name"])
        reasons = said.reasons(texts, mark) if (mark.first_call or mark.call) != "present" else ()
        block["why"] = [
            as_sentence(one) for one in (*reasons, *(said.flag(texts, code) for code in mark.flags))
        ]
        block["open"] = [said.open_decision(texts, one) for one in block["open"]]
        for answer in block["follows"]:
            answer["because"] = said.rule(texts, answer["because"])
    return dict(found)


def _grade(verdict: Verdict, texts: Texts) -> dict[str, object]:
    return {
        "possible": said.possible(texts, verdict) if verdict.grade == "undecided" else "",
        "rule": said.rule(texts, verdict.rule or ""),
        "turns_on": said.pivotal_marks(texts, verdict),
        "warnings": tuple(said.warning(texts, one) for one in verdict.warnings),
    }
