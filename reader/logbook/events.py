"""What the logbook keeps: events, what the technician states, and their canonical JSON (RFC 8785).

An event's hash is the SHA-256 of its canonical JSON without the field `hash`: its body. The body is what is
stored, so that checking it takes no serialising. The canonical order of its fields is the alphabet's:
`previous`, `reading` and `seq` end it, and the first `"` inside a text is always escaped, so its parts can be
told without parsing all of it.
"""

import hashlib
import json
import re
from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, Final

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    PrivateAttr,
    ValidationError,
)

from reader.errors import LinecallError
from reader.files.damage import kept
from reader.logbook.follow_up_events import FOLLOW_UP_PAYLOADS
from reader.logbook.run_events import PAYLOADS
from reader.store.canonical import canonical_json
from reader.verdict.statement import Drops, Name, Stated
from reader.words.fields import AwareMoment, Id, Sha256

GENESIS: Final = "0" * 64
"""`previous` of the first event."""
EVENT_BYTES_MAX: Final = 16_000_000  # a reading of twelve windows has about 20,000


MERGE: Final = "merge"
"""Kind of the event by which chains of other logbooks are taken in; it names the head of each that grew."""

EventKind = Annotated[str, Field(pattern=r"^[a-z][a-z_]{0,39}$")]


NUMBER_BITS: Final = 32
"""Of a place: its lower bits are an event's number in its chain, those above the chain's slot, 0 for the own one."""
NUMBER_MAX: Final = (1 << NUMBER_BITS) - 1


class Event(BaseModel):
    """One entry of the logbook; `previous` is the hash of the one before, `hash` that of its own body.

    `seq` is its number, or, in a logbook into which others were merged, its place there: `number` is the number in its
    chain, `chain` the id of that chain, None for the logbook's own.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", defer_build=True)

    _chain: str | None = PrivateAttr(default=None)

    seq: Annotated[int, Field(ge=1)]
    id: Id
    kind: EventKind
    reading: Id | None
    at: AwareMoment
    by: Name
    payload: dict[str, Any]
    previous: Sha256
    hash: Sha256

    @property
    def chain(self) -> str | None:
        """Id of the chain that the event came with; None: this logbook's own."""
        return self._chain

    @property
    def number(self) -> int:
        """Number in its chain."""
        return self.seq & NUMBER_MAX

    @property
    def entry(self) -> str:
        """Its number as people read it, and of which chain if it is not this logbook's own."""
        return f"{self.number}" if self._chain is None else f"{self.number} of chain {self._chain[:8]}"

    @property
    def slot(self) -> int:
        """Where this logbook keeps its chain; 0: its own."""
        return self.seq >> NUMBER_BITS

    def of_chain(self, chain: str, slot: int, **said: Any) -> "Event":
        """The event as it stands in a logbook that has taken in its chain; said : fields told otherwise there."""
        moved = self.model_copy(update={"seq": slot << NUMBER_BITS | self.seq, **said})
        moved._chain = chain
        return moved


class Statement(Stated):
    """What the technician states about a reading; only who they are must be said."""

    operator: Name
    drops_at: Drops | None = None


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
    body = canonical_json(fields | {"payload": dict(payload)})  # as given: a model would turn NaN into null
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


class _Person(_Payload):
    name: str
    roles: list[str]
    retired: bool


class ChainHead(_Payload):
    """How much of a chain is held: up to event `seq`, whose hash it is; `since` what was held before."""

    chain: Sha256
    seq: Annotated[int, Field(ge=1, le=NUMBER_MAX)]
    hash: Sha256
    since: Annotated[int, Field(ge=0)] = 0


class Naming(_Payload):
    """What a person or place of another chain, called `there`, is called `here`; both the same: asked, and stays."""

    chain: Sha256
    kind: str
    there: str
    here: str


class _Merge(_Payload):
    chains: Annotated[list[ChainHead], Field(min_length=1)]
    called: list[Naming] = []


class _SettingsFile(_Payload):
    kind: str
    name: str
    revision: int
    sha256: Sha256
    text: str


class _Settings(_Payload):
    files: list[_SettingsFile]


_PAYLOADS: Final[dict[str, type[BaseModel]]] = {
    **PAYLOADS,
    **FOLLOW_UP_PAYLOADS,
    "reading": _Reading,
    "review": _Review,
    "correction": _Correction,
    "person": _Person,
    MERGE: _Merge,
    "settings": _Settings,
}


def load_event(seq: int, digest: str, body: str, *, of: str = "the logbook") -> Event:
    """Event of a stored row; of : whose it is. Raises LinecallError if the body is not what its hash says."""
    if hashlib.sha256(body.encode("utf-8")).hexdigest() == digest:
        try:
            event = Event.model_validate(json.loads(body) | {"hash": digest})
        except (ValueError, TypeError, RecursionError):
            pass
        else:
            if event.seq == seq:
                with kept(f"event {seq} of {of}"):
                    _PAYLOADS.get(event.kind, _Payload).model_validate(event.payload)
                return event
    raise LinecallError(f"event {seq} of {of} has been changed; linecall logbook verify says more")


_HASH = re.compile(r'^\{"at":"[^"]*","by":"(?:[^"\\]|\\.)*",("hash":"([0-9a-f]{64})",)')


def to_line(digest: str, body: str) -> str:
    """Canonical JSON of an event with its hash, made of its body. Raises LinecallError if the body is no event's."""
    if ',"id":"' not in body:
        raise LinecallError(f"the event of hash {digest[:12]} is damaged; linecall logbook verify says more")
    at = body.index(',"id":"') + 1  # the first: every quote inside the texts before it is escaped
    return f'{body[:at]}"hash":"{digest}",{body[at:]}'


def from_line(line: str) -> tuple[str, str] | None:
    """(hash, body) of an event's canonical JSON; None if it is not one."""
    found = _HASH.match(line)
    return None if found is None else (found[2], line[: found.start(1)] + line[found.end(1) :])
