"""The procedure as data: the steps before a photo, how long and how much, and what each departure means.

Times are minutes on clocks; what they are compared with is instants, so no change of clocks counts as time. The
reading time after the drops is the layout's and stands nowhere here.
"""

from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, ClassVar, Final, Literal, Self, get_args

from pydantic import AfterValidator, Field, model_validator

from reader.logbook.run_events import Effect
from reader.round.plan import checked_key
from reader.settings.toml_file import Problem, contradiction
from reader.settings.values import ONE_LINE, Label, SettingsFile, load_settings_file
from reader.words import did_you_mean, listed, shown
from reader.words.fields import Frozen

MINUTES_MAX: Final = 7 * 1440.0  # a week; beyond it the number is in another unit
AMOUNT_MAX: Final = 1e5

SAMPLE: Final = "sample"
SETTLED: Final = "settled"
EXTRACT: Final = "extract"
DROPS: Final = "drops"
PHOTO: Final = "photo"
NEEDED_STEPS: Final = (SAMPLE, DROPS)
"""Steps that every procedure has, in this order: without them nothing can be said about times."""

Key = Annotated[str, AfterValidator(checked_key)]
Instruction = Annotated[str, Field(min_length=1, max_length=400, pattern=ONE_LINE)]
Minutes = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=MINUTES_MAX)]

Always = Literal[
    "wrong-order",
    "another-day",
    "expired",
    "recalled",
    "lot-unknown",
    "late-entry",
    "no-quiz",
    "clock",
    "corrected-since",
]
"""Departures that linecall finds by itself in any procedure; the others a procedure names for its own steps."""
ALWAYS: Final[tuple[Always, ...]] = get_args(Always)


class Amount(Frozen):
    """How much of something a step takes."""

    value: float = Field(strict=True, allow_inf_nan=False, gt=0, le=AMOUNT_MAX, description="how much")
    unit: Label = Field(description="the unit, such as ml or drops in each well")
    tolerance: float = Field(
        default=0.0,
        strict=True,
        allow_inf_nan=False,
        ge=0,
        le=AMOUNT_MAX,
        description="how far off it may be",
    )
    departure: Key = Field(description="code of the departure where another amount was taken")


class Wait(Frozen):
    """How long after an earlier step this one comes, minutes."""

    since: Key = Field(description="id of the step from which the minutes count")
    least: Minutes | None = Field(default=None, description="least minutes")
    most: Minutes | None = Field(default=None, description="most minutes")
    too_soon: Key | None = Field(default=None, description="code of the departure where it came sooner")
    too_late: Key | None = Field(default=None, description="code of the departure where it came later")


class Step(Frozen):
    """One step, in the order of the file."""

    id: Key = Field(description="the step's id, such as sample")
    text: Instruction = Field(description="what is done")
    phases: tuple[Key, ...] = Field(default=(), description="ids of the phases that have it; none for all")
    recorded: bool = Field(
        default=True, strict=True, description="whether a time is noted; else it is only to be read and done"
    )
    wait: tuple[Wait, ...] = Field(default=(), description="a table [[step.wait]] for each time to be kept")
    amount: Amount | None = Field(default=None, description="the table [step.amount]")
    skipped: Key | None = Field(
        default=None, description="code of the departure where it was left out; none: it may be"
    )
    departures: tuple[Key, ...] = Field(
        default=(), description="codes of what may go otherwise in it, for a person to note"
    )


class Phase(Frozen):
    """What may be tested, and when that one is taken."""

    id: Key = Field(description="the phase's id, such as water")
    text: Instruction = Field(description="what it is, and when it is taken")


class DepartureKind(Frozen):
    """Something done otherwise than it should be, and what it does to a reading."""

    code: Key = Field(description="its code, such as settled-too-short")
    text: Instruction = Field(description="what went otherwise, in words")
    effect: Effect = Field(description="what it does to the reading")


