"""How well simulated photos are read: `python -m tests.bench.simulated --layout quad` from the top folder.

For any layout, bundled or not: each photo's fate, how far the windows' corners lie from the truth, and the
calls by class of mark. The truth is exact, the light only plausible: this shows geometry and generality and
validates nothing.
"""

from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, cast

import click
import numpy as np

from fixtures.camera import stored_turn
from fixtures.plates import (
    LEVELS,
    NEARLY,
    REFUSALS,
    Level,
    Refusal,
    nearly_scene,
    readable_scene,
    refusal_scene,
)
from fixtures.scene import Photograph, photograph, save, transform
from reader.settings.values import Layout, load_layout
from reader.verdict.model import Verdict

UNBUNDLED = Path(__file__).parents[2] / "fixtures" / "layouts"
NEARLY_KINDS = {f"nearly {kind}": kind for kind in NEARLY}
# Contrast (fractional drop of green light) from which a mark is of a class, as a reviewer would sort them.
CLASSES = (("strong", 0.25), ("weak", 0.08), ("faint", 0.03), ("very faint", 1e-9), ("none", 0.0))


def photos(
    layout: Layout, n: int, seed: int, level: str, card: str, kinds: tuple[str, ...]
) -> Iterator[Photograph]:
    """Photos of each level, or of each kind, in turn; every other round on the card."""
    for k in range(n):
        on_card = k // max(1, len(kinds)) % 2 == 0 if card == "mixed" else card == "yes"
        if kinds and kinds[k % len(kinds)] in NEARLY_KINDS:
            scene = nearly_scene(layout, seed + k, NEARLY_KINDS[kinds[k % len(kinds)]], card=on_card)
        elif kinds:
            scene = refusal_scene(layout, seed + k, cast(Refusal, kinds[k % len(kinds)]), card=on_card)
        else:
            chosen = tuple(LEVELS)[k // 2 % len(LEVELS)] if level == "mixed" else level
            scene = readable_scene(layout, seed + k, level=cast(Level, chosen), card=on_card)
        yield photograph(scene)


def corner_error_mm(verdict: Verdict, photo: Photograph) -> float:
    """The largest distance of a membrane's corner from its true place, mm on the membrane."""
    camera = photo.scene.camera
    to_stored = stored_turn(photo.scene.orientation or 1, camera.width, camera.height)
    to_mm = np.linalg.inv(np.array(photo.truth["homography_membrane"]))
    errors = []
    for found, true in zip(verdict.windows, photo.truth["windows"], strict=True):
        ours = transform(to_mm @ to_stored, np.array(found.corners_px))
        errors.append(np.linalg.norm(ours - transform(to_mm, np.array(true["corners"])), axis=1).max())
    return float(max(errors))


def class_of(mark: dict[str, Any], undeveloped: str | None, name: str) -> str:
    """The class of a true mark."""
    if name == "reference" and mark["present"] and mark["colour"] == undeveloped:
        return "undeveloped"
    return next(word for word, least in CLASSES if mark["peak_contrast"] >= least)


@click.command()
@click.option(
    "--layout", "source", default="quad", show_default=True, help="A layout's name, or a TOML file."
)
@click.option("--n", default=18, show_default=True)
@click.option("--seed", default=100, show_default=True)
@click.option("--level", type=click.Choice(["mixed", *LEVELS]), default="mixed", show_default=True)
@click.option("--card", type=click.Choice(["mixed", "yes", "no"]), default="mixed", show_default=True)
@click.option("--refusals", is_flag=True, help="Photos that must be refused, and some that nearly must.")
@click.option(
    "--kind", "only", multiple=True, help="With --refusals, only of this kind; several may be given."
)
@click.option("--auto", is_flag=True, help="Let the reader find out which bundled layout it is.")
@click.option("--out", type=click.Path(file_okay=False, path_type=Path), help="Keep the photos here.")
def main(
    source: str,
    n: int,
    seed: int,
    level: str,
    card: str,
    refusals: bool,
    only: tuple[str, ...],
    auto: bool,
    out: Path | None,
) -> None:
    """Read simulated photos and compare with their truth."""
    from reader import read_photo

    own = UNBUNDLED / f"{source}.toml"
    named = str(own) if own.exists() else source
    layout = load_layout(named)
    kinds = (only or (*REFUSALS, *NEARLY_KINDS)) if refusals else ()
    calls: Counter[tuple[str, str, str]] = Counter()
    codes: Counter[tuple[str, str]] = Counter()
    with TemporaryDirectory() as scratch:
        folder = Path(scratch) if out is None else out
        folder.mkdir(parents=True, exist_ok=True)
        for k, photo in enumerate(photos(layout, n, seed, level, card, kinds)):
            path = save(photo, folder / f"{layout.layout}-{seed + k:04d}")
            verdict = read_photo(path, layout="auto" if auto else named)
            truth = photo.truth
            about = f"{truth['category']:18}{'card ' if truth['card'] else 'plain'}"
            codes[truth["category"], verdict.refusal or f"read ({verdict.grade})"] += 1
            if verdict.status == "refused":
                click.echo(f"{path.name}  {about}  refused: {verdict.reason}")
                continue
            if truth["expect"] == "refuse":
                click.echo(f"{path.name}  {about}  READ, should be refused: {verdict.grade}")
                continue
            error = corner_error_mm(verdict, photo)
            click.echo(
                f"{path.name}  {about}  corners off {error:.2f} mm  {verdict.grade} (true: {truth['grade']})"
            )
            for window, true in zip(verdict.windows, truth["windows"], strict=True):
                for name in ("indicator", "reference"):
                    kind = class_of(true[name], layout.marks.reference.undeveloped_colour, name)
                    calls[name, kind, getattr(window, name).call] += 1
    for kind in kinds:
        found = {code: count for (of, code), count in codes.most_common() if of == kind}
        click.echo(f"{kind:18} " + ", ".join(f"{code} {count}" for code, count in found.items()))
    for (name, kind, call), count in sorted(calls.items()):
        click.echo(f"{name:10} {kind:12} called {call:12} {count:4}")


if __name__ == "__main__":
    main()
