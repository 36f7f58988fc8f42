"""The reviewer's sheet as a page: what it says, what a blind one keeps to itself, and that nothing gets through it."""

import html
import re
from datetime import datetime, timedelta, timezone
from html.parser import HTMLParser
from pathlib import Path

import pytest

from reader.draw.annotate import plan_plate
from reader.draw.ink import CallBar
from reader.errors import LinecallError
from reader.logbook import Logbook, Statement
from reader.logbook.people import Person
from reader.read import examine
from reader.review import record
from reader.review.decide import Decision
from reader.review.page import plate_jpeg
from reader.review.sheet import Case, consequences, in_question, open_case, outcomes, sheet
from reader.settings.read_settings import load_settings
from reader.verdict.evidence import Reading
from reader.words import Call, MarkName
from tests.reader.review.photographed import COMB, HEIGHTS, SETTINGS, case_of, photographed, read, with_calls
from tests.reader.review.samples import ONE_READER, read_plate

AT = datetime(2026, 5, 4, 9, 8, 7, tzinfo=timezone(timedelta(hours=2)))
SCRIPT = "<script>alert(1)</script>"
MEGABYTE = 1_000_000

DOUBTFUL: dict[tuple[str, MarkName], Call] = {("3", "indicator"): "doubtful", ("5", "indicator"): "doubtful"}


@pytest.fixture(scope="module")
def reading(tmp_path_factory: pytest.TempPathFactory) -> Reading:
    return read(photographed(tmp_path_factory.mktemp("plate")))


@pytest.fixture(scope="module")
def doubtful(reading: Reading) -> Case:
    """The plate with two lower-tier indicators in doubt: negligible, moderate or heavy."""
    verdict = with_calls(reading.verdict, DOUBTFUL)
    return case_of(reading, first=verdict, current=verdict)


@pytest.fixture(scope="module")
def page(doubtful: Case) -> bytes:
    return sheet(doubtful)


@pytest.fixture(scope="module")
def blind_page(doubtful: Case) -> bytes:
    return sheet(doubtful, blind=True)


def without_photo(first: dict[str, Call], current: dict[str, Call] | None = None) -> Case:
    """A case of these calls alone."""
    before = read_plate(**first)  # type: ignore[arg-type]
    now = before if current is None else read_plate(**current)  # type: ignore[arg-type]
    return Case(
        reading="7k3m9q2x",
        first=before,
        current=now,
        photos=(),
        layout=COMB,
        rules=SETTINGS.rules,
        thresholds=SETTINGS.thresholds,
    )


