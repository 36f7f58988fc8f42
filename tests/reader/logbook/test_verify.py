"""Verification: whatever is changed behind the logbook's back is found, and the first bad event named."""

import hashlib
import json
from contextlib import closing
from pathlib import Path

import pytest

from reader.logbook.chain import Report, Seal, parse_seal
from reader.store.canonical import canonical_json
from tests.reader.logbook.samples import AT, Place, add, filled, photo

# Events of `filled` with 5 readings: 1 to 5 readings, 6 a review of the second, 7 a correction of the third.
LAST = 7


def check(place: Place, *seals: Seal) -> Report:
    with closing(place.open(must_exist=True)) as logbook:
        return logbook.verify(seals=seals)


def seal(place: Place) -> Seal:
    with closing(place.open()) as logbook:
        return logbook.seal(at=AT)


def body_of(place: Place, seq: int) -> str:
    with closing(place.open()) as logbook:
        return {found: body for found, _, body in logbook.bodies()}[seq]


def hash_of(body: str) -> str:
    return hashlib.sha256(body.encode()).hexdigest()


def forged(place: Place, seq: int, old: str, new: str) -> dict[str, object]:
    """An event changed together with its hash."""
    before = body_of(place, seq)
    body = before.replace(old, new)
    assert body != before
    return {"seq": seq, "body": body, "hash": hash_of(body)}


REPLACE = "UPDATE linecall_event SET body = :body, hash = :hash WHERE seq = :seq"


def test_an_untouched_logbook_holds(place: Place, tmp_path: Path) -> None:
    filled(place, tmp_path)
    head = seal(place)
    report = check(place, head)
    assert report.good
    assert report == Report(events=LAST, head=head.hash, readings=5, photos=5)


