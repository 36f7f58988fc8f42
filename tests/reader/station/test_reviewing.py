"""The reviewer's desk: blind first, refused before the work, stale decisions, slips."""

import hashlib
import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from reader.logbook import Statement
from reader.logbook.people import add_person
from reader.station.desk import Desk
from reader.words import Call, MarkName
from tests.reader.review.photographed import SETTINGS, photographed, read, with_calls
from tests.reader.station.desks import NOW, add_plate, browser_of, opened_desk


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with opened_desk(tmp_path) as opened:
        yield opened


@pytest.fixture
def plate(desk: Desk, tmp_path: Path) -> str:
    return add_plate(desk, tmp_path)


def last_of(html: str) -> str:
    found = re.search(r'name="last" value="(\d+)"', html)
    assert found is not None
    return found[1]


def decide(
    client: TestClient, plate: str, *, last: str, blind: str = "yes", **calls: str
) -> "tuple[int, str]":
    marks = {name.replace("_", " "): call for name, call in calls.items()}
    said = {"last": last, "blind": blind, "reason": "an even line", **marks}
    answer = client.post(f"/readings/{plate}/decisions", data=said)
    return answer.status_code, answer.text


def without_names(html: str, plate: str) -> str:
    """A page but for what names the reading and how far its history goes."""
    return re.sub(r'name="last" value="\d+"', "", html).replace(plate, "ID")


def test_a_blind_look_is_the_same_page_whatever_was_called_and_decided(desk: Desk, tmp_path: Path) -> None:
    photo = photographed(tmp_path / "photo")
    reading = read(photo).verdict
    called: list[dict[tuple[str, MarkName], Call]] = [
        {("3", "indicator"): "doubtful"},
        {("1", "indicator"): "absent", ("2", "indicator"): "absent", ("3", "indicator"): "absent"},
        {("3", "indicator"): "doubtful", ("4", "reference"): "absent"},
    ]
    pages = []
    for number, calls in enumerate(called):
        verdict = with_calls(reading, calls).model_copy(update={"id": None})
        plate = desk.logbook.add_reading(
            verdict,
            [photo],
            Statement.of(
                operator=("Ada North", "Ben South", "Dora Kettle")[number], tank="north", note="faint!"
            ),
            at=NOW,
            settings=SETTINGS.files_used(verdict.layout.sha256 if verdict.layout else None),
        )
        add_person(desk.logbook, f"Reader {'ABC'[number]}", roles=["reviewer"], at=NOW)
        html = browser_of(desk, f"Reader {'ABC'[number]}").get(f"/readings/{plate}").text
        stated = re.compile(r"<dt>operator</dt><dd>.*?</dd>|<a class=\"me\".*?</a>|logged .*? ago", re.DOTALL)
        pages.append(stated.sub("", without_names(html, plate)))
    windows = pages[0].split("<article>")[1:]
    assert len(windows) == len(reading.windows)
    assert all('class="ladder"' in window and "data:image/png" in window for window in windows)
    assert pages[0] == pages[1] == pages[2]


def test_the_second_reader_gets_nothing_of_the_first_ones_decision(desk: Desk, plate: str) -> None:
    ben, cleo = browser_of(desk, "Ben South"), browser_of(desk, "Cleo West")
    before = cleo.get(f"/readings/{plate}").text
    assert decide(ben, plate, last=last_of(before), indicator_3="present", indicator_5="absent")[0] == 200
    after = cleo.get(f"/readings/{plate}").text
    assert without_names(before, plate) == without_names(after, plate)
    for path in (f"/readings/{plate}/own", "/queue"):
        html = cleo.get(path).text
        assert "Ben South" not in html
        assert "even line" not in html


def test_two_blind_readers_settle_a_doubt_and_it_leaves_the_list(desk: Desk, plate: str) -> None:
    for name in ("Ben South", "Cleo West"):
        client = browser_of(desk, name)
        html = client.get(f"/readings/{plate}").text
        status, _ = decide(client, plate, last=last_of(html), indicator_3="present", indicator_5="present")
        assert status == 200
    now = desk.logbook.reading(plate)
    assert now.current.grade == "negligible"
    assert not now.waiting
    assert [made["blind"] for event in now.reviews for made in event.payload["decisions"]] == [True] * 4
    assert "Nothing waits" in browser_of(desk, "Ben South").get("/queue").text
    assert desk.logbook.verify().problem is None


def test_a_decision_on_a_page_that_is_out_of_date_is_refused_and_its_reason_kept_in_view(
    desk: Desk, plate: str
) -> None:
    ben, cleo = browser_of(desk, "Ben South"), browser_of(desk, "Cleo West")
    seen = last_of(cleo.get(f"/readings/{plate}").text)
    assert decide(ben, plate, last=seen, indicator_3="present")[0] == 200
    status, html = decide(cleo, plate, last=seen, indicator_3="absent")
    assert status == 409
    assert "an even line" in html
    assert len(desk.logbook.reading(plate).reviews) == 1


