"""What a technician does with a phone, from the sign-in link to the photo."""

from pathlib import Path

from reader.round.record import find_run
from reader.round.run import Run
from tests.reader.station.depots import BEN, photo_of
from tests.reader.station.phone import Phone, Served

STEPS = (("sample", 9.0), ("settled", 1.0), ("extract", 5.0), ("gathered", 1.0))
"""Steps of a fuel sample, and minutes until the next one."""


def begin(phone: Phone, place: Served, point: str = "HB-sump", phase: str = "fuel") -> None:
    phone.tap(f"a.point[href$='{point}']")
    phone.wait("input[name=lot]")
    if not phone.ask("return document.querySelector('input[name=lot]:checked')"):
        phone.tap("label.choice:has([value='CB-2604'])")
    phone.tap(f".phase[data-phase='{phase}']:enabled")
    phone.wait("#next")


def sign_in(phone: Phone, place: Served, person: str = BEN) -> None:
    phone.open(place.link(person))
    phone.taps += 1
    phone.tap("a[href$='/today']")


def to_drops(phone: Phone, place: Served) -> None:
    for step, minutes in STEPS:
        phone.tap(f"#next[data-step={step}]")
        phone.wait(f"#next:not([data-step={step}])")
        if place.gate.target is not None:
            told(phone)
        phone.let_pass(place, minutes)
    phone.tap("#next[data-step=drops]")
    phone.wait(".countdown")
    if place.gate.target is not None:
        told(phone)


def told(phone: Phone) -> None:
    phone.wait(lambda: "knows" in phone.text("#told"))


def run_of(phone: Phone, place: Served) -> Run:
    return find_run(place.desk.logbook, phone.ask("return location.hash.slice(1)"))


def photo(place: Served, root: Path, folder: Path, name: str = "helipad-bowser") -> Path:
    path = folder / f"{name}.jpg"
    path.write_bytes(photo_of(root, place.clock(), name))
    return path


def readings(place: Served) -> int:
    return place.desk.logbook.count()


def fits(phone: Phone) -> bool:
    """Whether nothing is wider than the screen."""
    return bool(phone.ask("return document.documentElement.scrollWidth <= arguments[0]", phone.width))


def small_targets(phone: Phone) -> list[str]:
    """What can be touched and is smaller than 60 px, but for what is there for the keyboard alone."""
    found: list[str] = (
        phone.ask("""return [...document.querySelectorAll("a, button, summary, label.choice, label.photo")]
        .filter((one) => { const box = one.getBoundingClientRect();
            return box.width > 0 && !one.matches(".skip") && (box.height < 59.5 || box.width < 59.5); })
        .map((one) => one.outerHTML.slice(0, 90))""")
    )
    return found
