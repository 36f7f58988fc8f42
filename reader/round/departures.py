"""What in a run went otherwise than its procedure says: found from times, amounts, lot and dates, without a clock.

Elapsed times are differences of instants. Days are those of the site's zone, by the zone's own transitions.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Final

from reader.logbook.run_events import RunDeparture
from reader.round.procedure import DROPS, SAMPLE, Procedure, Step, Wait
from reader.round.run import Run, StepTaken
from reader.round.site import PlateLot
from reader.words import counted, listed
from reader.words.clock import Zone, span_in_words
from reader.words.sayings import Said, Sayings

RESUMED_AFTER: Final = timedelta(hours=6)
"""A pause over midnight that is longer is a run resumed on another day; a night shift's run is not (no source)."""
CLOCK_SLACK: Final = timedelta(minutes=5)  # clocks of phones and computers differ by so much; no source

SAID: Final[dict[str, str]] = {
    "departure": "{kind}: {found}",
    "no_time": "no time is noted for {step}",
    "amount": "{amount} instead of {asked} {unit}",
    "order": "{step} was done before {other_step}",
    "too_soon": "{step} came {span} after {other_step}, at least {limit} are asked for",
    "too_late": "{step} came {span} after {other_step}, at most {limit} are allowed",
    "lot_unknown": "lot {lot}, so neither layout nor reading time are checked against it",
    "expired": "lot {lot} may be used until {until}, and it was {day}",
    "recalled": "lot {lot} since {day}",
    "recalled_for": "lot {lot} since {day}, {reason}",
    "ahead": "the phone's is {span} ahead of the logbook's at {step}",
    "behind": "the phone's is {span} behind the logbook's at {step}",
    "resumed": "{step} at {at}, {other_step} at {other_at}",
}
"""What is said of a departure behind its name in the procedure, by code, as str.format templates."""
IMPOSSIBLE: Final = Sayings(
    "impossible",
    {
        "no_sample": "the drops cannot be in before the sample was drawn; note when it was drawn first: step sample",
        "drops_first": "the drops, {drops_at}, would be in before the sample was drawn, {sample_at}; "
        "check both times, and correct {step} or {other_step}",
    },
)
"""Why a run's times cannot be."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Facts:
    """What is known besides the run: the site's zone, the plate's lot as the site has it now, and the quiz.

    today : in the site's zone. lot : None where the site does not have it. quiz_passed_at : when the operator last
    passed a quiz before the run; None where they did not.
    """

    zone: Zone
    today: date
    lot: PlateLot | None
    quiz_passed_at: datetime | None = None

    def day_of(self, instant: datetime) -> date:
        """The day that it is at the site at an instant."""
        return instant.astimezone(self.zone.place).date()

    def clock(self, instant: datetime) -> str:
        """An instant as the site's clocks show it, such as 2026-05-04 09:08."""
        return f"{instant.astimezone(self.zone.place):%Y-%m-%d %H:%M}"


def find_departures(run: Run, procedure: Procedure, facts: Facts) -> tuple[RunDeparture, ...]:
    """Every departure that a run's entries show, in the procedure's words and with its effects."""

    def made(code: str, found: str, step: str | None = None) -> RunDeparture:
        kind = procedure.kind_of(code)
        sentence = SAID["departure"].format(kind=kind.text, found=found)
        return RunDeparture(code=code, step=step, effect=kind.effect, sentence=sentence, found_by="linecall")

    found = [*_of_steps(run, procedure), *_of_run(run, procedure, facts)]
    return tuple(made(*one) for one in dict.fromkeys(found))


_Found = tuple[str, str, str | None]


def _of_steps(run: Run, procedure: Procedure) -> Iterator[_Found]:
    steps = procedure.steps_of(run.phase)
    before: tuple[Step, StepTaken] | None = None
    for step in steps:
        taken = run.last_of(step.id)
        if taken is None:
            if step.skipped is not None and _is_past(run, steps, step):
                yield step.skipped, SAID["no_time"].format(step=step.id), step.id
            continue
        for wait in step.wait:
            yield from _waited(run, step, taken, wait)
        amount = step.amount
        if (
            amount is not None
            and taken.amount is not None
            and abs(taken.amount - amount.value) > amount.tolerance
        ):
            other = SAID["amount"].format(
                amount=f"{taken.amount:g}", asked=f"{amount.value:g}", unit=amount.unit
            )
            yield amount.departure, other, step.id
        if before is not None and taken.at < before[1].at:
            yield "wrong-order", SAID["order"].format(step=step.id, other_step=before[0].id), step.id
        before = step, taken


