"""How well people and linecall agree: each with each, each with the consensus, all together, and where they part.

Present is taken as the positive answer, for indicator and reference marks alike; absent and undeveloped are negative.
Everything is counted twice, doubtful calls once as present and once as absent, by both callers alike: none is dropped
and none is settled by hand. A person is held against the consensus of the others, without their own call.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import NDArray

from reader.decide.grade import FINDINGS
from reader.library.agreement.columns import (
    ABSENT,
    DOUBTFUL,
    MARKS,
    NONE,
    PRESENT,
    Codes,
    Columns,
    columns,
    is_present,
)
from reader.library.agreement.many_callers import Together, fleiss_kappa, krippendorff_alpha
from reader.library.agreement.rates import Rate, rate
from reader.library.agreement.two_callers import Kappa, McNemar, cohen_kappa, mcnemar, ordered_weights
from reader.library.consensus import ConsensusRule
from reader.library.consensus import agree as agree_on
from reader.settings.values import TIERS, Rules
from reader.words import CALLS, GRADES, Call, Format, MarkName, counted
from reader.words.names import is_one_of

if TYPE_CHECKING:
    from reader.library.tidy import MarkRow

ComparisonKind = Literal["person-person", "person-consensus", "tool-consensus"]
Between = tuple[ComparisonKind, str, str, Codes, Codes]  # names of the two callers, and their calls or grades

TOOL: Final = "linecall"
CONSENSUS: Final = "consensus"
WAYS: Final = (PRESENT, ABSENT)  # as what a doubtful call is counted
LISTED: Final = 200  # examples where callers part that a report shows
GRADE_WEIGHTS: Final = ordered_weights(len(GRADES), apart=(GRADES.index("invalid"),))
GRADE_RULE: Final = (
    "negligible, moderate and heavy are in order, so neighbours differ by half and the ends by 1; invalid is no step "
    "of that order, so invalid and any other grade differ by 1"
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Counting:
    """Two callers' answers with doubtful calls counted one way.

    both, only_first, only_second, neither : marks called present. ppa, npa : positive and negative percent agreement,
    the share of what the second calls present (not present) that the first calls so, too.
    """

    doubtful_as: Call
    both: int
    only_first: int
    only_second: int
    neither: int
    ppa: Rate
    npa: Rate
    overall: Rate
    kappa: Kappa
    prevalence_index: float | None
    bias_index: float | None
    mcnemar: McNemar


@dataclass(frozen=True, kw_only=True, slots=True)
class Comparison:
    """Two callers on the marks that both called; `table` counts calls, the first's down, the second's across.

    own_call_inside : the consensus may hold the first's own call, so they agree too well. no_second : marks that the
    first called and the second did not, as where no consensus was reached.
    """

    kind: ComparisonKind
    first: str
    second: str
    own_call_inside: bool
    n: int
    plates: int
    no_second: int
    calls: tuple[Call, ...]
    table: tuple[tuple[int, ...], ...]
    kappa: Kappa
    countings: tuple[Counting, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Contest:
    """Who is right more often against the consensus, on the same marks: linecall, or a person held out of it."""

    first: str
    second: str
    doubtful_as: Call
    n: int
    both_right: int
    both_wrong: int
    mcnemar: McNemar


@dataclass(frozen=True, kw_only=True, slots=True)
class Part:
    """All that concerns the indicator marks, or the reference marks."""

    mark: MarkName
    marks: int
    plates: int
    comparisons: tuple[Comparison, ...]
    contests: tuple[Contest, ...]
    fleiss: Together
    alpha: Together


@dataclass(frozen=True, kw_only=True, slots=True)
class GradeComparison:
    """Two callers' grades of whole plates, as they follow from their calls; `weighted`: kappa by GRADE_WEIGHTS."""

    kind: ComparisonKind
    first: str
    second: str
    own_call_inside: bool
    doubtful_as: Call
    grades: tuple[str, ...]
    table: tuple[tuple[int, ...], ...]
    overall: Rate
    kappa: Kappa
    weighted: Kappa


@dataclass(frozen=True, kw_only=True, slots=True)
class PartedMark:
    """A mark that is called in more than one way; opposed : calls against the consensus, or the smaller sides'."""

    window: str
    mark: MarkName
    tier: str
    strength: str
    height: float | None
    consensus: Call | None
    tool: Call
    calls: Mapping[str, Call]
    opposed: int
    doubtful: int


