"""Teaching at the station: blind labels, quizzes by invitation, reports and charts; who sees what."""

import hashlib
import os
import re
import shutil
import signal
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from reader.library import Library
from reader.library.add import AddOrder, Source, add_sources, layout_files, sources_of_readings
from reader.library.quiz.records import Key
from reader.logbook import Logbook, Statement
from reader.logbook.people import add_person
from reader.read import examine
from reader.settings.read_settings import load_settings
from reader.station.app import station
from reader.station.desk import Desk
from reader.station.exams import Exams
from reader.station.guard import Place
from reader.station.signins import SignIns
from reader.station.texts import english
from tests.reader.library.quiz.quiz_library import invented_library

NOW = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
OURS = {"Origin": "http://testserver"}
TRAINER, TRAINEE, OTHER = "Tess Ainer", "N. Novice", "Ben South"


class Clock:
    """A clock that a test turns."""

    now = NOW

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture(scope="module")
def kept_library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("teaching") / "library"
    invented_library(folder, 40).close()
    return folder


def opened(folder: Path, library: Path | None) -> Iterator[Desk]:
    with Logbook.open(folder / "book.sqlite") as book:
        add_person(book, TRAINER, roles=["trainer"], at=NOW)
        add_person(book, TRAINEE, roles=["trainee"], at=NOW)
        add_person(book, OTHER, roles=["technician"], at=NOW)
        signs = SignIns.open(folder / "station.sqlite")
        yield Desk(
            logbook=book,
            reopen=lambda: Logbook.open(folder / "book.sqlite", read_only=True),
            folder=folder,
            sign_ins=signs,
            texts=english(),
            library=library,
            now=Clock(),
        )
        signs.close()


@pytest.fixture
def desk(tmp_path: Path, kept_library: Path) -> Iterator[Desk]:
    yield from opened(tmp_path, shutil.copytree(kept_library, tmp_path / "library"))


def client(desk: Desk) -> TestClient:
    return TestClient(station(desk, Place(hosts=frozenset({"testserver"}))), headers=OURS)


def signed_in(desk: Desk, name: str) -> TestClient:
    made = client(desk)
    assert made.post("/pair", json={"secret": desk.sign_ins.make_link(name, now=desk.now())}).is_success
    return made


@pytest.fixture
def trainer(desk: Desk) -> TestClient:
    return signed_in(desk, TRAINER)


def finished(browser: TestClient, path: str) -> str:
    """Where a computation leads to, once it is done."""
    until = time.monotonic() + 60
    while True:
        answer = browser.get(path, follow_redirects=False)
        if answer.status_code == 303:
            return str(answer.headers["location"])
        assert 'role="alert"' not in answer.text, answer.text
        assert time.monotonic() < until, answer.text
        time.sleep(0.05)


def drawn(trainer: TestClient, *, minutes: int = 0, trainee: str = TRAINEE) -> str:
    """Draw a quiz; its id."""
    form = {"trainee": trainee, "plates": "6", "minutes": str(minutes), "mix": "even"}
    answer = trainer.post("/teaching/quizzes", data=form, follow_redirects=False)
    return finished(trainer, answer.headers["location"]).rpartition("/")[2]


def invited(desk: Desk, trainer: TestClient, quiz: str) -> TestClient:
    """A browser that opened the invitation."""
    made = client(desk)
    assert made.post("/pair", json={"secret": secret_of(trainer, quiz)}).is_success
    return made


def secret_of(trainer: TestClient, quiz: str) -> str:
    text = trainer.post(f"/teaching/quizzes/{quiz}/invite").text
    found = re.search(r'id="link" href="[^"#]*#([^"]+)"', text)
    assert found is not None, text
    return found[1]


def key_of(desk: Desk, quiz: str) -> Key:
    return Key.model_validate_json((desk.library_folder() / "quizzes" / f"{quiz}.key.json").read_bytes())


