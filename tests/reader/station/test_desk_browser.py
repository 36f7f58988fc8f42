"""The desks in a real browser: by keys alone, under the policy, in every width, and for everybody (WCAG 2.2)."""

import time
from collections.abc import Iterator
from typing import Any

import pytest

from reader.logbook.people import add_person
from reader.station.desk import Desk
from reader.station.looks import Looks
from tests.reader.review.browser import Browser
from tests.reader.station.desks import NOW, add_plate, opened_desk
from tests.reader.station.served import served

PHONE, DESK = 390, 1280
PEOPLE = ("Ben South", "Fay Lund", "Dora Kettle")
KEEPERS = ("", "/people", "/devices", "/backups", "/seal", "/site", "/log")
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
        add_person(desk.logbook, "Fay Lund", roles=["reviewer"], at=NOW)
        with Looks.open(folder) as seen:
            seen.note([plate], "Fay Lund", at=NOW)
        with served(desk) as url:
            yield Place(desk, plate, url, browser)


def looks(place: Place) -> dict[str, tuple[str, str]]:
    """Every page, and who opens it."""
    found = {
        "/queue": "Ben South",
        f"/readings/{place.plate}": "Ben South",
        f"/readings/{place.plate}/own": "Ben South",
        f"/readings/{place.plate}/calls": "Fay Lund",
        "/help": "Ben South",
        "/help/grades": "Ben South",
    }
    return {path: (name, path) for path, name in found.items()} | {
        f"/keeping{page}": ("Dora Kettle", f"/keeping{page}") for page in KEEPERS
    }


def test_every_page_fits_every_width_and_no_policy_is_broken(place: Place) -> None:
    for name in PEOPLE:
        place.sign_in(name)
        for who, path in looks(place).values():
            if who != name:
                continue
            for width in (360, PHONE, 768, DESK):
                place.show(path, width=width)
                assert place.browser.ask("return document.documentElement.scrollWidth") <= width, (
                    path,
                    width,
                )
                assert place.browser.complaints() == [], (path, width)
                assert all(asked.startswith(place.url) for asked in place.browser.requests())


def test_whatever_is_tapped_is_60_px_high(place: Place) -> None:
    for name in PEOPLE:
        place.sign_in(name)
        for who, path in looks(place).values():
            if who == name:
                place.show(path, width=PHONE)
                low = place.browser.ask(
                    "return [...document.querySelectorAll('a, button, select, summary, input, label:has(input)')]"
                    ".filter(e => !e.matches('.skip, [type=radio], [type=checkbox], [type=hidden], .topic a'))"
                    ".filter(e => e.getClientRects().length)"
                    ".filter(e => e.getBoundingClientRect().height < 59.5).map(e => e.outerHTML)"
                )
                assert low == [], path


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


@pytest.mark.parametrize("dark", [False, True])
def test_axe_finds_nothing(place: Place, axe: str, dark: bool) -> None:
    for name in PEOPLE:
        place.sign_in(name)
        for who, path in looks(place).values():
            if who != name:
                continue
            place.show(path, width=PHONE, dark=dark)
            place.browser.ask(f"{axe}; return 1")
            found: dict[str, Any] = place.browser.ask(
                "return axe.run({runOnly: {type: 'tag', values: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', "
                "'wcag22aa', 'wcag2aaa', 'best-practice']}}).then(r => ({bad: r.violations.map(v => [v.id, "
                "v.nodes.map(n => n.html.slice(0, 200) + n.failureSummary)]), "
                "unsure: r.incomplete.map(v => [v.id, v.nodes.map(n => n.html.slice(0, 200))])}))"
            )
            assert found["bad"] == [], path
            assert {rule for rule, _ in found["unsure"]} <= {"color-contrast", "color-contrast-enhanced"}, (
                path,
                found["unsure"],
            )
