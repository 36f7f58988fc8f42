"""Kept photos read again by today's reader: which grades would change, and why. Nothing is written to the logbook.

A reading is read as it was then: the photos of one plate as one, by what was stated of its age, judged as of the day
it was logged, and by its own layout, rules and thresholds where files of those very bytes are at hand. What differs
then is the reader's doing. Where other files had to stand in, or nothing tells what was stated, the row says so.

Processes that read import this module, so it needs no database.
"""

import tempfile
from collections.abc import Generator, Iterable, Iterator, Sequence
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass, replace
from datetime import datetime, time
from functools import partial
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal, TypeVar

from reader.anew.grade_anew import calls_of, graded, marks_of
from reader.errors import LinecallError, OutputError
from reader.files.urls import fetched
from reader.read import examine, examine_plate
from reader.run.batch import Outcome, read_many
from reader.run.hand_out import Hands, Here, in_order
from reader.run.jobs import Job, Order
from reader.settings.read_settings import ReadSettings
from reader.settings.values import (
    Layout,
    Rules,
    SettingsFile,
    Texts,
    Thresholds,
    bundled_names,
    load_settings_file,
    load_texts,
    parse_settings,
)
from reader.verdict.model import SettingsRecord, Verdict, run_tie
from reader.words import Call, Grade, MarkName, SettledGrade, shown
from reader.words.clock import MACHINE, Zone, load_zone

if TYPE_CHECKING:
    from reader.logbook import Logbook, ReadingRow, StoredReading

BATCH_SIZE: Final = 16
"""Readings for each process whose photos lie on the disk at a time."""
USUAL: Final = ("two-tier", "standard")
"""Names of the bundled rules and thresholds that a photo is read by unless others are named."""

File = TypeVar("File", bound=SettingsFile)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class SettingsAtHand:
    """Settings files that readings can be read by: the site's own first, then what is usual, then the others."""

    own_layouts: tuple[Layout, ...]
    bundled_layouts: tuple[Layout, ...]
    rules: tuple[Rules, ...]
    thresholds: tuple[Thresholds, ...]
    texts: Texts  # of no account for a grade
    kept_layouts: tuple[Layout, ...] = ()  # by the logbook, for readings that name them

    def files(self) -> tuple[SettingsFile, ...]:
        """All layouts, rules and thresholds."""
        layouts = (*self.own_layouts, *self.bundled_layouts, *self.kept_layouts)
        return (*layouts, *self.rules, *self.thresholds)


@dataclass(frozen=True, kw_only=True, slots=True)
class Answer:
    """What a plate comes to: its grade and the row that decided, or `refused` and the reason."""

    grade: Grade | Literal["refused"]
    possible_grades: tuple[SettledGrade, ...]
    because: str


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkChange:
    """A mark that linecall calls otherwise today; None where one of the two verdicts has no such mark."""

    window: str
    mark: MarkName
    first: Call | None
    today: Call | None
    first_reasons: tuple[str, ...]
    today_reasons: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Reread:
    """A kept reading beside what today's reader makes of its photos.

    first, today : linecall's own answers. stands : the answer as it stands, with what reviewers decided;
    would_be : today's with the same decisions; both are linecall's own where nobody has decided. decided : those
    decisions, a sentence each. notes : what else differs, or could not be read as it was. instead : settings that
    stood in for others, a sentence each. software : the version that made the first verdict.
    problem : why it could not be read again; `today` and what follows from it are None then, and all answers where
    the reading itself is damaged. failed : whether that is the reader's failure, and nothing is missing; details :
    its traceback.
    """

    row: "ReadingRow"
    photos: tuple[str, ...] = ()
    captured_at: datetime | None = None
    software: str | None = None
    first: Answer | None = None
    today: Answer | None = None
    stands: Answer | None = None
    would_be: Answer | None = None
    marks: tuple[MarkChange, ...] = ()
    decided: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    instead: tuple[str, ...] = ()
    problem: str | None = None
    failed: bool = False
    details: str | None = None

    @property
    def changes(self) -> bool:
        """Whether a grade would change: linecall's own, or the one that stands."""
        return _differ(self.first, self.today) or _differ(self.stands, self.would_be)


def _differ(before: Answer | None, after: Answer | None) -> bool:
    return before is not None and after is not None and before.grade != after.grade