class Procedure(SettingsFile):
    """How a plate is prepared. The plate maker's instructions prevail over it."""

    kind: ClassVar[str] = "procedure"
    procedure: Label = Field(description="the procedure's name")
    caution: Instruction = Field(description="what stands above it, such as the plate maker's instructions")
    quiz_within_months: int | None = Field(
        default=None,
        strict=True,
        ge=1,
        le=120,
        description="months within which the operator has passed a quiz",
    )
    phase: tuple[Phase, ...] = Field(
        min_length=1, max_length=20, description="one table [[phase]] for each phase"
    )
    step: tuple[Step, ...] = Field(
        min_length=2, max_length=60, description="one table [[step]] for each step"
    )
    departure: tuple[DepartureKind, ...] = Field(
        min_length=1, max_length=200, description="one table [[departure]] for each departure"
    )

    def kind_of(self, code: str) -> DepartureKind:
        """What a departure means. Raises KeyError for a code that it does not have."""
        return {one.code: one for one in self.departure}[code]

    def steps_of(self, phase: str) -> tuple[Step, ...]:
        """The steps of a phase, in order."""
        return tuple(step for step in self.step if not step.phases or phase in step.phases)

    @model_validator(mode="after")
    def _holds_together(self) -> Self:
        problems = list(_contradictions(self))
        if problems:
            raise contradiction(*problems)
        return self


def _contradictions(procedure: Procedure) -> Iterator[Problem]:
    phases = [phase.id for phase in procedure.phase]
    steps = [step.id for step in procedure.step]
    codes = [kind.code for kind in procedure.departure]
    for key, field, names in (("phase", "id", phases), ("step", "id", steps), ("departure", "code", codes)):
        for name, n in Counter(names).items():
            if n > 1:
                at = len(names) - 1 - names[::-1].index(name)
                yield Problem(
                    path=(key, at, field), text=f"is {shown(name)}, but another {key} has that {field}"
                )
    missing = [needed for needed in NEEDED_STEPS if needed not in steps]
    if missing:
        text = f"lacks {listed([shown(one) for one in missing])}: without it no time can be told"
        yield Problem(path=("step",), text=text)
    elif steps.index(SAMPLE) > steps.index(DROPS):
        yield Problem(path=("step", steps.index(DROPS)), text="stands before the sample is drawn")
    for always in ALWAYS:
        if always not in codes:
            text = f"lacks {shown(always)}, which linecall finds by itself: say what it does to a reading"
            yield Problem(path=("departure",), text=text)
    used: set[str] = set(ALWAYS)
    for at, step in enumerate(procedure.step):
        for phase in step.phases:
            if phase not in phases:
                guess = did_you_mean(phase, phases) or f"; the phases are {listed(phases)}"
                yield Problem(
                    path=("step", at, "phases"),
                    text=f"names {shown(phase)}, but no [[phase]] has that id{guess}",
                )
        if step.phases and step.id in NEEDED_STEPS:
            yield Problem(
                path=("step", at, "phases"), text="leaves phases out, but every phase has this step"
            )
        named: list[tuple[tuple[str | int, ...], str]] = []
        if step.skipped is not None:
            named.append((("step", at, "skipped"), step.skipped))
        named += [(("step", at, "departures"), code) for code in step.departures]
        if step.amount is not None:
            named.append((("step", at, "amount", "departure"), step.amount.departure))
        for k, wait in enumerate(step.wait):
            where = ("step", at, "wait", k)
            yield from _wait_problems(wait, where, steps[:at], steps)
            named += [
                ((*where, key), code) for key in ("too_soon", "too_late") if (code := getattr(wait, key))
            ]
        for path, code in named:
            used.add(code)
            if code not in codes:
                guess = did_you_mean(code, codes) or "; enter it as a table [[departure]]"
                yield Problem(
                    path=path, text=f"names {shown(code)}, but no [[departure]] has that code{guess}"
                )


def _wait_problems(
    wait: Wait, where: tuple[str | int, ...], before: list[str], steps: list[str]
) -> Iterator[Problem]:
    if wait.since not in before:
        why = (
            "stands after it"
            if wait.since in steps
            else f"no [[step]] has that id{did_you_mean(wait.since, before)}"
        )
        yield Problem(path=(*where, "since"), text=f"is {shown(wait.since)}, but {why}; name an earlier step")
    if wait.least is None and wait.most is None:
        yield Problem(path=where, text="has neither least nor most minutes; give one")
    if wait.least is not None and wait.most is not None and wait.least >= wait.most:
        text = f"is {wait.least:g}, but most is {wait.most:g}; the least must be less"
        yield Problem(path=(*where, "least"), text=text)
    for limit, code in (("least", "too_soon"), ("most", "too_late")):
        if (getattr(wait, limit) is None) != (getattr(wait, code) is None):
            yield Problem(path=where, text=f"has only one of {limit} and {code}; they go together")


def load_procedure(source: str | Path = "standard") -> Procedure:
    """Read a bundled procedure by its name, or a TOML file by its path; raises SettingsError."""
    return load_settings_file(Procedure, source)
