"""Laptops that come home: `python -m tests.bench.merge --laptops 40 --events 500 --orders 3 --kills 100 --seed 1`.

Each laptop has read plates, reviewed some, corrected some and merged some of the others before. They are merged into
one logbook in random orders, each twice: the same logbook must come of it, every chain must verify, and a forged copy
of one must be refused by its name. Then merges are killed (SIGKILL) at random moments: nothing may be lost or half
taken, and the same command must finish the rest. Last, what a merge costs in time, and in memory against its events.
"""

import argparse
import hashlib
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from reader.errors import LinecallError
from reader.logbook import Logbook, Statement
from reader.logbook.people import add_person
from reader.store.canonical import canonical_json
from reader.words import Call
from tests.reader.logbook.devices import GRADE_OF, KEEPER, begin, bring, everything, place_in, review_in
from tests.reader.logbook.samples import AT, Place, verdict_of

PEOPLE = ("A. Lind", "C. Ito", "D. Okafor", "E. Sand")
REVIEWERS = ("B. Moreau", "F. Weiss")
MERGED_BEFORE = 0.3  # share of laptops that had merged another one before
MEMORY_RATIO = 1.15  # peak of a merge of ten times the events, against that of the few


def fill(place: Place, folder: Path, n: int, number: int, draw: random.Random) -> None:
    """Write about `n` events: readings, a review of every fourth, a correction of every eighth."""
    folder.mkdir(exist_ok=True)
    at = AT + timedelta(hours=draw.uniform(0, 24))
    with closing(place.open()) as book:
        add_person(book, draw.choice(PEOPLE), roles=["technician"], by=KEEPER, at=at)
        for who in REVIEWERS:
            add_person(book, who, roles=["reviewer"], by=KEEPER, at=at)
        written = 4
        while written < n:
            at += timedelta(minutes=draw.uniform(0.2, 9))
            path = folder / f"IMG_{number}_{written}.jpg"
            path.write_bytes(f"{number} {written}".encode())
            call: Call = draw.choice(["present", "absent", "doubtful"])
            verdict = verdict_of(path, (call, "present"), grade=GRADE_OF[call])
            said = Statement.of(
                operator=draw.choice(PEOPLE), tank=f"T{draw.randrange(40)}", sample_point="sump"
            )
            id = book.add_reading(verdict, [path], said, at=at)
            path.unlink()
            written += 1
            if written % 4 == 0 and written < n:
                review(book, id, draw, at + timedelta(minutes=1))
                written += 1
            if written % 8 == 0 and written < n:
                book.correct(id, "tank", f"T{40 + draw.randrange(9)}", by=KEEPER, reason="typed", at=at)
                written += 1


def review(book: Logbook, id: str, draw: random.Random, at: datetime) -> None:
    """A review of a reading by some reviewer, with some call."""
    review_in(book, id, draw.choice(["present", "absent"]), by=draw.choice(REVIEWERS), at=at)


def make_laptops(folder: Path, n: int, n_events: int, draw: random.Random) -> list[Place]:
    """Laptops that have worked, and some that had merged one another and then went on with its readings, too."""
    laptops = []
    for number in range(n):
        place = begin(place_in(folder, f"laptop{number:02}"))
        fill(place, folder / "camera", n_events, number, draw)
        laptops.append(place)
    for day, place in enumerate(draw.sample(laptops, round(MERGED_BEFORE * n)), 20):
        other = draw.choice([one for one in laptops if one is not place])
        bring(place, other, at=AT + timedelta(days=day))
        with closing(other.open(read_only=True)) as book:
            known = [row.id for row in book.readings(limit=1000)]
        chosen = draw.sample(known, min(5, len(known)))
        for writer in (place, other):
            with closing(writer.open()) as book:
                for id in chosen:
                    review(book, id, draw, AT + timedelta(days=day, minutes=draw.uniform(1, 600)))
    return laptops


def make_home(folder: Path) -> Place:
    """A home logbook in which the reviewers are known, with one reading."""
    return begin(place_in(folder, "home"), *((who, "reviewer") for who in REVIEWERS))


def copy_of(place: Place, folder: Path, name: str) -> Place:
    """A copy of a logbook and its photos."""
    copy = place_in(folder, name)
    shutil.copyfile(place.where, copy.where)
    if Path(place.photos).exists():
        shutil.copytree(place.photos, copy.photos)
    return copy


def forged(place: Place, folder: Path) -> Place:
    """A logbook that holds in itself: another one's, with a tank changed in one event and the hashes made anew."""
    fake, events, previous = Place(where=str(folder / "forged.db"), photos=place.photos), [], "0" * 64
    with closing(place.open(read_only=True)) as book:
        for seq, _, body in book.bodies():
            event = json.loads(body)
            if event["kind"] == "merge":
                break
            if event["kind"] == "reading" and seq > 5:
                event["payload"]["statement"]["tank"] = "T66"
            changed = canonical_json(event | {"previous": previous})
            previous = hashlib.sha256(changed).hexdigest()
            events.append((previous, changed.decode()))
    with closing(fake.open()) as book:
        book.take_over(events)
    return fake


