"""Another logbook is brought into one: what its chains have more than those here, their photos first, all or nothing.

The other logbook, with every chain that it has taken in itself, is checked as a whole before anything is taken. A
chain that is here may only have grown: where two copies of it differ, one of them went on by itself or was forged, and
neither is taken for the other.
"""

import zipfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, closing
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Final, Protocol

from reader.errors import LinecallError
from reader.logbook.chains import DECIDING_ROLES, PERSON, ChainHead, short
from reader.logbook.events import GENESIS, Event, load_event
from reader.logbook.export import HeadOfZip, chain_lines, heads_of_zip, photo_names, verify_zip
from reader.logbook.matching import Answers, Ask, Matching, Names, UnsureError, names_in
from reader.logbook.people import Person, begin_with, people_of, settle
from reader.logbook.store import Logbook, StaleHeadError
from reader.logbook.take_in import Incoming, held_against
from reader.words import counted, listed
from reader.words.names import folded

ATTEMPTS: Final = 5
"""Times that a merge is tried while others merge into the same logbook."""

Progress = Callable[[int], None] | None


class Source(Protocol):
    """Another logbook, wherever it is kept."""

    name: str

    def check(self, progress: Progress) -> str | None:
        """What does not hold in it; None where all does. Raises LinecallError where it cannot be checked."""

    def heads(self) -> Sequence[ChainHead]:
        """Its chains, its own first, as of now."""

    def bodies(self, chain: str, after: int, until: int) -> Iterator[tuple[str, str]]:
        """(hash, body) of a chain's events after one number up to another."""

    def photo(self, sha256: str) -> bytes:
        """Bytes of a photo. Raises LinecallError where it is missing or was altered."""


class LogbookSource:
    """A logbook in SQLite or PostgreSQL."""

    def __init__(self, logbook: Logbook) -> None:
        """Take it, open for reading."""
        self._logbook = logbook
        self.name = logbook.name

    def check(self, progress: Progress) -> str | None:
        """Check its chains, photos and lists."""
        return self._logbook.verify(progress).problem

    def heads(self) -> Sequence[ChainHead]:
        """Its chains as of now."""
        own = self._logbook.own_head()
        return () if own is None else (own, *self._logbook.heads())

    def bodies(self, chain: str, after: int, until: int) -> Iterator[tuple[str, str]]:
        """Events of a chain."""
        return self._logbook.chain_bodies(chain, after=after, until=until)

    def photo(self, sha256: str) -> bytes:
        """Bytes of a photo."""
        return self._logbook.photo_bytes(sha256)