def test_whoever_opened_the_calls_is_no_blind_reader_from_then_on(desk: Desk, plate: str) -> None:
    ben = browser_of(desk, "Ben South")
    html = ben.get(f"/readings/{plate}").text
    assert ben.get(f"/readings/{plate}/calls").text.count("doubtful") == html.count("doubtful"), "still blind"
    opened = ben.post(f"/readings/{plate}/opened").text
    assert "in question" not in html
    assert "undecided" in opened
    assert decide(ben, plate, last=last_of(html), blind="yes", indicator_3="present")[0] == 409
    assert "undecided" in ben.get(f"/readings/{plate}").text, (
        "the blind look is over in every browser of theirs"
    )
    assert decide(ben, plate, last=last_of(opened), blind="no", indicator_3="present")[0] == 200
    (event,) = desk.logbook.reading(plate).reviews
    assert event.payload["decisions"][0]["blind"] is False


def test_another_reading_of_a_plate_whose_calls_were_seen_is_not_read_blind(
    desk: Desk, plate: str, tmp_path: Path
) -> None:
    again = desk.logbook.add_reading(
        desk.logbook.reading(plate).first.model_copy(update={"id": None}),
        [desk.logbook.write_photo(desk.logbook.reading(plate).photos[0], tmp_path)],
        Statement.of(operator="Dora Kettle", tank="south"),
        at=NOW,
        settings=(),
    )
    ben = browser_of(desk, "Ben South")
    ben.post(f"/readings/{plate}/opened")
    assert ben.get(f"/readings/{again}").url.path == f"/readings/{again}/calls"


@pytest.mark.parametrize("path", ["/api/readings/{}", "/api/readings", "/api/queue"])
def test_whoever_had_the_calls_as_json_is_no_blind_reader(desk: Desk, plate: str, path: str) -> None:
    ben = browser_of(desk, "Ben South")
    assert plate in ben.get(path.format(plate)).text
    assert ben.get(f"/readings/{plate}").url.path == f"/readings/{plate}/calls"
    assert browser_of(desk, "Cleo West").get(f"/readings/{plate}").url.path == f"/readings/{plate}"


