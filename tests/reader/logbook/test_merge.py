"""Laptops that come home: chains of their own, nothing lost or invented, nothing that contradicts hidden."""

import subprocess
import sys
import zipfile
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest

from reader.errors import LinecallError
from reader.logbook.export import verify_zip, write_zip
from reader.logbook.follow_up_events import ASKED, ENDED, FollowUpAsked, FollowUpEnded
from reader.logbook.matching import UnsureError
from reader.logbook.people import add_person, people_of, retire
from reader.logbook.restore import restore_zip
from reader.logbook.run_events import CORRECTION, END, STEP, FileRef, RunBegun, RunCorrection, RunEnd, RunStep
from reader.logbook.summary import Rank
from reader.review.record import decisions_on
from reader.round.run import run_of
from tests.bench.merge import run
from tests.reader.logbook.devices import (
    KEEPER,
    LATER,
    begin,
    bring,
    device,
    everything,
    ids_of,
    looking,
    place_in,
    review,
)
from tests.reader.logbook.samples import AT, Place, add


def test_a_laptop_comes_home_with_its_own_chain_as_it_was_written(place: Place, tmp_path: Path) -> None:
    begin(place)
    laptop = device(tmp_path, "laptop", 3)
    with looking(laptop) as book:
        bodies = list(book.bodies())
        head = book.own_head()
    assert head is not None
    merged = bring(place, laptop)
    assert (merged.events, merged.photos) == (len(bodies), 3)
    with looking(place) as book:
        assert [(one.id, one.seq, one.hash) for one in book.heads()] == [(head.id, head.seq, head.hash)]
        assert list(book.chain_bodies(head.id)) == [(digest, body) for _, digest, body in bodies]
        assert [row.id for row in book.readings()] == ids_of(laptop)[::-1]
        report = book.verify()
        assert report.good, report.problem
        assert (report.chains, report.readings, report.photos) == (2, 3, 3)
        stored = book.reading(ids_of(laptop)[0])
        assert (stored.by, stored.statement.tank) == ("A. Lind", "T1")
        assert [event.chain for event in book.events(stored.id)] == [head.id]


def test_twice_is_the_same_as_once_and_later_events_follow(place: Place, tmp_path: Path) -> None:
    begin(place)
    laptop = device(tmp_path, "laptop")
    bring(place, laptop)
    with looking(place) as book:
        before = book.head()
    assert bring(place, laptop).event is None
    with looking(place) as book:
        assert book.head() == before
    with closing(laptop.open()) as book:
        add(book, tmp_path, 9, operator="A. Lind", at=AT + timedelta(hours=2))
    assert bring(place, laptop).events == 1
    with looking(place) as book:
        assert book.count() == 3
        assert book.verify().good


def test_a_reading_reviewed_on_another_device_that_had_merged_it_is_one_story(
    place: Place, tmp_path: Path
) -> None:
    begin(place, ("B. Moreau", "reviewer"))
    first, second = device(tmp_path, "a", 1, calls=("present", "doubtful")), device(tmp_path, "b", 0)
    (id,) = ids_of(first)
    bring(second, first)
    review(second, id, "absent", at=AT + timedelta(days=2, hours=1))
    bring(place, second, at=AT + timedelta(days=3))
    with looking(place) as book:
        stored = book.reading(id)
        assert (stored.current.grade, stored.waiting, stored.apart) == ("moderate", False, ())
        assert len(book.heads()) == 2, "what the laptop had merged comes along"
        assert book.verify().good


def test_decisions_that_contradict_wait_for_a_reviewer_who_sees_both(place: Place, tmp_path: Path) -> None:
    begin(place, ("B. Moreau", "reviewer"), ("C. Ito", "reviewer"))
    first = device(tmp_path, "a", 1, calls=("doubtful", "present"))
    second = device(tmp_path, "b", 0)
    with closing(second.open()) as book:
        add_person(book, "C. Ito", roles=["reviewer"], by=KEEPER, at=AT)
    (id,) = ids_of(first)
    bring(second, first)
    review(first, id, "present", at=AT + timedelta(days=3))
    review(second, id, "absent", by="C. Ito", at=AT + timedelta(days=2, hours=1))
    for other in (first, second):
        bring(place, other, at=AT + timedelta(days=4))
    with looking(place) as book:
        stored = book.reading(id)
        assert stored.waiting
        assert stored.current.grade == "moderate", "the graver one, though it is the earlier"
        assert "C. Ito" in stored.apart[0]
        assert "B. Moreau" in stored.apart[0]
        assert "called differently" in stored.apart[0]
        assert stored.apart[0] in stored.current.warnings
        assert book.row(id).rank is Rank.APART
        assert [row.id for row in book.waiting(now=AT)] == [id]
        assert book.verify().good
    review(place, id, "absent", at=AT + timedelta(days=5))
    with looking(place) as book:
        stored = book.reading(id)
        assert (stored.waiting, stored.apart, stored.current.grade) == (False, (), "moderate")
        assert book.verify().good