def load_settings_at_hand(
    layouts: Sequence[str | Path] = (),
    rules: Sequence[str | Path] = (),
    thresholds: Sequence[str | Path] = (),
) -> SettingsAtHand:
    """Load the bundled settings and files of the site's own, by name or path; raises SettingsError."""

    def load(model: type[File], own: Sequence[str | Path]) -> tuple[File, ...]:
        bundled = sorted(bundled_names(model.kind), key=lambda name: name not in USUAL)
        return tuple(load_settings_file(model, source, any_name=True) for source in (*own, *bundled))

    every_layout = load(Layout, layouts)
    return SettingsAtHand(
        own_layouts=every_layout[: len(layouts)],
        bundled_layouts=every_layout[len(layouts) :],
        rules=load(Rules, rules),
        thresholds=load(Thresholds, thresholds),
        texts=load_texts(),
    )


def reread(
    logbook: "Logbook", rows: Iterable["ReadingRow"], at_hand: SettingsAtHand, hands: Hands | None = None
) -> Generator[Reread, None, None]:
    """Read kept readings again, in the order of their rows; the logbook stays as it is.

    hands : who reads; this process, unless others are named. Never raises for a reading, photo or settings that are
    not at hand; raises OutputError where the photos' place is out of reach. A batch is held at a time, however many
    rows there are.
    """
    at_hand, hands = _with_kept(at_hand, logbook), hands or Here()
    remaining = iter(rows)
    while batch := list(islice(remaining, BATCH_SIZE * hands.at_once)):
        yield from _reread_batch(logbook, batch, at_hand, hands)


def _with_kept(at_hand: SettingsAtHand, logbook: "Logbook") -> SettingsAtHand:
    """Settings at hand with the files that the logbook keeps."""
    kept = kept_files_of(logbook)
    return replace(
        at_hand,
        kept_layouts=tuple(file for file in kept if isinstance(file, Layout)),
        rules=(*at_hand.rules, *(file for file in kept if isinstance(file, Rules))),
        thresholds=(*at_hand.thresholds, *(file for file in kept if isinstance(file, Thresholds))),
    )


def kept_files_of(logbook: "Logbook") -> tuple[Layout | Rules | Thresholds, ...]:
    """The layouts, rules and thresholds that a logbook keeps, as far as this linecall takes them."""
    models: dict[str, type[Layout | Rules | Thresholds]] = {
        model.kind: model for model in (Layout, Rules, Thresholds)
    }
    found = []
    for file in logbook.settings().values():
        with suppress(ValueError):
            if file.kind in models:
                found.append(parse_settings(models[file.kind], file.data))
    return tuple(found)


def _reread_batch(
    logbook: "Logbook", rows: Sequence["ReadingRow"], at_hand: SettingsAtHand, hands: Hands
) -> Iterator[Reread]:
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="linecall-")))
        plans = [_plan(logbook, row, at_hand, folder) for row in rows]
        jobs = [plan.job for plan in plans if isinstance(plan, _Plan)]
        outcomes = in_order(stack.enter_context(closing(read_many(jobs, read_again, hands))))
        for plan in plans:
            yield _compare(plan, next(outcomes)) if isinstance(plan, _Plan) else plan


# --- reading it as it was then --------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class _Again(Job):
    """A job with the order of its own reading. as_of : when that was logged."""

    order: Order
    as_of: datetime


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Plan:
    """A reading whose photos and settings are at hand."""

    row: "ReadingRow"
    stored: "StoredReading"
    job: _Again
    notes: tuple[str, ...]
    instead: tuple[str, ...]


def _plan(logbook: "Logbook", row: "ReadingRow", at_hand: SettingsAtHand, folder: Path) -> _Plan | Reread:
    """Lay a reading's photos out in a folder; a row that says why, where that cannot be."""
    stored = None
    try:
        stored = logbook.reading(row.id)
        settings, instead = settings_for(stored.first, at_hand)
        paths = [
            logbook.write_photo(photo, folder / f"{row.id}-{k}") for k, photo in enumerate(stored.photos)
        ]
    except OutputError:
        raise
    except LinecallError as error:
        kept = Reread(row=row) if stored is None else _as_kept(row, stored)
        return replace(kept, problem=str(error))
    drops_at, minutes = _stated_age(stored)
    job = _Again(
        photo=paths[0],
        verdict_path=paths[0],
        image_path=paths[0],
        plate=tuple(paths) if stored.first.readings else (),
        order=Order(
            settings=settings,
            drops_at=drops_at,
            reading_age_min=minutes,
            statement=stored.first.statement,
            run=run_tie(stored.base),
        ),
        as_of=stored.at,
    )
    notes = tuple(_caveats(stored, settings))
    return _Plan(row=row, stored=stored, job=job, notes=notes, instead=instead)


