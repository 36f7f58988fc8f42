"""What a point's history and a site's report cost, and what the rule for "worse than usual" promises.

`python -m tests.bench.history` from the repository's top. Logbooks in SQLite: 200 points with ten years of weekly
readings (104,000) of plates with six windows, one in ten reviewed; and one of 1,040 readings, of two points with as
many readings each, so that what a point costs is held against the same point in a small logbook. `--rule` runs the
seeded simulation of the rule alone. Needs 3 GB of disk for a while; `--keep FOLDER` leaves the logbooks there.
"""

import argparse
import hashlib
import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from datetime import date, datetime, timedelta, timezone
from pathlib import Path
from time import process_time
from typing import Any

import numpy as np
from sqlalchemy import insert

from fixtures.verdicts import example_verdict
from reader.logbook import Logbook
from reader.logbook.events import GENESIS
from reader.logbook.summary import first_row, next_row, summarise
from reader.logbook.tables import events, readings
from reader.round.history.months import site_months
from reader.round.history.page import history_page, months_page
from reader.round.history.point import find_place, point_history
from reader.round.history.usual import LEVEL, ORDER, PAST_MOST, RECENT, Occasion, judge
from reader.round.report.page import report_page
from reader.round.report.period import period_report
from reader.round.report.value import Report
from reader.store.canonical import canonical_json
from reader.words import Call, Grade
from reader.words.ids import new_id
from tests.bench.reading import LAUNCHER, MEGABYTE, interleaved

POINTS, WEEKS = 200, 520
FEW_POINTS = 2
N_PHOTOS = 500
PHOTO_BYTES = 2_000
ZONE = timezone(timedelta(hours=1))
BEGIN = datetime(2016, 1, 4, 8, 0, tzinfo=ZONE)
LAST_YEAR = BEGIN.replace(hour=0) + timedelta(weeks=WEEKS - 52)
REVIEWED = 10  # one in so many
CHUNK = 1_000  # rows a statement
CAPTURED = "2026-05-04T09:08:07+02:00"  # as the example verdict says; each reading gets its own
DROPS = "2026-05-04T08:46:37+02:00"

BARS: Mapping[str, tuple[str, float]] = {
    "a point's history, seconds": ("at most", 0.5),
    "a point's history, 104,000 / 1,040 readings": ("at most", 1.5),
    "linecall history POINT, cold, 104,000 / 1,040 readings": ("at most", 1.5),
    "all points by month, ten years, seconds": ("at most", 1.0),
    "a year's report as PDF, seconds": ("at most", 10),
    "a year's report as a page, seconds": ("at most", 10),
    "linecall report of a year, both, peak memory, MB": ("at most", 300),
    "linecall history POINT, peak memory, MB": ("at most", 300),
}

KINDS: Sequence[tuple[float, Sequence[Call], Grade]] = (
    (0.88, ("present",) * 6, "negligible"),
    (0.07, ("present",) * 4 + ("absent", "present"), "moderate"),
    (0.03, ("absent", "absent", "present", "present", "present", "present"), "heavy"),
    (0.02, ("present",) * 5 + ("doubtful",), "undecided"),
)


STEADY: Mapping[str, tuple[float, float, float]] = {  # chances of negligible, moderate, heavy; invented
    "clean": (0.97, 0.025, 0.005),
    "usual": (0.88, 0.09, 0.03),
    "bad": (0.50, 0.30, 0.20),
    "even": (1 / 3, 1 / 3, 1 / 3),
}
WORSE: Mapping[str, tuple[float, float, float]] = {
    "clean": (0.60, 0.30, 0.10),
    "usual": (0.40, 0.35, 0.25),
    "bad": (0.10, 0.30, 0.60),
    "even": (0.05, 0.20, 0.75),
}


def _occasions(grades: Sequence[int]) -> list[Occasion]:
    first = date(2025, 1, 6)
    return [
        Occasion(day=first + timedelta(weeks=week), mildest=ORDER[grade], worst=ORDER[grade])
        for week, grade in enumerate(grades)
    ]


def _is_worse(grades: Sequence[int]) -> bool:
    return judge(_occasions(grades)).state == "worse"


def looks(chances: Sequence[float], *, n: int, seed: int, past: int = PAST_MOST) -> int:
    """In how many of `n` independent looks a steady point is called worse than usual."""
    rng = np.random.default_rng(seed)
    drawn = rng.choice(len(ORDER), size=(n, past + RECENT), p=np.asarray(chances) / sum(chances))
    return sum(map(_is_worse, drawn.tolist()))


def alarm_within_a_year(rng: np.random.Generator, chances: Sequence[float]) -> bool:
    """Whether a steady point with a year behind it is called worse in any week of the next."""
    drawn = rng.choice(
        len(ORDER), size=PAST_MOST + RECENT + 52, p=np.asarray(chances) / sum(chances)
    ).tolist()
    return any(_is_worse(drawn[:end]) for end in range(PAST_MOST + RECENT + 1, len(drawn) + 1))


