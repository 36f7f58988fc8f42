"""The station under load and under the knife.

    python -m tests.bench.station load --phones 20 --seconds 300
    python -m tests.bench.station kills --n 100 --seed 1
    python -m tests.bench.station answer --pairs 10
    python -m tests.bench.station hints --frames 60

load : phones that send photos of 12 megapixels at once, each a run after the other: none is lost, none read twice, and
a waiting phone's page answers meanwhile. kills : the server is killed at random moments and started again, while
phones send, a reviewer decides and withdraws, a trainer labels and a trainee answers a quiz; the chain must hold,
nothing that was acknowledged may be lost, and the phones' queues must empty by themselves. answer and hints : as
station_answer and station_hints say.
"""

import argparse
import hashlib
import http.client
import json
import os
import random
import shutil
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from io import BytesIO
from pathlib import Path
from typing import Any

from PIL import Image

from reader.files.bundled import DATA
from reader.logbook import Logbook
from reader.logbook.people import add_person
from reader.station.serving import OWN_FILE
from reader.station.signins import SignIns
from reader.station.tokens import Tokens
from reader.words.ids import new_id
from tests.bench.memory import peak_bytes

ROOT = Path(__file__).parents[2]
PIECE = 256 * 2**10
STEPS = (("sample", 25), ("settled", 15), ("extract", 13), ("gathered", 5), ("drops", 0))
AGE = timedelta(minutes=17)
"""From the drops to the photo; with five minutes of bench it is sent within the plate's reading time."""
SIZE_12_MP = (4000, 3000)
PHOTO = "helipad-bowser"
LIFE_MAX_S = 8.0
"""Of a server before it is killed: long enough for a reading now and then."""


def photo_taken(taken: datetime, size: tuple[int, int] | None) -> bytes:
    """A demo photo, of that size, whose camera says when it was taken."""
    with Image.open(ROOT / "demo_images" / f"{PHOTO}.jpg") as image:
        exif = image.getexif()
        exif.get_ifd(0x8769).update({0x9003: f"{taken:%Y:%m:%d %H:%M:%S}", 0x9011: "+00:00"})  # Exif 2.32
        across = size or image.size
        if (image.width < image.height) != (across[0] < across[1]):
            across = across[::-1]
        into = BytesIO()
        larger = image.resize(across, Image.Resampling.LANCZOS)
        larger.save(into, "JPEG", exif=exif.tobytes(), quality=92, subsampling=0)
    return into.getvalue()


def another(photo: bytes, name: str) -> bytes:
    """The same picture as a file of its own: with a comment (ITU-T T.81, B.2.4.5)."""
    comment = name.encode()
    return photo[:2] + b"\xff\xfe" + (len(comment) + 2).to_bytes(2, "big") + comment + photo[2:]


def depot(folder: Path, phones: int) -> str:
    """A logbook and a site with a point for each phone; a technician's token."""
    text = (DATA / "examples" / "first-site.toml").read_text(encoding="utf-8")
    tank = text[text.index("[[tank]]") : text.index("# Lots of")]
    more = "".join(
        tank.replace('"T1', f'"P{number}').replace('"T1"', f'"P{number}"') for number in range(phones)
    )
    (folder / "site.toml").write_text(text.replace("# Lots of", f"{more}\n# Lots of"), encoding="utf-8")
    (folder / "linecall.toml").write_text('site = "site.toml"\n', encoding="utf-8")
    now = datetime.now(UTC)
    with Logbook.open(folder / "book.sqlite") as book:
        add_person(book, "Ada North", roles=["keeper", "technician"], at=now)
    own = folder / "book.sqlite.station"
    own.mkdir(mode=0o700)
    tokens = Tokens.open(own / OWN_FILE)
    secret, _ = tokens.make("bench", person="Ada North", role="technician", by="Ada North", now=now)
    tokens.close()
    return secret


