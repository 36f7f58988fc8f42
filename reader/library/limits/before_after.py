"""Both error rates of an archive before and after it is called anew, where a library knows the truth.

The truth of a photo is the library's consensus on its marks. Each photo counts once, however many verdicts it has. The
two callings are of the same photos, so whether one errs less is asked of those on which they differ (McNemar 1947), and
not of two intervals that overlap.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

import numpy as np

from reader.library.agreement.by_plate import IntArray
from reader.library.agreement.rates import Rate, rate
from reader.library.agreement.two_callers import McNemar, mcnemar
from reader.library.extra import extra
from reader.library.limits.outcomes import raises_alarm
from reader.library.tidy import AgreedRow
from reader.run.call_archive import CalledAnew
from reader.words import Call, Format, MarkKey, MarkName

Alarm = Literal["missed alarm", "false alarm", ""]

WRONG_PRESENT, DOUBTFUL_NOT_THERE = "not there, called present", "not there, called doubtful"
WRONG_ABSENT, DOUBTFUL_THERE = "there, called absent", "there, called doubtful"
RELEASED, BAD_UNDECIDED = "contaminated or invalid, but released", "contaminated or invalid, undecided"
CLEAN_HELD, CLEAN_UNDECIDED = "clean, but held", "clean, undecided"
ERRORS: Final = (
    *(WRONG_PRESENT, DOUBTFUL_NOT_THERE, WRONG_ABSENT, DOUBTFUL_THERE),
    *(RELEASED, BAD_UNDECIDED, CLEAN_HELD, CLEAN_UNDECIDED),
)
"""Kinds of errors in the order in which they are told; undeveloped reference marks count with the absent ones."""
HELD: Final = ("moderate", "heavy", "invalid")
"""Grades by which fuel is not released."""


@dataclass(frozen=True, slots=True)
class Truth:
    """The consensus on the marks of one photo's plate; None where there is none."""

    plate: int
    layout: str
    marks: tuple[MarkKey, ...]
    calls: tuple[Call | None, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class BeforeAfter:
    """One kind of error, before and after. of : which marks, or whole plates. alarm : what the error comes to.

    paired : McNemar's test; `only_first` are the errors that go, `only_second` those that come.
    """

    of: MarkName | Literal["plate"]
    assay: Format
    error: str
    alarm: Alarm
    before: Rate
    after: Rate
    paired: McNemar


class _Question(NamedTuple):
    """What is asked of a mark or a plate."""

    of: MarkName | Literal["plate"]
    assay: Format
    error: str
    alarm: Alarm


class _Answer(NamedTuple):
    """What was asked, and whether it was so before and is so after."""

    question: _Question
    before: bool
    after: bool


class Errors:
    """Errors of an archive's verdicts whose photos' truth is known, added up one by one.

    known : photos with truth. counted : photos of them that were called anew. again : verdicts more of a photo that
    was counted. apart : verdicts of such photos that tell nothing, for they were called by another layout than the
    library's example, or their own limits do not give what they say.
    """

    def __init__(self, rows: Iterable[AgreedRow]) -> None:
        """Take the consensus of a library's examples; some 500 bytes of memory for each.

        Raises MissingExtraError where the packages that intervals need are not installed.
        """
        extra("statsmodels.stats.contingency_tables")  # to be missed now, and not when all is counted
        self._plates: dict[str, int] = {}
        self._truths = dict(self._truths_of(rows))
        self._counts: dict[_Question, IntArray] = {}
        self._seen: set[str] = set()
        self.again = 0
        self.apart = 0

    def _truths_of(self, rows: Iterable[AgreedRow]) -> Iterator[tuple[str, Truth]]:
        shared: dict[tuple[MarkKey, ...], tuple[MarkKey, ...]] = {}
        for row in rows:
            settled = {key: None if call == "doubtful" else call for key, call in row.consensus.items()}
            if any(settled.values()):
                plate = self._plates.setdefault(row.plate, len(self._plates))
                marks = tuple(settled)
                yield (
                    row.sha256,
                    Truth(plate, row.layout, shared.setdefault(marks, marks), tuple(settled.values())),
                )

    @property
    def known(self) -> int:
        """How many photos have a truth."""
        return len(self._truths)

    @property
    def counted(self) -> int:
        """How many of them were called anew."""
        return len(self._seen)

    def add(self, row: CalledAnew) -> None:
        """Count one verdict's errors, if its photo's truth is known."""
        sha256 = next((one for one in row.photos if one in self._truths), None)
        if sha256 is None or row.came not in ("same", "changed", "apart"):
            return
        truth = self._truths[sha256]
        if row.came == "apart" or truth.layout != row.layout:
            self.apart += 1
        elif sha256 in self._seen:
            self.again += 1
        else:
            self._seen.add(sha256)
            self._count(row, truth)

    def _count(self, row: CalledAnew, truth: Truth) -> None:
        calls = dict(zip(truth.marks, truth.calls, strict=True))
        for question, before, after in (*_of_marks(row, calls), *_of_plate(row, calls)):
            counts = self._counts.setdefault(question, np.zeros((len(self._plates), 5), np.int32))
            counts[truth.plate] += (1, before, after, before and not after, after and not before)

    def found(self) -> tuple[BeforeAfter, ...]:
        """Each kind of error that was looked for, before and after, with intervals by plate."""
        return tuple(
            BeforeAfter(
                **question._asdict(),
                before=rate(counts[:, 1], counts[:, 0]),
                after=rate(counts[:, 2], counts[:, 0]),
                paired=mcnemar(counts[:, 3], counts[:, 4]),
            )
            for question, counts in sorted(self._counts.items(), key=lambda item: _place(item[0]))
        )


def _of_marks(row: CalledAnew, truth: Mapping[MarkKey, Call | None]) -> Iterator[_Answer]:
    """Of each mark whose truth is known, whether it was and is called wrongly, and whether doubtful."""
    assert row.assay is not None
    for one in row.marks:
        true = truth.get((one.window, one.mark))
        if true is None:
            continue
        there = true == "present"
        alarm: Alarm = "missed alarm" if raises_alarm(one.mark, true, row.assay) else "false alarm"
        wrong = _Question(one.mark, row.assay, WRONG_ABSENT if there else WRONG_PRESENT, alarm)
        doubtful = _Question(one.mark, row.assay, DOUBTFUL_THERE if there else DOUBTFUL_NOT_THERE, "")
        opposite = [call != "doubtful" and (call == "present") != there for call in (one.before, one.after)]
        yield _Answer(wrong, *opposite)
        yield _Answer(doubtful, one.before == "doubtful", one.after == "doubtful")


def _of_plate(row: CalledAnew, truth: Mapping[MarkKey, Call | None]) -> Iterator[_Answer]:
    """Of a plate whose marks' truth says enough: whether it was and is released, held or left undecided wrongly."""
    assert row.assay is not None
    alarms = {call and raises_alarm(mark, call, row.assay) for (_, mark), call in truth.items()}
    if True in alarms:
        wrong = _Question("plate", row.assay, RELEASED, "missed alarm")
        undecided = _Question("plate", row.assay, BAD_UNDECIDED, "")
        grades: tuple[str, ...] = ("negligible",)
    elif alarms == {False}:
        wrong = _Question("plate", row.assay, CLEAN_HELD, "false alarm")
        undecided = _Question("plate", row.assay, CLEAN_UNDECIDED, "")
        grades = HELD
    else:
        return
    yield _Answer(wrong, row.before in grades, row.after in grades)
    yield _Answer(undecided, row.before == "undecided", row.after == "undecided")


def _place(question: _Question) -> tuple[int, ...]:
    return (
        ("competitive", "sandwich").index(question.assay),
        ("indicator", "reference", "plate").index(question.of),
        ERRORS.index(question.error),
    )
