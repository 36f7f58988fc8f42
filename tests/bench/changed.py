"""Shared by the benches of light and phones: change photos with truth row by row, read them, count the calls.

A row is a kind of change. Its marks come from all photos in turn, each turn with fresh draws of the change, until it
has as many as were asked for. Every draw is seeded by the row's name, the photo's and the turn, so that rows can be
run by themselves.
"""

import json
import os
import re
import tempfile
import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager, nullcontext
from dataclasses import asdict, dataclass
from functools import cache, partial
from pathlib import Path
from typing import Any, TypeVar

import click
import cv2
import numpy as np

from fixtures.finished import (
    BUNDLED,
    Finished,
    TrueWindow,
    contrast_left,
    layout_source,
    load_finished,
    placement_error_mm,
    render_clear,
    truth_files,
    twin_of,
)
from fixtures.phone_changes import Changed
from reader.words import MarkName

Row = TypeVar("Row")

MISPLACED_MM = 0.5  # a window that lies further off may hide half a line
CLEAR_PHOTOS = 24
MAX_TURNS = 40
# Contrast a mark must still show in the file, or it is lost: 0.008 absorbance, what a trained eye finds.
SHOWN = 0.02


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkResult:
    """How one mark of one changed photo was called; heights in absorbance, contrasts as shares of the light."""

    window: str
    mark: MarkName
    kind: str  # of the truth: blank, line, very faint, undeveloped
    contrast: float
    left: float | None  # of its contrast in the file
    call: str
    height: float | None
    standard_error: float | None
    dye_angle_deg: float | None
    reasons: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class PhotoResult:
    """A changed photo's reading; `marks` are those that the change reaches."""

    row: str
    photo: str
    turn: int
    layout: str
    card: bool
    change: str
    refusal: str | None
    misplaced_mm: float | None
    grade: str | None
    marks: tuple[MarkResult, ...]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Prepared:
    """A changed photo, its twin under the same change, the marks that it reaches, and words for it."""

    changed: Changed
    twin: Changed | None
    reached: Callable[[TrueWindow, MarkName], bool]
    words: str = ""


# Prepares a photo, and its twin if there is one, for a turn of a row; None where the row leaves it out.
Prepare = Callable[[Finished, Finished | None, np.random.Generator], Prepared | None]


@cache
def _photo(truth_file: Path) -> tuple[Finished, Finished | None] | None:
    photo = load_finished(truth_file)
    return None if photo is None else (photo, twin_of(photo, truth_file.parent))


@cache
def _settings(layout: str) -> Any:
    from reader.settings.read_settings import load_settings

    return load_settings("auto" if layout in BUNDLED else str(layout_source(layout)))


def examine_changed(row: str, prepare: Prepare, truth_file: Path, turn: int, seed: int) -> PhotoResult | None:
    """Change one photo, save it, read it, and compare with its truth."""
    from reader.read import examine

    loaded = _photo(truth_file)
    if loaded is None:
        return None
    photo, twin = loaded
    drawn = [seed, turn, zlib.crc32(row.encode()), zlib.crc32(photo.name.encode())]
    prepared = prepare(photo, twin, np.random.default_rng(drawn))
    if prepared is None:
        return None
    changed = prepared.changed
    descriptor, name = tempfile.mkstemp(suffix=f".{changed.form}")
    path = Path(name)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(changed.bytes())
        verdict = examine(path, _settings(photo.layout.layout)).verdict
    finally:
        path.unlink()
    about: dict[str, Any] = {
        "row": row,
        "photo": photo.name,
        "turn": turn,
        "layout": photo.layout.layout,
        "card": photo.card,
        "change": prepared.words,
    }
    if verdict.status == "refused":
        return PhotoResult(**about, refusal=verdict.refusal, misplaced_mm=None, grade=None, marks=())
    named = verdict.layout is not None and verdict.layout.name == photo.layout.layout
    if not named:
        return PhotoResult(**about, refusal="another layout", misplaced_mm=None, grade=None, marks=())
    found = {window.id: window for window in verdict.windows}
    seen = changed.seen()
    twin_seen = None if prepared.twin is None else prepared.twin.seen()
    marks = []
    for window in seen.windows:
        for which, truth in window.marks.items():
            if not prepared.reached(window, which):
                continue
            mark = getattr(found[window.window.id], which)
            measured = truth.contrast > 0 and (twin_seen is not None or not prepared.words)
            marks.append(
                MarkResult(
                    window=window.window.id,
                    mark=which,
                    kind=truth.kind,
                    contrast=truth.contrast,
                    left=contrast_left(seen, window, which, twin_seen) if measured else None,
                    call=mark.call,
                    height=mark.height,
                    standard_error=mark.standard_error,
                    dye_angle_deg=mark.dye_angle_deg,
                    reasons=mark.reasons,
                )
            )
    corners = {key: window.corners_px for key, window in found.items()}
    return PhotoResult(
        **about,
        refusal=None,
        misplaced_mm=placement_error_mm(seen, corners),
        grade=verdict.grade,
        marks=tuple(marks),
    )


# ---- many


def _one_thread() -> None:
    cv2.setNumThreads(1)


def _task(task: tuple[str, Prepare, Path, int, int]) -> PhotoResult | None:
    row, prepare, truth_file, turn, seed = task
    return examine_changed(row, prepare, truth_file, turn, seed)


