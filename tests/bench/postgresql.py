"""Many writers at one logbook on a PostgreSQL server that goes away: nothing told is lost, nothing is there twice.

    python -m tests.bench.postgresql --writers 10 --seconds 60 --restart-every 20

A server of its own is started. Each writer is a process that adds readings, reviews and runs as fast as it can; every
second the server ends one of their connections, and now and then it is stopped as by a power cut and started again.
Every entry has a number of its own, so that what was told, what was refused and what is there can be held together.
"""

import argparse
import os
import random
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from sqlalchemy import create_engine, text
from sqlalchemy.exc import SQLAlchemyError

from reader.errors import OutputError, UnsettledError
from reader.logbook.run_events import RUN
from tests.reader.logbook.samples import AT, Place, add
from tests.reader.logbook.test_runs import begun, stepped

ROOT = Path(__file__).parents[2]
SCRIPT = ROOT / "tests/reader/logbook/postgresql.sh"
STEP = 1_000_000  # numbers of one writer's entries
LOOK = "look whether"  # in what is said where an entry may be there


@dataclass(frozen=True, kw_only=True, slots=True)
class Found:
    """What became of all entries, by their numbers; `wrong` are sentences about what must not be."""

    told: int
    refused: int
    unsettled: int
    seconds: float
    wrong: tuple[str, ...]
    why: Counter[str]


@contextmanager
def server(folder: Path) -> Iterator[str]:
    """A server of one's own; its URL."""
    url = start(folder)
    try:
        yield url
    finally:
        subprocess.run(["bash", SCRIPT, "stop", folder, "immediate"], capture_output=True, check=False)


