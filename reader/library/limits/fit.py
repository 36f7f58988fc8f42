"""Decision limits proposed from a library: the ones that cost least under stated costs, proved on plates held out.

Only the three limits of a height are proposed; what a line must look like stays as it is. Limits are chosen on some
plates and tried on the others (cross-validation, Stone 1974); photos of one plate are never apart. What is shown, and
what is refused, rests on `reader.decide.call` itself. Nothing here is ever applied: a proposal is a file that somebody
may choose to read with.
"""

import hashlib
import json
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import Any, ClassVar, Final, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, ValidationError, model_validator

from reader.anew.call_anew import call_anew, measured_marks
from reader.decide.call import MarkCall
from reader.errors import LinecallError
from reader.library.agreement.by_plate import MARKS_MIN, PLATES_MIN, IntArray, plate_error
from reader.library.agreement.rates import Rate, rate
from reader.library.agreement.validate import bound_sentences
from reader.library.consensus import grade_of_calls
from reader.library.extra import extra
from reader.library.limits.outcomes import (
    Marks,
    Outcomes,
    grouped,
    mark_values,
    outcomes,
    outcomes_by,
    raises_alarm,
)
from reader.library.tidy import MeasuredRow
from reader.numbers.arrays import BoolArray, FloatArray
from reader.run.progress import Watch, unwatched
from reader.settings.toml_file import Problem, contradiction
from reader.settings.values import (
    Label,
    Number,
    Rules,
    SettingsFile,
    StrictShare,
    Thresholds,
    load_settings_file,
)
from reader.words import Call, Grade, MarkKey, MarkName, counted

Decision = Literal["proposed", "nothing to gain", "refused"]

LIMITS: Final = ("false_calls_per_plate", "faintest_line", "missed_lines")
TRIED: Final[Mapping[str, tuple[float, ...]]] = {
    "false_calls_per_plate": (0.0006, 0.001, 0.0016, 0.0025, 0.004, 0.0063, 0.01, 0.016, 0.025, 0.04),
    "faintest_line": (0.004, 0.005, 0.0063, 0.008, 0.01, 0.0125, 0.016, 0.02, 0.025),
    "missed_lines": (0.001, 0.0025, 0.0063, 0.016, 0.04, 0.1),
}
"""Limits that are tried, besides those in use: preferred numbers (ISO 3), from strict to lax."""
FOLDS: Final = 5  # shares of the plates, each held out once (common practice, no source)
ALIKE: Final = 0.01  # share by which costs may differ and still count as alike
SURE: Final = 0.95  # one-sided confidence that a proposal gains on plates held out; else there is none
PER: Final = 1000  # marks that costs are given for


class FitError(LinecallError):
    """The library does not carry a proposal; nothing was written."""


class Costs(SettingsFile):
    """What errors cost, in units of one's own, and how often a mark rightly raises an alarm."""

    kind: ClassVar[str] = "costs"
    costs: Label = Field(description="the costs' name")
    missed_contamination: Number = Field(
        gt=0,
        le=1e9,
        description="cost of a mark that should raise an alarm and is called as if all were well",
    )
    false_alarm: Number = Field(gt=0, le=1e9, description="cost of a mark that raises an alarm without cause")
    doubt: Number = Field(gt=0, le=1e9, description="cost of a doubtful mark")
    alarm_share: StrictShare = Field(
        gt=0, lt=1, description="share of marks that rightly raise an alarm at the site, between 0 and 1"
    )

    @model_validator(mode="after")
    def _fall(self) -> Self:
        for dearer, cheaper in (("missed_contamination", "false_alarm"), ("false_alarm", "doubt")):
            if getattr(self, dearer) <= getattr(self, cheaper):
                text = f"is {getattr(self, dearer):g}, but must cost more than {cheaper}, {getattr(self, cheaper):g}"
                raise contradiction(Problem(path=(dearer,), text=text))
        return self


def load_costs(source: str | Path = "standard") -> Costs:
    """Read bundled costs by their name, or a TOML file by its path; raises SettingsError."""
    return load_settings_file(Costs, source)


