"""`linecall read`: photos in, verdicts and annotated images out."""

import os
import sys
from collections import Counter
from contextlib import ExitStack, closing
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time
from functools import partial
from itertools import chain, islice
from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from cli import show
from cli.options import (
    FAILED,
    GRADED,
    INTERNAL,
    INVALID,
    REFUSED,
    UNDECIDED,
    WORST_LAST,
    Command,
    Out,
    PlaceType,
    ending_in,
    known_name,
    moment_or_clock,
    saying_what_was_done,
)
from cli.site import named_site
from cli.variables import DEBUG_VARIABLE, OPERATOR_VARIABLE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from reader.files.urls import Place
    from reader.logbook import Logbook
    from reader.logbook.put_in import Replacing
    from reader.round.record import Desk
    from reader.run.batch import Outcome, Work
    from reader.run.hand_out import Hands
    from reader.run.jobs import Job, Order
    from reader.run.summary import Summary

MOST_OF_ONE_PLATE = 50  # photos; of a folder with more it is hard to believe
_OF_GRADE = {"undecided": UNDECIDED, "invalid": INVALID}


def _minutes(ctx: click.Context, param: click.Parameter, value: float | None) -> float | None:
    """Check a number of minutes; "nan" and "inf" are none."""
    if value is not None and not (isfinite(value) and value >= 0):
        raise click.BadParameter(f"{value} is no number of minutes, 0 or more")
    return value


STATED = {
    "tank": ("NAME", "Tank that the sample is from."),
    "sample_point": ("NAME", "Where the sample was drawn, such as sump or drain."),
    "sample_phase": ("NAME", "What was drawn, such as fuel or water."),
    "plate_lot": ("LOT", "The plate's lot."),
    "plate_expiry": ("DATE", "The plate's expiry: 2027-03-31, or 2027-03."),
    "operator": ("NAME", f"Who reads; or the variable {OPERATOR_VARIABLE}."),
    "note": ("TEXT", "Anything else that should be known."),
}
AGAIN = frozenset(("layout", "out", "drops_at", "zone", "reading_age", "logbook", "logbook_photos", *STATED))
"""Options that hold for a plate, whichever photo of it is read."""


def _statement_options(command: "Callable[..., Any]") -> "Callable[..., Any]":
    """Add the options for what the technician states, which the logbook keeps."""
    for name, (metavar, text) in reversed(STATED.items()):
        variable = OPERATOR_VARIABLE if name == "operator" else None
        option = f"--{name.replace('_', '-')}"
        command = click.option(option, metavar=metavar, envvar=variable, help=text)(command)
    return command


