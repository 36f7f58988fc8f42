"""The group of commands, loaded on demand, and the one place where an error becomes an exit status."""

import gc
import os
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from importlib import import_module
from io import TextIOWrapper
from typing import TYPE_CHECKING, Any

import click

from cli.options import FAILED, GRADED, INTERNAL, INTERRUPTED, WRONG_USAGE, Group, shared_options
from cli.show import say_problem
from cli.variables import DEBUG_VARIABLE

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem

# Objects made between looks for garbage; after every 700, as Python has it, they take a tenth of what imports take.
OBJECTS_MADE = 20_000

# name -> (module in cli, short help); the group's help is written from this and imports no command
COMMANDS = {
    "read": ("read", "Read plates from photos: a call for each mark, a grade, and the proof."),
    "card": ("card", "Write the photo card as a PDF at true scale."),
    "review": ("review", "Settle doubts: what waits, the sheet to judge it by, the decision."),
    "layout": ("layout", "List, show, check and draw plate layouts."),
    "site": ("site", "Begin and check the site's file: tanks, points, lots, follow-ups."),
    "due": ("due", "What is due today: points to test, follow-ups that are open, the riskiest first."),
    "run": ("run", "Note a plate's way from the sample to the photo, and what went otherwise."),
    "follow": ("follow", "What follows a grade: what is open, what was done, what was put off."),
    "people": ("people", "Say who is known in the logbook, and in what roles."),
    "logbook": ("logbook", "Look at, check, correct and hand on the logbook."),
    "history": ("history", "What a sample point has shown over time; all points by month."),
    "report": ("report", "A reading, or a period, as a report to print and hand on."),
    "library": ("library.group:library", "Graded example images: collect, look, compare, measure with them."),
    "call-anew": ("call_anew", "Call an archive of verdicts by other limits or rules: what would change."),
    "quiz": ("quiz", "Examine people with the library's plates."),
    "serve": ("serve", "Open linecall as pages in a browser, from this machine."),
    "settings": ("settings", "Show what holds, and where each value comes from."),
    "guide": ("guide", "Explain one topic after another: layouts, settings, proof, Python ..."),
}


class CommandGroup(Group):
    """Commands that are imported when they are called for; errors that end as one line.

    commands_table : name -> (module in cli, short help), the module followed by `:` and the command's name in it
    where that is another one.
    """

    commands_table: Mapping[str, tuple[str, str]] = COMMANDS

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Name the commands, in the order a user meets them."""
        return list(self.commands_table)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a command."""
        if cmd_name not in self.commands_table:
            return None
        module, _, name = self.commands_table[cmd_name][0].partition(":")
        command = getattr(import_module(f"cli.{module}"), name or module)
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command, with a guess at what a mistyped one was meant to be."""
        known = self.commands_table
        if args[0] not in known and not args[0].startswith("-"):
            from difflib import get_close_matches

            close = get_close_matches(args[0], known, n=1)
            hint = f"did you mean {close[0]}?" if close else f"the commands are {', '.join(known)}"
            ctx.fail(f"there is no command {args[0]!r}; {hint}")
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands with their short help, importing none."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, short_help) for name, (_, short_help) in self.commands_table.items()])

    def shell_complete(self, ctx: click.Context, incomplete: str) -> "list[CompletionItem]":
        """Complete the commands' names from the table, importing none; options as click does."""
        from click.shell_completion import CompletionItem

        table = self.commands_table.items()
        found = [CompletionItem(name, help=text) for name, (_, text) in table if name.startswith(incomplete)]
        return found + click.Command.shell_complete(self, ctx, incomplete)

    def main(self, *args: Any, **extra: Any) -> Any:
        """Run a command line; leaves by SystemExit."""
        extra["standalone_mode"] = False
        print_what_can_be_printed()
        gc.set_threshold(OBJECTS_MADE)
        with one_line_errors():
            sys.exit(super().main(*args, **extra) or GRADED)


def print_what_can_be_printed() -> None:
    """Let a terminal that cannot print a letter show another in its place, where Python would stop.

    JSON, CSV and TOML are written as UTF-8, whatever the terminal's encoding.
    """
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper) and stream.errors == "strict":
            stream.reconfigure(errors="replace")


@contextmanager
def one_line_errors() -> Iterator[None]:
    """Turn whatever is raised inside into one line on standard error and an exit status."""
    try:
        yield
    except click.exceptions.Exit as stop:
        sys.exit(stop.exit_code)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (KeyboardInterrupt, click.Abort):
        say_problem("stopped")
        sys.exit(INTERRUPTED)
    except BrokenPipeError:  # whoever read our output has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(FAILED)
    except Exception as error:
        sys.exit(_say_error(error))


def _say_error(error: Exception) -> int:
    from reader.errors import LinecallError, OutputError
    from reader.run.batch import fault_line

    if isinstance(error, LinecallError):
        say_problem(str(error))
        return FAILED if isinstance(error, OutputError) else WRONG_USAGE
    if os.environ.get(DEBUG_VARIABLE):
        import traceback

        traceback.print_exception(error)
    if (
        isinstance(error, OSError) and error.filename is not None
    ):  # a file that a command needs and cannot have
        say_problem(f"{os.fsdecode(error.filename)}: {error.strerror}")
        return FAILED
    say_problem(fault_line("linecall", error))
    return INTERNAL


@click.group(
    "linecall",
    cls=CommandGroup,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog='Tab completion: eval "$(_LINECALL_COMPLETE=bash_source linecall)"; or zsh_source, fish_source.',
)
@shared_options
@click.version_option(package_name="linecall", message="%(prog)s %(version)s")
def main(**shared: Any) -> None:
    """Read lateral-flow test plates from a photo.

    linecall assists a trained person. Local procedures, fuel-handling safety and licensed practice come
    first; a screening plate does not certify fuel.

    The options below are shared: a command takes those that its own help names, before its name or after it.
    """
