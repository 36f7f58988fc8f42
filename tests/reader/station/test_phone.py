"""The technician's pages in a real browser: signing in, a run to its grade, clocks, reloads, and a locked phone."""

import base64
import hashlib
import random
import time
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from reader.round import record
from tests.reader.station.depots import ADA, BEN
from tests.reader.station.field import (
    STEPS,
    begin,
    fits,
    photo,
    readings,
    run_of,
    sign_in,
    small_targets,
    to_drops,
    told,
)
from tests.reader.station.phone import START, Phone, Served

TAPS_MAX = 12


def test_a_link_signs_one_browser_in_once_and_stays_in_no_address(phone: Phone, place: Served) -> None:
    link = place.link(BEN)
    phone.open(link)
    phone.wait("a[href$='/today']")
    secret = link.partition("#")[2]
    assert secret not in phone.ask("return location.href + document.referrer + document.body.innerHTML")
    assert BEN in phone.text("header")
    phone.open("about:blank")
    phone.do("Network.clearBrowserCookies")
    phone.open(link)
    phone.wait(lambda: "used" in phone.text("#state"))
    assert BEN not in phone.text("body")
    phone.open(f"{place.address}/today")
    assert not phone.ask("return document.querySelector('.point')")


def test_from_the_link_to_a_grade_in_twelve_taps(
    phone: Phone, place: Served, root: Path, tmp_path: Path
) -> None:
    sign_in(phone, place)
    begin(phone, place, "N1-drain")
    told(phone)
    phone.tap("main summary")
    phone.tap("button.end")  # so that the lot is known from now on
    phone.wait("a.point[href$='HB-sump']")
    phone.begin()
    phone.set_clock(START)
    place.clock.shift = type(place.clock)().shift
    sign_in(phone, place, ADA)
    begin(phone, place)
    assert fits(phone)
    assert not small_targets(phone)
    to_drops(phone, place)
    assert fits(phone)
    assert not small_targets(phone)
    told(phone)
    phone.let_pass(place, 17)
    phone.give_photo(photo(place, root, tmp_path))
    phone.wait(".grade", s=60)
    assert phone.text("h1") == "Negligible"
    assert phone.taps <= TAPS_MAX
    assert fits(phone)
    assert not small_targets(phone)
    assert not phone.kept("photos")
    assert not phone.complaints()
    assert place.desk.logbook.verify().problem is None


def test_hints_follow_what_the_camera_sees_and_the_file_is_what_is_measured(
    phone: Phone, place: Served, root: Path, tmp_path: Path
) -> None:
    sign_in(phone, place)
    begin(phone, place)
    to_drops(phone, place)
    phone.let_pass(place, 17)
    phone.tap("button.hints")
    for code in ("two_plates", "hold_still", "two_plates"):
        phone.wait(f"p.hint[data-codes={code}]")
    count = (
        "performance.getEntriesByType('resource').filter((one) => /\\/hints\\?lot=/.test(one.name)).length"
    )
    before, began = phone.ask(f"return {count}"), datetime.now()
    phone.wait(lambda: phone.ask(f"return {count}") >= before + 12)
    # four a second on two idle cores, by hand; a test machine measures coverage and has other work too
    assert (datetime.now() - began).total_seconds() < 12
    path = photo(place, root, tmp_path, "rescue-boat-tank-2")
    phone.give_photo(path)
    phone.wait(".grade[data-sign=heavy]", s=60)
    (row,) = place.desk.logbook.readings()
    (kept,) = place.desk.logbook.reading(row.id).photos
    assert kept.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert not phone.complaints()


def test_the_camera_is_let_go_when_hints_are_stopped(phone: Phone, place: Served) -> None:
    sign_in(phone, place)
    begin(phone, place)
    to_drops(phone, place)
    phone.let_pass(place, 17)
    phone.tap("button.hints")
    phone.wait("video")
    phone.ask("window.track = document.querySelector('video').srcObject.getTracks()[0]")
    phone.tap("button.hints")
    phone.wait(lambda: phone.ask("return document.querySelector('video').hidden"))
    assert phone.ask("return window.track.readyState") == "ended"