@click.command(
    cls=Command,
    shared=("layout", "logbook", "reason", "as_json", "jobs", "on", "force"),
    keys=("rules", "thresholds", "texts", "zone", "site"),
    out=Out("DIR|URL"),
    short_help="Read plates from photos: a call for each mark, a grade, and the proof.",
)
@click.argument("photos", metavar="PHOTO...", nargs=-1, type=PlaceType())
@click.option(
    "--table",
    metavar="FILE.csv",
    type=PlaceType(dir_okay=False),
    help="A day's plates, a row each: photo, tank, point, drops, lot, expiry; or in .parquet.",
)
@click.option(
    "--new-table",
    metavar="FILE.csv",
    type=click.Path(dir_okay=False, path_type=Path),
    callback=ending_in(".csv"),
    help="Write such a table to be filled in, with a row for each PHOTO, and read nothing.",
)
@click.option("--same-plate", is_flag=True, help="All photos show one plate: read them as one.")
@click.option(
    "--drops-at",
    metavar="TIME",
    callback=moment_or_clock,
    help="When the drops were put in the wells: date and time, or 07:36 for the last such time before the photo.",
)
@click.option(
    "--zone",
    metavar="NAME|OFFSET",
    help="Zone of a camera that writes no offset, such as Europe/Lisbon or +02:00; or the variable LINECALL_ZONE.  "
    "[default: the rules', else this machine's]",
)
@click.option(
    "--reading-age", metavar="MINUTES", type=float, callback=_minutes, help="From the drops to the photo."
)
@click.option(
    "--replaces", metavar="ID", help="Reading in the logbook whose place this one takes; with --reason."
)
@_statement_options
@click.option(
    "--run",
    "run_id",
    metavar="ID",
    help="The run whose plate it is: it says drops, layout, tank, point and lot.",
)
@click.option("--quiet", is_flag=True, help="Print only refusals and other problems.")
def read(
    photos: "tuple[Place, ...]",
    layout: str,
    rules: str,
    thresholds: str,
    texts: str,
    table: "Place | None",
    new_table: Path | None,
    same_plate: bool,
    out: "Place | None",
    drops_at: datetime | time | None,
    zone: str | None,
    reading_age: float | None,
    as_json: bool,
    jobs: int,
    on: str | None,
    quiet: bool,
    force: bool,
    logbook: str | None,
    logbook_photos: str | None,
    replaces: str | None,
    reason: str | None,
    run_id: str | None,
    site: str | None,
    **stated: str | None,
) -> int:
    """Read plates from photos: a call for each mark, a grade, and the proof.

    PHOTO is a picture file (JPEG, PNG, TIFF, WebP, HEIC) or a folder, which stands for the pictures in it,
    not for those in folders inside it. For each, <stem>.verdict.json and <stem>.annotated.jpg are written
    beside it, or into the folder that -o names; photos that share a stem keep their suffix too. For more than one
    photo, summary.csv is written into that folder, or beside the first photo; where there is one already,
    summary-2.csv and so on.

    With --same-plate the photos, taken minutes apart from other angles or in other light, give one verdict and
    one annotated image, named after the first; each photo's own reading is in the verdict. A doubt that one
    photo leaves is mostly settled by two or three.

    With --table a whole day's plates are read in one go, each with its own tank, point, time of the drops, lot and
    expiry; photos lie in the table's folder or below it, and several of one plate stand in one cell with semicolons
    between. --new-table writes one to be filled in. A PHOTO beside --table is the folder that the photos lie in.

    A photo, a folder, the table and -o may be URLs, such as s3://BUCKET/FOLDER/; --on reads on a cluster (linecall
    guide cluster). What an earlier run has done, of the same photo, statement, settings and version, is not read
    again, except with --force, or for a logbook.

    With --run the photo, or with --same-plate the photos, are of the plate of one run (linecall run), which says when
    the drops were put in, which layout the lot has, and what went otherwise. A photo that shows the label of an open
    run beside the plate (linecall due --bottle-labels) is tied to that run by itself.

    With --logbook each reading is kept there too, with its original photo and what you state about the sample. It
    takes the place of an earlier reading of the photo by the same person, for the same tank, point and settings,
    and of any other only by --replaces ID and a --reason; else it stands beside it.

    Exit status: 0 every photo got a valid grade; 3 one is undecided; 5 one is invalid; 4 one was refused; 1 a
    result could not be written; 70 an internal error (of several photos the last named of these counts); 2 wrong
    usage, such as a photo that is not there.
    """
    if drops_at is not None and reading_age is not None:
        raise click.UsageError("--drops-at and --reading-age say the same thing; give one")
    if run_id is not None:
        _check_run_says(stated | {"drops_at": drops_at, "reading_age": reading_age, "table": table}, logbook)
    if new_table is not None:
        return _begin_table(new_table, photos, force=force)
    if table is not None:
        _check_alone(
            photos, stated | {"drops_at": drops_at, "reading_age": reading_age}, same_plate=same_plate
        )
    elif not photos:
        raise click.UsageError("Missing argument 'PHOTO...'; or name a table with --table FILE.csv")
    from reader.files.urls import Url
    from reader.run.batch import read_and_write
    from reader.run.hands import hands_for
    from reader.run.jobs import Order
    from reader.settings.read_settings import load_settings
    from reader.verdict.statement import Stated

    settings = load_settings(layout=layout, rules=rules, thresholds=thresholds, texts=texts, zone=zone)
    order = Order(
        settings=settings,
        drops_at=drops_at,
        reading_age_min=reading_age,
        statement=Stated.of(**stated),
        force=force,
        anew=bool(logbook),  # what goes into a logbook was read, not found
    )
    if on is not None and jobs > 1:
        raise click.UsageError(
            "--jobs is for processes of this machine; with --on the cluster's workers read"
        )
    if on is not None:  # its workers start in folders of their own
        photos = tuple(one.absolute() if isinstance(one, Path) else one for one in photos)
        table, out = (one.absolute() if isinstance(one, Path) else one for one in (table, out))
    plan = _plan(photos, table, out, order, same_plate=same_plate)
    replacing = _replacing(replaces, reason, logbook, n_readings=plan.total)
    if run_id is not None and plan.total != 1:
        raise click.UsageError(
            f"a run has one plate, but there are {plan.total or 'many'} photos; with --same-plate they are read as one"
        )
    if out is not None:
        _check_writable(out)
    prose = not (quiet or as_json)
    with ExitStack() as stack:
        book = _opened(logbook, logbook_photos, order, replacing, stack)
        order, plan = _signed(order, plan, _operator(book, order))
        put = _putter(book, order, replacing)
        if book is not None and run_id is not None:
            order, put = _for_run(book, order, replacing, run_id)
        elif book is not None and table is None and site is not None:
            order, put = _for_labels(book, order, put)
        work = partial(read_and_write, order=order)
        summary = None
        if plan.total != 1:
            from reader.run.summary import Summary

            summary = stack.enter_context(Summary(parquet=isinstance(plan.folder, Url)))
        hands = stack.enter_context(hands_for(plan.total, jobs, on))
        arriving = _carry_out(
            plan, work, hands, stack, bar=not quiet and not (as_json and sys.stdout.isatty())
        )
        tally = _Tally(plan)
        stack.enter_context(saying_what_was_done(lambda: _done(tally, plan.total, logged=book is not None)))
        for outcome in map(put, arriving):
            tally.count(outcome)
            if summary is not None:
                summary.add(outcome)
            _show(outcome, as_json=as_json, paragraph=prose and plan.is_short)
        if summary is not None:
            _conclude(tally, plan, summary, prose=prose, force=force)
    return tally.status


