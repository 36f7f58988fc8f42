"""`linecall read`: photos in, verdicts and annotated images out."""

import os
import sys
from contextlib import ExitStack, closing
from datetime import UTC, datetime
from functools import partial
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cli import show
from cli.known_name import known_name
from cli.logbook import logbook_options
from cli.main import FAILED, GRADED, REFUSED, UNDECIDED
from cli.options import moment

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from reader.batch import Job, Outcome, Work
    from reader.read import ReadSettings

_BEST_TO_WORST = (GRADED, UNDECIDED, REFUSED, FAILED)


def _minutes(ctx: click.Context, param: click.Parameter, value: float | None) -> float | None:
    """Check a number of minutes; "nan" and "inf" are none."""
    if value is not None and not (isfinite(value) and value >= 0):
        raise click.BadParameter(f"{value} is no number of minutes, 0 or more")
    return value


STATED = {
    "tank": ("NAME", "tank that the sample is from."),
    "sample_point": ("NAME", "where the sample was drawn, such as sump or drain."),
    "sample_phase": ("NAME", "what was drawn, such as fuel or water."),
    "plate_lot": ("LOT", "the plate's lot."),
    "plate_expiry": ("DATE", "the plate's expiry: 2027-03-31, or 2027-03."),
    "operator": ("NAME", "who reads."),
    "note": ("TEXT", "anything else that should be known."),
}
OPERATOR_VARIABLE = "LINECALL_OPERATOR"


def _statement_options(command: "Callable[..., Any]") -> "Callable[..., Any]":
    """Add the options for what the technician states, which the logbook keeps."""
    for name, (metavar, text) in reversed(STATED.items()):
        variable = OPERATOR_VARIABLE if name == "operator" else None
        option = f"--{name.replace('_', '-')}"
        command = click.option(option, metavar=metavar, envvar=variable, help=f"For the logbook: {text}")(
            command
        )
    return command


@click.command(short_help="Read plates from photos: a call for each mark, a grade, and the proof.")
@click.argument("photos", metavar="PHOTO...", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--layout", metavar="auto|NAME|FILE.toml", default="auto", show_default=True, help="Make of plate."
)
@click.option(
    "--rules", metavar="NAME|FILE.toml", default="two-tier", show_default=True, help="Grading rules."
)
@click.option(
    "--thresholds",
    metavar="NAME|FILE.toml",
    default="standard",
    show_default=True,
    help="Limits for calling a mark.",
)
@click.option(
    "--texts", metavar="NAME|FILE.toml", default="standard", show_default=True, help="Next-step texts."
)
@click.option("--same-plate", is_flag=True, help="All photos show one plate: read them as one.")
@click.option(
    "--out",
    metavar="DIR",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for results.  [default: beside each photo]",
)
@click.option(
    "--drops-at",
    metavar="TIME",
    callback=moment,
    help="When the drops were put in the wells: date and time.",
)
@click.option(
    "--reading-age", metavar="MINUTES", type=float, callback=_minutes, help="From the drops to the photo."
)
@logbook_options
@_statement_options
@click.option("--json", "as_json", is_flag=True, help="Print verdicts, one a line, and nothing else.")
@click.option(
    "--jobs", metavar="N", type=click.IntRange(1, 64), default=1, show_default=True, help="Photos at a time."
)
@click.option("--quiet", is_flag=True, help="Print only refusals and other problems.")
@click.option("--force", is_flag=True, help="Overwrite results that hold something else.")
def read(
    photos: tuple[Path, ...],
    layout: str,
    rules: str,
    thresholds: str,
    texts: str,
    same_plate: bool,
    out: Path | None,
    drops_at: datetime | None,
    reading_age: float | None,
    as_json: bool,
    jobs: int,
    quiet: bool,
    force: bool,
    logbook: str | None,
    logbook_photos: str | None,
    **stated: str | None,
) -> int:
    """Read plates from photos: a call for each mark, a grade, and the proof.

    PHOTO is a picture file (JPEG, PNG, TIFF, WebP, HEIC) or a folder, which stands for the pictures in it,
    not for those in folders inside it. For each, <stem>.verdict.json and <stem>.annotated.jpg are written;
    photos that share a stem keep their suffix too. For more than one photo, summary.csv is written into the
    folder for results, or beside the first photo; where there is one already, summary-2.csv and so on.

    With --same-plate the photos, taken minutes apart from other angles or in other light, give one verdict and
    one annotated image, named after the first; each photo's own reading is in the verdict. A doubt that one
    photo leaves is mostly settled by two or three.

    With --logbook each reading is kept there too, with its original photo and what you state about the sample.

    Exit status: 0 every photo got a grade; 3 one is undecided; 4 one was refused; 1 a result could not be
    written, or a photo failed otherwise (of several, the last named counts); 2 wrong usage.
    """
    if drops_at is not None and reading_age is not None:
        raise click.UsageError("--drops-at and --reading-age say the same thing; give one")
    from reader.batch import Order, find_photos, plan_jobs, plan_plate, read_and_write, write_summary
    from reader.errors import OutputError
    from reader.output import check_folder
    from reader.read import load_settings

    settings = load_settings(layout=layout, rules=rules, thresholds=thresholds, texts=texts)
    found = find_photos(photos)
    plan = (plan_plate(found, out),) if same_plate else plan_jobs(found, out)
    if out is not None:
        check_folder(out)
    work = partial(
        read_and_write,
        order=Order(settings=settings, drops_at=drops_at, reading_age_min=reading_age, force=force),
    )
    prose = not (quiet or as_json)
    with ExitStack() as stack:
        put = _putter(logbook, logbook_photos, stated | {"drops_at": drops_at}, settings, stack)
        arriving = _carry_out(
            plan, work, jobs, stack, bar=not quiet and not (as_json and sys.stdout.isatty())
        )
        outcomes = []
        for outcome in map(put, arriving):
            outcomes.append(outcome)
            _show(outcome, as_json=as_json, paragraph=prose and len(plan) <= show.FEW)
    status = max((_status(outcome) for outcome in outcomes), key=_BEST_TO_WORST.index)
    if len(outcomes) > 1:
        folder = plan[0].verdict_path.parent
        try:
            summary = write_summary(outcomes, folder, force=force)
        except OutputError as error:
            show.say_problem(str(error))
            status = FAILED
        else:
            if prose:
                if len(plan) > show.FEW:
                    show.print_table(outcomes)
                click.echo(f"{show.totals_line(outcomes)}; {show.printable(str(summary))} has them all")
    return status


