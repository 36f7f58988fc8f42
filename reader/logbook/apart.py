"""What became of a reading that was written about on several devices, of which none had seen the other.

Reviews that each saw the one before are one story, whatever the devices. Where two did not, and differ, neither is
taken for the other's answer: the graver one stands for the time being, the reading waits for a reviewer, and the next
review that has seen both settles it.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final

from reader.logbook.chains import Chains, Sight
from reader.logbook.events import NUMBER_BITS, Event
from reader.logbook.summary import Rank, first_row, next_row, superseded_row
from reader.words import GRAVITY, listed, shown

_WORST: Final = max(GRAVITY.values())


@dataclass(frozen=True, kw_only=True, slots=True)
class Story:
    """All events about a reading, in order, and what they come to.

    reviews : those that count here, the one that leaves what stands last. uncounted : the others. standing : of each
    that counts, by its place, which review's verdict stood after it; None: the reading's own. apart : sentences about
    what was said on several devices without having seen each other. waits : whether it takes a reviewer to settle that.
    """

    events: tuple[Event, ...]
    reviews: tuple[Event, ...]
    standing: Mapping[int, Event | None]
    uncounted: tuple[Event, ...]
    corrections: tuple[Event, ...]
    superseded_by: str | None
    apart: tuple[str, ...]
    waits: bool

    @property
    def stands(self) -> Event | None:
        """The review whose verdict stands; None: the reading's own does."""
        return self.standing[self.reviews[-1].seq] if self.reviews else None

    def row(self) -> dict[str, Any]:
        """What lists show of the reading."""
        first = self.events[0]
        at = first.at.isoformat(timespec="seconds")
        row = first_row(seq=first.seq, id=first.id, at=at, payload=first.payload)
        before: Event | None = None
        for event in (*self.corrections, *self.reviews):
            payload = event.payload
            stands = self.standing.get(event.seq)
            if event.kind == "review" and "summary" not in payload and stands is not before:
                payload = payload | {"summary": (stands or first).payload["summary"]}
            row = next_row(row, seq=event.seq, kind=event.kind, payload=payload)
            before = stands
        row["last_seq"] = version(self.events)
        if self.waits:
            row["rank"] = int(Rank.APART)
        return row if self.superseded_by is None else superseded_row(row, self.superseded_by)


def version(history: Sequence[Event]) -> int:
    """A number that grows with every event about a reading: the last one's, where all are of the own chain."""
    own = max((event.number for event in history if event.chain is None), default=0)
    return sum(event.chain is not None for event in history) << NUMBER_BITS | own


def story_of(chains: Chains, history: Sequence[Event]) -> Story:
    """What became of a reading, by its events in order. Raises LinecallError at an event that was changed."""
    takers = chains.takers(history[0].id)
    sight = chains.sight({event.slot for event in (*history, *takers)})
    first, reviews = history[0], [event for event in history if event.kind == "review"]
    counting = [event for event in reviews if chains.may_decide(event, by_itself=_of_own_run(event, first))]
    corrections = [event for event in history if event.kind == "correction"]
    ends = [one for one in counting if not any(sight.sees(other, one) for other in counting)]
    standing = _standing(counting, sight)
    left = {one.seq: _left(standing[one.seq] or first, waiting=one.payload.get("waiting")) for one in ends}
    differ = len(set(left.values())) > 1
    if differ:  # stable: of two as grave, the later one last
        ends.sort(key=lambda one: _gravity(standing[one.seq] or first))
        counting = [one for one in counting if one not in ends] + ends
    uncounted = [event for event in reviews if event not in counting]
    unanswered = [one for one in uncounted if not any(sight.sees(other, one) for other in counting)]
    superseded_by, both_stand = _successor(takers, first, counting, sight, chains.whose)
    sentences = [
        *(_disagreements(counting, ends, sight, chains.whose) if differ else ()),
        *(_not_counted(one, chains.whose) for one in unanswered),
        *_corrected_apart(corrections, sight, chains.whose),
        *both_stand,
    ]
    return Story(
        events=tuple(history),
        reviews=tuple(counting),
        standing=standing,
        uncounted=tuple(uncounted),
        corrections=tuple(corrections),
        superseded_by=superseded_by,
        apart=tuple(sentences),
        waits=differ or bool(unanswered),
    )


def _of_own_run(event: Event, first: Event) -> bool:
    """Whether a reading was graded anew by its own device with the departures of its run: nobody decided anything."""
    return "departures" in event.payload and event.slot == first.slot


