"""What a technician states about a sample and its plate; it stands in the verdict, the logbook and the picture."""

from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Annotated, Any, Final, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    StringConstraints,
    ValidationError,
    model_validator,
)

from reader.decide.records import DepartureRecord
from reader.errors import LinecallError
from reader.words.clock import parse_clock_or_moment
from reader.words.fields import writable


def _calendar_date(text: str) -> str:
    date.fromisoformat(text if len(text) > 7 else f"{text}-01")
    return text


Name = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200), BeforeValidator(writable)
]
Note = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=4000), BeforeValidator(writable)
]
Expiry = Annotated[str, Field(pattern=r"^\d{4}-\d\d(-\d\d)?$"), AfterValidator(_calendar_date)]
"""A date or a month, as plates print it: 2027-03-31, 2027-03 (to its end)."""


def _parse_drops(value: object) -> object:
    if isinstance(value, str):
        try:
            return parse_clock_or_moment(value)
        except LinecallError as error:
            raise ValueError(str(error)) from None
    if isinstance(value, datetime):
        return value.replace(microsecond=0, fold=0)
    if isinstance(value, time):
        return value
    raise ValueError("expected a time")


def _write_drops(drops: datetime | time) -> str:
    return drops.isoformat(timespec="seconds" if isinstance(drops, datetime) else "minutes")


Drops = Annotated[
    datetime | time,
    BeforeValidator(_parse_drops),
    PlainSerializer(_write_drops, return_type=str),
]
"""When the drops were put in: date and time, or a time of day alone, the last such time before the photo."""


class Stated(BaseModel):
    """What was stated; what was not, or was left blank, is None."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    operator: Name | None = Field(default=None, description="who ran the plate")
    tank: Name | None = Field(default=None, description="the tank sampled")
    sample_point: Name | None = Field(default=None, description="where on the tank the sample was drawn")
    sample_phase: Name | None = Field(
        default=None, description="which phase was put on the plate, such as water or fuel"
    )
    plate_lot: Name | None = Field(default=None, description="the plate's lot")
    plate_expiry: Expiry | None = Field(
        default=None, description="the plate's expiry: a date or a month, such as 2027-03-31 or 2027-03"
    )
    note: Note | None = Field(default=None, description="anything else worth knowing")

    @model_validator(mode="before")
    @classmethod
    def _blank_is_unsaid(cls, values: Any) -> Any:
        if not isinstance(values, dict):
            return values
        needed = {name for name, field in cls.model_fields.items() if field.is_required()}
        return {
            name: None if name not in needed and isinstance(value, str) and not value.strip() else value
            for name, value in values.items()
        }

    @classmethod
    def of(cls, **fields: object) -> Self:
        """Build one from what was typed. Raises LinecallError, one line, if a field cannot be so."""
        try:
            return cls.model_validate(fields)
        except ValidationError as error:
            raise LinecallError(_sentence(error)) from None

    def as_payload(self) -> dict[str, Any]:
        """JSON object of what was said; what was not is left out."""
        return self.model_dump(mode="json", exclude_none=True)


@dataclass(frozen=True, kw_only=True, slots=True)
class RunTie:
    """The run whose plate a photo shows: its id, what went otherwise in it, and when it says the photo was taken."""

    id: str
    departures: tuple[DepartureRecord, ...] = ()
    photo_at: datetime | None = None


EXPECTED: Final = {
    "plate_expiry": "a date or a month, such as 2027-03-31 or 2027-03",
    "drops_at": "a time such as 2026-05-04T09:08:07+02:00, or 09:08",
    "operator": "a name of 1 to 200 characters",
    "note": "at most 4000 characters",
}


def _sentence(error: ValidationError) -> str:
    details = error.errors(include_url=False)[0]
    field = str(details["loc"][0]) if details["loc"] else "statement"
    found = repr(details["input"])
    shown = found if len(found) <= 60 else f"{found[:57]}..."
    return f"{field.replace('_', ' ')} is {shown}, expected {EXPECTED.get(field, 'at most 200 characters')}"
