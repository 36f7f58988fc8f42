"""Every page in a language that nobody speaks, on a phone 360 px wide: no word is missed, and nothing breaks."""

import asyncio
import re
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from reader.logbook.people import add_person
from reader.review import record as record_of_reviews
from reader.review.decide import Decision
from reader.round import record
from reader.station import work
from reader.station.desk import Desk
from reader.station.looks import Looks
from reader.station.uploads import PIECE_MAX, finished, store_piece
from reader.words import Call
from tests.reader.library.quiz.quiz_library import invented_library
from tests.reader.review.browser import Browser
from tests.reader.station.depots import ADA, BEN, CLEO, NOW, Clock, depot, developed, photo_of
from tests.reader.station.desks import add_plate, browser_of
from tests.reader.station.pseudo import pseudo
from tests.reader.station.served import served
from tests.reader.station.test_teaching import TRAINEE, TRAINER, drawn, send, signed_in
from tests.reader.station.test_teaching import finished as works_finished

WIDTH = 360
WRITTEN = re.compile(r'^(title|name|fuel|where|how|text|responsible|owner|unit) = "(.*)"', re.MULTILINE)
"""What people write in a site's file."""
GREEK = str.maketrans(
    "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ",
    "αβγδεζηθικλμνξοπρστυφχψωϊϋΑΒΓΔΕΖΗΘΙΚΛΜΝΞΟΠΡΣΤΥΦΧΨΩΪΫ",
)
SHOWN = """
    document.querySelectorAll("details").forEach((one) => { one.open = true; });
    const page = document.body.cloneNode(true), seen = [];
    page.querySelectorAll("[lang=en], script, style, svg, select, pre, code, noscript, .me, [translate=no]")
        .forEach((one) => one.remove());
    for (const one of page.querySelectorAll("[aria-label], [alt], [placeholder], [title], [data-label]"))
        for (const name of ["aria-label", "alt", "placeholder", "title", "data-label"])
            seen.push(one.getAttribute(name) ?? "");
    const walk = document.createTreeWalker(page, NodeFilter.SHOW_TEXT);
    while (walk.nextNode()) seen.push(walk.currentNode.nodeValue);
    return seen.join(" \\n ");
"""
BROKEN = """
    document.querySelectorAll("details").forEach((one) => { one.open = true; });
    const wide = document.documentElement.scrollWidth;
    const outside = [...document.querySelectorAll("main *, header *, footer *")].filter((one) => {
        const box = one.getBoundingClientRect();
        return box.width && (box.right > innerWidth + 1 || box.left < -1) && !one.closest(".wide, .scroll, pre, .skip");
    });
    return wide > innerWidth ? [`${wide} px`, ...outside.map((one) => one.outerHTML.slice(0, 120))] : [];
"""
WHY = "μια αχνή γραμμή"
HARMLESS = re.compile("Failed to load resource|AudioContext was not allowed")
"""Errors that are asked for, and sound that only a finger may start."""
MARKED = re.compile(r"\u27e6[^\u27e6\u27e7]*\u27e7", re.DOTALL)
DATA = re.compile(
    r"linecall|https?://\S+|\b(?:and|or)\b|\b(?=\w*\d)[\w-]+|[A-Z]{1,3}-\w+"
    r"|\d+ (?:min|px|h|MB)\b|\S*\.(?:jpg|toml|po)\b|/\S*|\bmm\b|\bRB\b"
)
"""Ids, times, names of files, addresses and units."""


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory, root: Path) -> Iterator[Desk]:
    folder = tmp_path_factory.mktemp("every")
    with depot(folder) as opened:
        site = folder / "site.toml"
        text = site.read_text(encoding="utf-8")
        site.write_text(
            WRITTEN.sub(lambda one: f'{one[1]} = "{one[2].translate(GREEK)}"', text), encoding="utf-8"
        )
        for name, role in ((TRAINER, "trainer"), (TRAINEE, "trainee"), ("Fay Lund", "reviewer")):
            add_person(opened.logbook, name, roles=[role], at=NOW)  # type: ignore[list-item]
        library = folder / "library"
        invented_library(library, 40).close()
        yield replace(opened, texts=pseudo(), library=library)