@dataclass
class Server:
    """A `linecall serve` of its own."""

    folder: Path
    port: int = 0
    command: tuple[str, ...] = (sys.executable, "-c", "from cli.main import main; main()", "serve")
    process: "subprocess.Popen[bytes] | None" = None

    def start(self) -> None:
        """Start it, and wait until it answers."""
        if not self.port:
            with socket.socket() as probe:
                probe.bind(("127.0.0.1", 0))
                self.port = int(probe.getsockname()[1])
        command = [*self.command, "-L", "book.sqlite", "--port", str(self.port)]
        environment = os.environ | {"HOME": str(self.folder), "OMP_NUM_THREADS": "1"}
        if self.command[0] == sys.executable:
            environment["PYTHONPATH"] = str(ROOT)
        with (self.folder / "server.log").open("ab") as log:
            self.process = subprocess.Popen(command, cwd=self.folder, env=environment, stdout=log, stderr=log)
        deadline = time.monotonic() + 60
        while True:
            try:
                with socket.create_connection(("127.0.0.1", self.port), 1):
                    return
            except OSError:
                assert self.process.poll() is None, (self.folder / "server.log").read_text()
                assert time.monotonic() < deadline
                time.sleep(0.02)

    def kill(self) -> None:
        """End it as a power cut ends a program."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def stop(self) -> None:
        """End it well."""
        assert self.process is not None
        self.process.send_signal(signal.SIGINT)
        try:
            self.process.wait(90)
        except subprocess.TimeoutExpired:
            self.kill()

    def memory_mb(self) -> float:
        """The server's own memory, at most so far."""
        assert self.process is not None
        return peak_bytes(self.process.pid) / 2**20


@dataclass
class Phone:
    """A technician's phone: it keeps what it has not been told is kept, and tells it again until it is."""

    number: int
    port: int
    token: str
    photo: bytes
    taken: datetime
    ended: threading.Event
    acknowledged: dict[str, str] = field(default_factory=dict)
    """Run -> the photo's hash, once the server has echoed it with a verdict."""
    told: set[str] = field(default_factory=set)
    """Runs that the server has acknowledged."""
    readings: dict[str, set[str]] = field(default_factory=dict)
    waits: list[float] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    cuts: int = 0
    backwards: int = 0

    def work(self) -> None:
        """Run after run, until the bench is over and the last one is acknowledged."""
        while not self.ended.is_set() and not self.problems:
            self.one_run(new_id())

    def one_run(self, run: str) -> None:
        """From the drops to the verdict, whatever is cut on the way."""
        photo = another(self.photo, run)
        sha = hashlib.sha256(photo).hexdigest()
        self.until_done(lambda: self.ask("PUT", f"/runs/{run}", run_said(self.number, self.taken)))
        self.told.add(run)
        begun = time.monotonic()
        while not self.problems:
            at = acknowledged = 0
            while at < len(photo) and not self.problems:
                piece = photo[at : at + PIECE]
                found = self.until_done(lambda at=at, piece=piece: self.piece(run, sha, at, piece))  # type: ignore[misc]
                if found.get("next", 0) < acknowledged:
                    self.backwards += 1
                at = acknowledged = found.get("next", 0)
            answer = self.until_done(
                lambda: self.ask("POST", f"/runs/{run}/send", send_said(sha, run, self.taken))
            )
            if "reading" in answer:
                break
        else:
            return
        self.waits.append(time.monotonic() - begun)
        if answer["received"] != [sha]:
            self.problems.append(f"{run}: {answer}")
        self.acknowledged[run] = sha
        self.readings.setdefault(run, set()).add(answer["reading"])

    def until_done(self, what: Callable[[], dict[str, Any]]) -> dict[str, Any]:
        """Ask again after every cut, a little later each time."""
        pause = 0.05
        while True:
            try:
                return what()
            except (OSError, http.client.HTTPException):
                self.cuts += 1
                time.sleep(pause * (0.5 + random.random()))
                pause = min(2 * pause, 1.0)

    def piece(self, run: str, sha: str, at: int, data: bytes) -> dict[str, Any]:
        return self.ask("PUT", f"/runs/{run}/photos/{sha}?at={at}", data)

    def ask(self, method: str, path: str, body: bytes) -> dict[str, Any]:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=300)
        try:
            connection.request(method, path, body, {"Authorization": f"Bearer {self.token}"})
            answer = connection.getresponse()
            found: dict[str, Any] = json.loads(answer.read())
        finally:
            connection.close()
        if answer.status in {409, 404} and "next" in found and found["next"] is not None:
            return {"next": found["next"]}
        if answer.status == 503:
            raise ConnectionError("busy")
        if answer.status != 200:
            self.problems.append(f"{method} {path}: {answer.status} {found}")
        return found


