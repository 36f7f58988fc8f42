"""What a laptop that comes home may bring: forged, damaged, dated into the future, or growing while it is looked at."""

import hashlib
import json
import re
import threading
import zipfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from reader.errors import LinecallError
from reader.logbook import Logbook
from reader.logbook.chains import ChainHead, free_slot
from reader.logbook.events import GENESIS
from reader.logbook.export import write_zip
from reader.logbook.merge import LogbookSource, merge, open_source
from reader.logbook.tables import FORMAT
from reader.store.canonical import canonical_json
from tests.reader.logbook.devices import (
    KEEPER,
    LATER,
    begin,
    bring,
    device,
    ids_of,
    looking,
    place_in,
    review,
)
from tests.reader.logbook.samples import AT, Place, add

Told = dict[str, Any]


class Forged:
    """A logbook whose events were changed and chained anew, so that every hash is right."""

    name = "forged"

    def __init__(self, of: Place, change: Callable[[list[Told]], None]) -> None:
        with looking(of) as book:
            events = [json.loads(body) for _, _, body in book.bodies()]
            self.photos = {
                photo["sha256"]: book.photo_bytes(photo["sha256"])
                for event in events
                if event["kind"] == "reading"
                for photo in event["payload"]["photos"]
            }
        change(events)
        self.events: list[tuple[str, str]] = []
        previous = GENESIS
        for seq, event in enumerate(events, 1):
            body = canonical_json(event | {"seq": seq, "previous": previous})
            previous = hashlib.sha256(body).hexdigest()
            self.events.append((previous, body.decode()))

    def check(self, progress: object) -> str | None:
        return None

    def heads(self) -> Sequence[ChainHead]:
        return [ChainHead(id=self.events[0][0], seq=len(self.events), hash=self.events[-1][0])]

    def bodies(self, chain: str, after: int, until: int) -> Iterator[tuple[str, str]]:
        return iter(self.events[after:until])

    def photo(self, sha256: str) -> bytes:
        return self.photos[sha256]


def in_future(events: list[Told]) -> None:
    events[-1]["at"] = "2099-01-01T00:00:00+00:00"


def about_nothing(events: list[Told]) -> None:
    events[-1]["reading"] = "zzzzzzzz"


def same_id_twice(events: list[Told]) -> None:
    events[1]["id"] = events[0]["id"]


def lists_say_otherwise(events: list[Told]) -> None:
    next(one for one in events if one["kind"] == "reading")["payload"]["summary"]["grade"] = "negligible"


def had_seen_what_is_not_here(events: list[Told]) -> None:
    head = {"chain": "1" * 64, "seq": 3, "hash": "2" * 64, "since": 0}
    events[-1] |= {"kind": "merge", "reading": None, "payload": {"chains": [head], "called": []}}


def half_a_decision(events: list[Told]) -> None:
    events[-1]["payload"]["decisions"] = [{"window": "1"}]


def no_verdict(events: list[Told]) -> None:
    events[-1]["payload"]["verdict"] = {"status": "read", "grade": "moderate"}


def a_step_of_a_reading(events: list[Told]) -> None:
    step = {"step": "drops", "at": "2026-05-04T09:00:00+02:00", "entry": "at once"}
    events[-1] |= {"kind": "run_step", "payload": step}