def answer_all(browser: TestClient, desk: Desk, quiz: str, *, wrong: int = 0) -> int:
    """Answer every mark as the key has it, but for some indicator marks; how many there were."""
    marks = [
        (place, mark)
        for place, window in enumerate(
            [mark for item in key_of(desk, quiz).items for mark in item.marks if mark.mark == "indicator"]
        )
        for mark in [window]
    ]
    n = 0
    references = [m for item in key_of(desk, quiz).items for m in item.marks if m.mark == "reference"]
    for (place, indicator), reference in zip(marks, references, strict=True):
        for mark in (indicator, reference):
            call = mark.call
            if mark.mark == "indicator" and wrong > 0:
                call, wrong = {"present": "absent"}.get(call, "present"), wrong - 1  # type: ignore[assignment]
            answer = browser.post(f"/quiz/{quiz}/{place}", json={"answer": f"{mark.mark} {call}"})
            assert answer.is_success, answer.text
            n += 1
    return n


# --- labels -----------------------------------------------------------------------------------------------------


def test_a_call_is_in_the_library_as_soon_as_it_is_made_and_is_blind(desk: Desk, trainer: TestClient) -> None:
    page = trainer.get("/teaching/labels/next")
    example = page.url.path.split("/")[3]
    assert page.url.path.endswith("/0")
    window = page.text.split('id="window">Window ')[1].split("<")[0]
    assert trainer.post(page.url.path, json={"answer": "indicator absent"}).json()["to"] is None
    with Library.open(desk.library_folder(), read_only=True) as library:
        own = [one for one in library.gradings(example) if one.grader == TRAINER]
    assert [(one.calls, one.blind, one.role) for one in own] == [
        ({(window, "indicator"): "absent"}, True, "expert")
    ]
    assert trainer.post(page.url.path, json={"answer": "reference present"}).json()["to"].endswith("/1")


def test_a_call_that_is_changed_and_changed_back_within_a_second_stands_as_it_was_made_last(
    desk: Desk, trainer: TestClient
) -> None:
    page = trainer.get("/teaching/labels/next")
    example = page.url.path.split("/")[3]
    for call in ("present", "absent", "present"):
        trainer.post(page.url.path, json={"answer": f"indicator {call}"})
    shown = trainer.get(page.url.path).text
    assert 'value="indicator present" data-key="P" aria-pressed="true"' in shown
    assert 'value="indicator absent" data-key="A" aria-pressed="false"' in shown
    with Library.open(desk.library_folder(), read_only=True) as library:
        at = [one.at for one in library.gradings(example) if one.grader == TRAINER]
    assert at == sorted(set(at)), "each later than the one before, so that the last one counts everywhere"


def test_nothing_on_the_page_tells_what_anybody_called(desk: Desk, trainer: TestClient) -> None:
    page = trainer.get("/teaching/labels/next")
    example = page.url.path.split("/")[3]
    with Library.open(desk.library_folder(), read_only=True) as library:
        row, gradings = library.row(example), library.gradings(example)
    assert 'aria-pressed="true"' not in page.text
    for told in (row.photo, row.plate if row.plate != example else "", *(one.grader for one in gradings)):
        assert not told or told not in page.text
    assert "data-key" in page.text
    without_buttons = re.sub(
        r"<button.*?</button>|<p class=\"fine.*?</p>|src=\"[^\"]*\"", "", page.text, flags=re.S
    )
    assert not re.search(r"present|absent|doubtful|undeveloped|negligible|heavy|moderate", without_buttons)


def test_without_scripts_a_form_saves_the_call_and_goes_on(trainer: TestClient) -> None:
    page = trainer.get("/teaching/labels/next")
    after = trainer.post(page.url.path, data={"answer": "reference absent"})
    assert after.url.path == page.url.path
    assert 'value="reference absent" data-key="A" aria-pressed="true"' in after.text
    assert (
        trainer.post(page.url.path, data={"answer": "indicator absent"}).url.path == page.url.path[:-1] + "1"
    )


