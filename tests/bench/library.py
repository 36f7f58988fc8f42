"""What the library costs: `python -m tests.bench.library` from the repository's top.

A library of 50,000 examples with the true heights of the simulator's plates, twelve marks or two each, up to four
graders: 300 are drawn and come again under other names, as drawing them takes longer than keeping them. No photos are
behind these. What adding costs is measured on rendered photos, against reading them in as many processes and keeping
nothing. Needs 1 GB of disk and two minutes; `--keep DIR` leaves the library there, and uses it if it is there.
"""

import hashlib
import os
import sys
import tempfile
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from functools import partial
from itertools import islice
from pathlib import Path
from statistics import median
from time import perf_counter

import click

from fixtures.graded import graded_examples, invented_id
from reader.library import Example, Filters, Grading, Library
from reader.library.add import AddOrder, add_sources, layout_files, match_labels
from reader.library.measuring import only_read
from reader.run.batch import read_many
from reader.run.jobs import Job
from reader.run.pool import OwnProcesses
from reader.settings.read_settings import load_settings
from tests.bench.reading import MEGABYTE, launch, make_photos
from tests.reader.library.quiz.quiz_library import picture

N, DRAWN = 50_000, 300
REPEATS = 5
PHOTOS = 24

BARS: Mapping[str, tuple[str, float]] = {
    "list with a filter of marks, s": ("at most", 1.0),
    "list with a filter of marks, peak memory, MB": ("at most", 300),
    "list of what is disputed, s": ("at most", 1.0),
    "list of what is disputed, peak memory, MB": ("at most", 300),
    "coverage, s": ("at most", 1.0),
    "coverage, peak memory, MB": ("at most", 300),
    "quiz make, s": ("at most", 1.0),
    "quiz make, peak memory, MB": ("at most", 300),
    "add / reading alone, one process": ("at most", 1.2),
    "add / reading alone, two processes": ("at most", 1.2),
}


def again(pair: tuple[Example, tuple[Grading, ...]], k: int) -> tuple[Example, tuple[Grading, ...]]:
    """A drawn example under another name, with a photo and a plate of its own."""
    example, gradings = pair
    id, sha256 = invented_id(0, k), hashlib.sha256(f"photo {k}".encode()).hexdigest()
    verdict = example.verdict_json.replace(example.photo.sha256.encode(), sha256.encode())
    photo = example.photo.model_copy(update={"name": f"IMG_{k:05d}.jpg", "sha256": sha256})
    changed = {"id": id, "plate": id, "photo": photo, "verdict_json": verdict}
    return example.model_copy(update=changed), tuple(
        one.model_copy(update={"example": id}) for one in gradings
    )


def fill(folder: Path, n: int) -> None:
    """Make the library."""
    with Library.open(folder) as library:
        for layout in ("comb", "strip"):
            library.settings.keep_layout(layout)
        drawn = [
            (
                example.model_copy(
                    update={"strips_sha256": library.pictures.keep_strips(picture(example.verdict))}
                ),
                gradings,
            )
            for example, gradings in graded_examples(DRAWN)
        ]
        pairs: Iterator[tuple[Example, tuple[Grading, ...]]] = (again(drawn[k % DRAWN], k) for k in range(n))
        while part := list(islice(pairs, 1000)):
            library.add_all(part)


def commands(folder: Path, scratch: Path) -> dict[str, float]:
    """Seconds and peak memory of each command, in a process of its own, imports and all."""
    linecall = str(Path(sys.executable).with_name("linecall"))
    found: dict[str, list[tuple[float, int]]] = {}
    for turn in range(REPEATS + 1):
        tasks = {
            "list with a filter of marks": (
                "library", "list", "--class", "faint", "--tier", "lower", "--call", "absent",
            ),
            "list of what is disputed": ("library", "list", "--disputed", "--grade", "heavy", "--light", "torch"),
            "coverage": ("library", "coverage"),
            "quiz make": (
                "quiz", "make", "--items", "30", "--seed", "7", "--mix", "faint", "--trainee", f"Novice No. {turn}",
                "-o", str(scratch / f"quiz-{turn}.html"),
            ),
        }  # fmt: skip
        for name, arguments in tasks.items():
            run = launch(linecall, *arguments, "-l", str(folder))
            if turn:
                found.setdefault(name, []).append(run)
    return {
        f"{name}, {what}": median(run[index] for run in runs) / scale
        for name, runs in found.items()
        for index, what, scale in ((0, "s", 1), (1, "peak memory, MB", MEGABYTE))
    }