def test_whoever_read_the_plate_is_told_before_the_work(
    desk: Desk, plate: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def measured(*_: object, **__: object) -> object:
        raise AssertionError("nothing is measured for somebody who may not decide")

    monkeypatch.setattr("reader.review.sheet.measured_photos", measured)
    ada = browser_of(desk, "Ada North")
    assert "another person must decide" in ada.get("/queue").text
    assert "had a hand in reading this plate" in ada.get(f"/readings/{plate}").text
    assert f"/readings/{plate}/decisions" not in ada.get(f"/readings/{plate}").text


def test_who_is_no_reviewer_gets_none_of_it(desk: Desk, plate: str) -> None:
    dora = browser_of(desk, "Dora Kettle")
    for path in ("/queue", f"/readings/{plate}", f"/readings/{plate}/calls", f"/readings/{plate}/own"):
        assert dora.get(path).status_code == 403
    assert decide(dora, plate, last="1", indicator_3="present")[0] == 403
    shared = browser_of(desk, "Ada North", shared=True)
    assert shared.get("/queue").status_code == 403, "a shared phone has no reviewer"
    assert desk.logbook.reading(plate).reviews == ()


def test_a_slip_is_taken_back_with_its_reason_and_may_be_decided_anew(desk: Desk, plate: str) -> None:
    ben = browser_of(desk, "Ben South")
    html = ben.get(f"/readings/{plate}").text
    _, own = decide(ben, plate, last=last_of(html), indicator_3="absent", indicator_5="present")
    said = {"last": last_of(own), "mark": "indicator 3", "reason": "slipped by one row"}
    after = ben.post(f"/readings/{plate}/withdrawal", data=said).text
    assert "window 5" in after
    assert "window 3" not in after
    assert decide(ben, plate, last=last_of(after), indicator_3="present")[0] == 200
    kinds = [
        sorted(event.payload.keys() & {"decisions", "withdrawn"})
        for event in desk.logbook.reading(plate).reviews
    ]
    assert kinds == [["decisions"], ["withdrawn"], ["decisions"]]


def test_whoever_took_a_call_back_knowing_that_readers_disagree_is_not_blind_again(
    desk: Desk, plate: str
) -> None:
    ben, cleo = browser_of(desk, "Ben South"), browser_of(desk, "Cleo West")
    decide(ben, plate, last=last_of(ben.get(f"/readings/{plate}").text), indicator_3="absent")
    decide(cleo, plate, last=last_of(cleo.get(f"/readings/{plate}").text), indicator_3="present")
    own = ben.get(f"/readings/{plate}/own").text
    assert "readers disagree" in own
    said = {"last": last_of(own), "mark": "indicator 3", "reason": "looked again"}
    after = ben.post(f"/readings/{plate}/withdrawal", data=said).text
    last = str(desk.logbook.reading(plate).last_seq)
    status, html = decide(ben, plate, last=last, indicator_3="present")
    assert "took back" not in after
    assert status == 409
    assert "cannot call it blind again" in html
    assert decide(ben, plate, last=last, indicator_5="present")[0] == 200, "another mark they may"


def test_what_each_call_takes_is_said_before_it_is_made(desk: Desk, plate: str) -> None:
    ben = browser_of(desk, "Ben South")
    blind = ben.get(f"/readings/{plate}").text
    assert "absent: takes" not in blind, "it would tell a blind reader what the grade turns on"
    opened = ben.post(f"/readings/{plate}/opened").text
    # policy standard: a doubt settled towards caution takes one reader, towards release two blind ones
    assert "present: takes 2 blind readers." in opened
    assert "doubtful: takes 1 reader." in opened
    assert decide(ben, plate, last=last_of(opened), blind="no", indicator_3="present")[0] == 200
    (still,) = desk.logbook.reading(plate).current.review.open  # type: ignore[union-attr]
    assert (still.needed, still.blind, still.readers) == (2, True, 0)


def test_of_two_decisions_at_once_one_is_kept_and_the_chain_holds(desk: Desk, plate: str) -> None:
    clients = [browser_of(desk, name) for name in ("Ben South", "Cleo West")]
    last = str(desk.logbook.reading(plate).last_seq)
    with ThreadPoolExecutor(2) as pool:
        found = list(pool.map(lambda one: decide(one, plate, last=last, indicator_3="present")[0], clients))
    assert sorted(found) == [200, 409]
    assert len(desk.logbook.reading(plate).reviews) == 1
    assert desk.logbook.verify().problem is None


def test_what_may_still_be_read_comes_first_with_its_minutes_then_the_older(desk: Desk, plate: str) -> None:
    found = desk.logbook.reading(plate)
    age = found.first.reading_age
    assert age is not None
    assert age.range_minutes is not None
    drops = NOW - timedelta(minutes=age.range_minutes[1] - 14.5)
    photo = desk.folder / "later.jpg"
    photo.write_bytes(b"a photo that nobody looks into")
    digest = hashlib.sha256(photo.read_bytes()).hexdigest()
    later = found.first.model_copy(
        update={
            "id": None,
            "reading_age": age.model_copy(update={"drops_at": drops}),
            "photo": found.first.photo.model_copy(update={"sha256": digest, "name": photo.name}),
        }
    )
    statement = Statement.of(operator="Ada North", tank="just dropped")
    desk.logbook.add_reading(later, [photo], statement, at=NOW)
    html = browser_of(desk, "Ben South").get("/queue").text
    assert html.index("just dropped") < html.index("north 1")
    assert ">14</b> minutes left" in html
    desk.now.now = NOW + timedelta(minutes=15)  # type: ignore[attr-defined]
    html = browser_of(desk, "Ben South").get("/queue").text
    assert html.index("just dropped") > html.index("north 1")
    assert "minutes left" not in html


@pytest.mark.parametrize(
    "said",
    [
        {},
        {"reason": "   "},
        {"indicator 3": "maybe"},
        {"indicator 99": "present"},
        {"reference 3": "present", "indicator 3": "undeveloped"},
        {"indicator 3": "present", "reason": "x" * 1001},
    ],
)
def test_what_is_no_decision_is_refused_and_changes_nothing(
    desk: Desk, plate: str, said: dict[str, str]
) -> None:
    ben = browser_of(desk, "Ben South")
    last = str(desk.logbook.reading(plate).last_seq)
    whole = {"last": last, "blind": "yes", "reason": "seen", **said}
    assert ben.post(f"/readings/{plate}/decisions", data=whole).status_code == 409
    assert desk.logbook.reading(plate).reviews == ()


def test_hostile_reasons_are_shown_as_text(desk: Desk, plate: str) -> None:
    ben = browser_of(desk, "Ben South")
    whole = {"last": "x", "reason": "<script>alert(1)</script>", "indicator 3": "present", "blind": "yes"}
    assert "<script>alert" not in ben.post(f"/readings/{plate}/decisions", data=whole).text


def test_a_reading_is_taken_off_the_list_as_it_stands(desk: Desk, plate: str) -> None:
    ben = browser_of(desk, "Ben South")
    html = ben.post(f"/readings/{plate}/opened").text
    said = {"last": last_of(html), "reason": "repeated on a new plate"}
    assert "taken this reading off" in ben.post(f"/readings/{plate}/closing", data=said).text
    assert not desk.logbook.reading(plate).waiting


def test_there_is_no_page_of_a_reading_that_nobody_logged(desk: Desk) -> None:
    ben = browser_of(desk, "Ben South")
    assert ben.get("/readings/zzzzzzzz").status_code == 404
    assert ben.get("/queue?page=7").status_code == 409
    assert ben.get("/queue?page=-1").status_code == 404


def test_no_style_attribute_is_left_for_the_policy_to_kill(desk: Desk, plate: str) -> None:
    answer = browser_of(desk, "Ben South").get(f"/readings/{plate}")
    assert " style=" not in answer.text
    assert "'unsafe-inline'" not in answer.headers["content-security-policy"]
