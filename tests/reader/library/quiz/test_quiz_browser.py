"""A quiz in a real browser: answered by keyboard and by finger, against the clock, across a reload; saved, marked."""

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from reader.library import Library
from reader.library.quiz.feedback import feedback_page
from reader.library.quiz.marking import Score, load_answers, mark
from reader.library.quiz.mix import load_mix
from reader.library.quiz.papers import Paper, make
from tests.reader.library.quiz.quiz_library import invented_library
from tests.reader.review.browser import Browser
from tests.reader.review.conftest import browser

__all__ = ["browser"]

ENTER, LEFT = "\ue007", "\ue012"
FINGER_S = 0.3  # between two taps; sooner ones count as one
NOTE_BLOBS = """
    window.blobs = [];
    const make = URL.createObjectURL;
    URL.createObjectURL = file => { const address = make.call(URL, file); blobs.push(address); return address; };
"""
OWN_CLOCK = "window.later = 0; const now = Date.now; Date.now = () => now() + window.later;"
LEAVE = (
    "const e = new Event('beforeunload', { cancelable: true }); dispatchEvent(e); return e.defaultPrevented"
)
NO_STORE = """
    Object.defineProperty(window, "localStorage", { get() { throw new DOMException("denied", "SecurityError"); } });
"""


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Library]:
    with invented_library(tmp_path_factory.mktemp("quiz") / "library", 40) as made:
        yield made


def paper_of(
    library: Library, folder: Path, trainee: str, *, minutes: int | None = None
) -> tuple[Paper, Path]:
    paper = make(library, trainee=trainee, items=6, seed=3, mix=load_mix("even"), minutes=minutes)
    page = folder / "quiz.html"
    page.write_bytes(paper.page)
    return paper, page


def calls_of(paper: Paper) -> list[str]:
    """The consensus on each mark, in the order in which the page asks."""
    calls: list[str] = []
    for item in paper.key.items:
        of_marks = {(m.window, m.mark): m.call for m in item.marks}
        for window in dict.fromkeys(m.window for m in item.marks):
            calls += [of_marks[window, "indicator"], of_marks[window, "reference"]]
    return calls


def keys(calls: list[str]) -> str:
    return "".join(call[0] for call in calls)


def text(browser: Browser, id: str) -> str:
    return str(browser.ask(f"return document.getElementById('{id}').textContent"))


def wait_until(browser: Browser, condition: str) -> None:
    until = time.monotonic() + 10
    while not browser.ask(f"return {condition}"):
        assert time.monotonic() < until, f"still not so: {condition}"
        time.sleep(0.05)


def saved_score(library: Library, folder: Path, paper: Paper) -> Score:
    file = folder / f"answers-{paper.key.quiz}.json"
    until = time.monotonic() + 10
    while not file.exists():
        assert time.monotonic() < until, "the page has saved no file"
        time.sleep(0.05)
    return mark(library, load_answers(file))


@pytest.mark.parametrize("width", [360, 1280])
def test_a_quiz_is_answered_by_keyboard_saved_and_marked_and_nothing_leaves_the_page(
    browser: Browser, library: Library, tmp_path: Path, width: int
) -> None:
    paper, page = paper_of(library, tmp_path, f"N. Novice {width}", minutes=30)
    browser.save_into(tmp_path)
    browser.show(page, width=width, first=NOTE_BLOBS)
    assert browser.ask("return document.getElementById('save').offsetParent") is None
    browser.press(ENTER)
    assert text(browser, "time") in {"30:00 left", "29:59 left"}
    assert browser.ask("return document.documentElement.scrollWidth") <= width
    assert browser.ask("return [...document.images].every(i => i.complete && i.naturalWidth > 0)")
    calls = calls_of(paper)
    browser.press(keys(calls))
    assert text(browser, "left") == f"All {len(calls)} marks are answered: save the answers"
    browser.press(LEFT + {"p": "a"}.get(calls[-2][0], "p"))  # back by one, and one answer changed
    browser.press("s")
    score = saved_score(library, tmp_path, paper)
    blobs = browser.ask("return blobs")
    assert len(blobs) == 1
    requests = browser.requests()
    assert requests[0] == page.as_uri()
    assert set(requests[1:]) <= set(blobs), "only the page itself and the file that it saves"
    assert browser.complaints() == []
    assert len(score.wrong) == 1
    assert score.agreement.hits == len(calls) - 1


def test_a_quiz_is_answered_with_a_finger_on_a_phone(
    browser: Browser, library: Library, tmp_path: Path
) -> None:
    paper, page = paper_of(library, tmp_path, "F. Finger")
    browser.save_into(tmp_path)
    browser.show(page, width=360, height=740)
    browser.tap("document.getElementById('begin')")
    wait_until(browser, "!document.getElementById('work').hidden")
    calls = calls_of(paper)
    for call in calls[:3]:
        button = (
            f"[...document.querySelectorAll('#calls button')].find(b => b.textContent.startsWith('{call}'))"
        )
        left = text(browser, "left")
        browser.tap(button)
        wait_until(browser, f"document.getElementById('left').textContent !== '{left}'")
        browser.tap(button)  # a finger that bounces: the next mark is not answered by it
        time.sleep(FINGER_S)
    browser.tap("document.getElementById('on')")
    time.sleep(FINGER_S)
    browser.tap(
        "[...document.querySelectorAll('#calls button')].find(b => b.textContent.startsWith('doubtful'))"
    )
    wait_until(browser, f"document.getElementById('left').textContent.startsWith('{len(calls) - 4} of')")
    browser.tap("document.getElementById('save')")
    wait_until(browser, "document.getElementById('said').textContent.includes('would count as wrong')")
    assert not list(tmp_path.glob("answers*"))
    browser.tap("document.getElementById('save')")
    score = saved_score(library, tmp_path, paper)
    given = [
        marks[name]
        for windows in score.answers.answers.values()
        for marks in windows.values()
        for name in ("indicator", "reference")
    ]
    assert sorted(filter(None, given)) == sorted([*calls[:3], "doubtful"])
    assert sum(found.unanswered for found in score.classes) == len(calls) - 4