@dataclass(frozen=True, kw_only=True, slots=True)
class _Plan:
    """What is read: how many readings that are, None where nobody knows yet, and the folder of the summary."""

    jobs: "Iterable[Job]"
    total: int | None
    folder: "Place"

    @property
    def is_short(self) -> bool:
        return self.total is not None and self.total <= show.FEW


class _Tally:
    """What became of the readings so far; a row each only where it is known that they are not too many to print."""

    def __init__(self, plan: _Plan) -> None:
        self.n = self.done_before = 0
        self.status = GRADED
        self.counts: Counter[str] = Counter()
        self.rows: list[show.Row] | None = [] if plan.total is not None and not plan.is_short else None

    def count(self, outcome: "Outcome") -> None:
        self.n += 1
        self.done_before += outcome.done_before
        self.counts[show.result_of(outcome)] += 1
        self.worsen(_status(outcome))
        if self.rows is not None:
            self.rows.append(show.row_of(outcome))

    def worsen(self, status: int) -> None:
        self.status = max(self.status, status, key=WORST_LAST.index)


def _conclude(tally: _Tally, plan: _Plan, summary: "Summary", *, prose: bool, force: bool) -> None:
    """Write the summary, and say how many photos came to what."""
    from reader.errors import LinecallError

    try:
        written = summary.write(plan.folder, force=force)
    except LinecallError as error:
        show.say_problem(str(error))
        tally.worsen(FAILED)
        return
    if not prose:
        return
    if tally.rows:
        show.print_table(tally.rows)
    before = f"; {tally.done_before} of {tally.n} were done before" if tally.done_before else ""
    click.echo(f"{show.totals_line(tally.counts)}{before}; {show.printable(str(written))} has them all")


def _check_writable(out: "Place") -> None:
    """Tell before long work what cannot be written."""
    from reader.files.output import check_folder
    from reader.files.urls import check_writable

    if isinstance(out, Path):
        check_folder(out)
    else:
        check_writable(out)


def _done(tally: _Tally, total: int | None, *, logged: bool) -> str:
    """What is done of a run that was stopped."""
    n = tally.n
    return (
        f"{n if total is None else f'{n} of {total}'} readings {'is' if n == 1 else 'are'} done, with results written"
        + " and kept in the logbook" * logged
        + "; the others are not, and the same command reads them"
    )