@dataclass(frozen=True, kw_only=True, slots=True)
class ErrorRates:
    """Calls on marks with a consensus. missed, doubt_if_alarm : among marks that should raise an alarm, for they
    show contamination or a window that did not work; false_alarm, doubt_if_well : among the others."""

    missed: Rate
    doubt_if_alarm: Rate
    false_alarm: Rate
    doubt_if_well: Rate


@dataclass(frozen=True, kw_only=True, slots=True)
class ChangedMark:
    """A mark that is called otherwise by the proposal; consensus : None where there is none."""

    window: str
    mark: MarkName
    now: Call
    then: Call
    consensus: Call | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Change:
    """An example of which a mark would be called otherwise; grades without regard to the reading age."""

    example: str
    photo: str
    plate: str
    grade_now: Grade | None
    grade_then: Grade | None
    marks: tuple[ChangedMark, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class LeftOut:
    """An example that says nothing of the limits, and why."""

    example: str
    photo: str
    why: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Barred:
    """A mark for which the limits are refused: contamination, or a window that did not work, called as if all
    were well, or any mark called present that is absent by consensus."""

    example: str
    photo: str
    window: str
    mark: MarkName
    call: Call
    consensus: Call


@dataclass(frozen=True, kw_only=True, slots=True)
class Proposal:
    """What was tried and found. now, then : the limits by name.

    cost_now, cost_then, cost_held_out : expected cost of 1,000 marks, in the costs' unit: by the limits in use, by
    the proposed ones on the plates that they were chosen on, and by limits chosen without the plates they are tried
    on. gain, gain_error : cost_now less cost_held_out, and its standard error by plate (1 sigma; None: not known).
    rates_held_out : of calls by limits chosen without the plate. hashes, digest : as in a validation.
    """

    decision: Decision
    why: str
    examples: int
    plates: int
    marks: int
    now: Mapping[str, float]
    then: Mapping[str, float]
    costs: Mapping[str, float]
    folds: int
    held_out_limits: tuple[Mapping[str, float], ...]
    cost_now: float
    cost_then: float
    cost_held_out: float
    gain: float
    gain_error: float | None
    rates_now: ErrorRates
    rates_then: ErrorRates
    rates_held_out: ErrorRates
    changes: tuple[Change, ...]
    barred: tuple[Barred, ...]
    left_out: tuple[LeftOut, ...]
    linecall: tuple[str, ...]
    proves: tuple[str, ...]
    hashes: tuple[tuple[str, str], ...]
    digest: str


def propose(
    readings: Callable[[], Iterable[MeasuredRow]],
    thresholds: Thresholds,
    costs: Costs,
    rules: Rules,
    *,
    folds: int = FOLDS,
    examples: int = 0,
    watch: Watch = unwatched,
) -> Proposal:
    """Propose limits in the place of those of `thresholds`.

    readings : gives the library's examples, the same at each call; examples : how many, for the progress shown.
    Raises FitError where there are too few plates or marks to choose by.
    """
    sample = _gather(watch(readings(), examples, "reading the library"), thresholds, folds)
    candidates = _candidates(thresholds)
    table = _try_all(sample, watch(candidates, len(candidates), "trying limits"), costs, folds)
    *chosen, best = (_cheapest(table, costs, out, _change(candidates)) for out in range(folds + 1))
    then = candidates[best]
    by = {"now": np.zeros(len(sample), np.intp), "then": np.full(len(sample), best)}
    by["held out"] = np.asarray(chosen)[sample.fold]
    made = {name: outcomes_by(sample.groups, candidates, choice) for name, choice in by.items()}
    spent = {name: _expected(found, costs, sample.alarm)[:, folds] for name, found in made.items()}
    cost = {name: _mean_cost(sample, values, costs) for name, values in spent.items()}
    gain, gain_error = _gain(sample, spent["now"] - spent["held out"], costs)
    changes, barred_now, barred = _compare(
        watch(readings(), examples, "comparing"), sample, thresholds, then, rules
    )
    decision, why = _decide(
        _named(thresholds) == _named(then), barred_now, barred, gain, gain_error, len(sample.plates)
    )
    rates = {name: _rates(sample, found) for name, found in made.items()}
    return Proposal(
        decision=decision,
        why=why,
        examples=len(sample.used),
        plates=len(sample.plates),
        marks=len(sample),
        now=_named(candidates[0]),
        then=_named(then),
        costs={name: getattr(costs, name) for name in (*COSTS, "alarm_share")},
        folds=folds,
        held_out_limits=tuple(_named(candidates[k]) for k in chosen),
        cost_now=cost["now"],
        cost_then=cost["then"],
        cost_held_out=cost["held out"],
        gain=gain,
        gain_error=gain_error,
        rates_now=rates["now"],
        rates_then=rates["then"],
        rates_held_out=rates["held out"],
        changes=changes,
        barred=barred,
        left_out=sample.left_out,
        linecall=sample.versions,
        proves=_proves(rates["held out"]),
        hashes=sample.used,
        digest=_digest(sample.used),
    )


def _digest(used: Iterable[tuple[str, str]]) -> str:
    """One hash of all examples, from the id and hash of each."""
    return hashlib.sha256("".join(f"{sha}  {id}\n" for id, sha in used).encode()).hexdigest()


COSTS: Final = ("missed_contamination", "false_alarm", "doubt")


def to_toml(proposal: Proposal, thresholds: Thresholds, *, name: str, title: str, evidence: bytes) -> bytes:
    """The proposal as a thresholds file; evidence : the bytes of the report that it rests on.

    thresholds : those that it was made from; what is not proposed stays, the revision grows. Raises FitError where
    the name or title cannot be one.
    """
    values: dict[str, Any] = thresholds.model_dump(exclude_none=True) | dict(proposal.then)
    values |= {
        "thresholds": name,
        "revision": thresholds.revision + 1,
        "title": title,
        "evidence": hashlib.sha256(evidence).hexdigest(),
    }
    fields = Thresholds.model_fields
    head = ["thresholds", "revision", "title"]
    order = [*head, *(key for key in fields if key not in head)]
    lines = [
        f"# Proposed by linecall from {counted(proposal.examples, 'graded example')}; read its report before use."
    ]
    lines += [
        f"{key} = {json.dumps(values[key], ensure_ascii=False)}  # {fields[key].description}"
        for key in order
        if key in values
    ]
    text = "\n".join(lines) + "\n"
    try:
        Thresholds.model_validate(tomllib.loads(text))
    except (ValidationError, ValueError) as error:
        raise FitError(f"{name!r} is no name for thresholds; give them one of up to 80 characters") from error
    return text.encode()


# ------------------------------------------------------------------------------------------ the sample


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Sample:
    """All marks that limits are chosen by, in groups; plate, fold, alarm (n,) of all groups in their order."""

    groups: tuple[Marks, ...]
    plates: tuple[str, ...]
    plate: IntArray
    fold: IntArray
    alarm: BoolArray
    used: tuple[tuple[str, str], ...]
    left_out: tuple[LeftOut, ...]
    versions: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.plate)