def run_said(number: int, taken: datetime) -> bytes:
    """A run at a phone's own point, all of it, as it is told before its photo."""
    drops = taken - AGE
    steps = [{"step": step, "at": (drops - timedelta(minutes=before)).isoformat()} for step, before in STEPS]
    said = {"point": f"P{number}-drain", "phase": "fuel", "lot": "CB-2604", "operator": "Ada North"}
    begun = {"at": (drops - timedelta(minutes=26)).isoformat()}
    return json.dumps(said | {"begun": begun, "steps": steps, "now": _now()}).encode()


def send_said(sha: str, run: str, taken: datetime) -> bytes:
    """That a run's photo is there and is to be read."""
    photo = {"sha256": sha, "name": f"{run}.jpg", "at": taken.isoformat()}
    return json.dumps({"photos": [photo], "now": _now()}).encode()


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


@contextmanager
def phones_at(
    server: Server, token: str, n: int, size: tuple[int, int] | None
) -> Iterator[tuple[list[Phone], threading.Event]]:
    """Phones that work until the event is set; at the end each finishes what it has begun."""
    taken = datetime.now(UTC).replace(microsecond=0) - timedelta(minutes=1)
    photo, ended = photo_taken(taken, size), threading.Event()
    phones = [
        Phone(number=number, port=server.port, token=token, photo=photo, taken=taken, ended=ended)
        for number in range(n)
    ]
    threads = [threading.Thread(target=phone.work, daemon=True) for phone in phones]
    for thread in threads:
        thread.start()
    try:
        yield phones, ended
    finally:
        ended.set()
        for thread in threads:
            thread.join(300)
        assert not any(thread.is_alive() for thread in threads), "a phone's queue does not empty"


def check(folder: Path, phones: list[Phone]) -> list[str]:
    """What is wrong with the logbook, by what the phones were told."""
    problems = [problem for phone in phones for problem in phone.problems]
    with Logbook.open(folder / "book.sqlite", read_only=True) as book:
        report = book.verify()
        if report.problem:
            problems.append(report.problem)
        read: dict[str, list[str]] = {}
        for row in book.readings(limit=100_000):
            for photo in book.reading(row.id).photos:
                read.setdefault(photo.sha256, []).append(row.id)
        begun = {row.id for row in book.runs(limit=100_000)}
        for phone in phones:
            problems += [f"run {run} is lost" for run in phone.told - begun]
            for run, sha in phone.acknowledged.items():
                if len(read.get(sha, [])) != 1:
                    problems.append(f"photo of run {run} was read {len(read.get(sha, []))} times")
    return problems


def load(
    folder: Path, *, phones: int, seconds: float, size: tuple[int, int] | None = SIZE_12_MP
) -> dict[str, Any]:
    """Figures of phones that send at once; `problems` is empty where none was lost and none read twice."""
    token = depot(folder, phones)
    server = Server(folder)
    server.start()
    try:
        with phones_at(server, token, phones, size) as (workers, ended):
            with page_times(server, page_cookie(server, folder)) as pages:
                time.sleep(seconds)
            memory = server.memory_mb()
            ended.set()
        memory = max(memory, server.memory_mb())
    finally:
        server.stop()
    waits = [wait for phone in workers for wait in phone.waits]
    pages.sort()
    if not waits:
        return {"problems": [*check(folder, workers), "no phone got an answer"]}
    return {
        "problems": check(folder, workers),
        "photos": len(waits),
        "photo_mb": round(len(workers[0].photo) / 1e6, 2),
        "cuts": sum(phone.cuts for phone in workers),
        "wait_s_median": round(statistics.median(waits), 2),
        "wait_s_max": round(max(waits), 2),
        "page_ms_median": round(1000 * statistics.median(pages), 1),
        "page_ms_95": round(1000 * pages[int(0.95 * len(pages))], 1),
        "page_ms_max": round(1000 * pages[-1], 1),
        "pages": len(pages),
        "server_mb": round(memory),
    }


def page_cookie(server: Server, folder: Path) -> str:
    """A browser of somebody who waits."""
    signs = SignIns.open(folder / "book.sqlite.station" / OWN_FILE)
    secret = signs.make_link("Ada North", now=datetime.now(UTC))
    signs.close()
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=60)
    headers = {"Origin": f"http://127.0.0.1:{server.port}", "Content-Type": "application/json"}
    connection.request("POST", "/pair", json.dumps({"secret": secret}), headers)
    cookie = connection.getresponse().headers["Set-Cookie"].partition(";")[0]
    connection.close()
    return cookie


