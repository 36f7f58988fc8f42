"""`linecall library`: the group; each command is imported when it is called for."""

import click

from cli.main import CommandGroup

# name -> (module in cli and the command in it, short help)
COMMANDS = {
    "add": ("library.add:add", "Add photos with label files, or readings of the logbook."),
    "labels": ("library.add:labels", "Write a label file of photos, to be filled in."),
    "list": ("library.look:list_examples", "List examples, with filters."),
    "show": ("library.look:show_example", "Show an example: who called what, and the consensus."),
    "sheet": ("library.look:sheet", "Write a contact sheet of strips, from strong to faint."),
    "coverage": ("library.look:coverage", "What there is, what is thin, the photos worth taking next."),
    "standard": ("library.look:standard", "What consensus, grades and classes are computed by."),
    "agree": ("library.reports:agree", "How well people and linecall agree."),
    "validate": ("library.reports:validate", "Measure linecall on the library, as a laboratory would."),
    "fit-thresholds": (
        "library.fit:fit_thresholds",
        "Propose decision limits, proved on plates held out.",
    ),
    "check-photo": ("library.control:check_photo", "Watch for drift: photos of a control strip, charted."),
    "export": ("library.exchange:export", "Write the library as a folder that anybody can read."),
    "import": ("library.exchange:import_library", "Read an exported folder."),
}


class LibraryGroup(CommandGroup):
    """The library's commands."""

    commands_table = COMMANDS


@click.group(cls=LibraryGroup, short_help="Graded example images: collect, look, compare, measure with them.")
def library() -> None:
    """Collect graded example images, look at them, and measure with them how well everyone reads.

    An example is a photo with what linecall measured on it and every person's call on every mark. Nobody's call
    stands over another's: the consensus is computed from them.
    """
