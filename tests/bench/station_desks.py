"""A reviewer, a trainer and a trainee at a station that is killed: what each was told is kept, and by whom it is asked.

Each repeats what it does, as a person would who sees the browser's error: it looks at what stands and goes on from
there. At the end everything that the station acknowledged must be in the logbook, the library and the quiz, in order.
"""

import http.client
import json
import random
import re
import threading
import time
from abc import ABC, abstractmethod
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final
from urllib.parse import urlencode

from reader.library import Library
from reader.logbook import Logbook, Statement
from reader.logbook.people import add_person
from reader.station.exams import Exams
from reader.station.serving import OWN_FILE
from reader.station.signins import SignIns
from reader.words import Call, MarkKey
from tests.reader.library.quiz.quiz_library import invented_library
from tests.reader.review.photographed import SETTINGS, photographed, read, with_calls

REVIEWER, TRAINER, TRAINEE = "Ben South", "Tess Ainer", "Nell Ovice"
DOUBTS: Final[tuple[MarkKey, ...]] = (("3", "indicator"), ("5", "indicator"))
CALLS: Final[tuple[Call, ...]] = ("present", "absent", "doubtful")
EXAMPLES: Final = 40
PAUSE_S: Final = 0.1
WAIT_S: Final = 300.0


def furnish(folder: Path) -> str:
    """Add the three people, a library, and a reading that waits for a reviewer; its id."""
    now = datetime.now(UTC).replace(microsecond=0)
    invented_library(folder / "book.sqlite.station" / "library", EXAMPLES).close()
    found = read(photographed(folder, seed=5)).verdict
    verdict = with_calls(found, dict.fromkeys(DOUBTS, "doubtful"))
    with Logbook.open(folder / "book.sqlite") as book:
        for name, role in ((REVIEWER, "reviewer"), (TRAINER, "trainer"), (TRAINEE, "trainee")):
            add_person(book, name, roles=[role], at=now)  # type: ignore[list-item]
        return book.add_reading(
            verdict,
            [folder / verdict.photo.name],
            Statement.of(operator="Ada North", tank="north 1", sample_point="drain"),
            at=now,
            settings=SETTINGS.files_used(verdict.layout.sha256 if verdict.layout else None),
        )