def results(
    rows: Mapping[str, Prepare],
    photos: Sequence[Path],
    *,
    enough: Callable[[str, Sequence[PhotoResult]], bool],
    seed: int = 1,
    jobs: int = 1,
    watch: Callable[[str], None] = lambda _: None,
) -> dict[str, list[PhotoResult]]:
    """Read every photo under every row's change, in turns, until each row has enough. photos : truth files."""
    found: dict[str, list[PhotoResult]] = {row: [] for row in rows}
    with _mapper(jobs) as run:
        for turn in range(MAX_TURNS):
            open_rows = [row for row in rows if not (turn and enough(row, found[row]))]
            if not open_rows:
                break
            tasks = [(row, rows[row], photo, turn, seed) for photo in photos for row in open_rows]
            for task, result in zip(tasks, run(tasks), strict=True):
                watch(task[0])
                if result is not None:
                    found[task[0]].append(result)
            # a row that finds nothing to count in any photo never will
            rows = {row: prepare for row, prepare in rows.items() if found[row]}
    return found


@contextmanager
def _mapper(jobs: int) -> Iterator[Callable[[Sequence[Any]], Iterator[PhotoResult | None]]]:
    if jobs == 1:
        yield lambda tasks: map(_task, tasks)
        return
    with ProcessPoolExecutor(jobs, initializer=_one_thread) as pool:
        # the tasks of one photo stay together, so that each process decodes few
        yield lambda tasks: pool.map(_task, tasks, chunksize=8)


def rendered(folder: Path, n: int, *, seed: int, twins: bool, jobs: int) -> list[Path]:
    """Truth files of n clear photos in a folder, rendered where they are not there yet."""
    render = partial(render_clear, seed=seed, folder=folder, twin=twins)
    if jobs == 1:
        return [render(k) for k in range(n)]
    with ProcessPoolExecutor(jobs, initializer=_one_thread) as pool:
        return list(pool.map(render, range(n)))


# ---- counts


def counted(found: Sequence[PhotoResult], kind: str, calls: str, **within: float) -> tuple[int, int]:
    """How many marks of a kind were called so, and how many there are. within : least and most contrast."""
    low, high = within.get("low", 0.0), within.get("high", np.inf)
    marks = [m for r in found for m in r.marks if m.kind == kind and low <= m.contrast < high]
    return sum(m.call in calls.split() for m in marks), len(marks)


def n_blanks(found: Sequence[PhotoResult]) -> int:
    """How many blanks a row's readings have."""
    return counted(found, "blank", "")[1]


def n_lines(found: Sequence[PhotoResult]) -> int:
    """How many lines that anyone sees a row's readings have."""
    return counted(found, "line", "")[1]


def per_cent(part: tuple[int, int]) -> str:
    """A count and its share, as a cell of a table."""
    found, n = part
    return f"{found:4d}/{n:<4d}{100 * found / n:5.1f}%" if n else f"{'-':>10}{'':5}"


def chosen(rows: Mapping[str, Row], pattern: str) -> dict[str, Row]:
    """The rows whose names a regular expression finds."""
    kept = {name: row for name, row in rows.items() if re.search(pattern, name)}
    if not kept:
        raise click.UsageError(f"no row matches {pattern!r}; the rows are: {', '.join(rows)}")
    return kept


def write(found: Mapping[str, Sequence[PhotoResult]], out: Path) -> None:
    """All results as JSON lines, one a photo."""
    with out.open("w", encoding="utf-8") as file:
        for of_row in found.values():
            for result in of_row:
                file.write(json.dumps(asdict(result)) + "\n")


def options(command: Callable[..., None]) -> Callable[..., None]:
    """The options that both benches have."""
    for option in reversed(
        [
            click.option(
                "--rows", "pattern", default="", help="Only rows that this regular expression finds."
            ),
            click.option(
                "--photos",
                type=click.Path(exists=True, file_okay=False, path_type=Path),
                multiple=True,
                help="Photos with truth beside them instead of rendered ones; may be given again.",
            ),
            click.option(
                "--keep",
                type=click.Path(file_okay=False, path_type=Path),
                help="Render the photos into this folder, and use those that are there already.",
            ),
            click.option(
                "--clear",
                "n_photos",
                default=CLEAR_PHOTOS,
                show_default=True,
                help="How many rendered photos.",
            ),
            click.option("--seed", default=1, show_default=True),
            click.option("--jobs", default=os.cpu_count() or 1, show_default=True),
            click.option(
                "--out", type=click.Path(dir_okay=False, path_type=Path), help="All calls, JSON lines."
            ),
        ]
    ):
        command = option(command)
    return command


def bench(
    rows: Mapping[str, Prepare],
    *,
    pattern: str,
    photos: tuple[Path, ...],
    keep: Path | None,
    n_photos: int,
    seed: int,
    jobs: int,
    out: Path | None,
    twins: bool,
    enough: Callable[[str, Sequence[PhotoResult]], bool],
) -> dict[str, list[PhotoResult]]:
    """What both benches do: photos, all rows, progress on standard error."""
    rows = chosen(rows, pattern)
    with tempfile.TemporaryDirectory() if keep is None else nullcontext(str(keep)) as name:
        if photos:
            files = [path for folder in photos for path in truth_files(folder)]
        else:
            click.echo(f"rendering {n_photos} photos", err=True)
            files = rendered(Path(name), n_photos, seed=seed, twins=twins, jobs=jobs)
        done: dict[str, int] = dict.fromkeys(rows, 0)

        def watch(row: str) -> None:
            done[row] += 1
            if sum(done.values()) % 50 == 0:
                click.echo(f"{sum(done.values())} photos read, last: {row}", err=True)

        found = results(rows, files, enough=enough, seed=seed, jobs=jobs, watch=watch)
    if out is not None:
        write(found, out)
    return found