def _check_alone(photos: "tuple[Place, ...]", stated: dict[str, object], *, same_plate: bool) -> None:
    """A table says of each plate what an option would say of all; beside it, only the photos' folder is named."""
    folders = [one for one in photos if not isinstance(one, Path) or one.is_dir()]
    if len(photos) > 1 or len(folders) < len(photos) or same_plate:
        raise click.UsageError("--table names the photos; give either the table or photos")
    for name, value in stated.items():
        if value is not None and name != "operator":
            raise click.UsageError(f"with --table, --{name.replace('_', '-')} stands in the table")


def _begin_table(path: Path, photos: "tuple[Place, ...]", *, force: bool) -> int:
    """Write a table to be filled in."""
    from reader.files.output import write_whole
    from reader.run.day_table import new_table
    from reader.run.jobs import find_photos

    here = tuple(one for one in photos if isinstance(one, Path))
    if len(here) < len(photos):
        raise click.UsageError("--new-table is for photos of this machine")
    _check_paths(here)
    write_whole({path: new_table(find_photos(here), path.parent)}, force=force)
    click.echo(show.printable(f"written {path}; fill it in, then linecall read --table {path}"))
    return GRADED


def _check_paths(photos: tuple[Path, ...]) -> None:
    from reader.run.jobs import missing_paths

    for problem in missing_paths(photos):
        raise click.UsageError(show.printable(problem))


def _plan(
    photos: "tuple[Place, ...]",
    table: "Place | None",
    out: "Place | None",
    order: "Order",
    *,
    same_plate: bool,
) -> _Plan:
    """What is read, and where its results go."""
    from reader.run.jobs import find_photos, is_drawn_file, plan_jobs, plan_plate, stream_photos

    here = tuple(one for one in photos if isinstance(one, Path))
    _check_paths(here)
    if table is not None:
        jobs = _of_table(table, photos[0] if photos else table.parent, out, order)
        folder = out or table.parent
        return (
            _Plan(jobs=jobs, total=len(jobs), folder=folder)
            if isinstance(jobs, tuple)
            else _peeked(jobs, folder)
        )
    if len(here) < len(photos):
        stream = stream_photos(photos, out)
        if same_plate:
            taken = [job.photo for job in islice(stream, MOST_OF_ONE_PLATE + 1)]
            if len(taken) > MOST_OF_ONE_PLATE:
                raise click.UsageError(f"one plate has {MOST_OF_ONE_PLATE} photos at most; name its own")
            one = plan_plate(taken, out)
            return _Plan(jobs=(one,), total=1, folder=one.verdict_path.parent)
        return _peeked(stream, out)
    found = find_photos(here)
    for path in here:
        if path not in found and is_drawn_file(path):
            show.say_problem(f"{path}: a picture that linecall drew, not a photo; left out")
    plan = (plan_plate(found, out),) if same_plate else plan_jobs(found, out)
    return _Plan(jobs=plan, total=len(plan), folder=plan[0].verdict_path.parent)


def _of_table(
    table: "Place", root: "Place", out: "Place | None", order: "Order"
) -> "tuple[Job, ...] | Iterator[Job]":
    """The plates of a table: all of one that people fill in on this machine, checked; else as its rows come."""
    from reader.run.day_table import read_table, stream_table
    from reader.run.jobs import plan_table, stream_plates

    operator = None if order.statement is None else order.statement.operator
    if isinstance(table, Path) and isinstance(root, Path) and table.suffix.lower() != ".parquet":
        return plan_table(read_table(table, operator, root=root), out, order)
    return stream_plates(stream_table(table, root, operator), root, out, order)


def _peeked(jobs: "Iterator[Job]", folder: "Place | None") -> _Plan:
    """A plan of jobs that come one by one; of few, all are known."""
    first = list(islice(jobs, show.FEW + 1))
    if not first:
        raise click.UsageError("there is no photo to read")
    folder = folder or first[0].verdict_path.parent
    if len(first) <= show.FEW:
        return _Plan(jobs=first, total=len(first), folder=folder)
    return _Plan(jobs=chain(first, jobs), total=None, folder=folder)


