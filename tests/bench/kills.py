"""Commands that are killed while they write: nothing that was acknowledged is lost, nothing is half-written.

    python -m tests.bench.kills --n 200 --seed 1

Each command is started in a process of its own on a copy of the same stores and killed (SIGKILL) after a seeded
delay, most of them late, when it writes. Then the stores are checked, what was printed is looked for in them, and the
command is run again to its end: it must do what it would have done, once, and leave no passing file.
"""

import argparse
import json
import os
import random
import re
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path

from tests.bench.commands import begin_logbook, make_paper

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo_images"
LATE = 0.7  # share of the kills that fall into the second half of the command's time


@dataclass(frozen=True, kw_only=True, slots=True)
class Case:
    """A command, how its stores are looked at afterwards, and how often its effect must be there in the end."""

    command: tuple[str, ...]
    look: Callable[[str], list[str]]
    finished: Callable[[], list[str]]


@dataclass(frozen=True, kw_only=True, slots=True)
class Killed:
    """One kill: after how many seconds, whether the command had acknowledged something, and what was wrong."""

    name: str
    after_s: float
    acknowledged: bool
    finished: bool
    problems: tuple[str, ...]


# --- looking at the stores ----------------------------------------------------------------------------------------


def _logbook() -> list[str]:
    from reader.logbook import Logbook

    if not Path("log.db").exists() or not Path("log.db").stat().st_size:
        return []
    with Logbook.open("log.db", read_only=True) as book:
        report = book.verify()
    return [] if report.good else [f"the logbook: {report.problem}"]


def _events(kind: str) -> list[str]:
    from reader.logbook import Logbook

    with Logbook.open("log.db", read_only=True) as book:
        return [str(event.reading or event.id) for event in book.events() if event.kind == kind]


def _results(folder: Path) -> list[str]:
    """What is wrong with result files: each is whole, or not there."""
    import simplejpeg  # type: ignore[import-untyped]

    from reader.verdict.model import load_verdict

    wrong = []
    for path in folder.glob("*"):
        try:
            if path.name.endswith(".verdict.json"):
                load_verdict(path)
            elif path.suffix == ".jpg":
                simplejpeg.decode_jpeg(path.read_bytes())
        except Exception as error:
            wrong.append(f"{path}: half-written ({error})")
    return wrong


def _library() -> list[str]:
    from reader.library import Library

    if not Path("site/library.sqlite").exists() or not Path("site/library.sqlite").stat().st_size:
        return []
    wrong = []
    with Library.open("site", read_only=True) as library:
        for row in library.examples():
            example = library.example(row.id)
            problem = library.pictures.photo_problem(example.photo.sha256)
            wrong += [f"example {row.id}: {problem}"] if problem else []
            library.pictures.strips(example)
    return wrong


def _examples() -> dict[str, int]:
    from reader.library import Library

    with Library.open("site", read_only=True) as library:
        return {row.id: len(library.gradings(row.id)) for row in library.examples()}


def _look_read(said: str) -> list[str]:
    wrong = _logbook() + _results(Path("out"))
    lost = set(re.findall(r"reading ([0-9a-z]{8})", said)) - (
        set(_events("reading")) if "reading " in said else set()
    )
    return wrong + [f"reading {id} was acknowledged and is lost" for id in lost]


def _look_decide(said: str) -> list[str]:
    wrong = _logbook() + _results(Path())
    n = len(_events("review"))
    if "decided" in said and n != 1:
        wrong.append(f"a decision was acknowledged, and {n} are kept")
    return wrong


def _look_add(said: str) -> list[str]:
    wrong = _library()
    acknowledged = re.findall(r"added\s+([0-9a-z]{8})\s", said)
    there = _examples() if acknowledged else {}
    return wrong + [f"example {id} was acknowledged and is lost" for id in acknowledged if id not in there]


def _look_mark(said: str) -> list[str]:
    wrong = _logbook()
    n = len(_events("quiz"))
    kept = list(Path("library/quizzes").glob("*.answers.json"))
    for path in Path("library/quizzes").glob("*.json"):
        try:
            json.loads(path.read_bytes())
        except ValueError:
            wrong.append(f"{path}: half-written")
    if "passed" in said and (n != 1 or len(kept) != 1):
        wrong.append(f"a mark was acknowledged; {n} events and {len(kept)} files of answers are kept")
    return wrong


def _count(what: str, found: int, wanted: int) -> list[str]:
    return [] if found == wanted else [f"in the end there are {found} {what}, not {wanted}"]


def _standing() -> int:
    from reader.logbook import Logbook

    with Logbook.open("log.db", read_only=True) as book:
        return book.count(standing=True)


def cases(id: str) -> dict[str, Case]:
    """The four commands that keep something."""
    strip = str(DEMO / "teaching/plate-01.jpg")
    other = str(DEMO / "teaching/plate-03.jpg")
    return {
        "read --logbook": Case(
            command=("read", strip, "--out", "out", "-L", "log.db", "--operator", "A. Lind", "--tank", "T3"),
            look=_look_read,
            finished=lambda: _count("readings that stand", _standing(), 2),
        ),
        "review decide": Case(
            command=("review", "decide", id, "-L", "log.db", "--window", "6", "--mark", "indicator", "--call", "absent",
                     "--by", "B. Moreau", "--reason", "seen"),
            look=_look_decide,
            finished=lambda: _count("decisions", min(len(_events("review")), 1), 1),
        ),
        "library add": Case(
            command=("library", "add", strip, other, "--labels", "labels.csv", "-l", "site"),
            look=_look_add,
            finished=lambda: _count("gradings", sum(_examples().values()), 2) + _count("examples", len(_examples()), 2),
        ),
        "quiz mark": Case(
            command=("quiz", "mark", "answers.json", "-l", "library", "-L", "log.db"),
            look=_look_mark,
            finished=lambda: _count("marked quizzes", len(_events("quiz")), 1),
        ),
    }  # fmt: skip


