"""`linecall site`: the site's own file, begun and checked."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli import show
from cli.options import GRADED, WRONG_USAGE, Group, Out

if TYPE_CHECKING:
    from reader.round.site import Site


def named_site() -> "Site":
    """The site whose file linecall.toml names, or --set site=FILE."""
    from cli.defaults import site_file

    path = site_file()
    if path is None:
        raise click.UsageError(
            'name the site\'s file: site = "site.toml" in linecall.toml beside the logbook, the variable '
            "LINECALL_SITE, or --set site=site.toml; linecall site new -o site.toml begins one"
        )
    from reader.round.site import load_site

    return load_site(path)


def site_if_named() -> "Site | None":
    """The site, for what a logbook shows also without one."""
    from cli.defaults import site_file

    return None if site_file() is None else named_site()


@click.group(cls=Group, short_help="Begin and check the site's file: tanks, points, lots, follow-ups.")
def site() -> None:
    """Begin and check the site's file: tanks, sample points, plate lots, zone and follow-up plan."""


@site.command("new", shared=("force",), out=Out("FILE.toml", (".toml",)))
def new(out: Path | None, force: bool) -> None:
    """Write a commented example of an invented site, to be changed to your own; -o says where, else site.toml here."""
    from reader.files.bundled import DATA
    from reader.files.output import write_whole

    file = out or Path("site.toml")
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
        return WRONG_USAGE
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
