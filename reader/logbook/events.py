"""What the logbook keeps: events, what the technician states, and their canonical JSON (RFC 8785).

An event's hash is the SHA-256 of its canonical JSON without the field `hash`: its body. The body is what is
stored, so that checking it takes no serialising. The canonical order of its fields is the alphabet's:
`previous`, `reading` and `seq` end it, and the first `"` inside a text is always escaped, so its parts can be
told without parsing all of it.
"""

import hashlib
import json
import re
import secrets
from collections.abc import Mapping
from datetime import date, datetime
from typing import Annotated, Any, Final, Self

import rfc8785
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    ValidationError,
    model_validator,
)

from reader.damage import kept
from reader.errors import LinecallError
from reader.verdict import Moment, Sha256

GENESIS: Final = "0" * 64
"""`previous` of the first event."""
EVENT_BYTES_MAX: Final = 16_000_000  # a reading of twelve windows has about 20,000
ID_ALPHABET: Final = "0123456789abcdefghjkmnpqrstvwxyz"  # Crockford's base 32: no i, l, o, u to mistake
ID_LENGTH: Final = 8  # 40 bits; a clash inside one logbook is found and another id drawn
ID_PATTERN: Final = rf"[{ID_ALPHABET}]{{{ID_LENGTH}}}"


def writable(text: object) -> object:
    """Replace what UTF-8 cannot carry: a file name or argument that is not UTF-8 has lone surrogates."""
    return text.encode("utf-8", "replace").decode("utf-8") if isinstance(text, str) else text


def _aware(moment: datetime) -> datetime:
    if moment.tzinfo is None:
        raise ValueError("expected a time with its offset from UTC, such as 2026-05-04T09:08:07+02:00")
    return moment


def _calendar_date(text: str) -> str:
    date.fromisoformat(text if len(text) > 7 else f"{text}-01")
    return text


AwareMoment = Annotated[Moment, AfterValidator(_aware)]
Name = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=200), BeforeValidator(writable)
]
Note = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=4000), BeforeValidator(writable)
]
Id = Annotated[str, Field(pattern=f"^{ID_PATTERN}$")]
Kind = Annotated[str, Field(pattern=r"^[a-z][a-z_]{0,39}$")]


class Event(BaseModel):
    """One entry of the logbook; `previous` is the hash of the one before, `hash` that of its own body."""

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    seq: Annotated[int, Field(ge=1)]
    id: Id
    kind: Kind
    reading: Id | None
    at: AwareMoment
    by: Name
    payload: dict[str, Any]
    previous: Sha256
    hash: Sha256


