"""Every screen of the station as a picture: a phone's and a desk's, in both themes, with Tallowmere harbour's data.

    python -m tests.bench.screens FOLDER

Needs chromium and chromedriver. To be looked at; a few of them are in README.md and in the guide's topic `station`.
"""

import argparse
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.conftest import CHROMEDRIVER, CHROMIUM
from tests.reader.review.browser import Browser
from tests.reader.station.depots import photo_of
from tests.reader.station.field import STEPS, sign_in, told
from tests.reader.station.filled import Filled, filled
from tests.reader.station.phone import Phone, close_up, write_camera

ROOT = Path(__file__).parents[2]
PHONE, DESK = 390, 1280
SETTLED_S = 0.4
"""Until scripts have put in what they bring."""
TICK_S = 1.2
"""Until a page that counts has counted."""


def teaching_library(folder: Path) -> None:
    """The library of the demo's teaching set."""
    photos = ROOT / "demo_images" / "teaching"
    command = [sys.executable, "-c", "from cli.main import main; main()", "library", "add", str(photos)]
    subprocess.run(
        [*command, "--labels", str(photos / "labels.csv"), "--library", str(folder)], check=True, cwd=ROOT
    )


def name_of(path: str, ids: dict[str, str]) -> str:
    """A file's name of a page's path."""
    for id, name in ids.items():
        path = path.replace(id, name)
    return re.sub(r"[^a-z0-9]+", "-", path.lower()).strip("-") or "home"


def take_pages(browser: Browser, station: Filled, folder: Path, *, only: str) -> None:
    """All pages, whole, as who opens them."""
    ids = {id: point for point, id in station.runs.items()} | {station.plate: "plate"}
    for person, paths in {**station.pages, "": ["/"]}.items():
        browser.show("about:blank", width=DESK)
        browser._do("Network.clearBrowserCookies")
        if person:
            browser.show(station.place.link(person), width=DESK)
            browser.wait("document.querySelector('header .me')")
        for number, path in enumerate(paths):
            if re.search(only, path) is None:
                continue
            for width in (PHONE, DESK):
                for dark in (False, True):
                    browser.show("about:blank", width=width)
                    browser.show(f"{station.place.address}{path}", width=width, dark=dark)
                    browser.wait("document.readyState === 'complete'")
                    time.sleep(SETTLED_S)
                    theme = "dark" if dark else "light"
                    who = (person.split() or ["nobody"])[0].lower()
                    browser.picture_whole(
                        folder / f"{who}-{number:02d}-{name_of(path, ids)[:40]}-{width}-{theme}.png",
                        width=width,
                    )


def take_run(phone: Phone, station: Filled, folder: Path) -> None:
    """A run as its phone shows it, step by step."""
    place, number = station.place, 0

    def take(name: str) -> None:
        nonlocal number
        number += 1
        time.sleep(TICK_S)
        for width in (PHONE, DESK):
            for dark in (False, True):
                phone.size(width, dark=dark)
                phone.ask("scrollTo(0, 0)")
                theme = "dark" if dark else "light"
                phone.driver.save_screenshot(str(folder / f"run-{number:02d}-{name}-{width}-{theme}.png"))
        phone.size(PHONE)

    phone.begin(minutes=place.clock.shift.total_seconds() / 60)
    sign_in(phone, place)
    phone.open(f"{place.address}/prepare#HB-sump")
    phone.wait(".phase")
    take("prepare")
    begin_here(phone)
    take("step")
    for step, minutes in STEPS:
        phone.tap(f"#next[data-step={step}]")
        phone.wait(f"#next:not([data-step={step}])")
        told(phone)
        if step == "extract":
            phone.let_pass(place, minutes / 2)
            take("wait")
            minutes /= 2
        phone.let_pass(place, minutes)
    take("drops")
    phone.tap("#next[data-step=drops]")
    phone.wait(".countdown")
    told(phone)
    phone.let_pass(place, 3)
    take("countdown")
    phone.let_pass(place, 14)
    phone.wait("label.photo")
    take("photo")
    phone.tap("button.hints")
    phone.wait("p.hint[data-codes]")
    take("hints")
    phone.tap("button.hints")
    place.gate.close()
    photo = folder / "photo.jpg"
    photo.write_bytes(photo_of(ROOT, place.clock(), "helipad-bowser"))
    phone.give_photo(photo)
    phone.wait(lambda: "kept on this phone" in phone.text(".sending"))
    take("kept")
    phone.open(f"{place.address}/unsent")
    phone.wait("button.export")
    take("unsent")
    place.open()


def begin_here(phone: Phone) -> None:
    """Choose what is not chosen yet, and begin."""
    if not phone.ask("return document.querySelector('input[name=lot]:checked')"):
        phone.tap("label.choice:has([value='CB-2604'])")
    phone.tap(".phase[data-phase=fuel]:enabled")
    phone.wait("#next")


def main() -> None:
    """Take them."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", default="", help="pages whose path fits this pattern")
    asked = parser.parse_args()
    folder: Path = asked.folder
    assert CHROMIUM is not None
    assert CHROMEDRIVER is not None
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as name:
        own = Path(name)
        (own / "station").mkdir()
        with filled(own / "station", ROOT, begin_library=teaching_library) as station:
            with Browser(Path(CHROMIUM), Path(CHROMEDRIVER), profile=own / "desk") as browser:
                take_pages(browser, station, folder, only=asked.only)
            if re.search(asked.only, "/run") is None:
                return
            camera = own / "camera.y4m"
            write_camera({close_up(ROOT, own / "close.png"): 1}, camera)
            with Phone(Path(CHROMIUM), Path(CHROMEDRIVER), profile=own / "phone", camera=camera) as phone:
                take_run(phone, station, folder)


if __name__ == "__main__":
    main()