def _gather(readings: Iterable[MeasuredRow], thresholds: Thresholds, folds: int) -> _Sample:
    found: dict[int, dict[str, list[Any]]] = {}
    plates: dict[str, int] = {}
    holds: set[int] = set()
    used: list[tuple[str, str]] = []
    left_out: list[LeftOut] = []
    versions: set[str] = set()
    for row in readings:
        why = _unusable(row, thresholds)
        if why is not None:
            left_out.append(LeftOut(example=row.example, photo=row.photo, why=why))
            continue
        used.append((row.example, row.sha256))
        versions.add(row.verdict.software.version)
        plate = plates.setdefault(row.plate, len(plates))
        measured = measured_marks(row.verdict, row.layout)
        for mark, place in measured:
            consensus = row.consensus.get((mark.window, mark.mark))
            if consensus is None or consensus == "doubtful":
                continue
            values = mark_values(mark, place, consensus, row.layout.assay.format, thresholds)
            values["plate"] = plate
            if values["alarm"]:
                holds.add(plate)
            columns = found.setdefault(len(measured), {name: [] for name in values})
            for name, value in values.items():
                columns[name].append(value)
    fold = _folds(tuple(plates), holds, folds)
    arrays = {
        per_plate: {name: np.asarray(values) for name, values in columns.items()}
        for per_plate, columns in sorted(found.items())
    }
    for of_these in arrays.values():
        of_these["fold"] = fold[of_these["plate"]]
    _check_enough(list(arrays.values()), left_out)
    strictest = min(thresholds.false_calls_per_plate, *TRIED["false_calls_per_plate"])
    groups = tuple(grouped(arrays, folds, thresholds.model_copy(update={"false_calls_per_plate": strictest})))
    return _Sample(
        groups=groups,
        plates=tuple(plates),
        plate=np.concatenate([group.plate for group in groups]),
        fold=np.concatenate([group.fold for group in groups]),
        alarm=np.concatenate([group.alarm for group in groups]),
        used=tuple(sorted(used)),
        left_out=tuple(left_out),
        versions=tuple(sorted(versions)),
    )


