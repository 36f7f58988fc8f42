"""The phone away from its station: offline, cut off, in two tabs, damaged, behind a proxy, signed out."""

import hashlib
import re
import shutil
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, suppress
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest
from selenium.common.exceptions import WebDriverException

from reader.round.record import find_run
from reader.station.certificate import Certificate
from tests.conftest import CERTUTIL, CHROMEDRIVER, CHROMIUM
from tests.reader.station.authority import Authority, trust
from tests.reader.station.depots import ADA, BEN
from tests.reader.station.field import begin, photo, readings, run_of, sign_in, to_drops, told
from tests.reader.station.phone import INSECURE, Phone, Served, served
from tests.reader.station.servers import behind_proxy

PIECE = 256 * 1024
"""Bytes of a photo that the phone sends at once."""


@pytest.fixture
def certutil() -> Path:
    assert CERTUTIL is not None
    return Path(CERTUTIL)


@pytest.fixture
def phones(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory, certutil: Path, camera: Path
) -> Iterator[tuple[Certificate, Callable[[], AbstractContextManager[Phone]]]]:
    """A station's certificate, and a phone whose user trusts its authority: the same one again after a restart."""
    assert CHROMIUM is not None
    assert CHROMEDRIVER is not None
    folder = tmp_path_factory.mktemp("trusting")
    authority, now = Authority(), datetime.now(UTC)
    day = timedelta(days=1)
    pem = authority.signs(folder / "station.pem", INSECURE, since=now - day, until=now + 30 * day)
    trust(certutil, folder, authority)
    profile = folder / "profile"
    start = partial(Phone, Path(CHROMIUM), Path(CHROMEDRIVER), profile=profile, camera=camera, home=folder)
    yield Certificate.load(pem), start
    shutil.rmtree(profile, ignore_errors=True)


def test_a_run_begins_and_ends_without_the_station_and_is_sent_later(
    phones: tuple[Certificate, Callable[[], AbstractContextManager[Phone]]], root: Path, tmp_path: Path
) -> None:
    """With a trusted certificate, as a depot has it: the browser itself is closed and opened without the station."""
    certificate, start = phones
    place_folder = tmp_path / "station"
    place_folder.mkdir()
    with served(place_folder, host=INSECURE, certificate=certificate) as place:
        with start() as phone:
            phone.begin()
            sign_in(phone, place)
            phone.wait(".point")
            phone.wait(lambda: phone.ask("return navigator.serviceWorker.controller !== null"))
            assert phone.ask("return isSecureContext")
            phone.open(f"{place.address}/prepare")
            phone.wait("a.tile")
        place.gate.close()
        with start() as phone:
            phone.begin(signed_out=False)
            phone.open(f"{place.address}/prepare#GEN-dip")
            phone.tap("label.choice:has([value='CB-2604'])")
            phone.tap(".phase[data-phase=fuel]:enabled")
            to_drops(phone, place)
            address = phone.driver.current_url
        with start() as phone:
            phone.begin(signed_out=False, minutes=phone_minutes(place))
            phone.open(address)
            phone.wait(lambda: phone.text(".countdown").startswith(("15:00", "14:")))
            phone.let_pass(place, 17)
            phone.give_photo(photo(place, root, tmp_path))
            phone.wait(lambda: "kept on this phone" in phone.text(".sending"))
            phone.open(f"{place.address}/unsent")
            phone.wait("button.export")
            assert "GEN-dip" in phone.text("#list")
            assert readings(place) == 0
            place.open()
            phone.tap("#send")
            phone.wait(lambda: phone.text("#state").startswith("Nothing"), s=60)
            assert not phone.kept("photos")
        assert readings(place) == 1
        (row,) = place.desk.logbook.runs()
        run = find_run(place.desk.logbook, row.id)
        assert run.drops_at is not None
        assert abs((place.clock() - run.drops_at).total_seconds() - 17 * 60) < 60
        assert not run.departures
        assert place.desk.logbook.verify().problem is None


def phone_minutes(place: Served) -> float:
    """By how much a phone's clock is shifted whose owner set it by the station's."""
    return place.clock.shift.total_seconds() / 60


