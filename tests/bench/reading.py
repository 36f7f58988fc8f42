"""What reading costs, as ratios of one run: `python -m tests.bench.reading` from the repository's top.

Simulated photos of 12 megapixels, one on the photo card and one on a bare table. Times are medians over
interleaved repeats, so that a busy machine slows both sides of a ratio. Peak memory is what the system kept
for a process of its own (ru_maxrss), started from a small one, as a child's peak begins at its parent's.
"""

import json
import os
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from statistics import median
from time import perf_counter

import click

SIZE = (4000, 3000)
QUALITY = 92
MEGABYTE = 1e6

# What is measured, and the bar it must keep: at most, or for the last at least.
BARS: Mapping[str, tuple[str, float]] = {
    "read_photo, card / imread": ("at most", 2.0),
    "read_photo, no card / imread": ("at most", 3.0),
    "annotated image and JSON / imread": ("at most", 2.0),
    "whole command, cold / bare imports and imread": ("at most", 2.5),
    "linecall --help / import click": ("at most", 1.5),
    "peak memory over cv2 with the photo, MB": ("at most", 90.0),
    "--jobs 1 / --jobs 2": ("at least", 1.8),
}

# Runs a command from a process that holds next to nothing; prints its seconds, peak in bytes and exit status.
LAUNCHER = """
import json, os, resource, subprocess, sys, time
start = time.perf_counter()
status = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL).returncode
seconds = time.perf_counter() - start
peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * (1 if sys.platform == "darwin" else 1024)
print(json.dumps([seconds, peak, status]))
"""


def make_photos(folder: Path) -> tuple[Path, Path]:
    """Render the two photos, on the card and without: a speckled table, a phone's usual noise."""
    from dataclasses import replace

    from fixtures.camera import USUAL_NOISE
    from fixtures.plates import readable_scene
    from fixtures.scene import photograph, save
    from reader.settings.values import load_layout

    paths = []
    for name in ("card", "plain"):
        scene = readable_scene(load_layout("comb"), 7, level="easy", card=name == "card", size=SIZE)
        scene = replace(
            scene,
            table="speckle",
            processing=replace(scene.processing, noise=USUAL_NOISE),
            orientation=1,
            jpeg_quality=QUALITY,
            subsampling="4:2:0",
        )
        paths.append(save(photograph(scene), folder / name))
    return paths[0], paths[1]


def interleaved(tasks: Mapping[str, Callable[[], object]], repeats: int) -> dict[str, float]:
    """Median seconds of each task, all tried in turn, after one round that is not counted."""
    seconds: dict[str, list[float]] = {name: [] for name in tasks}
    for turn in range(repeats + 1):
        for name, task in tasks.items():
            start = perf_counter()
            task()
            if turn:
                seconds[name].append(perf_counter() - start)
    return {name: median(values) for name, values in seconds.items()}


