"""Reports: what they must hold, the same on paper and on the page, and how they are checked against the logbook."""

import html
import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from pypdfium2 import PdfDocument

from fixtures.verdicts import refused_verdict
from reader.errors import LinecallError, OutputError
from reader.logbook import Logbook
from reader.logbook.chain import parse_seal
from reader.review.record import decide, withdraw
from reader.round.history.point import Occurrence
from reader.round.report.page import report_page
from reader.round.report.pdf import report_pdf
from reader.round.report.period import KINDS, period_report
from reader.round.report.reading import reading_report
from reader.round.report.value import CAUTIONS, Codes, Facts, Headline, Report, Sentences, Table
from tests.demo import readable_photo
from tests.reader.logbook.samples import Place
from tests.reader.review.books import add, leave_photos_unread
from tests.reader.review.samples import NOON, decision, policy_of, read_plate

DAY = timedelta(days=1)
ONE_READER = policy_of(towards_release=(1, False), changes_grade=(1, False))
MADE = NOON + 40 * DAY


@pytest.fixture
def book(tmp_path: Path) -> Iterator[Logbook]:
    with Logbook.open(tmp_path / "log.db") as opened:
        yield opened


def month(book: Logbook, **more: object) -> Report:
    return period_report(book, since=NOON - DAY, until=NOON + 30 * DAY, made_at=MADE, **more)  # type: ignore[arg-type]


def texts(report: Report) -> list[str]:
    """Every text of a report's value, in order."""
    found = [report.title, report.subtitle]
    for section in report.sections:
        found.append(section.title)
        for block in section.blocks:
            match block:
                case Headline():
                    found += [block.grade.upper(), block.about, *block.strong]
                case Sentences():
                    found += block.texts
                case Facts():
                    found += [text for row in block.rows for text in row]
                case Table():
                    heads = [column.head for column in block.columns]
                    found += [block.caption, *heads, *(cell for row in block.rows for cell in row)]
                case Codes():
                    found += block.lines
                case _:
                    pass
    return [text for text in (*found, *CAUTIONS) if text]


def squeezed(text: str) -> str:
    """A text without spaces and hyphens, as each way of writing breaks lines in places of its own."""
    return re.sub(r"[\s\ufffe\u0002-]+", "", text)


def on_paper(pdf: bytes) -> list[str]:
    document = PdfDocument(pdf)
    try:
        return [page.get_textpage().get_text_range() for page in document]
    finally:
        document.close()


def on_page(page: bytes) -> str:
    text = re.sub(r"<(style|script)\b.*?</\1>", "", page.decode(), flags=re.DOTALL)
    return html.unescape(re.sub(r"<[^>]+>", " ", text))


def row_of(report: Report, kind: str) -> tuple[tuple[str, ...], ...]:
    """Rows of a kind of exception; none where it did not occur."""
    (section,) = (section for section in report.sections if section.title == "Exceptions")
    return next(
        (block.rows for block in section.blocks
         if isinstance(block, Table) and block.caption.startswith(KINDS[kind].title)),
        (),
    )  # fmt: skip


def letters(report: Report) -> dict[str, str]:
    """Letters of each reading's line."""
    (section,) = (section for section in report.sections if section.title == "All readings")
    (table,) = (block for block in section.blocks if isinstance(block, Table))
    return {row[1]: row[5] for row in table.rows}


# --- a period -----------------------------------------------------------------------------------------------


