"""`linecall review`: what waits for a reviewer, what is decided, and what comes of it."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cli import show
from cli.defaults import choices_of, own_files_by_kind
from cli.options import (
    READING_FILTERS,
    Group,
    Out,
    explained_by,
    filters,
    known_name,
    needed,
    opened,
    saying_what_is_kept,
)
from cli.site import site_if_named

if TYPE_CHECKING:
    from reader.logbook import Logbook
    from reader.review.decide import Decision
    from reader.review.policy import Policy
    from reader.review.queue import Entry, Page
    from reader.review.record import Drawn, Reviewed, SiteFiles

ROWS = (20, 1000)  # of the list: unless --limit says otherwise, and at most
OLD = {f"--{kind}": "--read-by" for kind in ("layout", "rules", "thresholds", "texts")}
WAITING_BY = tuple(
    name for name in READING_FILTERS if name != "until"
)  # what waits is looked for from its oldest
WINDOW_WORDS = "Window's id, as on the plate's layout."


@click.group(cls=Group, short_help="Settle doubts: what waits, the sheet to judge it by, the decision.")
def review() -> None:
    """Settle doubts: what waits, the sheet to judge it by, the decision.

    A decision is its reader's alone to answer for. It assists the site's procedure and does not replace it; a
    grade triggers that procedure and certifies nothing.
    """


@review.command(
    "list",
    shared=("logbook", "page", "as_json"),
    limit=ROWS,
    short_help="List the readings that wait, the most urgent first.",
)
@filters(READING_FILTERS, only=WAITING_BY, place="linecall logbook list")
@click.option("--analyte", metavar="NAME", help="Only with a doubtful mark of this analyte.")
@click.option("--blind", is_flag=True, help="Tell nothing of what was called: for a blind reader.")
def list_waiting(
    logbook: str | None,
    logbook_photos: str | None,
    since: datetime | None,
    analyte: str | None,
    limit: int,
    page: int,
    blind: bool,
    as_json: bool,
    **chosen: str | None,
) -> None:
    """List the readings that wait for a reviewer, the most urgent first.

    First come plates that may still be read, the one whose reading time ends first; then doubts that decide a
    grade, doubts that do not, calls close to their limit, invalid plates, and calls that contradict each other. With
    --blind all but the plates that may still be read come by their age.
    """
    from reader.review.queue import waiting_page

    now = datetime.now(UTC)
    with opened(logbook, logbook_photos) as book:
        found = waiting_page(
            book, now=now, number=page, size=limit, blind=blind, since=since, in_doubt=analyte, **chosen
        )
    if as_json:
        for entry in found.entries:
            show.echo_data(_as_json(entry) + "\n")
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


@review.command(
    "decide",
    shared=("logbook", "by", "reason", "read_by"),
    keys=("policy",),
    out=Out("DIR"),
    old=OLD,
    short_help="Call marks of a reading; its grade is worked out anew.",
)
@click.argument("reading", metavar="ID")
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
@click.option("--blind", is_flag=True, help="You have seen neither linecall's calls nor another reader's.")
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
    read_by: tuple[str, ...],
) -> None:
    """Call one mark of a reading, or several from a file; its grade is worked out anew.

    The decision goes into the logbook with your name and reason; the first grade is kept beside the new one.
    The policy says who may decide, how many readers must agree, and what nobody may change. The verdict and the
    annotated image with the decisions are written into this folder, or the one that -o names, as
    ID-review-1.verdict.json and ID-review-1.annotated.jpg, with the number of the review; with --blind only where -o
    names a folder.

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
            book, reading, decisions, policy=rules_of_review, files=site_files(book, reading)
        )
        _what_follows(book, done.drawn.reading, by)
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


def site_files(book: "Logbook", reading: str) -> "SiteFiles":
    """Of the site's own files, those that a reading was made by, told by their hashes.

    A single file of a kind that --read-by names is handed on whatever its hash, so that it is said where it is not
    the one.
    """
    import hashlib

    from reader.files.plain import read_plain
    from reader.review import record

    verdict = record.find_reading(book, reading).first
    named = choices_of().of("read_by")
    given = set(map(Path, named.value or ())) if named.source == "option" else set()
    found: dict[str, Path] = {}
    for kind, files in own_files_by_kind().items():
        made_by = getattr(verdict, kind)
        for path in files:
            fits = made_by is not None and hashlib.sha256(read_plain(path)).hexdigest() == made_by.sha256
            if fits or (path in given and kind not in found):
                found[kind] = path
    return record.SiteFiles(**found)


def _what_follows(book: "Logbook", reading: str, by: str) -> None:
    """Bring the site's follow-ups into step with a grade that a reviewer may have changed."""
    place = site_if_named()
    if place is None:
        return
    from reader.round.follow_up_record import settle
    from reader.round.record import Desk

    with saying_what_is_kept(f"the decision on {reading}"):
        if book.runs(reading=reading, limit=1):
            settle(Desk(logbook=book, site=place, by=by, now=datetime.now().astimezone()), reading)


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
    who = needed("--by", given.by if by is None else by)
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
        lines += show.labelled("way out", str(done.way_out))
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
        lines += show.labelled("way out", str(done.way_out))
    return lines


