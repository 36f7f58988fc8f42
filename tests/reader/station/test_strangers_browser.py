"""In real browsers: two reviewers of one plate, a page of somebody else's, and people without the role."""

from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler
from pathlib import Path

import pytest

from reader.logbook.people import people_of
from reader.station.desk import Desk
from tests.conftest import CHROMEDRIVER, CHROMIUM
from tests.reader.review.browser import Browser
from tests.reader.station.desks import add_plate, opened_desk
from tests.reader.station.served import served
from tests.reader.station.servers import answering
from tests.reader.station.test_desk_browser import DESK, Place

ENTER = "\ue007"  # WebDriver, section 17.4.2


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with opened_desk(tmp_path) as opened:
        yield opened


@pytest.fixture
def second(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """Another person's browser."""
    assert CHROMIUM is not None
    assert CHROMEDRIVER is not None
    with Browser(Path(CHROMIUM), Path(CHROMEDRIVER), profile=tmp_path_factory.mktemp("second")) as started:
        yield started


def main_of(place: Place) -> str:
    return str(place.browser.ask("return document.querySelector('main').innerText"))


def decide(place: Place, keys: str, reason: str) -> None:
    for key in keys:
        place.browser.press(key)
    place.browser.press(reason + ENTER)


def test_of_two_reviewers_who_decide_at_once_one_is_asked_to_look_again_and_neither_sees_the_others_calls(
    desk: Desk, tmp_path: Path, browser: Browser, second: Browser
) -> None:
    plate = add_plate(desk, tmp_path)
    with served(desk) as url:
        ben, cleo = Place(desk, plate, url, browser), Place(desk, plate, url, second)
        for person, name in ((ben, "Ben South"), (cleo, "Cleo West")):
            person.sign_in(name)
            person.show(f"/readings/{plate}")
        assert main_of(ben) == main_of(cleo)
        assert "undecided" not in main_of(cleo)
        decide(ben, "3p", "an even line")
        ben.wait("location.pathname.endsWith('/own')")
        decide(cleo, "3a", "nothing to be seen")
        cleo.wait("document.querySelector('h1').textContent === 'Nothing was kept'")
        assert "nothing to be seen" in cleo.browser.ask("return document.body.innerHTML")
        for word in ("Ben South", "an even line", "undecided"):
            assert word not in cleo.browser.ask("return document.body.innerHTML"), word
        assert len(desk.logbook.reading(plate).reviews) == 1
        cleo.show(f"/readings/{plate}")
        decide(cleo, "3a", "nothing to be seen")
        cleo.wait("location.pathname.endsWith('/own')")
        assert "Ben South" not in main_of(cleo)
        calls = [
            made["call"]
            for event in desk.logbook.reading(plate).reviews
            for made in event.payload["decisions"]
        ]
        assert calls == ["present", "absent"]
        assert desk.logbook.verify().problem is None
        assert ben.browser.complaints() == []


@contextmanager
def somebody_elses(html: str) -> Iterator[int]:
    """The port of another site of this machine, with one page."""

    class Handler(BaseHTTPRequestHandler):
        timeout = 5

        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/html; charset=utf-8")
            self.end_headers()
            self.wfile.write(html.encode())

        def log_message(self, format: str, *args: object) -> None: ...

    with answering(Handler) as port:
        yield port


FOREIGN = """<!doctype html><title>a page of somebody else's</title><iframe name="there"></iframe>
<form method="post" target="there" action="STATION/keeping/people">
<input name="name" value="Eve Foreign"><input name="role" value="keeper"></form>
<script>
window.seen = [];
const asked = [
    fetch("STATION/keeping/people", { credentials: "include" }),
    fetch("STATION/keeping/people", { method: "POST", mode: "no-cors", credentials: "include",
        body: new URLSearchParams({ name: "Eve Foreign", role: "keeper" }) }),
    fetch("STATION/keeping/people", { method: "POST", credentials: "include",
        headers: { "Content-Type": "application/json" }, body: "{}" }),
    fetch("STATION/runs/0123abcd", { method: "PUT", credentials: "include", body: "{}" }),
    fetch("STATION/sign-out", { method: "POST", mode: "no-cors", credentials: "include" }),
];
Promise.allSettled(asked).then(async (all) => {
    for (const one of all) window.seen.push(one.value ? await one.value.text() : "");
    document.forms[0].submit();
    document.querySelector("iframe").addEventListener("load", () => { window.done = true; });
});
</script>"""


@pytest.mark.parametrize(
    "host", ["127.0.0.1", "localhost"]
)  # the same site on another port, and another site
def test_a_page_of_another_origin_reads_nothing_and_changes_nothing_though_the_keeper_is_signed_in(
    desk: Desk, browser: Browser, host: str
) -> None:
    with served(desk) as url, somebody_elses(FOREIGN.replace("STATION", url)) as port:
        place = Place(desk, "", url, browser)
        place.sign_in("Dora Kettle")
        before = desk.logbook.head()
        browser.show(f"http://{host}:{port}/", width=DESK)
        place.wait("window.done")
        assert set(browser.ask("return window.seen")) == {""}
        assert desk.logbook.head() == before
        assert "Eve Foreign" not in {person.name for person in people_of(desk.logbook)}
        browser.show(url, width=DESK)
        place.wait("document.querySelector('.me')?.textContent === 'Dora Kettle'")


def test_no_other_page_shows_the_station_in_a_frame(desk: Desk, browser: Browser) -> None:
    with served(desk) as url, somebody_elses(f'<iframe src="{url}/people"></iframe>') as port:
        place = Place(desk, "", url, browser)
        place.sign_in("Dora Kettle")
        browser.show(f"http://127.0.0.1:{port}/", width=DESK)
        assert any("frame-ancestors" in one for one in browser.complaints())


def test_who_lacks_a_role_is_told_which_one_a_page_wants_and_sees_none_of_it(
    desk: Desk, tmp_path: Path, browser: Browser
) -> None:
    plate = add_plate(desk, tmp_path)
    with served(desk) as url:
        place = Place(desk, plate, url, browser)
        for name, role, path in (
            ("Ben South", "keeper", "/keeping/people"),
            ("Ben South", "technician", "/today"),
            ("Dora Kettle", "reviewer", f"/readings/{plate}"),
            ("Dora Kettle", "trainer", "/teaching"),
        ):
            place.sign_in(name)
            tiles = browser.ask("return [...document.querySelectorAll('.tile')].map((one) => one.pathname)")
            assert path.rpartition("/")[0] not in tiles
            assert path not in tiles
            place.show(path)
            assert role in main_of(place)
            assert (
                browser.ask("return document.querySelectorAll('main form, main table, main img').length") == 0
            )