def _folds(plates: Sequence[str], holds: Set[int], folds: int) -> IntArray:
    """Which fold each plate is in, (p,): by lot, the same each time; those that hold an alarm are spread evenly."""
    order = sorted(
        range(len(plates)),
        key=lambda plate: (plate in holds, hashlib.sha256(plates[plate].encode()).digest()),
    )
    fold = np.zeros(len(order), np.intp)
    fold[order] = np.arange(len(order)) % folds
    return fold


def _unusable(row: MeasuredRow, thresholds: Thresholds) -> str | None:
    """Why an example says nothing of the limits: nobody agrees on it, or its calls cannot be made anew."""
    if not any(call not in (None, "doubtful") for call in row.consensus.values()):
        return "no mark of it has a consensus that is present or absent"
    try:
        anew = call_anew(row.verdict, row.layout, thresholds)
    except LinecallError as error:
        return str(error)
    made_with = row.verdict.thresholds
    if made_with is None or made_with.sha256 != thresholds.sha256:
        return None  # by other limits the calls may differ: there is nothing to hold them against
    marks = [mark for window in row.verdict.windows for mark in (window.indicator, window.reference)]
    for call, mark in zip(anew, marks, strict=True):
        if call.call != (mark.first_call or mark.call):
            return (
                f"the {call.mark} of window {call.window} is {mark.first_call or mark.call} in its verdict, but comes "
                f"out {call.call} from the numbers in it; add the photo anew with this linecall"
            )
    return None


def _check_enough(columns: Sequence[Mapping[str, NDArray[Any]]], left_out: Sequence[LeftOut]) -> None:
    for alarm, what in ((True, "should raise an alarm"), (False, "should raise none")):
        found = [plate for one in columns for plate in one["plate"][one["alarm"] == alarm]]
        plates = len(set(found))
        if len(found) < MARKS_MIN or plates < PLATES_MIN:
            more = counted(max(PLATES_MIN - plates, 1), "more plate")
            raise FitError(
                f"too few examples to choose limits by: {counted(len(found), 'mark')} on "
                f"{counted(plates, 'plate')} {what} by consensus, {MARKS_MIN} on {PLATES_MIN} plates are needed; "
                f"add {more} or more with such marks, graded (linecall library add --labels), and look at linecall "
                f"library coverage for what is thin{_left_out_words(left_out)}"
            )


def _left_out_words(left_out: Sequence[LeftOut]) -> str:
    if not left_out:
        return ""
    return f"; {counted(len(left_out), 'example')} left out, such as {left_out[0].photo}: {left_out[0].why}"


# ------------------------------------------------------------------------------------------ trying limits


def _candidates(thresholds: Thresholds) -> list[Thresholds]:
    """Thresholds with every combination of limits; those in use come first."""
    ranges = [dict.fromkeys((getattr(thresholds, name), *TRIED[name])) for name in LIMITS]
    return [
        thresholds.model_copy(update=dict(zip(LIMITS, values, strict=True))) for values in product(*ranges)
    ]