def test_photos_whose_calls_a_report_has_shown_are_not_labelled_blind(
    desk: Desk, trainer: TestClient
) -> None:
    begun = trainer.post("/teaching/reports", data={"kind": "agreement"}, follow_redirects=False)
    report = finished(trainer, begun.headers["location"])
    listed = set(re.findall(r"\b[0-9a-hjkmnp-tv-z]{8}\b", trainer.get(report).text))
    with Library.open(desk.library_folder(), read_only=True) as library:
        ids = [row.id for row in library.examples()]
    shown, unseen = next(id for id in ids if id in listed), next(id for id in ids if id not in listed)
    for id in (shown, unseen):
        trainer.post(f"/teaching/labels/{id}/0", json={"answer": "indicator present"})
    with Library.open(desk.library_folder(), read_only=True) as library:
        blind = [
            [one.blind for one in library.gradings(id) if one.grader == TRAINER] for id in (shown, unseen)
        ]
    assert blind == [[None], [True]]


def read_and_taught(desk: Desk, root: Path, *, operator: str, from_logbook: bool = True) -> tuple[str, str]:
    """A photo that is both a reading of the logbook and an example of the library; their ids."""
    photo = root / "demo_images" / "north-tank-drain.jpg"
    settings = load_settings()
    reading = desk.logbook.add_reading(
        examine(photo, settings).verdict, [photo], Statement.of(operator=operator, tank="north 1"), at=NOW
    )
    order = AddOrder(settings=settings, layout_files=layout_files(settings, "auto"), at=NOW)
    sources = (
        list(sources_of_readings(desk.logbook, [reading], role="expert"))
        if from_logbook
        else [Source(path=photo, origin="photo, added at the station")]
    )
    with Library.open(desk.library_folder()) as library:
        (added,) = add_sources(library, sources, order)
    assert added.example is not None
    return reading, added.example


def labelled_blind(desk: Desk, trainer: TestClient, example: str) -> bool | None:
    """Label a mark of an example; whether that is kept as a blind label."""
    trainer.post(f"/teaching/labels/{example}/0", json={"answer": "indicator present"})
    with Library.open(desk.library_folder(), read_only=True) as library:
        (own,) = [one for one in library.gradings(example) if one.grader == TRAINER]
    return own.blind


def test_whoever_photographed_a_reading_does_not_label_its_photo_blind(
    desk: Desk, trainer: TestClient, root: Path
) -> None:
    _, example = read_and_taught(desk, root, operator=TRAINER)
    assert labelled_blind(desk, trainer, example) is None


@pytest.mark.parametrize("from_logbook", [True, False])
@pytest.mark.parametrize("opened", [True, False])
def test_whoever_opened_the_calls_of_a_reading_does_not_label_its_photo_blind(
    desk: Desk, trainer: TestClient, root: Path, opened: bool, from_logbook: bool
) -> None:
    add_person(desk.logbook, TRAINER, roles=["reviewer"], at=NOW)
    reading, example = read_and_taught(desk, root, operator=OTHER, from_logbook=from_logbook)
    assert trainer.get(f"/readings/{reading}").url.path == f"/readings/{reading}", "a blind look"
    if opened:
        trainer.post(f"/readings/{reading}/opened")
    assert labelled_blind(desk, trainer, example) is (None if opened else True)


def test_whoever_was_shown_calls_in_the_library_does_not_review_that_plate_blind(
    desk: Desk, trainer: TestClient, root: Path
) -> None:
    add_person(desk.logbook, TRAINER, roles=["reviewer"], at=NOW)
    reading, example = read_and_taught(desk, root, operator=OTHER)
    assert trainer.get(f"/readings/{reading}").url.path == f"/readings/{reading}"
    with Exams.open(desk.folder) as exams:
        exams.note_shown(TRAINER, [example])
    assert trainer.get(f"/readings/{reading}").url.path == f"/readings/{reading}/calls"