def test_closing_what_was_decided_apart_leaves_the_graver_one_standing(place: Place, tmp_path: Path) -> None:
    begin(place, ("B. Moreau", "reviewer"))
    first = device(tmp_path, "a", 1, calls=("doubtful", "present"))
    second = device(tmp_path, "b", 0)
    (id,) = ids_of(first)
    bring(second, first)
    review(first, id, "present", at=AT + timedelta(days=3))
    review(second, id, "absent", at=AT + timedelta(days=2, hours=1))
    for other in (first, second):
        bring(place, other, at=AT + timedelta(days=4))
    with closing(place.open()) as book:
        closed = {"closed": True, "reason": "seen", "waiting": False}
        book.append("review", closed, by="B. Moreau", reading=id, at=AT + timedelta(days=5))
        stored = book.reading(id)
        assert (stored.current.grade, book.row(id).grade, stored.waiting) == ("moderate", "moderate", False)
        assert book.verify().good
        assert decisions_on(stored) == (), "of one person's two calls that differ neither counts"


def test_two_reviews_that_say_the_same_need_no_third(place: Place, tmp_path: Path) -> None:
    begin(place, ("B. Moreau", "reviewer"))
    first = device(tmp_path, "a", 1, calls=("doubtful", "present"))
    second = device(tmp_path, "b", 0)
    (id,) = ids_of(first)
    bring(second, first)
    review(first, id, "absent")
    review(second, id, "absent", at=AT + timedelta(days=2, hours=1))
    for other in (second, first):
        bring(place, other, at=AT + timedelta(days=4))
    with looking(place) as book:
        stored = book.reading(id)
        assert (stored.waiting, stored.apart, stored.current.grade) == (False, (), "moderate")
        assert [made.call for made in decisions_on(stored)] == ["absent"], "one person has one voice"


def test_a_role_given_on_a_laptop_makes_nobody_a_reviewer_at_home(place: Place, tmp_path: Path) -> None:
    begin(place)
    laptop = device(tmp_path, "a", 1, calls=("doubtful", "present"))
    (id,) = ids_of(laptop)
    review(laptop, id, "present")
    merged = bring(place, laptop)
    assert any("B. Moreau is reviewer there and not here" in note for note in merged.notes)
    with looking(place) as book:
        stored = book.reading(id)
        assert (stored.waiting, stored.current.grade) == (True, "undecided"), "as it was read"
        assert "does not count here" in stored.apart[0]
    with closing(place.open()) as book:
        add_person(book, "B. Moreau", roles=["reviewer"], by=KEEPER, at=AT + timedelta(days=3))
        stored = book.reading(id)
        assert (stored.waiting, stored.current.grade, stored.apart) == (False, "negligible", ())
        assert book.verify().good


def test_corrections_that_contradict_are_shown_and_the_last_stands(place: Place, tmp_path: Path) -> None:
    begin(place)
    first, second = device(tmp_path, "a", 1), device(tmp_path, "b", 0)
    (id,) = ids_of(first)
    bring(second, first)
    for where, tank, day in ((first, "T8", 4), (second, "T9", 3)):
        with closing(where.open()) as book:
            book.correct(id, "tank", tank, by="A. Lind", reason="typed wrongly", at=AT + timedelta(days=day))
    for other in (second, first):
        bring(place, other, at=AT + timedelta(days=5))
    with closing(place.open()) as book:
        stored = book.reading(id)
        assert stored.statement.tank == book.row(id).tank == "T8"
        assert stored.apart[0].startswith('tank was corrected to "T9" by A. Lind')
        book.correct(id, "tank", "T9", by=KEEPER, reason="asked them", at=AT + timedelta(days=6))
        assert book.reading(id).apart == ()
        assert book.verify().good