def _named(thresholds: Thresholds) -> dict[str, float]:
    return {name: float(getattr(thresholds, name)) for name in LIMITS}


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Table:
    """Of k candidates, without each of f folds and over all: cost (k, 2, f + 1), summed over marks that should raise
    no alarm and over those that should; marks (2, f + 1), their number; barred (k, f + 1), calls that none may make."""

    cost: FloatArray
    marks: FloatArray
    barred: FloatArray


def _try_all(sample: _Sample, candidates: Iterable[Thresholds], costs: Costs, folds: int) -> _Table:
    cost, barred = [], []
    kept = [(group.fold[:, None] != np.arange(folds + 1)).astype(np.float64) for group in sample.groups]
    kinds = [np.array([~group.alarm, group.alarm], np.float64) for group in sample.groups]
    reused: list[dict[float, tuple[FloatArray, FloatArray]]] = [{} for _ in sample.groups]
    for thresholds in candidates:
        cost.append(np.zeros((2, folds + 1)))
        barred.append(np.zeros(folds + 1))
        for group, keep, kind, shared in zip(sample.groups, kept, kinds, reused, strict=True):
            made = outcomes(group, thresholds, shared)
            cost[-1] += kind @ (_expected(made, costs, group.alarm) * keep)
            barred[-1] += made.barred @ keep
    return _Table(
        cost=np.array(cost),
        marks=np.sum([kind @ keep for kind, keep in zip(kinds, kept, strict=True)], axis=0),
        barred=np.array(barred),
    )


def _expected(made: Outcomes, costs: Costs, alarm: BoolArray) -> FloatArray:
    """Expected cost of each mark, (n, f + 1)."""
    error = np.where(
        alarm[:, None], costs.missed_contamination * made.missed, costs.false_alarm * made.false_alarm
    )
    return np.asarray(error + costs.doubt * made.doubt)


def _cheapest(table: _Table, costs: Costs, out: int, far: FloatArray) -> int:
    """The candidate that costs least without a fold, of those that make fewest calls that none may make.

    Of some that cost nearly as little it is the one that changes least; far (k,) : how much each changes.
    """
    shares = np.array([1 - costs.alarm_share, costs.alarm_share]) / np.maximum(table.marks[:, out], 1)
    barred = table.barred[:, out]
    cost = np.where(barred == barred.min(), table.cost[:, :, out] @ shares, np.inf)
    return int(np.argmin(np.where(cost <= cost.min() * (1 + ALIKE), far, np.inf)))


def _change(candidates: Sequence[Thresholds]) -> FloatArray:
    """How far each candidate's limits are from the first one's: the sum of their ratios' logarithms."""
    values = np.array([[getattr(one, name) for name in LIMITS] for one in candidates])
    return np.asarray(np.abs(np.log(values / values[0])).sum(axis=1))


def _mean_cost(sample: _Sample, cost: FloatArray, costs: Costs) -> float:
    return PER * float(
        costs.alarm_share * cost[sample.alarm].mean() + (1 - costs.alarm_share) * cost[~sample.alarm].mean()
    )


def _gain(sample: _Sample, saved: FloatArray, costs: Costs) -> tuple[float, float | None]:
    """What is saved on 1,000 marks, with its standard error from the spread between plates."""
    n = len(sample.plates)
    sums = np.column_stack(
        [
            np.bincount(sample.plate, weights, minlength=n)
            for kind in (sample.alarm, ~sample.alarm)
            for weights in (np.where(kind, saved, 0.0), kind.astype(float))
        ]
    ).astype(np.float64)

    def statistic(found: FloatArray) -> FloatArray:
        share = costs.alarm_share
        return np.asarray(PER * (share * found[:, 0] / found[:, 1] + (1 - share) * found[:, 2] / found[:, 3]))

    return float(statistic(sums.sum(axis=0, keepdims=True))[0]), plate_error(sums, statistic)


# ------------------------------------------------------------------------------------------ what it comes to


