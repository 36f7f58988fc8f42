"""Kept readings read again: as they were then, with what would change and why; and the logbook stays as it is."""

import hashlib
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from fixtures.verdicts import refused_verdict
from reader.decide.records import ReadingAgeRecord
from reader.errors import OutputError
from reader.logbook import Logbook, Statement
from reader.logbook import reread as module
from reader.logbook.reread import Reread, load_settings_at_hand, mark_changes, reread, settings_for
from reader.read import examine, examine_plate
from reader.review.policy import load_policy
from reader.review.record import close, decide
from reader.run.pool import OwnProcesses
from reader.settings.read_settings import load_settings
from reader.settings.values import load_layout, load_rules, load_thresholds, settings_path
from reader.verdict.model import SettingsRecord, Verdict
from tests.reader.logbook.samples import Place
from tests.reader.logbook.todays_reader import Reader, put_in_place
from tests.reader.review.books import add, leave_photos_unread
from tests.reader.review.photographed import with_calls
from tests.reader.review.samples import NOON, decision, read_plate

AT_HAND = load_settings_at_hand()
POLICY = load_policy()
CLEAR = read_plate()
DOUBT = read_plate(indicator_3="doubtful")
MODERATE = read_plate(indicator_3="absent")
HEAVY = read_plate(indicator_4="absent")


@pytest.fixture
def today(monkeypatch: pytest.MonkeyPatch) -> Reader:
    """Today's reader, by which every plate is clear unless it is told otherwise."""
    return put_in_place(Reader(CLEAR), monkeypatch)


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    with Logbook.open(tmp_path / "log.db") as opened:
        yield opened


def all_of(book: Logbook, at_hand: module.SettingsAtHand = AT_HAND, **options: Any) -> list[Reread]:
    return list(reread(book, book.readings(**options), at_hand))


def one_of(book: Logbook, at_hand: module.SettingsAtHand = AT_HAND) -> Reread:
    [one] = all_of(book, at_hand)
    return one


def aged(verdict: Verdict, **changes: Any) -> Verdict:
    """The verdict with a reading age of another origin."""
    assert verdict.reading_age is not None
    age = ReadingAgeRecord.model_validate(dict(verdict.reading_age) | changes)
    return verdict.model_copy(update={"reading_age": age})


# --- what would change ----------------------------------------------------------------------------------------


def test_a_reading_that_comes_out_alike_changes_nothing(book: Logbook, tmp_path: Path, today: Reader) -> None:
    add(book, tmp_path, CLEAR)
    one = one_of(book)
    assert not one.changes
    assert (one.marks, one.notes, one.instead, one.decided, one.problem) == ((), (), (), (), None)
    assert one.first == one.today == one.stands == one.would_be


def test_a_grade_that_would_change_is_told_with_the_marks_and_both_reasons(
    book: Logbook, tmp_path: Path, today: Reader
) -> None:
    id = add(book, tmp_path, MODERATE)
    one = one_of(book)
    assert one.changes
    assert (one.row.id, one.row.tank, one.photos) == (id, "north 1", ("plate-1.jpg",))
    assert (one.captured_at, one.software) == (MODERATE.photo.captured_at, "0.1.0")
    assert one.first is not None
    assert one.today is not None
    assert (one.first.grade, one.today.grade) == ("moderate", "negligible")
    assert (one.first.because, one.today.because) == (MODERATE.rule, CLEAR.rule)
    [change] = one.marks
    assert (change.window, change.mark, change.first, change.today) == ("3", "indicator", "absent", "present")
    assert change.first_reasons == MODERATE.windows[2].indicator.reasons
    assert change.today_reasons == CLEAR.windows[2].indicator.reasons


def test_other_calls_of_the_same_grade_are_told_and_are_no_change(
    book: Logbook, tmp_path: Path, today: Reader
) -> None:
    add(book, tmp_path, read_plate(indicator_4="absent", indicator_6="absent"))
    today.verdict = HEAVY
    one = one_of(book)
    assert not one.changes
    assert [(change.window, change.first, change.today) for change in one.marks] == [
        ("6", "absent", "present")
    ]


