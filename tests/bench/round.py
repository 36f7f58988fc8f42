"""What ten years of rounds cost: `python -m tests.bench.round` from the repository's top.

200 sample points, a run and a reading each week, for ten years (104,000 readings, a million events), and a logbook of
1,000 for comparison. Times are the least of a few; needs 3 GB of disk for a while.
"""

import hashlib
import tempfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import perf_counter, process_time
from typing import Any, NamedTuple

from sqlalchemy import insert

from fixtures.verdicts import example_verdict
from reader.files.bundled import DATA
from reader.logbook import Logbook
from reader.logbook.events import GENESIS
from reader.logbook.follow_up_events import ASKED, ENDED, follow_up_row
from reader.logbook.rows import begin_follow_ups, begin_runs
from reader.logbook.run_events import RUN, run_row
from reader.logbook.summary import first_row, summarise
from reader.logbook.tables import events, follow_ups, readings, runs
from reader.round.due import day_round
from reader.round.site import Site, load_site
from reader.store.canonical import canonical_json
from reader.verdict.model import Verdict
from reader.words.ids import new_id
from tests.bench.memory import peak_bytes

POINTS, WEEKS = 200, 520
BEGIN = datetime(2016, 11, 7, 8, 0, tzinfo=UTC)
SITE = "tallowmere"
FILE = {"name": "standard", "revision": 1, "sha256": "a" * 64}
ACTIONS = {"hold": "hold-stock", "tell": "tell", "confirm": "confirm", "draw again": "drain-and-draw"}
CHUNK = 200  # runs a statement

BARS = {
    "the last reading of every point, s": 1.0,
    "all readings of one point, s": 0.5,
    "every point's last, many / few": 1.5,
    "due, CPU seconds": 1.0,
    "due, many / few": 1.5,
}


def point_id(number: int) -> str:
    """Id of the nth sample point."""
    return f"P{number:03}"


def fill(where: Path, *, points: int = POINTS, weeks: int = WEEKS) -> None:
    """Write a weekly run of every point as `Logbook` would, but many in one statement."""
    with Logbook.open(where) as logbook, logbook._database.writing() as connection:
        begin_runs(connection)
        begin_follow_ups(connection)
        waiting: list[Week] = []
        for n, made in enumerate(_history(points, weeks), 1):
            waiting.append(made)
            if len(waiting) == CHUNK or n == points * weeks:
                connection.execute(insert(events), [row for one in waiting for row in one.events])
                connection.execute(insert(readings), [one.reading for one in waiting])
                connection.execute(insert(runs), [one.run for one in waiting])
                rows = [row for one in waiting for row in one.follow_ups]
                if rows:
                    connection.execute(insert(follow_ups), rows)
                waiting.clear()


def _verdicts() -> list[tuple[str, dict[str, Any]]]:
    made: list[Verdict] = [
        example_verdict(("present",) * 6, grade="negligible", possible_grades=("negligible",)),
        example_verdict(("absent", *("present",) * 5), grade="moderate", possible_grades=("moderate",)),
        example_verdict(("present", "absent") * 3, grade="heavy", possible_grades=("heavy",)),
    ]
    return [(canonical_json(one.model_dump(mode="json")).decode(), summarise(one)) for one in made]


class Week(NamedTuple):
    """What one run of a point leaves: its events, and the rows of its reading, run and follow-ups."""

    events: list[dict[str, Any]]
    reading: dict[str, Any]
    run: dict[str, Any]
    follow_ups: list[dict[str, Any]]