def _decide(
    unchanged: bool,
    barred_now: Sequence[Barred],
    barred: Sequence[Barred],
    gain: float,
    gain_error: float | None,
    plates: int,
) -> tuple[Decision, str]:
    if barred:
        first = barred[0]
        return "refused", (
            f"no limits that were tried can be proposed: even the best call the {first.mark} of window "
            f"{first.window} of {first.photo} {first.call}, which is {first.consensus} by consensus; look at that "
            "mark, and at who called it"
        )
    if unchanged:
        return "nothing to gain", "the limits in use cost least of all that were tried; keep them"
    error = "an unknown standard error" if gain_error is None else f"a standard error of {gain_error:.2g}"
    saved = f"on plates held out the limits that cost least save {gain:.3g} with {error}"
    if barred_now and gain > 0:
        return (
            "proposed",
            f"{saved}, and those in use make {counted(len(barred_now), 'call')} that none may make",
        )
    if gain_error is None or gain <= float(extra("scipy.stats").t.ppf(SURE, plates - 1)) * gain_error:
        return "nothing to gain", (
            f"{saved}, which is not surely a gain; keep the limits in use, or grade more plates"
        )
    return "proposed", saved


def _compare(
    readings: Iterable[MeasuredRow],
    sample: _Sample,
    now: Thresholds,
    then: Thresholds,
    rules: Rules,
) -> tuple[tuple[Change, ...], tuple[Barred, ...], tuple[Barred, ...]]:
    """Every example called by both: what changes, and the calls of each that none may make."""
    used = dict(sample.used)
    changes: list[Change] = []
    barred: tuple[list[Barred], list[Barred]] = [], []
    for row in readings:
        if row.example not in used:
            continue
        before, after = (call_anew(row.verdict, row.layout, one) for one in (now, then))
        marks = tuple(
            ChangedMark(
                window=old.window,
                mark=old.mark,
                now=old.call,
                then=new.call,
                consensus=row.consensus.get((old.window, old.mark)),
            )
            for old, new in zip(before, after, strict=True)
            if old.call != new.call
        )
        if marks:
            grades = [grade_of_calls(_by_mark(calls), row.layout, rules) for calls in (before, after)]
            changes.append(
                Change(
                    example=row.example,
                    photo=row.photo,
                    plate=row.plate,
                    grade_now=grades[0],
                    grade_then=grades[1],
                    marks=marks,
                )
            )
        for found, calls in zip(barred, (before, after), strict=True):
            found += _barred(row, calls)
    return tuple(changes), tuple(barred[0]), tuple(barred[1])


def _by_mark(calls: Iterable[MarkCall]) -> dict[MarkKey, Call | None]:
    return {(one.window, one.mark): one.call for one in calls}


def _barred(row: MeasuredRow, calls: Iterable[MarkCall]) -> Iterator[Barred]:
    for one in calls:
        consensus = row.consensus.get((one.window, one.mark))
        if consensus in (None, "doubtful") or one.call == "doubtful":
            continue
        assay = row.layout.assay.format
        missed = raises_alarm(one.mark, consensus, assay) and not raises_alarm(one.mark, one.call, assay)
        if missed or (consensus == "absent" and one.call == "present"):
            yield Barred(
                example=row.example,
                photo=row.photo,
                window=one.window,
                mark=one.mark,
                call=one.call,
                consensus=consensus,
            )


def _rates(sample: _Sample, found: Outcomes) -> ErrorRates:
    def share(hit: BoolArray, among: BoolArray) -> Rate:
        n = len(sample.plates)
        return rate(
            np.bincount(sample.plate[among & hit], minlength=n),
            np.bincount(sample.plate[among], minlength=n),
        )

    return ErrorRates(
        missed=share(found.missed_now, sample.alarm),
        doubt_if_alarm=share(found.doubt_now, sample.alarm),
        false_alarm=share(found.false_alarm_now, ~sample.alarm),
        doubt_if_well=share(found.doubt_now, ~sample.alarm),
    )


def _proves(rates: ErrorRates) -> tuple[str, ...]:
    return (
        " ".join(bound_sentences(rates.missed, "mark", "that should raise an alarm", "as if all were well")),
        " ".join(bound_sentences(rates.false_alarm, "mark", "that should raise none", "an alarm")),
    )