@dataclass
class Browser:
    """Somebody's browser; it asks until it is answered."""

    port: int
    cookie: str = ""
    cuts: int = 0
    answered: str = ""

    def sign_in(self, folder: Path, name: str) -> None:
        """Open a link that was made beside the server."""
        signs = SignIns.open(folder / "book.sqlite.station" / OWN_FILE)
        secret = signs.make_link(name, now=datetime.now(UTC))
        signs.close()
        self.pair(secret)

    def pair(self, secret: str) -> None:
        """Open a sign-in link."""
        status, headers, _ = self.ask("POST", "/pair", json.dumps({"secret": secret}))
        assert status == 200
        self.cookie = headers["Set-Cookie"].partition(";")[0]

    def ask(self, method: str, path: str, body: str = "") -> "tuple[int, http.client.HTTPMessage, str]":
        """Status, headers and text of an answer. Raises OSError or HTTPException where the server dies on the way."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=WAIT_S)
        kind = "application/json" if body.startswith("{") else "application/x-www-form-urlencoded"
        headers = {"Cookie": self.cookie, "Sec-Fetch-Site": "same-origin", "Content-Type": kind}
        try:
            connection.request(method, path, body.encode() or None, headers)
            answer = connection.getresponse()
            return answer.status, answer.headers, answer.read().decode()
        finally:
            connection.close()

    def is_told(self, path: str, body: str) -> bool | None:
        """Whether the station took what was sent; None where it died before it could say."""
        try:
            status, _, self.answered = self.ask("POST", path, body)
        except (OSError, http.client.HTTPException):
            self.cuts += 1
            time.sleep(PAUSE_S * (0.5 + random.random()))
            return None
        return status in {200, 303}

    def page(self, path: str) -> str:
        """A page, asked for until it comes."""
        until = time.monotonic() + WAIT_S
        while time.monotonic() < until:
            try:
                status, headers, text = self.ask("GET", path)
            except (OSError, http.client.HTTPException):
                self.cuts += 1
                time.sleep(PAUSE_S)
                continue
            return headers["Location"] if status == 303 else text
        raise AssertionError(f"{path} does not come")


@dataclass
class Worker(ABC):
    """Somebody who works at a desk until the bench is over; `told` counts what was acknowledged."""

    browser: Browser
    ended: threading.Event
    draw: random.Random
    told: int = 0
    problems: list[str] = field(default_factory=list)

    def work(self) -> None:
        """One thing after the other."""
        while not self.ended.is_set():
            self.one()
            time.sleep(PAUSE_S * self.draw.random())

    @abstractmethod
    def one(self) -> None:
        """Do one thing."""


@dataclass
class Reviewer(Worker):
    """Decides a mark, withdraws it, and decides anew."""

    reading: str = ""
    book: Path = Path()
    said: list[tuple[str, bool]] = field(default_factory=list)
    """Reasons, each of its own, in order; whether the station acknowledged it."""

    def one(self) -> None:
        own = self.browser.page(f"/readings/{self.reading}/own")
        last = re.search(r'name="last" value="(\d+)"', own)
        window, mark = self.draw.choice(DOUBTS)
        reason = f"look {len(self.said)}"
        decided = f'value="{mark} {window}"' in own
        with Logbook.open(self.book, read_only=True) as book:
            seq = book.reading(self.reading).last_seq if last is None else int(last[1])
        said = {"last": str(seq), "reason": reason}
        if decided:
            path, said = "withdrawal", said | {"mark": f"{mark} {window}"}
        else:
            path, said = "decisions", said | {"blind": "yes", f"{mark} {window}": self.draw.choice(CALLS)}
        told = self.browser.is_told(f"/readings/{self.reading}/{path}", urlencode(said))
        if told is False:
            return  # the one before was kept after all, and the page was older
        self.said.append((reason, bool(told)))
        self.told += bool(told)

    def check(self) -> list[str]:
        """Acknowledged decisions that are not in the logbook, and those that are there twice or out of order."""
        with Logbook.open(self.book, read_only=True) as book:
            kept = [
                one["reason"]
                for event in book.reading(self.reading).reviews
                for one in event.payload.get("decisions", [event.payload])
            ]
        problems = [
            f"decision {reason!r} is lost" for reason, told in self.said if told and reason not in kept
        ]
        if len(kept) != len(set(kept)):
            problems.append("a decision is there twice")
        if kept != [reason for reason, _ in self.said if reason in kept]:
            problems.append("decisions are out of order")
        return problems


@dataclass
class Caller(Worker):
    """Calls marks one after the other: of photos in the library, or of a quiz."""

    paths: tuple[tuple[str, str], ...] = ()
    """Of a window's page, and its window's name."""
    said: dict[tuple[str, str], list[tuple[Call, bool]]] = field(default_factory=dict)

    def one(self) -> None:
        path, _ = self.draw.choice(self.paths)
        call = self.draw.choice(CALLS)
        told = self.browser.is_told(path, json.dumps({"answer": f"indicator {call}"}))
        if told is False:
            self.problems.append(f"{path} was refused: {self.browser.answered.strip()[:300]}")
        self.said.setdefault((path, "indicator"), []).append((call, bool(told)))
        self.told += bool(told)

    def differs(self, path: str, kept: Call | None) -> list[str]:
        """Whether what is kept is neither the last call that was acknowledged nor a later one."""
        said = self.said.get((path, "indicator"), [])
        last = max((at for at, (_, told) in enumerate(said) if told), default=None)
        if last is None:
            return []
        return (
            [] if kept in {call for call, _ in said[last:]} else [f"{path}: {kept} stands, not {said[last]}"]
        )


def label_paths(folder: Path, photos: int = 6) -> tuple[tuple[str, str], ...]:
    """Pages of the windows of the newest photos in the library."""
    with Library.open(folder / "book.sqlite.station" / "library", read_only=True) as library:
        rows = [row.id for row in library.examples(limit=photos)]
        return tuple(
            (f"/teaching/labels/{id}/{place}", window.id)
            for id in rows
            for place, window in enumerate(library.example(id).verdict.windows)
        )


def check_labels(folder: Path, caller: Caller) -> list[str]:
    """What is wrong with the library, by what the trainer was told."""
    problems = list(caller.problems)
    with Library.open(folder / "book.sqlite.station" / "library", read_only=True) as library:
        for path, window in caller.paths:
            example = path.split("/")[3]
            calls: dict[MarkKey, Call] = {}
            for one in sorted(library.gradings(example), key=lambda grading: grading.at):
                if one.grader == TRAINER:
                    calls.update(one.calls)
            problems += caller.differs(path, calls.get((window, "indicator")))
    return problems


def begin_quiz(folder: Path, trainer: Browser, trainee: Browser) -> tuple[str, tuple[tuple[str, str], ...]]:
    """Have a quiz drawn and begun; its id, and its windows' pages."""
    form = urlencode({"trainee": TRAINEE, "plates": "6", "minutes": "0", "mix": "even"})
    _, headers, _ = trainer.ask("POST", "/teaching/quizzes", form)
    path, until = headers["Location"], time.monotonic() + WAIT_S
    while (found := trainer.page(path)).startswith("<"):
        assert 'role="alert"' not in found, found
        assert time.monotonic() < until
        time.sleep(PAUSE_S)
    quiz = found.rpartition("/")[2]
    _, _, text = trainer.ask("POST", f"/teaching/quizzes/{quiz}/invite")
    link = re.search(r'id="link" href="[^"#]*#([^"]+)"', text)
    assert link is not None, text
    trainee.pair(link[1])
    trainee.ask("POST", f"/quiz/{quiz}/begin")
    with Exams.open(folder / "book.sqlite.station") as exams:
        return quiz, tuple((f"/quiz/{quiz}/{one.place}", one.window) for one in exams.asked(quiz))


def check_quiz(folder: Path, quiz: str, caller: Caller) -> list[str]:
    """What is wrong with the quiz's answers, by what the trainee was told."""
    with Exams.open(folder / "book.sqlite.station") as exams:
        kept = exams.answers(quiz)
    problems = list(caller.problems)
    for path, _ in caller.paths:
        problems += caller.differs(path, kept.get((int(path.rpartition("/")[2]), "indicator")))
    return problems
