"""Reviews on record: what a decision adds to the logbook, and that nothing else is changed."""

from collections.abc import Iterator
from datetime import timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from fixtures.verdicts import refused_verdict
from reader.errors import LinecallError
from reader.logbook import Logbook, Statement
from reader.review import record
from reader.review.decide import Decision, DecisionError
from reader.review.record import SiteFiles, decide, find_reading, redraw, settings_of
from reader.settings.values import load_rules, settings_path
from reader.verdict.model import Verdict
from tests.reader.review.books import add, leave_photos_unread, make_known
from tests.reader.review.photographed import photographed, read
from tests.reader.review.samples import NOON, ONE_READER, decision, read_plate

POLICY = ONE_READER
DOUBT = read_plate(indicator_3="doubtful")
MODERATE = read_plate(indicator_3="absent")
LATER = NOON + timedelta(days=1)


@pytest.fixture
def book(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Logbook]:
    leave_photos_unread(monkeypatch, DOUBT)
    with Logbook.open(tmp_path / "log.db") as opened:
        yield opened


def decided(book: Logbook, reading: str, *decisions: Decision, **options: Any) -> record.Reviewed:
    return decide(book, reading, decisions, policy=POLICY, **options)


def refused_unchanged(book: Logbook, said: str, reading: str, *decisions: Decision, **options: Any) -> None:
    """Check that a decision is refused with these words and that the logbook is what it was."""
    before = book.head()
    with pytest.raises(LinecallError) as caught:
        decide(book, reading, decisions, **({"policy": POLICY} | options))
    assert said in str(caught.value)
    assert book.head() == before


# --- what is kept ----------------------------------------------------------------------------------------


def test_a_decision_is_one_event_with_all_that_a_dispute_needs(book: Logbook, tmp_path: Path) -> None:
    reading = add(book, tmp_path, DOUBT)
    done = decided(book, reading, decision())
    [event] = book.reading(reading).reviews
    assert (event.seq, event.by, event.at) == (done.event.seq, "Vesna Rask", decision().at)
    assert event.payload["decisions"] == [
        {
            "window": "3",
            "mark": "indicator",
            "call": "present",
            "reason": "an even line over the whole breadth",
            "blind": False,
        }
    ]
    assert event.payload["policy"] == {
        "name": POLICY.name,
        "revision": POLICY.revision,
        "sha256": POLICY.sha256,
    }
    assert event.payload["before"] == {
        "grade": "undecided",
        "possible_grades": ["negligible", "moderate"],
    }
    assert event.payload["after"] == {"grade": "negligible", "possible_grades": ["negligible"]}
    assert book.verify().good


def test_the_first_verdict_stays_and_the_current_one_is_the_regraded(book: Logbook, tmp_path: Path) -> None:
    reading = add(book, tmp_path, DOUBT)
    done = decided(book, reading, decision())
    stored = book.reading(reading)
    assert stored.first.grade == "undecided"
    assert stored.current == done.drawn.verdict
    assert stored.current.grade == "negligible"


def test_later_readers_are_weighed_with_the_earlier_ones(book: Logbook, tmp_path: Path) -> None:
    reading = add(book, tmp_path, MODERATE)
    first = decided(book, reading, decision(blind=True))
    second = decided(book, reading, decision(by="Oren Lade", blind=True))
    assert (first.drawn.verdict.grade, first.waiting) == ("moderate", True)
    assert (second.drawn.verdict.grade, second.waiting) == ("negligible", False)
    assert (first.drawn.name, second.drawn.name) == (f"{reading}-review-1", f"{reading}-review-2")