# --- killing ------------------------------------------------------------------------------------------------------


def make_whole(folder: Path) -> str:
    """Fill a folder with the stores that the commands start from; returns the id of the reading that waits."""
    from reader.library.quiz.records import Key
    from tests.reader.library.quiz.quiz_library import answers_of, invented_library

    before = Path.cwd()
    os.chdir(folder)
    try:
        waiting = begin_logbook(str(DEMO / "rescue-boat-tank-1.jpg"), out="first")
        invented_library(Path("library"), 40).close()
        make_paper("paper.html")
        key = Key.model_validate_json(next(Path("library/quizzes").glob("*.key.json")).read_bytes())
        Path("answers.json").write_text(json.dumps(answers_of(key)), encoding="utf-8")
        rows = (
            f"{name}.jpg,R. Aalto,expert,2026-05-04T12:00Z,1,indicator,present"
            for name in ("plate-01", "plate-03")
        )
        Path("labels.csv").write_text(
            "\n".join(["photo,grader,role,graded_at,window,mark,call", *rows]) + "\n"
        )
        return waiting
    finally:
        os.chdir(before)


def start(command: tuple[str, ...], said: Path) -> int:
    """Start a command in a process of its own; returns its id."""
    child = os.fork()
    if child:
        return child
    code = 99
    try:
        os.setpgid(0, 0)
        handle = os.open(said, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600)
        os.dup2(handle, 1)
        os.dup2(handle, 2)
        sys.stdout, sys.stderr = (os.fdopen(number, "w", closefd=False) for number in (1, 2))
        from cli.main import main

        try:
            main(list(command))
        except SystemExit as stop:
            code = stop.code if isinstance(stop.code, int) else 98
        sys.stdout.flush()
    finally:
        os._exit(code)


def _finish(child: int) -> int:
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def run(n: int, seed: int) -> Iterator[Killed]:
    """Kill each command n times."""
    for name in ("LINECALL_LOGBOOK", "LINECALL_PHOTOS", "LINECALL_OPERATOR", "LINECALL_LIBRARY"):
        os.environ.pop(name, None)
    for module in ("cli.library.add", "cli.logbook", "cli.quiz", "cli.read", "cli.review", "reader.draw.annotate",
                   "reader.library.add", "reader.review.record", "reader.read", "simplejpeg"):  # fmt: skip
        import_module(module)  # which each child would do anew
    random_ = random.Random(seed)
    before = Path.cwd()
    try:
        home = (
            "/dev/shm" if os.path.isdir("/dev/shm") else None
        )  # a disk's own waiting would hide the program's
        with tempfile.TemporaryDirectory(prefix="linecall-", dir=home) as folder:
            whole, work, said = (Path(folder, name) for name in ("whole", "work", "said"))
            whole.mkdir()
            every = cases(make_whole(whole))
            usual = {name: max(_timed(whole, work, said, every[name]) for _ in range(3)) for name in every}
            for _ in range(n):
                for name in every:
                    share = random_.uniform(0.4, 1.0) if random_.random() < LATE else random_.random()
                    yield _kill(whole, work, said, name, every[name], usual[name] * share)
    finally:
        os.chdir(before)


def _fresh(whole: Path, work: Path) -> None:
    os.chdir(whole)
    shutil.rmtree(work, ignore_errors=True)
    shutil.copytree(whole, work)
    os.chdir(work)


def _timed(whole: Path, work: Path, said: Path, case: Case) -> float:
    _fresh(whole, work)
    began = time.monotonic()
    status = _finish(start(case.command, said))
    assert status in {0, 3}, (case.command, status, said.read_text())
    return time.monotonic() - began


def _kill(whole: Path, work: Path, said: Path, name: str, case: Case, after: float) -> Killed:
    _fresh(whole, work)
    child = start(case.command, said)
    time.sleep(after)
    os.kill(child, signal.SIGKILL)
    killed = _finish(child) == -signal.SIGKILL
    text = said.read_text() if said.exists() else ""
    problems = case.look(text)
    again = _finish(start(case.command, said))
    if again not in {0, 3} and not _done_already(said.read_text()):
        problems.append(f"run again: status {again}: {said.read_text().strip()[-300:]}")
    problems += case.look("") + case.finished()
    problems += [f"{path.name} is left" for path in work.rglob(".linecall-*.part")]
    return Killed(
        name=name,
        after_s=after,
        acknowledged=bool(text.strip()),
        finished=not killed,
        problems=tuple(problems),
    )


def _done_already(said: str) -> bool:
    """Whether the second run only says that the first had done its work."""
    return "already" in said or "exists and holds something else" in said


def main() -> None:
    """Print what became of the kills, by command."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--n", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    found: dict[str, list[Killed]] = {}
    for one in run(given.n, given.seed):
        found.setdefault(one.name, []).append(one)
        for problem in one.problems:
            print(f"{one.name}, killed after {one.after_s:.3f} s: {problem}", flush=True)
        if sum(map(len, found.values())) % 100 == 0:
            _tell(found)
    _tell(found)


def _tell(found: Mapping[str, Sequence[Killed]]) -> None:
    for name, kills in found.items():
        print(
            f"{name}: {len(kills)} kills, {sum(not one.finished for one in kills)} before its end, "
            f"{sum(one.acknowledged for one in kills)} after it had said something, "
            f"{sum(bool(one.problems) for one in kills)} with a problem",
            flush=True,
        )


if __name__ == "__main__":
    main()
