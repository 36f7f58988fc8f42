"""From the photo in a phone to its answer on the screen, beside the reading alone.

    python -m tests.bench.station answer --pairs 10

A phone's own requests in their order: the run, the photo in pieces, the sending, the answer's page with a picture of
every window, by a browser's kept connections. Each is paired with what `linecall read` does with the same file, in this
process: it reads, draws the annotated image and writes both results; and `read_photo` alone is timed beside it. The
order changes from pair to pair, so that a machine that is busy for a while is so for both. The server is else idle.
"""

import hashlib
import http.client
import json
import os
import re
import statistics
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import local
from typing import Any, Final

from reader.read import read_photo
from reader.run.batch import read_and_write
from reader.run.jobs import Order, plan_jobs
from reader.settings.read_settings import load_settings
from reader.words.ids import new_id
from tests.bench.station import (
    PIECE,
    SIZE_12_MP,
    Server,
    another,
    depot,
    page_cookie,
    photo_taken,
    run_said,
    send_said,
)

CONNECTIONS: Final = 6
"""A browser opens so many to one host (common practice, no source)."""
PLATES: Final = 20
SIZES: Final = {"as it is": None, "12 megapixels": SIZE_12_MP}


@dataclass
class Browser:
    """A signed-in browser with its kept connections."""

    port: int
    cookie: str
    took: dict[str, float] = field(default_factory=dict)
    _own: local = field(default_factory=local)
    _all: list[http.client.HTTPConnection] = field(default_factory=list)

    def ask(self, method: str, path: str, body: bytes | None = None) -> bytes:
        """What the station answers, which must be a success."""
        connection = getattr(self._own, "connection", None)
        if connection is None:
            connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=300)
            self._own.connection = connection
            self._all.append(connection)
        connection.request(method, path, body, {"Cookie": self.cookie, "Sec-Fetch-Site": "same-origin"})
        answer = connection.getresponse()
        found: bytes = answer.read()
        assert answer.status == 200, f"{method} {path}: {answer.status} {found[:300]!r}"
        return found

    def close(self) -> None:
        """Let go of all connections."""
        for connection in self._all:
            connection.close()

    @contextmanager
    def timed(self, step: str) -> Iterator[None]:
        """Note how long a step took."""
        begun = time.perf_counter()
        yield
        self.took[step] = time.perf_counter() - begun


def sent_to_answer(browser: Browser, photo: bytes, taken: datetime, number: int) -> None:
    """What the phone's scripts ask for, from the photo that lies there to the answer that is shown."""
    run, sha = new_id(), hashlib.sha256(photo).hexdigest()
    browser.ask("PUT", f"/runs/{run}", run_said(number, taken))  # told as the drops went in
    with ThreadPoolExecutor(CONNECTIONS) as others, browser.timed("all"):
        with browser.timed("upload"):
            browser.ask("GET", "/clock")
            browser.ask("PUT", f"/runs/{run}", run_said(number, taken))
            path = f"/runs/{run}/photos/{sha}?at="
            at = int(json.loads(browser.ask("PUT", f"{path}0", b""))["next"])
            while at < len(photo):
                at = int(json.loads(browser.ask("PUT", f"{path}{at}", photo[at : at + PIECE]))["next"])
        with browser.timed("send"):
            said = json.loads(browser.ask("POST", f"/runs/{run}/send", send_said(sha, run, taken)))
            assert said["received"] == [sha]
        with browser.timed("page"):
            html = browser.ask("GET", said["to"]).decode()
        with browser.timed("strips"):
            places = re.findall(r'src="(/strips/[^"]+)"', html)
            assert places, "an answer shows its strips"
            for picture in others.map(lambda place: browser.ask("GET", place), places):
                assert picture.startswith(b"\xff\xd8")


def answer(folder: Path, *, pairs: int) -> dict[str, Any]:
    """Figures by size of photo: seconds by step and alone, and the ratio of each pair."""
    os.environ |= {"OMP_NUM_THREADS": "1"}
    depot(folder, PLATES)
    server = Server(folder)
    server.start()
    browser = Browser(server.port, page_cookie(server, folder))
    try:
        return {
            name: _pairs(folder, browser, size, pairs, first=place)
            for place, (name, size) in enumerate(SIZES.items())
        }
    finally:
        browser.close()
        server.stop()


def _pairs(
    folder: Path, browser: Browser, size: tuple[int, int] | None, pairs: int, *, first: int
) -> dict[str, Any]:
    taken = datetime.now(UTC).replace(microsecond=0) - timedelta(minutes=1)
    order = Order(settings=load_settings(), force=True)
    steps, alone, as_command, ratios = [], [], [], []
    picture = photo_taken(taken, size)
    for pair in range(-1, pairs):  # the first warms both up and is not counted
        photo = another(picture, new_id())
        path = folder / "photo.jpg"
        path.write_bytes(photo)

        def by_phone(photo: bytes = photo, pair: int = pair) -> float:
            sent_to_answer(browser, photo, taken, (first * PLATES // 2 + pair) % PLATES)
            return browser.took["all"]

        def in_process(path: Path = path) -> float:
            (job,) = plan_jobs([path], folder)
            begun = time.perf_counter()
            assert len(read_and_write(job, order).written) == 2
            return time.perf_counter() - begun

        seconds, command = _in_turn(by_phone, in_process, swapped=bool(pair % 2))
        begun = time.perf_counter()
        assert read_photo(path, settings=order.settings).status == "read"
        itself = time.perf_counter() - begun
        if pair < 0:
            continue
        alone.append(itself)
        as_command.append(command)
        ratios.append(seconds / command)
        steps.append(dict(browser.took))
    return {
        "photo_mb": round(len(picture) / 1e6, 2),
        "read_photo_s": round(statistics.median(alone), 3),
        "as_command_s": round(statistics.median(as_command), 3),
        "steps_s": {step: round(statistics.median(one[step] for one in steps), 3) for step in steps[0]},
        "ratio_median": round(statistics.median(ratios), 2),
        "ratios": [round(one, 2) for one in sorted(ratios)],
    }


def _in_turn(one: Any, other: Any, *, swapped: bool) -> tuple[float, float]:
    if swapped:
        second = other()
        return one(), second
    return one(), other()