def test_the_chain_is_the_one_that_anybody_can_calculate(place: Place, tmp_path: Path) -> None:
    filled(place, tmp_path)
    previous, seq = "0" * 64, 0
    with closing(place.open()) as logbook:
        for _, digest, body in logbook.bodies():
            fields = json.loads(body)
            assert fields["previous"] == previous
            assert fields["seq"] == (seq := seq + 1)
            # RFC 8785 from the standard library, which writes these numbers and names alike
            independent = json.dumps(fields, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
            previous = hash_of(independent)
            assert digest == previous
        assert logbook.head() == (LAST, previous)


@pytest.mark.parametrize("seq", range(1, LAST + 1))
def test_an_edited_event_is_named(place: Place, tmp_path: Path, seq: int) -> None:
    filled(place, tmp_path)
    body = forged(place, seq, ". ", "; ")["body"]
    place.tamper("UPDATE linecall_event SET body = :body WHERE seq = :seq", body=body, seq=seq)
    report = check(place)
    assert report.first_bad == seq
    assert report.problem is not None
    assert "has been changed" in report.problem


@pytest.mark.parametrize("seq", range(1, LAST))
def test_an_event_edited_together_with_its_hash_is_named(place: Place, tmp_path: Path, seq: int) -> None:
    filled(place, tmp_path)
    place.tamper(REPLACE, **forged(place, seq, ". ", "; "))
    assert check(place).first_bad == seq


def test_an_event_moved_to_another_place_in_the_chain_is_named(place: Place, tmp_path: Path) -> None:
    filled(place, tmp_path)
    real = json.loads(body_of(place, 4))["previous"]
    place.tamper(REPLACE, **forged(place, 4, real, "1" * 64))
    assert check(place).first_bad == 4


def test_the_last_event_edited_together_with_its_hash_shows_in_the_lists_and_by_a_seal(
    place: Place, tmp_path: Path
) -> None:
    filled(place, tmp_path)
    head = seal(place)
    place.tamper(REPLACE, **forged(place, LAST, "T33", "T44"))
    assert check(place).first_bad == 3  # the reading that the last event is about: its list row disagrees
    report = check(place, head)
    assert report.first_bad == LAST
    assert "sealed" in str(report.problem)


@pytest.mark.parametrize("seq", range(1, LAST))
def test_a_deleted_event_is_named(place: Place, tmp_path: Path, seq: int) -> None:
    filled(place, tmp_path)
    place.tamper("DELETE FROM linecall_event WHERE seq = :seq", seq=seq)
    report = check(place)
    assert report.first_bad == seq
    assert "missing" in str(report.problem)


@pytest.mark.parametrize("seq", range(2, LAST))
def test_a_deleted_event_is_named_even_if_the_others_move_up(place: Place, tmp_path: Path, seq: int) -> None:
    filled(place, tmp_path)
    moves = [
        f"UPDATE linecall_event SET seq = {later - 1} WHERE seq = {later}"
        for later in range(seq + 1, LAST + 1)
    ]
    place.tamper(f"DELETE FROM linecall_event WHERE seq = {seq}", *moves)
    assert check(place).first_bad == seq


def test_an_inserted_event_is_named(place: Place, tmp_path: Path) -> None:
    filled(place, tmp_path)
    moves = [f"UPDATE linecall_event SET seq = {seq + 1} WHERE seq = {seq}" for seq in range(LAST, 3, -1)]
    body = (
        body_of(place, 4).replace("IMG_4", "IMG_9").replace(json.loads(body_of(place, 4))["id"], "00000000")
    )
    place.tamper(
        *moves,
        "INSERT INTO linecall_event (seq, id, reading, hash, body) "
        "VALUES (4, '00000000', '00000000', :hash, :body)",
        body=body,
        hash=hash_of(body),
    )
    assert check(place).first_bad == 5  # the genuine one that was moved: it still says that it is the fourth


def test_two_events_that_change_places_are_found(place: Place, tmp_path: Path) -> None:
    filled(place, tmp_path)
    place.tamper(
        *(f"UPDATE linecall_event SET seq = {to} WHERE seq = {seq}" for seq, to in ((3, 99), (4, 3), (99, 4)))
    )
    assert check(place).first_bad == 3


@pytest.mark.parametrize(
    "change",
    ["hash = '1'", "id = 'zzzzzzzz'", "reading = 'zzzzzzzz'", "reading = NULL", "body = ''", "body = '{}'"],
)
def test_every_column_of_an_event_is_checked(place: Place, tmp_path: Path, change: str) -> None:
    filled(place, tmp_path)
    place.tamper(f"UPDATE linecall_event SET {change} WHERE seq = 4")
    assert check(place).first_bad == 4


def test_a_cut_off_tail_is_found_by_a_seal_and_by_nothing_else(place: Place, tmp_path: Path) -> None:
    filled(place, tmp_path)
    head = seal(place)
    place.tamper("DELETE FROM linecall_event WHERE seq > 5")
    with closing(place.open()) as logbook:
        logbook.rebuild()
    assert check(place).good
    report = check(place, head)
    assert report.first_bad == 6
    assert f"event {LAST} was sealed" in str(report.problem)


def test_a_chain_forged_from_some_event_on_is_found_by_a_seal(place: Place, tmp_path: Path) -> None:
    filled(place, tmp_path)
    early, head, previous = None, seal(place), ""
    changes = []
    with closing(place.open()) as logbook:
        for seq, digest, body in logbook.bodies():
            if seq == 3:
                early = Seal(seq=seq, hash=digest, at=AT)
            if seq >= 4:
                fields = json.loads(body)
                fields["previous"] = previous
                if seq == 4:
                    fields["payload"]["statement"]["operator"] = "Somebody else"
                body = canonical_json(fields).decode()
                digest = hash_of(body)
                changes.append({"seq": seq, "body": body, "hash": digest})
            previous = digest
    for change in changes:
        place.tamper(REPLACE, **change)
    with closing(place.open()) as logbook:
        logbook.rebuild()
    assert early is not None
    assert check(place, early).good
    assert check(place, early, head).first_bad == LAST


def test_an_altered_a_shortened_and_a_missing_photo_are_named(place: Place, tmp_path: Path) -> None:
    ids = filled(place, tmp_path)
    with closing(place.open()) as logbook:
        kept = place.photo_path(logbook.reading(ids[2]).photos[0].sha256)
    whole = kept.read_bytes()
    for altered in (whole[:-1] + b"!", whole[:-1], b""):
        kept.write_bytes(altered)
        report = check(place)
        assert report.first_bad == 3
        assert "has been altered" in str(report.problem)
    kept.unlink()
    report = check(place)
    assert report.first_bad == 3
    assert "is missing" in str(report.problem)
    kept.write_bytes(whole)
    assert check(place).good


@pytest.mark.parametrize(
    "change",
    [
        "grade = 'negligible'", "tank = NULL", "operator = 'Nobody'", "rank = 0", "margin = 0", "at_utc = 0",
        "at = '2020'", "photo = 'other.jpg'", "superseded_by = 'zzzzzzzz'", "reviews = 3",
        "last_seq = 3", "last_seq = 99", "open_until = NULL", "doubtful = 1",
    ],
)  # fmt: skip
def test_a_list_that_shows_something_else_than_the_events_is_found_and_made_anew(
    place: Place, tmp_path: Path, change: str
) -> None:
    filled(place, tmp_path)
    place.tamper(f"UPDATE linecall_reading SET {change} WHERE seq = 3")
    report = check(place)
    assert report.first_bad == 3
    assert "lists show something else" in str(report.problem)
    with closing(place.open()) as logbook:
        assert logbook.rebuild() == 5
    assert check(place).good


def test_a_reading_left_out_of_or_put_into_the_lists_is_found(place: Place, tmp_path: Path) -> None:
    filled(place, tmp_path)
    place.tamper("DELETE FROM linecall_reading WHERE seq = 4")
    assert check(place).first_bad == 4
    with closing(place.open()) as logbook:
        logbook.rebuild()
    columns = (
        "last_seq, at, at_utc, operator, tank, sample_point, sample_phase, plate_lot, plate_expiry, photo, "
        "photo_sha256, status, grade, layout, doubtful, in_doubt, "
        "rank, margin, urgency, open_until, reviews, superseded_by"
    )
    place.tamper(
        f"INSERT INTO linecall_reading (seq, id, {columns}) "
        f"SELECT 99, 'zzzzzzzz', {columns} FROM linecall_reading WHERE seq = 1"
    )
    assert "the lists show 6 readings, but the events hold 5" in str(check(place).problem)


def test_superseding_is_checked_from_both_sides(place: Place, tmp_path: Path) -> None:
    with closing(place.open()) as logbook:
        first = add(logbook, tmp_path, 1)
        second = add(logbook, tmp_path, 1)
        assert logbook.reading(first).superseded_by == second
    assert check(place).good
    place.tamper("UPDATE linecall_reading SET superseded_by = NULL WHERE seq = 1")
    assert check(place).first_bad == 2  # the event that says it
    place.tamper("UPDATE linecall_reading SET superseded_by = :id WHERE seq = 1", id=first)
    assert check(place).first_bad == 1


def test_a_damaged_row_in_the_file_is_named(tmp_path: Path) -> None:
    place = Place(where=str(tmp_path / "log.db"), photos=str(tmp_path / "photos"))
    filled(place, tmp_path)
    place.tamper(
        "UPDATE linecall_event SET body = CAST(x'ff00fe' AS TEXT), id = CAST(x'ff' AS TEXT) WHERE seq = 4"
    )
    assert check(place).first_bad == 4


def test_progress_is_told_and_photos_can_be_left_out(place: Place, tmp_path: Path) -> None:
    filled(place, tmp_path)
    told: list[int] = []
    with closing(place.open()) as logbook:
        report = logbook.verify(told.append, photos=False)
    assert told[-1] == LAST
    assert (report.good, report.photos) == (True, 0)


def test_a_seal_is_one_line_that_reads_back(place: Place, tmp_path: Path) -> None:
    filled(place, tmp_path)
    head = seal(place)
    assert parse_seal(f"  {head}\n") == head
    assert photo(tmp_path, 1).exists()
