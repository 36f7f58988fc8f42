"""A run as its events make it: who draws what from where, what was done when, what went otherwise, and its state.

Nothing here opens a file or asks the clock. Elapsed times are differences of instants, so that a change of clocks, a
zone or a machine that slept does not count.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final, Literal

from reader.errors import LinecallError
from reader.logbook.events import Event
from reader.logbook.run_events import (
    CORRECTION,
    DEPARTURE,
    END,
    NOTE,
    PHOTO,
    READING,
    RUN,
    STEP,
    Effect,
    Entry,
    FileRef,
    RunBegun,
    RunCorrection,
    RunDeparture,
    RunEnd,
    RunNote,
    RunPhoto,
    RunReading,
    RunStep,
    corrected,
)
from reader.round.procedure import DROPS, SAMPLE

RunState = Literal[
    "prepared",
    "developing",
    "readable",
    "photographed",
    "unsent",
    "received",
    "read",
    "refused",
    "in review",
    "closed",
    "late",
    "abandoned",
]
"""Where a run stands. `unsent` only the phone that holds the photo can tell: here such a run is `photographed`."""

OPEN_STATES: Final = frozenset(
    {
        "prepared",
        "developing",
        "readable",
        "photographed",
        "unsent",
        "received",
        "read",
        "refused",
        "in review",
        "late",
    }
)


@dataclass(frozen=True, kw_only=True, slots=True)
class StepTaken:
    """A step as it stands after corrections. `first_at`: as it was entered at first, where that was corrected."""

    seq: int
    step: str
    at: datetime
    entry: Entry
    by: str
    entered_at: datetime
    device_at: datetime | None = None
    amount: float | None = None
    remark: str | None = None
    first_at: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class RunDepartureNoted:
    """A departure that stands."""

    seq: int
    code: str
    step: str | None
    effect: Effect
    sentence: str
    found_by: Literal["linecall", "person"]
    by: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class NoteMade:
    """Anything else that somebody noted."""

    text: str
    by: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class CorrectionMade:
    """What was entered wrongly in event `event`; both values stay."""

    event: int
    was: Mapping[str, Any]
    now: Mapping[str, Any]
    reason: str
    by: str
    at: datetime


@dataclass(frozen=True, kw_only=True, slots=True)
class PhotoTaken:
    """A photo of the run's plate that is announced, or here (`arrived`)."""

    sha256: str
    name: str
    at: datetime
    arrived: bool
    device_at: datetime | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadingMade:
    """A reading of the run's plate; `stated` is what it took from the run, as a statement's payload has it."""

    id: str
    status: Literal["read", "refused"]
    at: datetime
    stated: Mapping[str, str]


@dataclass(frozen=True, kw_only=True, slots=True)
class Run:
    """A run as it stands. `steps` in the order in which they were entered, a step begun again more than once."""

    id: str
    seq: int
    last_seq: int
    site: FileRef
    procedure: FileRef
    layout: FileRef | None
    reading_age: tuple[float, float] | None
    point: str
    tank: str
    point_name: str
    tank_name: str
    phase: str
    lot: str
    expiry: str | None
    plate: str | None
    operator: str
    begun_at: datetime
    entry: Entry
    entered_at: datetime
    entered_by: str
    repeats: str | None
    steps: tuple[StepTaken, ...] = ()
    departures: tuple[RunDepartureNoted, ...] = ()
    notes: tuple[NoteMade, ...] = ()
    corrections: tuple[CorrectionMade, ...] = ()
    photos: tuple[PhotoTaken, ...] = ()
    readings: tuple[ReadingMade, ...] = ()
    ended: Literal["closed", "abandoned"] | None = None
    ended_at: datetime | None = None
    end_reason: str | None = None

    def last_of(self, step: str) -> StepTaken | None:
        """The step as it was done last; None where it was not."""
        return next((taken for taken in reversed(self.steps) if taken.step == step), None)

    def at_of(self, step: str) -> datetime | None:
        """When a step was done last; None where it was not."""
        taken = self.last_of(step)
        return None if taken is None else taken.at

    @property
    def sample_at(self) -> datetime | None:
        """When the sample was drawn."""
        return self.at_of(SAMPLE)

    @property
    def drops_at(self) -> datetime | None:
        """When the drops were put in."""
        return self.at_of(DROPS)

    def stated(self) -> dict[str, str]:
        """What a reading of its plate takes from the run, as a statement's payload has it."""
        said = {
            "tank": self.tank_name,
            "sample_point": self.point_name,
            "sample_phase": self.phase,
            "plate_lot": self.lot,
            "plate_expiry": self.expiry,
            "drops_at": None if self.drops_at is None else self.drops_at.isoformat(timespec="seconds"),
        }
        return {name: value for name, value in said.items() if value is not None}

    @property
    def readable_from(self) -> datetime | None:
        """The earliest instant at which the plate may be read; None where drops or layout are not known."""
        return self._after_drops(0)

    @property
    def readable_until(self) -> datetime | None:
        """The latest instant at which the plate may be read."""
        return self._after_drops(1)

    def _after_drops(self, end: int) -> datetime | None:
        drops = self.drops_at
        if drops is None or self.reading_age is None:
            return None
        return drops + timedelta(minutes=self.reading_age[end])

    @property
    def effect(self) -> Effect | None:
        """The gravest that its departures do; None where there are none."""
        effects = {one.effect for one in self.departures}
        return "invalid" if "invalid" in effects else "warning" if effects else None