def _putter(
    logbook: str | None,
    photos: str | None,
    stated: dict[str, Any],
    settings: "ReadSettings",
    stack: ExitStack,
) -> "Callable[[Outcome], Outcome]":
    """What puts an outcome into the logbook; without one, what leaves it alone."""
    if not logbook:
        alone = [name for name in STATED if stated[name] is not None and name != "operator"]
        if alone:
            option = alone[0].replace("_", "-")
            raise click.UsageError(f"--{option} is kept in a logbook; name one with --logbook PATH|URL")
        return lambda outcome: outcome
    if stated["operator"] is None:
        raise click.UsageError(
            f"say who reads, for the logbook: --operator NAME, or the variable {OPERATOR_VARIABLE}"
        )
    from reader.batch import put_into
    from reader.logbook import Logbook, Statement
    from reader.names import checked_name

    statement = Statement.of(**stated)
    book = stack.enter_context(Logbook.open(logbook, photos=photos))
    if book.head()[0]:
        who = known_name(book, statement.operator, "technician")
    else:
        who = checked_name(statement.operator, "the operator's name")
        show.say_problem(f"{who} begins the logbook {book.name}, and is known in it")
    statement = statement.model_copy(update={"operator": who})
    return lambda outcome: put_into(book, outcome, statement, settings, at=datetime.now(UTC).astimezone())


def _carry_out(
    plan: "Sequence[Job]", work: "Work", workers: int, stack: ExitStack, *, bar: bool
) -> "Iterator[Outcome]":
    """Outcomes in the order of the plan. One photo is read right here, many in processes of their own."""
    from reader.batch import attempt

    if len(plan) == 1:
        return iter([attempt(work, plan[0])])
    from reader.pool import in_order, read_many

    steps = stack.enter_context(closing(read_many(plan, work, workers=workers)))
    if bar:
        steps = stack.enter_context(closing(show.with_progress(steps, len(plan), "reading")))
    return in_order(steps)


def _show(outcome: "Outcome", *, as_json: bool, paragraph: bool) -> None:
    verdict = outcome.verdict
    if verdict is not None and as_json:
        from reader.verdict import to_bytes

        click.echo(to_bytes(verdict, one_line=True), nl=False)
    if verdict is not None and verdict.status == "refused":
        show.say_problem(show.refusal_line(outcome))
    elif verdict is not None and paragraph:
        click.echo("\n".join(show.reading_lines(outcome)))
    if outcome.problem:
        show.say_problem(outcome.problem)
    if outcome.details and os.environ.get("LINECALL_DEBUG"):
        click.echo(outcome.details, err=True)


def _status(outcome: "Outcome") -> int:
    if outcome.problem or outcome.verdict is None:
        return FAILED
    if outcome.verdict.status == "refused":
        return REFUSED
    return UNDECIDED if outcome.verdict.grade == "undecided" else GRADED