def test_the_annotated_image_is_drawn_from_the_kept_photo(
    book: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    measured = leave_photos_unread(monkeypatch, DOUBT)
    reading = add(book, tmp_path, DOUBT)
    (tmp_path / "plate-1.jpg").unlink()
    done = decided(book, reading, decision())
    assert measured == [b"photo 1"]
    assert done.drawn.image.startswith(b"\xff\xd8")


def test_a_real_photo_is_measured_and_drawn_anew_with_its_strips(tmp_path: Path) -> None:
    photo = photographed(tmp_path / "photos")
    found = read(photo).verdict
    assert found.status == "read"
    [doubt, *_] = [w for w in found.windows if w.indicator.call == "doubtful"] or found.windows
    with Logbook.open(tmp_path / "log.db") as book:
        make_known(book, "Vesna Rask")
        reading = book.add_reading(found, [photo], Statement.of(operator="Ilmar Soot"), at=NOON)
        done = decided(book, reading, decision(doubt.id, "present"))
        assert redraw(book, reading).image == done.drawn.image
        with Image.open(BytesIO(done.drawn.image)) as sheet:
            assert sheet.height > 2500  # with six windows' strips; without them it is half that


# --- what waits on -----------------------------------------------------------------------------------------


def test_a_settled_doubt_waits_no_longer(book: Logbook, tmp_path: Path) -> None:
    reading = add(book, tmp_path, DOUBT)
    assert [row.id for row in book.waiting(now=LATER)] == [reading]
    decided(book, reading, decision())
    assert book.waiting(now=LATER) == []


def test_one_doubt_of_two_settled_waits_on(book: Logbook, tmp_path: Path) -> None:
    reading = add(book, tmp_path, read_plate(indicator_3="doubtful", indicator_5="doubtful"))
    assert decided(book, reading, decision()).waiting
    assert [row.id for row in book.waiting(now=LATER)] == [reading]


def test_a_reader_who_cannot_tell_leaves_it_waiting(book: Logbook, tmp_path: Path) -> None:
    assert decided(book, add(book, tmp_path, DOUBT), decision(call="doubtful")).waiting


def test_a_call_that_nobody_doubted_waits_once_a_reader_has_contradicted_it(
    book: Logbook, tmp_path: Path
) -> None:
    reading = add(book, tmp_path, MODERATE)
    assert book.waiting(now=LATER) == []
    decided(book, reading, decision(blind=True))
    assert [row.id for row in book.waiting(now=LATER)] == [reading]


def test_an_invalid_plate_waits_until_somebody_has_looked(book: Logbook, tmp_path: Path) -> None:
    reading = add(book, tmp_path, read_plate(reference_3="absent"))
    assert [row.id for row in book.waiting(now=LATER)] == [reading]
    assert not decided(book, reading, decision("3", "absent", mark="reference")).waiting


def test_a_closed_reading_waits_no_longer_and_keeps_its_verdict(book: Logbook, tmp_path: Path) -> None:
    reading = add(book, tmp_path, DOUBT)
    close: dict[str, Any] = {
        "by": "Vesna Rask",
        "reason": "repeated with a new plate",
        "at": LATER,
        "policy": POLICY,
    }
    event = record.close(book, reading, **close)
    assert (event.payload["closed"], event.payload["reason"]) == (True, "repeated with a new plate")
    assert book.waiting(now=LATER) == []
    assert book.reading(reading).current == book.reading(reading).first
    with pytest.raises(DecisionError, match="waits for nobody"):
        record.close(book, reading, **close)
    other = add(book, tmp_path, DOUBT, number=2)
    with pytest.raises(DecisionError, match="nobody reviews their own"):
        record.close(book, other, **(close | {"by": "soot, ilmar"}))


# --- what is refused -----------------------------------------------------------------------------------------


def test_an_id_is_taken_as_people_write_it_and_a_mistyped_one_is_guessed(
    book: Logbook, tmp_path: Path
) -> None:
    reading = add(book, tmp_path, DOUBT)
    spoken = reading.upper().replace("0", "O").replace("1", "I")
    assert find_reading(book, f" {spoken} ").id == reading
    wrong = ("z" if reading[0] != "z" else "y") + reading[1:]
    with pytest.raises(LinecallError, match=f'there is no reading .* did you mean "{reading}"'):
        find_reading(book, wrong)


def test_the_technician_is_known_by_what_was_stated_and_by_what_was_corrected(
    book: Logbook, tmp_path: Path
) -> None:
    reading = add(book, tmp_path, DOUBT)
    make_known(book, "Mira Holt")
    book.correct(reading, "operator", "Mira Holt", by="Ilmar Soot", reason="she took it", at=LATER)
    for name in ("Ilmar Soot", "mira holt"):
        refused_unchanged(book, "nobody reviews their own", reading, decision(by=name))


def test_one_bad_decision_of_several_keeps_all_of_them_out(book: Logbook, tmp_path: Path) -> None:
    reading = add(book, tmp_path, DOUBT)
    refused_unchanged(book, 'has no window "9"', reading, decision(), decision("9"))


def test_a_superseded_reading_is_not_decided_on(book: Logbook, tmp_path: Path) -> None:
    old = add(book, tmp_path, DOUBT)
    new = add(book, tmp_path, DOUBT)
    refused_unchanged(book, f"has been superseded by {new}", old, decision())


def test_a_refused_photo_is_not_decided_on(book: Logbook, tmp_path: Path) -> None:
    reading = add(book, tmp_path, refused_verdict())
    refused_unchanged(book, "this photo was refused", reading, decision())
    with pytest.raises(LinecallError, match="nothing to draw"):
        redraw(book, reading)


@pytest.mark.posix
def test_a_missing_or_altered_photo_keeps_the_decision_out(book: Logbook, tmp_path: Path) -> None:
    reading = add(book, tmp_path, DOUBT)
    digest = book.reading(reading).photos[0].sha256
    [kept] = [path for path in (tmp_path / "log.db.photos").rglob("*") if path.name == digest]
    kept.chmod(0o644)
    kept.write_bytes(b"another photo")
    refused_unchanged(book, digest[:12], reading, decision())
    kept.unlink()
    refused_unchanged(book, digest[:12], reading, decision())


def test_somebody_who_decides_in_between_is_not_overlooked(
    book: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    reading = add(book, tmp_path, MODERATE)
    draw = record._image

    def slowly(*arguments: Any) -> bytes:
        monkeypatch.setattr(record, "_image", draw)
        with Logbook.open(tmp_path / "log.db") as other:
            decided(other, reading, decision(by="Oren Lade", blind=True))
        return draw(*arguments)

    monkeypatch.setattr(record, "_image", slowly)
    with pytest.raises(DecisionError, match="Oren Lade has written to it meanwhile, so nothing was changed"):
        decided(book, reading, decision(blind=True))
    assert [event.by for event in book.reading(reading).reviews] == ["Oren Lade"]


def test_what_is_logged_about_other_readings_in_between_does_not_matter(
    book: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    reading = add(book, tmp_path, DOUBT)
    last = book.head()[0]
    head, others = Logbook.head, iter(range(2, 5))

    def then_another_reading(self: Logbook) -> tuple[int, str]:
        found = head(self)
        number = next(others, None)
        if number is not None:
            add(self, tmp_path, DOUBT, number=number)
        return found

    monkeypatch.setattr(Logbook, "head", then_another_reading)
    assert decided(book, reading, decision()).event.seq == last + 5  # with its settings before it
    assert book.verify().good


# --- the settings it was read by -----------------------------------------------------------------------------


def with_rules(verdict: Verdict, **changes: Any) -> Verdict:
    assert verdict.rules is not None
    return verdict.model_copy(update={"rules": verdict.rules.model_copy(update=changes)})


def test_settings_that_do_not_come_with_linecall_are_asked_for(book: Logbook, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    text = settings_path("rules", "two-tier").read_text(encoding="utf-8")
    own.write_text(text.replace('"two-tier"', '"harbour"'), encoding="utf-8")
    rules = load_rules(own)
    first = with_rules(DOUBT, name="harbour", sha256=rules.sha256)
    reading = add(book, tmp_path, first)
    refused_unchanged(book, "linecall brings none of that name; give the very file", reading, decision())
    other = SiteFiles(rules=settings_path("rules", "two-tier"))
    refused_unchanged(
        book, f"is another one (revision {load_rules().revision}", reading, decision(), files=other
    )
    assert decided(book, reading, decision(), files=SiteFiles(rules=own)).drawn.verdict.grade == "negligible"


def test_settings_of_other_bytes_are_not_taken_for_those_of_the_reading(book: Logbook) -> None:
    changed = with_rules(DOUBT, sha256="e5" * 32)
    with pytest.raises(LinecallError, match="the one that comes with linecall is another one"):
        settings_of(book, changed, SiteFiles())
    assert settings_of(book, DOUBT, SiteFiles()).rules.sha256 == load_rules().sha256