def photos(folder: Path) -> list[Path]:
    """Rendered photos, each of its own bytes."""
    import cv2

    rendered = [cv2.imread(str(path)) for path in make_photos(folder)]
    paths = []
    for k in range(PHOTOS):
        path = folder / f"copy-{k}.jpg"
        picture = rendered[k % 2]
        assert picture is not None
        cv2.imwrite(str(path), picture, [cv2.IMWRITE_JPEG_QUALITY, 95 - k // 2])
        paths.append(path)
    return paths


def adding(folder: Path) -> dict[str, float]:
    """How much longer adding takes than reading, each once in turn, three times."""
    settings = load_settings()
    order = AddOrder(
        settings=settings,
        layout_files=layout_files(settings, "auto"),
        at=datetime.now(UTC).replace(microsecond=0),
        keep_alike=True,
    )
    paths = photos(folder)
    jobs = [Job(photo=path, verdict_path=path, image_path=path) for path in paths]
    ratios: dict[str, float] = {}
    for workers, name in ((1, "one process"), (2, "two processes")):
        took: dict[str, list[float]] = {"read": [], "add": []}
        for turn in range(3):
            start = perf_counter()
            with OwnProcesses(workers) as hands:
                outcomes = [
                    outcome for _, outcome in read_many(jobs, partial(only_read, settings=settings), hands)
                ]
            took["read"].append(perf_counter() - start)
            assert all(one.verdict is not None and one.verdict.status == "read" for one in outcomes)
            with Library.open(folder / f"library-{workers}-{turn}") as library:
                sources = match_labels(paths, None, library)
                start = perf_counter()
                with OwnProcesses(workers) as hands:
                    fates = [one.fate for one in add_sources(library, sources, order, hands)]
                took["add"].append(perf_counter() - start)
            assert fates == ["added"] * PHOTOS, fates
        read, add = median(took["read"]), median(took["add"])
        print(f"    {PHOTOS} photos, {name}: read in {read:.1f} s, added in {add:.1f} s")
        ratios[f"add / reading alone, {name}"] = add / read
    return ratios


@click.command()
@click.option(
    "--keep", type=click.Path(file_okay=False, path_type=Path), help="Where the library is, or goes."
)
@click.option("--n", default=N, show_default=True, help="Examples.")
def main(keep: Path | None, n: int) -> None:
    """Measure all, print each beside its bar; exit status 1 if one is not kept."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = keep or Path(scratch) / "library"
        if not (folder / "library.sqlite").exists():
            start = perf_counter()
            fill(folder, n)
            size = (folder / "library.sqlite").stat().st_size / MEGABYTE
            print(f"    {n:,} examples written in {perf_counter() - start:.0f} s, {size:.0f} MB")
        with Library.open(folder, read_only=True) as library:
            print(
                f"    {library.count(Filters(disputed=True)):,} of {library.count():,} examples are disputed"
            )
        found = commands(folder, Path(scratch)) | adding(Path(scratch))
    print(f"    {os.cpu_count()} cores")
    kept = True
    for name, (bound, bar) in BARS.items():
        good = found[name] <= bar
        kept &= good
        print(f"{'good' if good else 'NOT '}  {name}: {found[name]:,.2f}, {bound} {bar:,}")
    sys.exit(0 if kept else 1)


if __name__ == "__main__":
    main()
