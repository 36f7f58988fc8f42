"""What the events of a run hold, and the row that lists show of it.

A run's events have its id in the event's field `reading`, as a reading's have the reading's, so that they are found by
the same index. `run` begins one, and its id is the event's own; `run_step`, `run_departure`, `run_note`, `run_photo`,
`run_correction`, `run_reading` and `run_end` follow. What was entered stays as it was; a correction says what it was.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field

from reader.words.fields import AwareMoment, Id, Sha256

RUN: Final = "run"
STEP: Final = "run_step"
DEPARTURE: Final = "run_departure"
NOTE: Final = "run_note"
PHOTO: Final = "run_photo"
CORRECTION: Final = "run_correction"
READING: Final = "run_reading"
END: Final = "run_end"
RUN_KINDS: Final = frozenset({RUN, STEP, DEPARTURE, NOTE, PHOTO, CORRECTION, READING, END})

Entry = Literal["at once", "afterwards"]
"""Whether a time was noted as it happened, by the logbook's clock, or given afterwards."""
Effect = Literal["warning", "invalid"]


class Payload(BaseModel):
    """What is asked of a payload before its parts are used; more may stand in it."""

    model_config = ConfigDict(frozen=True, extra="ignore", defer_build=True)

    def as_payload(self) -> dict[str, Any]:
        """JSON object; what is None is left out."""
        return self.model_dump(mode="json", exclude_none=True)


class FileRef(Payload):
    """A settings file by name, revision and hash; its bytes are kept in the chain."""

    name: str
    revision: int
    sha256: Sha256


class RunBegun(Payload):
    """`run`: a point, a phase and a plate, by which files, who, and since when.

    `tank_name` and `point_name` are what the site called them then. `layout` and `reading_age` (minutes from the drops,
    from and until) are None where the lot is not in the site's file. `plate` is what tells this plate from the lot's
    others, where something does. `repeats` is the reading that the run repeats.
    """

    site: FileRef
    procedure: FileRef
    layout: FileRef | None = None
    reading_age: tuple[float, float] | None = None
    point: str
    tank: str
    point_name: str
    tank_name: str
    phase: str
    lot: str
    expiry: str | None = None
    plate: str | None = None
    operator: str
    at: AwareMoment
    entry: Entry
    repeats: Id | None = None


class RunStep(Payload):
    """`run_step`: a step was done. `device_at` is what a phone's clock showed when it said so."""

    step: str
    at: AwareMoment
    entry: Entry
    device_at: AwareMoment | None = None
    amount: float | None = None
    remark: str | None = None


class RunDeparture(Payload):
    """`run_departure`: something was done otherwise than the procedure says, or that is taken back (`stands` false)."""

    code: str
    step: str | None = None
    effect: Effect
    sentence: str
    found_by: Literal["linecall", "person"]
    stands: bool = True
    reason: str | None = None


class RunNote(Payload):
    """`run_note`: anything else that should be known."""

    text: str


class RunPhoto(Payload):
    """`run_photo`: a photo was taken; `arrived` once its bytes are here, before it is read."""

    sha256: Sha256
    name: str
    at: AwareMoment
    device_at: AwareMoment | None = None
    arrived: bool


class RunCorrection(Payload):
    """`run_correction`: fields of an earlier event (`event`, its number) that were entered wrongly, and why."""

    event: Annotated[int, Field(ge=1)]
    was: dict[str, Any]
    now: dict[str, Any]
    reason: str


class RunReading(Payload):
    """`run_reading`: a photo of the run's plate was read, or refused; `stated` is what it took from the run."""

    reading: Id
    status: Literal["read", "refused"]
    stated: dict[str, str] = {}


class RunEnd(Payload):
    """`run_end`: nothing follows in this run."""

    how: Literal["closed", "abandoned"]
    reason: str | None = None


PAYLOADS: Final[Mapping[str, type[Payload]]] = {
    RUN: RunBegun,
    STEP: RunStep,
    DEPARTURE: RunDeparture,
    NOTE: RunNote,
    PHOTO: RunPhoto,
    CORRECTION: RunCorrection,
    READING: RunReading,
    END: RunEnd,
}

_SAMPLE: Final = "sample"
_DROPS: Final = "drops"


def corrected(payload: Mapping[str, Any], corrections: list[Mapping[str, Any]]) -> dict[str, Any]:
    """A payload after its corrections, in their order; None takes a field back."""
    after = dict(payload)
    for correction in corrections:
        after |= correction["now"]
    return {name: value for name, value in after.items() if value is not None}


def run_row(events: Sequence[tuple[int, str, str, Mapping[str, Any]]], id: str) -> dict[str, Any]:
    """Row of a run as its events make it; each is (number, kind, time as written, payload), the first began it."""
    corrections: dict[int, list[Mapping[str, Any]]] = {}
    for _, kind, _, payload in events:
        if kind == CORRECTION:
            corrections.setdefault(int(payload["event"]), []).append(payload)
    seq, _, at, first = events[0]
    begun = corrected(first, corrections.get(seq, []))
    steps: dict[str, str] = {}
    departures: dict[tuple[str, str | None], str] = {}
    reading = ended = None
    for number, kind, _, payload in events[1:]:
        if kind == STEP:
            said = corrected(payload, corrections.get(number, []))
            steps[said["step"]] = said["at"]
        elif kind == DEPARTURE:
            key = payload["code"], payload.get("step")
            if payload.get("stands", True):
                departures[key] = payload["effect"]
            else:
                departures.pop(key, None)
        elif kind == READING:
            reading = payload["reading"] if payload["status"] == "read" else reading
        elif kind == END:
            ended = payload["how"]
    drops = _seconds(steps.get(_DROPS))
    span = begun.get("reading_age")
    effects = set(departures.values())
    return {
        "seq": seq,
        "id": id,
        "last_seq": events[-1][0],
        "at": at,
        "site": begun["site"]["name"],
        "point": begun["point"],
        "tank": begun["tank"],
        "phase": begun["phase"],
        "lot": begun["lot"],
        "plate": begun.get("plate"),
        "operator": begun["operator"],
        "taken_utc": _seconds(steps.get(_SAMPLE)) or _seconds(begun["at"]),
        "drops_utc": drops,
        "until_utc": None if drops is None or span is None else drops + round(60 * span[1]),
        "departures": len(departures),
        "effect": "invalid" if "invalid" in effects else "warning" if effects else None,
        "reading": reading,
        "ended": ended,
    }


def _seconds(at: str | None) -> int | None:
    return None if at is None else int(datetime.fromisoformat(at).timestamp())