def run_of(events: Iterable[Event]) -> Run:
    """The run that events make, in order, the first being the one that began it. Raises LinecallError for others'."""
    whole = list(events)
    if not whole or whole[0].kind != RUN:
        raise LinecallError("a run lacks its first event; linecall logbook verify says more")
    first = whole[0]
    corrections = [
        CorrectionMade(by=event.by, at=event.at, **dict(RunCorrection.model_validate(event.payload)))
        for event in whole
        if event.kind == CORRECTION
    ]

    def said(event: Event) -> dict[str, Any]:
        return corrected(event.payload, [{"now": one.now} for one in corrections if one.event == event.seq])

    begun = dict(RunBegun.model_validate(said(first)))
    standing: dict[tuple[str, str | None], RunDepartureNoted] = {}
    made: dict[str, list[Any]] = {STEP: [], NOTE: [], READING: []}
    photos: dict[str, PhotoTaken] = {}
    end: dict[str, Any] = {}
    for event in whole[1:]:
        if event.kind == STEP:
            made[STEP].append(_step(event, said(event)))
        elif event.kind == DEPARTURE:
            _settle_departure(standing, event)
        elif event.kind == NOTE:
            text = RunNote.model_validate(event.payload).text
            made[NOTE].append(NoteMade(text=text, by=event.by, at=event.at))
        elif event.kind == PHOTO:
            photo = RunPhoto.model_validate(event.payload)
            photos[photo.sha256] = PhotoTaken(**dict(photo))
        elif event.kind == READING:
            reading = RunReading.model_validate(event.payload)
            made[READING].append(
                ReadingMade(id=reading.reading, status=reading.status, at=event.at, stated=reading.stated)
            )
        elif event.kind == END:
            ended = RunEnd.model_validate(event.payload)
            end = {"ended": ended.how, "ended_at": event.at, "end_reason": ended.reason}
    return Run(
        id=first.id,
        seq=first.seq,
        last_seq=whole[-1].seq,
        begun_at=begun.pop("at"),
        entered_at=first.at,
        entered_by=first.by,
        **begun,
        steps=tuple(made[STEP]),
        departures=tuple(standing.values()),
        notes=tuple(made[NOTE]),
        corrections=tuple(corrections),
        photos=tuple(photos.values()),
        readings=tuple(made[READING]),
        **end,
    )


def _step(event: Event, said: Mapping[str, Any]) -> StepTaken:
    step, at_first = RunStep.model_validate(said), RunStep.model_validate(event.payload)
    return StepTaken(
        seq=event.seq,
        by=event.by,
        entered_at=event.at,
        first_at=at_first.at if at_first.at != step.at else None,
        **dict(step),
    )


def _settle_departure(standing: dict[tuple[str, str | None], RunDepartureNoted], event: Event) -> None:
    told = RunDeparture.model_validate(event.payload)
    key = told.code, told.step
    if not told.stands:
        standing.pop(key, None)
        return
    standing[key] = RunDepartureNoted(
        seq=event.seq,
        code=told.code,
        step=told.step,
        effect=told.effect,
        sentence=told.sentence,
        found_by=told.found_by,
        by=event.by,
        at=event.at,
    )


def state_of(run: Run, *, now: datetime, in_review: bool = False) -> RunState:
    """Where a run stands at an instant.

    in_review : whether its last reading waits for a reviewer. A refused photo may be taken again within the plate's
    reading time; after it, the run is late. A layout that is not known sets no end to it.
    """
    if run.ended is not None:
        return run.ended
    last = run.readings[-1] if run.readings else None
    if last is not None and last.status == "read":
        return "in review" if in_review else "read"
    waiting = [photo for photo in run.photos if last is None or photo.at > last.at]
    if waiting:
        return "received" if waiting[-1].arrived else "photographed"
    if run.drops_at is None:
        return "prepared"
    until, since = run.readable_until, run.readable_from
    if until is not None and now > until:
        return "late"
    if last is not None:
        return "refused"
    return "developing" if since is not None and now < since else "readable"
