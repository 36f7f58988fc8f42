"""Does a phone hide a line? `python -m tests.bench.phones` from the repository's top.

What phones and people do to a picture is done to finished photos (`fixtures.phone_changes`), and each is read. Of
rendered photos a twin without marks goes the same way, so that it is known what the file still shows of each line;
one below a contrast of 0.02 counts as lost. Rendered photos show arithmetic; photos of your own with truth beside
them (`--photos`) show more.
"""

from collections.abc import Sequence
from functools import partial
from pathlib import Path

import click
import numpy as np

from fixtures.finished import Finished
from fixtures.phone_changes import (
    Change,
    bilateral,
    brightened,
    compressed,
    cropped,
    guided,
    median,
    mildly,
    nonlocal_means,
    overexposed,
    paled,
    posterised,
    regraded,
    saved_again,
    shrunk,
    turned,
    unchanged,
    veiled,
)
from tests.bench.changed import (
    MISPLACED_MM,
    SHOWN,
    PhotoResult,
    Prepare,
    Prepared,
    bench,
    counted,
    n_lines,
    options,
    per_cent,
    results,
)

MAX_FALSE_ABSENT, MAX_FALSE_PRESENT = 0.01, 0.01
JITTER_PX = 15  # cut off at two sides in every turn but the first: other JPEG blocks, other rounding

CHANGES: dict[str, Change] = {
    "unchanged": unchanged,
    **{f"non-local means, h {h}": partial(nonlocal_means, h=float(h)) for h in (3, 6, 10, 15, 25)},
    "bilateral, 12 codes, 3 px": partial(bilateral, sigma_code=12.0, sigma_px=3.0),
    "bilateral, 30 codes, 6 px": partial(bilateral, sigma_code=30.0, sigma_px=6.0),
    "median, 5 px": partial(median, size_px=5),
    "median, 15 px": partial(median, size_px=15),
    "guided, 5 codes, 8 px": partial(guided, radius_px=8, sigma_code=5.0),
    "guided, 15 codes, 16 px": partial(guided, radius_px=16, sigma_code=15.0),
    **{
        f"overexposed {ev:g} EV, {tone}": partial(overexposed, ev=ev, tone=tone)
        for tone in ("clipped", "shoulder")
        for ev in (0.5, 0.75, 1.0, 1.5)
    },
    "veil, 10 to 30 %": partial(veiled, veil=(0.1, 0.3)),
    "veil, 30 to 100 %": partial(veiled, veil=(0.3, 1.0)),
    **{f"JPEG {q}": partial(compressed, quality=q) for q in (40, 30, 20, 15, 10, 5)},
    **{f"posterised, {n} levels": partial(posterised, levels=n) for n in (32, 16, 8)},
    "shrunk to 640 px": partial(shrunk, longer_px=640, quality=70),
    "shrunk to 1280 px": partial(shrunk, longer_px=1280, quality=65),
    "starting dye paled, JPEG 85": partial(paled, colour_left=0.1, quality=85),
    "brightness": partial(brightened, share=0.15),
    "turned": partial(turned, up_to_deg=5.0),
    "cropped": partial(cropped, up_to_px=40),
    "gamma": partial(regraded, gamma=1.15),
    "saved again": partial(saved_again, quality=(70, 92)),
    "all mild changes": mildly,
}


def prepare(
    change: Change, photo: Finished, twin: Finished | None, rng: np.random.Generator
) -> Prepared | None:
    """Change a photo and its twin by the same draw."""
    draw = int(rng.integers(2**63))

    def changed(of: Finished) -> "tuple[Finished, np.random.Generator]":
        own = np.random.default_rng(draw)
        return cropped(of, own, up_to_px=JITTER_PX).photo, own

    return Prepared(
        changed=change(*changed(photo)),
        twin=None if twin is None else change(*changed(twin)),
        reached=lambda window, mark: True,
    )


ROWS: dict[str, Prepare] = {name: partial(prepare, change) for name, change in CHANGES.items()}


def phone_rows(
    photos: Sequence[Path], rows: Sequence[str], *, turns: int = 1, seed: int = 1
) -> dict[str, list[PhotoResult]]:
    """A small sample of some rows, in this process. photos : truth files, as `render_clear` writes them."""
    return results(
        {row: ROWS[row] for row in rows},
        photos,
        enough=lambda _row, found: max((r.turn for r in found), default=0) + 1 >= turns,
        seed=seed,
    )


def split_by_file(found: Sequence[PhotoResult]) -> tuple[tuple[int, int], tuple[int, int]]:
    """Lines called absent, and all lines: of those that the file still shows, and of those that it has lost."""
    lines = [m for r in found for m in r.marks if m.kind == "line" and m.left is not None]
    shown = [m for m in lines if m.left is not None and m.left >= SHOWN]
    lost = [m for m in lines if m.left is not None and m.left < SHOWN]
    return (
        (sum(m.call == "absent" for m in shown), len(shown)),
        (sum(m.call == "absent" for m in lost), len(lost)),
    )


def table_line(row: str, found: Sequence[PhotoResult]) -> str:
    """One row of the table."""
    absent = counted(found, "line", "absent")
    shown, lost = split_by_file(found)
    false = counted(found, "blank", "present")
    blue = counted(found, "undeveloped", "present")
    lines, blanks = counted(found, "line", "doubtful"), counted(found, "blank", "doubtful")
    doubt = lines[0] + blanks[0], lines[1] + blanks[1]
    refused = sum(r.refusal is not None for r in found), len(found)
    off = [r.misplaced_mm for r in found if r.misplaced_mm is not None]
    missed = []
    if absent[1] and absent[0] > MAX_FALSE_ABSENT * absent[1]:
        missed.append("lines")
    if false[1] and false[0] > MAX_FALSE_PRESENT * false[1]:
        missed.append("blanks")
    if blue[0]:
        missed.append("starting dye")
    misplaced = sum(v > MISPLACED_MM for v in off)
    cells = " ".join(per_cent(c) for c in (absent, shown, lost, false, blue, doubt, refused))
    verdict = "MISSED: " + ", ".join(missed) if missed else "kept"
    return f"{row:30}{cells} {misplaced:3d} {max(off, default=0.0):6.2f}  {verdict}"


HEAD = (
    f"{'row':30}{'0.03+ absent':>14} {'..still shown':>14} {'..lost in file':>14} {'blank present':>14} "
    f"{'blue present':>14} {'doubtful':>14} {'refused':>14} {'off':>4} {'mm':>6}  bars: <= 1 %, no blue"
)


@click.command()
@options
@click.option("--n", default=300, show_default=True, help="Lines of contrast 0.03 and more, a row.")
def main(n: int, **asked: object) -> None:
    """Do to photos what phones do, read them, and print a table of the calls."""
    found = bench(
        ROWS,
        twins=True,
        enough=lambda row, results: row == "unchanged" or n_lines(results) >= n,
        **asked,  # type: ignore[arg-type]
    )
    click.echo(HEAD)
    for row, results_of_row in found.items():
        click.echo(table_line(row, results_of_row))


if __name__ == "__main__":
    main()