def test_a_forged_chain_and_a_copy_that_went_on_are_refused_by_name(place: Place, tmp_path: Path) -> None:
    begin(place)
    laptop = device(tmp_path, "a", 1)
    copy = place_in(tmp_path, "copy")
    Path(copy.where).write_bytes(Path(laptop.where).read_bytes())
    for where, number in ((laptop, 5), (copy, 6)):
        with closing(Place(where=where.where, photos=laptop.photos).open()) as book:
            add(book, tmp_path, number, operator="A. Lind", at=AT + timedelta(hours=number))
    bring(place, laptop)
    with looking(place) as book:
        before = book.head()
    with pytest.raises(
        LinecallError, match=r"copy\.db: chain [0-9a-f]{8} \(begun by K\. Harbour, .*\) differs from event 5"
    ):
        bring(place, Place(where=copy.where, photos=laptop.photos))
    with looking(place) as book:
        assert book.head() == before
        assert book.count() == 2


def test_a_zip_of_a_merged_logbook_holds_every_chain_and_brings_them_back(
    place: Place, tmp_path: Path
) -> None:
    begin(place, ("B. Moreau", "reviewer"))
    laptops = [
        device(tmp_path, name, 2, first=10 * n, calls=("doubtful", "present")) for n, name in enumerate("ab")
    ]
    review(laptops[0], ids_of(laptops[0])[0], "absent")
    for laptop in laptops:
        bring(place, laptop)
    path = exported(place, tmp_path)
    report = verify_zip(path)
    assert report.good, report.problem
    assert (report.chains, report.readings, report.photos) == (3, 4, 4)
    again = place_in(tmp_path, "again")
    with closing(again.open()) as book:
        assert restore_zip(path, book).report.good
    assert everything(again) == everything(place)
    assert exported(again, tmp_path / "x").read_bytes() == path.read_bytes()


def test_the_readme_of_such_a_zip_says_how_to_check_every_chain(tmp_path: Path) -> None:
    home = begin(place_in(tmp_path, "home"))
    bring(home, device(tmp_path, "a", 1))
    folder = tmp_path / "unpacked"
    with zipfile.ZipFile(exported(home, tmp_path)) as archive:
        archive.extractall(folder)
    text = (folder / "README.txt").read_text(encoding="utf-8")
    script = (
        text[text.index("  import hashlib") : text.index("WHAT THIS PROVES")].replace("\n  ", "\n").strip()
    )

    def run_it() -> str:
        line = [sys.executable, "-I", "-X", "utf8", "-c", script]
        done = subprocess.run(line, cwd=folder, capture_output=True, text=True, check=False)
        return done.stdout + done.stderr

    with looking(home) as book:
        assert f"all hold; the last event is {book.head()[1]}" in run_it()
    (chain,) = (folder / "chains").iterdir()
    whole = chain.read_text(encoding="utf-8")
    for changed in (whole.replace("T1", "T2"), "".join(whole.splitlines(keepends=True)[:-1])):
        chain.write_text(changed, encoding="utf-8")
        assert "AssertionError" in run_it()


def test_a_zip_comes_home_as_the_logbook_that_it_is_of_does(tmp_path: Path) -> None:
    laptop = device(tmp_path, "a", 2)
    bring(laptop, device(tmp_path, "b", 1, first=7))
    homes = [begin(place_in(tmp_path, name)) for name in ("one", "two")]
    Path(homes[1].where).write_bytes(Path(homes[0].where).read_bytes())
    bring(homes[0], laptop)
    bring(homes[1], exported(laptop, tmp_path))
    assert everything(homes[0]) == everything(homes[1])
    assert bring(homes[1], laptop).event is None, "the same chains, whatever they came in"


def exported(place: Place, folder: Path) -> Path:
    folder.mkdir(exist_ok=True)
    path = folder / "whole.zip"
    with looking(place) as book, path.open("wb") as file:
        write_zip(book, file, at=LATER)
    return path


def test_a_laptop_that_merges_home_and_comes_home_brings_only_what_is_its_own(
    place: Place, tmp_path: Path
) -> None:
    begin(place)
    with closing(place.open()) as book:
        add(book, tmp_path, 1, operator=KEEPER)
    laptop = device(tmp_path, "a", 1, first=5)
    bring(laptop, place)
    assert len(ids_of(laptop)) == 2
    merged = bring(place, laptop)
    assert [head.id for head, _ in merged.grown] == [own_id_of(laptop)]
    with looking(place) as book:
        assert book.verify().good
    with looking(laptop) as book:
        assert book.verify().good


