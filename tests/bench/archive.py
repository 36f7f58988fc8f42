"""What calling an archive anew costs: `python -m tests.bench.archive` from the repository's top; `--help` has more.

A thousand, ten thousand and so on up to a million verdicts go through what `linecall call-anew` does: lines of a file
come in, two processes call them by stricter limits, a table is written. The verdicts are invented: plates of the comb
layout with true heights from none to strong, measured with error, called by the bundled limits; so one in six changes.
Some thousand are made beforehand, apart from the time that is measured, and come again and again, as a million would
take 15 GB; each is parsed, called and graded every time.

Measured are wall time, processor time of the client and of the workers (which other work on the machine does not
change), and the client's memory on the way. What more cores would do is worked out from these on paper.
"""

import json
import pickle
import resource
import subprocess
import sys
import tempfile
import time
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from functools import partial
from itertools import islice, repeat
from pathlib import Path
from typing import Any, Final

import click
import numpy as np

from fixtures.graded import ERROR, measured_verdict
from reader.draw import charts
from reader.run.archive import verdicts_in
from reader.run.call_archive import BATCH_SIZE, By, Tally, by_settings, call_archive, call_batch
from reader.run.changes_table import changes_table
from reader.run.hand_out import Hands
from reader.run.hands import hands_for
from reader.settings.values import load_layout, load_rules, load_thresholds
from reader.verdict.model import to_bytes
from reader.words import MarkKey
from tests.bench.memory import peak_bytes
from tests.bench.reading import MEGABYTE

DISTINCT: Final = 4_000  # verdicts that are made; others are these again
MOST: Final = 1_000_000
STEPS: Final = 50  # of a run, at which time and memory are noted
CORES: Final = (2, 4, 8, 16, 32, 100)

RATE_MIN: Final = 2_000.0  # verdicts a second on two cores
MEMORY_MAX: Final = 500.0  # MB of the client
BENT_MAX: Final = 0.05  # share of the whole time by which a step may lie off the straight line

RUN = """
import json, sys
from pathlib import Path
from tests.bench.archive import one_run
print(json.dumps(one_run(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))))
"""


# --- verdicts -----------------------------------------------------------------------------------------------


def invented(seed: int) -> bytes:
    """JSON of one verdict, on a line: one indicator in three has no line, some lines are faint."""
    layout = load_layout("comb")
    rng = np.random.default_rng(seed)
    heights: dict[MarkKey, float] = {}
    for window in layout.window:
        faint = float(np.exp(rng.uniform(np.log(0.004), np.log(0.35))))
        heights[window.id, "indicator"] = float(rng.normal(faint if rng.random() < 2 / 3 else 0.0, ERROR))
        heights[window.id, "reference"] = float(rng.uniform(0.15, 0.45))
    verdict = measured_verdict(
        layout, heights, name=f"plate-{seed:05d}.jpg", sha256=f"{seed:064x}", witnessed=True
    )
    return to_bytes(verdict, one_line=True)


def make(path: Path, n: int) -> float:
    """Write `n` verdicts to a file, one a line; seconds of it."""
    begun = time.perf_counter()
    with path.open("wb") as file, ProcessPoolExecutor(2) as workers:
        file.writelines(workers.map(invented, range(n), chunksize=50))
    return time.perf_counter() - begun


def stricter(folder: Path) -> By:
    """A tenth of the false calls; the limits that the verdicts were written by are at hand."""
    standard = load_thresholds()
    path = folder / "strict.toml"
    changes = {
        b'thresholds = "standard"': b'thresholds = "strict"',
        b"_per_plate = 0.01": b"_per_plate = 0.001",
    }
    data = standard.data
    for old, new in changes.items():
        data = data.replace(old, new)
    path.write_bytes(data)
    return by_settings(load_thresholds(path), load_rules(), (load_layout("comb"), standard, load_rules()))


# --- one run ------------------------------------------------------------------------------------------------


class Timed(Hands):
    """Hands that add up the processor time that their work takes."""

    def __init__(self, hands: Hands) -> None:
        self._hands, self.seconds = hands, 0.0

    @property
    def at_once(self) -> int:
        return self._hands.at_once

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        timed: Future[Any] = Future()
        self._hands.submit(_timed, fn, *args, **kwargs).add_done_callback(partial(self._take, timed))
        return timed

    def _take(self, timed: Future[Any], done: Future[Any]) -> None:
        error = done.exception()
        if error is not None:
            timed.set_exception(error)
            return
        outcome, seconds = done.result()
        self.seconds += seconds
        timed.set_result(outcome)