def _replacing(
    replaces: str | None, reason: str | None, logbook: str | None, *, n_readings: int | None
) -> "Replacing | None":
    """The reading whose place is to be taken, and why."""
    if replaces is None and reason is None:
        return None
    if replaces is None or not (reason or "").strip():
        raise click.UsageError("--replaces ID and --reason TEXT go together: say which reading, and why")
    if not logbook:
        raise click.UsageError("--replaces is about a logbook; name one with --logbook PATH|URL")
    if n_readings != 1:
        raise click.UsageError(f"--replaces is for one reading, but there are {n_readings or 'many'}")
    from reader.logbook.put_in import Replacing

    return Replacing(id=replaces.strip().lower(), reason=reason or "")


def _opened(
    logbook: str | None, photos: str | None, order: "Order", replacing: "Replacing | None", stack: ExitStack
) -> "Logbook | None":
    """The logbook that readings go into."""
    if not logbook:
        return None
    if order.statement is None or order.statement.operator is None:
        raise click.UsageError(
            f"say who reads, for the logbook: --operator NAME, or the variable {OPERATOR_VARIABLE}"
        )
    from reader.logbook import Logbook

    book = stack.enter_context(Logbook.open(logbook, photos=photos))
    if replacing is not None:
        book.row(replacing.id)  # an id that is mistyped is told before anything is read
    return book


def _operator(book: "Logbook | None", order: "Order") -> str | None:
    """Who reads, as the logbook knows them; whoever begins a logbook becomes known by it."""
    from reader.words.names import checked_name

    name = None if order.statement is None else order.statement.operator
    if name is None:
        return None
    if book is None or not book.head()[0]:
        name = checked_name(name, "the operator's name")
    if book is None:
        return name
    if book.head()[0]:
        return known_name(book, name, "technician")
    show.say_problem(f"{name} begins the logbook {book.name}, and is known in it")
    return name


def _signed(order: "Order", plan: _Plan, who: str | None) -> "tuple[Order, _Plan]":
    """The same by one person, whose name is written as it is known."""

    def by(one: "Order") -> "Order":
        said = one.statement
        return (
            one
            if who is None or said is None
            else replace(one, statement=said.model_copy(update={"operator": who}))
        )

    jobs = (replace(job, order=by(job.order)) if job.order else job for job in plan.jobs)
    return by(order), replace(plan, jobs=jobs)


def _check_run_says(stated: dict[str, object], logbook: str | None) -> None:
    """A run says what these options would say, and is in a logbook."""
    if not logbook:
        raise click.UsageError("--run is about a logbook; name one with --logbook PATH|URL")
    for name, value in stated.items():
        if value is not None and name not in {"operator", "note"}:
            option = f"--{name.replace('_', '-')}"
            raise click.UsageError(f"the run says what {option} would; leave it out, or correct the run")


def _for_run(
    book: "Logbook", order: "Order", replacing: "Replacing | None", run_id: str
) -> "tuple[Order, Callable[[Outcome], Outcome]]":
    """The order that a run gives, and what puts its outcome into the logbook and brings the run into step."""
    from reader.round.label import label_ties
    from reader.round.read_run import order_of_run

    desk = _desk(book, order)
    plain = order
    order, run = order_of_run(desk, run_id, order)
    order = replace(order, label=label_ties(desk, plain, named=run.id))
    put = _putter(book, order, replacing, run=(run.id, run.last_seq))
    return order, lambda outcome: _settled(book, order, put(outcome))


def _for_labels(
    book: "Logbook", order: "Order", put: "Callable[[Outcome], Outcome]"
) -> "tuple[Order, Callable[[Outcome], Outcome]]":
    """The same for photos that a label beside the plate may tie to a run; as it is where no run is open."""
    from reader.round.label import label_ties

    ties = label_ties(_desk(book, order), order)
    if ties is None:
        return order, put

    def put_by_label(outcome: "Outcome") -> "Outcome":
        run = None if outcome.verdict is None else outcome.verdict.run
        if run is None:
            return put(outcome)
        tied = ties.runs[run]
        assert tied.order is not None, "the reading had one"
        by_run = _putter(book, tied.order, None, run=(run, tied.last_seq))
        return _settled(book, order, by_run(outcome))

    return replace(order, label=ties), put_by_label


