"""Labels and quizzes in a real browser: by keyboard and by finger, saved as they are made, under the page's policy."""

import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from reader.library import Library
from reader.station.desk import Desk
from tests.reader.review.browser import Browser
from tests.reader.station.served import served
from tests.reader.station.test_teaching import (
    TRAINEE,
    TRAINER,
    drawn,
    kept_library,
    key_of,
    opened,
    secret_of,
    signed_in,
)

__all__ = ["kept_library"]

UNSEEN_S = 0.4  # a key sooner after a page came was meant for the one before
RIGHT = "\ue014"
NETWORK_GONE = (
    "if (location.pathname.endsWith('/0')) window.fetch = () => Promise.reject(new TypeError('gone'));"
)
SMALL = """
    return [...document.querySelectorAll("a, button, select, summary, input:not([type=hidden])")]
        .filter(one => one.offsetParent && !one.classList.contains("skip"))
        .map(one => [one.getBoundingClientRect(), one.outerHTML.slice(0, 80)])
        .filter(([box]) => box.width < 60 || box.height < 60).map(([, what]) => what);
"""


@pytest.fixture
def desk(tmp_path: Path, kept_library: Path) -> Iterator[Desk]:
    yield from opened(tmp_path, shutil.copytree(kept_library, tmp_path / "library"))


def path(browser: Browser) -> str:
    return str(browser.ask("return location.pathname"))


def wait_until(browser: Browser, condition: str) -> None:
    until = time.monotonic() + 10
    while not browser.ask(f"return Boolean({condition})"):
        assert time.monotonic() < until, (
            f"still not so: {condition}; {browser.ask('return document.body.innerText')}"
        )
        time.sleep(0.05)


def sign_in(browser: Browser, base: str, secret: str, *, width: int, to: str) -> None:
    browser.show(f"{base}/#{secret}", width=width)
    wait_until(
        browser, f"location.hash === '' && location.pathname === '{to}' && document.querySelector('h1')"
    )
    wait_until(browser, "document.querySelector('header .me')")


def tap(browser: Browser, selector: str) -> None:
    """Scroll to something, and put a finger on it."""
    element = f"document.querySelector({selector!r})"
    browser.ask(f"{element}.scrollIntoView({{ block: 'center', behavior: 'instant' }})")
    browser.tap(element)


def test_a_trainer_labels_by_keyboard_and_hands_the_same_browser_over_for_a_quiz(
    browser: Browser, desk: Desk
) -> None:
    trainer = signed_in(desk, TRAINER)
    quiz = drawn(trainer)
    with served(desk) as base:
        sign_in(browser, base, desk.sign_ins.make_link(TRAINER, now=desk.now()), width=1280, to="/")
        browser.show(f"{base}/teaching/labels/next", width=1280)
        example = path(browser).split("/")[3]
        time.sleep(UNSEEN_S)
        browser.press("pa")  # the upper line, then the lower: the page goes on by itself
        wait_until(browser, f"location.pathname === '/teaching/labels/{example}/1'")
        assert browser.complaints() == []
        with Library.open(desk.library_folder(), read_only=True) as library:
            own = [one.calls for one in library.gradings(example) if one.grader == TRAINER]
        assert sorted(call for calls in own for call in calls.values()) == ["absent", "present"]
        assert all(len(calls) == 1 for calls in own), "each call was saved by itself"

        sign_in(browser, base, secret_of(trainer, quiz), width=1280, to=f"/quiz/{quiz}")
        browser.show(f"{base}/teaching", width=1280)
        assert "for one quiz alone" in browser.ask("return document.body.innerText")
        browser.show(f"{base}/quiz/{quiz}", width=1280)
        browser.press("\ue007")  # Enter: the button that begins has the focus
        wait_until(browser, f"location.pathname === '/quiz/{quiz}/0'")
        key = key_of(desk, quiz)
        windows = [
            [next(m.call for m in item.marks if (m.window, m.mark) == (window, mark)) for mark in
             ("indicator", "reference")]
            for item in key.items for window in dict.fromkeys(m.window for m in item.marks)
        ]  # fmt: skip
        for place, (indicator, reference) in enumerate(windows[:3]):
            time.sleep(UNSEEN_S)
            upper = browser.ask("return document.querySelector('fieldset.upper').dataset.mark")
            both = (indicator, reference) if upper == "indicator" else (reference, indicator)
            browser.press("".join(call[0] for call in both))
            wait_until(browser, f"location.pathname === '/quiz/{quiz}/{place + 1}'")
        assert browser.complaints() == []
        browser.show(f"{base}/quiz/{quiz}/end", width=1280)
        browser.ask("document.querySelector('form[action$=end] button').click()")
        wait_until(browser, "document.querySelector('.result')")
        browser.show(f"{base}/quiz/{quiz}/feedback", width=1280)
        assert browser.complaints() == [], "its own styles are let through"
        assert browser.ask("return getComputedStyle(document.querySelector('.result')).fontWeight") == "700"


def test_a_report_comes_by_itself_and_its_own_styles_are_let_through(browser: Browser, desk: Desk) -> None:
    with served(desk) as base:
        sign_in(browser, base, desk.sign_ins.make_link(TRAINER, now=desk.now()), width=1280, to="/")
        browser.show(f"{base}/teaching/reports", width=1280)
        browser.ask("document.querySelector('button[value=validation]').click()")
        wait_until(browser, "location.pathname.startsWith('/teaching/reports/')")
        wait_until(browser, "document.querySelector('svg')")
        assert browser.ask("return getComputedStyle(document.querySelector('.grid')).stroke") != "none"
        assert browser.complaints() == []


def test_a_call_that_cannot_be_saved_is_not_shown_as_made(browser: Browser, desk: Desk) -> None:
    with served(desk) as base:
        sign_in(browser, base, desk.sign_ins.make_link(TRAINER, now=desk.now()), width=1280, to="/")
        browser.show(f"{base}/teaching/labels/next", width=1280, first=NETWORK_GONE)
        browser.show(browser.ask("return location.href"), width=1280, first=NETWORK_GONE)
        time.sleep(UNSEEN_S)
        browser.press("p")
        wait_until(browser, "document.getElementById('said').textContent.includes('not saved')")
        assert browser.ask("return document.querySelectorAll('#calls [aria-pressed=true]').length") == 0


def test_a_quiz_is_taken_on_a_phone_with_targets_that_a_glove_hits(browser: Browser, desk: Desk) -> None:
    quiz = drawn(signed_in(desk, TRAINER))
    with served(desk) as base:
        sign_in(browser, base, desk.sign_ins.make_link(TRAINEE, now=desk.now()), width=360, to="/")
        for page in ("/quiz", f"/quiz/{quiz}"):
            browser.show(base + page, width=360)
            assert browser.ask(SMALL) == []
        tap(browser, "form[action$=begin] button")
        wait_until(browser, f"location.pathname === '/quiz/{quiz}/0'")
        assert browser.ask(SMALL) == []
        assert browser.ask("return document.documentElement.scrollWidth") <= 360
        time.sleep(UNSEEN_S)
        for mark in ("indicator", "reference"):
            tap(browser, f'button[value="{mark} doubtful"]')
        wait_until(browser, f"location.pathname === '/quiz/{quiz}/1'")
        assert browser.ask("return document.getElementById('what').textContent").startswith("2 of ")
        assert browser.complaints() == []
