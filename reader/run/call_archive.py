"""An archive of verdicts called anew by other thresholds and rules: what changes, in batches that any process may take.

Nothing is written and no photo is needed: a verdict has what was measured of every mark. What a reviewer decided
stands, and a refused photo stays refused. A verdict of several photos is called by its combined numbers; which photo
counts for a mark is not chosen again.

A change is the limits' and rules' doing only where the verdict's own ones, used today, still give what it says. Where
they give something else (an older version wrote it, a number was rounded away, somebody altered it) the verdict is
told apart and counted in no table; where they are not at hand, nobody can tell, and that is said.
"""

from collections import Counter
from collections.abc import Generator, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache, partial
from itertools import islice
from pathlib import Path
from typing import Any, Final, Literal, NamedTuple, TypeVar

from reader.anew.call_anew import call_measured, measured_marks
from reader.anew.grade_anew import called, marks_of
from reader.decide.grade import Grade, grade_plate
from reader.decide.records import DepartureRecord, ExpiryRecord, ReadingAgeRecord
from reader.errors import LinecallError
from reader.files.plain import read_plain
from reader.files.urls import Place, Url, read_url
from reader.measure.mark import MarkMeasurement
from reader.run.batch import fault_line
from reader.run.hand_out import Hands, hand_out, in_order
from reader.settings.values import IndicatorMark, Layout, Rules, SettingsFile, Thresholds
from reader.verdict.model import VERDICT_BYTES_MAX, NoVerdictError, Verdict, load_verdict
from reader.words import Call, Format, MarkKey, MarkName

BATCH_SIZE: Final = 128
"""Verdicts that a process takes at a time: some 100 ms of work, beside which handing it over is little."""

Came = Literal["same", "changed", "apart", "refused", "left", "passed over"]
"""What a verdict came to. same : calls and grade as before; changed : one of them is not; apart : its own limits and
rules do not give what it says; refused : it was and stays so; left : it cannot be called anew; passed over : it is
something else than a verdict."""

Item = TypeVar("Item")


@dataclass(frozen=True, kw_only=True, slots=True)
class Kept:
    """One verdict of an archive, or what should be one.

    name : where it lies, for people. source : its file, its JSON, or, as text, why it cannot be had. found : it was
    found in a folder, where there may be other JSON too.
    """

    name: str
    source: Place | bytes | str
    found: bool = False


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class By:
    """What an archive is called anew by, and what its verdicts were written by as far as that is at hand, by SHA-256.

    All are as their files have them, for they are told apart by hash. every : verdicts that stay the same are handed
    back too.
    """

    thresholds: Thresholds
    rules: Rules
    layouts: Mapping[str, Layout]
    known_thresholds: Mapping[str, Thresholds]
    known_rules: Mapping[str, Rules]
    every: bool = False


def by_settings(
    thresholds: Thresholds, rules: Rules, at_hand: Iterable[SettingsFile], *, every: bool = False
) -> By:
    """What an archive is called anew by. at_hand : layouts, and limits and rules that verdicts were written by."""
    found: dict[type[SettingsFile], dict[str, Any]] = {Layout: {}, Thresholds: {}, Rules: {}}
    for file in (thresholds, rules, *at_hand):
        if type(file) in found and file.sha256:
            found[type(file)].setdefault(file.sha256, file)
    return By(
        thresholds=thresholds,
        rules=rules,
        layouts=found[Layout],
        known_thresholds=found[Thresholds],
        known_rules=found[Rules],
        every=every,
    )


class MarkAnew(NamedTuple):
    """Linecall's own call of a mark, as written and anew; stands : what reviewers made of it, None where nothing."""

    window: str
    mark: MarkName
    before: Call
    after: Call
    stands: Call | None


@dataclass(frozen=True, kw_only=True, slots=True)
class CalledAnew:
    """What a verdict came to.

    photos : hashes of its photos. before, after : grades, with what reviewers decided; the possible ones where that is
    undecided. marks : all, indicator first. own_known : its own limits and rules were at hand where something changes.
    why : of one left as it is.
    """

    name: str
    came: Came
    photos: tuple[str, ...] = ()
    reading: str | None = None
    layout: str = ""
    assay: Format | None = None
    before: str | None = None
    after: str | None = None
    possible_before: tuple[str, ...] = ()
    possible_after: tuple[str, ...] = ()
    marks: tuple[MarkAnew, ...] = ()
    own_known: bool = True
    why: str = ""

    @property
    def changed_marks(self) -> tuple[MarkAnew, ...]:
        """Those that are called otherwise."""
        return tuple(mark for mark in self.marks if mark.before != mark.after)