def test_a_refusal_then_or_today_is_a_change(book: Logbook, tmp_path: Path, today: Reader) -> None:
    add(book, tmp_path, MODERATE)
    today.verdict = refused_verdict()
    one = one_of(book)
    assert one.changes
    assert one.today is not None
    assert (one.today.grade, one.today.because, one.marks) == ("refused", "glare covers windows 2 and 3", ())
    add(book, tmp_path, refused_verdict(), number=2)
    assert not all_of(book)[0].changes
    today.verdict = CLEAR
    one = all_of(book)[0]
    assert one.changes
    assert one.first is not None
    assert (one.first.grade, one.first.because) == ("refused", "glare covers windows 2 and 3")


def test_an_age_a_layout_and_a_warning_that_differ_are_told(
    book: Logbook, tmp_path: Path, today: Reader
) -> None:
    add(book, tmp_path, MODERATE)
    other = read_plate("late").model_copy(update={"warnings": ("b.jpg is left out",)})
    assert other.layout is not None
    today.verdict = other.model_copy(
        update={"layout": other.layout.model_copy(update={"name": "strip", "sha256": "0" * 64})}
    )
    assert one_of(book).notes == (
        "taken for layout strip today, for comb then",
        "photographed 45 min after the drops, but the plate may be read up to 30 min only; then: photographed "
        "20 min after the drops, within 15 to 30 min",
        "warning today: b.jpg is left out",
    )


def test_a_mark_that_one_verdict_does_not_have_is_told() -> None:
    shorter = CLEAR.model_copy(update={"windows": CLEAR.windows[:-1]})
    gone = [
        (change.window, change.mark, change.first, change.today) for change in mark_changes(CLEAR, shorter)
    ]
    assert gone == [("6", "indicator", "present", None), ("6", "reference", "present", None)]
    assert [change.first for change in mark_changes(shorter, CLEAR)] == [None, None]


# --- what reviewers decided ---------------------------------------------------------------------------------


@pytest.fixture(autouse=True)
def photos_unread_by_reviews(monkeypatch: pytest.MonkeyPatch) -> None:
    """A review draws its photo, which is none here."""
    leave_photos_unread(monkeypatch, CLEAR)


def test_decisions_stand_and_are_told(book: Logbook, tmp_path: Path, today: Reader) -> None:
    id = add(book, tmp_path, DOUBT)
    decide(book, id, [decision(call="absent")], policy=POLICY, files=None)
    one = one_of(book)
    assert one.changes  # linecall's own: undecided then, negligible today
    assert one.stands is not None
    assert one.would_be is not None
    assert (one.stands.grade, one.would_be.grade) == ("moderate", "moderate")
    assert one.decided == ("the indicator of window 3 is absent, by Vesna Rask",)
    today.verdict = read_plate(indicator_3="doubtful", indicator_4="absent")
    one = one_of(book)
    assert one.would_be is not None
    assert one.would_be.grade == "heavy"


def test_decisions_on_one_layouts_windows_are_not_held_on_anothers(
    book: Logbook, tmp_path: Path, today: Reader
) -> None:
    decide(book, add(book, tmp_path, DOUBT), [decision(call="absent")], policy=POLICY)
    assert CLEAR.layout is not None
    today.verdict = CLEAR.model_copy(update={"layout": CLEAR.layout.model_copy(update={"name": "strip"})})
    one = one_of(book)
    assert one.would_be == one.today


def test_what_is_open_or_closed_is_told_without_a_call(book: Logbook, tmp_path: Path, today: Reader) -> None:
    decide(book, add(book, tmp_path, MODERATE), [decision(blind=True)], policy=POLICY)
    invalid = add(book, tmp_path, read_plate(reference_3="absent"), number=2)
    close(book, invalid, by="Vesna Rask", reason="repeated", at=NOON, policy=POLICY)
    closed, open_mark = all_of(book)
    assert closed.decided == ("closed as it stands by Vesna Rask",)
    assert open_mark.decided == ("the indicator of window 3: 1 of 2 blind readers",)