def test_a_reload_in_each_state_changes_nothing(
    phone: Phone, place: Served, root: Path, tmp_path: Path
) -> None:
    sign_in(phone, place)
    begin(phone, place)
    for step, minutes in STEPS:
        phone.tap(f"#next[data-step={step}]")
        phone.driver.refresh()
        phone.wait(f"#next:not([data-step={step}])")
        phone.let_pass(place, minutes)
    phone.tap("#next[data-step=drops]")
    phone.wait(".countdown")
    phone.let_pass(place, 5)
    phone.driver.refresh()
    phone.wait(lambda: phone.text(".countdown").startswith(("10:", "9:5")))
    phone.let_pass(place, 12)
    phone.driver.refresh()
    place.gate.close()
    phone.wait("label.photo")
    phone.give_photo(photo(place, root, tmp_path))
    phone.wait(lambda: "kept on this phone" in phone.text(".sending"))
    assert len(phone.kept("photos")) == 1
    phone.driver.refresh()  # from the phone alone: its pages were kept
    phone.wait("label.photo")
    place.open()
    phone.driver.refresh()
    phone.wait(".grade", s=60)
    assert readings(place) == 1
    phone.driver.refresh()
    assert phone.text("h1") == "Negligible"


def test_a_reload_after_the_answer_changes_nothing_either(
    phone: Phone, place: Served, root: Path, tmp_path: Path
) -> None:
    sign_in(phone, place)
    begin(phone, place)
    to_drops(phone, place)
    run = run_of(phone, place).id

    def state() -> str:
        return record.state_in(place.desk.logbook, run, now=place.clock())

    def shows_the_same_after_a_reload() -> None:
        before = phone.text()
        phone.driver.refresh()
        phone.wait(lambda: phone.text() == before)

    phone.let_pass(place, 17)
    phone.give_photo(photo(place, root, tmp_path, "pump-house"))
    phone.wait(".grade[data-sign=refused]", s=60)
    phone.wait("label.photo")
    assert state() == "refused"
    shows_the_same_after_a_reload()
    phone.give_photo(photo(place, root, tmp_path, "rescue-boat-tank-1"))
    phone.wait(".grade[data-sign=undecided]", s=60)
    phone.wait("label.photo")
    assert state() == "in review"
    shows_the_same_after_a_reload()
    phone.give_photo(photo(place, root, tmp_path, "rescue-boat-tank-2"))
    phone.wait(".grade[data-sign=heavy]", s=60)
    shows_the_same_after_a_reload()
    phone.tap("form[action$=close] button")
    phone.wait("a.point")
    assert state() == "closed"
    phone.open(f"{place.address}/run#{run}")
    phone.wait(lambda: "is over" in phone.text("#run"))
    phone.driver.refresh()
    phone.wait(lambda: "is over" in phone.text("#run"))
    assert not phone.kept("photos")


def test_a_plate_that_became_too_old_stays_so_after_a_reload(phone: Phone, place: Served) -> None:
    sign_in(phone, place)
    begin(phone, place)
    to_drops(phone, place)
    run = run_of(phone, place).id
    phone.let_pass(place, 31)
    for _ in range(2):
        phone.wait("button.end")
        assert not phone.ask("return document.querySelector('label.photo')")
        phone.driver.refresh()
    assert record.state_in(place.desk.logbook, run, now=place.clock()) == "late"
    phone.tap("#run > button.end")
    phone.wait("a.point")
    assert record.state_in(place.desk.logbook, run, now=place.clock()) == "abandoned"
    phone.open(f"{place.address}/run#{run}")
    for _ in range(2):
        phone.wait(lambda: "is over" in phone.text("#run"))
        phone.driver.refresh()


def test_a_phone_that_was_locked_for_sixteen_minutes_shows_the_right_minute(
    phone: Phone, place: Served
) -> None:
    sign_in(phone, place)
    begin(phone, place)
    to_drops(phone, place)
    assert phone.text(".countdown").startswith(("15:00", "14:5"))
    phone.ask("window.beats = 0; setInterval(() => { window.beats += 1; }, 50)")
    with phone.asleep():
        assert phone.ask("return document.visibilityState") == "hidden"
        before = phone.ask("return window.beats")
        phone.let_pass(place, 16)
        time.sleep(1.2)
        assert phone.ask("return window.beats") <= before + 1, "no timer runs while the phone is locked"
        assert phone.text(".countdown").startswith(("15:00", "14:5")), "nor does the page"
    phone.wait(lambda: phone.text(".countdown").startswith(("Time left: 13:5", "Time left: 14:00")), s=3)
    phone.wait("label.photo")


def test_a_clock_that_is_set_during_a_run_warns_and_changes_no_deadline(phone: Phone, place: Served) -> None:
    sign_in(phone, place)
    begin(phone, place)
    to_drops(phone, place)
    told(phone)
    phone.set_clock(phone._minutes + 40)
    phone.ask("document.dispatchEvent(new Event('visibilitychange'))")
    phone.wait(lambda: "clock was set" in phone.text("#problem"))
    phone.wait(lambda: phone.text(".countdown").startswith(("15:00", "14:")))
    phone.wait(lambda: any(one.code == "clock" for one in run_of(phone, place).departures))