@dataclass(frozen=True, kw_only=True, slots=True)
class Tally:
    """How many verdicts came to what; the grades and calls of those that are the `same` or `changed`.

    grades : (before, after). calls : (mark, before, after). written_by : the thresholds and rules that they name.
    own_unknown : changed verdicts whose own limits or rules were not at hand.
    """

    came: Counter[Came] = field(default_factory=Counter)
    grades: Counter[tuple[str, str]] = field(default_factory=Counter)
    calls: Counter[tuple[MarkName, Call, Call]] = field(default_factory=Counter)
    written_by: Counter[tuple[str, str]] = field(default_factory=Counter)
    own_unknown: int = 0

    def __add__(self, other: "Tally") -> "Tally":
        """Of both together."""
        return Tally(
            came=self.came + other.came,
            grades=self.grades + other.grades,
            calls=self.calls + other.calls,
            written_by=self.written_by + other.written_by,
            own_unknown=self.own_unknown + other.own_unknown,
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class BatchAnew:
    """What a batch came to: its tally, and what is told one by one, in the batch's order."""

    tally: Tally
    rows: tuple[CalledAnew, ...]


@dataclass(slots=True)
class Reasons:
    """Why verdicts were left as they are: how often each reason was, and which verdict had it first; the first few."""

    most: int = 20
    counts: dict[str, int] = field(default_factory=dict)
    first: dict[str, str] = field(default_factory=dict)
    others: int = 0

    def add(self, rows: Iterable[CalledAnew]) -> None:
        """Count those that were left."""
        for row in rows:
            if row.came != "left":
                continue
            if row.why in self.counts or len(self.counts) < self.most:
                self.first.setdefault(row.why, row.name)
                self.counts[row.why] = self.counts.get(row.why, 0) + 1
            else:
                self.others += 1


def call_archive(
    archive: Iterable[Kept], by: By, hands: Hands, *, batch_size: int = BATCH_SIZE
) -> Generator[BatchAnew, None, None]:
    """Call an archive anew; yields batches in the archive's order, so that one core or many tell the same.

    Nothing is held but the batches that are under way, however long the archive is. Workers that do not see the files
    of this machine are sent what is in them.
    """
    arriving = hand_out(
        _batches(archive if hands.near else map(_with_bytes, archive), batch_size),
        partial(call_batch, by=by),
        hands,
        at_once=lambda: hands.at_once,
        blame=_blame,
    )
    try:
        yield from in_order(arriving)
    finally:
        arriving.close()


def _with_bytes(kept: Kept) -> Kept:
    if not isinstance(kept.source, Path):
        return kept
    try:
        return replace(kept, source=read_plain(kept.source, limit=VERDICT_BYTES_MAX))
    except OSError as error:
        return replace(kept, source=f"cannot be read: {error.strerror or error}")


def _batches(items: Iterable[Item], size: int) -> Iterator[tuple[Item, ...]]:
    remaining = iter(items)
    while batch := tuple(islice(remaining, size)):
        yield batch


def _blame(batch: tuple[Kept, ...]) -> BatchAnew:
    why = "the process that called it anew was killed twice, perhaps for want of memory"
    rows = tuple(CalledAnew(name=one.name, came="left", why=why) for one in batch)
    return BatchAnew(tally=Tally(came=Counter({"left": len(rows)})), rows=rows)


def call_batch(batch: tuple[Kept, ...], by: By) -> BatchAnew:
    """Call each verdict of a batch anew; what cannot be is told, and never stops the others."""
    tally = Tally()
    rows = []
    own_unknown = 0
    for kept in batch:
        row = _attempt(kept, by, tally)
        tally.came[row.came] += 1
        if row.came in ("same", "changed"):
            assert row.before is not None
            assert row.after is not None
            tally.grades[row.before, row.after] += 1
            tally.calls.update((mark.mark, mark.before, mark.after) for mark in row.marks)
            own_unknown += not row.own_known
        if row.came in ("changed", "apart", "left") or (by.every and row.came == "same"):
            rows.append(row)
    return BatchAnew(tally=tally + Tally(own_unknown=own_unknown), rows=tuple(rows))


def _attempt(kept: Kept, by: By, tally: Tally) -> CalledAnew:
    try:
        verdict = _verdict_of(kept)
        if verdict is None:
            return CalledAnew(name=kept.name, came="passed over")
        if verdict.status == "read":
            tally.written_by[str(verdict.thresholds), str(verdict.rules)] += 1
        return called_anew(kept.name, verdict, by)
    except LinecallError as error:
        return CalledAnew(name=kept.name, came="left", why=_without_name(str(error), kept))
    except Exception as error:
        return CalledAnew(name=kept.name, came="left", why=_without_name(fault_line("verdict", error), kept))


def _without_name(why: str, kept: Kept) -> str:
    """A sentence that does not begin with the verdict's name, so that many verdicts share it."""
    for named in ("verdict", kept.name, Path(kept.name).name):
        why = why.removeprefix(f"{named}: ")
    return why


def _verdict_of(kept: Kept) -> Verdict | None:
    """The verdict; None for other JSON that lies in a folder. Raises LinecallError."""
    if isinstance(kept.source, str):
        raise LinecallError(kept.source)
    source = kept.source
    try:
        if isinstance(source, Url):
            source = read_url(source, limit=VERDICT_BYTES_MAX)
        return load_verdict(source)
    except NoVerdictError:
        if kept.found:
            return None
        raise


def called_anew(name: str, verdict: Verdict, by: By) -> CalledAnew:
    """What a verdict comes to by these thresholds and rules. Raises LinecallError where it cannot be called anew."""
    reading, photos = verdict.id, _photos_of(verdict)
    if verdict.status == "refused":
        return CalledAnew(name=name, came="refused", photos=photos, reading=reading)
    layout = _layout_of(verdict, by)
    measured = measured_marks(verdict, layout)
    written = marks_of(verdict)
    before = {key: mark.first_call or mark.call for key, mark in written.items()}
    stands = {key: mark.call for key, mark in written.items() if mark.first_call is not None}
    after = _calls(verdict, measured, by.thresholds)
    grade = _grade(verdict, after | stands, layout, by.rules)
    assert verdict.grade is not None, "a verdict that was read has a grade"
    said = (verdict.grade, verdict.possible_grades)
    came: Came = "same" if before == after and said == (grade.grade, grade.possible_grades) else "changed"
    own_known = True
    if came == "changed":
        own_calls, own_grade = _by_its_own(verdict, measured, before | stands, layout, by)
        own_known = own_calls is not None and own_grade is not None
        if own_calls not in (None, before) or (
            own_grade is not None and said != (own_grade.grade, own_grade.possible_grades)
        ):
            came = "apart"
    return CalledAnew(
        name=name,
        came=came,
        photos=photos,
        reading=reading,
        layout=layout.name,
        assay=layout.assay.format,
        before=verdict.grade,
        after=grade.grade,
        possible_before=verdict.possible_grades if verdict.grade == "undecided" else (),
        possible_after=grade.possible_grades if grade.grade == "undecided" else (),
        marks=tuple([MarkAnew(*key, before[key], after[key], stands.get(key)) for key in written]),
        own_known=own_known,
    )


def _photos_of(verdict: Verdict) -> tuple[str, ...]:
    """Hashes of its photos, the one that it names first."""
    every = [verdict.photo.sha256, *(reading.photo.sha256 for reading in verdict.readings)]
    return tuple(dict.fromkeys(sha256 for sha256 in every if sha256 is not None))


def _layout_of(verdict: Verdict, by: By) -> Layout:
    named = verdict.layout
    assert named is not None, "a verdict that was read names its layout"
    if named.sha256 not in by.layouts:
        raise LinecallError(
            f"layout {named.name} revision {named.revision} (SHA-256 {named.sha256[:12]}) is not at hand; give its "
            "file with --read-by"
        )
    return by.layouts[named.sha256]


Measured = Sequence[tuple[MarkMeasurement, IndicatorMark]]


def _calls(verdict: Verdict, measured: Measured, thresholds: Thresholds) -> dict[MarkKey, Call]:
    """Linecall's own call of every mark by some thresholds."""
    return {(one.window, one.mark): one.call for one in call_measured(verdict, measured, thresholds)}


def _by_its_own(
    verdict: Verdict, measured: Measured, standing: Mapping[MarkKey, Call], layout: Layout, by: By
) -> tuple[dict[MarkKey, Call] | None, Grade | None]:
    """What a verdict's own limits and rules give today: its calls, and the grade of those that stand in it.

    None for what is not at hand.
    """
    assert verdict.thresholds is not None, "a verdict that was read names its thresholds"
    assert verdict.rules is not None, "a verdict that was read names its rules"
    thresholds = by.known_thresholds.get(verdict.thresholds.sha256)
    rules = by.known_rules.get(verdict.rules.sha256)
    return (
        None if thresholds is None else _calls(verdict, measured, thresholds),
        None if rules is None else _grade(verdict, standing, layout, rules),
    )


@dataclass(frozen=True, slots=True)
class _Graded:
    """All that a grade rests on: settings by their hashes, and of the age its status."""

    calls: tuple[tuple[MarkKey, Call], ...]
    age_status: str
    expiry: ExpiryRecord | None
    departures: tuple[DepartureRecord, ...]
    layout_sha256: str
    rules_sha256: str
    age: ReadingAgeRecord = field(compare=False)
    layout: Layout = field(compare=False)
    rules: Rules = field(compare=False)


def _grade(verdict: Verdict, calls: Mapping[MarkKey, Call], layout: Layout, rules: Rules) -> Grade:
    """The grade that calls come to. Most plates of an archive are like others, whose grade is known by then."""
    age = verdict.reading_age
    assert age is not None, "a verdict that was read has a reading age"
    return _grade_of(
        _Graded(
            calls=tuple(calls.items()),
            age_status=age.status,
            expiry=verdict.expiry,
            departures=verdict.departures,
            layout_sha256=layout.sha256,
            rules_sha256=rules.sha256,
            age=age,
            layout=layout,
            rules=rules,
        )
    )


@lru_cache(maxsize=4096)
def _grade_of(asked: _Graded) -> Grade:
    calls = called(dict(asked.calls))
    return grade_plate(calls, asked.layout, asked.rules, asked.age, asked.expiry, asked.departures)
