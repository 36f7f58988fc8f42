"""What the events of a follow-up hold, and the row that lists show of it.

A follow-up's events have its id in the event's field `reading`, as a run's have the run's. `follow_up` asks for it, and
its id is the event's own; `follow_up_deferred` moves its time, `follow_up_ended` ends it.
"""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Final, Literal

from reader.logbook.run_events import FileRef, Payload
from reader.words.fields import AwareMoment, Id

ASKED: Final = "follow_up"
DEFERRED: Final = "follow_up_deferred"
ENDED: Final = "follow_up_ended"
FOLLOW_UP_KINDS: Final = frozenset({ASKED, DEFERRED, ENDED})

HowEnded = Literal["done", "by a reading", "no longer asked"]
"""By a person; by a reading that the plan waited for; or because the reading's grade is another one now."""


class FollowUpAsked(Payload):
    """`follow_up`: something is to be done after a reading, by whom and until when, as the plan of `site` said then.

    since : when the reading's sample was drawn; only what was drawn after it can end the follow-up. grade : the
    reading's; because : it, and what came before, in words. The names are those of the site then, so that a point that
    is removed keeps its own.
    """

    site: FileRef
    reading: Id
    point: str
    tank: str
    point_name: str
    tank_name: str
    action: str
    kind: str
    text: str
    owner: str
    since: AwareMoment
    due_at: AwareMoment
    grade: str
    because: str
    ends_by: tuple[str, ...] = ()
    ends_at_grade: tuple[str, ...] = ()
    then: tuple[str, ...] = ()


class FollowUpDeferred(Payload):
    """`follow_up_deferred`: it is due at another time; both are kept, and why."""

    was: AwareMoment
    now: AwareMoment
    reason: str


class FollowUpEnded(Payload):
    """`follow_up_ended`: how, and why; reading : the one that did it, such as the repeat of what was asked for."""

    how: HowEnded
    at: AwareMoment
    reason: str
    reading: Id | None = None


FOLLOW_UP_PAYLOADS: Final[Mapping[str, type[Payload]]] = {
    ASKED: FollowUpAsked,
    DEFERRED: FollowUpDeferred,
    ENDED: FollowUpEnded,
}


def follow_up_row(events: Sequence[tuple[int, str, str, Mapping[str, Any]]], id: str) -> dict[str, Any]:
    """Row of a follow-up as its events make it; each is (number, kind, time as written, payload)."""
    seq, _, at, asked = events[0]
    due, ended = asked["due_at"], None
    for _, kind, _, payload in events[1:]:
        if kind == DEFERRED:
            due = payload["now"]
        elif kind == ENDED:
            ended = payload["how"]
    return {
        "seq": seq,
        "id": id,
        "last_seq": events[-1][0],
        "at": at,
        "site": asked["site"]["name"],
        "point": asked["point"],
        "tank": asked["tank"],
        "about": asked["reading"],
        "action": asked["action"],
        "due_utc": int(datetime.fromisoformat(due).timestamp()),
        "ended": ended,
    }
