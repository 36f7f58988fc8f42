"""What the logbook costs: `python -m tests.bench.logbook` from the repository's top.

Two logbooks in SQLite, of 1,000 and of 100,000 readings of plates with six windows; one in ten was reviewed. Times
are medians over interleaved repeats, so that a busy machine slows both sides of a ratio. Photos are small here, as
events are what is counted; how fast photos are hashed beside them is printed, too. Needs 1.5 GB of disk for a while.
"""

import hashlib
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from time import perf_counter
from typing import Any

from sqlalchemy import insert

from fixtures.verdicts import example_verdict
from reader.logbook import Logbook, Statement
from reader.logbook.events import GENESIS
from reader.logbook.summary import first_row, next_row, summarise
from reader.logbook.tables import events, readings
from reader.store.canonical import canonical_json
from reader.verdict.model import Verdict
from reader.words import Call
from reader.words.ids import new_id
from tests.bench.reading import LAUNCHER, MEGABYTE, interleaved, make_photos

FEW, MANY = 1_000, 100_000
N_PHOTOS = 1_000
PHOTO_BYTES = 4_000
BEGIN = datetime(2026, 1, 5, 8, 0, tzinfo=UTC)
REVIEWED = 10  # one in so many
CHUNK = 1_000  # rows a statement

BARS: Mapping[str, tuple[str, float]] = {
    "linecall logbook list, 100,000 / 1,000 readings": ("at most", 1.3),
    "linecall review list, 100,000 / 1,000 readings": ("at most", 1.3),
    "the rows of logbook list, 100,000 / 1,000 readings": ("at most", 1.3),
    "the rows of review list, 100,000 / 1,000 readings": ("at most", 1.3),
    "verify, events a second": ("at least", 20_000),
    "verify, peak memory, 100,000 / 1,000 readings": ("at most", 1.1),
    "adding a reading / the reading": ("at most", 0.1),
}

VERIFY = """
import sys, time
from reader.logbook import Logbook
with Logbook.open(sys.argv[1], read_only=True) as logbook:
    start = time.perf_counter()
    report = logbook.verify(photos=sys.argv[2] == "photos")
    assert report.good, report
    print(report.events / (time.perf_counter() - start))
"""


def varieties(photos: list[str]) -> Iterator[Verdict]:
    """Verdicts such as a year brings: mostly clear, some doubtful."""
    plates: tuple[tuple[tuple[Call, ...], dict[str, Any]], ...] = (
        (("present",) * 6, {}),
        (("present", "absent") * 3, {"grade": "heavy"}),
        (("present",) * 5 + ("doubtful",), {"grade": "undecided"}),
        (("absent", "present") * 3, {"grade": "heavy"}),
    )
    for calls, grade in plates:
        yield example_verdict(calls, **grade)


def fill(where: Path, n: int) -> None:
    """Write `n` readings and their reviews as `Logbook` would, but many in one transaction."""
    with Logbook.open(where) as logbook:
        photos = [os.urandom(PHOTO_BYTES) for _ in range(N_PHOTOS)]
        digests = [hashlib.sha256(photo).hexdigest() for photo in photos]
        for photo, digest in zip(photos, digests, strict=True):
            logbook._photos.put(digest, photo)
        with logbook._database.writing() as connection:
            pending: list[tuple[dict[str, Any], dict[str, Any]]] = []
            for number, pair in enumerate(_history(n, digests)):
                pending.append(pair)
                if len(pending) == CHUNK or number == n - 1:
                    connection.execute(insert(events), [row for made, _ in pending for row in made["events"]])
                    connection.execute(insert(readings), [row for _, row in pending])
                    pending.clear()


