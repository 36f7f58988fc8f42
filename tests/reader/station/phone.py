"""A phone: Chromium with a camera that shows a demo photo, whose clock and whose way to the station a test turns."""

import os
import re
import socket
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any

import cv2

from reader.station.certificate import Certificate
from reader.station.desk import Desk
from tests.reader.review.browser import QUIET
from tests.reader.station.depots import depot
from tests.reader.station.servers import listening

START = -90.0
"""Minutes before now at which a test's clocks begin: readings believe no time that is still to come."""
INSECURE = "station.test"
"""A host name under which the browser finds this machine, and which is not as safe to it as loopback is."""
WAIT_S = 20.0
FRAME = (1280, 720)
FRAMES_A_SECOND = 5


@dataclass
class Clock:
    """The station's clock: the machine's, and a shift."""

    shift: timedelta = field(default_factory=lambda: timedelta(minutes=START))

    def __call__(self) -> datetime:
        return datetime.now(UTC) + self.shift


class Gate:
    """The way between phone and station, which a test closes.

    cut_after : bytes that still go to the station before it is cut. lost : of a request whose beginning fits, the
    station gets all and the phone no answer.
    """

    def __init__(self) -> None:
        """Take a port of this machine."""
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self.target: int | None = None
        self.cut_after: int | None = None
        self.lost: re.Pattern[bytes] | None = None
        self._live: set[socket.socket] = set()
        self._accepting = threading.Thread(target=self._accept, daemon=True)
        self._accepting.start()

    def close(self) -> None:
        """Nobody gets through any more."""
        self.target = None
        for one in list(self._live):
            with suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)

    def end(self) -> None:
        """Let go of the port."""
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self.close()
        self._accepting.join(5)
        self._listener.close()

    def _accept(self) -> None:
        while True:
            try:
                phone, _ = self._listener.accept()
            except OSError:
                return
            target = self.target
            try:
                station = None if target is None else socket.create_connection(("127.0.0.1", target))
            except OSError:  # it has just stopped
                station = None
            if station is None:
                phone.close()
                continue
            self._live |= {phone, station}
            threading.Thread(target=self._connect, args=(phone, station), daemon=True).start()

    def _connect(self, phone: socket.socket, station: socket.socket) -> None:
        asked = threading.Event()
        with phone, station:
            back = threading.Thread(
                target=self._carry, args=(station, phone, self._answers(asked)), daemon=True
            )
            back.start()
            self._carry(phone, station, self._requests(asked))
            back.join()
        self._live -= {phone, station}

    def _requests(self, asked: threading.Event) -> Callable[[bytes], bool]:
        def passes(data: bytes) -> bool:
            if self.lost is not None and self.lost.match(data):
                asked.set()
            if self.cut_after is not None:
                self.cut_after -= len(data)
            return self.cut_after is None or self.cut_after >= 0

        return passes

    def _answers(self, asked: threading.Event) -> Callable[[bytes], bool]:
        return lambda _: not asked.is_set()

    def _carry(self, one: socket.socket, other: socket.socket, passes: Callable[[bytes], bool]) -> None:
        with suppress(OSError):
            while data := one.recv(1 << 15):
                if not passes(data):
                    self.close()
                    break
                other.sendall(data)
        for end in (one, other):
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)


@dataclass
class Served:
    """A station that listens behind a gate. address : as the phone opens it, without a slash at its end."""

    desk: Desk
    clock: Clock
    gate: Gate
    port: int
    address: str

    def link(self, person: str) -> str:
        return f"{self.address}/#{self.desk.sign_ins.make_link(person, now=self.clock())}"

    def open(self) -> None:
        """Let phones through (again)."""
        self.gate.target = self.port


@contextmanager
def served(
    folder: Path, *, host: str = "127.0.0.1", prefix: str = "", certificate: Certificate | None = None
) -> Iterator[Served]:
    """A new station, as phones reach it under a host's name and below a path."""
    clock, gate = Clock(), Gate()
    address = f"{'https' if certificate else 'http'}://{host}:{gate.port}{prefix}"
    with depot(folder) as opened:
        desk = replace(opened, now=clock, url=f"{address}/")
        with listening(desk, url=f"{address}/", certificate=certificate) as port:
            gate.target = port
            try:
                yield Served(desk=desk, clock=clock, gate=gate, port=port, address=address)
            finally:
                gate.end()
        desk.readers.close()
        desk.hinter.close()