def read_again(job: Job) -> Outcome:
    """Read one photo, or all of one plate, and write nothing."""
    assert isinstance(job, _Again)
    photos = fetched(job.photos)
    read = partial(examine_plate, photos) if job.plate else partial(examine, photos[0])
    order = job.order
    reading = read(
        order.settings,
        drops_at=order.drops_at,
        reading_age_min=order.reading_age_min,
        statement=order.statement,
        run=order.run,
        now=job.as_of,
    )
    return Outcome(job=job, verdict=reading.verdict)


def _stated_age(stored: "StoredReading") -> tuple[datetime | time | None, float | None]:
    """When the drops were put in, or the minutes since, as they were given then."""
    age = next((verdict.reading_age for verdict in _verdicts(stored.first) if verdict.reading_age), None)
    if age is None:
        return stored.stated.drops_at, None
    drops_at = stored.stated.drops_at if age.source == "drops_at" and age.drops_at is None else age.drops_at
    return drops_at, age.minutes if age.source == "stated" else None


def _caveats(stored: "StoredReading", settings: ReadSettings) -> Iterator[str]:
    """What could not be read as it was, or was corrected since."""
    if not any(verdict.layout for verdict in _verdicts(stored.first)):
        names = ", ".join(layout.name for layout in settings.layouts)
        yield f"of a refused photo the layout that it was read by is not kept; tried were {names}"
        if stored.stated.drops_at is None:
            yield "nor are minutes from the drops, which are missing here if they were given"
    for event in stored.corrections[::-1]:
        if event.payload["field"] == "drops_at":
            now = event.payload["value"] or "unknown"
            yield f"the time of the drops was corrected since, to {now}; it was read as stated first"
            break


def _verdicts(first: Verdict) -> tuple[Verdict, ...]:
    """A verdict and those of its photos: where it was refused they may tell what it does not."""
    return first, *first.readings


def settings_for(first: Verdict, at_hand: SettingsAtHand) -> tuple[ReadSettings, tuple[str, ...]]:
    """The settings that a verdict was made by, or what stands in for them; and a sentence for each that does.

    Raises LinecallError where no layout of that name is at hand: by another plate's nothing can be read.
    """
    instead: list[str] = []
    rules = _best("rules", at_hand.rules, first.rules, instead)
    thresholds = _best("thresholds", at_hand.thresholds, first.thresholds, instead)
    tried = {layout.name: layout for layout in at_hand.bundled_layouts}
    wanted = next((verdict.layout for verdict in _verdicts(first) if verdict.layout), None)
    named = wanted is not None and wanted.chosen == "named"
    if wanted is None:
        tried |= {layout.name: layout for layout in at_hand.own_layouts}
    else:
        every = (*at_hand.own_layouts, *at_hand.kept_layouts, *at_hand.bundled_layouts)
        namesakes = [layout for layout in every if layout.name == wanted.name]
        if not namesakes:
            raise LinecallError(f"{_named('layout', wanted)} is not at hand; give its file with --read-by")
        layout = _best("layout", namesakes, wanted, instead)
        tried = {layout.name: layout} if named else tried | {layout.name: layout}
    settings = ReadSettings(
        layouts=tuple(tried.values()),
        layout_named=named,
        rules=rules,
        thresholds=thresholds,
        texts=at_hand.texts,
        zone=_zone_of(first),
    )
    return settings, tuple(instead)


def _zone_of(first: Verdict) -> Zone:
    """The zone in which times without an offset were read."""
    ages = [verdict.reading_age for verdict in _verdicts(first)]
    for age in ages:
        source = None if age is None else age.zone_source
        if age is not None and age.zone is not None and source is not None and source != "camera":
            return load_zone(age.zone, source)
    return MACHINE


def _best(kind: str, files: Sequence[File], wanted: SettingsRecord | None, instead: list[str]) -> File:
    """The very file; else the first of its name, else the first; that it is another one is then said."""
    if wanted is None:
        return files[0]
    very = [file for file in files if file.sha256 == wanted.sha256]
    if very:
        return very[0]
    found = next((file for file in files if file.name == wanted.name), files[0])
    is_or_are = "is" if kind == "layout" else "are"
    instead.append(
        f"{_named(kind, wanted)} {is_or_are} not at hand, so it was read by {_named(kind, found)}; "
        "give the very file with --read-by"
    )
    return found