class ZipSource(AbstractContextManager["ZipSource"]):
    """A zip that `linecall logbook export` wrote of a whole logbook."""

    def __init__(self, path: Path) -> None:
        """Take its path; it is opened once it has been checked."""
        self._path = path
        self.name = str(path)
        self._archive: zipfile.ZipFile | None = None
        self._heads: Sequence[HeadOfZip] = ()
        self._photos: dict[str, str] = {}

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close it."""
        if self._archive is not None:
            self._archive.close()

    def check(self, progress: Progress) -> str | None:
        """Check it as a whole; it must be a whole backup."""
        report = verify_zip(self._path, progress=progress)
        if report.problem is not None:
            return report.problem
        self._archive = zipfile.ZipFile(self._path)
        self._heads, self._photos = heads_of_zip(self._archive), photo_names(self._archive)
        if report.photos_left_out or report.photos < len(self._photos):
            raise LinecallError(
                f"{self.name}: lacks photos or has them changed; export all readings, without --strip-metadata"
            )
        return None

    def heads(self) -> Sequence[ChainHead]:
        """Its chains."""
        return [one.head for one in self._heads]

    def bodies(self, chain: str, after: int, until: int) -> Iterator[tuple[str, str]]:
        """Events of a chain."""
        assert self._archive is not None, "checked first"
        member = next(one.member for one in self._heads if one.head.id == chain)
        with closing(chain_lines(self._archive, member)) as lines:
            for number, parts in enumerate(lines, 1):
                if number > until:
                    return
                if number > after:
                    yield parts

    def photo(self, sha256: str) -> bytes:
        """Bytes of a photo."""
        assert self._archive is not None, "checked first"
        return self._archive.read(self._photos[sha256])


@dataclass(frozen=True, kw_only=True, slots=True)
class Merged:
    """What a merge took: its event, None where there was nothing new; the chains that grew, and what is to be known."""

    event: Event | None
    grown: tuple[tuple[ChainHead, int], ...] = ()
    photos: int = 0
    notes: tuple[str, ...] = ()

    @property
    def events(self) -> int:
        """How many events of other chains were taken."""
        return sum(head.seq - since for head, since in self.grown)


def open_source(where: str, photos: str | None = None) -> AbstractContextManager[Logbook | ZipSource]:
    """Another logbook by its path or URL, or its zip; photos : their place, where it is not beside the file.

    Raises LinecallError if there is none.
    """
    if "://" not in where and zipfile.is_zipfile(where):
        return ZipSource(Path(where))
    return Logbook.open(where, read_only=True, photos=photos)


def merge(
    home: Logbook,
    source: Source,
    *,
    by: str,
    at: datetime,
    answers: Answers | None = None,
    ask: Ask | None = None,
    progress: Progress = None,
) -> Merged:
    """Bring another logbook into one.

    by : a keeper here, or whoever begins this logbook with it. answers, ask : who is who where that is not sure; ask
    is asked what `answers` leaves open. progress : told from time to time how many events of a chain have been looked
    at. Raises LinecallError, with nothing taken, where the other logbook does not hold, a chain of it is another one
    here, or what is unsure was not answered (UnsureError).
    """
    problem = source.check(progress)
    if problem is not None:
        raise LinecallError(f"{source.name}: {problem}; nothing was taken")
    heads = source.heads()
    if not heads:
        raise LinecallError(f"{source.name}: holds no events; there is nothing to merge")
    for _ in range(ATTEMPTS):
        incoming = [one for one in (_incoming(home, source, head) for head in heads) if one is not None]
        if not incoming:
            return Merged(event=None)
        keeper = _keeper(home, by, at)
        called = _match(home, source, incoming, answers or Answers(same={}), ask)
        n_photos = _bring_photos(home, source, incoming)
        try:
            event = home.take_in(incoming, called=called, by=keeper.name, at=at, progress=progress)
        except StaleHeadError:
            continue
        except LinecallError as error:
            raise LinecallError(f"{source.name}: {error}; nothing was taken") from error
        return Merged(
            event=event,
            grown=tuple((one.head, one.since) for one in incoming),
            photos=n_photos,
            notes=(*_role_notes(home, incoming), *home.doubles()),
        )
    raise LinecallError(f"{home.name}: others keep merging into it; nothing was taken, try again")


def _keeper(home: Logbook, by: str, at: datetime) -> Person:
    begin_with(home, by, role="keeper", at=at)
    who = settle(home, by, role="keeper")
    if "keeper" not in who.roles:
        raise LinecallError(
            f'{who.name} is no keeper in {home.name}, and a merge is a keeper\'s; linecall people add "{who.name}" '
            "--role keeper makes them one"
        )
    return who


# --- what is new ------------------------------------------------------------------------------------------


def _incoming(home: Logbook, source: Source, head: ChainHead) -> Incoming | None:
    """What a chain has more there than here; None where that is nothing. Raises LinecallError where they differ."""
    own = home.own_head()
    is_own = own is not None and own.id == head.id
    here = own if is_own else next((one for one in home.heads() if one.id == head.id), None)
    since = 0 if here is None else min(here.seq, head.seq)
    previous = GENESIS
    if here is not None:
        (previous, _), (theirs, _) = (
            next(iter(book(head.id, since - 1, since))) for book in (partial(_bodies, home), source.bodies)
        )
        if previous != theirs:
            raise _fork(home, source, head, since)
    if head.seq == since:
        return None
    if is_own:
        raise LinecallError(
            f"{source.name}: holds this logbook's own chain, {short(head.id)}, up to event {head.seq}, but {home.name} "
            f"ends at event {since}: it is an older copy, and the other one has gone on; nothing was taken, use the "
            "other one in its place"
        )
    return Incoming(
        head=head,
        since=since,
        previous=previous,
        bodies=lambda: source.bodies(head.id, since, head.seq),
    )


def _bodies(home: Logbook, chain: str, after: int, until: int) -> Iterator[tuple[str, str]]:
    return home.chain_bodies(chain, after=after, until=until)


def _fork(home: Logbook, source: Source, head: ChainHead, until: int) -> LinecallError:
    both = zip(_bodies(home, head.id, 0, until), source.bodies(head.id, 0, until), strict=True)
    first = next(number for number, (ours, theirs) in enumerate(both, 1) if ours[0] != theirs[0])
    return LinecallError(
        f"{source.name}: {head} differs from event {first} on from the one that {home.name} has: two copies of one "
        "logbook have both gone on, or one was forged; nothing was taken. Ask who wrote events from there on, hold "
        "both against a seal (linecall logbook verify --seal), and read again here the photos of the one that is not "
        "to be merged"
    )


# --- who is who -------------------------------------------------------------------------------------------


def _match(
    home: Logbook, source: Source, incoming: Sequence[Incoming], answers: Answers, ask: Ask | None
) -> list[dict[str, str]]:
    """What the new names are called here. Raises UnsureError where that is not known."""
    people = {(PERSON, one.name): frozenset[str]() for one in people_of(home)}
    matching = Matching(home.stated_names() | people, answers)
    for one in sorted(incoming, key=lambda one: one.head.id):
        matching.match(one.head.id, _names(source, one), home.matched_names(one.head.id), ask)
    if matching.questions:
        raise UnsureError(source.name, matching.questions)
    return matching.called


def _events(source: Source, one: Incoming) -> Iterator[Event]:
    name = f"chain {short(one.head.id)}"
    for number, (digest, body) in enumerate(one.bodies(), one.since + 1):
        with held_against(f"{source.name}: {name}"):
            event = load_event(number, digest, body, of=name)
        yield event


def _names(source: Source, one: Incoming) -> Names:
    found: dict[tuple[str, str], frozenset[str]] = {}
    for event in _events(source, one):
        for kind, name, told in names_in(event):
            found[kind, name] = found.get((kind, name), frozenset()) | ({told} if told else set())
    return found


def _role_notes(home: Logbook, incoming: Sequence[Incoming]) -> Iterator[str]:
    """Who may decide there and not here."""
    here = {folded(one.name): set(one.roles) for one in people_of(home)}
    there: dict[str, set[str]] = {}
    for one in incoming:
        for event in home.site_events("person", everywhere=True):
            if event.chain == one.head.id:
                there.setdefault(str(event.payload["name"]), set()).update(event.payload["roles"])
    for name, roles in sorted(there.items()):
        lacking = sorted((roles & DECIDING_ROLES) - here.get(folded(name), set()))
        if lacking:
            yield (
                f"{name} is {listed(lacking)} there and not here: what they decide there is shown here and does not "
                f'count, until linecall people add "{name}" --role {lacking[0]}'
            )


# --- photos -----------------------------------------------------------------------------------------------


def _bring_photos(home: Logbook, source: Source, incoming: Sequence[Incoming]) -> int:
    """Keep the photos that the new events name; returns how many."""
    n = 0
    for one in incoming:
        for event in _events(source, one):
            if event.kind == "reading":
                for photo in event.payload["photos"]:
                    try:
                        data = source.photo(photo["sha256"])
                    except LinecallError as error:
                        raise LinecallError(
                            f"{source.name}: chain {short(one.head.id)}, event {event.seq}: {error}; nothing was taken"
                        ) from error
                    home.put_photo(photo["sha256"], data)
                    n += 1
    return n


def in_words(merged: Merged, source: str) -> Iterator[str]:
    """What a merge did, a line each."""
    if merged.event is None:
        yield f"nothing in {source} is new"
        return
    held = f"{counted(merged.events, 'event')}, {counted(merged.photos, 'photo')}"
    yield f"merged {source}: {held}; event {merged.event.seq}"
    for head, since in merged.grown:
        yield f"  {head}: events {since + 1} to {head.seq}"
