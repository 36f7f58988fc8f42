"""Reading on a Dask cluster of two workers of this machine: `python -m tests.bench.cluster pace|kills|overhead`.

`pace` holds them against `--jobs 2`, each in turn, so that a busy machine slows both. `kills` ends a worker with
SIGKILL every few seconds. `overhead` hands out jobs that do nothing; on a busy machine only the processor's time tells.
"""

import csv
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random
from statistics import median
from time import perf_counter

import click

from tests.conftest import ROOT
from tests.dask_cluster import LocalCluster, local_cluster

PACE_BAR = 0.9
OVERHEAD_BAR_MS = 10.0
LINECALL = (sys.executable, "-c", "from cli.main import main; main(prog_name='linecall')")


def photos(folder: Path, n: int) -> Path:
    """Copies of the demo photos, no two of the same bytes: something follows each picture's end."""
    folder.mkdir()
    demo = sorted((ROOT / "demo_images").glob("*tank*.jpg"))
    for number in range(n):
        source = demo[number % len(demo)]
        (folder / f"{number:04}.jpg").write_bytes(source.read_bytes() + number.to_bytes(4, "big"))
    return folder


def read(folder: Path, out: Path, *options: str) -> float:
    """Seconds that a run takes; every photo must come to something."""
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    began = perf_counter()
    done = subprocess.run(
        [*LINECALL, "read", str(folder), "--out", str(out), "--reading-age", "20", "--quiet", *options],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode not in (0, 3, 4, 5):
        raise click.ClickException(f"ended with status {done.returncode}: {done.stderr[-2000:]}")
    return perf_counter() - began


@contextmanager
def workplace(workers: int = 2) -> Iterator[tuple[Path, LocalCluster]]:
    """A folder, and a cluster whose logs lie in it."""
    with tempfile.TemporaryDirectory() as name, local_cluster(Path(name, "dask"), workers) as cluster:
        yield Path(name), cluster


@click.group()
def main() -> None:
    """Measure reading on a cluster."""
    os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}


@main.command()
@click.option("--n", default=160, show_default=True, help="Photos; of few, the beginning is a large part.")
@click.option("--repeats", default=3, show_default=True)
@click.option("--threads", is_flag=True, help="One worker of two threads beside two workers of one.")
def pace(n: int, repeats: int, threads: bool) -> None:
    """Two workers beside --jobs 2, whole commands."""
    took: dict[str, list[float]] = {"jobs": [], "on": [], "threads": []}
    with workplace() as (folder, cluster):
        source = photos(folder / "photos", n)
        clusters = {"on": cluster.address}
        other = LocalCluster(folder / "threads")
        if threads:
            other.start()
            other.add_workers(1, "--nthreads", "2")
            clusters["threads"] = other.address
        try:
            for turn in range(repeats + 1):
                for name in ("jobs", *clusters):
                    options = ("--jobs", "2") if name == "jobs" else ("--on", clusters[name])
                    seconds = read(source, folder / "out", *options)
                    shutil.rmtree(folder / "out")
                    if turn:
                        took[name].append(seconds)
        finally:
            other.stop()
    for name, found in took.items():
        if found:
            click.echo(
                f"{name:8} {median(found):6.1f} s for {n} photos: {', '.join(f'{s:.1f}' for s in found)}"
            )
    ratio = median(one / two for one, two in zip(took["jobs"], took["on"], strict=True))
    click.echo(
        f"pace of --jobs 2: {ratio:.2f}, at least {PACE_BAR}: {'kept' if ratio >= PACE_BAR else 'MISSED'}"
    )


@main.command()
@click.option("--n", default=500, show_default=True, help="Photos.")
@click.option("--every", default=5.0, show_default=True, help="Seconds between kills, about.")
@click.option("--seed", default=1, show_default=True)
def kills(n: int, every: float, seed: int) -> None:
    """Workers killed every few seconds: no photo is lost, and none comes twice."""
    random, over, killed = Random(seed), threading.Event(), 0

    def kill(cluster: LocalCluster) -> None:
        nonlocal killed
        while not over.wait(every * random.uniform(0.5, 1.5)):
            pids = cluster.worker_pids()
            if len(pids) == 2:  # a busy machine takes its time to replace one
                os.kill(random.choice(pids), signal.SIGKILL)
                killed += 1

    with workplace() as (folder, cluster):
        source = photos(folder / "photos", n)
        killer = threading.Thread(target=kill, args=(cluster,))
        killer.start()
        try:
            seconds = read(source, folder / "out", "--on", cluster.address)
        finally:
            over.set()
            killer.join()
        with (folder / "out" / "summary.csv").open(encoding="utf-8-sig", newline="") as file:
            rows = Counter(Path(row["photo"]).name for row in csv.DictReader(file))
        verdicts = {
            path.name.removesuffix(".verdict.json") for path in (folder / "out").glob("*.verdict.json")
        }
        left = [path.name for path in (folder / "out").iterdir() if path.name.startswith(".")]
        good = set(rows) == {path.name for path in source.iterdir()} and set(rows.values()) == {1}
        good = good and len(verdicts) == n
        click.echo(
            f"{n} photos in {seconds:.0f} s, {killed} workers killed: {len(rows)} in the summary, {len(verdicts)} "
            f"verdicts, {len(left)} passing files left: {'kept' if good else 'MISSED'}"
        )


@main.command()
@click.option("--n", default=2000, show_default=True, help="Jobs.")
def overhead(n: int) -> None:
    """What handing a job out costs where the work does nothing."""
    from reader.run.cluster import Cluster
    from reader.run.hand_out import hand_out

    with workplace() as (_, cluster), Cluster(cluster.address) as hands:
        list(hand_out(range(200), abs, hands, at_once=lambda: hands.at_once, blame=abs))
        began, before = perf_counter(), busy(cluster)
        found = list(hand_out(range(n), abs, hands, at_once=lambda: hands.at_once, blame=abs))
        wall, cpu = perf_counter() - began, busy(cluster) - before
    assert sorted(found) == [(number, number) for number in range(n)]
    click.echo(
        f"{1e3 * wall / n:.1f} ms a job by the clock, {os.getloadavg()[0]:.0f} processes wanting to run"
    )
    share = 1e3 * cpu / n / 2
    click.echo(
        f"{2 * share:.1f} ms of processor time of client, scheduler and workers together: {share:.1f} ms on two cores, "
        f"under {OVERHEAD_BAR_MS:g}: {'kept' if share < OVERHEAD_BAR_MS else 'MISSED'}"
    )


def busy(cluster: LocalCluster) -> float:
    """Seconds of processor time of this process, the scheduler and the workers so far."""
    import psutil

    pids = [os.getpid(), cluster.scheduler.pid, *cluster.worker_pids()]
    return sum(sum(psutil.Process(pid).cpu_times()[:2]) for pid in pids)


if __name__ == "__main__":
    main()
