"""A quiz in a real browser: made, answered by keyboard, saved, marked."""

import time
from pathlib import Path

import pytest

from reader.library.quiz import load_answers, load_mix, make, mark
from tests.reader.library.quiz_library import invented_library
from tests.reader.review.browser import Browser
from tests.reader.review.conftest import browser

__all__ = ["browser"]


def wait_for(path: Path) -> None:
    until = time.monotonic() + 10
    while not path.exists():
        assert time.monotonic() < until, "the page has saved no file"
        time.sleep(0.05)


@pytest.mark.parametrize("width", [390, 1280])
def test_a_quiz_is_answered_by_keyboard_saved_and_marked(
    browser: Browser, tmp_path: Path, width: int
) -> None:
    with invented_library(tmp_path / "library", 40) as library:
        paper = make(library, trainee="N. Novice", items=6, seed=3, mix=load_mix("even"), minutes=30)
        page = tmp_path / "quiz.html"
        page.write_bytes(paper.page)
        browser.save_into(tmp_path)
        browser.show(page, width=width)
        assert browser.ask("return document.getElementById('save').offsetParent") is None
        browser.press("\ue007")  # Enter
        assert "29:" in browser.ask(
            "return document.getElementById('time').textContent"
        ) or "30:" in browser.ask("return document.getElementById('time').textContent")
        assert browser.ask("return document.documentElement.scrollWidth") <= width
        assert browser.ask("return [...document.images].every(i => i.complete && i.naturalWidth > 0)")
        calls = []
        for item in paper.key.items:
            of_marks = {(m.window, m.mark): m.call for m in item.marks}
            windows = dict.fromkeys(m.window for m in item.marks)
            calls += [of_marks[w, m] for w in windows for m in ("indicator", "reference")]  # type: ignore[index]
        browser.press("".join(call[0] for call in calls))
        assert (
            browser.ask("return document.getElementById('left').textContent")
            == "all answered: save the answers"
        )
        browser.press("\ue012" + {"p": "a"}.get(calls[-2][0], "p"))  # back by one, and one answer changed
        browser.press("s")
        file = tmp_path / f"answers-{paper.key.quiz}.json"
        wait_for(file)
        assert browser.requests() == [page.as_uri()] or all(
            address.startswith(("file:", "blob:")) for address in browser.requests()
        )
        assert browser.complaints() == []
        score = mark(library, load_answers(file))
        assert len(score.wrong) == 1
        assert score.agreement.hits == len(calls) - 1