def own_id_of(place: Place) -> str:
    with looking(place) as book:
        head = book.own_head()
    assert head is not None
    return head.id


def test_a_logbook_merged_into_itself_or_into_an_older_copy_of_it(tmp_path: Path) -> None:
    home = device(tmp_path, "home", 1)
    assert bring(home, home).event is None
    copy = Place(where=str(tmp_path / "copy.db"), photos=home.photos)
    Path(copy.where).write_bytes(Path(home.where).read_bytes())
    with closing(copy.open()) as book:
        add(book, tmp_path, 8, operator="A. Lind", at=LATER)
    with pytest.raises(LinecallError, match="it is an older copy, and the other one has gone on"):
        bring(home, copy)
    assert bring(copy, home).event is None


# --- who is who ---------------------------------------------------------------------------------------------------


def test_names_that_may_be_one_persons_are_asked_about_and_the_answer_is_kept(
    place: Place, tmp_path: Path
) -> None:
    begin(place, ("Anna Lind", "technician"))
    laptop = device(tmp_path, "a", 1)
    with pytest.raises(UnsureError) as unsure:
        bring(place, laptop)
    asked = [(one.kind, one.there, one.alike) for one in unsure.value.questions]
    assert asked == [("person", "A. Lind", ("Anna Lind",))]
    assert "--same 'A. Lind=Anna Lind', else --apart 'A. Lind'" in str(unsure.value)
    with looking(place) as book:
        assert book.heads() == ()
        assert book.count() == 0
    bring(place, laptop, same={"A. Lind": "Anna Lind"})
    with closing(laptop.open()) as book:
        add(book, tmp_path, 4, operator="A. Lind", at=LATER)
    bring(place, laptop, at=LATER + timedelta(days=1))
    with looking(place) as book:
        assert [row.operator for row in book.readings(operator="Anna Lind")] == ["Anna Lind"] * 2
        assert {one.name for one in people_of(book)} == {KEEPER, "Anna Lind", "B. Moreau"}
        (id, *_) = ids_of(laptop)
        assert book.reading(id).by == "Anna Lind", "so that nobody reviews what they read themselves"
        assert book.verify().good


def test_somebody_said_to_be_another_person_keeps_their_name(place: Place, tmp_path: Path) -> None:
    begin(place, ("Anna Lind", "technician"))
    laptop = device(tmp_path, "a", 1)
    bring(place, laptop, apart=frozenset({"A. Lind"}))
    with looking(place) as book:
        assert {one.name for one in people_of(book)} == {KEEPER, "Anna Lind", "A. Lind", "B. Moreau"}
    assert bring(place, laptop).event is None, "nobody is asked twice"


def test_a_namesake_gets_another_name_here(place: Place, tmp_path: Path) -> None:
    begin(place, ("A. Lind", "technician"))
    bring(place, device(tmp_path, "a", 1), same={"A. Lind": "A. Lind of the tug"})
    with looking(place) as book:
        assert book.readings()[0].operator == "A. Lind of the tug"


def test_a_name_typed_wrongly_in_an_answer_makes_nobody(place: Place, tmp_path: Path) -> None:
    begin(place, ("Anna Lind", "technician"))
    with pytest.raises(LinecallError, match='"Ana Lind" is not known here, but "Anna Lind"'):
        bring(place, device(tmp_path, "a", 1), same={"A. Lind": "Ana Lind"})


def test_look_alike_letters_are_asked_about(place: Place, tmp_path: Path) -> None:
    begin(place, ("A. Lind", "technician"))
    laptop = place_in(tmp_path, "a")
    with closing(laptop.open()) as book:
        add_person(book, KEEPER, roles=["keeper"], at=AT)
        add(book, tmp_path, 1, operator="A.  LIND", at=AT)
    with pytest.raises(UnsureError) as unsure:
        bring(place, laptop)
    assert ("person", "A.  LIND") in [(one.kind, one.there) for one in unsure.value.questions]