def test_readers_who_disagree_keep_their_mark_doubtful(book: Logbook, tmp_path: Path, today: Reader) -> None:
    id = add(book, tmp_path, DOUBT)
    decide(book, id, [decision(call="absent")], policy=POLICY)
    decide(book, id, [decision(call="present", by="Oren Lade")], policy=POLICY)
    one = one_of(book)
    assert one.would_be is not None
    assert one.would_be.grade == "undecided"
    assert one.decided == ("the indicator of window 3 is doubtful, for readers disagree",)


# --- as it was then -----------------------------------------------------------------------------------------


def test_the_kept_bytes_are_read_under_their_name_as_of_the_day(
    book: Logbook, tmp_path: Path, today: Reader
) -> None:
    add(book, tmp_path, CLEAR, number=7)
    (tmp_path / "plate-7.jpg").unlink()
    one_of(book)
    [asked] = today.asked
    assert (asked["contents"], asked["paths"][0].name) == ([b"photo 7"], "plate-7.jpg")
    assert asked["now"] == NOON + timedelta(minutes=7)
    assert not asked["paths"][0].exists()


DROPS = NOON - timedelta(minutes=20)
UNKNOWN = {"minutes": None, "status": "unknown"}


@pytest.mark.parametrize(
    ("first", "said", "drops_at", "minutes"),
    [
        (CLEAR, {}, None, 20.0),
        (aged(CLEAR, source="drops_at", drops_at=DROPS), {}, DROPS, None),
        (aged(CLEAR, source="drops_at", drops_at=DROPS, **UNKNOWN), {}, DROPS, None),
        (aged(CLEAR, source="none", **UNKNOWN), {}, None, None),
        (aged(CLEAR, source="none", **UNKNOWN), {"drops_at": DROPS}, None, None),
        (refused_verdict(), {"drops_at": DROPS}, DROPS, None),
        (refused_verdict(), {}, None, None),
    ],
)
def test_the_age_is_stated_as_it_was(
    book: Logbook,
    tmp_path: Path,
    today: Reader,
    first: Verdict,
    said: dict[str, Any],
    drops_at: datetime | None,
    minutes: float | None,
) -> None:
    add(book, tmp_path, first, **said)
    one_of(book)
    assert (today.asked[0]["drops_at"], today.asked[0]["reading_age_min"]) == (drops_at, minutes)


def test_what_a_refused_photo_no_longer_tells_is_said(book: Logbook, tmp_path: Path, today: Reader) -> None:
    add(book, tmp_path, refused_verdict())
    add(book, tmp_path, refused_verdict(), number=2, drops_at=DROPS)
    layout = "of a refused photo the layout that it was read by is not kept; tried were comb, strip"
    with_drops, without = all_of(book)
    assert with_drops.notes == (layout,)
    assert without.notes == (
        layout,
        "nor are minutes from the drops, which are missing here if they were given",
    )


def test_drops_that_were_corrected_since_are_told_and_not_used(
    book: Logbook, tmp_path: Path, today: Reader
) -> None:
    id = add(book, tmp_path, aged(CLEAR, source="drops_at", drops_at=DROPS), drops_at=DROPS)
    for value in ("2026-05-04T11:30:00+02:00", "2026-05-04T11:10:00+02:00"):
        book.correct(id, "drops_at", value, by="B", reason="wrong", at=NOON + timedelta(hours=1))
    one = one_of(book)
    assert today.asked[0]["drops_at"] == DROPS
    assert one.notes == (
        "the time of the drops was corrected since, to 2026-05-04T11:10:00+02:00; it was read as stated first",
    )


def plate_of(*parts: Verdict, names: Sequence[str], folder: Path) -> tuple[Verdict, list[Path]]:
    """A refused verdict of several photos, which lie in folders of their own."""
    paths, readings = [], []
    for number, (part, name) in enumerate(zip(parts, names, strict=True)):
        path = folder / str(number) / name
        path.parent.mkdir()
        path.write_bytes(b"photo %d" % number)
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        readings.append(
            part.model_copy(update={"photo": part.photo.model_copy(update={"sha256": digest, "name": name})})
        )
        paths.append(path)
    whole = refused_verdict().model_copy(update={"photo": readings[0].photo, "readings": tuple(readings)})
    return whole, paths