def first_alarm(
    rng: np.random.Generator, before: Sequence[float], after: Sequence[float], weeks: int = 26
) -> int | None:
    """In which week after a point has changed it is called worse than usual; None: not within so many."""
    steady = rng.choice(len(ORDER), size=PAST_MOST + RECENT, p=before).tolist()
    changed = rng.choice(len(ORDER), size=weeks, p=after).tolist()
    return next(
        (week for week in range(1, weeks + 1) if _is_worse(steady + changed[:week])),
        None,
    )


def rule(n: int = 2_000) -> bool:
    """Print false-alarm rates and power; whether steady points are called worse no more often than LEVEL."""
    kept = True
    for name, chances in STEADY.items():
        for past in (12, 26, 52):
            share = looks(chances, n=10 * n, seed=1, past=past) / (10 * n)
            kept &= share <= LEVEL + 3.1 * (LEVEL / (10 * n)) ** 0.5
            print(f"    steady, {name:<6} {past} occasions before: worse on {share:.2%} of looks")
        rng = np.random.default_rng(2)
        year = sum(alarm_within_a_year(rng, chances) for _ in range(n // 4)) / (n // 4)
        weeks = [first_alarm(rng, chances, WORSE[name]) for _ in range(n // 4)]
        within = {
            most: sum(week is not None and week <= most for week in weeks) / len(weeks)
            for most in (4, 8, 13, 26)
        }
        found = ", ".join(f"{share:.0%} within {most}" for most, share in within.items())
        print(f"    {name}: within a year {year:.1%}; found in weeks: {found}")
    print(f"{'good' if kept else 'NOT '}  false alarms on a look: at most {LEVEL:.2%}")
    return kept


def fill(where: Path, points: int) -> None:
    """Write each point's readings and reviews, week by week, as `Logbook` would, but many in one transaction."""
    rng = np.random.default_rng(7)
    with Logbook.open(where) as logbook:
        photos = [rng.bytes(PHOTO_BYTES) for _ in range(N_PHOTOS)]
        digests = [hashlib.sha256(photo).hexdigest() for photo in photos]
        for photo, digest in zip(photos, digests, strict=True):
            logbook._photos.put(digest, photo)
        with logbook._database.writing() as connection:
            pending: list[tuple[list[dict[str, Any]], dict[str, Any]]] = []
            for number, pair in enumerate(_entries(points, digests, rng)):
                pending.append(pair)
                if len(pending) == CHUNK or number == points * WEEKS - 1:
                    connection.execute(insert(events), [row for made, _ in pending for row in made])
                    connection.execute(insert(readings), [row for _, row in pending])
                    pending.clear()


def _entries(
    points: int, photos: list[str], rng: np.random.Generator
) -> Iterator[tuple[list[dict[str, Any]], dict[str, Any]]]:
    kinds = []
    for _, calls, grade in KINDS:
        verdict = example_verdict(calls, grade=grade)
        kinds.append((canonical_json(verdict.model_dump(mode="json")).decode(), summarise(verdict)))
    seq, previous = 0, GENESIS
    for number in range(points * WEEKS):
        week, point = divmod(number, points)
        drops = BEGIN + timedelta(weeks=week, minutes=2 * point)
        id, at = new_id(), (drops + timedelta(minutes=23)).isoformat(timespec="seconds")
        text, summary = kinds[rng.choice(len(kinds), p=[chance for chance, _, _ in KINDS])]
        captured = (drops + timedelta(minutes=21)).isoformat(timespec="seconds")
        text = text.replace(CAPTURED, captured).replace(DROPS, drops.isoformat(timespec="seconds"))
        payload: dict[str, Any] = {
            "photos": [{"name": f"IMG_{number:06}.jpg", "sha256": photos[number % len(photos)]}],
            "statement": {
                "operator": f"Operator {number % 7}",
                "tank": f"T{point // 2}",
                "sample_point": f"P{point}",
            },
            "summary": summary,
        }
        steps = [("reading", id, payload)]
        if number % REVIEWED == 0:
            steps.append(("review", new_id(), {"reason": "clear", "summary": summary, "waiting": False}))
        made: list[dict[str, Any]] = []
        row: dict[str, Any] = {}
        for kind, event_id, inside in steps:
            seq += 1
            envelope = {
                "at": at, "by": "Reviewer", "id": event_id, "kind": kind, "payload": inside | {"verdict": 0},
                "previous": previous, "reading": id, "seq": seq,
            }  # fmt: skip
            body = canonical_json(envelope).decode().replace('"verdict":0', f'"verdict":{text}', 1)
            previous = hashlib.sha256(body.encode()).hexdigest()
            made.append({"seq": seq, "id": event_id, "reading": id, "hash": previous, "body": body})
            row = (
                first_row(seq=seq, id=id, at=at, payload=inside)
                if kind == "reading"
                else next_row(row, seq=seq, kind=kind, payload=inside)
            )
        yield made, row


def costs(few: Path, many: Path, folder: Path, repeats: int) -> dict[str, float]:
    """What a point's history and a year's report take: times are medians of what the processor was busy for.

    The machine may be shared, and nothing here waits for anything but the disk.
    """

    def point(book: Logbook) -> Callable[[], object]:
        return lambda: history_page(point_history(book, find_place(book, "P1")), made_at=BEGIN)

    def command(where: Path, *words: str) -> list[str]:
        start = [sys.executable, "-c", "from cli.main import main; main()"]
        return [*start, *words, "--logbook", str(where)]

    from reader.round.report.pdf import report_pdf

    with Logbook.open(few, read_only=True) as small, Logbook.open(many, read_only=True) as large:
        times = busy({"few": point(small), "many": point(large)}, 5 * repeats)
        months = busy({"months": lambda: months_page(site_months(large), made_at=BEGIN)}, repeats)["months"]

        def gathered() -> Report:
            return period_report(large, since=LAST_YEAR, until=LAST_YEAR + timedelta(weeks=52), made_at=BEGIN)

        made = gathered()
        print(f"    {made.subtitle}")
        gather = busy({"gather": gathered}, 3)["gather"]
        write = busy({"pdf": lambda: report_pdf(made), "page": lambda: report_page(made)}, 3)
    print(
        f"    a year's report: gathered in {gather:.2f} s, PDF in {write['pdf']:.2f} s, page in {write['page']:.2f} s"
    )
    quiet: dict[str, Any] = {"check": True, "stdout": subprocess.DEVNULL}
    cold = interleaved(
        {
            "few": lambda: subprocess.run(command(few, "history", "P1"), **quiet),
            "many": lambda: subprocess.run(command(many, "history", "P1"), **quiet),
        },
        repeats,
    )
    print(f"    linecall history POINT, cold: {cold['many']:.2f} s")
    report = command(many, "report", "--from", f"{LAST_YEAR:%Y-%m-%d}")
    return {
        "a point's history, seconds": times["many"],
        "a point's history, 104,000 / 1,040 readings": times["many"] / times["few"],
        "linecall history POINT, cold, 104,000 / 1,040 readings": cold["many"] / cold["few"],
        "all points by month, ten years, seconds": months,
        "a year's report as PDF, seconds": gather + write["pdf"],
        "a year's report as a page, seconds": gather + write["page"],
        "linecall report of a year, both, peak memory, MB": peak(report, folder),
        "linecall history POINT, peak memory, MB": peak(command(many, "history", "P1"), folder),
    }


def busy(tasks: Mapping[str, Callable[[], object]], repeats: int) -> dict[str, float]:
    """Median seconds of processor time of each task, the tasks taking turns."""
    spent: dict[str, list[float]] = {name: [] for name in tasks}
    for _ in range(repeats):
        for name, task in tasks.items():
            start = process_time()
            task()
            spent[name].append(process_time() - start)
    return {name: sorted(times)[len(times) // 2] for name, times in spent.items()}


def peak(command: Sequence[str], folder: Path) -> float:
    """Peak memory of a command, MB, run in a folder of its own."""
    with tempfile.TemporaryDirectory(dir=folder) as place:
        environment = os.environ | {"PYTHONPATH": str(Path.cwd())}
        run = subprocess.run(
            [sys.executable, "-c", LAUNCHER, *command], check=True, capture_output=True, text=True, cwd=place,
            env=environment,
        )  # fmt: skip
    _, memory, status = json.loads(run.stdout.splitlines()[-1])
    assert status == 0, run.stderr
    return float(memory) / MEGABYTE


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure all, print each beside its bar; exit status 1 if one is not kept."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--rule", action="store_true", help="only what the rule promises")
    parser.add_argument(
        "--keep", type=Path, help="folder in which the logbooks are kept, or were kept before"
    )
    parser.add_argument("--repeats", type=int, default=5)
    chosen = parser.parse_args(arguments)
    good = rule()
    if chosen.rule:
        return 0 if good else 1
    with ExitStack() as stack:
        folder = chosen.keep or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        few, many = folder / "few.db", folder / "many.db"
        for where, points in ((few, FEW_POINTS), (many, POINTS)):
            if not where.exists():
                fill(where, points)
            print(f"    {points * WEEKS:,} readings, {where.stat().st_size / MEGABYTE:,.0f} MB")
        found = costs(few, many, folder, chosen.repeats)
    for name, (bound, bar) in BARS.items():
        kept = found[name] <= bar
        good &= kept
        print(f"{'good' if kept else 'NOT '}  {name}: {found[name]:,.2f}, {bound} {bar:,}")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