class Statement(BaseModel):
    """What the technician states about a reading; only who they are must be said.

    `plate_expiry` is a date or a month, as plates print it: 2027-03-31, 2027-03.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    operator: Name
    tank: Name | None = None
    sample_point: Name | None = None
    sample_phase: Name | None = None
    plate_lot: Name | None = None
    plate_expiry: (
        Annotated[str, Field(pattern=r"^\d{4}-\d\d(-\d\d)?$"), AfterValidator(_calendar_date)] | None
    ) = None
    drops_at: Moment | None = None
    note: Note | None = None

    @model_validator(mode="before")
    @classmethod
    def _blank_is_unsaid(cls, values: Any) -> Any:
        if not isinstance(values, dict):
            return values
        return {
            name: None if name != "operator" and isinstance(value, str) and not value.strip() else value
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


EXPECTED: Final = {
    "plate_expiry": "a date or a month, such as 2027-03-31 or 2027-03",
    "drops_at": "a time such as 2026-05-04T09:08:07+02:00",
    "operator": "a name of 1 to 200 characters",
    "note": "at most 4000 characters",
}


def _sentence(error: ValidationError) -> str:
    details = error.errors(include_url=False)[0]
    field = str(details["loc"][0]) if details["loc"] else "statement"
    found = repr(details["input"])
    shown = found if len(found) <= 60 else f"{found[:57]}..."
    return f"{field.replace('_', ' ')} is {shown}, expected {EXPECTED.get(field, 'at most 200 characters')}"


def canonical(value: object) -> bytes:
    """Canonical JSON (RFC 8785), UTF-8. Raises LinecallError for what it cannot carry: NaN, 2**60."""
    try:
        return rfc8785.dumps(value)  # type: ignore[arg-type]
    except (rfc8785.CanonicalizationError, UnicodeEncodeError, RecursionError) as error:
        raise LinecallError(f"the logbook cannot keep this as JSON (RFC 8785): {error}") from error


def make_event(
    *,
    seq: int,
    id: str,
    kind: str,
    reading: str | None,
    at: datetime,
    by: str,
    payload: Mapping[str, Any],
    previous: str,
) -> tuple[Event, str]:
    """Put an event behind the one whose hash is `previous`; returns it with its body.

    Raises LinecallError if a field cannot be so.
    """
    try:
        event = Event(
            seq=seq,
            id=id,
            kind=kind,
            reading=reading,
            at=at,
            by=by,
            payload=dict(payload),
            previous=previous,
            hash=GENESIS,
        )
    except ValidationError as error:
        details = error.errors(include_url=False)[0]
        where = ".".join(map(str, details["loc"]))
        raise LinecallError(
            f"{where} is {str(details['input'])[:60]!r}, but {details['msg'].removeprefix('Value error, ')}"
        ) from None
    fields = event.model_dump(mode="json", exclude={"hash", "payload"})
    body = canonical(fields | {"payload": dict(payload)})  # as given: a model would turn NaN into null
    if len(body) > EVENT_BYTES_MAX:
        raise LinecallError(f"an event of {len(body)} bytes, but the logbook keeps up to {EVENT_BYTES_MAX}")
    digest = hashlib.sha256(body).hexdigest()
    return event.model_copy(update={"hash": digest}), body.decode("utf-8")


class _Payload(BaseModel):
    """What is asked of a payload before its parts are used; more may stand in it."""

    model_config = ConfigDict(extra="ignore", defer_build=True, strict=True)


class _KeptPhoto(_Payload):
    name: str
    sha256: Sha256


class _Summary(_Payload):
    doubtful: int
    grade: str | None
    in_doubt: list[str]
    layout: str | None
    margin: float | None
    open_until: str | None
    rank: int | None
    status: str


class _Reading(_Payload):
    photos: Annotated[list[_KeptPhoto], Field(min_length=1)]
    statement: dict[str, str]
    summary: _Summary
    verdict: dict[str, Any]
    supersedes: list[str] = []


class _Review(_Payload):
    decisions: list[dict[str, Any]] = []
    summary: _Summary | None = None
    verdict: dict[str, Any] | None = None
    before: dict[str, Any] = {}
    policy: dict[str, Any] = {}


class _Correction(_Payload):
    field: str
    was: str | None
    value: str | None
    reason: str


_PAYLOADS: Final[dict[str, type[_Payload]]] = {
    "reading": _Reading,
    "review": _Review,
    "correction": _Correction,
}


def load_event(seq: int, digest: str, body: str) -> Event:
    """Event of a stored row. Raises LinecallError if the body is not what its hash says."""
    if hashlib.sha256(body.encode("utf-8")).hexdigest() == digest:
        try:
            event = Event.model_validate(json.loads(body) | {"hash": digest})
        except (ValueError, TypeError, RecursionError):
            pass
        else:
            if event.seq == seq:
                with kept(f"event {seq} of the logbook"):
                    _PAYLOADS.get(event.kind, _Payload).model_validate(event.payload)
                return event
    raise LinecallError(f"event {seq} of the logbook has been changed; linecall logbook verify says more")


_HASH = re.compile(r'^\{"at":"[^"]*","by":"(?:[^"\\]|\\.)*",("hash":"([0-9a-f]{64})",)')


def to_line(digest: str, body: str) -> str:
    """Canonical JSON of an event with its hash, made of its body."""
    at = body.index(',"id":"') + 1  # the first: every quote inside the texts before it is escaped
    return f'{body[:at]}"hash":"{digest}",{body[at:]}'


def from_line(line: str) -> tuple[str, str] | None:
    """(hash, body) of an event's canonical JSON; None if it is not one."""
    found = _HASH.match(line)
    return None if found is None else (found[2], line[: found.start(1)] + line[found.end(1) :])


def new_id() -> str:
    """Draw an id."""
    return "".join(secrets.choice(ID_ALPHABET) for _ in range(ID_LENGTH))