def test_every_kind_of_exception_stands_before_the_list_with_who_and_why(
    book: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = add(book, tmp_path, read_plate(), number=1)
    doubted = read_plate(indicator_3="absent")
    leave_photos_unread(monkeypatch, doubted)
    overruled = add(book, tmp_path, doubted, number=2)
    decide(book, overruled, [decision("3", "present", by="Vesna Rask", reason="a line, <faint> & even")],
           policy=ONE_READER)  # fmt: skip
    taken_back = add(book, tmp_path, read_plate(indicator_3="absent"), number=3)
    decide(book, taken_back, [decision("3", "present", by="Vesna Rask", minutes=5)], policy=ONE_READER)
    withdraw(book, taken_back, by="Vesna Rask", reason="looked again", at=NOON + DAY, policy=ONE_READER)
    late = add(book, tmp_path, read_plate(), number=4, at=NOON + 10 * DAY)
    lost = add(book, tmp_path, read_plate(), number=5)
    digest = book.reading(lost).photos[0].sha256
    Place(where="", photos=str(tmp_path / "log.db.photos")).photo_path(digest).unlink()
    corrected = add(book, tmp_path, read_plate(), number=6)
    book.correct(corrected, "tank", "north 9", by="Oren Lade", reason="misread the plate", at=NOON + 2 * DAY)
    follow_ups = [
        Occurrence(kind="follow-up", id="fol00001", at=NOON, text="drain and draw again"),
        Occurrence(kind="follow-up", id="fol00002", at=NOON, text="done already", done_at=NOON + DAY),
    ]
    report = month(book, follow_ups=follow_ups)

    assert [row[0] for row in row_of(report, "overruled")] == [overruled]
    assert "absent, present" in row_of(report, "overruled")[0]
    assert "a line, <faint> & even" in row_of(report, "overruled")[0]
    assert [(row[0], row[-1]) for row in row_of(report, "withdrawn")] == [(taken_back, "looked again")]
    assert [(row[0], row[4]) for row in row_of(report, "late")] == [(late, "10 days")]
    assert [(row[0], row[3]) for row in row_of(report, "photo")] == [(lost, digest)]
    assert [(row[0], row[3], row[5]) for row in row_of(report, "corrected")] == [
        (corrected, "north 6; north 9", "misread the plate")
    ]
    assert [row[2] for row in row_of(report, "follow-up")] == ["drain and draw again"]
    found = letters(report)
    assert found[plain] == ""
    assert {id: found[id] for id in (overruled, late, lost, corrected)} == {
        overruled: "O", late: "L", lost: "P", corrected: "C"
    }  # fmt: skip
    assert "W" in found[taken_back]
    titles = [section.title for section in report.sections]
    assert titles.index("Exceptions") < titles.index("All readings")


def test_a_time_without_an_offset_is_not_held_to_be_in_time(book: Logbook, tmp_path: Path) -> None:
    unknown = read_plate()
    photo = unknown.photo.model_copy(update={"captured_at": None, "captured_offset_known": False})
    add(book, tmp_path, unknown.model_copy(update={"photo": photo}), at=NOON + 10 * DAY)
    report = month(book)
    assert row_of(report, "late") == ()
    assert any("Of 1 reading neither drops nor photo have a time" in text for text in texts(report))


def test_a_reading_whose_place_was_taken_is_told_and_its_grade_not_counted(
    book: Logbook, tmp_path: Path
) -> None:
    first = add(book, tmp_path, read_plate(), number=1)
    second = add(book, tmp_path, read_plate(), number=1, at=NOON + DAY, plate_lot="L1")
    report = month(book)
    assert [(row[0], row[3]) for row in row_of(report, "replaced")] == [(first, second)]
    assert dict(next(b for b in report.sections[0].blocks if isinstance(b, Facts)).rows) == {
        "negligible": "1", "replaced": "1", "all": "2"
    }  # fmt: skip


def test_what_was_not_looked_at_is_not_said_to_be_none(book: Logbook, tmp_path: Path) -> None:
    add(book, tmp_path, read_plate())
    assert "Follow-ups were not looked at." in texts(month(book))
    looked = texts(month(book, follow_ups=()))
    assert "Follow-ups were not looked at." not in looked
    assert any(text.startswith("None in this time:") and "follow-ups open" in text for text in looked)


def test_photos_that_are_out_of_reach_are_not_said_to_be_there(
    book: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    add(book, tmp_path, read_plate())

    def out_of_reach(_: object) -> frozenset[str]:
        raise OutputError("the place of the photos cannot be reached")

    monkeypatch.setattr(book, "missing_photos", out_of_reach)
    found = texts(month(book))
    assert "Photos were not looked at: the place of the photos cannot be reached." in found
    assert not any(text.startswith("None in this time:") and "photos missing" in text for text in found)


def test_a_clock_that_was_set_back_is_told(book: Logbook, tmp_path: Path) -> None:
    add(book, tmp_path, read_plate(), number=1, at=NOON + 2 * DAY)
    add(book, tmp_path, read_plate(), number=2, at=NOON + DAY)
    assert any(text.startswith("The clock was set back before entry") for text in texts(month(book)))


def test_an_empty_period_says_so_and_a_wrong_one_is_asked_about(book: Logbook, tmp_path: Path) -> None:
    add(book, tmp_path, read_plate(), at=NOON + 60 * DAY)
    report = month(book)
    assert "No reading was logged in this time." in texts(report)
    assert len(on_paper(report_pdf(report))) >= 1
    with pytest.raises(LinecallError, match="before it begins"):
        period_report(book, since=NOON, until=NOON - DAY, made_at=MADE)


# --- both ways of writing ------------------------------------------------------------------------------------


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_paper_and_page_say_all_that_the_value_says(
    book: Logbook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, paper: str
) -> None:
    doubted = read_plate(indicator_3="absent")
    leave_photos_unread(monkeypatch, doubted)
    made = add(book, tmp_path, doubted, number=2, note="<script>alert(1)</script> wind \u0142 & rain")
    decide(book, made, [decision("3", "present", by="Vesna Rask")], policy=ONE_READER)
    monkeypatch.undo()
    for report in (month(book), reading_report(book, made, made_at=MADE)):
        sheets = on_paper(report_pdf(report, paper=paper))
        paper_text, page_text = squeezed("".join(sheets)), squeezed(on_page(report_page(report, paper=paper)))
        for text in texts(report):
            assert squeezed(text) in page_text
            # Cells of a table stand beside each other, so that lines of several lie between those of one.
            assert all(squeezed(word) in paper_text for word in text.split()), text
        for number, sheet in enumerate(sheets, 1):
            assert f"page {number} of {len(sheets)}" in " ".join(sheet.split())


def test_sheets_have_the_size_that_was_asked_for(book: Logbook, tmp_path: Path) -> None:
    add(book, tmp_path, read_plate())
    report = month(book)
    for paper, (width, height) in {"a4": (210, 297), "letter": (215.9, 279.4)}.items():  # ISO 216; ASME Y14.1
        document = PdfDocument(report_pdf(report, paper=paper))
        size = [side * 25.4 / 72 for side in document[0].get_size()]
        document.close()
        assert size == pytest.approx([width, height], abs=0.1)


def test_a_report_has_the_same_bytes_for_the_same_value(book: Logbook, tmp_path: Path) -> None:
    add(book, tmp_path, read_plate())
    report = month(book)
    assert report_pdf(report) == report_pdf(report)
    assert report_page(report) == report_page(report)


def test_letters_that_the_typeface_lacks_are_told_and_stand_on_the_page(
    book: Logbook, tmp_path: Path
) -> None:
    add(book, tmp_path, read_plate(), operator="\u0416anna")
    report = month(book)
    paper_text = "".join(on_paper(report_pdf(report)))
    assert "[U+0416]anna" in squeezed(paper_text)
    assert "written as their code" in " ".join(paper_text.split())
    assert "\u0416anna" in on_page(report_page(report))


def test_thousands_of_lines_break_over_sheets_and_each_sheet_has_the_head(
    book: Logbook, tmp_path: Path
) -> None:
    add(book, tmp_path, read_plate())
    report = month(book)
    rows = tuple((str(number), "x" * (number % 90), "y") for number in range(700))
    from dataclasses import replace

    from reader.round.report.value import Column, Section

    columns = (Column(head="number", share=1), Column(head="words", share=3), Column(head="other", share=1))
    long = replace(
        report, sections=(Section(title="All", blocks=(Table(caption="", columns=columns, rows=rows),)),)
    )
    sheets = on_paper(report_pdf(long))
    assert all("words" in sheet for sheet in sheets[:-1])
    numbers = [int(found) for sheet in sheets for found in re.findall(r"^(\d+)\b", sheet, re.MULTILINE)]
    assert [number for number in range(700) if number not in numbers] == []


def test_the_page_needs_nothing_from_elsewhere_and_names_its_tables_heads(
    book: Logbook, tmp_path: Path
) -> None:
    add(book, tmp_path, read_plate())
    page = report_page(month(book)).decode()
    assert "default-src 'none'" in page
    assert '<html lang="en">' in page
    assert page.count("<th scope=") == page.count("<th ") > 5
    assert "<script" not in page


# --- checking it ---------------------------------------------------------------------------------------------


def test_whoever_holds_a_report_can_tell_that_the_logbook_was_cut_off(book: Logbook, tmp_path: Path) -> None:
    add(book, tmp_path, read_plate())
    made = add(book, tmp_path, read_plate(), number=2)
    report = reading_report(book, made, made_at=MADE)
    seal = parse_seal(next(text for text in texts(report) if text.startswith("linecall-seal")))
    assert (seal.seq, seal.hash) == book.head()
    assert book.verify(seals=[seal]).good
    Place(where=str(tmp_path / "log.db"), photos="").tamper(
        f"DELETE FROM linecall_event WHERE seq = {seal.seq}",
        f"DELETE FROM linecall_reading WHERE id = '{made}'",
    )
    assert not book.verify(seals=[seal]).good


def test_a_reading_names_the_hash_of_its_photo_and_of_each_of_its_entries(
    book: Logbook, tmp_path: Path
) -> None:
    made = add(book, tmp_path, read_plate())
    book.correct(made, "tank", "north 9", by="Oren Lade", reason="misread", at=NOON + DAY)
    found = texts(reading_report(book, made, made_at=MADE))
    for event in book.events(made):
        assert event.hash in found
    assert any("north 1, is north 9; reason: misread" in text for text in found)
    verdict = book.reading(made).current
    assert verdict.layout is not None
    assert any(verdict.layout.sha256 in text for text in found)


# --- a reading -----------------------------------------------------------------------------------------------


def test_a_missing_photo_is_said_where_the_picture_would_be(book: Logbook, tmp_path: Path) -> None:
    made = add(book, tmp_path, read_plate())
    digest = book.reading(made).photos[0].sha256
    Place(where="", photos=str(tmp_path / "log.db.photos")).photo_path(digest).unlink()
    found = texts(reading_report(book, made, made_at=MADE))
    assert any(text.startswith("No picture:") and digest in text and "missing" in text for text in found)


def test_a_reading_that_no_longer_stands_says_so_beside_its_grade(book: Logbook, tmp_path: Path) -> None:
    first = add(book, tmp_path, read_plate(), number=1)
    second = add(book, tmp_path, read_plate(), number=1, at=NOON + DAY, plate_lot="L1")
    headline = reading_report(book, first, made_at=MADE).sections[0].blocks[0]
    assert isinstance(headline, Headline)
    assert any(f"reading {second} has taken its place" in text for text in headline.strong)


def test_a_refused_photo_has_a_report_without_marks(book: Logbook, tmp_path: Path) -> None:
    made = add(book, tmp_path, refused_verdict())
    report = reading_report(book, made, made_at=MADE)
    found = texts(report)
    assert "REFUSED" in found
    assert "Marks" not in found
    assert any("glare" in text.lower() for text in found)
    assert report_pdf(report).startswith(b"%PDF")


def test_a_real_photo_is_shown_with_its_calls_and_each_windows_strip(root: Path, tmp_path: Path) -> None:
    from reader.logbook import Statement
    from reader.read import read_photo
    from reader.round.report.value import Figure

    path = readable_photo(root)
    verdict = read_photo(path)
    with Logbook.open(tmp_path / "real.db") as book:
        made = book.add_reading(verdict, [path], Statement(operator="Ilmar Soot", tank="T1"), at=NOON)
        report = reading_report(book, made, made_at=MADE)
    figures = [block for section in report.sections for block in section.blocks if isinstance(block, Figure)]
    assert len(figures) == 1 + -(-len(verdict.windows) // 3)
    for window in verdict.windows:
        assert f"window {window.id}: indicator {window.indicator.call}" in figures[0].alt
    assert verdict.photo.sha256 is not None
    assert any(verdict.photo.sha256 in text for text in texts(report))
    page = report_page(report).decode()
    assert page.count('src="data:image/jpeg;base64,') == len(figures)
