"""Does light make a line? `python -m tests.bench.light` from the repository's top.

Shadow edges, bands and their patterns are laid over finished photos at the place of a mark, most of them blanks
(`fixtures.light_changes`), and each photo is read. Counted are the marks that a shadow's middle line passes within
2 mm. Rendered photos show geometry and arithmetic; photos of your own with truth beside them (`--photos`) show more.
"""

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import click
import numpy as np

from fixtures.finished import Finished, TrueWindow
from fixtures.light_changes import (
    LightChange,
    Shadow,
    change_light,
    glazing_bars,
    random_band,
    random_edge,
    random_shift,
    reaches,
    two_shadows,
)
from fixtures.phone_changes import Changed
from reader.words import MarkName
from tests.bench.changed import (
    MISPLACED_MM,
    PhotoResult,
    Prepare,
    Prepared,
    bench,
    counted,
    n_blanks,
    options,
    per_cent,
    results,
)

REACH_MM = 2.0
STRONG = 0.05  # contrast of the lines that must stay lines
AT_REFERENCE = 0.25  # share of the photos whose shadow lies at a reference mark
MAX_FALSE_PRESENT, MIN_PRESENT = 0.01, 0.80

Draw = Callable[[np.random.Generator], tuple[Shadow, ...]]


def one(draw: Callable[..., Shadow], **spans: tuple[float, float] | float) -> Draw:
    """Draw a single shadow."""
    return partial(_one, draw, spans)


def _one(
    draw: Callable[..., Shadow], spans: dict[str, tuple[float, float] | float], rng: np.random.Generator
) -> tuple[Shadow, ...]:
    return (draw(rng, **spans),)


AT_PLACE = (-0.5, 0.5)
USUAL: dict[str, tuple[float, float] | float] = {"penumbra_mm": 1.3, "offset_mm": AT_PLACE}

DRAWS: dict[str, Draw] = {
    "any edge": one(random_edge, tilt_deg=(0.0, 10.0)),
    **{
        f"edge {100 * d:g} % deep": one(random_edge, depth=d, **USUAL)
        for d in (0.02, 0.05, 0.1, 0.2, 0.3, 0.5)
    },
    **{
        f"edge 20 %, penumbra {p:g} mm": one(random_edge, depth=0.2, penumbra_mm=p, offset_mm=AT_PLACE)
        for p in (0.3, 0.4, 0.8, 2.0, 3.0, 4.0)
    },
    **{
        f"edge 20 %, tilted {t:g} degrees": one(random_edge, depth=0.2, tilt_deg=t, **USUAL)
        for t in (1.0, 3.0, 6.0, 10.0)
    },
    **{
        f"edge 20 %, {o[0]:g} to {o[1]:g} mm off": one(random_edge, depth=0.2, penumbra_mm=1.3, offset_mm=o)
        for o in ((-1.5, -0.5), (0.5, 1.5))
    },
    "coloured edge": one(
        random_edge, depth=(0.05, 0.5), penumbra_mm=(0.3, 2.0), offset_mm=AT_PLACE, tint=(0.05, 0.2)
    ),
    **{
        f"band {100 * d:g} % deep, sigma 0.45 mm": one(
            random_band, depth=d, sigma_mm=0.45, offset_mm=(-0.3, 0.3)
        )
        for d in (0.01, 0.02, 0.05, 0.1)
    },
    **{
        f"band 3 % deep, sigma {s:g} mm": one(random_band, depth=0.03, sigma_mm=s, offset_mm=(-0.3, 0.3))
        for s in (0.2, 0.3, 0.7, 1.0)
    },
    "any band": one(random_band, tilt_deg=(0.0, 6.0)),
    "coloured band": one(random_band, depth=(0.02, 0.1), offset_mm=(-0.3, 0.3), tint=(0.05, 0.2)),
    "glazing bars": glazing_bars,
    "two shadows": two_shadows,
}


def prepare(
    draw: Draw | None, photo: Finished, _twin: Finished | None, rng: np.random.Generator
) -> Prepared | None:
    """Lay a drawn change of light at a mark of one window; no draw leaves the photo as it is."""
    if draw is None:
        return Prepared(changed=Changed(photo=photo), twin=None, reached=lambda window, mark: True)
    mark: MarkName = "reference" if rng.random() < AT_REFERENCE else "indicator"
    window = photo.windows[rng.integers(len(photo.windows))]
    change = LightChange(window=window.window.id, mark=mark, shadows=draw(rng), shift_mm=random_shift(rng))

    def reached(at: TrueWindow, which: MarkName) -> bool:
        return reaches(photo, change, at, which, REACH_MM)

    return Prepared(
        changed=Changed(photo=change_light(photo, change)), twin=None, reached=reached, words=repr(change)
    )


ROWS: dict[str, Prepare] = {
    "unchanged": partial(prepare, None),
    **{name: partial(prepare, draw) for name, draw in DRAWS.items()},
}


def light_rows(
    photos: Sequence[Path], rows: Sequence[str], *, turns: int = 1, seed: int = 1
) -> dict[str, list[PhotoResult]]:
    """A small sample of some rows, in this process. photos : truth files, as `render_clear` writes them."""
    return results(
        {row: ROWS[row] for row in rows},
        photos,
        enough=lambda _row, found: max((r.turn for r in found), default=0) + 1 >= turns,
        seed=seed,
    )


def table_line(row: str, found: Sequence[PhotoResult]) -> str:
    """One row of the table."""
    false = counted(found, "blank", "present")
    strong = counted(found, "line", "present", low=STRONG)
    lost = counted(found, "line", "absent")
    doubtful = counted(found, "line", "doubtful"), counted(found, "blank", "doubtful")
    doubt = (doubtful[0][0] + doubtful[1][0], doubtful[0][1] + doubtful[1][1])
    blue = counted(found, "undeveloped", "present")
    refused = sum(r.refusal is not None for r in found), len(found)
    off = sum(r.misplaced_mm is not None and r.misplaced_mm > MISPLACED_MM for r in found)
    missed = []
    if false[1] and false[0] > MAX_FALSE_PRESENT * false[1]:
        missed.append("blanks")
    if strong[1] and strong[0] < MIN_PRESENT * strong[1]:
        missed.append("lines")
    cells = " ".join(per_cent(c) for c in (false, strong, lost, doubt, blue, refused))
    return f"{row:34}{cells} {off:4d}  {'MISSED: ' + ', '.join(missed) if missed else 'kept'}"


HEAD = (
    f"{'row':34}{'blank present':>14} {'0.05+ present':>14} {'0.03+ absent':>14} {'doubtful':>14} "
    f"{'blue present':>14} {'refused':>14} {'off':>5}  bars: blanks <= 1 %, lines >= 80 %"
)


@click.command()
@options
@click.option("--n", default=300, show_default=True, help="Blanks a row.")
def main(n: int, **asked: object) -> None:
    """Lay shadows at the marks of photos, read them, and print a table of the calls."""
    found = bench(
        ROWS,
        twins=False,
        enough=lambda row, results: row == "unchanged" or n_blanks(results) >= n,
        **asked,  # type: ignore[arg-type]
    )
    click.echo(HEAD)
    for row, results_of_row in found.items():
        click.echo(table_line(row, results_of_row))


if __name__ == "__main__":
    main()
