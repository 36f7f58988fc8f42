"""A run as a phone tells it becomes the logbook's: sent once or ten times, early or late, by one tab or two.

The phone tells all of its run each time, with the times of its own clock and what it then knew of that clock's offset;
what the logbook has already is left alone, what is new is entered, and what contradicts it is refused.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated, Any, Final, TypeVar

from pydantic import Field, ValidationError

from reader.errors import LinecallError, OutputError
from reader.logbook import Logbook
from reader.round import record
from reader.round.procedure import DROPS
from reader.round.procedure import PHOTO as PHOTO_STEP
from reader.round.run import Run, StepTaken
from reader.station.says import SAYS
from reader.words.fields import AwareMoment, Frozen, Sha256

JUMP_MAX: Final = timedelta(minutes=1)
"""A phone's offset to the station changes by no more within a run, unless somebody sets its clock (no source)."""
SAME: Final = timedelta(seconds=2)
"""The same time of a phone that did not know its offset comes out so far apart, as messages take their time."""
CLOCK: Final = "clock"
MISTAKEN: Final = "corrected on the phone during the run"
ENTRIES_MAX: Final = 200

Name = Annotated[str, Field(min_length=1, max_length=200)]


class ClashError(LinecallError):
    """A run or an entry that is here already, and says something else."""


class MalformedError(LinecallError):
    """A request whose fields are not as they must be."""


class Noted(Frozen):
    """When, by the phone's clock; offset_s : by how much that was behind the station's, None where it did not know."""

    at: AwareMoment
    offset_s: float | None = Field(default=None, allow_inf_nan=False, ge=-4e9, le=4e9)


class SaidStep(Noted):
    """A step that was done."""

    step: Name


class SaidDeparture(Frozen):
    """Something that went otherwise, by its code."""

    code: Name
    step: Name


class SaidRun(Frozen):
    """A run as a phone tells it. now : what the phone's clock shows as it tells this."""

    point: Name
    phase: Name
    lot: Name
    operator: Name
    begun: Noted
    steps: Annotated[tuple[SaidStep, ...], Field(max_length=ENTRIES_MAX)] = ()
    corrections: Annotated[tuple[SaidStep, ...], Field(max_length=ENTRIES_MAX)] = ()
    departures: Annotated[tuple[SaidDeparture, ...], Field(max_length=ENTRIES_MAX)] = ()
    now: AwareMoment


class SaidPhoto(Noted):
    """A photo: its hash, its file's name, and when the camera gave it back."""

    sha256: Sha256
    name: Name


class SaidSend(Frozen):
    """What is to be read as one plate, the newest photo last."""

    photos: Annotated[tuple[SaidPhoto, ...], Field(min_length=1, max_length=8)]
    now: AwareMoment


Said = TypeVar("Said", bound=Frozen)


def parse(model: type[Said], data: bytes) -> Said:
    """What a request says. Raises MalformedError that names the field."""
    try:
        return model.model_validate_json(data)
    except ValidationError as error:
        first = error.errors(include_url=False, include_context=False)[0]
        where = ".".join(str(part) for part in first["loc"]) or "the request"
        raise MalformedError(f"{where}: {first['msg']}") from None


@dataclass(frozen=True, kw_only=True, slots=True)
class PhoneClock:
    """The phone's clock beside the station's: offset : station minus phone, now."""

    offset: timedelta
    now: datetime

    @classmethod
    def at(cls, phone_now: datetime, now: datetime) -> "PhoneClock":
        """What both clocks show at this moment."""
        return cls(offset=now - phone_now, now=now)

    def station_time(self, noted: Noted) -> datetime:
        """When something was, by the station's clock: by the offset of then, but where that leads into the future."""
        try:
            moment = noted.at + self._then(noted)
        except OverflowError:
            raise MalformedError(SAYS("clock", at=noted.at.isoformat())) from None
        if moment > self.now:
            moment = min(noted.at + self.offset, self.now)
        return moment.replace(microsecond=0)

    def jumped(self, noted: Noted) -> bool:
        """Whether the phone's clock was set since."""
        return abs(self.offset - self._then(noted)) > JUMP_MAX

    def _then(self, noted: Noted) -> timedelta:
        return self.offset if noted.offset_s is None else timedelta(seconds=noted.offset_s)


