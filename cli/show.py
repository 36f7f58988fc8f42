"""What a run looks like on the terminal: results on standard output, problems and progress on standard error.

Words carry the meaning and columns the order; colour only repeats it, on a terminal, unless NO_COLOR is set.
"""

import os
import shlex
import shutil
import sys
from collections import Counter
from collections.abc import Generator, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, NamedTuple, TypeVar

import click

if TYPE_CHECKING:
    from reader.files.urls import Place
    from reader.logbook import ReadingRow
    from reader.run.batch import Outcome
    from reader.verdict.model import Mark, Verdict, WindowRecord

T = TypeVar("T")

LABEL_WIDTH = 9  # characters, of the column that says what a line is about
FEW = 5  # photos; of more than these a progress bar is shown, and of what was read a row each, no paragraph
WIDEST = 100  # characters; longer lines are hard to follow

GRADE_COLOURS = {  # told apart by people who do not see red and green apart, on light and on dark
    "negligible": "blue",
    "moderate": "yellow",
    "heavy": "magenta",
    "invalid": None,
    "undecided": "yellow",
}


def say_problem(line: str) -> None:
    """Print one line on standard error."""
    click.echo(printable(line), err=True)


def echo_data(text: str) -> None:
    """Print what a program reads, such as JSON: as UTF-8, whatever the terminal's encoding."""
    click.echo(text.encode("utf-8", "replace"), nl=False)


def printable(text: str) -> str:
    """Text that is safe on a terminal: one line, nothing that steers it, nothing that UTF-8 cannot carry."""
    text = " ".join(text.splitlines()).encode("utf-8", "replace").decode("utf-8")
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


def refusal_line(outcome: "Outcome") -> str:
    """One line for a photo that got no verdict."""
    verdict = outcome.verdict
    assert verdict is not None
    return f"{outcome.job.photo}: refused: {verdict.reason}; {verdict.remedy}"


def reading_lines(outcome: "Outcome", typed: Sequence[str] = ()) -> list[str]:
    """The grade, the reason, each window's calls and the next step of a photo that was read.

    typed : the options that a further command on the same plate needs again, as they were typed.
    """
    from reader.verdict.in_words import identity, why
    from reader.verdict.second_photo import TOGETHER
    from reader.words import listed

    verdict = outcome.verdict
    assert verdict is not None
    assert verdict.grade is not None
    grade = styled(verdict.grade.upper(), fg=GRADE_COLOURS[verdict.grade], bold=True)
    layout = f"   layout {verdict.layout.name}" if verdict.layout else ""
    lines = [f"{printable(str(outcome.job.photo))}   {grade}{layout}"]
    lines += labelled("sample", identity(verdict))
    lines += labelled("why", why(verdict))
    if verdict.readings:
        lines += labelled(
            "photos", f"{listed([reading.photo.name for reading in verdict.readings])}, read as one"
        )
    lines += _window_lines(verdict)
    if verdict.reading_age:
        lines += labelled("age", verdict.reading_age.sentence)
        if verdict.reading_age.status == "unknown" and outcome.job.order is None:
            clock = ", or --drops-at HH:MM" if verdict.photo.captured_at else ""
            lines += labelled("", f"to add it, type the same command with --reading-age MINUTES{clock}")
    if verdict.own_files:
        lines += labelled("settings", verdict.own_files)
    for warning in verdict.warnings:
        lines += labelled("warning", warning)
    lines += labelled("next", verdict.next_step)
    if TOGETHER in verdict.next_step:
        taken = [str(photo) for photo in outcome.job.plate or (outcome.job.photo,)]
        how = shlex.join(["linecall", "read", *taken, "SECOND.jpg", "--same-plate", *typed])
        if outcome.job.order is not None:  # read from a table
            how = f"in the table's cell: {'; '.join(path.rsplit('/', 1)[-1] for path in taken)}; SECOND.jpg"
        lines.append(f"  {'as one':<{LABEL_WIDTH}}{printable(how)}")  # on one line, to be copied
    if outcome.logged:
        lines += labelled("logbook", f"reading {outcome.logged}")
        if verdict.id not in (None, outcome.logged):
            lines += labelled(
                "", f"its files say {verdict.id}: what was read so before has that id in the logbook"
            )
    for line in succession_lines(outcome):
        lines += labelled("", line)
    for path in outcome.set_aside[:1]:
        lines.append(f"  {'kept':<{LABEL_WIDTH}}{printable(str(path))}, the reading before, with less stated")
    for label, written in zip(
        ("before" if outcome.done_before else "written", ""), outcome.written, strict=False
    ):
        lines.append(f"  {label:<{LABEL_WIDTH}}{printable(str(written))}")  # on one line, to be copied
    return lines


def succession_lines(outcome: "Outcome") -> list[str]:
    """Say whose place a reading took in the logbook, and beside which it stands; a sentence each."""
    succession = outcome.succession
    if succession is None:
        return []
    return [
        f"in place of reading {row.id}"
        + ", which no longer waits for a reviewer" * (row.id in succession.waited)
        for row in succession.replaced
    ] + [
        f"beside reading {row.id} of the same photo ({_matter(row)}), which stands"
        f"{' and waits for a reviewer' * (row.rank is not None)}; if one of them is a slip, read the photo again "
        "as it should be, with --replaces ID --reason TEXT"
        for row in succession.beside
    ]


