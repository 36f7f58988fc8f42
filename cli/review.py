"""`linecall review`: what waits for a reviewer, what is decided, and what comes of it."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cli import show
from cli.known_name import known_name
from cli.logbook import logbook_options, opened

if TYPE_CHECKING:
    from reader.logbook import Logbook
    from reader.review.decide import Decision
    from reader.review.policy import Policy
    from reader.review.queue import Entry, Page
    from reader.review.record import Drawn, Reviewed

PAGE_SIZE = 20  # readings, as many as a terminal shows at once
WINDOW_WORDS = "Window's id, as on the plate's layout."


def _reader_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for option in (
        click.option(
            "--policy",
            metavar="NAME|FILE.toml",
            envvar="LINECALL_POLICY",
            default="standard",
            show_default=True,
            show_envvar=True,
            help="Who may decide, and how many must agree.",
        ),
        click.option("--reason", metavar="TEXT", help="What you saw."),
        click.option("--by", metavar="NAME", help="Your name: the decision is yours to answer for."),
    ):
        command = option(command)
    return command


def _out_option(
    but: str = "", *, default: str | None = "."
) -> Callable[[Callable[..., Any]], Callable[..., Any]]:
    """Where a review's results go; `but` is said beside the default."""
    return click.option(
        "--out",
        metavar="DIR",
        type=click.Path(file_okay=False, path_type=Path),
        default=default,
        help=f"Folder for the verdict and the annotated image.  [default: this folder{but}]",
    )


def _file_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Files of the site's own that a reading was read by; what comes with linecall is found by itself."""
    for kind in ("texts", "thresholds", "rules", "layout"):
        command = click.option(
            f"--{kind}",
            metavar="FILE.toml",
            help=f"The {kind} file that the photo was read by, if it is your own.",
        )(command)
    return command


def _since(ctx: click.Context, param: click.Parameter, value: str | None) -> datetime | None:
    """Parse a day or a time; without an offset from UTC it is this computer's."""
    if value is None:
        return None
    try:
        moment = datetime.fromisoformat(value.strip())
        return moment.astimezone() if moment.tzinfo is None else moment
    except (ValueError, OverflowError, OSError):
        raise click.BadParameter(
            f"{value!r} is no day or time; write 2026-05-04 or 2026-05-04T09:08+02:00"
        ) from None


@click.group(short_help="Settle doubts: what waits, the sheet to judge it by, the decision.")
def review() -> None:
    """Settle doubts: what waits, the sheet to judge it by, the decision.

    A decision is its reader's alone to answer for. It assists the site's procedure and does not replace it; a
    grade triggers that procedure and certifies nothing.
    """


@review.command("list", short_help="List the readings that wait, the most urgent first.")
@logbook_options
@click.option("--tank", metavar="TEXT", help="Only of this tank.")
@click.option("--sample-point", metavar="TEXT", help="Only of this sample point.")
@click.option("--sample-phase", metavar="TEXT", help="Only of this sample phase.")
@click.option("--plate-lot", metavar="TEXT", help="Only of this lot of plates.")
@click.option("--operator", metavar="NAME", help="Only of this technician.")
@click.option("--layout", metavar="NAME", help="Only of this layout.")
@click.option("--grade", metavar="GRADE", help="Only of this grade.")
@click.option("--analyte", metavar="TEXT", help="Only with a doubtful mark of this analyte.")
@click.option("--since", metavar="TIME", callback=_since, help="Only those logged then or later.")
@click.option(
    "--limit",
    metavar="N",
    type=click.IntRange(1, 1000),
    default=PAGE_SIZE,
    show_default=True,
    help="On a page.",
)
@click.option("--page", metavar="N", type=click.IntRange(1), default=1, show_default=True, help="Which page.")
@click.option("--blind", is_flag=True, help="Tell nothing of what was called: for a blind reader.")
@click.option("--json", "as_json", is_flag=True, help="Print a JSON object for each reading, one a line.")
def list_waiting(
    logbook: str | None,
    logbook_photos: str | None,
    since: datetime | None,
    analyte: str | None,
    limit: int,
    page: int,
    blind: bool,
    as_json: bool,
    **filters: str | None,
) -> None:
    """List the readings that wait for a reviewer, the most urgent first.

    First come plates that may still be read, the one whose reading time ends first; then doubts that decide a
    grade, doubts that do not, calls close to their limit, invalid plates, and calls that contradict each other.
    """
    from reader.review.queue import waiting_page

    now = datetime.now(UTC)
    with opened(logbook, logbook_photos) as book:
        found = waiting_page(
            book, now=now, number=page, size=limit, blind=blind, since=since, in_doubt=analyte, **filters
        )
    if as_json:
        for entry in found.entries:
            click.echo(_as_json(entry))
    else:
        click.echo("\n".join(_list_lines(found, now, blind=blind)))


