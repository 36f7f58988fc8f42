"""`linecall card`: the photo card as a PDF."""

from pathlib import Path

import click

from cli.options import Command, Out

PAPERS = ("a5", "a4", "letter")
USUAL = "comb"  # make of plate; a card is of one


@click.command(
    cls=Command,
    shared=("layout", "force"),
    out=Out("FILE.pdf"),
    short_help="Write the photo card as a PDF at true scale.",
)
@click.option(
    "--paper",
    type=click.Choice(PAPERS),
    default="a5",
    show_default=True,
    help="Sheet: the card itself, or a larger one with cutting marks.",
)
def card(layout: str, out: Path | None, paper: str, force: bool) -> None:
    """Write the photo card as a PDF at true scale.

    The card gives the reader scale, pose and a neutral white. Print it at 100 %, on matte white paper, and
    check that its bar measures 100 mm. It is written as card.pdf unless -o names a file; the make of plate is comb
    unless --layout or linecall.toml names one.
    """
    from reader.draw.card_pdf import card_pdf
    from reader.files.output import write_whole
    from reader.settings.values import load_layout

    target = out or Path("card.pdf")
    make = USUAL if layout == "auto" else layout
    write_whole({target: card_pdf(load_layout(make), paper=paper)}, force=force)
    click.echo(f"{click.format_filename(target)}: print it at 100 % and check that the bar measures 100 mm")
