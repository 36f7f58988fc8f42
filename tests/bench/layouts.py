"""How photos of plates nobody has seen are read: `python -m tests.bench.layouts --n 200 --seed 1` from the top folder.

Each photo shows a layout drawn at random (`fixtures/random_layouts.py`) and is read by its layout's file: crashes,
refusals with their reasons, wrong calls, how far windows lie off. The truth is exact, the light only plausible: this
shows geometry and generality and validates nothing.
"""

import traceback
import warnings
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import click
import numpy as np

from fixtures.plates import LEVELS, Level, readable_scene
from fixtures.random_layouts import fits_card, random_layout, write_layout
from fixtures.scene import photograph, save
from reader.settings.values import Layout
from reader.verdict.model import Mark, Verdict, load_verdict, to_bytes
from tests.bench.simulated import class_of, corner_error_mm

COUNTS = 0.03
"""Contrast (fractional drop of green light) from which a line must not be called absent."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Outcome:
    """How one photo was read. crash : what was raised, and where. off_mm : the largest distance of a membrane's corner
    from its true place. calls : mark, its true class, its call. wrong, broken : sentences, on calls that are wrong and
    on numbers out of bounds."""

    seed: int
    level: Level
    card: bool
    layout: Layout
    crash: str | None = None
    verdict: Verdict | None = None
    off_mm: float | None = None
    calls: tuple[tuple[str, str, str], ...] = ()
    wrong: tuple[str, ...] = ()
    broken: tuple[str, ...] = ()


def read_random(
    seed: int,
    folder: Path,
    *,
    level: Level,
    card: bool,
    mouldable: bool = True,
    size: tuple[int, int] = (2400, 1800),
) -> Outcome:
    """Draw a layout, photograph a plate of it, and read the photo; numerical warnings count as crashes."""
    from reader import read_photo

    layout = random_layout(seed, mouldable=mouldable)
    card = card and fits_card(layout)
    about: dict[str, Any] = {"seed": seed, "level": level, "card": card, "layout": layout}
    photo = photograph(readable_scene(layout, seed, level=level, card=card, size=size))
    file = write_layout(layout, folder / f"{layout.layout}.toml")
    path = save(photo, folder / f"{layout.layout}-{level}-{'card' if card else 'plain'}")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            verdict = read_photo(path, layout=file)
    except Exception as error:  # whatever it is, it is counted
        last = traceback.extract_tb(error.__traceback__)
        ours = [frame for frame in last if "/reader/" in frame.filename] or list(last)
        where = f"{Path(ours[-1].filename).name}:{ours[-1].lineno} in {ours[-1].name}"
        return Outcome(**about, crash=f"{type(error).__name__}: {error} ({where})")
    if verdict.status == "refused":
        return Outcome(**about, verdict=verdict, broken=tuple(out_of_bounds(verdict)))
    calls, wrong = [], []
    for window, true in zip(verdict.windows, photo.truth["windows"], strict=True):
        for name in ("indicator", "reference"):
            mark: Mark = getattr(window, name)
            kind = class_of(true[name], layout.marks.reference.undeveloped_colour, name)
            calls.append((name, kind, mark.call))
            if is_wrong(kind, true[name], mark):
                height = "" if mark.height is None else f" (height {mark.height:.4f})"
                contrast = true[name]["peak_contrast"]
                wrong.append(
                    f"{name} of window {window.id}, {kind} (contrast {contrast:.3f}), is called {mark.call}{height}"
                )
    return Outcome(
        **about,
        verdict=verdict,
        off_mm=corner_error_mm(verdict, photo),
        calls=tuple(calls),
        wrong=tuple(wrong),
        broken=tuple(out_of_bounds(verdict)),
    )


def is_wrong(kind: str, true: dict[str, Any], mark: Mark) -> bool:
    """Whether a call contradicts the truth: a line where none is, none where one is that counts, the other dye."""
    if kind == "undeveloped":
        return mark.call in ("present", "absent")
    if kind == "none":
        return mark.call in ("present", "undeveloped")
    return mark.call == "undeveloped" or (mark.call == "absent" and true["peak_contrast"] >= COUNTS)


def out_of_bounds(verdict: Verdict) -> Iterator[str]:
    """What of a verdict's shares lies outside 0 to 1, and whether its own bytes load as it."""
    if load_verdict(to_bytes(verdict)) != verdict:
        yield "the verdict does not load from its own bytes"
    shares: dict[str, float | None] = {}
    for name, quality in (("plate", verdict.quality), *((w.id, w.quality) for w in verdict.windows)):
        if quality is not None:
            shares |= {f"{name} clipped": quality.clipped_fraction, f"{name} hidden": quality.hidden_fraction}
    for window in verdict.windows:
        shares |= {
            f"{window.id} span": window.reference.span,
            f"{window.id} indicator's span": window.indicator.span,
        }
    for name, share in shares.items():
        if share is not None and not 0 <= share <= 1:
            yield f"{name}: {share}"