@review.command(
    "close",
    shared=("logbook", "by", "reason"),
    keys=("policy",),
    short_help="Take a reading off the list as it stands.",
)
@click.argument("reading", metavar="ID")
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

    by, reason = needed("--by", by), needed("--reason", reason)
    rules_of_review = load_policy(policy)
    with opened(logbook, logbook_photos, read_only=False) as book:
        by = _known_reviewer(book, by, rules_of_review)
        event = record.close(
            book, reading, by=by, reason=reason, at=datetime.now().astimezone(), policy=rules_of_review
        )
    click.echo(f"{event.reading}   closed as it stands; it waits no longer")


@review.command(
    "withdraw",
    shared=("logbook", "by", "reason", "read_by"),
    keys=("policy",),
    out=Out("DIR"),
    old=OLD,
    short_help="Take back what you decided on a reading: a slip.",
)
@click.argument("reading", metavar="ID")
@click.option(
    "--window",
    metavar="ID",
    help=f"{WINDOW_WORDS} Without it all that you decided, and your closing.",
    **explained_by("linecall review decide"),
)
@click.option(
    "--mark",
    type=click.Choice(["indicator", "reference"]),
    help="Which mark of the window.",
    **explained_by("linecall review decide"),
)
def withdraw(
    reading: str,
    logbook: str | None,
    logbook_photos: str | None,
    window: str | None,
    mark: str | None,
    by: str | None,
    reason: str | None,
    policy: str,
    out: Path | None,
    read_by: tuple[str, ...],
) -> None:
    """Take back what you decided on a reading, or your closing of it; nobody else can.

    What you decided and why you took it back stay in the logbook. The grade is worked out anew without it, and you may
    decide again. The verdict and the annotated image are written into this folder, or the one that -o names; of blind
    decisions none are written.
    """
    from reader.files.output import check_folder
    from reader.review import record
    from reader.review.policy import load_policy

    by, reason = needed("--by", by), needed("--reason", reason)
    if (window is None) != (mark is None):
        raise click.UsageError("give both --window and --mark, or neither to take all back")
    rules_of_review = load_policy(policy)
    folder = out or Path()
    check_folder(folder)
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
            files=site_files(book, reading),
        )
        _what_follows(book, done.drawn.reading, by)
    payload = done.event.payload
    told = [f"the {one['mark']} of window {one['window']}" for one in payload["withdrawn"]]
    told += ["the closing"] * payload["opened"]
    if blind and payload["withdrawn"]:
        click.echo("\n".join([f"{stored.id}   taken back", *show.labelled("yours", ", ".join(told))]))
        return
    click.echo("\n".join([*_withdrawn_lines(done, told)]))
    _write(done.drawn, folder)


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


@review.command(
    "draw",
    shared=("logbook", "read_by", "force"),
    out=Out("DIR"),
    old=OLD,
    short_help="Write a reading's verdict and annotated image once more.",
)
@click.argument("reading", metavar="ID")
def draw(
    reading: str,
    logbook: str | None,
    logbook_photos: str | None,
    out: Path | None,
    force: bool,
    read_by: tuple[str, ...],
) -> None:
    """Write a reading's verdict as it stands now, and its annotated image drawn from the kept photo.

    They are written into this folder, or the one that -o names. Without a review the names are ID.verdict.json and
    ID.annotated.jpg.
    """
    from reader.files.output import check_folder
    from reader.review import record

    folder = out or Path()
    check_folder(folder)
    with opened(logbook, logbook_photos) as book:
        drawn = record.redraw(book, reading, site_files(book, reading))
    _write(drawn, folder, force=force)


def _write(drawn: "Drawn", folder: Path, *, force: bool = False) -> None:
    from reader.files.output import write_whole
    from reader.verdict.model import to_bytes

    files = {
        folder / f"{drawn.name}.verdict.json": to_bytes(drawn.verdict),
        folder / f"{drawn.name}.annotated.jpg": drawn.image,
    }
    for label, path in zip(("written", ""), write_whole(files, force=force), strict=True):
        click.echo(f"  {label:<{show.LABEL_WIDTH}}{show.printable(str(path))}")  # on one line, to be copied


@review.command(
    "sheet",
    shared=("logbook", "read_by", "force"),
    out=Out("FILE.html"),
    old=OLD,
    short_help="Make the page on which a faint line can be judged.",
)
@click.argument("reading", metavar="ID")
@click.option(
    "--blind",
    is_flag=True,
    help="Leave out linecall's calls and every reader's.",
    **explained_by("linecall review list"),
)
@click.option("--every-window", is_flag=True, help="Show also windows that are not in question.")
def sheet(
    reading: str,
    logbook: str | None,
    logbook_photos: str | None,
    blind: bool,
    every_window: bool,
    out: Path | None,
    force: bool,
    read_by: tuple[str, ...],
) -> None:
    """Make one page, complete in itself, on which a faint line can be judged: for a phone, a screen, or A4 paper.

    It is written as ID.sheet.html, or ID.blind.html, unless -o names a file.
    """
    from reader.files.output import write_whole
    from reader.review import sheet as sheets

    with opened(logbook, logbook_photos) as book:
        case = sheets.open_case(book, reading, site_files(book, reading))
    target = out or Path(f"{case.reading}.{'blind' if blind else 'sheet'}.html")
    write_whole({target: sheets.sheet(case, blind=blind, every_window=every_window)}, force=force)
    click.echo(show.printable(f"written {target}"))