def no_payload(events: list[Told]) -> None:
    events[-1] |= {"payload": {"decisions": 7}}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (in_future, "event 5 is of 2099-01-01 .* later than this computer's clock"),
        (about_nothing, "event 5 is about zzzzzzzz, which no event here began"),
        (same_id_twice, "two of its events have the id"),
        (lists_say_otherwise, "event 4: it says negligible for lists, but its verdict is heavy"),
        (had_seen_what_is_not_here, "its event 5 had taken in event 3 of chain 11111111, which is not here"),
        (half_a_decision, "event 5: it holds no whole decision"),
        (no_verdict, "event 5: "),
        (a_step_of_a_reading, "is a run_step about"),
        (no_payload, "event 5"),
    ],
    ids=lambda one: one.__name__ if callable(one) else "",
)
def test_what_no_linecall_writes_is_refused_by_name_and_nothing_taken(
    tmp_path: Path, change: Callable[[list[Told]], None], message: str
) -> None:
    home, laptop = begin(place_in(tmp_path, "home")), device(tmp_path, "a", 1)
    review(laptop, ids_of(laptop)[0], "absent")
    source = Forged(laptop, change)
    with closing(home.open()) as book:
        before = book.head()
        with pytest.raises(LinecallError, match=message) as refused:
            merge(book, source, by=KEEPER, at=LATER)
        assert "forged: chain " in str(refused.value)
        assert "\n" not in str(refused.value)
        assert (book.head(), book.heads(), book.count()) == (before, (), 0)
        assert bring(home, laptop).events == 5, "the true one comes in afterwards"
        assert book.verify().good


def test_ids_of_another_chain_are_taken_by_nobody(tmp_path: Path) -> None:
    home, laptop = begin(place_in(tmp_path, "home")), device(tmp_path, "a", 1)
    with closing(home.open()) as book:
        id = add(book, tmp_path, 3, operator=KEEPER)

    def copied(events: list[Told]) -> None:
        events[-1] |= {"id": id, "reading": id}

    with (
        closing(home.open()) as book,
        pytest.raises(LinecallError, match=f"has the id {id}, which an event of another"),
    ):
        merge(book, Forged(laptop, copied), by=KEEPER, at=LATER)


def test_no_laptop_takes_the_place_of_a_reading_that_it_has_not_seen(tmp_path: Path) -> None:
    home, laptop = begin(place_in(tmp_path, "home")), device(tmp_path, "a", 1)
    with closing(home.open()) as book:
        id = add(book, tmp_path, 3, operator=KEEPER)

    def supersedes(events: list[Told]) -> None:
        events[-1]["payload"] |= {"supersedes": [id], "reason": "so"}

    with closing(home.open()) as book:
        merge(book, Forged(laptop, supersedes), by=KEEPER, at=LATER)
        assert book.row(id).superseded_by is None
        assert book.count(standing=True) == 2
        assert book.verify().good


def test_a_first_event_that_was_copied_makes_no_second_chain(tmp_path: Path) -> None:
    home, laptop = begin(place_in(tmp_path, "home")), device(tmp_path, "a", 1)

    def other_tank(events: list[Told]) -> None:
        events[-1]["payload"]["statement"]["tank"] = "T66"

    bring(home, laptop)
    with (
        closing(home.open()) as book,
        pytest.raises(LinecallError, match="differs from event 4 on from the one that"),
    ):
        merge(book, Forged(laptop, other_tank), by=KEEPER, at=LATER)


def test_a_photo_that_is_gone_or_altered_refuses_the_whole(tmp_path: Path) -> None:
    home, laptop = begin(place_in(tmp_path, "home")), device(tmp_path, "a", 2)
    with looking(laptop) as book:
        digest = book.reading(ids_of(laptop)[1]).photos[0].sha256
    kept = laptop.photo_path(digest).read_bytes()
    laptop.photo_path(digest).write_bytes(b"another")
    with pytest.raises(LinecallError, match=f"photo {digest} has been altered.*nothing was taken"):
        bring(home, laptop)
    laptop.photo_path(digest).unlink()
    with pytest.raises(LinecallError, match=f"photo {digest} is missing; nothing was taken"):
        bring(home, laptop)
    assert ids_of(home) == []
    laptop.photo_path(digest).write_bytes(kept)
    assert bring(home, laptop).photos == 2


def test_a_later_format_is_refused_in_a_line(tmp_path: Path) -> None:
    home, laptop = begin(place_in(tmp_path, "home")), device(tmp_path, "a", 1)
    laptop.tamper(f"UPDATE linecall_logbook SET value = '{FORMAT + 1}' WHERE name = 'format'")
    with pytest.raises(LinecallError, match=f"is a logbook of format {FORMAT + 1}.*update linecall"):
        bring(home, laptop)