def test_photos_of_one_plate_are_read_as_one_in_their_order(
    book: Logbook, tmp_path: Path, today: Reader
) -> None:
    named = CLEAR.model_copy(
        update={"layout": CLEAR.layout and CLEAR.layout.model_copy(update={"chosen": "named"})}
    )
    verdict, paths = plate_of(refused_verdict(), named, names=("IMG.jpg", "IMG.jpg"), folder=tmp_path)
    book.add_reading(verdict, paths, Statement.of(operator="A"), at=NOON)
    one = one_of(book)
    [asked] = today.asked
    assert asked["contents"] == [b"photo 0", b"photo 1"]
    assert [path.name for path in asked["paths"]] == ["IMG.jpg", "IMG.jpg"]
    assert asked["reading_age_min"] == 20.0  # of the photo in it that tells
    assert [layout.name for layout in asked["settings"].layouts] == ["comb"]
    assert (one.photos, one.notes) == (("IMG.jpg", "IMG.jpg"), ())


# --- the settings that it was read by ------------------------------------------------------------------------


def copy_of(kind: str, name: str, folder: Path, *, called: str, revision: int = 1) -> Path:
    """A bundled settings file under another name or revision."""
    text = settings_path(kind, name).read_text(encoding="utf-8")
    path = folder / f"{called}-{revision}.toml"
    text = text.replace(f'{kind} = "{name}"', f'{kind} = "{called}"')
    path.write_text(text.replace("revision = 1", f"revision = {revision}"), encoding="utf-8")
    return path


def by(verdict: Verdict, **files: Any) -> Verdict:
    """The verdict as if it had been made by other settings files."""
    changes = {
        kind: getattr(verdict, kind).model_copy(
            update={"name": file.name, "revision": file.revision, "sha256": file.sha256}
        )
        for kind, file in files.items()
    }
    return verdict.model_copy(update=changes)


def test_bundled_settings_are_found_and_all_bundled_layouts_tried(book: Logbook) -> None:
    settings, instead = settings_for(CLEAR, AT_HAND)
    assert instead == ()
    assert [layout.name for layout in settings.layouts] == ["comb", "strip"]
    assert not settings.layout_named
    assert CLEAR.rules is not None
    assert settings.rules.sha256 == CLEAR.rules.sha256


def test_files_of_the_sites_own_are_taken_by_their_bytes(tmp_path: Path) -> None:
    layout = copy_of("layout", "comb", tmp_path, called="ours")
    rules = [copy_of("rules", "two-tier", tmp_path, called="harbour", revision=n) for n in (1, 2)]
    thresholds = copy_of("thresholds", "standard", tmp_path, called="strict")
    at_hand = load_settings_at_hand((layout,), rules, (thresholds,))
    made = by(
        CLEAR, layout=load_layout(layout), rules=load_rules(rules[1]), thresholds=load_thresholds(thresholds)
    )
    settings, instead = settings_for(made, at_hand)
    assert instead == ()
    assert {one.name for one in settings.layouts} == {"comb", "strip", "ours"}
    assert (settings.rules.name, settings.rules.revision, settings.thresholds.name) == (
        "harbour",
        2,
        "strict",
    )
    assert settings_for(CLEAR, at_hand)[0].rules.name == "two-tier"
    assert made.layout is not None
    named = made.model_copy(update={"layout": made.layout.model_copy(update={"chosen": "named"})})
    settings, _ = settings_for(named, at_hand)
    assert ([one.name for one in settings.layouts], settings.layout_named) == (["ours"], True)


