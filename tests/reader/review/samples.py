"""Verdicts as a reading of a comb plate gives them, and decisions on them."""

from datetime import datetime, timedelta, timezone
from typing import Any, Literal

from fixtures.verdicts import HEIGHTS, example_verdict
from reader.anew.grade_anew import Called
from reader.decide.age import reading_age
from reader.decide.grade import grade_plate, next_step
from reader.review.decide import Decision
from reader.review.policy import Policy, load_policy
from reader.settings.values import load_layout, load_rules, load_texts, load_thresholds
from reader.verdict.model import LayoutRecord, SettingsRecord, Verdict
from reader.words import Call, MarkName

COMB = load_layout("comb")
RULES = load_rules("two-tier")
TEXTS = load_texts("standard")
THRESHOLDS = load_thresholds("standard")
NOON = datetime(2026, 5, 4, 12, 0, tzinfo=timezone(timedelta(hours=2)))


def policy_of(**numbers: tuple[int, bool]) -> Policy:
    """The bundled policy with other numbers of readers, and whether they must be blind."""
    bundled = load_policy()
    readers = bundled.readers.model_dump() | {
        effect: {"number": number, "blind": blind} for effect, (number, blind) in numbers.items()
    }
    made = Policy.model_validate(bundled.model_dump() | {"policy": "ours", "readers": readers})
    made._sha256 = "d4" * 32
    return made


ONE_READER = policy_of(towards_release=(1, False))
"""One reader settles any doubt: to look at what a decision does."""
MINUTES = {"in_range": 20.0, "early": 9.0, "late": 45.0}


def read_plate(
    age: Literal["in_range", "early", "late"] = "in_range", not_seen: str | None = None, **other: Call
) -> Verdict:
    """A plate on which all marks are present, but for those named: `indicator_3="doubtful"`."""
    calls = {
        (window.id, mark): other.pop(f"{mark}_{window.id}", "present")
        for window in COMB.window
        for mark in ("indicator", "reference")
    }
    assert not other
    found_age = reading_age(COMB, stated_minutes=MINUTES[age], now=NOON)
    grade = grade_plate(
        [Called(window=window, mark=mark, call=call) for (window, mark), call in calls.items()],  # type: ignore[arg-type]
        COMB,
        RULES,
        found_age,
        None,
    )
    verdict = example_verdict()
    windows = []
    for window, place in zip(verdict.windows, COMB.window, strict=True):
        marks: dict[str, Any] = {}
        for name in ("indicator", "reference"):
            call = calls[window.id, name]
            change: dict[str, Any] = {"call": call, "height": HEIGHTS[call]}
            if not_seen == f"{name}_{window.id}":
                change |= {"height": None, "standard_error": None, "flags": ("not_seen",)}
            marks[name] = getattr(window, name).model_copy(update=change)
        windows.append(
            window.model_copy(update={"tier": place.tier, "analyte": place.analyte, "id": place.id, **marks})
        )
    return Verdict.model_validate(
        dict(verdict)
        | {
            "grade": grade.grade,
            "possible_grades": grade.possible_grades,
            "pivotal": grade.pivotal,
            "cause": grade.cause,
            "rule": grade.rule,
            "warnings": grade.warnings,
            "next_step": next_step(grade, TEXTS),
            "reading_age": verdict.reading_age.model_copy(  # type: ignore[union-attr]
                update={
                    "minutes": found_age.minutes,
                    "status": found_age.status,
                    "source": found_age.source,
                    "drops_at": None,
                    "sentence": found_age.sentence,
                }
            ),
            "layout": LayoutRecord(
                name=COMB.name, revision=COMB.revision, sha256=COMB.sha256, chosen="auto", assay="competitive"
            ),
            **{
                kind: SettingsRecord(name=file.name, revision=file.revision, sha256=file.sha256)
                for kind, file in (("rules", RULES), ("texts", TEXTS), ("thresholds", THRESHOLDS))
            },
            "windows": tuple(windows),
        }
    )


def decision(
    window: str = "3",
    call: Call = "present",
    *,
    mark: MarkName = "indicator",
    by: str = "Vesna Rask",
    blind: bool = False,
    reason: str = "an even line over the whole breadth",
    minutes: float = 0,
) -> Decision:
    """What one reader calls one mark."""
    at = NOON + timedelta(hours=1, minutes=minutes)
    return Decision(window=window, mark=mark, call=call, by=by, reason=reason, at=at, blind=blind)