def test_another_photo_of_a_plate_whose_calls_were_shown_is_not_labelled_blind(
    desk: Desk, trainer: TestClient, root: Path
) -> None:
    settings = load_settings()
    order = AddOrder(settings=settings, layout_files=layout_files(settings, "auto"), at=NOW)
    photos = [root / "demo_images" / f"rescue-boat-tank-{number}.jpg" for number in (1, 2)]
    with Library.open(desk.library_folder()) as library:
        sources = [Source(path=photo, origin="photo", plate="rescue boat") for photo in photos]
        shown, other = (str(added.example) for added in add_sources(library, sources, order))
    with Exams.open(desk.folder) as exams:
        exams.note_shown(TRAINER, [shown])
    assert labelled_blind(desk, trainer, other) is None


def test_a_photo_that_is_left_as_it_is_does_not_stand_in_the_way_of_the_next(trainer: TestClient) -> None:
    first = trainer.get("/teaching/labels/next").url.path.split("/")[3]
    done = trainer.get(f"/teaching/labels/{first}/done").text
    assert "12 marks have no call" in done or "2 marks have no call" in done
    second = trainer.get(f"/teaching/labels/next?after={first}").url.path.split("/")[3]
    assert second != first
    assert trainer.get("/teaching/labels/next").url.path.split("/")[3] == first, "it still waits"


def test_a_photo_that_was_begun_is_listed_until_every_mark_is_called(desk: Desk, trainer: TestClient) -> None:
    page = trainer.get("/teaching/labels/next")
    example = page.url.path.split("/")[3]
    trainer.post(page.url.path, json={"answer": "indicator present"})
    assert f"/teaching/labels/{example}" in trainer.get("/teaching/labels").text
    assert trainer.get("/teaching/labels/next").url.path.split("/")[3] != example
    with Library.open(desk.library_folder(), read_only=True) as library:
        n = len(library.example(example).verdict.windows)
    for place in range(n):
        for mark in ("indicator", "reference"):
            trainer.post(f"/teaching/labels/{example}/{place}", json={"answer": f"{mark} present"})
    assert f"/teaching/labels/{example}" not in trainer.get("/teaching/labels").text
    assert trainer.get(f"/teaching/labels/{example}").url.path.endswith("/done")


@pytest.mark.parametrize(
    "body", ["indicator undeveloped", "indicator", "", "plate present", 3, None, ["indicator absent"]]
)
def test_what_is_no_call_of_a_mark_is_refused(trainer: TestClient, body: object) -> None:
    page = trainer.get("/teaching/labels/next")
    assert trainer.post(page.url.path, json={"answer": body}).status_code == 400


def test_a_photo_is_sent_in_pieces_read_and_labelled(desk: Desk, trainer: TestClient, root: Path) -> None:
    data = (root / "demo_images" / "north-tank-drain.jpg").read_bytes()
    id = send(trainer, "../../pump house?.jpg", data)
    begun = trainer.post(f"/teaching/photos/{id}", data={"light": "Daylight"}, follow_redirects=False)
    page = trainer.get(finished(trainer, begun.headers["location"]))
    with Library.open(desk.library_folder(), read_only=True) as library:
        example = library.by_photo(hashlib.sha256(data).hexdigest())
        assert example is not None
        row = library.row(example)
    assert page.url.path == f"/teaching/labels/{example}/0"
    assert (row.light, row.photo) == ("daylight", "pump_house_.jpg")
    assert not list((desk.folder / "label-uploads").iterdir())


def send(browser: TestClient, name: str, data: bytes) -> str:
    id = browser.post("/teaching/photos", json={"name": name, "size": len(data)}).json()["id"]
    at = 0
    while at < len(data):
        answer = browser.put(f"/teaching/photos/{id}?at={at}", content=data[at : at + 2**18])
        assert answer.is_success, answer.text
        at = answer.json()["next"]
    return str(id)


def test_a_photo_that_shows_no_plate_is_refused_with_what_to_do(trainer: TestClient, root: Path) -> None:
    id = send(trainer, "x.jpg", b"\xff\xd8\xff\xe0 no photo")
    begun = trainer.post(f"/teaching/photos/{id}", data={}, follow_redirects=False)
    until = time.monotonic() + 30
    while 'role="alert"' not in (text := trainer.get(begun.headers["location"]).text):
        assert time.monotonic() < until
        time.sleep(0.05)
    assert "Traceback" not in text