def _named(kind: str, file: SettingsRecord | SettingsFile) -> str:
    return f"{kind} {shown(file.name, quote='')}, revision {file.revision} (SHA-256 {file.sha256[:12]})"


# --- what would change ----------------------------------------------------------------------------------------


def _compare(plan: _Plan, outcome: Outcome) -> Reread:
    """Hold what today's reader says against what is kept."""
    stored, today = plan.stored, outcome.verdict
    row = replace(_as_kept(plan.row, stored), notes=plan.notes, instead=plan.instead)
    if today is None:
        problem = (outcome.problem or "was not read").removeprefix(f"{outcome.job.photo}: ")
        return replace(row, problem=problem, failed=True, details=outcome.details)
    return replace(
        row,
        today=answer_of(today),
        would_be=_with_decisions(today, stored.current, plan.job.order.settings),
        marks=mark_changes(stored.first, today),
        notes=(*row.notes, *_differences(stored.first, today)),
    )


def _as_kept(row: "ReadingRow", stored: "StoredReading") -> Reread:
    first = stored.first
    return Reread(
        row=row,
        photos=tuple(photo.name for photo in stored.photos),
        captured_at=first.photo.captured_at,
        software=first.software.version,
        first=answer_of(first),
        stands=answer_of(stored.current),
        decided=_decided(stored),
    )


def answer_of(verdict: Verdict) -> Answer:
    """What a verdict comes to."""
    return Answer(
        grade=verdict.grade or "refused",
        possible_grades=verdict.possible_grades,
        because=verdict.rule or verdict.reason or "",
    )


def _with_decisions(today: Verdict, current: Verdict, settings: ReadSettings) -> Answer:
    """Today's answer with the calls that reviewers have given marks, as the current verdict has them."""
    if today.layout is None or current.layout is None or today.layout.name != current.layout.name:
        return answer_of(today)
    calls = calls_of(today)
    given = {
        key: mark.call
        for key, mark in marks_of(current).items()
        if mark.first_call is not None and key in calls
    }
    if not given:
        return answer_of(today)
    layout = next(layout for layout in settings.layouts if layout.sha256 == today.layout.sha256)
    grade = graded(today, calls | given, layout, settings.rules)
    return Answer(grade=grade.grade, possible_grades=grade.possible_grades, because=grade.rule)


def _decided(stored: "StoredReading") -> tuple[str, ...]:
    """What reviewers have decided on a reading, a sentence each."""
    told = []
    for (window, name), mark in marks_of(stored.current).items():
        if mark.first_call is not None:
            by = f"by {' and '.join(mark.decided_by)}" if mark.decisions else "for readers disagree"
            told.append(f"the {name} of window {window} is {mark.call}, {by}")
    if stored.current.review is not None:
        told += [one.sentence for one in stored.current.review.open if not one.disagree]
    told += [f"closed as it stands by {event.by}" for event in stored.reviews if event.payload.get("closed")]
    return tuple(told)


def mark_changes(first: Verdict, today: Verdict) -> tuple[MarkChange, ...]:
    """The marks that are called otherwise, in the plate's order; none where one of the two was refused."""
    if "refused" in (first.status, today.status):
        return ()
    before, after = marks_of(first), marks_of(today)
    changes = []
    for window, name in {**before, **after}:
        was, now = before.get((window, name)), after.get((window, name))
        change = MarkChange(
            window=window,
            mark=name,
            first=was.call if was else None,
            today=now.call if now else None,
            first_reasons=was.reasons if was else (),
            today_reasons=now.reasons if now else (),
        )
        if change.first != change.today:
            changes.append(change)
    return tuple(changes)


def _differences(first: Verdict, today: Verdict) -> Iterator[str]:
    """What else the two verdicts differ in that a grade may rest on: the layout, the plate's age, warnings."""
    if first.layout and today.layout and first.layout.name != today.layout.name:
        yield f"taken for layout {today.layout.name} today, for {first.layout.name} then"
    ages = first.reading_age, today.reading_age
    if ages[0] and ages[1] and (ages[0].status, ages[0].minutes) != (ages[1].status, ages[1].minutes):
        yield f"{ages[1].sentence}; then: {ages[0].sentence}"
    if "refused" not in (first.status, today.status):
        yield from (
            f"warning today: {warning}" for warning in today.warnings if warning not in first.warnings
        )
        yield from (f"warning then: {warning}" for warning in first.warnings if warning not in today.warnings)