class Phone(AbstractContextManager["Phone"]):
    """A browser of a phone's size. taps : how often it was touched. home : whose certificates it trusts."""

    def __init__(
        self, chromium: Path, driver: Path, *, profile: Path, camera: Path, home: Path | None = None
    ) -> None:
        from selenium.webdriver import Chrome
        from selenium.webdriver.chrome.options import Options
        from selenium.webdriver.chrome.service import Service

        options = Options()
        options.binary_location = str(chromium)
        for argument in (
            *QUIET,
            f"--user-data-dir={profile}",
            f"--host-resolver-rules=MAP {INSECURE} 127.0.0.1",
            "--use-fake-device-for-media-stream",
            "--use-fake-ui-for-media-stream",
            f"--use-file-for-fake-video-capture={camera}",
        ):
            options.add_argument(argument)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        own = os.environ | ({} if home is None else {"HOME": str(home)})
        self.driver = Chrome(options=options, service=Service(str(driver), env=own))
        self.taps = 0
        self.width = 0
        self._scripts: dict[str, str] = {}
        self._minutes = START

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.driver.quit()

    def begin(self, *, signed_out: bool = True, minutes: float = START) -> None:
        """Somebody takes the phone, whose clock shows the station's time; signed_out : as if it were new."""
        while len(self.driver.window_handles) > 1:
            self.driver.close()
            self.driver.switch_to.window(self.driver.window_handles[0])
        self.driver.get("about:blank")
        if signed_out:
            self.do("Network.clearBrowserCookies")
        self.complaints()
        self.taps = 0
        self.size(390)
        self.set_clock(minutes)

    def size(self, width: int, height: int = 844, *, dark: bool = False) -> None:
        self.width = width
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}
        self.do("Emulation.setDeviceMetricsOverride", **metrics)
        features = [
            {"name": "prefers-reduced-motion", "value": "reduce"},
            {"name": "prefers-color-scheme", "value": "dark" if dark else "light"},
        ]
        self.do("Emulation.setEmulatedMedia", features=features)

    def set_clock(self, minutes: float) -> None:
        """Set the phone's clock to so many minutes from the machine's, in this page and those that it opens."""
        self._minutes = minutes
        script = "{const real = Date.__real ?? Date.now; Date.__real = real; Date.now = () => real.call(Date) + %d;}"
        source = script % round(minutes * 60000)
        handle = self.driver.current_window_handle
        if handle in self._scripts:
            self.do("Page.removeScriptToEvaluateOnNewDocument", identifier=self._scripts[handle])
        self._scripts[handle] = self.do("Page.addScriptToEvaluateOnNewDocument", source=source)["identifier"]
        self.ask(source)

    def let_pass(self, place: Served, minutes: float) -> None:
        """Time passes for phone and station alike."""
        place.clock.shift += timedelta(minutes=minutes)
        self.set_clock(self._minutes + minutes)

    def open(self, address: str) -> None:
        self.driver.get(address)

    def do(self, command: str, **parameters: object) -> Any:
        return self.driver.execute_cdp_cmd(command, parameters)

    def ask(self, script: str, *arguments: object) -> Any:
        return self.driver.execute_script(script, *arguments)

    def wait(self, what: str | Callable[[], Any], *, s: float = WAIT_S) -> Any:
        """Wait for an element by its selector that is to be seen, or for something to be so."""
        until = time.monotonic() + s
        while True:
            found = self._seen(what) if isinstance(what, str) else what()
            if found:
                return found
            if time.monotonic() > until:
                shown = self.ask("return document.querySelector('main')?.innerText")
                raise AssertionError(f"{what} did not come within {s} s; the page shows: {shown}")
            time.sleep(0.05)

    def _seen(self, selector: str) -> bool:
        script = (
            "const one = document.querySelector(arguments[0]); if (!one) return false; "
            "const box = one.getBoundingClientRect(); return box.width > 0 && box.height > 0 && !one.disabled"
        )
        return bool(self.ask(script, selector))

    def tap(self, selector: str) -> None:
        """Put a finger on the middle of an element, once it is there, and lift it."""
        self.wait(selector)
        x, y = self.ask(
            "const one = document.querySelector(arguments[0]);"
            "one.scrollIntoView({block: 'center', behavior: 'instant'});"
            "const box = one.getBoundingClientRect(); return [box.x + box.width / 2, box.y + box.height / 2]",
            selector,
        )
        self.do("Input.dispatchMouseEvent", type="mousePressed", x=x, y=y, button="left", clickCount=1)
        self.do("Input.dispatchMouseEvent", type="mouseReleased", x=x, y=y, button="left", clickCount=1)
        self.taps += 1

    def give_photo(self, path: Path) -> None:
        """What the camera's app does: the label was tapped, the shutter, and "use it"."""
        self.wait("label.photo")
        self.taps += 3
        self.driver.find_element("css selector", "#photo").send_keys(str(path))

    def text(self, selector: str = "main") -> str:
        return str(self.ask("return document.querySelector(arguments[0])?.innerText ?? ''", selector))

    def new_tab(self) -> None:
        self.driver.switch_to.new_window("tab")
        self.set_clock(self._minutes)
        self.size(390)

    def to_tab(self, number: int) -> None:
        self.driver.switch_to.window(self.driver.window_handles[number])

    @contextmanager
    def asleep(self) -> Iterator[None]:
        """The phone is locked: its page is hidden and frozen, and no timer of it runs."""
        mine = self.driver.current_window_handle
        self.driver.switch_to.new_window("tab")
        other = self.driver.current_window_handle
        self.driver.switch_to.window(mine)
        self.do("Page.setWebLifecycleState", state="frozen")
        try:
            yield
        finally:
            self.driver.switch_to.window(other)
            self.driver.close()
            self.driver.switch_to.window(mine)
            self.do("Page.setWebLifecycleState", state="active")

    def kept(self, store: str) -> list[Any]:
        """What the phone keeps: the keys of a store."""
        script = """const done = arguments[1]; indexedDB.open("linecall").onsuccess = (opened) => {
            const database = opened.target.result;
            database.transaction(arguments[0]).objectStore(arguments[0]).getAllKeys().onsuccess = (found) => {
                database.close(); done(found.target.result); }; };"""
        found: list[Any] = self.driver.execute_async_script(script, store)
        return found

    def complaints(self) -> list[str]:
        """What pages wrote to the console, but for requests that were meant to fail."""
        entries: list[dict[str, Any]] = self.driver.get_log("browser")  # type: ignore[no-untyped-call]
        return [one["message"] for one in entries if one["source"] != "network"]