def test_a_zip_made_to_do_harm_is_refused(tmp_path: Path) -> None:
    home, laptop = begin(place_in(tmp_path, "home")), device(tmp_path, "a", 1)
    bring(laptop, device(tmp_path, "b", 1, first=5))
    whole = tmp_path / "whole.zip"
    with looking(laptop) as book, whole.open("wb") as file:
        write_zip(book, file, at=LATER)

    def rewritten(change: Callable[[str, bytes], tuple[str, bytes]]) -> Path:
        path = tmp_path / "changed.zip"
        with zipfile.ZipFile(whole) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
            for name in old.namelist():
                new.writestr(*change(name, old.read(name)))
        return path

    is_chain = "chains/".__eq__
    cases: list[tuple[Callable[[str, bytes], tuple[str, bytes]], str]] = [
        (lambda n, d: (n, d + b"0" * 50_000_000 if is_chain(n[:7]) else d), "would unpack to far more"),
        (lambda n, d: ("chains/../../x" if is_chain(n[:7]) else n, d), "is no file that an export has"),
        (
            lambda n, d: (f"chains/{'0' * 64}.jsonl" if is_chain(n[:7]) else n, d),
            "chain 00000000: its first event is not",
        ),
        (
            lambda n, d: (n, d.replace(b"A. Lind", b"A. Lund") if is_chain(n[:7]) else d),
            "event 2: it has been changed",
        ),
        (
            lambda n, d: (n, d.rpartition(b"\n")[0].rpartition(b"\n")[0] + b"\n" if is_chain(n[:7]) else d),
            "ends at event 3",
        ),
    ]
    for change, message in cases:
        with pytest.raises(LinecallError, match=message):
            bring(home, rewritten(change))
    assert bring(home, whole).events == 9


def test_what_is_written_while_it_is_merged_comes_the_next_time(tmp_path: Path) -> None:
    home, laptop = begin(place_in(tmp_path, "home")), device(tmp_path, "a", 1)

    class Growing(LogbookSource):
        def photo(self, sha256: str) -> bytes:
            with closing(laptop.open()) as book:
                add(book, tmp_path, 40 + len(ids_of(laptop)), operator="A. Lind", at=LATER)
            return super().photo(sha256)

    with closing(home.open()) as book, looking(laptop) as theirs:
        assert merge(book, Growing(theirs), by=KEEPER, at=LATER).events == 4
        assert book.verify().good
    assert bring(home, laptop).events == 1


def test_two_merges_at_once_take_both(place: Place, tmp_path: Path) -> None:
    begin(place)
    laptops = [device(tmp_path, name, 3, first=10 * n) for n, name in enumerate("abcd")]
    bring(laptops[3], laptops[0])
    problems: list[BaseException] = []

    def run(laptop: Place) -> None:
        try:
            bring(place, laptop)
        except BaseException as error:
            problems.append(error)

    threads = [threading.Thread(target=run, args=(laptop,)) for laptop in laptops]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert problems == []
    with looking(place) as book:
        assert book.count() == 12
        assert len(book.heads()) == 4
        assert book.verify().good


def test_a_logbook_that_was_tampered_with_is_not_merged(tmp_path: Path) -> None:
    home, laptop = begin(place_in(tmp_path, "home")), device(tmp_path, "a", 2)
    laptop.tamper("UPDATE linecall_event SET body = replace(body, 'T1', 'T2')")
    with pytest.raises(LinecallError, match=r"a\.db: event \d: it has been changed.*nothing was taken"):
        bring(home, laptop)