def answered(desk: Desk, point: str, data: bytes, minutes: float = 20) -> str:
    """A run whose photo was read; its id."""
    import hashlib

    run, sha = developed(desk, point, minutes=minutes), hashlib.sha256(data).hexdigest()
    record.photo(desk.runs_by(BEN), run, sha256=sha, name="1.jpg", at=desk.now(), arrived=False)
    for at in range(0, len(data), PIECE_MAX):
        store_piece(desk, run, sha, at, data[at : at + PIECE_MAX])
    asyncio.run(work.read(desk, run, [finished(desk, run, sha, len(data))], by=BEN))
    return run


def noisy(data: bytes) -> bytes:
    """A photo with so much noise that faint lines are in doubt."""
    with Image.open(BytesIO(data)) as image:
        noise = np.random.default_rng(1).normal(0, 10, (image.height, image.width, 3))
        pixels = np.clip(np.asarray(image.convert("RGB")) + noise, 0, 255).astype(np.uint8)
        into = BytesIO()
        Image.fromarray(pixels).save(into, "JPEG", exif=image.getexif(), quality=98, subsampling=0)
    return into.getvalue()


class Place:
    """A browser at the station, and what it found wrong."""

    def __init__(self, desk: Desk, url: str, browser: Browser) -> None:
        self.desk, self.url, self.browser = desk, url, browser
        self.names = [ADA, BEN, CLEO, TRAINER, TRAINEE, "Fay Lund", "drain"]
        self.wrong: dict[str, object] = {}
        self.seen: list[str] = []

    def sign_in(self, name: str) -> None:
        self.browser.show("about:blank", width=WIDTH)
        self.browser._do("Network.clearBrowserCookies")
        self.open(f"/#{self.desk.sign_ins.make_link(name, now=self.desk.now())}")
        self.wait(f"document.querySelector('.me')?.textContent === '{name}'")

    def open(self, path: str) -> None:
        self.browser.show("about:blank", width=WIDTH)
        self.browser.show(f"{self.url}{path}", width=WIDTH)

    def wait(self, script: str) -> None:
        until = time.monotonic() + 20
        while not self.browser.ask(f"return !!({script})"):
            assert time.monotonic() < until, (script, self.browser.ask("return document.body.innerText"))
            time.sleep(0.05)

    def look(self, path: str, *, ready: str = "document.querySelector('h1')") -> None:
        """Open a page, and note each word that is no text of the catalogue, and what does not fit."""
        self.open(path)
        self.wait(ready)
        self.hold(path)

    def hold(self, what: str) -> None:
        text = self.browser.ask(SHOWN)
        while MARKED.search(text):
            text = MARKED.sub(" ", text)
        for name in self.names:
            text = text.replace(name, " ")
        missed = re.findall(r"[A-Za-z]{2,}", DATA.sub(" ", text))
        broken = self.browser.ask(BROKEN)
        self.seen.append(what)
        if missed or broken:
            self.wrong[what] = (missed, broken)
        assert [one for one in self.browser.complaints() if not HARMLESS.search(one)] == [], what


@pytest.fixture(scope="module")
def place(desk: Desk, browser: Browser) -> Iterator[Place]:
    with served(desk) as url:
        yield Place(desk, url, browser)


@pytest.fixture(autouse=True)
def _right(place: Place) -> Iterator[None]:
    place.wrong.clear()
    yield
    assert not place.wrong, "\n".join(f"{what}: {found}" for what, found in place.wrong.items())


