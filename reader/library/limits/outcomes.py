"""How marks of known consensus come out by some limits: in the photo that was taken, and in another one of them.

What another photo would show follows from a mark's true height, which nobody knows. How frequent true heights are is
learnt from the measured ones and their errors by nonparametric maximum likelihood (Laird, J. Am. Stat. Assoc. 73, 1978,
805); each mark's own follows from its height and those (empirical Bayes, Robbins 1956). So a near miss counts, and a
lucky hit too. The bounds are those of `reader.decide.call`, in arrays.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from reader.decide.call import (
    LOSSES,
    MISPLACED,
    Limits,
    false_call_per_mark,
    heard,
    limits,
    looks_against,
    off_place,
)
from reader.library.agreement.by_plate import IntArray
from reader.library.extra import extra
from reader.measure.mark import MarkMeasurement
from reader.numbers.arrays import BoolArray, FloatArray
from reader.settings.values import IndicatorMark, ReferenceMark, Thresholds
from reader.words import Call, Format, MarkName

FAR: Final = 8.0  # standard errors above the strictest limit from which no photo brings a line down to it
STEP: Final = 0.3  # between true heights that are told apart, in standard errors
HEIGHTS: Final = (20, 160)  # fewest and most of them
ROUNDS: Final = 200  # of the EM algorithm; more change no cost by a hundredth
LEARNT_FROM: Final = 20_000  # marks at most that true heights are learnt from
TOGETHER: Final = 4096  # marks that are called at once

NEVER_ABSENT: Final = frozenset({"part_of_breadth", *MISPLACED, *LOSSES})
"""Flags with which `reader.decide.call` calls no mark absent."""
MEASURED: Final = ("standard_error", "blank_mean", "blank_sd", "blank_n", "off_mm")


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Marks:
    """Marks with a consensus, (n,), of plates with as many marks each; lengths mm, heights absorbance.

    unlike : looks unlike a line; starting : a reference mark with its starting dye; disturbed : a low height proves no
    absence, for the line may be elsewhere. alarm : should raise one. absent : by consensus. if_absent : whether
    absent raises an alarm.
    plate, fold : which of the sample's plates, and which of its folds. likelihood (n, m) : of each true height
    (1 or n, m). share (m, f + 1) : how frequent that height is, as learnt without each fold, and from all.
    """

    per_plate: int
    height: FloatArray
    standard_error: FloatArray
    blank_mean: FloatArray
    blank_sd: FloatArray
    blank_n: FloatArray
    off_mm: FloatArray
    unlike: BoolArray
    starting: BoolArray
    disturbed: BoolArray
    alarm: BoolArray
    absent: BoolArray
    if_absent: BoolArray
    plate: IntArray
    fold: IntArray
    true: FloatArray
    likelihood: FloatArray
    share: FloatArray


def raises_alarm(mark: MarkName, call: Call, assay: Format) -> bool:
    """Whether a mark called present, absent or undeveloped shows contamination, or a window that did not work."""
    return (call != "present") == (mark == "reference" or assay == "competitive")


def mark_values(
    mark: MarkMeasurement, place: IndicatorMark, consensus: Call, assay: Format, thresholds: Thresholds
) -> dict[str, Any]:
    """One mark's values, by the names of `Marks`; consensus : present, absent or undeveloped."""
    nan = math.nan
    return {
        "height": nan if mark.height is None else mark.height,
        "standard_error": nan if mark.standard_error is None else mark.standard_error,
        "blank_mean": mark.blank_mean,
        "blank_sd": mark.blank_sd,
        "blank_n": mark.blank_n,
        "off_mm": off_place(mark, place),
        "unlike": bool(looks_against(mark, place, thresholds)) or not heard(mark)[1],
        "starting": isinstance(place, ReferenceMark) and mark.dye == place.undeveloped_colour is not None,
        "disturbed": not NEVER_ABSENT.isdisjoint(mark.flags),
        "alarm": raises_alarm(mark.mark, consensus, assay),
        "absent": consensus == "absent",
        "if_absent": raises_alarm(mark.mark, "absent", assay),
    }


def grouped(
    columns: Mapping[int, Mapping[str, NDArray[Any]]], folds: int, strictest: Thresholds
) -> Iterator[Marks]:
    """Marks in groups that are called at once; columns : by marks a plate, then by the names of `Marks`.

    A line far above the strictest limit is taken to be as high as it was measured.
    """
    near = {
        per_plate: ~(
            of_these["height"]
            > _limits(of_these, per_plate, strictest).needed + FAR * of_these["standard_error"]
        )
        for per_plate, of_these in columns.items()
    }
    learnt = {}
    for kind in (False, True):
        height, error, fold = (
            np.concatenate(
                [
                    of_these[name][near[per_plate] & (of_these["absent"] == kind)]
                    for per_plate, of_these in columns.items()
                ]
            )
            for name in ("height", "standard_error", "fold")
        )
        learnt[kind] = learn(height, error, fold, folds)
    for per_plate, of_these in columns.items():
        for is_near, kind in product((False, True), (False, True)):
            chosen = np.flatnonzero((near[per_plate] == is_near) & (of_these["absent"] == kind))
            for start in range(0, len(chosen), TOGETHER):
                part = {name: values[chosen[start : start + TOGETHER]] for name, values in of_these.items()}
                if is_near:
                    true, share = learnt[kind]
                    likely = _likelihood(part["height"], part["standard_error"], true)
                    true = true[None, :]
                else:
                    true, share = part["height"][:, None], np.ones((1, folds + 1))
                    likely = np.ones_like(true)
                yield Marks(per_plate=per_plate, true=true, likelihood=likely, share=share, **part)


