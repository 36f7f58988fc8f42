"""A reading graded anew, openly, once its run says that something went otherwise: calls and first verdict stay.

The only grader is `decide.grade_plate`; what departures do to a grade the rules say. What reviewers have decided is
weighed again on the verdict with its departures, by the policy that they decided under.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from reader.anew.grade_anew import age_of, calls_of, graded
from reader.decide.grade import next_step
from reader.errors import LinecallError
from reader.logbook import Event, Logbook, StaleHeadError, StoredReading
from reader.logbook.summary import summarise
from reader.review.decide import regrade
from reader.review.policy import Policy
from reader.review.record import SiteFiles, decisions_on, settings_of, still_waits
from reader.round.run import Run
from reader.settings.values import Layout, Rules, Texts, parse_settings
from reader.verdict.model import DepartureRecord, PivotalMark, Verdict

ATTEMPTS: Final = 50
"""Times that an event is tried while others write to the logbook."""
REASON: Final = "departures of its run were noted since"


@dataclass(frozen=True, kw_only=True, slots=True)
class Regraded:
    """A reading graded anew: the event, and the grade before and after."""

    event: Event
    before: str | None
    after: str | None


def departure_records(run: Run) -> tuple[DepartureRecord, ...]:
    """A run's standing departures as a verdict has them."""
    return tuple(
        DepartureRecord(code=one.code, effect=one.effect, sentence=one.sentence) for one in run.departures
    )


def grade_anew(logbook: Logbook, run: Run, *, by: str, at: datetime) -> tuple[Regraded, ...]:
    """Grade every standing reading of a run anew whose departures are no longer those of the run.

    Refused ones have no grade. Raises LinecallError where the settings that a reading was made by are not at hand.
    """
    done = []
    for made in run.readings:
        if made.status != "read":
            continue
        for _ in range(ATTEMPTS):
            stored = logbook.reading(made.id)
            if stored.superseded_by is not None or _told(stored.base) == _told_by(run):
                break
            try:
                done.append(_grade_anew(logbook, stored, run, by=by, at=at))
                break
            except StaleHeadError:
                continue
        else:
            raise LinecallError(
                f"others keep writing to the logbook; reading {made.id} is not graded anew, try again"
            )
    return tuple(done)


def _told(verdict: Verdict) -> set[tuple[str, str, str]]:
    return {(one.code, one.effect, one.sentence) for one in verdict.departures}


def _told_by(run: Run) -> set[tuple[str, str, str]]:
    return {(one.code, one.effect, one.sentence) for one in run.departures}


def _grade_anew(logbook: Logbook, stored: StoredReading, run: Run, *, by: str, at: datetime) -> Regraded:
    head = logbook.head()
    if logbook.row(stored.id).last_seq != stored.last_seq:
        raise StaleHeadError("somebody has written about the reading meanwhile")
    settings = settings_of(logbook, stored.first, SiteFiles())
    layout, rules, texts = settings.layouts[0], settings.rules, settings.texts
    base = with_departures(stored.base, departure_records(run), layout, rules, texts)
    verdict, waiting, payload = base, summarise(base)["rank"] is not None, {}
    decisions = decisions_on(stored)
    if decisions:
        policy = _policy_of(logbook, stored)
        verdict = regrade(base, decisions, layout=layout, rules=rules, texts=texts, policy=policy)
        waiting = still_waits(verdict)
        payload["policy"] = _latest(stored, "policy")
    before = stored.current
    payload |= {
        "run": run.id,
        "departures": [one.model_dump(mode="json") for one in base.departures],
        "reason": REASON,
        "before": _grade_record(before),
        "after": _grade_record(verdict),
        "base": base.model_dump(mode="json"),
        "verdict": verdict.model_dump(mode="json"),
        "waiting": waiting,
    }
    event = logbook.append("review", payload, by=by, reading=stored.id, at=at, expect_head=head)
    return Regraded(event=event, before=before.grade, after=verdict.grade)


def with_departures(
    verdict: Verdict, departures: tuple[DepartureRecord, ...], layout: Layout, rules: Rules, texts: Texts
) -> Verdict:
    """A verdict graded by the same calls and times, with other departures."""
    calls, age = calls_of(verdict), age_of(verdict, layout)
    graded_before = graded(calls, layout, rules, age)
    of_photos = [told for told in verdict.warnings if told not in graded_before.warnings]
    changed = verdict.model_copy(update={"departures": departures})
    grade = graded(calls, layout, rules, age_of(changed, layout))
    return Verdict.model_validate(
        dict(changed)
        | {
            "grade": grade.grade,
            "possible_grades": grade.possible_grades,
            "pivotal": tuple(PivotalMark(window=mark.window, mark=mark.mark) for mark in grade.pivotal),
            "cause": grade.cause,
            "rule": grade.rule,
            "warnings": (*of_photos, *grade.warnings),
            "next_step": next_step(grade, texts),
        }
    )


def _grade_record(verdict: Verdict) -> dict[str, Any]:
    return {"grade": verdict.grade, "possible_grades": list(verdict.possible_grades)}


def _latest(stored: StoredReading, name: str) -> Any:
    return next((event.payload[name] for event in reversed(stored.reviews) if name in event.payload), None)


def _policy_of(logbook: Logbook, stored: StoredReading) -> Policy:
    """The policy that a reading was last decided under."""
    record = _latest(stored, "policy")
    kept = logbook.settings().get(record["sha256"])
    if kept is None:
        raise LinecallError(
            f"reading {stored.id} was decided under policy {record['name']}, whose file the logbook does not hold; "
            "read its photo again with the run"
        )
    return parse_settings(Policy, kept.data)