def test_tanks_and_points_that_look_alike_are_asked_about(place: Place, tmp_path: Path) -> None:
    begin(place)
    with closing(place.open()) as book:
        add(book, tmp_path, 1, operator=KEEPER, tank="Tank 3", sample_point="sump")
    laptop = device(tmp_path, "a", 1, first=5, tank="tank 3", sample_point="Sump")
    with pytest.raises(UnsureError) as unsure:
        bring(place, laptop)
    assert {(one.kind, one.there, one.alike) for one in unsure.value.questions} == {
        ("tank", "tank 3", ("Tank 3",)),
        ("sample point", "Sump", ("sump",)),
    }
    bring(place, laptop, same={"tank 3": "Tank 3"}, apart=frozenset({"Sump"}))
    with looking(place) as book:
        assert {(row.tank, row.sample_point) for row in book.readings()} == {
            ("Tank 3", "sump"),
            ("Tank 3", "Sump"),
        }


def test_whoever_has_retired_here_stays_so(place: Place, tmp_path: Path) -> None:
    begin(place, ("A. Lind", "technician"))
    with closing(place.open()) as book:
        retire(book, "A. Lind", by=KEEPER, reason="left", at=AT)
    bring(place, device(tmp_path, "a", 1))
    with looking(place) as book:
        found = {one.name: one.retired_at is not None for one in people_of(book)}
    assert found == {KEEPER: False, "A. Lind": True, "B. Moreau": False}


def test_only_a_keeper_merges(place: Place, tmp_path: Path) -> None:
    begin(place, ("C. Ito", "technician"))
    with pytest.raises(LinecallError, match=r"C\. Ito is no keeper .* --role keeper makes them one"):
        bring(place, device(tmp_path, "a", 1), by="C. Ito")


def test_many_laptops_in_any_order_forged_ones_and_kills(tmp_path: Path) -> None:
    """A sample of the bench, which takes forty laptops, 500 events each, and a hundred kills."""
    assert list(run(tmp_path, n_laptops=4, n_events=12, n_orders=3, n_kills=5, seed=1)) == []


# --- runs and what follows ----------------------------------------------------------------------------------------

FILE = FileRef(name="ours", revision=1, sha256="a" * 64)


def begun(**changes: object) -> RunBegun:
    fields = {
        "site": FILE, "procedure": FILE, "layout": FILE, "reading_age": (15.0, 30.0), "point": "P1", "tank": "T",
        "point_name": "drain", "tank_name": "tank", "phase": "fuel", "lot": "L1", "operator": KEEPER, "at": AT,
        "entry": "at once",
    }  # fmt: skip
    return RunBegun.model_validate(fields | changes)


def stepped(name: str) -> tuple[str, RunStep]:
    return STEP, RunStep(step=name, at=AT, entry="at once")


def test_runs_on_one_point_or_plate_from_two_devices_are_shown_and_both_go_on(
    place: Place, tmp_path: Path
) -> None:
    begin(place)
    laptop = device(tmp_path, "a", 0)
    with closing(place.open()) as book:
        ours = book.begin_run(begun(plate="7"), [stepped("sample")], by=KEEPER, at=AT)
    with closing(laptop.open()) as book:
        theirs = book.begin_run(begun(plate="7"), [stepped("drops")], by="A. Lind", at=AT)
    merged = bring(place, laptop)
    both = " and ".join(sorted([ours, theirs]))
    assert [note for note in merged.notes if "runs" in note] == [
        f"sample point P1 of site ours has open runs {both}; see linecall run show, and end what is not so",
        f"plate 7 of lot L1 is in runs {both}; see linecall run show, and end what is not so",
    ]
    with closing(place.open()) as book:
        assert {row.id for row in book.runs(is_open=True)} == {ours, theirs}
        last = next(row.last_seq for row in book.runs() if row.id == ours)
        book.add_to_run(ours, [stepped("drops")], by=KEEPER, at=LATER, expect_last=last)
        last = next(row.last_seq for row in book.runs() if row.id == theirs)
        event = run_of(book.run_events(theirs)).steps[0].seq
        wrong = RunCorrection(event=event, was={}, now={"at": "2026-05-04T08:00:00+02:00"}, reason="x")
        with pytest.raises(LinecallError, match="was entered on another device; correct it there"):
            book.add_to_run(theirs, [(CORRECTION, wrong)], by=KEEPER, at=LATER, expect_last=last)
        ended = RunEnd(how="abandoned", reason="the laptop's, seen here")
        book.add_to_run(theirs, [(END, ended)], by=KEEPER, at=LATER, expect_last=last)
        assert run_of(book.run_events(theirs)).ended == "abandoned"
        assert [row.id for row in book.runs(is_open=True)] == [ours]
        with pytest.raises(LinecallError, match="sample point P1 has an open run"):
            book.begin_run(begun(plate="8"), by=KEEPER, at=LATER)
        assert book.verify().good
        book.rebuild()
        assert book.verify().good


