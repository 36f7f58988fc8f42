"""`linecall library add`: photos with label files, and readings of the logbook, into the library."""

import json
from contextlib import ExitStack, closing
from dataclasses import asdict
from datetime import UTC, datetime
from functools import partial
from itertools import chain, islice
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli import show
from cli.options import (
    FAILED,
    GRADED,
    REFUSED,
    WRONG_USAGE,
    Command,
    Out,
    explained_by,
    opened,
    saying_what_was_done,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from reader.library import Library
    from reader.library.add import Added, AddOrder, Source
    from reader.library.examples import GraderRole
    from reader.run.hand_out import Hands

ROLES = ("expert", "technician", "trainee", "panel")
BATCH_SIZE = 16  # photos of the logbook held in memory, of some 5 MB each
TELLING = ("failed", "refused", "alike")


@click.command(
    cls=Command,
    shared=("where", "logbook", "layout", "jobs", "on", "as_json"),
    keys=("thresholds",),
    short_help="Add photos with label files, or readings of the logbook.",
)
@click.argument("photos", metavar="[PHOTO|FOLDER]...", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--labels",
    "label_file",
    metavar="FILE",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Who called what: .csv, .json or .jsonl.",
)
@click.option("--grader", metavar="NAME", help="Whose labels, where the file does not say.")
@click.option(
    "--role",
    type=click.Choice(ROLES),
    help="As what they graded, where the file does not say; of reviewers, expert unless said.",
)
@click.option("--graded-at", metavar="TIME", help="When, with its offset, where the file does not say.")
@click.option(
    "--reading", "readings", metavar="ID|all", multiple=True, help="A reading of the logbook; all that stand."
)
@click.option("--light", metavar="TAG", help="In what light the photos were taken, where no label says.")
@click.option("--keep-alike", is_flag=True, help="Add what looks like a photo that is there.")
@click.option("--dry-run", is_flag=True, help="Read and compare everything, and write nothing.")
def add(
    photos: tuple[Path, ...],
    where: Path,
    label_file: Path | None,
    grader: str | None,
    role: "GraderRole | None",
    graded_at: str | None,
    readings: tuple[str, ...],
    logbook: str | None,
    logbook_photos: str | None,
    light: str | None,
    layout: str,
    thresholds: str,
    keep_alike: bool,
    dry_run: bool,
    jobs: int,
    on: str | None,
    as_json: bool,
) -> int:
    """Add photos with label files, or readings of the logbook.

    PHOTO is a picture, FOLDER stands for the pictures in it. A label file has one row for each call, with the
    columns photo, grader, role, graded_at, window, mark, call, and where wanted grade, blind, light, defects,
    plate, note; grader, role and graded_at may be said by options instead. Labels of photos that are in the
    library already are added to them, with or without the photo.

    With --reading, readings of the logbook are added; what reviewers decided on them becomes their gradings.

    A photo that is there byte for byte is not added again. One that looks like it, saved smaller or otherwise, is
    held back. Photos of one plate should be labelled with one plate.

    Exit status: 0 all were added or are there; 4 some were refused; 1 some could not be added;
    2 wrong usage, or a label file that says what cannot be.
    """
    if not (photos or label_file or readings):
        raise click.UsageError("give photos or a folder, or --labels of photos that are there, or --reading")
    if (grader or graded_at) and not label_file:
        raise click.UsageError("--grader and --graded-at say whose labels they are; give --labels too")
    from reader.library import Library
    from reader.library.add import AddOrder, grade_known, layout_files, match_labels, sources_of_readings
    from reader.library.examples import UNSTATED, plain_tag
    from reader.library.labels import LabelsError, load_labels
    from reader.library.store import FILE_NAME
    from reader.run.hands import hands_for
    from reader.run.jobs import find_photos
    from reader.settings.read_settings import load_settings

    if on is not None and jobs > 1:
        raise click.UsageError(
            "--jobs is for processes of this machine; with --on the cluster's workers read"
        )
    if on is not None:  # its workers start in folders of their own
        photos = tuple(map(Path.absolute, photos))
    try:
        tag = UNSTATED if light is None else plain_tag(light)
    except ValueError as error:
        raise click.BadParameter(f"{light!r}: {error}", param_hint="--light") from None
    settings = load_settings(layout=layout, thresholds=thresholds)
    with ExitStack() as stack:
        exists = (where / FILE_NAME).is_file()
        library = stack.enter_context(Library.open(where)) if exists else None
        said = {"grader": grader or "", "role": role or "", "graded_at": graded_at or ""}
        try:
            labels = None
            if label_file is not None:
                known = library.graders() if library else ()
                labels = load_labels(label_file, for_all=said, known_graders=known)
            sources: list[Source] = match_labels(find_photos(photos), labels, library)
        except LabelsError as error:
            for problem in error.problems:
                show.say_problem(problem)
            return WRONG_USAGE
        if library is None and not dry_run:
            library = stack.enter_context(Library.open(where))
        order = AddOrder(
            settings=settings,
            layout_files=layout_files(settings, layout),
            at=datetime.now(UTC).replace(microsecond=0),
            light=tag,
            keep_alike=keep_alike,
            dry_run=dry_run,
            labels=labels,
        )
        batches: Iterator[Sequence[Source]] = iter((sources,))
        if readings:
            book = stack.enter_context(opened(logbook, logbook_photos))
            named = () if "all" in readings else readings
            batches = chain(batches, _batches(sources_of_readings(book, named, role=role or "expert")))
        hands = stack.enter_context(hands_for(len(sources) + BATCH_SIZE * bool(readings), jobs, on))
        outcomes: list[Added] = []
        stack.enter_context(saying_what_was_done(lambda: _done(outcomes, dry_run=dry_run)))
        for batch in batches:
            for outcome in _added(library, batch, order, hands):
                outcomes.append(outcome)
                _tell(outcome, as_json=as_json)
        if library is not None:
            for outcome in grade_known(library, [source.path for source in sources], order):
                outcomes.append(outcome)
                _tell(outcome, as_json=as_json)
    if not as_json:
        _conclude(outcomes, where, dry_run=dry_run)
    fates = {outcome.fate for outcome in outcomes}
    return FAILED if "failed" in fates else REFUSED if "refused" in fates else GRADED


def _done(outcomes: "Sequence[Added]", *, dry_run: bool) -> str:
    """What is done of an adding that was stopped."""
    if dry_run:
        return "nothing was written, as this was a dry run"
    from reader.library.add import totals

    so_far = totals(list(outcomes)) if outcomes else "nothing yet"
    return f"{so_far}; the others are not added, and the same command adds them"


def _batches(found: "Iterator[Source]") -> "Iterator[Sequence[Source]]":
    """Photos of the logbook, some at a time: each batch is held in memory while it is added."""
    while batch := list(islice(found, BATCH_SIZE)):
        yield batch


def _added(
    library: "Library | None", sources: "Sequence[Source]", order: "AddOrder", hands: "Hands"
) -> "Iterator[Added]":
    """Add photos, with a progress bar."""
    from reader.library.add import add_sources

    with ExitStack() as stack:
        steps = stack.enter_context(closing(add_sources(library, sources, order, hands)))
        yield from stack.enter_context(closing(show.with_progress(steps, len(sources), "adding")))


@click.command(
    cls=Command,
    shared=("layout", "jobs", "force"),
    out=Out("FILE.csv"),
    short_help="Write a label file of photos, to be filled in.",
)
@click.argument("photos", metavar="PHOTO|FOLDER...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--grader", metavar="NAME", default="", help="Who will grade.", **explained_by("linecall library add")
)
@click.option(
    "--role",
    type=click.Choice(ROLES),
    default=None,
    help="As what they will.",
    **explained_by("linecall library add"),
)
def labels(
    photos: tuple[Path, ...],
    grader: str,
    role: str | None,
    layout: str,
    out: Path | None,
    jobs: int,
    force: bool,
) -> int:
    """Write a label file of photos: a row for each mark, whose call is to be filled in with a spreadsheet.

    What linecall calls is not in it, so that it can be graded blind. A row that stays without a call says that the
    mark was not judged. When it is filled in: linecall library add PHOTO|FOLDER... --labels FILE.csv
    It is labels.csv, unless -o names a file.
    """
    from reader.files.output import write_whole
    from reader.library.blank import blank_labels
    from reader.library.measuring import only_read
    from reader.run.batch import read_many
    from reader.run.hand_out import in_order
    from reader.run.hands import hands_for
    from reader.run.jobs import Job, find_photos
    from reader.settings.read_settings import load_settings
    from reader.words import counted

    target = out or Path("labels.csv")
    work = partial(only_read, settings=load_settings(layout=layout))
    plan = [Job(photo=photo, verdict_path=target, image_path=target) for photo in find_photos(photos)]
    with ExitStack() as stack:
        stack.enter_context(saying_what_was_done(lambda: f"{target} is not written"))
        hands = stack.enter_context(hands_for(len(plan), jobs))
        steps = stack.enter_context(closing(read_many(plan, work, hands)))
        steps = stack.enter_context(closing(show.with_progress(steps, len(plan), "reading")))
        outcomes = list(in_order(steps))
    status = GRADED
    for outcome in outcomes:
        if outcome.verdict is None:
            show.say_problem(outcome.problem or f"{outcome.job.photo}: was not read")
            status = FAILED
        elif outcome.verdict.status == "refused":
            show.say_problem(show.refusal_line(outcome))
            status = status or REFUSED
    data = blank_labels(outcomes, grader=grader, role=role or "")
    write_whole({target: data}, force=force)
    click.echo(show.printable(f"{counted(len(data.splitlines()) - 1, 'mark')} to call; {target}"))
    return status


def _tell(outcome: "Added", *, as_json: bool) -> None:
    if as_json:
        show.echo_data(json.dumps(asdict(outcome), ensure_ascii=False) + "\n")
    elif outcome.fate in TELLING:
        show.say_problem(f"{outcome.photo}: {outcome.fate}: {outcome.sentence}")


def _conclude(outcomes: "list[Added]", where: Path, *, dry_run: bool) -> None:
    from reader.library.add import totals

    rows = [("photo", "", "example", "gradings")] + [
        (
            show.printable(outcome.photo),
            outcome.fate,
            outcome.example or "-" if not dry_run or outcome.fate != "added" else "-",
            str(outcome.gradings),
        )
        for outcome in outcomes
        if outcome.fate not in TELLING
    ]
    if len(rows) > 1:
        click.echo("\n".join(show.in_columns(rows)))
    if n := sum(outcome.like is not None for outcome in outcomes):
        click.echo(
            f"{n} added without a plate's name, with marks as high as another photo's; "
            "if they show one plate, label them with it (--json tells which)"
        )
    click.echo(show.printable(totals(outcomes) + (", were it not a dry run" if dry_run else f"; {where}")))