def start(folder: Path) -> str:
    """Start the server, or start it again."""
    done = subprocess.run(
        ["bash", SCRIPT, "start", folder], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    return done.stdout.strip()


def hammer(
    folder: Path,
    *,
    writers: int,
    seconds: float,
    kill_every: float | None,
    restart_every: float | None,
    seed: int = 1,
) -> Found:
    """Let writers write at a server in a folder, and see what is there in the end."""
    with server(folder / "server") as url:
        place = Place(where=url, photos=str(folder / "photos"))
        place.open().close()
        files = [folder / f"said-{k}" for k in range(writers)]
        running = [_writer(place, folder / f"{k}", k, file) for k, file in enumerate(files)]
        while not all(file.stat().st_size for file in files):
            time.sleep(0.1)
        began = time.monotonic()
        (folder / "until.part").write_text(str(time.time() + seconds))
        (folder / "until.part").rename(folder / "until")
        _disturb(folder / "server", url, running, kill_every, restart_every, random.Random(seed))
        for writer in running:
            assert writer.wait(120) == 0
        return _look(place, files, time.monotonic() - began)


def _writer(place: Place, folder: Path, k: int, file: Path) -> "subprocess.Popen[bytes]":
    folder.mkdir()
    words = [place.where, place.photos, str(folder), str(k)]
    with file.open("wb") as out:
        return subprocess.Popen(
            [sys.executable, "-m", "tests.bench.postgresql", "write", *words],
            cwd=ROOT, env=os.environ | {"PYTHONPATH": str(ROOT)}, stdout=out,
        )  # fmt: skip


def _disturb(
    folder: Path,
    url: str,
    running: Sequence["subprocess.Popen[bytes]"],
    kill_every: float | None,
    restart_every: float | None,
    draw: random.Random,
) -> None:
    engine = create_engine(url.replace("postgresql://", "postgresql+psycopg://"), pool_pre_ping=True)
    restarted = time.monotonic()
    while any(writer.poll() is None for writer in running):
        time.sleep(min(kill_every or 1.0, 1.0))
        if restart_every is not None and time.monotonic() - restarted > restart_every:
            subprocess.run(["bash", SCRIPT, "stop", folder, "immediate"], capture_output=True, check=False)
            start(folder)
            restarted = time.monotonic()
        elif kill_every is not None:
            with suppress(SQLAlchemyError), engine.begin() as connection:
                others = "pid <> pg_backend_pid() AND backend_type = 'client backend'"
                found = connection.scalars(text(f"SELECT pid FROM pg_stat_activity WHERE {others}")).all()
                if found:
                    connection.execute(text("SELECT pg_terminate_backend(:pid)"), {"pid": draw.choice(found)})
    engine.dispose()


def _look(place: Place, files: Sequence[Path], seconds: float) -> Found:
    said: dict[str, set[int]] = {"told": set(), "refused": set(), "perhaps": set()}
    why: Counter[str] = Counter()
    for file in files:
        for line in file.read_text().splitlines():
            word, said_of, reason = line.split(" ", 2)
            if word == "ready":
                continue
            said[word].add(int(said_of))
            why[reason] += bool(reason)
    with place.open(must_exist=True) as book:
        report = book.verify()
        there = Counter(n for event in book.events() if (n := _number(event.kind, event.payload)))
    wrong = [] if report.good else [f"the chain does not hold: {report.problem}"]
    wrong += [f"entry {n} was told and is lost" for n in sorted(said["told"] - set(there))]
    wrong += [f"entry {n} was refused and is there" for n in sorted(said["refused"] & set(there))]
    wrong += [f"entry {twice} is there {there[twice]} times" for twice in there if there[twice] > 1]
    wrong += [
        f"entry {n} is there and nobody was told" for n in sorted(set(there) - set().union(*said.values()))
    ]
    return Found(
        told=len(said["told"]),
        refused=len(said["refused"]),
        unsettled=len(said["perhaps"]),
        seconds=seconds,
        wrong=tuple(wrong),
        why=why,
    )


def _number(kind: str, payload: dict[str, object]) -> int:
    """The number of the entry that an event begins; 0 for one that goes on with it."""
    if kind == "reading":
        return int(str(payload["statement"]["tank"]).removeprefix("T"))  # type: ignore[index]
    if kind == "review":
        return int(str(payload["n"]))
    return int(str(payload["point"]).removeprefix("P")) if kind == RUN else 0


# --- a writer ---------------------------------------------------------------------------------------------------------


def write(where: str, photos: str, folder: str, k: int) -> None:
    """Write from when all are ready; prints a line for each entry, once it is known what became of it."""
    draw, last = random.Random(k), None
    with Place(where=where, photos=photos).open() as book:
        print("ready 0 ", flush=True)
        while not Path(folder, "..", "until").exists():
            time.sleep(0.05)
        until = float(Path(folder, "..", "until").read_text())
        for number in range(STEP * (k + 1), STEP * (k + 2)):
            if time.time() > until:
                break
            kind = draw.choice(("reading", "reading", "review", "run"))
            try:
                if kind == "run":
                    book.begin_run(begun(f"P{number}"), [stepped("drops")], by="A. Technician", at=AT)
                elif kind == "review" and last is not None:
                    book.append(
                        "review", {"waiting": False, "n": number}, by="B. Reviewer", reading=last, at=AT
                    )
                else:
                    last = add(book, Path(folder), number)
                print("told", number, "", flush=True)
            except OutputError as error:
                perhaps = isinstance(error, UnsettledError) or LOOK in str(error)
                print(
                    "perhaps" if perhaps else "refused",
                    number,
                    str(error).partition(": ")[2][:90],
                    flush=True,
                )


def main() -> int:
    """Run it as the command line says."""
    if sys.argv[1:2] == ["write"]:
        where, photos, folder, k = sys.argv[2:]
        write(where, photos, folder, int(k))
        return 0
    parser = argparse.ArgumentParser()
    parser.add_argument("--writers", type=int, default=10)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--kill-every", type=float, default=1.0)
    parser.add_argument("--restart-every", type=float, default=20.0)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    wrong: list[str] = []
    for name, kill, restart in (
        ("undisturbed", None, None),
        ("disturbed", given.kill_every, given.restart_every),
    ):
        with TemporaryDirectory(prefix="linecall-") as place:
            os.chmod(place, 0o755)  # the server is another user
            found = hammer(
                Path(place), writers=given.writers, seconds=given.seconds, kill_every=kill, restart_every=restart,
                seed=given.seed,
            )  # fmt: skip
        print(
            f"{name}: {given.writers} writers, {found.told} entries told in {found.seconds:.0f} s "
            f"({found.told / found.seconds:.0f}/s), {found.refused} refused, {found.unsettled} perhaps, "
            f"{len(found.wrong)} wrong"
        )
        for reason, times in found.why.most_common(6):
            print(f"  {times} x {reason}")
        print("\n".join(found.wrong[:20]))
        wrong += found.wrong
    return bool(wrong)


if __name__ == "__main__":
    sys.exit(main())