def test_on_a_phone_all_can_be_hit_and_seen_without_scrolling(
    browser: Browser, library: Library, tmp_path: Path
) -> None:
    _, page = paper_of(library, tmp_path, "S. Small")
    browser.show(page, width=360, height=740)
    browser.press(ENTER)
    for _ in range(2):  # an indicator mark, and a reference mark with its fourth call
        boxes = browser.ask(
            "return [...document.querySelectorAll('button')].filter(b => b.offsetParent)"
            ".map(b => { const r = b.getBoundingClientRect(); return [r.width, r.height, r.left, r.right, r.bottom]; })"
        )
        assert len(boxes) > 8
        for width, height, left, right, bottom in boxes:
            assert width >= 44
            assert height >= 44
            assert left >= 0
            assert right <= 360
            assert bottom <= 740
        browser.press("p")
    assert browser.ask("return document.documentElement.scrollWidth") <= 360


def test_when_the_time_is_over_nothing_more_is_answered_and_the_rest_counts_as_wrong(
    browser: Browser, library: Library, tmp_path: Path
) -> None:
    paper, page = paper_of(library, tmp_path, "T. Late", minutes=1)
    browser.save_into(tmp_path)
    browser.show(page, width=1280, first=OWN_CLOCK)
    browser.press(ENTER)
    calls = calls_of(paper)
    browser.press(keys(calls[:3]))
    browser.ask("window.later = 59000")
    wait_until(browser, "/^0:0[01] left$/.test(document.getElementById('time').textContent)")
    browser.ask("window.later = 61000")
    browser.press("p")  # before the page's own tick has seen it
    wait_until(browser, "document.getElementById('time').textContent === 'time over'")
    browser.press("p")
    assert text(browser, "left") == f"{len(calls) - 3} of {len(calls)} marks unanswered"
    assert "The time is over" in text(browser, "said")
    assert browser.ask("return [...document.querySelectorAll('#calls button')].every(b => b.disabled)")
    browser.show(page, width=1280, first=OWN_CLOCK.replace("later = 0", "later = 61000"))
    browser.press(ENTER + "p")  # a reload gives no second minute
    assert text(browser, "time") == "time over"
    browser.press("s")
    score = saved_score(library, tmp_path, paper)
    assert sum(found.unanswered for found in score.classes) == len(calls) - 3
    assert score.agreement.hits == 3
    assert score.answers.seconds <= 60
    assert not score.passed
    assert not browser.ask(LEAVE), "what was saved may be left"


def test_a_reload_loses_no_answer(browser: Browser, library: Library, tmp_path: Path) -> None:
    paper, page = paper_of(library, tmp_path, "R. Reload")
    browser.save_into(tmp_path)
    browser.show(page, width=1280)
    assert "keeps your answers" in text(browser, "keeps")
    browser.press(ENTER)
    calls = calls_of(paper)
    browser.press(keys(calls[:5]))
    browser.show(page, width=1280)
    assert f"5 of {len(calls)} marks are answered" in text(browser, "keeps")
    browser.press(ENTER + keys(calls[5:]) + "s")
    assert saved_score(library, tmp_path, paper).wrong == ()


def test_where_a_browser_keeps_nothing_it_is_said_and_leaving_is_held_up(
    browser: Browser, library: Library, tmp_path: Path
) -> None:
    _, page = paper_of(library, tmp_path, "K. Nothing")
    browser.show(page, width=360, first=NO_STORE)
    assert "do not close or reload it before you have saved" in text(browser, "keeps")
    browser.press(ENTER)
    assert not browser.ask(LEAVE)
    browser.press("p")
    assert browser.ask(LEAVE)
    assert "keeps nothing" in text(browser, "said")


def test_a_key_held_down_answers_one_mark(browser: Browser, library: Library, tmp_path: Path) -> None:
    _, page = paper_of(library, tmp_path, "H. Held")
    browser.show(page, width=1280)
    browser.press(ENTER + "p")
    before = text(browser, "left")
    browser.ask(
        "for (const key of ['p', 's']) document.dispatchEvent(new KeyboardEvent('keydown', { key, repeat: true }))"
    )
    assert text(browser, "left") == before
    assert text(browser, "said") == ""


@pytest.mark.parametrize("width", [360, 1280])
def test_the_feedback_fits_the_screen_and_shows_each_error_strip_twice(
    browser: Browser, library: Library, tmp_path: Path, width: int
) -> None:
    paper, page = paper_of(library, tmp_path, f"E. Error {width}")
    browser.save_into(tmp_path)
    browser.show(page, width=1280)
    calls = calls_of(paper)
    browser.press(ENTER + "d" * 4 + keys(calls[4:]) + "s")
    score = saved_score(library, tmp_path, paper)
    assert len(score.wrong) == sum(call != "doubtful" for call in calls[:4])
    result = tmp_path / "result.html"
    result.write_bytes(feedback_page(library, score)[0])
    browser.show(result, width=width)
    assert browser.ask("return document.documentElement.scrollWidth") <= width
    heights = browser.ask("return [...document.images].map(i => i.complete && i.naturalWidth && i.height)")
    assert len(heights) == 2 * len(score.wrong)
    assert min(heights) >= 200
    assert browser.requests() == [result.as_uri()]