def _list_lines(page: "Page", now: datetime, *, blind: bool) -> list[str]:
    from reader.review.queue import ago

    if page.since is None:
        return ["nothing waits"]
    n = page.count
    since = f"{page.since.astimezone():%Y-%m-%d %H:%M} ({ago(page.since, now)})"
    lines = [f"{n} reading{'s wait' if n > 1 else ' waits'}, the oldest since {since}"]
    head = ("id", "logged", "tank", "sample point", "may be read", "photo" if blind else "why")
    rows = [
        (
            entry.id,
            f"{entry.at:%Y-%m-%d %H:%M}",
            entry.tank or "-",
            entry.sample_point or "-",
            f"until {entry.open_until.astimezone(entry.at.tzinfo):%H:%M}" if entry.open_until else "-",
            entry.photo if blind else entry.why,
        )
        for entry in page.entries
    ]
    lines += show.in_columns([head, *rows])
    if page.pages > 1:
        lines.append(f"page {page.number} of {page.pages}")
    return lines


def _as_json(entry: "Entry") -> str:
    import json

    told: dict[str, Any] = {
        "id": entry.id,
        "at": entry.at.isoformat(timespec="seconds"),
        "tank": entry.tank,
        "sample_point": entry.sample_point,
        "photo": entry.photo,
        "open_until": entry.open_until.isoformat(timespec="seconds") if entry.open_until else None,
    }
    if entry.row is not None:
        row = entry.row
        told |= {
            "why": entry.why,
            "grade": row.grade,
            "doubtful": row.doubtful,
            "in_doubt": list(row.in_doubt),
            "margin": row.margin,
            "reviews": row.reviews,
            "operator": row.operator,
        }
    return json.dumps(told, ensure_ascii=False)


@review.command("decide", short_help="Call marks of a reading; its grade is worked out anew.")
@click.argument("reading", metavar="ID")
@logbook_options
@click.option("--window", metavar="ID", help=WINDOW_WORDS)
@click.option("--mark", type=click.Choice(["indicator", "reference"]), help="Which mark of the window.")
@click.option(
    "--call",
    type=click.Choice(["present", "absent", "doubtful", "undeveloped"]),
    help="What you call it; undeveloped: a reference mark that still has its starting dye.",
)
@click.option(
    "--from",
    "source",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Take several decisions from a TOML or JSON file.",
)
@_reader_options
@click.option("--blind", is_flag=True, help="You have seen neither linecall's calls nor another reader's.")
@_file_options
@_out_option("; with --blind none are written", default=None)
def decide(
    reading: str,
    logbook: str | None,
    logbook_photos: str | None,
    window: str | None,
    mark: str | None,
    call: str | None,
    source: Path | None,
    by: str | None,
    reason: str | None,
    policy: str,
    blind: bool,
    out: Path | None,
    **files: str | None,
) -> None:
    """Call one mark of a reading, or several from a file; its grade is worked out anew.

    The decision goes into the logbook with your name and reason; the first grade is kept beside the new one.
    The policy says who may decide, how many readers must agree, and what nobody may change. The verdict and the
    annotated image with the decisions are written as ID-review-1.verdict.json and ID-review-1.annotated.jpg,
    with the number of the review.

    A file of decisions (TOML; JSON alike) holds, for each mark:

    \b
    [[decision]]
    window = "3"
    mark = "indicator"
    call = "present"
    reason = "even line over the whole breadth"   # or one for all, above
    """
    from reader.errors import OutputError
    from reader.files.output import check_folder
    from reader.review import record
    from reader.review.policy import load_policy

    decisions = _decisions(source, (window, mark, call), by=by, reason=reason, blind=blind)
    rules_of_review = load_policy(policy)
    blind = decisions[0].blind
    folder = out if out is not None or blind else Path()
    if folder is not None:
        check_folder(folder)
    with opened(logbook, logbook_photos, read_only=False) as book:
        by = _known_reviewer(book, decisions[0].by, rules_of_review)
        decisions = [replace(made, by=by) for made in decisions]
        done = record.decide(
            book, reading, decisions, policy=rules_of_review, files=record.SiteFiles(**files)
        )
    lines = _blind_lines(done, decisions) if blind else _decided_lines(done)
    click.echo("\n".join(lines))
    if folder is not None:
        try:
            _write(done.drawn, folder)
        except OutputError as error:
            remedy = (
                f"the decision is in the logbook; linecall review draw {done.drawn.reading} writes it again"
            )
            raise OutputError(f"{error}; {remedy}") from None