def _is_past(run: Run, steps: tuple[Step, ...], step: Step) -> bool:
    """Whether a step can no longer come: the drops, which everything before them leads to, are in."""
    ids = [one.id for one in steps]
    return run.drops_at is not None and ids.index(step.id) < ids.index(DROPS)


def _waited(run: Run, step: Step, taken: StepTaken, wait: Wait) -> Iterator[_Found]:
    since = run.at_of(wait.since)
    if since is None or taken.at < since:
        return  # what is missing or in another order is told as that
    minutes = (taken.at - since) / timedelta(minutes=1)
    came = {"step": step.id, "span": span_in_words(minutes), "other_step": wait.since}
    if wait.least is not None and wait.too_soon is not None and minutes < wait.least:
        yield wait.too_soon, SAID["too_soon"].format(**came, limit=span_in_words(wait.least)), step.id
    if wait.most is not None and wait.too_late is not None and minutes > wait.most:
        yield wait.too_late, SAID["too_late"].format(**came, limit=span_in_words(wait.most)), step.id


def _of_run(run: Run, procedure: Procedure, facts: Facts) -> Iterator[_Found]:
    used = facts.day_of(run.drops_at or run.begun_at)
    lot = facts.lot
    if run.layout is None:
        yield "lot-unknown", SAID["lot_unknown"].format(lot=run.lot), None
    if lot is not None and lot.is_expired_on(used):
        until = f"{lot.last_day():%Y-%m-%d}"
        yield "expired", SAID["expired"].format(lot=lot.id, until=until, day=f"{used:%Y-%m-%d}"), None
    if lot is not None and lot.is_recalled_on(facts.today):
        recalled = SAID["recalled_for" if lot.recall_reason else "recalled"]
        yield "recalled", recalled.format(lot=lot.id, day=lot.recalled, reason=lot.recall_reason), None
    resumed = _resumed(run, facts)
    if resumed is not None:
        yield "another-day", resumed, None
    late = [taken.step for taken in run.steps if taken.entry == "afterwards"]
    if late or run.entry == "afterwards":
        what = listed(list(dict.fromkeys(late))) if late else "the beginning"
        yield "late-entry", what, None
    if procedure.quiz_within_months is not None:
        months, passed = procedure.quiz_within_months, facts.quiz_passed_at
        if passed is None or passed < months_before(run.begun_at, months):
            last = "none is in the logbook" if passed is None else f"the last was passed on {passed:%Y-%m-%d}"
            yield "no-quiz", f"{run.operator} within {counted(months, 'month')}: {last}", None
    for taken in run.steps:
        entered = taken.first_at or taken.at  # what a correction moved says nothing about clocks
        if taken.device_at is not None and abs(taken.device_at - entered) > CLOCK_SLACK:
            apart = span_in_words(abs(taken.device_at - entered) / timedelta(minutes=1))
            clock = SAID["ahead" if taken.device_at > entered else "behind"]
            yield "clock", clock.format(span=apart, step=taken.step), taken.step
    read = next((one for one in reversed(run.readings) if one.status == "read"), None)
    if read is not None:
        now = run.stated()
        changed = [name for name in now if read.stated.get(name) != now[name]]
        if changed:
            what = listed([name.replace("_", " ") for name in changed])
            yield "corrected-since", f"{what} of reading {read.id}; read its photo again with the run", None


def _resumed(run: Run, facts: Facts) -> str | None:
    """Where a run was left lying over a midnight, in words."""
    taken = sorted(run.steps, key=lambda one: one.at)
    for one, other in pairwise(taken):
        if facts.day_of(one.at) != facts.day_of(other.at) and other.at - one.at > RESUMED_AFTER:
            return SAID["resumed"].format(
                step=one.step, at=facts.clock(one.at), other_step=other.step, other_at=facts.clock(other.at)
            )
    return None


def months_before(instant: datetime, months: int) -> datetime:
    """The same day and time so many months earlier, or the last day of a shorter month."""
    year, month = divmod(instant.year * 12 + instant.month - 1 - months, 12)
    first_of_next = date(year + (month + 1) // 12, (month + 1) % 12 + 1, 1)
    last_day = (first_of_next - timedelta(days=1)).day
    return instant.replace(year=year, month=month + 1, day=min(instant.day, last_day))


def impossible(run: Run, facts: Facts) -> Said | None:
    """Why a run's times cannot be, whatever the procedure; None where they can."""
    sample, drops = run.sample_at, run.drops_at
    if drops is not None and sample is None:
        return IMPOSSIBLE("no_sample")
    if drops is not None and sample is not None and drops < sample:
        return IMPOSSIBLE(
            "drops_first",
            drops_at=facts.clock(drops),
            sample_at=facts.clock(sample),
            step=SAMPLE,
            other_step=DROPS,
        )
    return None
