"""The report of a period: what asks for attention first, then one line for each reading that was logged in it."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final

from reader.errors import LinecallError, OutputError
from reader.files.damage import kept
from reader.logbook import Event, Logbook, ReadingRow
from reader.logbook.store import CLOCK
from reader.round.history.point import Occurrence, current_verdict, departures_of, taken
from reader.round.report.value import (
    Block,
    Column,
    Facts,
    Report,
    Section,
    Sentences,
    Table,
    said_at,
    verifying,
)
from reader.words import GRADES, counted

LATE_AFTER: Final = timedelta(hours=24)
"""From the drops, or the photo, to the entry in the logbook; later is told (common practice, no source)."""
HASH_SHOWN: Final = 12  # digits of an entry's SHA-256 in a line; the logbook has all

Lines = list[tuple[str, ...]]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Kind:
    """A kind of exception: its letter in the lines, its title, what its table shows, and what it means."""

    letter: str
    title: str
    columns: tuple[Column, ...]
    meaning: str


def _columns(*heads: tuple[str, float]) -> tuple[Column, ...]:
    return tuple(Column(head=head, share=share) for head, share in heads)


_READING = (("reading", 1.2), ("point", 2.2))
KINDS: Final[Mapping[str, _Kind]] = {
    "overruled": _Kind(
        letter="O", title="Calls overruled", meaning="a reviewer called a settled mark otherwise than linecall",
        columns=_columns(*_READING, ("mark", 2), ("from, to", 2), ("by, when", 2.4), ("reason", 3)),
    ),
    "withdrawn": _Kind(
        letter="W", title="Decisions withdrawn", meaning="a reviewer took back a decision, or a closing",
        columns=_columns(*_READING, ("what", 2.4), ("by, when", 2.4), ("reason", 3.4)),
    ),
    "late": _Kind(
        letter="L", title="Entered late", meaning="logged more than 24 hours after the drops, or the photo",
        columns=_columns(*_READING, ("taken", 2.3), ("logged", 2.3), ("late by", 1.1), ("by", 1.8)),
    ),
    "departure": _Kind(
        letter="D", title="Departures from the procedure", meaning="done otherwise than the procedure says",
        columns=_columns(*_READING, ("what", 6)),
    ),
    "photo": _Kind(
        letter="P", title="Photos missing", meaning="a photo of it is no longer kept",
        columns=_columns(*_READING, ("photo", 2), ("SHA-256", 6.4)),
    ),
    "follow-up": _Kind(
        letter="F", title="Follow-ups open", meaning="asked for and not yet done",
        columns=_columns(("id", 1.2), ("since", 2.1), ("what", 6)),
    ),
    "waits": _Kind(
        letter="Q", title="Waiting for a reviewer", meaning="nobody has settled it yet",
        columns=_columns(*_READING, ("grade", 1.4), ("logged", 2), ("by", 1.8)),
    ),
    "replaced": _Kind(
        letter="R", title="Readings replaced", meaning="another reading has taken its place",
        columns=_columns(*_READING, ("grade", 1.4), ("replaced by", 1.4), ("logged", 2), ("by", 1.8)),
    ),
    "corrected": _Kind(
        letter="C", title="Statements corrected", meaning="what was stated about it was corrected",
        columns=_columns(*_READING, ("field", 1.4), ("was, is", 2.6), ("by, when", 2.4), ("reason", 2.8)),
    ),
    "expired": _Kind(
        letter="X", title="Plates past their expiry", meaning="the plate had expired",
        columns=_columns(*_READING, ("what", 6)),
    ),
}  # fmt: skip


@dataclass(kw_only=True, slots=True)
class _Found:
    """What is gathered along the way."""

    exceptions: dict[str, Lines] = field(default_factory=lambda: {kind: [] for kind in KINDS})
    lines: Lines = field(default_factory=list)
    grades: dict[str, int] = field(default_factory=dict)
    photos: list[tuple[str, str, str, str]] = field(default_factory=list)  # reading, point, name, SHA-256
    unknown_time: list[str] = field(default_factory=list)
    unseen_photos: str = ""  # why nobody could look whether they are there


def period_report(
    logbook: Logbook,
    *,
    since: datetime,
    until: datetime,
    made_at: datetime,
    follow_ups: Iterable[Occurrence] | None = None,
    names: Mapping[tuple[str | None, str | None], str] | None = None,
    progress: Callable[[int], None] | None = None,
) -> Report:
    """Report of all readings that were logged from `since` on and before `until`.

    follow_ups : of which those that are open are told; None: nobody looked, and the report says so. names : the
    site's own, by tank and sample point. progress : told how many readings have been looked at. Raises LinecallError
    at an event that has been altered, or if the period is empty.
    """
    if since >= until:
        last = until - timedelta(seconds=1)
        raise LinecallError(
            f"the period ends on {last:%Y-%m-%d}, before it begins; give --from no later than --to"
        )
    seal = logbook.seal(at=made_at)
    found = _Found()
    for row, events in logbook.stories(since=since, until=until):
        with kept(f"reading {row.id}"):
            _take(found, row, events, names or {})
        if progress is not None and len(found.lines) % 500 == 0:
            progress(len(found.lines))
    _take_photos(found, logbook)
    if follow_ups is not None:
        rows = [(one.id, said_at(one.at), one.text) for one in follow_ups if one.done_at is None]
        found.exceptions["follow-up"] += sorted(rows, key=lambda row: row[1])
    clock = [event for event in logbook.site_events(CLOCK, everywhere=True) if since <= event.at < until]
    last = until - timedelta(seconds=1)
    return Report(
        title=f"Readings from {since:%Y-%m-%d} to {last:%Y-%m-%d}",
        subtitle=f"{counted(len(found.lines), 'reading')} logged in this time",
        short=f"readings {since:%Y-%m-%d} to {last:%Y-%m-%d}",
        sections=(
            Section(title="In short", blocks=tuple(_short(found))),
            Section(
                title="Exceptions", blocks=tuple(_exceptions(found, clock, looked=follow_ups is not None))
            ),
            Section(title="All readings", blocks=tuple(_all(found))),
            Section(title="Checking this report", blocks=verifying(seal, photos=False)),
        ),
        logbook=logbook.name,
        made_at=made_at,
    )


# --- gathering ----------------------------------------------------------------------------------------------


def _take(
    found: _Found,
    row: ReadingRow,
    events: Sequence[Event],
    names: Mapping[tuple[str | None, str | None], str],
) -> None:
    """Put a reading into the list, and under every exception that it is."""
    first, now = events[0].payload["verdict"], current_verdict(events)
    point = (
        names.get((row.tank, row.sample_point)) or " ".join(filter(None, (row.tank, row.sample_point))) or "-"
    )
    which = (row.id, point)
    grade = str(now["grade"] or "refused")
    before = _lengths(found.exceptions)
    moment, source = taken(first, row.at)
    add = found.exceptions
    for event in events:
        _take_event(add, which, event)
    if row.superseded_by is None:
        add["overruled"] += [(*which, *words) for words in _overruled(now)]
        if row.rank is not None:
            add["waits"].append((*which, grade, said_at(row.at), row.operator))
        found.grades[grade] = found.grades.get(grade, 0) + 1
    else:
        add["replaced"].append((*which, grade, row.superseded_by, said_at(row.at), row.operator))
        found.grades["replaced"] = found.grades.get("replaced", 0) + 1
    if source == "logbook":
        found.unknown_time.append(row.id)
    elif row.at - moment > LATE_AFTER:
        add["late"].append((*which, said_at(moment), said_at(row.at), _span(row.at - moment), row.operator))
    add["departure"] += [(*which, sentence) for sentence in departures_of(now)]
    if (now.get("expiry") or {}).get("status") == "expired":
        add["expired"].append((*which, now["expiry"]["sentence"]))
    found.photos += [(*which, photo["name"], photo["sha256"]) for photo in events[0].payload["photos"]]
    letters = "".join(kind.letter for name, kind in KINDS.items() if len(add[name]) > before[name])
    was = f", was {first['grade']}" if first["grade"] != now["grade"] else ""
    head = events[0]
    found.lines.append(
        (
            said_at(row.at),
            row.id,
            point,
            grade + was,
            row.operator,
            letters,
            f"{head.seq} {head.hash[:HASH_SHOWN]}",
        )
    )


def _lengths(lists: Mapping[str, Sequence[object]]) -> dict[str, int]:
    return {name: len(one) for name, one in lists.items()}


def _take_event(add: dict[str, Lines], which: tuple[str, str], event: Event) -> None:
    said, who = event.payload, f"{event.by}, {said_at(event.at)}"
    if event.kind == "correction":
        was, value = (said[name] or "not stated" for name in ("was", "value"))
        add["corrected"].append(
            (*which, said["field"].replace("_", " "), f"{was}; {value}", who, said["reason"])
        )
    elif event.kind == "review":
        reason = str(said.get("reason", ""))
        add["withdrawn"] += [
            (*which, f"decision on the {one['mark']} of window {one['window']}", who, reason)
            for one in said.get("withdrawn", ())
        ]
        if said.get("opened"):
            add["withdrawn"].append((*which, "closing", who, reason))


def _overruled(verdict: Mapping[str, Any]) -> Iterator[tuple[str, str, str, str]]:
    """Marks that linecall had settled and that have another call now: which, from and to, by whom, why."""
    for window in verdict["windows"]:
        for name in ("indicator", "reference"):
            mark = window[name]
            first = mark.get("first_call")
            if first is None or first in {mark["call"], "doubtful"}:
                continue
            made = [one for one in mark["decisions"] if one["call"] == mark["call"]] or mark["decisions"]
            who = "; ".join(f"{one['by']}, {said_at(datetime.fromisoformat(one['at']))}" for one in made)
            reasons = "; ".join(dict.fromkeys(one["reason"] for one in made))
            which = f"{name} of window {window['id']} ({window['analyte']}, {window['tier']})"
            yield which, f"{first}, {mark['call']}", who or "readers disagree", reasons


def _of_chain(event: Event) -> str:
    return "" if event.chain is None else f" of chain {event.chain[:8]}"


def _take_photos(found: _Found, logbook: Logbook) -> None:
    try:
        missing = logbook.missing_photos(digest for _, _, _, digest in found.photos)
    except OutputError as error:  # their place is out of reach, which says nothing of any photo
        found.unseen_photos = str(error)
        return
    lost = [photo for photo in found.photos if photo[3] in missing]
    found.exceptions["photo"] += lost
    _mark(found, {photo[0] for photo in lost}, KINDS["photo"].letter)


def _mark(found: _Found, ids: set[str], letter: str) -> None:
    """Put a letter to the lines of some readings."""
    for place, line in enumerate(found.lines):
        if line[1] in ids:
            found.lines[place] = (*line[:5], line[5] + letter, *line[6:])


def _span(late: timedelta) -> str:
    hours = late / timedelta(hours=1)
    return f"{hours:.0f} h" if hours < 72 else counted(round(hours / 24), "day")


# --- what is shown ------------------------------------------------------------------------------------------


def _short(found: _Found) -> Iterator[Block]:
    order = (*GRADES, "undecided", "refused", "replaced")
    rows = tuple((name, f"{found.grades[name]:,}") for name in order if found.grades.get(name))
    yield Facts(rows=(*rows, ("all", f"{len(found.lines):,}")))
    counts = [
        f"{kind.title.lower()} {len(found.exceptions[name]):,}"
        for name, kind in KINDS.items()
        if found.exceptions[name]
    ]
    yield Sentences(texts=(f"Exceptions: {'; '.join(counts) or 'none'}.",))


def _exceptions(found: _Found, clock: Sequence[Event], *, looked: bool) -> Iterator[Block]:
    """A table of each kind that occurred. clock : times at which it had been set back; looked : at follow-ups."""
    none = []
    for name, kind in KINDS.items():
        rows = found.exceptions[name]
        if not rows:
            unseen = (name == "follow-up" and not looked) or (name == "photo" and found.unseen_photos)
            none += [] if unseen else [kind.title.lower()]
            continue
        yield Table(
            caption=f"{kind.title}, {len(rows):,} ({kind.letter}: {kind.meaning})",
            columns=kind.columns,
            rows=tuple(rows),
        )
    if none:
        yield Sentences(texts=(f"None in this time: {', '.join(none)}.",))
    if not looked:
        yield Sentences(texts=("Follow-ups were not looked at.",))
    if found.unseen_photos:
        yield Sentences(texts=(f"Photos were not looked at: {found.unseen_photos}.",), strong=True)
    yield from (
        Sentences(
            texts=(
                f"The clock was set back before entry {event.number + 1}{_of_chain(event)}, from "
                f"{event.payload['before']} to "
                f"{event.payload['now']}: times on either side cannot be compared.",
            )
        )
        for event in clock
    )
    if found.unknown_time:
        yield Sentences(
            texts=(
                f"Of {counted(len(found.unknown_time), 'reading')} neither drops nor photo have a time with an offset "
                "from UTC, so that nobody can tell whether they were entered late.",
            )
        )


def _all(found: _Found) -> Iterator[Block]:
    if not found.lines:
        yield Sentences(texts=("No reading was logged in this time.",))
        return
    letters = "; ".join(
        f"{kind.letter} {kind.title.lower()}" for kind in KINDS.values() if kind.letter not in "DF"
    )
    yield Sentences(texts=(f"In the order in which they were logged. Letters: {letters}.",))
    yield Table(
        caption="",
        columns=_columns(
            ("logged", 2.7), ("reading", 1.2), ("point", 2.2), ("grade", 2.2), ("by", 1.7), ("letters", 0.9),
            ("entry, SHA-256", 2.6),
        ),
        rows=tuple(found.lines),
    )  # fmt: skip