def _timed(fn: Callable[..., Any], *args: Any, **kwargs: Any) -> tuple[Any, float]:
    begun = time.process_time()
    outcome = fn(*args, **kwargs)
    return outcome, time.process_time() - begun


def one_run(lines: Path, n: int, jobs: int) -> dict[str, Any]:
    """Call `n` verdicts of a file anew, again and again those in it, and note how time and memory went.

    The processes are there, and have imported what they need, before the clock starts.
    """
    by = stricter(lines.parent)
    every = max(n // STEPS, 1)
    steps: list[tuple[int, float, int]] = []
    tally = Tally()
    table = lines.parent / f"changes-{n}.csv"
    with hands_for(jobs, jobs) as hands, changes_table(table, force=True) as write:
        warm = islice(verdicts_in(repeat(lines)), 2 * jobs)
        deque(call_archive(warm, by, hands, batch_size=1), maxlen=0)
        timed = Timed(hands)
        archive = islice(verdicts_in(repeat(lines)), n)
        begun, client = time.perf_counter(), time.process_time()
        for batch in call_archive(archive, by, timed):
            tally += batch.tally
            write(batch.rows)
            if tally.came.total() // every > len(steps):
                steps.append((tally.came.total(), time.perf_counter() - begun, memory()))
                print("\r{:,} in {:,.0f} s, {:,} bytes".format(*steps[-1]), end="", file=sys.stderr)
        wall, client = time.perf_counter() - begun, time.process_time() - client
    return {
        "n": tally.came.total(),
        "changed": tally.came["changed"],
        "wall": wall,
        "client": client,
        "workers": timed.seconds,
        "peak": peak_bytes(),
        "steps": steps,
    }


def memory() -> int:
    """Bytes that this process holds now; 0 where the system does not tell as Linux does."""
    try:
        return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize()
    except OSError:
        return 0


# --- what it comes to ---------------------------------------------------------------------------------------


def bent(steps: Sequence[Sequence[float]]) -> float:
    """By how much the steps of a run stray from a straight line, at most, as a share of the whole time."""
    n, seconds = (np.array([step[k] for step in steps]) for k in (0, 1))
    fitted = np.polyval(np.polyfit(n, seconds, 1), n)
    return float(np.abs(seconds - fitted).max() / seconds[-1])


def rate_on(cores: int, client_ms: float, worker_ms: float) -> float:
    """Verdicts a second: client and workers share the cores, but the client is one process and fills one at most."""
    return min(cores / (client_ms + worker_ms), 1 / client_ms) * 1000


def paper(client_ms: float, worker_ms: float, sent: float, back: float) -> str:
    """What more cores would do, and what stops them, from the milliseconds and bytes of one verdict."""
    full = 1 + worker_ms / client_ms
    rows = [
        f"    {cores:>4} cores: {rate_on(cores, client_ms, worker_ms):>9,.0f} a second" for cores in CORES
    ]
    top = rate_on(CORES[-1], client_ms, worker_ms)
    return "\n".join(
        [
            f"on paper: a verdict takes {worker_ms:.3f} ms in a worker and {client_ms:.3f} ms in the client, which is "
            "one process",
            *rows,
            f"    up to {full:.0f} cores the workers are the bottleneck (parsing and calling), beyond them the client "
            "(reading lines, handing over, counting)",
            f"    {CORES[-1]} cores would move {sent * top / MEGABYTE:,.0f} MB a second to the workers and "
            f"{back * top / MEGABYTE:,.2f} MB back",
        ]
    )


def bytes_moved(lines: Path, by: By) -> tuple[float, float]:
    """Bytes of one verdict on its way to a worker and back, its share of the settings with it."""
    batch = tuple(islice(verdicts_in([lines]), BATCH_SIZE))
    sent = len(pickle.dumps((partial(call_batch, by=by), batch)))
    return sent / len(batch), len(pickle.dumps(call_batch(batch, by))) / len(batch)


def drawn(runs: Sequence[dict[str, Any]]) -> str:
    """The longest run as SVG: seconds, and the client's memory, against the number of verdicts."""
    wide, high, left, top = 420.0, 240.0, 60.0, 24.0
    steps = runs[-1]["steps"]
    most, seconds = steps[-1][0], steps[-1][1]
    memory_top = max(MEMORY_MAX, max(step[2] for step in steps) / MEGABYTE)

    def place(n: float, share: float) -> str:
        return f"{left + wide * n / most:.1f},{top + high * (1 - share):.1f}"

    parts = ["<style>.tick,.name{font:10px sans-serif;fill:#333}.grid{stroke:#ddd}</style>"]
    for k in range(5):
        share = k / 4
        y = top + high * (1 - share)
        parts += [
            charts.level(left, left + wide, y, "grid"),
            charts.text(left - 6, y + 3, f"{share * seconds:,.0f} s", "end", "tick"),
            charts.text(left + wide + 6, y + 3, f"{share * memory_top:,.0f} MB", "start", "tick"),
            charts.text(left + wide * share, top + high + 16, f"{share * most:,.0f}", "middle", "tick"),
        ]
    straight = f"{place(0, 0)} {place(most, 1)}"
    taken = " ".join(place(n, at / seconds) for n, at, _ in steps)
    held = " ".join(place(n, of / MEGABYTE / memory_top) for n, _, of in steps)
    parts += [
        f'<polyline fill="none" stroke="#999" stroke-dasharray="4 3" points="{straight}"/>',
        f'<polyline fill="none" stroke="#0072b2" stroke-width="2" points="{taken}"/>',
        f'<polyline fill="none" stroke="#d55e00" stroke-width="2" stroke-dasharray="1 3" points="{held}"/>',
        charts.text(
            left, 14, "solid: seconds; dashed: a straight line; dotted: memory of the client", "start", "name"
        ),
        charts.text(left + wide / 2, top + high + 34, "verdicts called anew", "middle", "name"),
    ]
    return charts.svg(
        left + wide + 70, top + high + 44, parts, "time and memory against the number of verdicts"
    )


@click.command()
@click.option("--most", default=MOST, show_default=True, help="Verdicts of the longest run.")
@click.option("--least", default=1_000, show_default=True, help="Verdicts of the shortest run.")
@click.option("--jobs", default=2, show_default=True, help="Processes.")
@click.option("--distinct", default=DISTINCT, show_default=True, help="Verdicts that are made.")
@click.option("--chart", type=click.Path(path_type=Path), help="Where the chart goes, as SVG.")
def main(most: int, least: int, jobs: int, distinct: int, chart: Path | None) -> None:
    """Measure runs from the least to the most verdicts, each ten times as long; exit status 1 if a bar is missed."""
    with tempfile.TemporaryDirectory() as folder:
        lines = Path(folder) / "archive.jsonl"
        seconds = make(lines, distinct)
        print(
            f"{distinct:,} verdicts of {lines.stat().st_size / distinct:,.0f} bytes made in {seconds:.0f} s, apart"
        )
        runs = []
        n = least
        while n <= most:
            line = [sys.executable, "-c", RUN, str(lines), str(n), str(jobs)]
            runs.append(
                json.loads(subprocess.run(line, check=True, stdout=subprocess.PIPE, text=True).stdout)
            )
            print(told(runs[-1]), flush=True)
            n *= 10
        longest = runs[-1]
        client_ms, worker_ms = (1000 * longest[of] / longest["n"] for of in ("client", "workers"))
        print(paper(client_ms, worker_ms, *bytes_moved(lines, stricter(lines.parent))))
    if chart is not None:
        chart.write_text(drawn(runs))
        print(f"written {chart}")
    found = {
        "verdicts a second": (longest["n"] / longest["wall"], RATE_MIN, True),
        "verdicts a second, by processor time on two cores": (
            rate_on(2, client_ms, worker_ms),
            RATE_MIN,
            True,
        ),
        "peak memory of the client, MB": (longest["peak"] / MEGABYTE, MEMORY_MAX, False),
        "off the straight line, share of the whole time": (bent(longest["steps"]), BENT_MAX, False),
    }
    kept = True
    for name, (value, bar, at_least) in found.items():
        good = value >= bar if at_least else value <= bar
        kept &= good
        print(
            f"{'good' if good else 'NOT '}  {name}: {value:,.3g}, at {'least' if at_least else 'most'} {bar:,}"
        )
    sys.exit(0 if kept else 1)


def told(run: dict[str, Any]) -> str:
    """A line about a run."""
    n, wall = run["n"], run["wall"]
    return (
        f"{n:>9,} verdicts, {run['changed']:,} change: {wall:.1f} s, {n / wall:,.0f} a second; a verdict takes "
        f"{1000 * run['workers'] / n:.3f} ms of a worker and {1000 * run['client'] / n:.3f} ms of the client, whose "
        f"memory peaks at {run['peak'] / MEGABYTE:.0f} MB"
    )


if __name__ == "__main__":
    main()