def test_a_technicians_pages(place: Place, root: Path) -> None:
    desk, taken = place.desk, NOW - timedelta(minutes=1)
    clock = desk.now
    assert isinstance(clock, Clock)
    place.open("/")
    place.wait("!document.querySelector('noscript + *')?.hidden")
    place.hold("sign in")
    runs = {
        "negligible": answered(desk, "HB-sump", photo_of(root, taken)),
        "undecided": answered(desk, "N1-drain", noisy(photo_of(root, taken, "north-tank-drain"))),
        "invalid": answered(desk, "GEN-dip", photo_of(root, NOW), minutes=34),
        "refused": answered(desk, "RB-drain", photo_of(root, taken, "pump-house")),
        "early": answered(desk, "S1-drain", photo_of(root, taken, "rescue-boat-tank-1"), minutes=9),
    }
    place.names += runs.values()
    place.sign_in(BEN)
    place.hold("/")
    for sign, run in runs.items():
        place.look(f"/runs/{run}")
        shown = place.browser.ask("return document.querySelector('.grade').dataset.sign")
        assert shown == ("undecided" if sign == "early" else sign), place.browser.ask(
            "return document.body.innerText"
        )
    place.look("/today", ready="document.querySelector('h2')")
    place.look("/people")
    place.look("/unsent", ready="document.getElementById('state').textContent")
    clock.began = time.monotonic()  # as the phone's goes
    place.look("/prepare", ready="document.querySelector('#prepare .tile')")
    place.look("/prepare#HB-sump", ready="document.querySelector('.phase')")
    place.browser.ask("document.querySelector('[name=lot]:not(:disabled)').click()")
    place.browser.ask("document.querySelector('[data-phase=fuel]').click()")
    place.wait("location.pathname === '/run' && document.getElementById('next')")
    place.names.append(place.browser.ask("return location.hash.slice(1)"))
    for step in ("sample", "settled", "extract", "gathered", "drops"):
        place.wait(f"document.getElementById('next')?.dataset.step === '{step}'")
        place.hold(f"/run before {step}")
        time.sleep(1.1)  # steps are noted to the second
        place.browser.ask("document.getElementById('next').click()")
    place.wait("document.querySelector('.countdown:not(.small)')")
    here = place.browser.ask("return location.hash")
    place.hold("/run while it develops")
    for minutes, ready in ((16, "label.photo"), (40, ".end")):
        clock.now = NOW + timedelta(minutes=minutes)
        place.look(f"/run{here}", ready=f"document.querySelector('{ready}')")
    place.look("/run#00000000", ready="document.querySelector('#run p')")
    place.look("/today", ready="document.querySelector('#here a')")
    place.look("/unsent", ready="document.getElementById('state').textContent")
    clock.began, clock.now = None, NOW


def test_a_reviewers_pages_and_errors(place: Place, tmp_path: Path) -> None:
    plate = add_plate(place.desk, tmp_path, tank="1")
    with Looks.open(place.desk.folder) as seen:
        seen.note(plate, "Fay Lund", at=NOW)
    place.names.append(plate)
    place.sign_in(CLEO)
    for path in ("/", "/queue", f"/readings/{plate}", f"/readings/{plate}/own", "/help", "/help/grades"):
        place.look(path)
    for path in ("/queue?page=9x", "/keeping", "/nowhere", "/readings/00000000", "/help/nothing"):
        place.look(path)
    place.sign_in("Fay Lund")
    place.look(f"/readings/{plate}/calls")
    place.look(f"/readings/{plate}/calls?windows=all")
    place.names += [WHY]
    _decided(place.desk, plate, CLEO, "present", blind=True)
    _decided(place.desk, plate, "Fay Lund", "absent", blind=False)
    place.look(f"/readings/{plate}/calls")
    place.look(f"/readings/{plate}/own")
    place.sign_in(CLEO)
    place.look(f"/readings/{plate}/own")
    seen = place.browser.ask("return document.querySelector('main').innerText")
    assert len(re.findall("\u27e6", seen)) > 5, "what is open, and the way out, are said"