def _history(n: int, photos: list[str]) -> Iterator[tuple[dict[str, Any], dict[str, Any]]]:
    """Each reading's event and, now and then, its review, chained; with the row that lists show."""
    kinds = [
        (canonical_json(verdict.model_dump(mode="json")).decode(), summarise(verdict))
        for verdict in varieties(photos)
    ]
    clear = kinds[0]
    seq, previous = 0, GENESIS
    for number in range(n):
        made = []
        id, at = new_id(), (BEGIN + timedelta(minutes=5 * number)).isoformat(timespec="seconds")
        text, summary = kinds[number // 7 % len(kinds) if number % 7 == 0 else 0]
        payload: dict[str, Any] = {
            "photos": [{"name": f"IMG_{number:06}.jpg", "sha256": photos[number % len(photos)]}],
            "statement": {"operator": f"Operator {number % 7}", "tank": f"T{number % 40}"},
            "summary": summary,
        }
        steps = [("reading", id, payload, text)]
        if number % REVIEWED == 0:
            review = {"reason": "clear by the profile", "summary": clear[1], "waiting": False}
            steps.append(("review", new_id(), review, clear[0]))
        row: dict[str, Any] = {}
        for kind, event_id, inside, verdict in steps:
            seq += 1
            envelope = {
                "at": at, "by": "Reviewer", "id": event_id, "kind": kind, "payload": inside | {"verdict": 0},
                "previous": previous, "reading": id, "seq": seq,
            }  # fmt: skip
            body = canonical_json(envelope).decode().replace('"verdict":0', f'"verdict":{verdict}', 1)
            previous = hashlib.sha256(body.encode()).hexdigest()
            made.append({"seq": seq, "id": event_id, "reading": id, "hash": previous, "body": body})
            row = (
                first_row(seq=seq, id=id, at=at, payload=inside)
                if kind == "reading"
                else next_row(row, seq=seq, kind=kind, payload=inside)
            )
        yield {"events": made}, row


def lists(few: Path, many: Path, repeats: int) -> dict[str, float]:
    """Ratios of what lists take, as commands and as queries."""

    def command(where: Path, *words: str) -> Callable[[], object]:
        line = [sys.executable, "-c", "from cli.main import main; main()", *words, "--logbook", str(where)]
        return lambda: subprocess.run(line, check=True, stdout=subprocess.DEVNULL)

    now = BEGIN + timedelta(days=400)
    with Logbook.open(few, read_only=True) as small, Logbook.open(many, read_only=True) as large:
        ratios = {}
        tasks: dict[str, Callable[[Logbook], object]] = {
            "the rows of logbook list": lambda book: book.readings(limit=20),
            "the rows of review list": lambda book: book.waiting(now=now, limit=20),
        }
        for name, task in tasks.items():
            times = interleaved({"few": partial(task, small), "many": partial(task, large)}, 20 * repeats)
            ratios[f"{name}, 100,000 / 1,000 readings"] = times["many"] / times["few"]
        for book, name in ((small, "1,000"), (large, "100,000")):
            start = perf_counter()
            count = book.waiting_count().count
            print(
                f"    counting what waits, {name} readings: {count} in {1e3 * (perf_counter() - start):.1f} ms"
            )
    for words in (("logbook", "list"), ("review", "list")):
        times = interleaved({"few": command(few, *words), "many": command(many, *words)}, repeats)
        ratios[f"linecall {' '.join(words)}, 100,000 / 1,000 readings"] = times["many"] / times["few"]
    return ratios


def verify(few: Path, many: Path) -> dict[str, float]:
    """Rate of a whole check, the fastest of three, and its peak memory against that of the small logbook."""
    python = [sys.executable, "-c"]
    peaks, rates = {}, {}
    for name, where in (("few", few), ("many", many)):
        line = [*python, LAUNCHER, *python, VERIFY, str(where), "none"]
        run = subprocess.run(line, check=True, capture_output=True, text=True)
        _, peaks[name], status = json.loads(run.stdout)
        assert status == 0, run.stderr
    for photos in ("none", "photos"):
        line = [*python, VERIFY, str(many), photos]
        runs = [subprocess.run(line, check=True, capture_output=True) for _ in range(3)]
        rates[photos] = max(float(run.stdout) for run in runs)
    print(
        f"    verify with a photo of {PHOTO_BYTES} bytes at each reading: {rates['photos']:,.0f} events a second"
    )
    print(f"    verify, peak memory: {peaks['many'] / MEGABYTE:.0f} MB")
    return {
        "verify, events a second": rates["none"],
        "verify, peak memory, 100,000 / 1,000 readings": peaks["many"] / peaks["few"],
    }


def adding(folder: Path, where: Path, repeats: int) -> dict[str, float]:
    """What logging adds to a reading of 12 megapixels, in a logbook that is full already."""
    from reader.read import read_photo

    path, _ = make_photos(folder)
    verdict = read_photo(path)
    assert verdict.status == "read", verdict
    with Logbook.open(where) as logbook:
        statement = Statement(operator="A. Technician", tank="T7")

        def add() -> None:
            path.write_bytes(
                path.read_bytes() + b"\0"
            )  # another photo each time, as JPEG readers do not mind
            digest = hashlib.sha256(path.read_bytes()).hexdigest()
            photo = verdict.photo.model_copy(update={"sha256": digest})
            start = perf_counter()
            logbook.add_reading(
                verdict.model_copy(update={"photo": photo}), [path], statement, at=datetime.now(UTC)
            )
            spent.append(perf_counter() - start)

        spent: list[float] = []
        times = interleaved({"read": lambda: read_photo(path), "add": add}, repeats)
        cost = sorted(spent)[len(spent) // 2]
    print(f"    reading {times['read'] * 1e3:.0f} ms, adding it {cost * 1e3:.1f} ms")
    line = [
        sys.executable,
        "-c",
        "from cli.main import main; main()",
        "read",
        str(path),
        "--out",
        str(folder / "out"),
    ]
    kept = [*line, "--logbook", str(where), "--operator", "A"]
    quiet: dict[str, Any] = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    cold = interleaved(
        {"plain": lambda: subprocess.run(line, **quiet), "kept": lambda: subprocess.run(kept, **quiet)}, 5
    )
    print(
        f"    the whole command, cold: {cold['plain'] * 1e3:.0f} ms, with --logbook {cold['kept'] * 1e3:.0f} ms"
    )
    return {"adding a reading / the reading": cost / times["read"]}


def main() -> int:
    """Measure all, print each beside its bar; exit status 1 if one is not kept."""
    with tempfile.TemporaryDirectory() as folder:
        few, many = (Path(folder) / f"{n}.db" for n in (FEW, MANY))
        for where, n in ((few, FEW), (many, MANY)):
            start = perf_counter()
            fill(where, n)
            size = where.stat().st_size / MEGABYTE
            print(f"    {n:,} readings written in {perf_counter() - start:.0f} s, {size:.0f} MB")
        found = verify(few, many) | lists(few, many, 15) | adding(Path(folder), many, 7)
    kept = True
    for name, (bound, bar) in BARS.items():
        good = found[name] <= bar if bound == "at most" else found[name] >= bar
        kept &= good
        print(f"{'good' if good else 'NOT '}  {name}: {found[name]:,.2f}, {bound} {bar:,}")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