def _matter(row: "ReadingRow") -> str:
    said = [row.tank and f"tank {row.tank}", row.sample_point, f"by {row.operator}", row.grade or row.status]
    return ", ".join(filter(None, said))


def _window_lines(verdict: "Verdict") -> list[str]:
    pivotal = {pivot.window for pivot in verdict.pivotal}
    windows = verdict.windows
    id_width, analyte_width = (
        max(len(printable(getattr(window, name))) for window in windows) for name in ("id", "analyte")
    )

    def call(window: "WindowRecord", name: "str", mark: "Mark") -> str:
        shown = f"{name} {mark.call}".ljust(len("reference undeveloped"))
        return styled(shown, bold=mark.call != "present")

    lines = []
    for window in windows:
        deciding = window.id in pivotal
        label = "windows" if window is windows[0] else ""
        lines.append(
            f"  {label:<{LABEL_WIDTH}}{printable(window.id):>{id_width}}  "
            f"{printable(window.analyte):<{analyte_width}}  {window.tier}   "
            f"{call(window, 'indicator', window.indicator)}  {call(window, 'reference', window.reference)}"
            + ("  decides" if deciding else "")
        )
    return [line.rstrip() for line in lines]


def in_columns(rows: Sequence[Sequence[str]]) -> list[str]:
    """Rows of cells as lines, each column as wide as its widest cell."""
    cells = [[printable(cell) for cell in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    padded = ([cell.ljust(width) for cell, width in zip(row, widths, strict=True)] for row in cells)
    return ["  ".join(row).rstrip() for row in padded]


def labelled(label: str, text: str) -> list[str]:
    """Lines of a text, wrapped, with a label before the first."""
    indent = " " * (2 + LABEL_WIDTH)
    wrapped = click.wrap_text(printable(text), width(), f"  {label:<{LABEL_WIDTH}}", indent)
    return wrapped.splitlines()


def width() -> int:
    """How long a line may be, in characters."""
    return min(shutil.get_terminal_size().columns, WIDEST)


def styled(text: str, *, fg: str | None = None, bold: bool = False) -> str:
    """Text in colour or bold where that is wanted."""
    return click.style(text, fg=fg, bold=bold) if colour_wanted() and (fg or bold) else text


def colour_wanted() -> bool:
    """Whether standard output is a terminal whose user has not asked for plain text (no-color.org)."""
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR")


class Row(NamedTuple):
    """What a table shows of a photo."""

    photo: "Place"
    result: str
    why: str


def row_of(outcome: "Outcome") -> Row:
    """What it was found to be and why."""
    return Row(outcome.job.photo, result_of(outcome), _explained(outcome))


def print_table(rows: Sequence[Row]) -> None:
    """Print a row a photo."""
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=SIMPLE_HEAD, pad_edge=False, show_edge=False)
    table.add_column("photo", overflow="fold", max_width=width() // 2)
    table.add_column("result", no_wrap=True)
    table.add_column("why")
    names = Counter(row.photo.name for row in rows)
    for photo, result, why in rows:
        shown = photo if names[photo.name] > 1 else photo.name
        style = f"bold {GRADE_COLOURS.get(result) or ''}".rstrip()
        table.add_row(Text(printable(str(shown))), Text(result, style), Text(printable(why)))
    console = Console(width=width(), force_terminal=colour_wanted(), highlight=False)
    with console.capture() as printed:
        console.print(table)
    click.echo("\n".join(line.rstrip() for line in printed.get().splitlines()))


def result_of(outcome: "Outcome") -> str:
    """The grade, or refused, or failed."""
    if outcome.verdict is None:
        return "failed"
    return outcome.verdict.grade or "refused"


def _explained(outcome: "Outcome") -> str:
    from reader.verdict.in_words import why

    reasons = [why(outcome.verdict)] if outcome.verdict else []
    return "; ".join(reasons + ([outcome.problem] if outcome.problem else []))


def totals_line(counts: Mapping[str, int]) -> str:
    """Say how many photos came to what."""
    order = [*GRADE_COLOURS, "refused", "failed"]
    from reader.words import counted

    return f"{counted(sum(counts.values()), 'photo')}: " + ", ".join(
        f"{counts[name]} {name}" for name in order if counts.get(name)
    )


def with_progress(steps: Iterable[T], total: int | None, what: str) -> Generator[T, None, None]:
    """Pass the steps on; where there are more than few, and a terminal, show on it how many have come in."""
    if (total is not None and total <= FEW) or not sys.stderr.isatty():
        yield from steps
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    console = Console(stderr=True, no_color=bool(os.environ.get("NO_COLOR")))
    # Standard output stays as it is: what goes there may be data.
    with Progress(*columns, console=console, redirect_stdout=False, transient=True) as progress:
        task = progress.add_task(what, total=total)
        for step in steps:
            progress.advance(task)
            yield step


def photos_handed_on(*, stripped: bool) -> str:
    """What whoever hands photos on must know about them."""
    if stripped:
        return "photos are without what the phone wrote beside the pixels; both hashes are kept"
    return (
        "the original photos carry what the phone wrote into them, often position and serial number; "
        "--strip-metadata takes it out"
    )