def _known_reviewer(book: "Logbook", typed: str, policy: "Policy") -> str:
    """The name as it is known; one that is not known is asked about."""
    return known_name(book, typed, policy.may_review[0]) if typed.strip() else typed


def _decisions(
    source: Path | None,
    single: tuple[str | None, str | None, str | None],
    *,
    by: str | None,
    reason: str | None,
    blind: bool,
) -> list["Decision"]:
    """Decisions as the command line and the file give them."""
    from reader.review.decide import Decision
    from reader.review.decisions_file import DecisionEntry, DecisionsFile, load_decisions

    if source is not None:
        if any(single):
            raise click.UsageError(
                "--from gives windows, marks and calls; leave --window, --mark and --call out"
            )
        given = load_decisions(source)
    else:
        missing = [
            name for name, value in zip(("window", "mark", "call"), single, strict=True) if value is None
        ]
        if missing:
            raise click.UsageError(
                f"--{missing[0]} is missing; give --window, --mark and --call, or --from FILE"
            )
        entry = DecisionEntry.model_validate(dict(zip(("window", "mark", "call"), single, strict=True)))
        given = DecisionsFile(decision=(entry,))
    for name, typed, filed in (("by", by, given.by), ("reason", reason, given.reason)):
        if typed is not None and filed is not None:
            raise click.UsageError(f"both {source} and --{name} give {name}; leave one out")
    who = given.by if by is None else by
    if who is None:
        raise click.UsageError("--by is missing; give your name")
    why = given.reason if reason is None else reason
    now = datetime.now().astimezone()
    decisions = []
    for n, made in enumerate(given.decision):
        own = made.reason if made.reason is not None else why
        if own is None:
            which = "" if source is None else f", and {source}: decision[{n}] has none of its own"
            raise click.UsageError(f"--reason is missing{which}; say what you saw")
        decisions.append(
            Decision(
                window=made.window,
                mark=made.mark,
                call=made.call,
                by=who,
                reason=own.strip(),
                at=now,
                blind=blind or bool(given.blind),
            )
        )
    return decisions


