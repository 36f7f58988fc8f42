"""`linecall layout`: which plates can be read, a layout of the user's own, and whether it fits."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli import show
from cli.options import GRADED, REFUSED, WRONG_USAGE, Group, Out

if TYPE_CHECKING:
    from reader.settings.values import Layout

SUFFIXES = (".png", ".jpg", ".jpeg")


@click.group(cls=Group, short_help="List, show, check and draw plate layouts.")
def layout() -> None:
    """List, show, check and draw plate layouts.

    A layout is a TOML file that says where everything is on one make of plate. To write one of your own,
    start from a bundled one (linecall layout show comb --toml), measure your plate, then check and draw it.
    """


@layout.command("list")
def list_layouts() -> None:
    """List the bundled layouts."""
    from reader.settings.values import bundled_layouts

    rows = [("name", "revision", "windows", "size, mm", "title")]
    rows += [
        (
            plate.name,
            str(plate.revision),
            str(len(plate.window)),
            f"{plate.outline.width:g} x {plate.outline.height:g}",
            plate.title,
        )
        for plate in bundled_layouts()
    ]
    click.echo("\n".join(show.in_columns(rows)))


@layout.command("show")
@click.argument("name", metavar="NAME|FILE.toml")
@click.option("--toml", "as_toml", is_flag=True, help="Print the file itself, to start one of your own from.")
def show_layout(name: str, as_toml: bool) -> None:
    """Show what a layout says."""
    from reader.settings.values import load_layout, settings_path

    plate = load_layout(name)
    if as_toml:
        click.echo(settings_path("layout", name).read_text(encoding="utf-8-sig").encode("utf-8"), nl=False)
        return
    click.echo("\n".join(_description(plate)))


@layout.command("check", short_help="Check layouts of your own, line by line.")
@click.argument("files", metavar="FILE.toml...", nargs=-1, required=True, type=click.Path(path_type=Path))
def check_layouts(files: tuple[Path, ...]) -> int:
    """Check layouts of your own: every problem with its line, what was found and what is expected.

    Exit status: 0 all can be used; 2 one cannot.
    """
    from reader.errors import SettingsError
    from reader.settings.values import load_layout

    status = GRADED
    for file in files:
        try:
            plate = load_layout(file)
        except SettingsError as error:
            status = WRONG_USAGE
            for problem in getattr(error, "problems", (str(error),)):
                show.say_problem(problem)
        else:
            n = len(plate.window)
            windows = f"{n} window{'s' * (n > 1)}"
            line = f"{file}: good: layout {plate.name}, revision {plate.revision}, {windows}"
            click.echo(show.printable(line))
    return status


@layout.command("draw", shared=("force",), out=Out("FILE", SUFFIXES))
@click.argument("name", metavar="NAME|FILE.toml")
@click.option(
    "--on",
    "photo",
    metavar="PHOTO",
    type=click.Path(path_type=Path),
    help="Draw it over a photo of the plate, to see that it fits.",
)
def draw_layout(name: str, photo: Path | None, out: Path | None, force: bool) -> int:
    """Draw a layout with its dimensions, or over a photo.

    It is written as NAME.layout.png, or PHOTO.NAME.jpg over a photo, unless -o names a .png or .jpg file.

    Exit status: 0 drawn; 4 the photo shows no such plate, or none that can be placed; 2 wrong usage.
    """
    from reader.draw import layout_drawing
    from reader.errors import PhotoRefusedError
    from reader.files.output import write_whole
    from reader.settings.values import load_layout

    plate = load_layout(name)
    stem = Path(name).stem
    if photo is None:
        target = out or Path(f"{stem}.layout.png")
        picture = layout_drawing.draw_layout(plate)
    else:
        from reader.locate.plate import find_plate
        from reader.photo.open import open_photo

        target = out or Path(f"{photo.stem}.{stem}.jpg")
        try:
            opened = open_photo(photo)
            picture = layout_drawing.draw_fit(opened, find_plate(opened, [plate]))
        except PhotoRefusedError as error:
            show.say_problem(f"{photo}: refused: {error}")
            return REFUSED
    write_whole({target: layout_drawing.encode_picture(picture, target.suffix)}, force=force)
    click.echo(show.printable(f"written {target}"))
    return GRADED


def _description(plate: "Layout") -> list[str]:
    """What a layout says, in labelled lines."""
    outline, assay, marks = plate.outline, plate.assay, plate.marks
    forms = {"competitive": "below", "sandwich": "above"}[assay.format]
    starting = marks.reference.undeveloped_colour
    window_rows = [("id", "analyte", "tier", "centre, mm", "length x breadth, mm", "flow", "well, mm")]
    window_rows += [
        (
            window.id,
            window.analyte,
            window.tier,
            _pair(window.centre),
            f"{window.length:g} x {window.breadth:g}",
            _pair(window.flow),
            _pair(window.well),
        )
        for window in plate.window
    ]
    parts = [
        ("plate", [f"{outline.width:g} x {outline.height:g} mm, {outline.thickness:g} mm thick"]),
        (
            "corners",
            [
                f"{outline.cut_corner} cut off by {outline.cut_leg:g} mm, "
                f"the others rounded by {outline.corner_radius:g} mm"
            ],
        ),
        ("assay", [f"{assay.format}: a line that forms means {forms} the window's cutoff"]),
        ("read", [f"{assay.reading_age[0]:g} to {assay.reading_age[1]:g} min after the drops"]),
        (
            "marks",
            [
                f"{name} {mark.position:g} mm from the upstream end, {mark.width:g} mm wide, {mark.colour}"
                for name, mark in (("indicator", marks.indicator), ("reference", marks.reference))
            ],
        ),
        ("windows", show.in_columns(window_rows)),
    ]
    if starting is not None:
        parts[4][1][1] += f" ({starting} until it develops)"
    lines = [show.printable(f"{plate.name}, revision {plate.revision}: {plate.title}")]
    for label, texts in parts:
        lines += [f"  {'' if row else label:<9}{text}" for row, text in enumerate(texts)]
    return [*lines, f"  {'sha256':<9}{plate.sha256}"]


def _pair(point: Sequence[float]) -> str:
    return f"{point[0]:.4g}, {point[1]:.4g}"