def learn(
    height: FloatArray, standard_error: FloatArray, fold: IntArray, folds: int
) -> tuple[FloatArray, FloatArray]:
    """True heights (m,), and how frequent each is (m, f + 1): by marks (n,) that are not in each fold, and by all."""
    seen = np.flatnonzero(np.isfinite(height))
    if not len(seen):
        return np.zeros(1), np.ones((1, folds + 1))
    seen = seen[:: len(seen) // LEARNT_FROM + 1]
    height, standard_error, fold = height[seen], standard_error[seen], fold[seen]
    low, high = float(height.min()), float(height.max())
    n = int(np.clip((high - low) / (STEP * float(np.median(standard_error))), *HEIGHTS))
    true = np.linspace(low, high, n)
    likelihood = _likelihood(height, standard_error, true)
    share = np.full((n, folds + 1), 1 / n)
    for out in range(folds + 1):
        learnt_from = likelihood[fold != out]
        for _ in range(ROUNDS if len(learnt_from) else 0):
            weight = learnt_from * share[:, out]
            share[:, out] = (weight / weight.sum(axis=1, keepdims=True)).mean(axis=0)
    return true, share


def _likelihood(height: FloatArray, standard_error: FloatArray, true: FloatArray) -> FloatArray:
    """How likely each true height (m,) makes what was measured (n,), the likeliest 1; where nothing was, all alike."""
    away = np.nan_to_num(((height[:, None] - true) / standard_error[:, None]) ** 2, nan=0.0)
    return np.asarray(np.exp(-0.5 * (away - away.min(axis=1, keepdims=True))))


def _limits(
    columns: Mapping[str, NDArray[Any]], per_plate: int, thresholds: Thresholds
) -> Limits[FloatArray]:
    return limits(
        **{name: columns[name] for name in MEASURED},
        thresholds=thresholds,
        false_call=false_call_per_mark(thresholds.false_calls_per_plate, per_plate),
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Outcomes:
    """How marks come out. missed, false_alarm, doubt (n, f + 1) : chances in another photo, by what was learnt without
    each fold, and from all; `*_now` (n,) : in the photo that was taken. barred (n,) : called as none may be called,
    absent by consensus and present, or due an alarm and as if all were well."""

    missed: FloatArray
    false_alarm: FloatArray
    doubt: FloatArray
    missed_now: BoolArray
    false_alarm_now: BoolArray
    doubt_now: BoolArray
    barred: BoolArray


def outcomes(
    marks: Marks, thresholds: Thresholds, reused: dict[float, tuple[FloatArray, FloatArray]]
) -> Outcomes:
    """How the marks of one group come out; `reused` keeps what limits with the same false calls share."""
    held = _limits({name: getattr(marks, name) for name in MEASURED}, marks.per_plate, thresholds)
    excluded_below = np.where(held.ceiling > held.reach, held.ceiling - held.reach, -np.inf)
    highest_absent = np.where(marks.disturbed, -np.inf, np.minimum(excluded_below, held.needed))
    shared = reused.get(thresholds.false_calls_per_plate)
    if shared is None:
        shared = 1 - _below(marks, held.needed), _below(marks, -held.blank)
        reused.clear()
        reused[thresholds.false_calls_per_plate] = shared
    above, glare = shared
    seen = np.isfinite(marks.height)
    above = np.where((seen & ~marks.unlike)[:, None], above, 0.0)
    absent = np.where(seen[:, None], np.maximum(_below(marks, highest_absent) - glare, 0.0), 0.0)
    above_now = (marks.height > held.needed) & ~marks.unlike
    absent_now = (marks.height < highest_absent) & (marks.height >= -held.blank)
    starting, if_absent, alarm = (
        values[:, None] for values in (marks.starting, marks.if_absent, marks.alarm)
    )
    present, present_now = np.where(starting, 0.0, above), above_now & ~marks.starting
    started, started_now = np.where(starting, above, 0.0), above_now & marks.starting
    raises = np.where(if_absent, absent + started, present)
    is_well = np.where(if_absent, present, absent)
    raises_now = np.where(marks.if_absent, absent_now | started_now, present_now)
    is_well_now = np.where(marks.if_absent, present_now, absent_now)
    return Outcomes(
        missed=np.where(alarm, is_well, 0.0),
        false_alarm=np.where(alarm, 0.0, raises),
        doubt=1 - raises - is_well,
        missed_now=marks.alarm & is_well_now,
        false_alarm_now=~marks.alarm & raises_now,
        doubt_now=~(raises_now | is_well_now),
        barred=(marks.absent & present_now) | (marks.alarm & is_well_now),
    )


def _below(marks: Marks, height: FloatArray) -> FloatArray:
    """Chances (n, f + 1) that the marks' heights in another photo are below these (n,)."""
    away = np.nan_to_num((height[:, None] - marks.true) / marks.standard_error[:, None])
    weighted = marks.likelihood * extra("scipy.special").ndtr(away)
    return np.asarray((weighted @ marks.share) / (marks.likelihood @ marks.share))


def outcomes_by(groups: Sequence[Marks], candidates: Sequence[Thresholds], which: IntArray) -> Outcomes:
    """How every mark of all groups, in their order, comes out by the candidate that `which` (n,) names."""
    parts: dict[str, list[NDArray[Any]]] = {name: [] for name in Outcomes.__slots__}
    start = 0
    for group in groups:
        own = which[start : start + len(group.plate)]
        start += len(group.plate)
        whole: dict[str, NDArray[Any]] = {}
        for k in np.unique(own):
            made = outcomes(group, candidates[k], {})
            for name in parts:
                values = getattr(made, name)
                whole.setdefault(name, np.zeros_like(values))[own == k] = values[own == k]
        for name, values in whole.items():
            parts[name].append(values)
    return Outcomes(**{name: np.concatenate(values) for name, values in parts.items()})
