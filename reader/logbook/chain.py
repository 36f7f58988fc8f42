"""Whether a chain of events holds: a walk over stored rows that keeps nothing but the last link."""

import hashlib
import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final, NamedTuple

from reader.errors import LinecallError
from reader.logbook.events import GENESIS
from reader.words.ids import ID_PATTERN

# The head of a body: RFC 8785 sorts the fields, and escapes every quote inside the texts before `payload`.
_HEAD: Final = re.compile(
    rb'\{"at":"([^"\\]*)","by":"(?:[^"\\]|\\.)*","id":"(%s)","kind":"([a-z_]+)","payload":\{'
    % ID_PATTERN.encode()
)


class Link(NamedTuple):
    """One event of a chain that held so far: `payload_at` is where its payload begins in its body."""

    at: str
    id: str
    kind: str
    payload_at: int


class ChainBrokenError(Exception):
    """The first bad event, and what is wrong with it; never leaves the logbook as an exception."""

    def __init__(self, seq: int, problem: str) -> None:
        """Take the number of the event and a sentence about it."""
        super().__init__(problem)
        self.seq = seq
        self.problem = problem


CLOCK_SLACK: Final = timedelta(seconds=60)
"""What an event may lie before the one before it: writers wait up to half a minute for their turn, on clocks of their
own."""


def clock_ran_back(before: datetime, after: datetime) -> bool:
    """Whether a clock was set back between two events that follow each other."""
    return before - after > CLOCK_SLACK


class Chain:
    """Walks along the events; holds one link at a time.

    An event that was replaced together with its hash shows where the next one does not name it. Which of the
    two was changed, the one after tells: it names the second if that one is genuine.
    """

    def __init__(self, after: tuple[int, str] = (0, GENESIS)) -> None:
        """Start before the first event, or after one that is known: its number and hash."""
        self.seq, self.head = after
        self.set_back: list[int] = []  # events at whose time the clock had been set back
        self._at: datetime | None = None
        self._misfit = False  # whether the last event does not name the one before it

    def follow(self, seq: object, id: object, reading: object, digest: object, body: object) -> Link:
        """Take the next row, its body in UTF-8. Raises ChainBrokenError."""
        expected = self.seq + 1
        if not (isinstance(seq, int) and isinstance(digest, str) and isinstance(body, bytes)):
            raise self._broken(expected, "its row holds something else than a number and texts")
        if seq != expected:
            raise self._broken(expected, self._order_problem(seq, expected))
        if hashlib.sha256(body).hexdigest() != digest:
            raise self._broken(seq, "it has been changed: its hash is not that of its content")
        about = "null" if reading is None else f'"{reading}"'
        end = f'"reading":{about},"seq":{seq}}}'.encode("utf-8", "replace")
        head = _HEAD.match(body)
        if head is None or head[2] != str(id).encode("utf-8", "replace") or not body.endswith(end):
            raise self._broken(seq, "its row does not say what the event itself says")
        link = f'"previous":"{self.head}",'.encode()
        follows = body.startswith(link, len(body) - len(end) - len(link))
        if self._misfit:
            self._settle_misfit(follows=follows)
        if not follows and seq == 1:
            raise self._broken(1, "it names an event before it, but it is the first")
        self._misfit = not follows
        self.seq, self.head = seq, digest
        self._follow_clock(seq, head[1].decode())
        return Link(head[1].decode(), head[2].decode(), head[3].decode(), head.end() - 1)

    def _follow_clock(self, seq: int, at: str) -> None:
        try:
            moment = datetime.fromisoformat(at)
            if self._at is not None and clock_ran_back(self._at, moment):
                self.set_back.append(seq)
            self._at = moment
        except (ValueError, TypeError):
            raise self._broken(seq, "its time is none") from None

    def notes(self) -> tuple[str, ...]:
        """What is odd about the events so far, and breaks nothing."""
        if not self.set_back:
            return ()
        shown = ", ".join(map(str, self.set_back[:5])) + ", ..." * (len(self.set_back) > 5)
        return (f"the clock ran backwards before event {shown}: times on either side cannot be compared",)

    def finish(self) -> None:
        """Say that no event follows. Raises ChainBrokenError."""
        if self._misfit:
            self._settle_misfit(follows=True)

    def _settle_misfit(self, *, follows: bool) -> None:
        if follows:
            bad = self.seq - 1
            raise ChainBrokenError(
                bad,
                f"event {bad} has been replaced: event {self.seq}, written later, names another hash for it",
            )
        raise ChainBrokenError(
            self.seq,
            f"event {self.seq} has been replaced: it fits neither the event before it nor the one after it",
        )

    def _broken(self, seq: int, what: str) -> ChainBrokenError:
        """Error for an event, unless the one before is in doubt already and comes first."""
        if self._misfit:
            try:
                self._settle_misfit(follows=True)
            except ChainBrokenError as earlier:
                return earlier
        return ChainBrokenError(seq, f"event {seq}: {what}")

    @staticmethod
    def _order_problem(seq: int, expected: int) -> str:
        if seq > expected:
            return f"it is missing; the next event found is {seq}"
        return f"event {seq} stands in its place"


@dataclass(frozen=True, kw_only=True, slots=True)
class Seal:
    """The head of a logbook at some time: that so many events existed, and which one was the last."""

    seq: int
    hash: str
    at: datetime

    def __str__(self) -> str:
        """Give the one line that `parse_seal` reads."""
        return f"linecall-seal {self.seq} {self.hash} {self.at.isoformat(timespec='seconds')}"


_SEAL = re.compile(r"linecall-seal (\d{1,18}) ([0-9a-f]{64}) (\S+)", re.ASCII)


def parse_seal(text: str) -> Seal:
    """Read a seal's line. Raises LinecallError if it is none."""
    found = _SEAL.fullmatch(" ".join(text.split()))
    try:
        if found:
            at = datetime.fromisoformat(found[3])
            if at.tzinfo is not None:
                return Seal(seq=int(found[1]), hash=found[2], at=at)
    except ValueError:
        pass
    raise LinecallError(
        f"{text.strip()[:60]!r} is no seal; give the line that linecall logbook seal printed, or its file"
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Report:
    """What a check found. `first_bad` and `problem` are None where all holds.

    `first_bad` is the number of the first bad event; None with a problem where that is of no event, such as a
    seal on events that are no longer there. `photos` counts those looked at,
    `photos_left_out` those that an export was not asked to hold; `notes` are sentences about what is odd and breaks
    nothing. `chains` is how many there are, `head` the own one's; `bad_chain` the id of the other chain that the first
    bad event is of, None: of the own one.
    """

    events: int
    head: str
    readings: int
    photos: int
    photos_left_out: int = 0
    first_bad: int | None = None
    problem: str | None = None
    notes: tuple[str, ...] = ()
    chains: int = 1
    bad_chain: str | None = None

    @property
    def good(self) -> bool:
        """Whether nothing bad was found."""
        return self.problem is None