def test_what_stands_in_for_a_file_that_is_not_at_hand_is_said(tmp_path: Path) -> None:
    newer = copy_of("rules", "two-tier", tmp_path, called="harbour", revision=2)
    record = SettingsRecord(name="harbour", revision=1, sha256="e5" * 32)
    made = CLEAR.model_copy(update={"rules": record})
    settings, [said] = settings_for(made, load_settings_at_hand(rules=(newer,)))
    assert settings.rules.revision == 2
    assert said == (
        "rules harbour, revision 1 (SHA-256 e5e5e5e5e5e5) are not at hand, so it was read by rules harbour, revision 2 "
        f"(SHA-256 {settings.rules.sha256[:12]}); give the very file with --read-by"
    )
    settings, [said] = settings_for(made, AT_HAND)
    assert settings.rules.name == "two-tier"
    assert "read by rules two-tier, revision 2" in said
    assert made.layout is not None
    old = made.model_copy(
        update={"layout": made.layout.model_copy(update={"sha256": "e5" * 32}), "rules": CLEAR.rules}
    )
    _, [said] = settings_for(old, AT_HAND)
    assert said.startswith(
        "layout comb, revision 1 (SHA-256 e5e5e5e5e5e5) is not at hand, so it was read by layout comb"
    )


def test_a_plate_whose_layout_is_not_at_hand_is_not_read_by_anothers(
    book: Logbook, tmp_path: Path, today: Reader
) -> None:
    layout = copy_of("layout", "comb", tmp_path, called="ours")
    add(book, tmp_path, by(CLEAR, layout=load_layout(layout)))
    one = one_of(book)
    assert today.asked == []
    assert one.problem is not None
    assert one.problem.startswith("layout ours, revision 1 (SHA-256 ")
    assert one.problem.endswith(") is not at hand; give its file with --read-by")
    assert (one.changes, one.failed) == (False, False)
    assert one_of(book, load_settings_at_hand((layout,))).problem is None
    assert one_of(book, load_settings_at_hand((layout,))).instead == ()


# --- what cannot be read again -----------------------------------------------------------------------------


def test_a_photo_that_is_gone_or_altered_keeps_only_its_own_reading_out(
    book: Logbook, tmp_path: Path, today: Reader
) -> None:
    for number in (1, 2, 3):
        add(book, tmp_path, MODERATE, number=number)
    gone, altered = (
        tmp_path / "log.db.photos" / digest[:2] / digest
        for digest in (hashlib.sha256(b"photo %d" % number).hexdigest() for number in (1, 2))
    )
    gone.unlink()
    altered.write_bytes(b"photo 3")
    third, second, first = all_of(book)
    assert third.changes
    assert (
        first.problem == f"photo {gone.name} is missing from the logbook's photos; restore it from a backup"
    )
    assert (
        second.problem
        == f"photo {altered.name} has been altered in the logbook's photos; restore it from a backup"
    )
    assert first.stands is not None
    assert (first.stands.grade, first.today, first.changes, first.failed) == ("moderate", None, False, False)


def test_an_event_that_was_altered_keeps_only_its_own_reading_out(
    place: Place, tmp_path: Path, today: Reader
) -> None:
    with closing(place.open()) as book:
        ids = [add(book, tmp_path, MODERATE, number=number) for number in (1, 2)]
        seq = book.row(ids[0]).seq
    place.tamper(
        "UPDATE linecall_event SET body = replace(body, 'north 1', 'north 9') WHERE seq = :seq", seq=seq
    )
    with closing(place.open(read_only=True)) as book:
        second, first = all_of(book)
    assert second.changes
    assert first.row.id == ids[0]
    assert first.problem == f"event {seq} of the logbook has been changed; linecall logbook verify says more"
    assert (first.first, first.changes) == (None, False)


def test_a_place_of_photos_that_cannot_be_reached_ends_it(
    book: Logbook, tmp_path: Path, today: Reader, monkeypatch: pytest.MonkeyPatch
) -> None:
    add(book, tmp_path, CLEAR)

    def unreachable(*_: object) -> bytes:
        raise OutputError("s3://photos: cannot be reached")

    monkeypatch.setattr(Logbook, "photo_bytes", unreachable)
    with pytest.raises(OutputError, match="cannot be reached"):
        all_of(book)


