"""What agreement and validation cost: `python -m tests.bench.statistics` from the repository's top.

5,000 and 50,000 examples side by side, of twelve marks and three graders, as rows that stream in as they do from a
library; every run is a process of its own, whose peak memory is that of the statistics. Rows are drawn once for some
hundred plates and come again under other names, as drawing them would take longer than what is measured.
"""

import json
import subprocess
import sys
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from functools import cache
from itertools import groupby

from reader.library.tidy import MarkRow
from tests.bench.reading import MEGABYTE
from tests.reader.library.agreement.simulated_rows import library

FEW, MANY = 5_000, 50_000
PLATES = 300
REPEATS = 3

BARS: Mapping[str, tuple[str, float]] = {
    "agree, 50,000 / 5,000 examples": ("at most", 11.5),
    "validate, 50,000 / 5,000 examples": ("at most", 11.5),
    "agree, peak memory of 50,000, MB": ("at most", 600),
    "validate, peak memory of 50,000, MB": ("at most", 600),
}

RUN = """
import json, sys
from tests.bench.memory import peak_bytes
from tests.bench.statistics import one_run
seconds = one_run(sys.argv[1], int(sys.argv[2]))
print(json.dumps([seconds, peak_bytes()]))
"""


@cache
def drawn() -> list[list[MarkRow]]:
    """Rows of some examples."""
    return [list(rows) for _, rows in groupby(library(PLATES), key=lambda row: row.example)]


def stream(n: int) -> Iterator[MarkRow]:
    """Rows of `n` examples."""
    for number in range(n):
        again, which = divmod(number, len(drawn()))
        for row in drawn()[which]:
            yield replace(row, example=f"{row.example}/{again}", plate=f"{row.plate}/{again}")


def one_run(task: str, n: int) -> float:
    """Processor seconds of a task over so many examples, packages loaded, less those in which the rows are made."""
    from time import process_time

    from reader.library.agreement.agree import agree
    from reader.library.agreement.validate import validate
    from reader.library.consensus import load_consensus
    from reader.settings.values import load_rules

    rule, rules = load_consensus(), load_rules()
    tasks: dict[str, Callable[[Iterator[MarkRow]], object]] = {
        "agree": lambda rows: agree(rows, rule=rule, rules=rules, assays={"comb": "competitive"}),
        "validate": validate,
        "make": lambda rows: deque(rows, maxlen=0),
    }

    def seconds(name: str, examples: int) -> float:
        start = process_time()
        tasks[name](stream(examples))
        return process_time() - start

    seconds(task, 50)
    return seconds(task, n) - seconds("make", n)


def main() -> int:
    """Measure all, print each beside its bar; exit status 1 if one is not kept."""
    found = {}
    for task in ("agree", "validate"):
        seconds: dict[int, list[float]] = {n: [] for n in (FEW, MANY)}
        peaks = {}
        for _ in range(REPEATS):
            for n, taken in seconds.items():
                line = [sys.executable, "-c", RUN, task, str(n)]
                run = subprocess.run(line, check=True, capture_output=True, text=True)
                spent, peaks[n] = json.loads(run.stdout)
                taken.append(spent)
        few, many = (sorted(taken)[REPEATS // 2] for taken in seconds.values())
        print(f"    {task}: {FEW:,} examples {few:.2f} s, {MANY:,} examples {many:.2f} s")
        print(f"    {task}: peak memory {peaks[FEW] / MEGABYTE:.0f} MB and {peaks[MANY] / MEGABYTE:.0f} MB")
        found[f"{task}, 50,000 / 5,000 examples"] = many / few
        found[f"{task}, peak memory of 50,000, MB"] = peaks[MANY] / MEGABYTE
    kept = True
    for name, (_, bar) in BARS.items():
        good = found[name] <= bar
        kept &= good
        print(f"{'good' if good else 'NOT '}  {name}: {found[name]:,.2f}, at most {bar:,}")
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