def test_a_mistaken_tap_is_put_right_by_the_keyboard_alone(phone: Phone, place: Served) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    sign_in(phone, place)
    begin(phone, place)
    to_drops(phone, place)
    told(phone)
    phone.let_pass(place, 2)
    phone.ask("[...document.querySelectorAll('.steps summary')].at(-1).focus()")
    ActionChains(phone.driver).send_keys(Keys.ENTER, Keys.TAB, Keys.TAB, Keys.TAB, Keys.ENTER).perform()
    phone.wait(lambda: "tapped first at" in phone.text(".steps"))
    told(phone)
    phone.wait(lambda: run_of(phone, place).corrections)
    taken = run_of(phone, place).last_of("drops")
    assert taken is not None
    assert taken.first_at is not None
    assert 100 < (taken.at - taken.first_at).total_seconds() < 150
    assert phone.text(".countdown").startswith(("15:00", "14:5"))


def by_keys(phone: Phone, selector: str, key: str = "\ue007") -> None:
    """Go on with the tabulator until the control is reached, and press a key there (Enter: WebDriver, 17.4.2)."""
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    phone.wait(selector)
    for _ in range(60):
        if phone.ask("return document.activeElement.matches(arguments[0])", selector):
            break
        ActionChains(phone.driver).send_keys(Keys.TAB).perform()
    else:
        raise AssertionError(f"{selector} cannot be reached by keys: {phone.text()}")
    if key:
        ActionChains(phone.driver).send_keys(key).perform()


def test_a_run_from_the_link_to_its_end_by_keys_alone(
    phone: Phone, place: Served, root: Path, tmp_path: Path
) -> None:
    phone.open(place.link(BEN))
    by_keys(phone, "a[href$='/today']")
    by_keys(phone, "a.point[href$='HB-sump']")
    by_keys(phone, "input[value='CB-2604']", " ")
    by_keys(phone, ".phase[data-phase='fuel']")
    for step, minutes in (*STEPS, ("drops", 17.0)):
        by_keys(phone, f"#next[data-step={step}]")
        phone.wait(f".countdown, #next:not([data-step={step}])")
        told(phone)
        phone.let_pass(place, minutes)
    phone.wait("label.photo")
    by_keys(phone, "#photo", "")
    phone.give_photo(photo(place, root, tmp_path))
    phone.wait(".grade", s=60)
    by_keys(phone, "form[action$=close] button")
    phone.wait("a.point")
    (row,) = place.desk.logbook.runs()
    assert record.find_run(place.desk.logbook, row.id).ended == "closed"


# FIPS 180-4's own examples (NIST, "Examples with Intermediate Values", SHA-256; the million letters: FIPS 180-2, B.3)
FIPS = {
    "abc": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq": (
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"
    ),
    "a" * 1_000_000: "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0",
}


def test_the_phones_own_sha_256_is_that_of_the_standard_and_of_the_library(
    phone: Phone, place: Served
) -> None:
    phone.open(f"{place.address}/unsent")
    script = """const done = arguments[1]; const bytes = Uint8Array.from(atob(arguments[0]), (c) => c.charCodeAt(0));
        import(document.body.dataset.root + "/static/phone/sha256.js")
            .then((m) => m.sha256(bytes.buffer)).then(done, (e) => done(String(e)))"""

    def digest(data: bytes) -> str:
        return str(phone.driver.execute_async_script(script, base64.b64encode(data).decode("ascii")))

    for text, expected in FIPS.items():
        assert digest(text.encode("ascii")) == expected
    dice = random.Random(180)
    for size in (0, 1, 54, 55, 56, 57, 63, 64, 65, 119, 120, 127, 128, 4096 * 64 + 3):
        data = dice.randbytes(size)
        assert digest(data) == hashlib.sha256(data).hexdigest(), size


def test_a_slow_answer_says_nothing_new_of_the_clocks_and_one_that_was_set_does(
    phone: Phone, place: Served
) -> None:
    sign_in(phone, place)
    phone.open(f"{place.address}/today")
    phone.wait("h2")
    page = "import('/static/phone/page.js')"
    noted = f"return {page}.then((page) => page.ask('/clock').then(() => page.noted().offset_s))"
    before = phone.ask(noted)
    phone.ask(
        "const real = fetch; window.fetch = (...given) => real(...given).then((answer) => new Promise("
        "(done) => setTimeout(() => done(answer), window.delay ?? 0))); window.delay = 3000;"
    )
    assert phone.ask(noted) == pytest.approx(before, abs=0.3)
    place.clock.shift += timedelta(hours=1)
    assert phone.ask(noted) == pytest.approx(before + 3600, abs=2), "as well as a slow answer tells"
    phone.ask("window.delay = 0")
    assert phone.ask(noted) == pytest.approx(before + 3600, abs=0.3)