def _desk(book: "Logbook", order: "Order") -> "Desk":
    from reader.round.record import Desk

    assert order.statement is not None
    assert order.statement.operator is not None, "a logbook asks who reads"
    now = datetime.now(UTC).astimezone()
    return Desk(logbook=book, site=named_site(), by=order.statement.operator, now=now)


def _settled(book: "Logbook", order: "Order", done: "Outcome") -> "Outcome":
    """Bring a run into step with what was read of its plate, and what follows from it."""
    from reader.errors import OutputError
    from reader.round import follow_up_record
    from reader.round.record import find_run, settle
    from reader.round.regrade import grade_anew
    from reader.run.batch import with_problem

    if done.logged is None or done.verdict is None or done.verdict.run is None:
        return done
    desk = _desk(book, order)
    try:
        after = settle(desk, find_run(book, done.verdict.run).id)
        grade_anew(book, after, by=desk.by, at=desk.now)
        follow_up_record.settle(desk)
    except OutputError as error:  # the next entry brings it into step
        problem = (
            f"{done.job.photo}: in the logbook as {done.logged}, but not yet what follows from it: {error}"
        )
        return with_problem(done, problem)
    return done


def _putter(
    book: "Logbook | None",
    order: "Order",
    replacing: "Replacing | None",
    *,
    run: tuple[str, int] | None = None,
) -> "Callable[[Outcome], Outcome]":
    """What puts an outcome into the logbook; without one, what leaves it alone."""
    if book is None:
        return lambda outcome: outcome
    from reader.logbook import Statement
    from reader.logbook.put_in import put_into

    def put(outcome: "Outcome") -> "Outcome":
        own = outcome.job.order or order
        said = {} if own.statement is None else own.statement.model_dump()
        statement = Statement.of(**said, drops_at=own.drops_at)
        at = datetime.now(UTC).astimezone()
        return put_into(book, outcome, statement, own.settings, at=at, replacing=replacing, run=run)

    return put


def _carry_out(
    plan: _Plan, work: "Work", hands: "Hands", stack: ExitStack, *, bar: bool
) -> "Iterator[Outcome]":
    """Outcomes in the order of the plan."""
    from reader.run.batch import read_many
    from reader.run.hand_out import in_order

    steps = stack.enter_context(closing(read_many(plan.jobs, work, hands)))
    if bar:
        steps = stack.enter_context(closing(show.with_progress(steps, plan.total, "reading")))
    outcomes = in_order(steps)
    if plan.total is not None:
        return outcomes
    from reader.run.day_table import once_each

    return once_each(outcomes)


def _show(outcome: "Outcome", *, as_json: bool, paragraph: bool) -> None:
    verdict = outcome.verdict
    if verdict is not None and as_json:
        from reader.verdict.model import to_bytes

        click.echo(to_bytes(verdict, one_line=True), nl=False)
    refused = verdict is not None and verdict.status == "refused"
    if refused:
        show.say_problem(show.refusal_line(outcome))
    if verdict is not None and paragraph and not refused:
        click.echo("\n".join(show.reading_lines(outcome, _typed_again())))
    else:
        for line in show.succession_lines(outcome):
            show.say_problem(f"{outcome.job.photo}: {line}")
    if outcome.problem:
        show.say_problem(outcome.problem)
    if outcome.details and os.environ.get(DEBUG_VARIABLE):
        click.echo(outcome.details, err=True)


def _typed_again() -> list[str]:
    """The options that the same plate needs again, as far as they were typed, not taken from a variable."""
    ctx = click.get_current_context()
    tokens = []
    for param in ctx.command.params:
        name, value = str(param.name), ctx.params.get(str(param.name))
        if name in AGAIN and ctx.get_parameter_source(name) is ParameterSource.COMMANDLINE:
            if isinstance(value, datetime | time):
                value = value.isoformat(timespec="minutes")
            tokens += [param.opts[-1], f"{value:g}" if isinstance(value, float) else str(value)]
    return [*tokens, *ctx.obj.typed(("rules", "thresholds", "texts"))]


def _status(outcome: "Outcome") -> int:
    if outcome.details:
        return INTERNAL
    if outcome.problem or outcome.verdict is None:
        return FAILED
    if outcome.verdict.status == "refused":
        return REFUSED
    return _OF_GRADE.get(outcome.verdict.grade or "", GRADED)