def test_what_a_reviewer_or_technician_may_not_do_is_said_in_their_language(
    place: Place, tmp_path: Path
) -> None:
    desk, plate = place.desk, add_plate(place.desk, tmp_path, tank="2", seed=6)
    desk.logbook.correct(plate, "operator", CLEO, by=ADA, reason="misheard", at=NOW)
    place.names += [plate, desk.policy.name]
    place.sign_in(CLEO)
    place.look(f"/readings/{plate}")
    hindered = place.browser.ask("return document.querySelector('.problem').innerText")
    assert CLEO in hindered
    assert "\u27e6" in hindered
    phone, open_run = browser_of(desk, BEN), developed(desk, "S1-drain")
    backwards = [
        {"step": step, "at": f"2026-05-04T11:{at}:00+02:00"} for step, at in (("sample", 40), ("drops", 30))
    ]
    said: dict[str, object] = {
        "point": "HB-sump",
        "phase": "fuel",
        "lot": "CB-2604",
        "operator": BEN,
        "steps": backwards,
    }
    said |= {"begun": {"at": "2026-05-04T11:20:00+02:00"}, "now": f"{NOW.isoformat()}"}
    refused = [
        phone.put("/runs/7k3m9q2x", json=said),
        phone.put("/runs/7k3m9q2y", json=said | {"point": "N1-drain", "phase": "nowhere", "steps": []}),
        phone.put("/runs/7k3m9q2z", json=said | {"point": "RB-drain", "lot": "CB-260", "steps": []}),
        phone.put(f"/runs/{open_run}", json=said | {"point": "S1-drain", "steps": backwards}),
    ]
    assert [one.status_code for one in refused] == [409, 409, 409, 409]
    for one in refused:
        text = one.json()["error"]
        while MARKED.search(text):
            text = MARKED.sub(" ", text)
        assert not re.findall(r"[A-Za-z]{3,}", DATA.sub(" ", text).replace("nowhere", "")), text


def _decided(desk: Desk, plate: str, by: str, call: Call, *, blind: bool) -> None:
    made = Decision(window="3", mark="indicator", call=call, by=by, reason=WHY, at=NOW, blind=blind)
    record_of_reviews.decide(desk.logbook, plate, [made], policy=desk.policy)


def test_a_trainers_pages(place: Place, root: Path) -> None:
    trainer = signed_in(place.desk, TRAINER)
    quiz = drawn(trainer)
    id = send(trainer, "bench.jpg", (root / "demo_images" / "north-tank-drain.jpg").read_bytes())
    begun = trainer.post(
        f"/teaching/control/photos/{id}", data={"strip": "\u03b1", "new": "yes"}, follow_redirects=False
    )
    works_finished(trainer, begun.headers["location"])
    place.sign_in(TRAINER)
    for path in ("", "/labels", "/labels/next", "/coverage", "/reports", "/control", "/quizzes"):
        place.look(f"/teaching{path}")
    place.look(f"/teaching/quizzes/{quiz}")
    place.look(place.browser.ask("return location.pathname").replace(f"quizzes/{quiz}", "nowhere"))
    place.sign_in(TRAINEE)
    for path in ("/", "/quiz", f"/quiz/{quiz}"):
        place.look(path)
    place.browser.ask("document.querySelector('form[action$=begin] button').click()")
    place.wait("location.pathname.endsWith('/0')")
    place.hold("a quiz's window")
    place.look(f"/quiz/{quiz}/end")


def test_a_keepers_pages(place: Place) -> None:
    place.sign_in(ADA)
    for path in ("", "/people", "/devices", "/backups", "/seal", "/site", "/languages", "/log", "/tokens"):
        place.look(f"/keeping{path}")


def test_a_language_that_runs_from_right_to_left_mirrors_the_pages(desk: Desk, browser: Browser) -> None:
    with served(replace(desk, texts=pseudo(right_to_left=True))) as url:
        place = Place(desk, url, browser)
        place.sign_in(BEN)
        for path in ("/today", "/prepare#HB-sump", "/unsent"):
            place.look(path)
            assert browser.ask("return document.documentElement.dir") == "rtl"
            edges = "const box = document.querySelector('%s').getBoundingClientRect(); return [box.left, box.right]"
            me, home = browser.ask(edges % ".me"), browser.ask(edges % ".home")
            assert me[1] <= home[0], "who works here stands at the end of the line, on the left"
            for one in ("h1", "footer p"):
                assert browser.ask(f"return getComputedStyle(document.querySelector('{one}')).textAlign") in (
                    "start",
                    "right",
                )
        assert place.wrong == {}


def test_styles_name_no_side(root: Path) -> None:
    for path in (root / "reader" / "data" / "station" / "static").glob("*.css"):
        text = re.sub(r"/\*.*?\*/", "", path.read_text(encoding="utf-8"), flags=re.DOTALL)
        assert not re.findall(
            r"(?:margin|padding|border)-(?:left|right)|(?<![-\w])(?:left|right):|(?:text-align|float): (?:left|right)",
            text,
        )