def case(k: int, level: str, card: str) -> tuple[Level, bool]:
    """Level and card of the k-th photo, where either is mixed: every other photo on the card, the levels in turn."""
    levels: tuple[Level, ...] = tuple(LEVELS)
    chosen = (
        levels[k // 2 % len(levels)] if level == "mixed" else next(name for name in levels if name == level)
    )
    return chosen, (k % 2 == 0 if card == "mixed" else card == "yes")


def told(outcome: Outcome) -> str:
    """One photo in a line."""
    o = outcome.layout.outline
    about = (
        f"{outcome.seed:5} {outcome.level:6} {'card ' if outcome.card else 'plain'} {len(outcome.layout.window):2} "
        f"windows {o.width:5.1f} x {o.height:5.1f}"
    )
    if outcome.crash is not None or outcome.verdict is None:
        return f"{about}  CRASHED {outcome.crash}"
    if outcome.verdict.status == "refused":
        return f"{about}  refused: {outcome.verdict.reason}"
    more = "".join(f"\n      WRONG {sentence}" for sentence in outcome.wrong)
    more += "".join(f"\n      BROKEN {sentence}" for sentence in outcome.broken)
    return f"{about}  off {outcome.off_mm:5.2f} mm  {outcome.verdict.grade}{more}"


@click.command()
@click.option("--n", default=60, show_default=True, help="How many photos, each of another layout.")
@click.option("--seed", default=1, show_default=True)
@click.option("--level", type=click.Choice(["mixed", *LEVELS]), default="mixed", show_default=True)
@click.option("--card", type=click.Choice(["mixed", "yes", "no"]), default="mixed", show_default=True)
@click.option("--width", default=2400, show_default=True, help="Pixels; the height is three quarters of it.")
@click.option(
    "--any", "anything", is_flag=True, help="Also layouts that no mould could make but the loader accepts."
)
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), help="Keep the photos here.")
def main(n: int, seed: int, level: str, card: str, width: int, anything: bool, out: Path | None) -> None:
    """Read photos of random layouts and compare with their truth."""
    outcomes = []
    with TemporaryDirectory() as scratch:
        folder = Path(scratch) if out is None else out
        folder.mkdir(parents=True, exist_ok=True)
        for k in range(n):
            chosen, on_card = case(k, level, card)
            outcome = read_random(
                seed + k,
                folder,
                level=chosen,
                card=on_card,
                mouldable=not anything,
                size=(width, width * 3 // 4),
            )
            outcomes.append(outcome)
            click.echo(told(outcome))
    summarise(outcomes)


def summarise(outcomes: list[Outcome]) -> None:
    """Totals: fates by level, reasons for refusals, placement, calls."""
    for level in LEVELS:
        here = [o for o in outcomes if o.level == level]
        off = np.array([o.off_mm for o in here if o.off_mm is not None])
        if here:
            refused = sum(o.verdict is not None and o.verdict.status == "refused" for o in here)
            click.echo(
                f"\n{level}: {len(here)} photos, {sum(o.crash is not None for o in here)} crashed, {refused} refused, "
                f"{sum(bool(o.broken) for o in here)} with numbers out of bounds, {sum(len(o.wrong) for o in here)} "
                f"wrong calls in {sum(bool(o.wrong) for o in here)} photos"
            )
        if len(off):
            half, most, all_but = np.quantile(off, [0.5, 0.95, 1.0])
            click.echo(f"  windows off: median {half:.2f}, 95 % {most:.2f}, worst {all_but:.2f} mm")
        reasons = Counter(o.verdict.refusal for o in here if o.verdict is not None and o.verdict.refusal)
        for reason, count in reasons.most_common():
            click.echo(f"  refused {count:4} times: {reason}")
    calls = Counter(call for outcome in outcomes for call in outcome.calls)
    for (name, kind, call), count in sorted(calls.items()):
        click.echo(f"{name:10} {kind:12} called {call:12} {count:5}")
    click.echo(f"{sum(o.crash is not None for o in outcomes)} crashes in {len(outcomes)} photos")


if __name__ == "__main__":
    main()