@contextmanager
def page_times(server: Server, cookie: str) -> Iterator[list[float]]:
    """Seconds of a waiting phone's page, again and again, there once the block has ended."""
    command = [sys.executable, "-m", "tests.bench.station_pages", str(server.port), cookie]
    asking = subprocess.Popen(command, cwd=ROOT, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    found: list[float] = []
    try:
        yield found
    finally:
        said, _ = asking.communicate("done\n", timeout=120)
        assert asking.returncode == 0, "a page did not come"
        found += map(float, said.split())


def kills(
    folder: Path, *, n: int, seed: int, phones: int = 4, life_max_s: float = LIFE_MAX_S
) -> dict[str, Any]:
    """Figures of a server that is killed n times while phones send, a reviewer decides, and marks are called."""
    from tests.bench import station_desks as desks

    token, draw = depot(folder, phones), random.Random(seed)
    reading = desks.furnish(folder)
    server = Server(folder)
    server.start()
    ended = threading.Event()
    try:
        browsers = [desks.Browser(server.port) for _ in range(3)]
        browsers[0].sign_in(folder, desks.REVIEWER)
        browsers[1].sign_in(folder, desks.TRAINER)
        quiz, asked = desks.begin_quiz(folder, browsers[1], browsers[2])
        book = folder / "book.sqlite"
        reviewer = desks.Reviewer(browsers[0], ended, random.Random(seed + 1), reading=reading, book=book)
        trainer = desks.Caller(browsers[1], ended, random.Random(seed + 2), paths=desks.label_paths(folder))
        trainee = desks.Caller(browsers[2], ended, random.Random(seed + 3), paths=asked)
        people = (reviewer, trainer, trainee)
        threads = [threading.Thread(target=one.work, daemon=True) for one in people]
        with phones_at(server, token, phones, None) as (workers, phones_ended):
            for thread in threads:
                thread.start()
            for _ in range(n):
                time.sleep(draw.uniform(0.0, life_max_s))
                server.kill()
                server.start()
            ended.set()
            phones_ended.set()
            for thread in threads:
                thread.join(desks.WAIT_S)
    finally:
        ended.set()
        server.stop()
    left = [path.name for path in (folder / "book.sqlite.station").glob(".reading-*")]
    return {
        "problems": [
            *check(folder, workers),
            *reviewer.check(),
            *desks.check_labels(folder, trainer),
            *desks.check_quiz(folder, quiz, trainee),
            *[f"left behind: {left}"] * bool(left),
        ],
        "kills": n,
        "runs": sum(len(phone.told) for phone in workers),
        "verdicts": sum(len(phone.acknowledged) for phone in workers),
        "decisions": reviewer.told,
        "labels": trainer.told,
        "answers": trainee.told,
        "cuts": sum(phone.cuts for phone in workers),
        "cuts_of_people": sum(one.browser.cuts for one in people),
        "pieces_lost": sum(phone.backwards for phone in workers),
    }


def main() -> None:
    """Run a bench and print its figures."""
    from tests.bench.station_answer import answer
    from tests.bench.station_hints import hints

    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    which = parser.add_subparsers(dest="which", required=True)
    loaded = which.add_parser("load")
    loaded.add_argument("--phones", type=int, default=20)
    loaded.add_argument("--seconds", type=float, default=300)
    killed = which.add_parser("kills")
    killed.add_argument("--n", type=int, default=100)
    killed.add_argument("--seed", type=int, default=1)
    answered = which.add_parser("answer")
    answered.add_argument("--pairs", type=int, default=10)
    hinted = which.add_parser("hints")
    hinted.add_argument("--frames", type=int, default=60)
    options = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="linecall-bench-"))
    try:
        if options.which == "load":
            figures = load(folder, phones=options.phones, seconds=options.seconds)
        elif options.which == "answer":
            figures = answer(folder, pairs=options.pairs)
        elif options.which == "hints":
            figures = hints(folder, n=options.frames)
        else:
            figures = kills(folder, n=options.n, seed=options.seed)
        print(json.dumps(figures, indent=2))
        raise SystemExit(bool(figures.get("problems")))
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