def _standing(reviews: Sequence[Event], sight: Sight) -> dict[int, Event | None]:
    """Which review's verdict stood after each: its own, or, of one that has none, the gravest that it had seen."""
    stood: dict[int, Event | None] = {}
    for event in reviews:  # cause before effect
        if event.payload.get("verdict") is not None:
            stood[event.seq] = event
            continue
        known = [one for one in reviews if sight.sees(event, one)]
        ends = [one for one in known if not any(sight.sees(other, one) for other in known)]
        before = [verdict for one in ends if (verdict := stood.get(one.seq)) is not None]
        stood[event.seq] = sorted(before, key=_gravity)[-1] if before else None
    return stood


def _left(event: Event, *, waiting: object) -> tuple[object, ...]:
    """What a review leaves: grade, calls, and whether the reading still waits."""
    verdict = event.payload.get("verdict") or {}
    calls = [
        (window.get("id"), name, window.get(name, {}).get("call"))
        for window in verdict.get("windows", ())
        for name in ("reference", "indicator")
    ]
    return verdict.get("grade"), tuple(calls), waiting


def _gravity(event: Event) -> tuple[int, bool]:
    verdict = event.payload.get("verdict") or {}
    possible = verdict.get("possible_grades") or [verdict.get("grade")]
    return max(GRAVITY.get(grade, _WORST) for grade in possible), verdict.get("grade") != "undecided"


def _disagreements(
    counting: Sequence[Event], ends: Sequence[Event], sight: Sight, whose: Callable[[Event], str]
) -> Iterator[str]:
    marks: dict[tuple[str, str], set[str]] = {}
    for one, other in combinations(counting, 2):
        if sight.sees(one, other) or sight.sees(other, one):
            continue
        if any(sight.sees(later, one) and sight.sees(later, other) for later in counting):
            continue
        ours, theirs = _calls(one), _calls(other)
        for key in ours.keys() & theirs.keys():
            if ours[key] != theirs[key]:
                marks.setdefault(key, set()).update({whose(one), whose(other)})
    by_people: dict[tuple[str, ...], list[str]] = {}
    for (window, mark), people in sorted(marks.items()):
        by_people.setdefault(tuple(sorted(people)), []).append(f"the {mark} of window {window}")
    for who, named in by_people.items():
        yield (
            f"{listed(named)} {'is' if len(named) == 1 else 'are'} called differently by {listed(who)}, neither having "
            "seen the other's decision; the graver grade stands until a reviewer who has both decides"
        )
    if not marks:
        yield (
            f"{listed([whose(one) for one in ends])} reviewed this reading, neither having seen the other's decision; "
            "the graver grade stands until a reviewer who has both decides"
        )


def _calls(event: Event) -> dict[tuple[str, str], str]:
    decisions = event.payload.get("decisions", ())
    return {(str(one.get("window")), str(one.get("mark"))): str(one.get("call")) for one in decisions}


def _not_counted(event: Event, whose: Callable[[Event], str]) -> str:
    return (
        f"what {whose(event)} decided does not count here: it rests on somebody who is no reviewer in this logbook; "
        "decide, or see linecall people add"
    )


def _corrected_apart(
    corrections: Sequence[Event], sight: Sight, whose: Callable[[Event], str]
) -> Iterator[str]:
    for one, other in combinations(corrections, 2):
        field = one.payload["field"]
        same = [event for event in corrections if event.payload["field"] == field]
        if other not in same or one.payload["value"] == other.payload["value"]:
            continue
        if sight.sees(other, one) or any(
            sight.sees(later, one) and sight.sees(later, other) for later in same
        ):
            continue
        values = [
            f"to {shown(event.payload['value'] or 'nothing')} by {whose(event)}" for event in (one, other)
        ]
        yield (
            f"{field.replace('_', ' ')} was corrected {values[0]} and {values[1]}, neither having seen the other; the "
            f"last one stands, {shown(same[-1].payload['value'] or 'nothing')}, until it is corrected again"
        )


def _successor(
    takers: Sequence[Event],
    first: Event,
    reviews: Sequence[Event],
    sight: Sight,
    whose: Callable[[Event], str],
) -> tuple[str | None, list[str]]:
    """Id of the reading that took one's place, if one did, and what to say of those that did not.

    What readers decided stands, so a reading whose writer had not seen a review takes no place.
    """
    decided = [event for event in reviews if "departures" not in event.payload]
    both = []
    for taker in sight.in_order(takers):
        if not sight.sees(taker, first):
            continue  # it names what it cannot have known
        if all(sight.sees(taker, review) or sight.sees(review, taker) for review in decided):
            return taker.id, []
        both.append(
            f"reading {taker.id} of {whose(taker)} was to take its place, but was made without having seen that it had "
            "been reviewed; both stand"
        )
    return None, both
