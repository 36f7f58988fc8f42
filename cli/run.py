"""`linecall run`: a plate's way from the sample to the photo, step by step, as it happens or from paper."""

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, time
from typing import TYPE_CHECKING

import click

from cli import show
from cli.options import Group, known_name, moment_or_clock, needed, opened, saying_what_is_kept
from cli.site import named_site
from cli.variables import OPERATOR_VARIABLE

if TYPE_CHECKING:
    from reader.logbook import Logbook
    from reader.logbook.store import RunRow
    from reader.round.record import Desk
    from reader.round.regrade import Regraded
    from reader.round.run import Run
    from reader.round.site import Site


def _at_option(text: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    return click.option(
        "--at",
        metavar="TIME",
        callback=moment_or_clock,
        help=f"{text}: date and time, or 07:36 for the last such time; entered afterwards.  [default: now]",
    )


@contextmanager
def desk_of(logbook: str | None, logbook_photos: str | None, by: str | None) -> "Iterator[Desk]":
    """Where runs are written on; the first event of a logbook makes whoever writes it known."""
    from reader.logbook import Logbook
    from reader.logbook.people import begin_with
    from reader.round.record import Desk

    if not logbook:
        with opened(logbook, logbook_photos):
            pass  # says how to name it
    where = named_site()
    by = needed("--by", by or os.environ.get(OPERATOR_VARIABLE))
    now = datetime.now(UTC).astimezone()
    assert logbook is not None
    with Logbook.open(logbook, photos=logbook_photos) as book:
        if begin_with(book, by, role="technician", at=now) is not None:
            show.say_problem(f"{by} begins the logbook {book.name}, and is known in it")
        yield Desk(logbook=book, site=where, by=known_name(book, by, "technician"), now=now)


def _instant(desk: "Desk", at: datetime | time | None) -> datetime | None:
    """A time of day as the last such time on the site's clocks; anything else as it is."""
    from reader.words.clock import last_before

    if isinstance(at, time):
        return last_before(at, desk.now.astimezone(desk.site.place.place)).replace(tzinfo=None)
    return at


@click.group(
    cls=Group, short_help="Note a plate's way from the sample to the photo, and what went otherwise."
)
def run() -> None:
    """Note a plate's way from the sample to the photo, and what went otherwise.

    A run is begun, its steps noted as they happen or afterwards from paper, its photo read with linecall read --run,
    and closed. What was entered is never changed: a correction is added, and both values stay.
    """


@run.command("begin", shared=("logbook", "by"), keys=("site",))
@click.argument("point")
@click.option(
    "--phase",
    required=True,
    metavar="NAME",
    help="What is tested: water, topped or fuel in the bundled procedure.",
)
@click.option("--lot", required=True, metavar="LOT", help="The plate's lot, as printed.")
@click.option(
    "--expiry", metavar="DATE", help="The plate's expiry as printed; must be the site file's, if given."
)
@click.option(
    "--plate", metavar="TEXT", help="What tells this plate from the lot's others, such as a number."
)
@click.option("--operator", metavar="NAME", help="Who does it, if not who enters it.")
@click.option("--repeats", metavar="ID", help="The reading that this run repeats.")
@click.option(
    "--anyway",
    metavar="REASON",
    help="Use a plate that is expired, recalled or of an unknown lot, and say why.",
)
@_at_option("When it began")
def begin(
    point: str,
    phase: str,
    lot: str,
    expiry: str | None,
    plate: str | None,
    operator: str | None,
    repeats: str | None,
    anyway: str | None,
    at: datetime | time | None,
    logbook: str | None,
    logbook_photos: str | None,
    by: str | None,
    site: str | None,
) -> None:
    """Begin a run of a sample POINT, named by its id in the site's file; prints the run's id and what comes next."""
    from reader.round import record

    with desk_of(logbook, logbook_photos, by) as desk:
        found = record.begin(
            desk,
            point=point,
            phase=phase,
            lot=lot,
            expiry=expiry,
            plate=plate,
            operator=None if operator is None else known_name(desk.logbook, operator, "technician"),
            at=_instant(desk, at),
            repeats=repeats,
            anyway=anyway,
        )
        _tell(desk, found)


@run.command("step", shared=("logbook", "by"), keys=("site",))
@click.argument("run_id", metavar="RUN|POINT")
@click.argument("name", metavar="STEP")
@_at_option("When it was done")
@click.option("--amount", type=float, metavar="NUMBER", help="How much was taken, in the procedure's unit.")
@click.option("--remark", metavar="TEXT", help="Anything to be known about it.")
def step(
    run_id: str,
    name: str,
    at: datetime | time | None,
    amount: float | None,
    remark: str | None,
    logbook: str | None,
    logbook_photos: str | None,
    by: str | None,
    site: str | None,
) -> None:
    """Note that a STEP of a RUN was done, such as sample, settled, extract, drops or photo."""
    from reader.round import record

    with desk_of(logbook, logbook_photos, by) as desk:
        _tell(desk, record.step(desk, run_id, name, at=_instant(desk, at), amount=amount, remark=remark))


@run.command("note", shared=("logbook", "by"), keys=("site",))
@click.argument("run_id", metavar="RUN|POINT")
@click.argument("text", required=False)
@click.option("--departure", metavar="CODE", help="What went otherwise, by its code in the procedure.")
@click.option("--step", "of", metavar="STEP", help="In which step.")
@click.option("--take-back", metavar="CODE", help="A departure that was noted wrongly; TEXT says why.")
def note(
    run_id: str,
    text: str | None,
    departure: str | None,
    of: str | None,
    take_back: str | None,
    logbook: str | None,
    logbook_photos: str | None,
    by: str | None,
    site: str | None,
) -> None:
    """Note a departure from the procedure, or anything else; a reading made before is graded anew, openly."""
    from reader.round import record

    if take_back is not None and departure is not None:
        raise click.UsageError("give --departure or --take-back, not both")
    with desk_of(logbook, logbook_photos, by) as desk:
        if take_back is not None:
            found = record.lift(desk, run_id, take_back, reason=text or "")
        else:
            found = record.note(desk, run_id, text=text, departure=departure, of=of)
        _tell(desk, found, _graded_anew(desk, found))


@run.command("correct", shared=("logbook", "by", "reason"), keys=("site",))
@click.argument("run_id", metavar="RUN|POINT")
@click.argument("field")
@click.argument("value")
def correct(
    run_id: str,
    field: str,
    value: str,
    reason: str | None,
    logbook: str | None,
    logbook_photos: str | None,
    by: str | None,
    site: str | None,
) -> None:
    """Correct what was entered wrongly: FIELD is a step, whose time VALUE is, or point, phase, lot, plate, operator.

    Both values stay on record.
    """
    from reader.round import record
    from reader.words.clock import parse_clock_or_moment

    with desk_of(logbook, logbook_photos, by) as desk:
        before = record.find_run(desk.logbook, run_id)
        known: str | datetime = value
        if before.last_of(field) is not None:
            instant = _instant(desk, parse_clock_or_moment(value))
            assert instant is not None
            known = instant
        elif field == "operator":
            known = known_name(desk.logbook, value, "technician")
        found = record.correct(desk, run_id, field, known, reason=needed("--reason", reason))
        _tell(desk, found, _graded_anew(desk, found))


@run.command("close", shared=("logbook", "by", "reason"), keys=("site",))
@click.argument("run_id", metavar="RUN|POINT")
def close(
    run_id: str,
    reason: str | None,
    logbook: str | None,
    logbook_photos: str | None,
    by: str | None,
    site: str | None,
) -> None:
    """Close a run whose plate has been read."""
    from reader.round import record

    with desk_of(logbook, logbook_photos, by) as desk:
        _tell(desk, record.close(desk, run_id, reason=reason))


@run.command("abandon", shared=("logbook", "by", "reason"), keys=("site",))
@click.argument("run_id", metavar="RUN|POINT")
def abandon(
    run_id: str,
    reason: str | None,
    logbook: str | None,
    logbook_photos: str | None,
    by: str | None,
    site: str | None,
) -> None:
    """Give a run up; what was entered stays."""
    from reader.round import record

    with desk_of(logbook, logbook_photos, by) as desk:
        _tell(desk, record.abandon(desk, run_id, reason=needed("--reason", reason)))


@run.command("show", shared=("logbook",), keys=("site",))
@click.argument("run_id", metavar="RUN|POINT")
@click.option(
    "--procedure", "with_procedure", is_flag=True, help="Also the procedure's steps and departures."
)
def show_run(
    run_id: str,
    with_procedure: bool,
    logbook: str | None,
    logbook_photos: str | None,
    site: str | None,
) -> None:
    """Show a run: its steps with both values where one was corrected, its departures, and what comes next."""
    from reader.round.record import find_run, procedure_of

    with opened(logbook, logbook_photos) as book:
        found = find_run(book, run_id)
        place = _site_of(book, found, site)
        lines = _lines(book, place, found, datetime.now(UTC))
        if with_procedure:
            procedure = procedure_of(book, found)
            lines += ["", procedure.caution]
            lines += [f"  {one.id}: {one.text}" for one in procedure.steps_of(found.phase)]
            lines += ["departures:"]
            lines += [f"  {one.code} ({one.effect}): {one.text}" for one in procedure.departure]
    _print(lines)


@run.command("list", shared=("logbook",), limit=(20, 10_000))
@click.option("--all", "everything", is_flag=True, help="Also runs that are closed or abandoned.")
@click.option("--point", metavar="ID", help="Only of this sample point.")
def list_runs(
    everything: bool, point: str | None, limit: int, logbook: str | None, logbook_photos: str | None
) -> None:
    """List runs, those begun last first."""
    from reader.round.record import state_in

    now = datetime.now(UTC)
    with opened(logbook, logbook_photos) as book:
        rows = book.runs(limit=limit, point=point, is_open=not everything)
        cells = [_cells(row, state_in(book, row.id, now=now)) for row in rows]
    if not rows:
        click.echo("no run is open; linecall run begin begins one" if not everything else "there are no runs")
        return
    head = ("run", "point", "phase", "lot", "sample or begun", "state", "departures", "reading")
    _print(show.in_columns([head, *cells]))


def _cells(row: "RunRow", state: str) -> tuple[str, ...]:
    departures = f"{row.departures} ({row.effect})" if row.departures else ""
    taken = row.taken_at.astimezone(row.at.tzinfo)
    return (
        row.id,
        row.point,
        row.phase,
        row.lot,
        f"{taken:%Y-%m-%d %H:%M}",
        state,
        departures,
        row.reading or "",
    )


def _site_of(book: "Logbook", found: "Run", site: str | None) -> "Site":
    """The site that a run is shown by: the file that is named, else the one it began with."""
    from reader.round.record import kept_file
    from reader.round.site import Site

    return kept_file(book, Site, found.site) if not site else named_site()


def _graded_anew(desk: "Desk", found: "Run") -> "tuple[Regraded, ...]":
    from reader.round import follow_up_record
    from reader.round.regrade import grade_anew

    with saying_what_is_kept(f"what was noted about run {found.id}"):
        graded = grade_anew(desk.logbook, found, by=desk.by, at=desk.now)
        follow_up_record.settle(desk)
    return graded


def _tell(desk: "Desk", found: "Run", regraded: "Sequence[Regraded]" = ()) -> None:
    _print(_lines(desk.logbook, desk.site, found, desk.now))
    for one in regraded:
        show.say_problem(
            f"reading {one.event.reading} is graded anew with the departures of its run: {one.after}, "
            f"{one.before} before; event {one.event.seq}"
        )


def _print(lines: Sequence[str]) -> None:
    for line in lines:
        click.echo(show.printable(line))


def _lines(book: "Logbook", site: "Site", found: "Run", now: datetime) -> list[str]:
    from reader.round.in_words import run_lines

    return run_lines(book, site, found, now=now)