def site_file(folder: Path) -> Site:
    """A site of all these points, with the example's plan."""
    example = (DATA / "examples" / "site.toml").read_text(encoding="utf-8")
    head, plan = example[: example.index("[[tank]]")], example[example.index("# --- the follow-up plan") :]
    text = head
    for number in range(POINTS // 2):
        text += f'[[tank]]\nid = "T{number}"\nname = "Tank {number}"\nfuel = "diesel"\n'
        text += 'volume_l = 9.0\nresponsible = "B"\n'
    for number in range(POINTS):
        text += (
            f'[[point]]\nid = "{point_id(number)}"\ntank = "T{number // 2}"\nname = "drain {number % 2}"\n'
            'where = "lowest end"\nhow = "slowly"\n'
        )
    path = folder / "site.toml"
    path.write_text(text + plan, encoding="utf-8")
    return load_site(path)


def _history(points: int, weeks: int) -> Iterator[Week]:
    verdicts = _verdicts()
    seq, previous = 0, GENESIS
    for week in range(weeks):
        for number in range(points):
            at = BEGIN + timedelta(weeks=week, minutes=10 * number)
            run, reading = new_id(), new_id()
            text, summary = verdicts[
                2 if (week + number) % 97 == 0 else 1 if (week + number) % 23 == 0 else 0
            ]
            steps = _steps(run, reading, number, week, at, summary)
            followed: dict[str, list[tuple[int, str, str, dict[str, Any]]]] = {}
            made: list[dict[str, Any]] = []
            told: list[tuple[int, str, str, dict[str, Any]]] = []
            row: dict[str, Any] = {}
            for kind, id, about, payload in steps:
                seq += 1
                said = at.isoformat(timespec="seconds")
                inside = payload | {"verdict": 0} if kind == "reading" else payload
                envelope = {
                    "at": said, "by": "R. Aalto", "id": id, "kind": kind, "payload": inside,
                    "previous": previous, "reading": about, "seq": seq,
                }  # fmt: skip
                body = canonical_json(envelope).decode().replace('"verdict":0', f'"verdict":{text}', 1)
                previous = hashlib.sha256(body.encode()).hexdigest()
                made.append({"seq": seq, "id": id, "reading": about, "hash": previous, "body": body})
                if kind in (ASKED, ENDED):
                    followed.setdefault(about, []).append((seq, kind, said, payload))
                elif kind == "reading":
                    row = first_row(seq=seq, id=id, at=said, payload=payload)
                else:
                    told.append((seq, kind, said, payload))
            rows = [follow_up_row(events, id) for id, events in followed.items()]
            yield Week(made, row, run_row(told, run), rows)


def _steps(
    run: str, reading: str, number: int, week: int, at: datetime, summary: dict[str, Any]
) -> Iterator[tuple[str, str, str, dict[str, Any]]]:
    def said(minutes: int) -> str:
        return (at + timedelta(minutes=minutes)).isoformat(timespec="seconds")

    names = {"tank_name": f"Tank {number // 2}", "point_name": f"drain {number % 2}"}
    begun = {
        "site": FILE | {"name": SITE}, "procedure": FILE, "layout": FILE, "reading_age": [15.0, 30.0],
        "point": point_id(number), "tank": f"T{number // 2}", **names, "phase": "fuel", "lot": f"L{week // 26}",
        "operator": "R. Aalto", "at": said(0), "entry": "at once",
    }  # fmt: skip
    yield RUN, run, run, begun
    for minutes, step in ((0, "sample"), (10, "settled"), (12, "extract"), (20, "gathered"), (25, "drops")):
        yield "run_step", new_id(), run, {"step": step, "at": said(minutes), "entry": "at once"}
    photo = hashlib.sha256(run.encode()).hexdigest()
    payload = {
        "photos": [{"name": f"{run}.jpg", "sha256": photo}], "run": run, "summary": summary,
        "statement": {"operator": "R. Aalto", "tank": names["tank_name"], "sample_point": names["point_name"]},
    }  # fmt: skip
    yield "reading", reading, reading, payload
    yield "run_reading", new_id(), run, {"reading": reading, "status": "read", "stated": {}}
    yield "run_end", new_id(), run, {"how": "closed"}
    yield from _followed(reading, begun, week, at, summary["grade"])


def _followed(
    reading: str, begun: dict[str, Any], week: int, at: datetime, grade: str
) -> Iterator[tuple[str, str, str, dict[str, Any]]]:
    """What followed from a grade, and that it was done, but for the last weeks' own."""
    actions = {"heavy": ("hold", "tell", "confirm", "draw again"), "moderate": ("draw again", "tell")}
    for kind in actions.get(grade, ()):
        id, said = new_id(), at.isoformat(timespec="seconds")
        names = {name: begun[name] for name in ("site", "point", "tank", "point_name", "tank_name")}
        asked = {
            "reading": reading, "action": ACTIONS[kind], "kind": kind, "text": "Do it.", "owner": "B", "since": said,
            "due_at": said, "grade": grade, "because": grade,
        }  # fmt: skip
        yield ASKED, id, id, names | asked
        yield ENDED, new_id(), id, {"how": "done", "at": said, "reason": "so it was"}


def least(task: Callable[[], object], times: int = 5) -> float:
    """Seconds of the quickest of a few goes."""
    spent = []
    for _ in range(times):
        start = perf_counter()
        task()
        spent.append(perf_counter() - start)
    return min(spent)


def main() -> None:
    """Fill two logbooks and print what looking into them takes."""
    with tempfile.TemporaryDirectory() as folder:
        few, many = Path(folder) / "few.db", Path(folder) / "many.db"
        fill(few, weeks=1000 // POINTS)
        start = perf_counter()
        fill(many)
        print(f"    {POINTS * WEEKS:,} readings written in {perf_counter() - start:.0f} s")
        found = {}
        with Logbook.open(few, read_only=True) as small, Logbook.open(many, read_only=True) as large:

            def every_last(book: Logbook) -> list[Any]:
                return [book.point_readings(SITE, point_id(number), limit=1)[0] for number in range(POINTS)]

            found["the last reading of every point, s"] = least(lambda: every_last(large))
            found["all readings of one point, s"] = least(
                lambda: large.point_readings(SITE, point_id(7), limit=WEEKS)
            )
            found["every point's last, many / few"] = found["the last reading of every point, s"] / least(
                lambda: every_last(small)
            )
            site = site_file(Path(folder))
            now = BEGIN + timedelta(weeks=WEEKS)
            soon = BEGIN + timedelta(weeks=1000 // POINTS)

            def due(book: Logbook, then: datetime) -> float:
                start = process_time()
                tasks = day_round(book, site, now=then).tasks
                spent = process_time() - start
                assert len(tasks) > 0
                return spent

            pairs = [(due(large, now), due(small, soon)) for _ in range(7)]
            found["due, CPU seconds"] = min(one for one, _ in pairs)
            found["due, many / few"] = found["due, CPU seconds"] / min(one for _, one in pairs)
            print(f"    due: {len(day_round(large, site, now=now).tasks)} tasks")
            print(f"    open runs: {1e3 * least(lambda: large.runs(is_open=True)):.1f} ms")
            memory = peak_bytes() / 2**20
            print(f"    memory, filling included: {memory:.0f} MB")
            start = perf_counter()
            report = large.verify(photos=False)
            print(
                f"    verify: {report.events / (perf_counter() - start):,.0f} events a second; {report.problem}"
            )
        for name, bar in BARS.items():
            print(f"{'ok ' if found[name] <= bar else 'BAD'} {name}: {found[name]:.3f}, at most {bar:g}")


if __name__ == "__main__":
    main()
