"""`linecall guide`: the manual's topics, on the terminal."""

import re
import sys
from typing import TYPE_CHECKING

import click

from cli import show
from cli.options import Command

if TYPE_CHECKING:
    from reader.guide import Topic

FENCE = re.compile(r"^```.*\n|^```$\n?", re.MULTILINE)  # so commands and outputs are every second part
PICTURE = re.compile(r"!\[(.*?)\]\(.*?\)", re.DOTALL)  # which a terminal cannot show
NAME_WIDTH = 16  # characters, of the column of names


@click.command(
    cls=Command, short_help="Explain one topic after another: layouts, settings, proof, Python ..."
)
@click.argument("words", metavar="[TOPIC]", nargs=-1)
@click.option("--find", metavar="WORDS", help="Name the topics that have all these words.")
def guide(words: tuple[str, ...], find: str | None) -> None:
    """Explain a topic; without one, list them all with one sentence each.

    On a terminal a topic is laid out for it; elsewhere it is printed in Markdown, as it is kept.
    """
    from reader.guide import topic, topics

    if find is not None and words:
        raise click.UsageError("give a TOPIC or --find WORDS, not both")
    if find is not None:
        _print_found(find)
    elif words:
        _print_topic(topic(" ".join(words)))
    else:
        _print_list([(one.name, one.sentence) for one in topics()])
        click.echo("\nlinecall guide TOPIC explains one; linecall guide --find WORDS searches all.")


def _print_list(rows: list[tuple[str, str]]) -> None:
    for name, sentence in rows:
        indent = " " * (NAME_WIDTH + 2)
        click.echo(
            click.wrap_text(sentence.replace("`", ""), show.width(), f"{name:<{NAME_WIDTH}}  ", indent)
        )


def _print_found(words: str) -> None:
    from reader.errors import LinecallError
    from reader.guide import search
    from reader.words import shown

    hits = search(words)
    if not hits:
        raise LinecallError(f"no topic has {shown(words)}; try fewer words, or linecall guide for the list")
    _print_list([(hit.topic.name, hit.passage) for hit in hits])


def _print_topic(one: "Topic") -> None:
    if not sys.stdout.isatty():
        click.echo(one.text, nl=False)
        return
    from rich.console import Console
    from rich.markdown import Markdown
    from rich.theme import Theme

    plain = Theme(
        {"markdown.code": "bold", "markdown.table.header": "bold", "markdown.table.border": "default"}
    )
    console = Console(width=show.width(), no_color=not show.colour_wanted(), theme=plain)
    console.print(f"[bold]{one.title}[/bold]\n")
    for place, part in enumerate(FENCE.split(one.text.partition("\n\n")[2])):
        if place % 2 == 0:
            console.print(Markdown(PICTURE.sub(r"Picture, in the station's help: *\1*.\n", part)))
        else:  # lines stay whole, whatever the width, so that they can be copied
            click.echo("\n" + "".join(f"    {line}\n" for line in part.splitlines()))