class _Text(HTMLParser):
    """The words of a page, and every element with its attributes."""

    def __init__(self, page: bytes) -> None:
        super().__init__()
        self.words: list[str] = []
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self._style = False
        self.feed(page.decode("utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self._style = tag == "style"

    def handle_data(self, data: str) -> None:
        if not self._style:
            self.words.append(data)

    def handle_endtag(self, tag: str) -> None:
        self._style = False

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def windows_shown(page: bytes) -> list[str]:
    return re.findall(r'<span class="tile">([^<]*)</span>', page.decode("utf-8"))


# ---- which marks


def test_a_doubt_a_decision_and_a_disagreement_are_in_question() -> None:
    assert in_question(without_photo({"indicator_3": "doubtful", "reference_4": "doubtful"})) == {
        ("3", "indicator"),
        ("4", "reference"),
    }
    # a doubt that readers have settled since is still what the sheet is about
    assert in_question(without_photo({"indicator_3": "doubtful"}, {"indicator_3": "present"})) == {
        ("3", "indicator")
    }
    assert in_question(without_photo({})) == frozenset()


def test_windows_that_are_not_in_question_are_left_out_unless_asked_for() -> None:
    case = without_photo({"indicator_3": "doubtful"})
    assert windows_shown(sheet(case)) == ["3"]
    assert windows_shown(sheet(case, every_window=True)) == list("123456")
    assert "The 5 other windows are not in question." in _Text(sheet(case)).text
    assert windows_shown(sheet(without_photo({}))) == list("123456")


# ---- what would follow: the rules of the two-tier screen, by hand


def test_each_answer_is_told_with_the_grade_that_it_leads_to() -> None:
    # heavy: an upper-tier indicator absent, or two lower-tier ones; moderate: one lower-tier one (odd windows)
    words = {
        one.call: str(one.said)
        for one in consequences(without_photo({"indicator_3": "doubtful"}), "3", "indicator")
    }
    assert words == {"present": "negligible", "absent": "moderate"}
    one_absent = without_photo({"indicator_1": "absent", "indicator_3": "doubtful"})
    assert {one.call: str(one.said) for one in consequences(one_absent, "3", "indicator")} == {
        "present": "moderate",
        "absent": "heavy",
    }
    settled = without_photo({"indicator_1": "absent"})
    assert [str(one.said) for one in consequences(settled, "3", "indicator")] == [
        "moderate, as now",
        "heavy instead of moderate",
    ]
    assert [str(one.said) for one in consequences(settled, "3", "reference")] == [
        "moderate, as now",
        "invalid instead of moderate",
        "invalid instead of moderate",
    ]


def test_an_answer_that_leaves_another_doubt_says_between_which_grades() -> None:
    case = without_photo({"indicator_3": "doubtful", "indicator_6": "doubtful"})
    words = {one.call: str(one.said) for one in consequences(case, "3", "indicator")}
    assert words == {
        "present": "still undecided: negligible or heavy",
        "absent": "still undecided: moderate or heavy",
    }


def test_several_doubts_are_answered_together_too() -> None:
    case = without_photo({"indicator_3": "doubtful", "indicator_5": "doubtful", "indicator_6": "doubtful"})
    assert {str(grade): str(ways) for grade, ways in outcomes(case)} == {
        "negligible": "none",
        "moderate": "5; 3",
        "heavy": "6; 5 and 6; 3 and 6; 3 and 5; 3, 5 and 6",
    }
    assert [str(grade) for grade, _ in outcomes(case)] == ["negligible", "moderate", "heavy"]
    assert outcomes(without_photo({"indicator_3": "doubtful"})) == ()


def test_on_a_plate_photographed_early_absent_settles_nothing() -> None:
    verdict = read_plate("early", indicator_3="doubtful")
    case = without_photo({})
    case = Case(
        reading=case.reading,
        first=verdict,
        current=verdict,
        photos=(),
        layout=COMB,
        rules=case.rules,
        thresholds=case.thresholds,
    )
    # until the reading range begins no call settles anything
    assert {one.call: str(one.said) for one in consequences(case, "3", "indicator")} == dict.fromkeys(
        ("present", "absent"), "still undecided: negligible, moderate, heavy or invalid"
    )


# ---- the page


def test_the_page_holds_pictures_ladder_profile_plate_and_all_that_is_known(page: bytes) -> None:
    found = _Text(page)
    # per window 3 strips, 4 rows of 2 marks and 6 rungs; 2 call bars; beside them a sign and the plate
    images = [attributes["src"] or "" for tag, attributes in found.elements if tag == "img"]
    assert len(images) == 2 * (3 + 4 * 8 + 2) + 2
    assert all(source.startswith(("data:image/png;base64,", "data:image/jpeg;base64,")) for source in images)
    assert sum(tag == "svg" for tag, _ in found.elements) == 2
    for words in (
        "0.003 0.7%",
        "0.05 10.9%",
        "undecided",
        "in question: indicator",
        "if absent still undecided: moderate or heavy",
        "px per mm",
        "photographed 20 min after the drops",
        "contrast was stretched",
        "cycles a degree",
        "linecall review decide 7k3m9q2x",
        "certifies nothing",
    ):
        assert words in found.text, words


def test_the_page_needs_nothing_but_itself(page: bytes, blind_page: bytes) -> None:
    for whole in (page, blind_page):
        found = _Text(whole)
        assert not {"script", "iframe", "object", "embed", "form", "base"} & {
            tag for tag, _ in found.elements
        }
        for tag, attributes in found.elements:
            for name in ("src", "href", "srcset", "action", "background"):
                assert (attributes.get(name) or "data:").startswith("data:"), (tag, name)
            assert not [name for name in attributes if name.startswith("on")]
        style = re.search(r"<style>(.*?)</style>", whole.decode(), re.S)
        assert style is not None
        assert "url(" not in style[1]
        assert "@import" not in style[1]
        policy = next(
            a["content"] for tag, a in found.elements if a.get("http-equiv") == "Content-Security-Policy"
        )
        assert policy is not None
        assert "default-src 'none'" in policy


def test_the_same_case_gives_the_same_page(doubtful: Case, page: bytes) -> None:
    assert sheet(doubtful) == page


def test_a_whole_plate_of_six_windows_has_less_than_three_megabytes(
    doubtful: Case, blind_page: bytes
) -> None:
    assert len(sheet(doubtful, every_window=True)) < 3 * MEGABYTE
    assert len(blind_page) < 3 * MEGABYTE


def test_of_several_photos_each_shows_what_is_in_question_and_the_clearest_the_rest(
    reading: Reading, tmp_path: Path
) -> None:
    other = read(photographed(tmp_path, seed=7))
    assert other.verdict.status == "read"
    verdict = with_calls(reading.verdict, DOUBTFUL)
    case = case_of(reading, other, first=verdict, current=verdict)

    def drawings(page: bytes) -> int:
        return page.count(b"<svg ")

    assert drawings(sheet(case)) == 2 * 2
    assert drawings(sheet(case, every_window=True)) == 2 * 2 + 4
    assert drawings(sheet(case, blind=True)) == 2 * 6
    assert sheet(case).count(b"data:image/jpeg") == 2  # the plate in either photo


def test_where_colour_is_not_carried_the_page_says_from_which_height_it_is(
    doubtful: Case, page: bytes
) -> None:
    (photo,) = doubtful.photos
    assert photo.evidence is not None
    assert photo.evidence.photo is not None
    assert photo.evidence.photo.chroma.lossy
    text = _Text(page).text
    assert re.search(r"this file has no colour below 0\.\d{3} \(\d+\.\d%\): see lightness", text)


# ---- blind


def test_a_blind_sheet_is_the_same_whatever_was_called(reading: Reading) -> None:
    calls: tuple[Call, ...] = ("present", "absent", "doubtful")
    pages = set()
    for call in calls:
        verdict = with_calls(reading.verdict, {("3", "indicator"): call, ("5", "indicator"): call})
        changed = Reading(verdict=verdict, evidence=reading.evidence)
        pages.add(sheet(case_of(changed), blind=True))
    assert len(pages) == 1


def test_a_blind_sheet_tells_no_call_grade_limit_fit_or_earlier_reader(
    doubtful: Case, blind_page: bytes
) -> None:
    verdict = doubtful.current
    text = _Text(blind_page).text
    for told in (
        "undecided",
        "negligible",
        "moderate",
        "heavy",
        "in question",
        "pivotal",
        "limit of",
        "if absent",
    ):
        assert told not in text.lower(), told
    for window in verdict.windows:
        for mark in (window.indicator, window.reference):
            for number in (mark.height, mark.limit_of_blank, mark.limit_of_detection):
                assert f"{number:.4f}" not in text
    svg = re.findall(r"<svg.*?</svg>", blind_page.decode(), re.S)
    assert len(svg) == 6
    for drawing in svg:
        assert not re.search(r'class="(fit|baseline|blank|detection|error|disc)"', drawing)
    assert windows_shown(blind_page) == list("123456")


def test_a_blind_sheets_plate_is_the_plain_one(doubtful: Case, page: bytes, blind_page: bytes) -> None:
    def plate(page: bytes) -> str:
        (found,) = re.findall(r'<img src="data:image/jpeg;base64,([^"]+)"', page.decode())
        return str(found)

    (photo,) = doubtful.photos
    assert photo.evidence is not None
    plain, called = (plan_plate(doubtful.current, photo.evidence, calls=calls) for calls in (False, True))
    assert not [shape for shape in plain.shapes if isinstance(shape, CallBar)]
    assert len([shape for shape in called.shapes if isinstance(shape, CallBar)]) == 12
    assert plate(blind_page) == plate_jpeg(photo.evidence, plain).partition(",")[2]
    assert plate(page) == plate_jpeg(photo.evidence, called).partition(",")[2]


def test_a_blind_reader_is_not_told_the_technicians_note(doubtful: Case) -> None:
    case = case_of(
        *doubtful.photos, statement=Statement(operator="I. Marlow", tank="north 4", note="looks empty to me")
    )
    assert "looks empty to me" in _Text(sheet(case)).text
    blind = _Text(sheet(case, blind=True)).text
    assert "looks empty to me" not in blind
    assert "north 4" in blind
    assert "the technician's note" in blind


# ---- from the logbook


@pytest.fixture
def hostile(tmp_path: Path) -> tuple[Logbook, str]:
    """A logbook with a reading of which every text that somebody typed is an attack."""
    folder = tmp_path / "photos"
    plate = photographed(folder)
    photo = plate.rename(folder / "<script>alert(1)<&quot;>' onload=x.jpg")
    verdict = examine(photo, SETTINGS, reading_age_min=20).verdict
    verdict = with_calls(verdict, {("3", "indicator"): "doubtful"})
    book = Logbook.open(tmp_path / "log.db")
    said = {
        name: f"{SCRIPT}\u202e{name}\"'><img src=x onerror=alert(2)>"
        for name in ("tank", "sample_point", "sample_phase", "plate_lot", "note", "operator")
    }
    return book, book.add_reading(verdict, [photo], Statement(**said), at=AT)  # type: ignore[arg-type]


def test_whatever_somebody_typed_reaches_the_page_as_text_alone(
    hostile: tuple[Logbook, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    book, reading = hostile
    anybody = Person(name=f"{SCRIPT}</style>reader", roles=("reviewer",), since=AT)
    monkeypatch.setattr(record, "settle", lambda *_, **__: anybody)  # a name from before names were checked
    with book:
        decision = Decision(
            window="3",
            mark="indicator",
            call="present",
            by=f"{SCRIPT}</style>reader",
            reason=f"{SCRIPT}{{{{ 7 * 7 }}}}</p><svg onload=alert(3)>",
            at=AT,
        )
        record.decide(book, reading, [decision], policy=ONE_READER)
        case = open_case(book, reading)
    for blind in (False, True):
        page = sheet(case, blind=blind)
        found = _Text(page)
        assert "script" not in {tag for tag, _ in found.elements}
        assert not [a for _, a in found.elements if {"onerror", "onload"} & a.keys()]
        assert not [a for _, a in found.elements if a.get("src") == "x"]
        assert html.escape(SCRIPT).encode() in page
        assert "\u202e" not in found.text  # turns the direction of what follows
        assert SCRIPT in found.text
    text = _Text(sheet(case)).text
    assert "{{ 7 * 7 }}" in text
    assert f"{SCRIPT}</style>reader" in text
    assert "called it doubtful" in text


@pytest.mark.posix
def test_the_sheet_of_a_kept_reading_is_measured_anew_from_its_kept_photo(tmp_path: Path) -> None:
    photo = photographed(tmp_path / "a")
    verdict = examine(photo, SETTINGS, reading_age_min=20).verdict
    with Logbook.open(tmp_path / "log.db") as book:
        reading = book.add_reading(verdict, [photo], Statement(operator="I. Marlow"), at=AT)
        photo.unlink()
        case = open_case(book, reading)
        assert case.photos[0].verdict.windows == verdict.windows
        assert case.photos[0].verdict.photo.name == photo.name
        assert "measured anew" not in _Text(sheet(case)).text
        assert verdict.photo.sha256 is not None
        kept = next(path for path in tmp_path.rglob(verdict.photo.sha256) if path.is_file())
        kept.chmod(0o644)
        kept.write_bytes(kept.read_bytes() + b"\x00")
        with pytest.raises(LinecallError, match="has been altered"):
            open_case(book, reading)


def test_a_reading_whose_layout_was_found_by_trying_all_is_measured_the_same_way_again(
    tmp_path: Path,
) -> None:
    photo = photographed(tmp_path / "a", seed=9)
    verdict = examine(photo, load_settings("auto"), reading_age_min=20).verdict
    with Logbook.open(tmp_path / "log.db") as book:
        reading = book.add_reading(verdict, [photo], Statement(operator="I. Marlow"), at=AT)
        assert open_case(book, reading).photos[0].verdict.windows == verdict.windows


def test_heights_that_have_changed_since_are_said(reading: Reading) -> None:
    window = reading.verdict.windows[0]
    mark = window.indicator
    assert mark.height is not None
    earlier = window.model_copy(update={"indicator": mark.model_copy(update={"height": mark.height + 0.01})})
    first = reading.verdict.model_copy(update={"windows": (earlier, *reading.verdict.windows[1:])})
    assert "differ by up to 0.0100" in _Text(sheet(case_of(reading, first=first))).text


def test_a_refused_photo_and_an_unknown_reading_have_no_sheet(tmp_path: Path) -> None:
    photo = tmp_path / "hangar.jpg"
    photo.write_bytes(b"a picture of a hangar")
    refused = examine(photo, SETTINGS).verdict
    assert refused.status == "refused"
    with Logbook.open(tmp_path / "log.db") as book:
        reading = book.add_reading(refused, [photo], Statement(operator="I. Marlow"), at=AT)
        with pytest.raises(LinecallError, match=r"was refused .* no mark to judge"):
            open_case(book, reading)
        with pytest.raises(LinecallError, match="zzzzzzzz"):
            open_case(book, "zzzzzzzz")


def test_the_plates_heights_are_those_that_were_photographed(reading: Reading) -> None:
    """The photo of these tests is a fair one: what they show is really there."""
    for window, height in zip(reading.verdict.windows, HEIGHTS, strict=True):
        assert window.indicator.height == pytest.approx(height, abs=0.01)
