"""The reviewer's desk in a real browser, by keys alone."""

import time
from collections.abc import Iterator

import pytest

from reader.station.desk import Desk
from tests.reader.review.browser import Browser
from tests.reader.station.desks import add_plate, opened_desk
from tests.reader.station.served import served

DESK = 1280
ENTER, ESCAPE = "\ue007", "\ue00c"  # WebDriver, section 17.4.2


class Place:
    """A station with a plate that waits, and a browser at it."""

    def __init__(self, desk: Desk, plate: str, url: str, browser: Browser) -> None:
        self.desk, self.plate, self.url, self.browser = desk, plate, url, browser

    def sign_in(self, name: str) -> None:
        secret = self.desk.sign_ins.make_link(name, now=self.desk.now())
        self.browser.show("about:blank", width=DESK)
        self.browser._do("Network.clearBrowserCookies")
        self.browser.show(f"{self.url}/#{secret}", width=DESK)
        self.wait(f"document.querySelector('.me')?.textContent === '{name}'")

    def show(self, path: str, *, width: int = DESK, dark: bool = False) -> None:
        self.browser.show(f"{self.url}{path}", width=width, dark=dark)

    def wait(self, script: str) -> None:
        until = time.monotonic() + 20
        while not self.browser.ask(f"return !!({script})"):
            assert time.monotonic() < until, f"never: {script}"
            time.sleep(0.05)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory, browser: Browser) -> Iterator[Place]:
    folder = tmp_path_factory.mktemp("desk")
    with opened_desk(folder) as desk:
        plate = add_plate(desk, folder)
        with served(desk) as url:
            yield Place(desk, plate, url, browser)


def test_a_doubt_is_decided_by_four_keys_and_a_reason(place: Place) -> None:
    place.sign_in("Ben South")
    place.show(f"/readings/{place.plate}")
    place.browser.press("3")
    place.browser.press("p")
    assert "3" in place.browser.ask("return document.getElementById('chosen').textContent")
    place.browser.press("an even line, p and a and 5 typed as text")
    assert (
        place.browser.ask("return document.querySelectorAll('fieldset input:checked[value=present]').length")
        == 1
    )
    place.browser.press(ENTER)
    place.wait("location.pathname.endsWith('/own')")
    (event,) = place.desk.logbook.reading(place.plate).reviews
    assert event.payload["decisions"] == [
        {
            "window": "3",
            "mark": "indicator",
            "call": "present",
            "blind": True,
            "reason": "an even line, p and a and 5 typed as text",
        }
    ]


def test_keys_can_be_switched_off_and_stay_off(place: Place) -> None:
    # WCAG 2.2, success criterion 2.1.4: shortcuts of a single character can be turned off
    place.sign_in("Cleo West")
    place.show(f"/readings/{place.plate}")
    place.browser.ask("document.getElementById('keys').click()")
    place.show(f"/readings/{place.plate}")
    place.browser.press("3p")
    assert (
        place.browser.ask("return document.querySelectorAll('fieldset input:checked[value=present]').length")
        == 0
    )
    place.browser.ask("document.getElementById('keys').click()")


def test_two_marks_and_a_reference_by_keys(place: Place) -> None:
    place.sign_in("Cleo West")
    place.show(f"/readings/{place.plate}")
    for key in ("2", "r", "u", ESCAPE, "5", "a"):
        place.browser.press(key)
    chosen = place.browser.ask(
        "return [...document.querySelectorAll('fieldset input:checked')].filter(e => e.value)"
        ".map(e => e.name + ' ' + e.value)"
    )
    assert chosen == ["reference 2 undeveloped", "indicator 5 absent"]