def die(*_: object) -> str:
    os.kill(os.getpid(), signal.SIGKILL)
    return "nobody lives to say this"


@pytest.mark.posix
def test_a_photo_that_kills_what_reads_it_costs_a_sentence_and_not_the_server(
    desk: Desk, trainer: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("reader.station.computing.add_photo", die)
    id = send(trainer, "x.jpg", b"\xff\xd8\xff\xe0 something terrible")
    begun = trainer.post(f"/teaching/photos/{id}", data={}, follow_redirects=False)
    until = time.monotonic() + 60
    while 'role="alert"' not in (text := trainer.get(begun.headers["location"]).text):
        assert time.monotonic() < until
        time.sleep(0.05)
    assert "killed twice" in text
    assert not list((desk.folder / "label-uploads").iterdir())


def test_pieces_that_do_not_fit_are_refused(trainer: TestClient) -> None:
    assert trainer.post("/teaching/photos", json={"name": "x", "size": 10**9}).status_code == 413
    assert trainer.post("/teaching/photos", json={"name": "x", "size": -1}).status_code == 413
    for odd in (b"[]", b'{"name": "x", "size": Infinity}', b"\xff", b"[" * 100_000):
        assert trainer.post("/teaching/photos", content=odd).status_code == 400
    id = trainer.post("/teaching/photos", json={"name": "about.json", "size": 4}).json()["id"]
    assert trainer.put(f"/teaching/photos/{id}?at=2", content=b"ab").status_code == 409
    assert trainer.put(f"/teaching/photos/{id}?at=0", content=b"abcde").status_code == 409
    assert trainer.put(f"/teaching/photos/{id}?at=x", content=b"ab").status_code == 400
    assert trainer.put(f"/teaching/photos/{id}?at=0", content=b"ab").json() == {"next": 2}
    assert trainer.put(f"/teaching/photos/{id}?at=0", content=b"ab").json() == {"next": 2}, (
        "the same piece again"
    )
    assert trainer.post(f"/teaching/photos/{id}", data={}).status_code == 409
    assert trainer.put("/teaching/photos/..%2F..%2Fbook?at=0", content=b"ab").status_code in {404, 409}


# --- quizzes ----------------------------------------------------------------------------------------------------


def test_a_quiz_is_taken_by_invitation_marked_and_logged_once(desk: Desk, trainer: TestClient) -> None:
    quiz = drawn(trainer)
    novice = invited(desk, trainer, quiz)
    assert novice.get("/").url.path == f"/quiz/{quiz}"
    first = novice.post(f"/quiz/{quiz}/begin")
    assert first.url.path == f"/quiz/{quiz}/0"
    assert "Plate 1 of 6" in first.text
    n = answer_all(novice, desk, quiz, wrong=1)
    assert novice.get(f"/quiz/{quiz}/on").url.path == f"/quiz/{quiz}/end"
    for _ in range(2):
        result = novice.post(f"/quiz/{quiz}/end")
    assert f"{n - 1} of {n} marks as the consensus has them" in result.text
    feedback = novice.get(f"/quiz/{quiz}/feedback")
    assert "1 to look at again" in feedback.text
    events = [event for event in desk.logbook.events() if event.kind == "quiz"]
    assert [(event.by, event.payload["quiz"], event.payload["agreement"]["hits"]) for event in events] == [
        (TRAINEE, quiz, n - 1)
    ]
    assert f"{n - 1} of {n}" in trainer.get(f"/teaching/quizzes/{quiz}").text


def test_nothing_that_is_served_or_kept_for_a_quiz_tells_an_answer(desk: Desk, trainer: TestClient) -> None:
    quiz = drawn(trainer)
    novice = invited(desk, trainer, quiz)
    novice.post(f"/quiz/{quiz}/begin")
    key = key_of(desk, quiz)
    windows = sum(len({mark.window for mark in item.marks}) for item in key.items)
    served = "".join(novice.get(f"/quiz/{quiz}/{place}").text for place in range(windows))
    kept = b"".join(path.read_bytes() for path in desk.folder.glob("quizzes.sqlite*")).decode("latin-1")
    for item in key.items:
        for secret in (item.example, item.photo_sha256):
            assert secret not in served
            assert secret not in kept
    assert 'aria-pressed="true"' not in served
    for path in (
        f"/quiz/{quiz}/feedback",
        "/teaching/quizzes",
        f"/teaching/quizzes/{quiz}",
        "/teaching",
        "/people",
    ):
        assert novice.get(path).status_code in {403, 409}, path


def test_nobody_else_opens_a_paper_and_the_trainer_does_not_either(desk: Desk, trainer: TestClient) -> None:
    quiz = drawn(trainer)
    invited(desk, trainer, quiz).post(f"/quiz/{quiz}/begin")
    own = signed_in(desk, TRAINEE)
    for path in (f"/quiz/{quiz}", f"/quiz/{quiz}/0", f"/quiz/{quiz}/end", f"/quiz/{quiz}/feedback"):
        assert trainer.get(path).status_code == 404
        assert signed_in(desk, OTHER).get(path).status_code == 404
        assert client(desk).get(path).status_code == 401
    assert own.get(f"/quiz/{quiz}/0").status_code == 200, "by a sign-in of their own, which is theirs as well"
    for method, path in (
        ("POST", f"/quiz/{quiz}/0"),
        ("POST", f"/quiz/{quiz}/end"),
        ("POST", f"/quiz/{quiz}/begin"),
    ):
        assert trainer.request(method, path, json={"answer": "indicator absent"}).status_code == 404


def test_a_shared_phone_opens_nobodys_quiz(desk: Desk, trainer: TestClient) -> None:
    quiz = drawn(trainer, trainee=OTHER)
    shared = client(desk)
    shared.post("/pair", json={"secret": desk.sign_ins.make_link(OTHER, shared=True, now=NOW)})
    assert shared.get(f"/quiz/{quiz}").status_code == 404


def test_an_invitation_opens_one_browser_once_and_one_quiz_alone(desk: Desk, trainer: TestClient) -> None:
    first, second = drawn(trainer), drawn(trainer, trainee=OTHER)
    secret = secret_of(trainer, first)
    novice, thief = client(desk), client(desk)
    assert novice.post("/pair", json={"secret": secret}).is_success
    assert thief.post("/pair", json={"secret": secret}).status_code == 403
    assert novice.get(f"/quiz/{second}").status_code == 403
    again = invited(desk, trainer, first)
    assert novice.get(f"/quiz/{first}").status_code == 401, "a new invitation closes the one before"
    assert again.get(f"/quiz/{first}").status_code == 200


def test_an_invitation_is_over_after_seven_days(desk: Desk, trainer: TestClient) -> None:
    secret = secret_of(trainer, drawn(trainer))
    desk.now.now = NOW + timedelta(days=7)  # type: ignore[attr-defined]
    assert client(desk).post("/pair", json={"secret": secret}).status_code == 403


def test_the_stations_clock_closes_a_quiz_and_what_was_answered_counts(
    desk: Desk, trainer: TestClient
) -> None:
    quiz = drawn(trainer, minutes=10)
    novice = invited(desk, trainer, quiz)
    assert novice.post(f"/quiz/{quiz}/0", json={"answer": "indicator absent"}).status_code == 409, "not begun"
    novice.post(f"/quiz/{quiz}/begin")
    assert novice.post(f"/quiz/{quiz}/0", json={"answer": "indicator doubtful"}).is_success
    desk.now.now = NOW + timedelta(minutes=10)  # type: ignore[attr-defined]
    assert novice.post(f"/quiz/{quiz}/0", json={"answer": "indicator present"}).status_code == 409
    assert "The time is over" in novice.get(f"/quiz/{quiz}/0").text
    trainer.post(f"/teaching/quizzes/{quiz}/mark")
    (event,) = [event for event in desk.logbook.events() if event.kind == "quiz"]
    assert event.payload["seconds"] == 600
    assert event.payload["passed"] is False
    assert "not passed" in novice.get(f"/quiz/{quiz}").text


def test_a_second_quiz_waits_for_the_first_as_its_feedback_could_tell_answers(
    desk: Desk, trainer: TestClient
) -> None:
    quiz = drawn(trainer)
    form = {"trainee": TRAINEE, "plates": "6", "minutes": "0", "mix": "even"}
    assert trainer.post("/teaching/quizzes", data=form).status_code == 409
    trainer.post(f"/teaching/quizzes/{quiz}/withdraw")
    novice = client(desk)
    assert drawn(trainer) != quiz
    assert novice.post("/pair", json={"secret": "x"}).status_code == 403


@pytest.mark.parametrize(
    "change", [{"trainee": TRAINER}, {"trainee": "Nobody"}, {"plates": "7"}, {"mix": "/etc/passwd"}]
)
def test_a_quiz_is_drawn_of_what_the_page_offers_alone(trainer: TestClient, change: dict[str, str]) -> None:
    form = {"trainee": TRAINEE, "plates": "6", "minutes": "0", "mix": "even"} | change
    assert trainer.post("/teaching/quizzes", data=form).status_code == 400


# --- reports and charts -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("kind", "title"), [("agreement", "greement"), ("validation", "alidation")])
def test_a_report_is_computed_and_served_under_its_own_policy(
    trainer: TestClient, kind: str, title: str
) -> None:
    begun = trainer.post("/teaching/reports", data={"kind": kind}, follow_redirects=False)
    report = finished(trainer, begun.headers["location"])
    answer = trainer.get(report)
    assert title in answer.text
    policy = answer.headers["content-security-policy"]
    assert "style-src 'sha256-" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert trainer.get(f"{report}/figures").json()["report"] == kind


def test_a_control_photo_begins_a_chart_that_is_shown(trainer: TestClient, root: Path) -> None:
    assert "Begin a chart" in trainer.get("/teaching/control").text
    data = (root / "demo_images" / "north-tank-drain.jpg").read_bytes()
    id = send(trainer, "bench.jpg", data)
    begun = trainer.post(
        f"/teaching/control/photos/{id}", data={"strip": "bench", "new": "yes"}, follow_redirects=False
    )
    shown = trainer.get(finished(trainer, begun.headers["location"]))
    assert "bench" in shown.text
    chart = trainer.get("/teaching/control/chart?strip=bench")
    assert "<svg" in chart.text
    assert "style-src 'sha256-" in chart.headers["content-security-policy"]
    assert trainer.get("/teaching/control/chart?strip=other").status_code == 409


def test_a_report_on_nothing_says_so(tmp_path: Path) -> None:
    for desk in opened(tmp_path, None):
        trainer = signed_in(desk, TRAINER)
        trainer.post("/teaching")
        begun = trainer.post("/teaching/reports", data={"kind": "validation"}, follow_redirects=False)
        until = time.monotonic() + 30
        while 'role="alert"' not in (text := trainer.get(begun.headers["location"]).text):
            assert time.monotonic() < until
            time.sleep(0.05)
        assert "holds no example" in text


def test_under_a_paths_prefix_every_link_has_it(desk: Desk) -> None:
    place = Place(hosts=frozenset({"testserver"}))
    browser = TestClient(station(desk, place), headers=OURS, root_path="/tests")
    assert browser.post("/pair", json={"secret": desk.sign_ins.make_link(TRAINER, now=NOW)}).is_success
    page = browser.get("/tests/teaching/labels/next")
    assert page.url.path.startswith("/tests/teaching/labels/")
    links = re.findall(r"(?:href|src|action)=\"(/[^\"]*)\"", page.text)
    assert links
    assert all(link.startswith("/tests/") for link in links)
    for mark in ("indicator", "reference"):
        to = browser.post(page.url.path, json={"answer": f"{mark} absent"}).json()["to"]
    assert to.startswith("/tests/teaching/labels/")


def test_coverage_names_the_photos_worth_taking(trainer: TestClient) -> None:
    text = trainer.get("/teaching/coverage").text
    assert "Photos most worth taking next" in text
    assert "indicator marks wanted" in text


# --- words ------------------------------------------------------------------------------------------------------


def test_in_another_language_no_english_word_of_the_pages_is_left(desk: Desk, trainer: TestClient) -> None:
    quiz, done = drawn(trainer), drawn(trainer, trainee=OTHER)
    other = invited(desk, trainer, done)
    other.post(f"/quiz/{done}/begin")
    other.post(f"/quiz/{done}/end")
    example = trainer.get("/teaching/labels/next").url.path.split("/")[3]
    strange = {code: tuple(f"⟦{form}⟧" for form in forms) for code, forms in english().by_code.items()}
    desk = replace(desk, texts=replace(english(), by_code=strange))
    theirs, novice = signed_in(desk, TRAINER), signed_in(desk, TRAINEE)
    pages = [
        theirs.get(f"/teaching{path}").text
        for path in ("", "/labels", f"/labels/{example}/0", f"/labels/{example}/done", "/coverage", "/quizzes",
                     f"/quizzes/{quiz}", f"/quizzes/{done}", "/reports", "/control")
    ]  # fmt: skip
    pages += [
        theirs.post(f"/teaching/quizzes/{quiz}/invite").text,
        signed_in(desk, OTHER).get(f"/quiz/{done}").text,
    ]
    pages += [
        novice.get("/quiz").text,
        novice.get(f"/quiz/{quiz}").text,
        novice.post(f"/quiz/{quiz}/begin").text,
    ]
    pages += [novice.get(f"/quiz/{quiz}/end").text]
    ours = {"linecall", "comb", "strip", *" ".join((TRAINER, TRAINEE, OTHER)).split()}
    lights = {"daylight", "desk lamp", "hangar tubes", "torch", "unstated"}
    for page in pages:
        spoken = Spoken()
        spoken.feed(
            re.sub(r"<ol>.*?</ol>|href=\"http[^>]*>[^<]*", "", page, flags=re.S)
        )  # not the pages' own words
        for text in spoken.texts:
            left = text
            while left != (left := re.sub(r"⟦[^⟦⟧]*⟧", "", left)):
                pass
            words = set(re.findall(r"[A-Za-z]{2,}", left)) - ours
            assert not words or text in lights, (text, left)


class Spoken(HTMLParser):
    """Every text of a page that is seen or read aloud."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []

    def handle_data(self, data: str) -> None:
        self.texts.append(data.strip())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        spoken = {
            "alt",
            "aria-label",
            "placeholder",
            "title",
            "data-lost",
            "data-over",
            "data-sending",
            "data-copied",
        }
        self.texts += [value for name, value in attrs if name in spoken and value]


# --- doors ------------------------------------------------------------------------------------------------------


def test_only_a_trainer_opens_the_trainers_pages(desk: Desk) -> None:
    for name in (TRAINEE, OTHER):
        browser = signed_in(desk, name)
        for path in (
            "",
            "/labels",
            "/labels/next",
            "/coverage",
            "/quizzes",
            "/reports",
            "/control",
            "/works/00000000",
        ):
            assert browser.get(f"/teaching{path}").status_code == 403, path
        for path in (
            "",
            "/reports",
            "/quizzes",
            "/photos",
            "/photos/00000000",
            "/control",
            "/control/photos/00000000",
        ):
            assert browser.post(f"/teaching{path}", data={}).status_code == 403, path


def test_without_a_library_the_page_offers_to_begin_one(tmp_path: Path) -> None:
    for desk in opened(tmp_path, None):
        trainer = signed_in(desk, TRAINER)
        page = trainer.get("/teaching")
        assert "no library yet" in page.text
        assert "--set library=" in page.text
        assert trainer.get("/teaching/labels").status_code == 409
        assert "0 graded example photos" in trainer.post("/teaching").text