def _decided_lines(done: "Reviewed") -> list[str]:
    """The new grade beside the first, who decided what, what is still open, and what comes next."""
    verdict, review = done.drawn.verdict, done.drawn.verdict.review
    assert verdict.grade is not None
    assert review is not None
    grade = show.styled(verdict.grade.upper(), fg=show.GRADE_COLOURS[verdict.grade], bold=True)
    before = " or ".join(review.first_possible_grades)
    was = f"undecided, {before}" if review.first_grade == "undecided" else review.first_grade
    lines = [f"{done.drawn.reading}   {grade}   at first {was}"]
    for window in verdict.windows:
        for name, mark in (("indicator", window.indicator), ("reference", window.reference)):
            if mark.decisions:
                by = " and ".join(mark.decided_by)
                told = (
                    f"the {name} of window {window.id} is {mark.call}, by {by}; linecall: {mark.first_call}"
                )
                lines += show.labelled("decided", told)
    for open_mark in review.open:
        lines += show.labelled("open", open_mark.sentence)
    if done.way_out is not None:
        lines += show.labelled("way out", done.way_out)
    from reader.verdict.in_words import why

    lines += show.labelled("why", why(verdict))
    if verdict.own_files:
        lines += show.labelled("settings", verdict.own_files)
    lines += show.labelled("next", verdict.next_step)
    return lines + show.labelled(
        "list", "it still waits for a reviewer" if done.waiting else "it waits no longer"
    )


def _blind_lines(done: "Reviewed", decisions: "Sequence[Decision]") -> list[str]:
    """What a blind reader is told: that their calls are kept, and what is missing on those marks."""
    assert done.drawn.verdict.review is not None
    still = {(mark.window, mark.mark): mark.sentence for mark in done.drawn.verdict.review.open}
    lines = [f"{done.drawn.reading}   kept, blind"]
    for decision in decisions:
        sentence = still.get((decision.window, decision.mark), f"{decision}: settled")
        lines += show.labelled("yours", sentence)
    if done.way_out is not None:
        lines += show.labelled("way out", done.way_out)
    return lines


@review.command("close", short_help="Take a reading off the list as it stands.")
@click.argument("reading", metavar="ID")
@logbook_options
@_reader_options
def close(
    reading: str,
    logbook: str | None,
    logbook_photos: str | None,
    by: str | None,
    reason: str | None,
    policy: str,
) -> None:
    """Take a reading off the list as it stands: an invalid plate that was repeated, a warning that was seen.

    Nothing about its marks is decided and its grade stays; who has closed it and why goes into the logbook.
    """
    from reader.review import record
    from reader.review.policy import load_policy

    for name, value in (("by", by), ("reason", reason)):
        if value is None:
            raise click.UsageError(f"--{name} is missing")
    assert by is not None
    assert reason is not None
    rules_of_review = load_policy(policy)
    with opened(logbook, logbook_photos, read_only=False) as book:
        by = _known_reviewer(book, by, rules_of_review)
        event = record.close(
            book, reading, by=by, reason=reason, at=datetime.now().astimezone(), policy=rules_of_review
        )
    click.echo(f"{event.reading}   closed as it stands; it waits no longer")


@review.command("withdraw", short_help="Take back what you decided on a reading: a slip.")
@click.argument("reading", metavar="ID")
@logbook_options
@click.option(
    "--window", metavar="ID", help=f"{WINDOW_WORDS} Without it all that you decided, and your closing."
)
@click.option("--mark", type=click.Choice(["indicator", "reference"]), help="Which mark of the window.")
@_reader_options
@_file_options
@_out_option("; of blind decisions none are written")
def withdraw(
    reading: str,
    logbook: str | None,
    logbook_photos: str | None,
    window: str | None,
    mark: str | None,
    by: str | None,
    reason: str | None,
    policy: str,
    out: Path,
    **files: str | None,
) -> None:
    """Take back what you decided on a reading, or your closing of it; nobody else can.

    What you decided and why you took it back stay in the logbook. The grade is worked out anew without it, and you may
    decide again.
    """
    from reader.files.output import check_folder
    from reader.review import record
    from reader.review.policy import load_policy

    if by is None or reason is None:
        raise click.UsageError(f"--{'by' if by is None else 'reason'} is missing")
    if (window is None) != (mark is None):
        raise click.UsageError("give both --window and --mark, or neither to take all back")
    rules_of_review = load_policy(policy)
    check_folder(out)
    with opened(logbook, logbook_photos, read_only=False) as book:
        by = _known_reviewer(book, by, rules_of_review)
        stored = record.find_reading(book, reading)
        blind = all(made.blind for made in record.decisions_on(stored) if made.by == by)
        done = record.withdraw(
            book,
            reading,
            by=by,
            reason=reason,
            at=datetime.now().astimezone(),
            policy=rules_of_review,
            mark=None if window is None else (window, mark),  # type: ignore[arg-type]
            files=record.SiteFiles(**files),
        )
    payload = done.event.payload
    told = [f"the {one['mark']} of window {one['window']}" for one in payload["withdrawn"]]
    told += ["the closing"] * payload["opened"]
    if blind and payload["withdrawn"]:
        click.echo("\n".join([f"{stored.id}   taken back", *show.labelled("yours", ", ".join(told))]))
        return
    click.echo("\n".join([*_withdrawn_lines(done, told)]))
    _write(done.drawn, out)