@dataclass(frozen=True, kw_only=True, slots=True)
class PartedExample:
    """An example with marks on which callers part."""

    example: str
    sha256: str
    plate: str
    layout: str
    light: str
    opposed: int
    doubtful: int
    marks: tuple[PartedMark, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class GraderCount:
    """A grader and how many marks they called."""

    name: str
    role: str
    marks: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Agreement:
    """The whole report. parted : the worst examples first, `parted_in_all` of them there are."""

    examples: int
    plates: int
    marks: int
    no_consensus: int
    graders: tuple[GraderCount, ...]
    parts: tuple[Part, ...]
    grades: tuple[GradeComparison, ...]
    grade_rule: str
    parted: tuple[PartedExample, ...]
    parted_in_all: int
    notes: tuple[str, ...]


def agree(
    rows: Iterable["MarkRow"],
    *,
    rule: ConsensusRule | None = None,
    rules: Rules | None = None,
    assays: Mapping[str, Format] | None = None,
    listed: int = LISTED,
) -> Agreement:
    """Hold all callers against each other; one pass over the rows, then over columns.

    rule : the one by which the rows' consensus was made; by it each person is held against that of all others.
    rules, assays : how calls make a grade, and each layout's assay format by the layout's name; without them no grades.
    Raises LinecallError where rows contradict the library's terms.
    """
    marks = columns(rows)
    own = rule is None or rule.blind_only
    others = (
        [marks.consensus] * len(marks.graders) if rule is None or own else _consensus_of_others(marks, rule)
    )
    parts = tuple(_part(marks, others, code, own=own) for code in range(len(MARKS)))
    grades = _grades(marks, others, rules, assays or {}, own=own) if rules is not None else ()
    parted, in_all = _parted(marks, listed)
    return Agreement(
        examples=len(marks.examples),
        plates=len(marks.plates),
        marks=len(marks),
        no_consensus=int(np.count_nonzero(marks.consensus == NONE)),
        graders=tuple(
            GraderCount(name=name, role=role, marks=int(np.count_nonzero(marks.calls[:, code] != NONE)))
            for code, (name, role) in enumerate(zip(marks.graders, marks.roles, strict=True))
        ),
        parts=tuple(part for part in parts if part.marks),
        grades=grades,
        grade_rule=GRADE_RULE,
        parted=parted,
        parted_in_all=in_all,
        notes=tuple(_notes(marks, rules, assays or {}, own=own)),
    )


def _notes(marks: Columns, rules: Rules | None, assays: Mapping[str, Format], *, own: bool) -> Iterator[str]:
    """What a reader must know of the numbers."""
    yield (
        f"{counted(len(marks), 'mark')} of {counted(len(marks.examples), 'example')} come from "
        f"{counted(len(marks.plates), 'plate')}. Marks of one plate share its lamp, focus and hand, so they are not "
        "independent: where the two intervals differ, believe the one by plate."
    )
    yield (
        "Agreement is not truth: no mark here was held against a reference method, so these are shares of agreement, "
        "not sensitivity or specificity."
    )
    if not marks.graders:
        yield "No person has graded these examples, so there is nothing to compare."
    elif len(marks.graders) == 1:
        yield f"{marks.graders[0]} is the only grader, so people cannot be compared with each other."
    if own and marks.graders:
        yield "The consensus holds each person's own calls, so people agree with it better than with the others."
    elif marks.graders:
        yield "Each person is held against the consensus of the others, made by the same rule without their own calls."
    if rules is not None and (unknown := sorted(set(marks.layouts) - assays.keys())):
        yield f"No grades for plates of the layout {', '.join(unknown)}: its assay format is not known."


# ------------------------------------------------------------------------------------------ who with whom


def _consensus_of_others(marks: Columns, rule: ConsensusRule) -> list[Codes]:
    """For each grader the consensus of all others, (n,) each; the rule is asked once for each pattern of calls."""
    counts = [
        role in rule.roles and (not rule.panel or is_one_of(name, rule.panel))
        for name, role in zip(marks.graders, marks.roles, strict=True)
    ]
    patterns, which = _patterns(marks.calls)
    found = []
    for left_out, counted_too in enumerate(counts):
        if not counted_too:
            found.append(marks.consensus)
            continue
        counting = [code for code, counts_here in enumerate(counts) if counts_here and code != left_out]
        codes = np.array([_consensus(rule, pattern[counting]) for pattern in patterns], np.int8)
        found.append(codes[which])
    return found


def _patterns(calls: Codes) -> tuple[Codes, NDArray[np.intp]]:
    """Distinct rows, and which of them each row is."""
    if not calls.size:
        return calls[:1], np.zeros(len(calls), np.intp)
    packed = np.ascontiguousarray(calls).view(np.dtype((np.void, calls.shape[1])))[:, 0]
    _, first, which = np.unique(packed, return_index=True, return_inverse=True)
    return calls[first], which


def _consensus(rule: ConsensusRule, votes: Codes) -> int:
    call = agree_on((CALLS[call] for call in votes if call != NONE), rule).call
    return NONE if call is None else CALLS.index(call)


def _pairs(
    people: Sequence[tuple[str, Codes]], others: Sequence[Codes], tool: Codes, consensus: Codes
) -> Iterator[Between]:
    """Everyone who is compared: linecall first, then each person with the consensus, then people with each other."""
    yield "tool-consensus", TOOL, CONSENSUS, tool, consensus
    for (name, codes), other in zip(people, others, strict=True):
        yield "person-consensus", name, CONSENSUS, codes, other
    for (first, codes), (second, other) in combinations(people, 2):
        yield "person-person", first, second, codes, other


def _part(marks: Columns, others: Sequence[Codes], mark: int, *, own: bool) -> Part:
    """Everything on one kind of mark."""
    here = marks.mark == mark
    plate = marks.plate[here]
    calls, tool, consensus = marks.calls[here], marks.tool[here], marks.consensus[here]
    without = [codes[here] for codes in others]
    people = [(name, calls[:, code]) for code, name in enumerate(marks.graders)]
    compared = (
        _comparison(kind, (first, second), a, b, plate, own=own and kind == "person-consensus")
        for kind, first, second, a, b in _pairs(people, without, tool, consensus)
    )
    counts = np.stack([(calls == code).sum(axis=1) for code in range(len(CALLS))], axis=1)
    return Part(
        mark=MARKS[mark],
        marks=int(np.count_nonzero(here)),
        plates=len(np.unique(plate)),
        comparisons=tuple(comparison for comparison in compared if comparison.n),
        contests=tuple(_contests(people, without, tool, plate)) if not own else (),
        fleiss=fleiss_kappa(counts, plate),
        alpha=krippendorff_alpha(counts, plate),
    )


def _comparison(
    kind: ComparisonKind,
    names: tuple[str, str],
    first: Codes,
    second: Codes,
    plate: NDArray[np.int32],
    *,
    own: bool,
) -> Comparison:
    tables = _tables(first, second, plate, len(CALLS))
    table = tables.sum(axis=0)
    return Comparison(
        kind=kind,
        first=names[0],
        second=names[1],
        own_call_inside=own,
        n=int(table.sum()),
        plates=len(tables),
        no_second=int(np.count_nonzero((first != NONE) & (second == NONE))),
        calls=CALLS,
        table=_as_tuples(table),
        kappa=cohen_kappa(tables, names=names),
        countings=tuple(_counting(tables, names, way) for way in WAYS),
    )


def _tables(first: Codes, second: Codes, plate: NDArray[np.int32], k: int) -> NDArray[np.int64]:
    """Each plate's table (p, k, k) of the marks that both called."""
    both = (first != NONE) & (second != NONE)
    _, code = np.unique(plate[both], return_inverse=True)
    cell = (code * k + first[both]) * k + second[both]
    plates = int(code.max(initial=-1)) + 1
    return np.bincount(cell, minlength=plates * k * k).reshape(plates, k, k)


def _as_tuples(table: NDArray[np.int64]) -> tuple[tuple[int, ...], ...]:
    return tuple(tuple(map(int, row)) for row in table)


def _counting(tables: NDArray[np.int64], names: tuple[str, str], way: int) -> Counting:
    """Join calls to present and not present, doubtful ones as `way` says."""
    present = is_present(np.arange(len(CALLS), dtype=np.int8), way)
    join = np.stack([present, 1 - present])
    two = np.einsum("ai,pij,bj->pab", join, tables, join)
    (a, b), (c, d) = two.sum(axis=0)
    n = int(a + b + c + d)
    return Counting(
        doubtful_as=CALLS[way],
        both=int(a),
        only_first=int(b),
        only_second=int(c),
        neither=int(d),
        ppa=rate(two[:, 0, 0], two[:, :, 0].sum(axis=1)),
        npa=rate(two[:, 1, 1], two[:, :, 1].sum(axis=1)),
        overall=rate(two[:, 0, 0] + two[:, 1, 1], two.sum(axis=(1, 2))),
        kappa=cohen_kappa(two, names=names),
        prevalence_index=float(a - d) / n if n else None,
        bias_index=float(b - c) / n if n else None,
        mcnemar=mcnemar(two[:, 0, 1], two[:, 1, 0]),
    )


def _contests(
    people: Sequence[tuple[str, Codes]], others: Sequence[Codes], tool: Codes, plate: NDArray[np.int32]
) -> Iterator[Contest]:
    """linecall against each person, both judged by the consensus of the other people."""
    for (name, codes), consensus in zip(people, others, strict=True):
        judged = (codes != NONE) & (consensus != NONE) & (tool != NONE)
        if not judged.any():
            continue
        for way in WAYS:
            truth = is_present(consensus[judged], way)
            right = [(is_present(caller[judged], way) == truth).astype(np.int8) for caller in (tool, codes)]
            tables = _tables(right[0], right[1], plate[judged], 2)
            table = tables.sum(axis=0)
            yield Contest(
                first=TOOL,
                second=name,
                doubtful_as=CALLS[way],
                n=int(table.sum()),
                both_right=int(table[1, 1]),
                both_wrong=int(table[0, 0]),
                mcnemar=mcnemar(tables[:, 1, 0], tables[:, 0, 1]),
            )


# ------------------------------------------------------------------------------------------ grades


def _grades(
    marks: Columns, others: Sequence[Codes], rules: Rules, assays: Mapping[str, Format], *, own: bool
) -> tuple[GradeComparison, ...]:
    """Grades that follow from everyone's calls under the same rules, compared plate by plate."""
    counts = _rule_counts(marks, rules, assays)
    first = np.flatnonzero(np.diff(marks.example, prepend=-1))
    plate = marks.plate[first]
    found = []
    for way in WAYS:
        people = [
            (name, _grade_codes(marks.calls[:, code], way, rules, counts, marks))
            for code, name in enumerate(marks.graders)
        ]
        without = [_grade_codes(codes, way, rules, counts, marks) for codes in others]
        tool, consensus = (
            _grade_codes(codes, way, rules, counts, marks) for codes in (marks.tool, marks.consensus)
        )
        for kind, a, b, codes, other in _pairs(people, without, tool, consensus):
            tables = _tables(codes, other, plate, len(GRADES))
            if len(tables):
                found.append(
                    _grade_comparison(kind, (a, b), tables, way, own=own and kind == "person-consensus")
                )
    return tuple(found)


def _rule_counts(marks: Columns, rules: Rules, assays: Mapping[str, Format]) -> NDArray[np.int8]:
    """Whether each rule counts each mark were it called so: (rows, n, calls).

    NONE everywhere for marks of a layout whose assay format is unknown.
    """
    formats = [assays.get(layout) for layout in marks.layouts]
    table = np.full((len(rules.row), len(MARKS), len(TIERS), len(formats), len(CALLS)), NONE, np.int8)
    for r, row in enumerate(rules.row):
        for m, mark in enumerate(MARKS):
            for t, tier in enumerate(TIERS):
                for f, assay in enumerate(formats):
                    if assay is None:
                        continue
                    for c, call in enumerate(CALLS):
                        if call == "doubtful":
                            continue
                        settled = "absent" if mark == "indicator" and call == "undeveloped" else call
                        outcome = FINDINGS[assay, settled] if mark == "indicator" else settled
                        table[r, m, t, f, c] = row.counts(mark, tier, outcome)
    found: NDArray[np.int8] = table[:, marks.mark, marks.tier, marks.layout]
    return found


def _grade_codes(codes: Codes, way: int, rules: Rules, counts: NDArray[np.int8], marks: Columns) -> Codes:
    """Each example's grade by one caller's calls, index into GRADES; NONE unless every mark of it was called."""
    settled = np.where(codes == DOUBTFUL, np.int8(way), codes)
    counted_marks = np.take_along_axis(counts, np.maximum(settled, 0)[None, :, None].astype(np.intp), axis=2)[
        :, :, 0
    ]
    n = len(marks.examples)
    unusable = (settled == NONE) | (counted_marks == NONE).any(axis=0)
    complete = np.bincount(marks.example, unusable, n) == 0
    grades = np.full(n, NONE, np.int8)
    for row, hits in zip(rules.row, counted_marks, strict=True):
        fits = complete & (grades == NONE)
        if row.mark is not None:
            fits &= np.bincount(marks.example, hits, n) >= row.at_least
        grades[fits] = GRADES.index(row.grade)
    return grades


def _grade_comparison(
    kind: ComparisonKind, names: tuple[str, str], tables: NDArray[np.int64], way: int, *, own: bool
) -> GradeComparison:
    same = np.einsum("pii->p", tables)
    return GradeComparison(
        kind=kind,
        first=names[0],
        second=names[1],
        own_call_inside=own,
        doubtful_as=CALLS[way],
        grades=GRADES,
        table=_as_tuples(tables.sum(axis=0)),
        overall=rate(same, tables.sum(axis=(1, 2))),
        kappa=cohen_kappa(tables, names=names),
        weighted=cohen_kappa(tables, names=names, weights=GRADE_WEIGHTS),
    )


# ------------------------------------------------------------------------------------------ where they part


def _parted(marks: Columns, listed: int) -> tuple[tuple[PartedExample, ...], int]:
    """Examples with marks that are called in more than one way: most calls opposed first, then most doubts."""
    callers = np.column_stack([marks.calls, marks.tool])
    counts = np.stack([(callers == code).sum(axis=1) for code in range(len(CALLS))], axis=1)
    doubtful = counts[:, DOUBTFUL]
    settled = np.delete(counts, DOUBTFUL, axis=1)
    has_side = (marks.consensus != NONE) & (marks.consensus != DOUBTFUL)
    agreeing = np.where(
        has_side,
        counts[np.arange(len(marks)), np.maximum(marks.consensus, 0)],
        settled.max(axis=1, initial=0),
    )
    opposed = settled.sum(axis=1) - agreeing
    apart = (np.count_nonzero(counts, axis=1) > 1) | (has_side & (opposed > 0))
    n = len(marks.examples)
    opposed_in, doubtful_in = (
        np.bincount(marks.example, apart * values, n) for values in (opposed, doubtful)
    )
    order = np.lexsort((np.arange(n), -doubtful_in, -opposed_in))
    with_some = np.bincount(marks.example, apart, n) > 0
    worst = [int(example) for example in order if with_some[example]]
    starts = np.searchsorted(marks.example, np.arange(n + 1))
    found = []
    for example in worst[:listed]:
        places = [i for i in range(starts[example], starts[example + 1]) if apart[i]]
        places.sort(key=lambda i: (-opposed[i], -doubtful[i]))
        found.append(_parted_example(marks, example, places, opposed, doubtful))
    return tuple(found), len(worst)


def _parted_example(
    marks: Columns,
    example: int,
    places: Sequence[int],
    opposed: NDArray[np.int64],
    doubtful: NDArray[np.int64],
) -> PartedExample:
    first = places[0]
    return PartedExample(
        example=marks.examples[example],
        sha256=marks.sha256[example],
        plate=marks.plates[marks.plate[first]],
        layout=marks.layouts[marks.layout[first]],
        light=marks.lights[marks.light[first]],
        opposed=int(sum(opposed[i] for i in places)),
        doubtful=int(sum(doubtful[i] for i in places)),
        marks=tuple(
            PartedMark(
                window=marks.windows[marks.window[i]],
                mark=MARKS[marks.mark[i]],
                tier=TIERS[marks.tier[i]],
                strength=marks.strengths[marks.strength[i]],
                height=None if np.isnan(marks.height[i]) else float(marks.height[i]),
                consensus=None if marks.consensus[i] == NONE else CALLS[marks.consensus[i]],
                tool=CALLS[marks.tool[i]],
                calls={
                    name: CALLS[call]
                    for name, call in zip(marks.graders, marks.calls[i], strict=True)
                    if call != NONE
                },
                opposed=int(opposed[i]),
                doubtful=int(doubtful[i]),
            )
            for i in places
        ),
    )