def take(desk: record.Desk, run_id: str, said: SaidRun) -> Run:
    """Bring the logbook's run up to what the phone says of it; the same again changes nothing.

    Raises ClashError where the id or an entry is here with something else, LinecallError where an entry cannot be.
    """
    clock = PhoneClock.at(said.now, desk.now)
    run = _known(desk.logbook, run_id)
    if run is None:
        run = _begin(desk, run_id, said, clock)
    else:
        _check_same(desk.logbook, run, said)
    for step in said.steps:
        run = _enter(desk, run, step, clock)
    for correction in said.corrections:
        run = _correct(desk, run, correction, clock)
    for told in said.departures:
        if (told.code, told.step) not in {(one.code, one.step) for one in run.departures}:
            run = record.note(desk, run.id, departure=told.code, of=told.step)
    noted = [said.begun, *said.steps, *said.corrections]
    if any(map(clock.jumped, noted)) and all(one.code != CLOCK for one in run.departures):
        run = _note_jump(desk, run)
    return run


def take_photo(desk: record.Desk, run: Run, photo: SaidPhoto, phone_now: datetime) -> Run:
    """Note a photo that has arrived, and for the first one the step that it is."""
    clock = PhoneClock.at(phone_now, desk.now)
    if any(one.sha256 == photo.sha256 and one.arrived for one in run.photos):
        return run
    at = clock.station_time(photo)
    until = run.readable_until
    if run.readings and until is not None and at > until:
        raise LinecallError(SAYS("too_late", until=f"{until:%H:%M}"))
    if any(one.status == "read" for one in run.readings):
        return run
    steps = {one.id for one in record.procedure_of(desk.logbook, run).steps_of(run.phase) if one.recorded}
    if PHOTO_STEP in steps:
        run = record.step(desk, run.id, PHOTO_STEP, at=at, entry="at once", device_at=photo.at)
    return record.photo(
        desk, run.id, sha256=photo.sha256, name=photo.name, at=at, arrived=True, device_at=photo.at
    )


def _known(logbook: Logbook, run_id: str) -> Run | None:
    try:
        return record.find_run(logbook, run_id)
    except OutputError:  # the logbook is out of reach, which says nothing of the run
        raise
    except LinecallError:
        return None


def _begin(desk: record.Desk, run_id: str, said: SaidRun, clock: PhoneClock) -> Run:
    _close_what_is_done(desk, said.point)
    try:
        return record.begin(
            desk,
            point=said.point,
            phase=said.phase,
            lot=said.lot,
            operator=said.operator,
            at=clock.station_time(said.begun),
            entry="at once",
            id=run_id,
        )
    except LinecallError:
        run = _known(desk.logbook, run_id)  # another tab was quicker
        if run is None:
            raise
        _check_same(desk.logbook, run, said)
        return run


def _close_what_is_done(desk: record.Desk, point: str) -> None:
    """A run of the point whose plate is read, and on which nothing is open, ends where the next one begins."""
    where = desk.site.find_point(point)
    for row in desk.logbook.runs(site=desk.site.name, point=where.id, is_open=True):
        if record.state_in(desk.logbook, row.id, now=desk.now) == "read":
            record.close(desk, row.id)


def _check_same(logbook: Logbook, run: Run, said: SaidRun) -> None:
    begun = logbook.run_events(run.id)[0].payload
    for name in ("point", "phase", "lot", "operator"):
        if str(begun.get(name)).lower() != str(getattr(said, name)).lower():
            raise ClashError(
                SAYS("other_run", run=run.id, field=name, here=begun.get(name), sent=getattr(said, name))
            )


def _enter(desk: record.Desk, run: Run, said: SaidStep, clock: PhoneClock) -> Run:
    device_at = said.at.replace(microsecond=0)
    if any(one.step == said.step and one.device_at == device_at for one in run.steps):
        return run
    if said.step in record.ONCE and run.last_of(said.step) is not None:
        raise ClashError(SAYS("other_time", step=said.step, run=run.id))
    at = clock.station_time(said)
    return record.step(desk, run.id, said.step, at=at, entry="at once", device_at=device_at)


def _correct(desk: record.Desk, run: Run, said: SaidStep, clock: PhoneClock) -> Run:
    at = clock.station_time(said)
    taken = run.last_of(said.step)
    if taken is None or _was_corrected_to(run, taken, at):
        return run
    return record.correct(desk, run.id, said.step, at, reason=MISTAKEN)


def _was_corrected_to(run: Run, taken: StepTaken, at: datetime) -> bool:
    def same(value: Any) -> bool:
        return isinstance(value, str) and abs(datetime.fromisoformat(value) - at) <= SAME

    return abs(taken.at - at) <= SAME or any(
        one.event == taken.seq and same(one.now.get("at")) for one in run.corrections
    )


def _note_jump(desk: record.Desk, run: Run) -> Run:
    procedure = record.procedure_of(desk.logbook, run)
    if CLOCK not in {kind.code for kind in procedure.departure}:
        return run
    step = DROPS if run.drops_at is not None else None
    return record.note(
        desk, run.id, departure=CLOCK, text="the phone's clock was set during the run", of=step
    )