def test_a_reader_that_fails_on_a_photo_fails_on_that_one(
    book: Logbook, tmp_path: Path, today: Reader
) -> None:
    add(book, tmp_path, CLEAR)
    today.verdict = ZeroDivisionError("division by zero")
    one = one_of(book)
    assert one.failed
    assert not one.changes
    assert one.problem is not None
    assert one.problem.startswith("internal error (ZeroDivisionError")
    assert one.details is not None
    assert "Traceback" in one.details


# --- which, how many at once, and that nothing is written -----------------------------------------------------


def test_superseded_readings_are_left_out_where_only_standing_ones_are_chosen(
    book: Logbook, tmp_path: Path, today: Reader
) -> None:
    old = add(book, tmp_path, CLEAR)
    new = add(book, tmp_path, CLEAR)
    assert [one.row.id for one in all_of(book, standing=True)] == [new]
    assert [one.row.id for one in all_of(book)] == [new, old]
    assert all_of(book)[1].row.superseded_by == new


def test_no_more_photos_lie_on_the_disk_than_a_batch_has_and_none_stay(
    book: Logbook, tmp_path: Path, today: Reader, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "BATCH_SIZE", 2)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    ids = [add(book, tmp_path, CLEAR, number=number) for number in range(1, 8)]
    fetched: list[str] = []

    def rows() -> Iterator[Any]:
        for row in book.readings():
            fetched.append(row.id)
            yield row

    found = reread(book, rows(), AT_HAND)
    assert next(found).row.id == ids[-1]
    assert len(fetched) == 2
    assert [one.row.id for one in found] == ids[-2::-1]
    assert today.at_once == 2
    assert not list(tmp_path.glob("linecall-*"))


def test_one_who_stops_listening_leaves_no_photo_behind(
    book: Logbook, tmp_path: Path, today: Reader, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    for number in (1, 2):
        add(book, tmp_path, CLEAR, number=number)
    found = reread(book, book.readings(), AT_HAND)
    next(found)
    assert list(tmp_path.glob("linecall-*"))
    found.close()
    assert not list(tmp_path.glob("linecall-*"))


def test_processes_that_read_again_load_no_database(root: Path) -> None:
    script = "import sys, reader.logbook.reread; sys.exit(bool({'sqlalchemy', 'rfc8785'} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", script], cwd=root, check=False).returncode == 0


def test_kept_photos_are_read_again_in_processes_and_the_logbook_stays_byte_for_byte(
    root: Path, place: Place, tmp_path: Path
) -> None:
    demo, settings = root / "demo_images", load_settings()
    pair = [demo / f"rescue-boat-tank-{number}.jpg" for number in (1, 2)]
    boat = examine_plate(pair, settings, reading_age_min=20).verdict
    tug = examine(demo / "tug-day-tank.jpg", settings, reading_age_min=20).verdict
    boat_then = with_calls(boat, {("6", "indicator"): "present"})
    with closing(place.open()) as book:
        ids = [
            book.add_reading(tug, [demo / "tug-day-tank.jpg"], Statement.of(operator="A"), at=NOON),
            book.add_reading(boat_then, pair, Statement.of(operator="A"), at=NOON),
        ]
        head = book.head()
    before = {path: path.read_bytes() for path in sorted(tmp_path.rglob("*")) if path.is_file()}
    with closing(place.open(read_only=True)) as book, OwnProcesses(2) as hands:
        changed, same = reread(book, book.readings(), AT_HAND, hands)
        assert book.head() == head
        assert book.verify().good
    assert before == {path: path.read_bytes() for path in sorted(tmp_path.rglob("*")) if path in before}
    assert ([changed.row.id, same.row.id], same.changes, same.marks) == (ids[::-1], False, ())
    assert changed.first is not None
    assert changed.today is not None
    assert (changed.first.grade, changed.today.grade) == (boat_then.grade, boat.grade)
    assert boat.grade != boat_then.grade
    [mark] = changed.marks
    assert (mark.window, mark.first, mark.today) == ("6", "present", "absent")
    assert mark.today_reasons == boat.windows[5].indicator.reasons