def test_without_the_station_nobody_works_under_the_name_of_who_had_the_phone_before(
    phone: Phone, place: Served
) -> None:
    phone.open(f"{place.address}/#{place.desk.sign_ins.make_link(BEN, shared=True, now=place.clock())}")
    phone.tap("a[href$='/today']")
    phone.wait(".point")
    phone.wait(lambda: phone.ask("return navigator.serviceWorker.controller !== null"))
    phone.open(f"{place.address}/prepare#HB-sump")
    phone.wait("fieldset")
    phone.open(f"{place.address}/people")
    phone.tap(f"button[value='{ADA}']")
    phone.wait(lambda: ADA in phone.text("header"))
    place.gate.close()
    phone.driver.set_page_load_timeout(10)
    with suppress(WebDriverException):
        phone.open(f"{place.address}/prepare#HB-sump")
    assert BEN not in phone.ask("return document.documentElement.outerHTML")


def whole_run(phone: Phone, place: Served, root: Path, folder: Path) -> Path:
    """Everything up to the photo, which is not given yet."""
    sign_in(phone, place)
    begin(phone, place)
    to_drops(phone, place)
    told(phone)
    phone.let_pass(place, 17)
    return photo(place, root, folder)


def test_a_photo_that_is_cut_at_each_piece_is_sent_on_and_read_once(
    phone: Phone, place: Served, root: Path, tmp_path: Path
) -> None:
    path = whole_run(phone, place, root, tmp_path)
    size = path.stat().st_size
    assert size > 2 * PIECE, "the photo must have several pieces"
    first = True
    for _ in range(-(-size // PIECE)):
        place.gate.cut_after = PIECE // 2 if first else PIECE + PIECE // 2
        cut(phone, place, path, first=first)
        place.gate.cut_after = None
        first = False
    finish(phone, place, path)


def test_answers_that_are_lost_after_each_piece_and_after_the_reading_cost_nothing(
    phone: Phone, place: Served, root: Path, tmp_path: Path
) -> None:
    path = whole_run(phone, place, root, tmp_path)
    first = True
    for at in range(PIECE, path.stat().st_size, PIECE):
        place.gate.lost = re.compile(rb"PUT /runs/\w+/photos/\w+\?at=%d " % (at - PIECE))
        cut(phone, place, path, first=first)
        first = False
    place.gate.lost = re.compile(rb"POST /runs/\w+/send ")
    cut(phone, place, path, first=False, s=60)
    assert readings(place) == 1
    place.gate.lost = None
    finish(phone, place, path)


def cut(phone: Phone, place: Served, path: Path, *, first: bool, s: float = 20) -> None:
    """Try to send until the way is cut; the phone says that it keeps the photo, and does."""
    place.open()
    if first:
        phone.give_photo(path)
    else:
        phone.ask("dispatchEvent(new Event('online'))")
    phone.wait(lambda: place.gate.target is None, s=s)
    phone.wait(lambda: "kept on this phone" in phone.text(".sending"))
    assert phone.kept("photos") == [hashlib.sha256(path.read_bytes()).hexdigest()]


def finish(phone: Phone, place: Served, path: Path) -> None:
    """The way is open again; the photo is in the logbook once, byte for byte, and no more on the phone."""
    place.open()
    phone.ask("dispatchEvent(new Event('online'))")
    phone.wait(".grade", s=60)
    (row,) = place.desk.logbook.readings()
    (kept,) = place.desk.logbook.reading(row.id).photos
    assert place.desk.logbook.photo_bytes(kept.sha256) == path.read_bytes()
    assert not phone.kept("photos")
    assert place.desk.logbook.verify().problem is None


def test_two_tabs_are_one_record_and_one_reading(
    phone: Phone, place: Served, root: Path, tmp_path: Path
) -> None:
    sign_in(phone, place)
    begin(phone, place)
    told(phone)
    address = phone.driver.current_url
    phone.new_tab()
    phone.open(address)
    phone.tap("#next[data-step=sample]")
    phone.wait("#next[data-step=settled]")
    phone.to_tab(0)
    phone.wait("#next[data-step=settled]")
    phone.tap("#next[data-step=settled]")
    phone.wait("#next[data-step=extract]")
    told(phone)
    assert [one.step for one in run_of(phone, place).steps] == ["sample", "settled"]
    assert len(place.desk.logbook.runs()) == 1
    to_photo(phone, place)
    place.gate.close()
    phone.give_photo(photo(place, root, tmp_path))
    phone.wait(lambda: "kept on this phone" in phone.text(".sending"))
    place.open()
    for tab in (0, 1):  # both send at once
        phone.to_tab(tab)
        phone.ask("dispatchEvent(new Event('online'))")
    phone.to_tab(0)
    phone.wait(".grade", s=60)
    assert readings(place) == 1
    assert len(place.desk.logbook.runs()) == 1
    assert not phone.kept("photos")


def to_photo(phone: Phone, place: Served) -> None:
    """From the step after "settled" to the time of the photo."""
    for step, minutes in (("extract", 5.0), ("gathered", 1.0), ("drops", 17.0)):
        phone.let_pass(place, 1)
        phone.tap(f"#next[data-step={step}]")
        phone.wait(f".countdown, #next:not([data-step={step}])")
        told(phone)
        phone.let_pass(place, minutes)
    phone.wait("label.photo")


def test_a_photo_that_changed_on_the_phone_is_never_read_and_never_dropped_unseen(
    phone: Phone, place: Served, root: Path, tmp_path: Path
) -> None:
    path = whole_run(phone, place, root, tmp_path)
    place.gate.close()
    phone.give_photo(path)
    phone.wait(lambda: "kept on this phone" in phone.text(".sending"))
    damage_kept_photo(phone)
    place.open()
    phone.ask("dispatchEvent(new Event('online'))")
    phone.wait(lambda: "hash" in phone.text("#problem"))
    assert phone.text(".sending") == phone.text("#problem"), "and nothing beside it says otherwise"
    assert readings(place) == 0
    phone.open(f"{place.address}/unsent")
    phone.wait("button.export")
    assert phone.kept("photos") == [hashlib.sha256(path.read_bytes()).hexdigest()]


def damage_kept_photo(phone: Phone) -> None:
    """Change one byte of the photo that the phone keeps."""
    script = """const done = arguments[0]; indexedDB.open("linecall").onsuccess = (opened) => {
        const store = opened.target.result.transaction("photos", "readwrite").objectStore("photos");
        store.getAll().onsuccess = (found) => {
            const [photo] = found.target.result;
            new Uint8Array(photo.data)[100000] ^= 1;
            store.put(photo).onsuccess = () => { opened.target.result.close(); done(); }; }; };"""
    phone.driver.execute_async_script(script)


def test_on_plain_http_all_works_but_hints(
    phone: Phone, root: Path, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    with served(tmp_path, host=INSECURE) as place:
        sign_in(phone, place)
        assert phone.ask("return isSecureContext || 'subtle' in crypto") is False
        begin(phone, place)
        to_drops(phone, place)
        phone.let_pass(place, 17)
        phone.wait("label.photo")
        assert "certificate" in phone.text("#run")
        phone.give_photo(photo(place, root, tmp_path_factory.mktemp("dcim")))
        phone.wait(".grade", s=60)
        assert phone.text("h1") == "Negligible"
        said = [
            one for one in phone.complaints() if "Cross-Origin-Opener-Policy" not in one
        ]  # as it is plain HTTP
        assert not said


def test_behind_a_proxy_that_cuts_its_prefix_a_run_comes_to_its_grade(
    phone: Phone, root: Path, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    with served(tmp_path, prefix="/x") as place, behind_proxy(place.port, "/x/") as proxy:
        place.gate.target = proxy
        path = whole_run(phone, place, root, tmp_path_factory.mktemp("dcim"))
        scopes = "return navigator.serviceWorker.ready.then((one) => one.scope)"
        assert phone.ask(scopes) == f"{place.address}/"
        phone.give_photo(path)
        phone.wait(".grade", s=60)
        assert phone.ask("return location.pathname").startswith("/x/runs/")
        asked = "return performance.getEntriesByType('resource').map((one) => one.name)"
        assert all(one.startswith((f"{place.address}/", "data:")) for one in phone.ask(asked))
        phone.tap("form[action$=close] button")
        phone.wait("a.point")
        assert phone.ask("return location.pathname") == "/x/today"
        assert not phone.complaints()


def test_a_phone_that_is_signed_out_keeps_what_it_has(
    phone: Phone, place: Served, root: Path, tmp_path: Path
) -> None:
    sign_in(phone, place)
    begin(phone, place)
    to_drops(phone, place)
    told(phone)
    phone.let_pass(place, 17)
    for one in place.desk.sign_ins.all():
        place.desk.sign_ins.revoke(one.id, by=ADA, now=place.clock())
    phone.give_photo(photo(place, root, tmp_path))
    phone.wait(lambda: "sign-in link" in phone.text(".sending"))
    phone.open(f"{place.address}/unsent")
    phone.wait("button.export")
    assert len(phone.kept("photos")) == 1
    phone.open(place.link(BEN))
    phone.tap("a[href$='/today']")
    phone.wait(lambda: not phone.kept("photos"), s=60)
    assert readings(place) == 1
