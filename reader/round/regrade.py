"""A reading graded anew, openly, once its run says that something went otherwise: calls and first verdict stay.

The only grader is `decide.grade_plate`; what departures do to a grade the rules say. What reviewers have decided is
weighed again on the verdict with its departures, by the policy that they decided under.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from reader.anew.grade_anew import calls_of, graded
from reader.decide.grade import next_step
from reader.decide.records import DepartureRecord
from reader.errors import LinecallError
from reader.logbook import Event, Logbook, StaleHeadError, StoredReading
from reader.logbook.summary import summarise
from reader.review.decide import regrade
from reader.review.policy import Policy
from reader.review.record import SiteFiles, decisions_on, settings_of, still_waits
from reader.round.run import Run
from reader.settings.values import Layout, Rules, Texts, parse_settings
from reader.verdict.model import Verdict

ATTEMPTS: Final = 50
"""Times that an event is tried while others write to the logbook."""


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

    What was lifted since is lifted from the last reading only: an earlier one rests on what was entered then. Refused
    ones have no grade. Raises LinecallError where the settings that a reading was made by are not at hand.
    """
    read = [made.id for made in run.readings if made.status == "read"]
    done = [_tried(logbook, id, run, is_last=id == read[-1], by=by, at=at) for id in dict.fromkeys(read)]
    return tuple(one for one in done if one is not None)


def _tried(
    logbook: Logbook, reading: str, run: Run, *, is_last: bool, by: str, at: datetime
) -> Regraded | None:
    for _ in range(ATTEMPTS):
        stored = logbook.reading(reading)
        departures = departure_records(run)
        if not is_last:
            standing = {one.code for one in departures}
            departures += tuple(one for one in stored.base.departures if one.code not in standing)
        if stored.superseded_by is not None or set(stored.base.departures) == set(departures):
            return None
        try:
            return _grade_anew(logbook, stored, run, departures, by=by, at=at)
        except StaleHeadError:
            continue
    raise LinecallError(
        f"others keep writing to the logbook; reading {reading} is not graded anew, try again"
    )


def _grade_anew(
    logbook: Logbook,
    stored: StoredReading,
    run: Run,
    departures: tuple[DepartureRecord, ...],
    *,
    by: str,
    at: datetime,
) -> Regraded:
    head = logbook.head()
    if logbook.row(stored.id).last_seq != stored.last_seq:
        raise StaleHeadError("somebody has written about the reading meanwhile")
    settings = settings_of(logbook, stored.first, SiteFiles())
    layout, rules, texts = settings.layouts[0], settings.rules, settings.texts
    base = with_departures(stored.base, departures, layout, rules, texts)
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
        "reason": f"the departures of run {run.id} have changed",
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
    calls = calls_of(verdict)
    graded_before = graded(verdict, calls, layout, rules)
    of_photos = [told for told in verdict.warnings if told not in graded_before.warnings]
    changed = verdict.model_copy(update={"departures": departures})
    grade = graded(changed, calls, layout, rules)
    return Verdict.model_validate(
        dict(changed)
        | {
            "grade": grade.grade,
            "possible_grades": grade.possible_grades,
            "pivotal": grade.pivotal,
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