def test_a_correction_made_on_the_laptop_is_about_its_own_entry(place: Place, tmp_path: Path) -> None:
    begin(place)
    with closing(place.open()) as book:
        for number in range(3):
            add(book, tmp_path, number, operator=KEEPER)
    laptop = device(tmp_path, "a", 0)
    with closing(laptop.open()) as book:
        run = book.begin_run(begun(), [stepped("drops")], by="A. Lind", at=AT)
        event = run_of(book.run_events(run)).steps[0].seq
        right = RunCorrection(event=event, was={}, now={"at": "2026-05-04T08:30:00+02:00"}, reason="x")
        last = book.runs()[0].last_seq
        book.add_to_run(run, [(CORRECTION, right)], by="A. Lind", at=AT, expect_last=last)
        there = run_of(book.run_events(run))
    bring(place, laptop)
    with looking(place) as book:
        here = run_of(book.run_events(run))
        assert here.drops_at == there.drops_at
        assert [(row.id, row.drops_at) for row in book.runs()] == [(run, there.drops_at)]


def test_a_point_that_lies_on_another_tank_there_is_asked_about(place: Place, tmp_path: Path) -> None:
    begin(place)
    laptop = device(tmp_path, "a", 0)
    with closing(place.open()) as book:
        book.begin_run(begun(), by=KEEPER, at=AT)
    with closing(laptop.open()) as book:
        run = book.begin_run(begun(tank="other"), by="A. Lind", at=AT)
    with pytest.raises(UnsureError) as unsure:
        bring(place, laptop)
    (asked,) = unsure.value.questions
    assert "of site ours is on tank other there, and of site ours is on tank T here" in str(asked)
    assert "--same P1=P1, else --same 'P1=ANOTHER ID'" in asked.options
    bring(place, laptop, same={"P1": "P1-laptop"})
    with looking(place) as book:
        assert {(row.point, row.id == run) for row in book.runs()} == {("P1", False), ("P1-laptop", True)}
        assert run_of(book.run_events(run)).point == "P1-laptop"


def test_follow_ups_come_home_and_one_is_ended_here(place: Place, tmp_path: Path) -> None:
    begin(place)
    laptop = device(tmp_path, "a", 1)
    (id,) = ids_of(laptop)
    asked = FollowUpAsked.model_validate(
        {
            "site": FILE, "reading": id, "point": "P1", "tank": "T", "point_name": "drain", "tank_name": "tank",
            "action": "drain", "kind": "do", "text": "Drain it.", "owner": "A. Lind", "since": AT, "due_at": LATER,
            "grade": "heavy", "because": "x",
        }
    )  # fmt: skip
    with closing(laptop.open()) as book:
        assert book.add_to_follow_ups([("", ASKED, asked)], by="A. Lind", at=LATER) == 1
    bring(place, laptop, at=LATER + timedelta(hours=1))
    with closing(place.open()) as book:
        ((event,),) = book.follow_ups(is_open=True)
        ended = FollowUpEnded(how="done", at=LATER, reason="drained")
        book.add_to_follow_ups([(event.id, ENDED, ended)], by=KEEPER, at=LATER + timedelta(hours=2))
        assert book.follow_ups(is_open=True) == []
        assert book.add_to_follow_ups([("", ASKED, asked)], by=KEEPER, at=LATER) == 0, (
            "it was asked for there"
        )
        assert book.verify().good


def test_a_logbook_on_a_server_comes_home_too(place: Place, tmp_path: Path) -> None:
    home = begin(place_in(tmp_path, "home"))
    begin(place, ("A. Lind", "technician"))
    with closing(place.open()) as book:
        add(book, tmp_path, 1, operator="A. Lind")
    assert bring(home, place).events == 3
    assert bring(home, place).event is None
    bring(place, home)
    for one in (home, place):
        with looking(one) as book:
            report = book.verify()
            assert (report.problem, report.chains, report.readings) == (None, 2, 1)
