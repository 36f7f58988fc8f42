"""`linecall card`: the photo card as a PDF."""

from pathlib import Path

import click

PAPERS = ("a5", "a4", "letter")


@click.command(short_help="Write the photo card as a PDF at true scale.")
@click.option("--layout", metavar="NAME|FILE.toml", default="comb", show_default=True, help="Make of plate.")
@click.option(
    "-o",
    "--output",
    metavar="FILE.pdf",
    default="card.pdf",
    show_default=True,
    type=click.Path(dir_okay=False, path_type=Path),
    help="Where to write it.",
)
@click.option(
    "--paper",
    type=click.Choice(PAPERS),
    default="a5",
    show_default=True,
    help="Sheet: the card itself, or a larger one with cutting marks.",
)
@click.option("--force", is_flag=True, help="Overwrite a file that holds something else.")
def card(layout: str, output: Path, paper: str, force: bool) -> None:
    """Write the photo card as a PDF at true scale.

    The card gives the reader scale, pose and a neutral white. Print it at 100 %, on matte white paper, and
    check that its bar measures 100 mm.
    """
    from reader.draw.card_pdf import card_pdf
    from reader.files.output import write_whole
    from reader.settings.values import load_layout

    write_whole({output: card_pdf(load_layout(layout), paper=paper)}, force=force)
    click.echo(f"{click.format_filename(output)}: print it at 100 % and check that the bar measures 100 mm")