def _withdrawn_lines(done: "Reviewed", told: Sequence[str]) -> list[str]:
    from reader.verdict.in_words import why

    verdict = done.drawn.verdict
    assert verdict.grade is not None
    lines = [
        f"{done.drawn.reading}   {show.styled(verdict.grade.upper(), fg=show.GRADE_COLOURS[verdict.grade], bold=True)}"
    ]
    lines += show.labelled("back", f"{', '.join(told)}, by {done.event.by}")
    lines += show.labelled("why", why(verdict))
    lines += show.labelled("next", verdict.next_step)
    return lines + show.labelled(
        "list", "it waits for a reviewer again" if done.waiting else "it waits for nobody"
    )


@review.command("draw", short_help="Write a reading's verdict and annotated image once more.")
@click.argument("reading", metavar="ID")
@logbook_options
@_file_options
@_out_option()
@click.option("--force", is_flag=True, help="Overwrite results that hold something else.")
def draw(
    reading: str, logbook: str | None, logbook_photos: str | None, out: Path, force: bool, **files: str | None
) -> None:
    """Write a reading's verdict as it stands now, and its annotated image drawn from the kept photo.

    Without a review the names are ID.verdict.json and ID.annotated.jpg.
    """
    from reader.files.output import check_folder
    from reader.review import record

    check_folder(out)
    with opened(logbook, logbook_photos) as book:
        drawn = record.redraw(book, reading, record.SiteFiles(**files))
    _write(drawn, out, force=force)


def _write(drawn: "Drawn", folder: Path, *, force: bool = False) -> None:
    from reader.files.output import write_whole
    from reader.verdict.model import to_bytes

    files = {
        folder / f"{drawn.name}.verdict.json": to_bytes(drawn.verdict),
        folder / f"{drawn.name}.annotated.jpg": drawn.image,
    }
    for label, path in zip(("written", ""), write_whole(files, force=force), strict=True):
        click.echo(f"  {label:<{show.LABEL_WIDTH}}{show.printable(str(path))}")  # on one line, to be copied


@review.command("sheet", short_help="Make the page on which a faint line can be judged.")
@click.argument("reading", metavar="ID")
@logbook_options
@click.option("--blind", is_flag=True, help="Leave out linecall's calls and every reader's.")
@click.option("--every-window", is_flag=True, help="Show also windows that are not in question.")
@_file_options
@click.option(
    "-o",
    "--output",
    metavar="FILE.html",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Where to write it.  [default: ID.sheet.html, ID.blind.html]",
)
@click.option("--force", is_flag=True, help="Overwrite a file that holds something else.")
def sheet(
    reading: str,
    logbook: str | None,
    logbook_photos: str | None,
    blind: bool,
    every_window: bool,
    output: Path | None,
    force: bool,
    **files: str | None,
) -> None:
    """Make one page, complete in itself, on which a faint line can be judged: for a phone, a screen, or A4 paper."""
    from reader.files.output import write_whole
    from reader.review import sheet as sheets
    from reader.review.record import SiteFiles

    with opened(logbook, logbook_photos) as book:
        case = sheets.open_case(book, reading, SiteFiles(**files))
    target = output or Path(f"{case.reading}.{'blind' if blind else 'sheet'}.html")
    write_whole({target: sheets.sheet(case, blind=blind, every_window=every_window)}, force=force)
    click.echo(show.printable(f"written {target}"))