def close_up(root: Path, path: Path) -> Path:
    """A plate as a camera near it sees it: a demo photo, cut around its plate, at a path."""
    photo = cv2.imread(str(root / "demo_images" / "helipad-bowser.jpg"))
    assert photo is not None
    cv2.imwrite(str(path), photo[350:1900, 500:1750])
    return path


def write_camera(photos: Mapping[Path, int], path: Path) -> None:
    """A y4m file (YUV4MPEG2, from memory) for Chromium's fake camera, which shows it again and again.

    photos : each whole on grey, for so many seconds. The planes keep the picture's levels; MJPEG would stretch them.
    """
    with path.open("wb") as file:
        file.write(f"YUV4MPEG2 W{FRAME[0]} H{FRAME[1]} F{FRAMES_A_SECOND}:1 Ip A1:1 C420jpeg\n".encode())
        for photo, seconds in photos.items():
            planes = cv2.cvtColor(_frame_of(photo), cv2.COLOR_BGR2YUV_I420).tobytes()
            file.write((b"FRAME\n" + planes) * (seconds * FRAMES_A_SECOND))


def _frame_of(photo: Path) -> cv2.typing.MatLike:
    """A photo as a camera of that size sees it, across."""
    picture = cv2.imread(str(photo))
    assert picture is not None
    if picture.shape[0] > picture.shape[1]:
        picture = cv2.rotate(picture, cv2.ROTATE_90_CLOCKWISE)
    scale = min(FRAME[0] / picture.shape[1], FRAME[1] / picture.shape[0])
    small = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    left, top = (FRAME[0] - small.shape[1]) // 2, (FRAME[1] - small.shape[0]) // 2
    right, bottom = FRAME[0] - small.shape[1] - left, FRAME[1] - small.shape[0] - top
    return cv2.copyMakeBorder(small, top, bottom, left, right, cv2.BORDER_CONSTANT, value=(110, 110, 110))
