"""Commands run in this process, to make the stores that a bench starts from."""

import re


def linecall(*arguments: str) -> str:
    """What a command prints; it must end in a grade or in a doubt."""
    from click.testing import CliRunner

    from cli.main import main

    done = CliRunner().invoke(main, list(arguments))
    assert done.exit_code in {0, 3}, (arguments, done.output)
    return done.output


def begin_logbook(*photos: str, out: str) -> str:
    """Log photos in log.db, each of a tank of its own, with a reviewer and a trainee; returns who waits for review."""
    for number, photo in enumerate(photos):
        linecall("read", photo, "--out", out, "-L", "log.db", "--operator", "A. Lind", "--tank", f"T{number}")
    linecall("people", "add", "B. Moreau", "--role", "reviewer", "-L", "log.db")
    linecall("people", "add", "D. Ruiz", "--role", "trainee", "-L", "log.db")
    waiting = re.search(r"^([0-9a-z]{8})\s", linecall("review", "list", "-L", "log.db"), re.MULTILINE)
    assert waiting is not None
    return waiting[1]


def make_paper(output: str) -> None:
    """Draw a quiz for the trainee from the library in `library`."""
    linecall("quiz", "make", "-l", "library", "--trainee", "D. Ruiz", "--items", "6", "--seed", "7", "--mix", "faint",
        "-o", output)  # fmt: skip