def launch(*command: str | Path) -> tuple[float, int]:
    """Seconds and peak bytes of a command in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", LAUNCHER, *map(str, command)], check=True, capture_output=True, text=True
    )
    seconds, peak, status = json.loads(done.stdout)
    if status not in (0, 3):  # graded, or undecided
        raise click.ClickException(f"{' '.join(map(str, command))} ended with status {status}: {done.stderr}")
    return seconds, peak


def launched(commands: Mapping[str, Sequence[str | Path]], repeats: int) -> dict[str, tuple[float, float]]:
    """Median seconds and median peak bytes of each command, all tried in turn, after one uncounted round."""
    runs: dict[str, list[tuple[float, int]]] = {name: [] for name in commands}
    for turn in range(repeats + 1):
        for name, command in commands.items():
            run = launch(*command)
            if turn:
                runs[name].append(run)
    return {name: (median(s for s, _ in run), median(p for _, p in run)) for name, run in runs.items()}


def in_process(card: Path, plain: Path, folder: Path, repeats: int) -> dict[str, float]:
    """Ratios within one warm process."""
    import cv2

    from reader import read_photo
    from reader.run.batch import read_and_write
    from reader.run.jobs import Job, Order
    from reader.settings.read_settings import load_settings

    for photo in (card, plain):
        verdict = read_photo(photo)
        if verdict.status != "read":
            raise click.ClickException(f"{photo.name} was refused, so nothing is measured: {verdict.reason}")
    order = Order(settings=load_settings(), force=True)
    job = Job(photo=card, verdict_path=folder / "warm.json", image_path=folder / "warm.jpg")
    took = interleaved(
        {
            "imread": lambda: cv2.imread(str(card)),
            "card": lambda: read_photo(card),
            "imread plain": lambda: cv2.imread(str(plain)),
            "plain": lambda: read_photo(plain),
            "written": lambda: read_and_write(job, order),
        },
        repeats,
    )
    return {
        "read_photo, card / imread": took["card"] / took["imread"],
        "read_photo, no card / imread": took["plain"] / took["imread plain"],
        "annotated image and JSON / imread": (took["written"] - took["card"]) / took["imread"],
    }


def cold(card: Path, folder: Path, repeats: int) -> dict[str, float]:
    """Ratios of whole processes."""
    python, linecall = sys.executable, Path(sys.executable).with_name("linecall")
    if not linecall.exists():
        raise click.ClickException(
            f"no {linecall}; install the project into this environment: pip install -e ."
        )
    results = folder / "cold"
    took = launched(
        {
            "read": (linecall, "read", card, "--out", results, "--quiet", "--force"),
            "imread": (python, "-c", f"import numpy, cv2, pydantic, click; cv2.imread({str(card)!r})"),
            "help": (linecall, "--help"),
            "click": (python, "-c", "import click"),
            "holding": (python, "-c", f"import cv2; photo = cv2.imread({str(card)!r})"),
        },
        repeats,
    )
    return {
        "whole command, cold / bare imports and imread": took["read"][0] / took["imread"][0],
        "linecall --help / import click": took["help"][0] / took["click"][0],
        "peak memory over cv2 with the photo, MB": (took["read"][1] - took["holding"][1]) / MEGABYTE,
    }


def side_by_side(card: Path, plain: Path, folder: Path, photos: int, repeats: int) -> dict[str, float]:
    """One job against two over a folder of photos."""
    many = folder / "many"
    many.mkdir()
    for k in range(photos):
        os.link((card, plain)[k % 2], many / f"{k:03d}.jpg")
    linecall = Path(sys.executable).with_name("linecall")
    took = launched(
        {
            jobs: (
                linecall,
                "read",
                many,
                "--out",
                folder / f"jobs{jobs}",
                "--jobs",
                jobs,
                "--quiet",
                "--force",
            )
            for jobs in ("1", "2")
        },
        repeats,
    )
    return {"--jobs 1 / --jobs 2": took["1"][0] / took["2"][0]}


@click.command()
@click.option("--repeats", default=9, show_default=True, help="Rounds that count, of each measurement.")
@click.option("--photos", default=16, show_default=True, help="Photos for --jobs, 12 megapixels each.")
def main(repeats: int, photos: int) -> None:
    """Measure, and print each ratio beside its bar."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        card, plain = make_photos(folder)
        found = in_process(card, plain, folder, repeats)
        found |= cold(card, folder, repeats)
        found |= side_by_side(card, plain, folder, photos, max(repeats // 4, 1))
        sizes = [f"{path.stat().st_size / MEGABYTE:.1f}" for path in (card, plain)]
    click.echo(
        f"{SIZE[0] * SIZE[1] / 1e6:g} megapixels, JPEG quality {QUALITY}, {' and '.join(sizes)} MB; "
        f"{os.cpu_count()} processors"
    )
    click.echo(f"{'measured':48}{'found':>8}   bar")
    for what, (kind, bar) in BARS.items():
        kept = found[what] <= bar if kind == "at most" else found[what] >= bar
        click.echo(f"{what:48}{found[what]:8.2f}   {kind} {bar:g}: {'kept' if kept else 'MISSED'}")


if __name__ == "__main__":
    main()