def orders(folder: Path, laptops: Sequence[Place], n: int, draw: random.Random) -> Iterator[str]:
    """Merge in random orders, each laptop twice; yields what is wrong."""
    first = make_home(folder)
    wanted: dict[str, Any] | None = None
    for number in range(n):
        home = copy_of(first, folder, f"order{number}")
        order = [*laptops, *laptops]
        draw.shuffle(order)
        began = time.monotonic()
        for laptop in order:
            bring(home, laptop, at=AT + timedelta(days=90))
        took = time.monotonic() - began
        with closing(home.open(read_only=True)) as book:
            report = book.verify()
            apart = book.count_apart()
        print(
            f"    order {number + 1}: {len(order)} merges in {took:.0f} s; {report.events} events in {report.chains} "
            f"chains, {report.readings} readings, {apart} decided apart",
            flush=True,
        )
        if not report.good or report.chains != len(laptops) + 1:
            yield f"order {number + 1}: {report.problem}, {report.chains} chains"
        found = everything(home)
        wanted = wanted or found
        for what in wanted:
            if wanted[what] != found[what]:
                yield f"order {number + 1} gives other {what} than order 1"
        if number == 0:
            yield from _refused(home, laptops[0], folder)
            with closing(home.open()) as book:
                book.rebuild()
            if everything(home) != wanted:
                yield "making the lists anew gives others"


def _refused(home: Place, laptop: Place, folder: Path) -> Iterator[str]:
    fake = forged(laptop, folder)
    with closing(laptop.open(read_only=True)) as book:
        head = book.own_head()
    assert head is not None
    try:
        bring(home, fake)
    except LinecallError as error:
        if head.id[:8] not in str(error) or "differs from event" not in str(error):
            yield f"the forged one was refused otherwise: {error}"
    else:
        yield "a forged chain was taken"


def kills(folder: Path, laptops: Sequence[Place], n: int, draw: random.Random) -> Iterator[str]:
    """Kill merges; yields what is wrong."""
    home = make_home(folder / "kills")
    began = time.monotonic()
    bring(copy_of(home, folder / "kills", "timed"), laptops[0], at=AT + timedelta(days=90))
    usual = time.monotonic() - began
    n_killed = n_taken = 0
    work = home
    for number in range(n):
        if number % len(laptops) == 0:
            work = copy_of(home, folder / "kills", f"work{number}")
        laptop = laptops[number % len(laptops)]
        child = os.fork()
        if not child:
            code = 1
            try:
                sys.stdout = sys.stderr = open(os.devnull, "w")  # noqa: SIM115
                bring(work, laptop, at=AT + timedelta(days=90))
                code = 0
            finally:
                os._exit(code)
        time.sleep(draw.uniform(0.05, 1.1) * usual)
        os.kill(child, signal.SIGKILL)
        n_killed += os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == -signal.SIGKILL
        with closing(laptop.open(read_only=True)) as book:
            wanted = [book.own_head(), *book.heads()]
        with closing(work.open(read_only=True)) as book:
            report = book.verify()
            held = {head.id: head.seq for head in book.heads()}
        if not report.good:
            yield f"kill {number + 1}: {report.problem}"
        n_taken += any(head is not None and head.id in held for head in wanted)
        bring(work, laptop, at=AT + timedelta(days=90))
        with closing(work.open(read_only=True)) as book:
            held_now = {head.id: (head.seq, head.hash) for head in book.heads()}
            report = book.verify()
        own = wanted[0]
        if not report.good or own is None or held_now.get(own.id) != (own.seq, own.hash):
            yield f"kill {number + 1}: run again: {report.problem}, {held_now}"
        if any(head is not None and held_now[head.id][0] < head.seq for head in wanted):
            yield f"kill {number + 1}: run again: a chain lacks events"
    print(f"    {n} kills, {n_killed} before the end, {n_taken} where all was taken by then", flush=True)


def memory(folder: Path, n_events: int, draw: random.Random) -> Iterator[str]:
    """What a merge takes, of some events and of ten times as many."""
    peaks = []
    for n in (n_events, 10 * n_events):
        home, laptop = (begin(place_in(folder, f"{name}{n}")) for name in ("memory", "many"))
        fill(laptop, folder / "camera", n, n, draw)
        read, write = os.pipe()
        child = os.fork()
        if not child:
            import resource

            bring(home, laptop, at=AT + timedelta(days=60))
            os.write(write, str(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss).encode())
            os._exit(0)
        began = time.monotonic()
        os.waitpid(child, 0)
        peaks.append(int(os.read(read, 100)))
        print(
            f"    merging {n} events: {time.monotonic() - began:.1f} s, {peaks[-1] / 1024:.0f} MB", flush=True
        )
    if peaks[1] > MEMORY_RATIO * peaks[0]:
        yield f"memory grows with the events: {peaks[1] / peaks[0]:.2f} times"


def run(
    folder: Path, *, n_laptops: int, n_events: int, n_orders: int, n_kills: int, seed: int
) -> Iterator[str]:
    """All but memory, which a test cannot tell beside its own; yields what is wrong."""
    draw = random.Random(seed)
    (folder / "kills").mkdir()
    laptops = make_laptops(folder, n_laptops, n_events, draw)
    yield from orders(folder, laptops, n_orders, draw)
    yield from kills(folder, laptops, n_kills, draw)


def main() -> int:
    """Print what was found; exit status 1 if anything was wrong."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--laptops", type=int, default=40)
    parser.add_argument("--events", type=int, default=500)
    parser.add_argument("--orders", type=int, default=3)
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    home = "/dev/shm" if os.path.isdir("/dev/shm") else None  # a disk's own waiting would hide the program's
    wrong = []
    with tempfile.TemporaryDirectory(prefix="linecall-", dir=home) as name:
        folder = Path(name)
        draw = random.Random(given.seed)
        found = run(
            folder,
            n_laptops=given.laptops,
            n_events=given.events,
            n_orders=given.orders,
            n_kills=given.kills,
            seed=given.seed,
        )
        for problems in (found, memory(folder, given.events, draw)):
            for problem in problems:
                print(f"NOT   {problem}", flush=True)
                wrong.append(problem)
    print("good  nothing lost, nothing invented" if not wrong else f"{len(wrong)} problems")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
