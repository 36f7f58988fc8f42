"""`linecall due`: what is to be done today, as a list, a sheet to tick off, and labels for the bottles."""

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli import show
from cli.options import Command, ending_in, explained_by, opened
from cli.site import named_site

if TYPE_CHECKING:
    from reader.round.due import DayRound, Task

PAPERS = ("a4", "letter")


@click.command(
    cls=Command,
    shared=("logbook", "by", "force"),
    keys=("site",),
    short_help="What is due today: points to test, follow-ups that are open, the riskiest first.",
)
@click.option(
    "--sheet",
    metavar="FILE.pdf",
    type=click.Path(dir_okay=False, path_type=Path),
    callback=ending_in(".pdf"),
    help="Write the day's round as one page to tick off.",
)
@click.option(
    "--bottle-labels",
    "labels",
    metavar="FILE.pdf",
    type=click.Path(dir_okay=False, path_type=Path),
    callback=ending_in(".pdf"),
    help="Write labels for the bottles of the points that are due; each begins a run. With --phase and --lot.",
)
@click.option(
    "--phase",
    metavar="NAME",
    help="For labels: what is going to be tested, as in linecall run begin.",
    **explained_by("linecall run begin"),
)
@click.option(
    "--lot",
    metavar="LOT",
    help="For labels: the plates' lot, as printed.",
    **explained_by("linecall run begin"),
)
@click.option(
    "--point",
    "points",
    metavar="ID",
    multiple=True,
    help="For labels: only these points, due or not.",
    **explained_by("linecall run list"),
)
@click.option(
    "--paper",
    type=click.Choice(PAPERS),
    default="a4",
    show_default=True,
    help="Sheet of paper.",
    **explained_by("linecall card"),
)
def due(
    sheet: Path | None,
    labels: Path | None,
    phase: str | None,
    lot: str | None,
    points: tuple[str, ...],
    paper: str,
    logbook: str | None,
    logbook_photos: str | None,
    by: str | None,
    force: bool,
    site: str | None,
) -> None:
    """Show what is due today: points to be tested, and follow-ups that are open, the riskiest first.

    A point is due by its last grade and the site file's intervals; one that was never read in a run is due, too. Grades
    that nobody can tell (undecided, invalid, never read) come after heavy and before moderate.

    With --bottle-labels a run is begun for each point that is due, in the state prepared; one that is prepared already
    gets its label again. A photo that shows such a label beside the plate is tied to its run by itself.
    """
    if labels is None and (phase or lot or points):
        raise click.UsageError("--phase, --lot and --point go with --bottle-labels FILE.pdf")
    if labels is not None and not (phase and lot):
        raise click.UsageError("--bottle-labels begins runs: say --phase NAME and --lot LOT")
    from reader.files.output import write_whole
    from reader.round.due import day_round

    place, now = named_site(), datetime.now(UTC)
    if not logbook or "://" in logbook or Path(logbook).exists():
        with opened(logbook, logbook_photos) as book:
            found = day_round(book, place, now=now)
    else:
        found = day_round(None, place, now=now)
    if sheet is None and labels is None:
        for line in _lines(found):
            click.echo(show.printable(line))
        return
    if sheet is not None:
        from reader.round.sheets import round_sheet

        write_whole({sheet: round_sheet(found, made_at=now, paper=paper)}, force=force)
        click.echo(click.format_filename(sheet))
    if labels is not None:
        assert phase is not None
        assert lot is not None
        _check_free(labels, force=force)
        _write_labels(
            labels,
            found,
            points,
            phase=phase,
            lot=lot,
            paper=paper,
            by=by,
            logbook=logbook,
            logbook_photos=logbook_photos,
            force=force,
        )


def _check_free(path: Path, *, force: bool) -> None:
    """Runs are begun before their labels are written, so a name that is taken is told first."""
    if path.exists() and not force:
        raise click.UsageError(f"{path}: exists; give another name, or --force to overwrite it")


def _write_labels(
    path: Path,
    found: "DayRound",
    points: tuple[str, ...],
    *,
    phase: str,
    lot: str,
    paper: str,
    by: str | None,
    logbook: str | None,
    logbook_photos: str | None,
    force: bool,
) -> None:
    from cli.run import desk_of
    from reader.files.output import write_whole
    from reader.round.label import prepare_labels
    from reader.round.sheets import label_sheet

    with desk_of(logbook, logbook_photos, by) as desk:
        wanted = points or tuple(task.point for task in found.points)
        labels, left_out = prepare_labels(desk, wanted, phase=phase, lot=lot)
    for line in left_out:
        show.say_problem(line)
    if not labels:
        show.say_problem("no label was made")
        return
    write_whole({path: label_sheet(labels, paper=paper)}, force=force)
    for label in labels:
        click.echo(show.printable(f"run {label.run}   {label.place} ({label.point})"))
    click.echo(click.format_filename(path))


def _lines(found: "DayRound") -> list[str]:
    from reader.words import counted

    tests = found.points
    others = [task for task in found.tasks if task.follow_up is not None]
    overdue = sum(task.is_overdue for task in found.tasks)
    head = (
        f"{found.site.title or found.site.site}   {found.day}   {counted(len(tests), 'test')} due, "
        f"{counted(len(others), 'follow-up')} open, {overdue} overdue"
    )
    lines = [head]
    if found.tasks:
        rows = [_row(task) for task in found.tasks]
        lines += ["", *show.in_columns([("when", "point", "what and why", "who", "follow-up"), *rows])]
    if not tests and found.next_on is not None:
        lines += ["", f"the next test is due on {found.next_on}: {found.next_point}"]
    return lines


def _row(task: "Task") -> tuple[str, ...]:
    when = "OVERDUE" if task.is_overdue else "today" if task.days_late == 0 else f"{task.due_on}"
    one = task.follow_up
    return when, task.point, task.reason, task.owner, "" if one is None else one.id