@pytest.mark.parametrize(
    ("statement", "message"),
    [
        (
            "DELETE FROM linecall_other_event WHERE seq & 4294967295 = 5",
            "event 5 and what followed is missing",
        ),
        ("DELETE FROM linecall_other_event WHERE seq & 4294967295 = 2", "event 2: it is missing"),
        ("DELETE FROM linecall_other_event", "is missing"),
        ("UPDATE linecall_other_event SET body = replace(body, 'T1', 'T2')", "event 4: it has been changed"),
        (
            "UPDATE linecall_other_event SET kind = 'note' WHERE kind = 'review'",
            "its row does not say what the event",
        ),
        (
            "UPDATE linecall_other_event SET \"by\" = 'X' WHERE kind = 'review'",
            "its row does not say what the event",
        ),
        ("UPDATE linecall_chain SET seq = 4", "is not the last that was taken in"),
        ("DELETE FROM linecall_chain", "which is missing|never taken in"),
        ("UPDATE linecall_seen SET until = 2", "what was noted of the merges is not what they say"),
        ("DELETE FROM linecall_seen", "what was noted of the merges is not what they say"),
        ("UPDATE linecall_called SET here = 'X'", "the names of other logbooks are not what the merges say"),
        ("UPDATE linecall_reading SET grade = 'negligible'", "the lists show something else about it"),
        ("UPDATE linecall_reading SET last_seq = 2", "the lists show something else about it"),
        ("DELETE FROM linecall_reading", "the lists show something else about it"),
        ("INSERT INTO linecall_takeover VALUES ('x', 'y')", "of linecall_takeover, but the events hold 0"),
    ],
)
def test_whatever_is_changed_in_a_merged_logbook_is_found(
    tmp_path: Path, statement: str, message: str
) -> None:
    home = begin(place_in(tmp_path, "home"), ("Anna Lind", "technician"), ("B. Moreau", "reviewer"))
    laptop = device(tmp_path, "a", 1)
    review(laptop, ids_of(laptop)[0], "absent")
    bring(home, laptop, same={"A. Lind": "Anna Lind"})
    guards = [f"DROP TRIGGER linecall_no_other_{what}" for what in ("update", "delete")]
    with looking(home) as book:
        assert book.verify().good
        seal = book.seal(at=LATER)
    home.tamper(*guards, statement)
    with looking(home) as book:
        report = book.verify(seals=[seal])
        assert not report.good
        assert re.search(message, report.problem or ""), report.problem
    if "linecall_other_event" not in statement and "linecall_chain" not in statement:
        with closing(home.open()) as book:
            book.rebuild()
            assert book.verify().problem is None


def test_a_chain_taken_out_as_a_whole_is_missed(tmp_path: Path) -> None:
    home, laptop = begin(place_in(tmp_path, "home")), device(tmp_path, "a", 1)
    bring(home, laptop)
    home.tamper(
        "DROP TRIGGER linecall_no_other_delete",
        *(f"DELETE FROM linecall_{name}" for name in ("other_event", "chain", "seen", "called", "reading")),
    )
    with looking(home) as book:
        assert "took in chain" in (book.verify().problem or "")


def test_a_seal_made_on_the_laptop_is_found_at_home_and_a_cut_chain_by_it(tmp_path: Path) -> None:
    home, laptop = begin(place_in(tmp_path, "home")), device(tmp_path, "a", 2)
    with looking(laptop) as book:
        seal = book.seal(at=AT)
    bring(home, laptop)
    other = device(tmp_path, "b", 3, first=7)
    with looking(other) as book:
        unknown = book.seal(at=AT)
    with looking(home) as book:
        assert book.verify(seals=[seal, book.seal(at=LATER)]).good
        assert not book.verify(seals=[unknown]).good


def test_slots_do_not_collide_and_none_is_the_own_one() -> None:
    taken: dict[int, object] = {}
    for id in ("00000" + "0" * 59, "00000" + "1" * 59, "fffff" + "0" * 59, "fffff" + "1" * 59):
        slot = free_slot(taken, id)
        assert slot != 0
        assert slot not in taken
        taken[slot] = None


def test_an_empty_one_and_one_that_is_not_there(tmp_path: Path) -> None:
    home = begin(place_in(tmp_path, "home"))
    Logbook.open(tmp_path / "empty.db").close()
    with pytest.raises(LinecallError, match=r"empty\.db: holds no events; there is nothing to merge"):
        bring(home, Place(where=str(tmp_path / "empty.db"), photos=str(tmp_path)))
    with pytest.raises(LinecallError, match="there is no logbook"), open_source(str(tmp_path / "none.db")):
        pass
