"""`linecall site`: the site's own file, begun and checked."""

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cli import show
from cli.main import GRADED
from cli.options import ending_in

if TYPE_CHECKING:
    from reader.round.site import Site

SITE_VARIABLE = "LINECALL_SITE"


def site_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the option that says which site: `site`."""
    return click.option(
        "--site",
        metavar="FILE.toml",
        envvar=SITE_VARIABLE,
        type=click.Path(path_type=Path),
        help=f"The site's file; or the variable {SITE_VARIABLE}.",
    )(command)


def named_site(path: Path | None) -> "Site":
    """The site that the option names."""
    if path is None:
        raise click.UsageError(
            f"name the site's file with --site FILE.toml, or with the variable {SITE_VARIABLE}; "
            "linecall site new site.toml begins one"
        )
    from reader.round.site import load_site

    return load_site(path)


@click.group(short_help="Begin and check the site's file: tanks, points, lots, follow-ups.")
def site() -> None:
    """Begin and check the site's file: tanks, sample points, plate lots, zone and follow-up plan."""


@site.command("new")
@click.argument(
    "file",
    metavar="FILE.toml",
    type=click.Path(dir_okay=False, path_type=Path),
    callback=ending_in(".toml"),
)
@click.option("--force", is_flag=True, help="Overwrite a file.")
def new(file: Path, force: bool) -> None:
    """Write a commented example of an invented site, to be changed to your own."""
    from reader.files.bundled import DATA
    from reader.files.output import write_whole

    write_whole({file: (DATA / "examples" / "site.toml").read_bytes()}, force=force)
    click.echo(show.printable(f"written {file}; change it to your own, then linecall site check {file}"))


@site.command("check")
@click.argument("file", metavar="FILE.toml", type=click.Path(path_type=Path))
def check(file: Path) -> int:
    """Name every problem of a site's file with its line, and of the files that it names.

    Exit status: 0 all holds; 2 something does not.
    """
    from reader.errors import SettingsError
    from reader.round.site import check_named_files, load_site
    from reader.settings.toml_file import BrokenFileError
    from reader.words import counted

    try:
        found = load_site(file)
        problems = check_named_files(found, file)
    except BrokenFileError as error:
        problems = error.problems
    except SettingsError as error:
        problems = (str(error),)
    if problems:
        for problem in problems:
            show.say_problem(problem)
        return 2
    parts = [
        counted(len(found.tank), "tank"),
        counted(len(found.point), "sample point"),
        counted(len(found.lot), "plate lot"),
    ]
    plan = (
        counted(len(found.follow), "row") + " of the follow-up plan" if found.follow else "no follow-up plan"
    )
    click.echo(
        show.printable(
            f"{file}: all holds: site {found.name}, revision {found.revision}: {', '.join(parts)}, {plan}"
        )
    )
    return GRADED
