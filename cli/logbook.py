"""`linecall logbook`: what was read, what became of it, and that nothing was changed."""

import json
import os
import shlex
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cli import show
from cli.defaults import own_files_by_kind
from cli.options import (
    FAILED,
    GRADED,
    INTERNAL,
    READING_FILTERS,
    REFUSED,
    Group,
    Out,
    filters,
    known_name,
    needed,
    needed_logbook,
    opened,
    saying_what_was_done,
    superseded_by_pages,
)
from cli.variables import DEBUG_VARIABLE

if TYPE_CHECKING:
    from reader.logbook import Event, ReadingRow, StoredReading
    from reader.logbook.chain import Report
    from reader.logbook.matching import Question
    from reader.logbook.reread import Reread

GRADED_BY = ("plate_expiry", "drops_at")
"""What is stated about a reading and its grade rests on."""
ROWS = (20, 10_000)  # of a list: unless --limit says otherwise, and at most
CHANGED = 3  # exit status: a grade would change


@click.group(cls=Group, short_help="Look at, check, correct and hand on the logbook.")
def logbook() -> None:
    """Look at, check, correct and hand on the logbook.

    The logbook keeps each reading with its original photo, and every review and correction, as events in a
    chain: nothing in it is ever rewritten, and linecall logbook verify finds whatever was changed behind its
    back. linecall read --logbook PATH puts readings into it.
    """


@logbook.command("list", shared=("logbook", "page"), limit=ROWS)
@filters(READING_FILTERS)
@click.option("--before", metavar="ID", hidden=True, callback=superseded_by_pages)
def list_readings(
    logbook: str | None, logbook_photos: str | None, limit: int, page: int, before: str | None, **chosen: Any
) -> None:
    """List readings, the newest first."""
    from reader.logbook.export import all_rows

    first = (page - 1) * limit
    with opened(logbook, logbook_photos) as book:
        edge = None if before is None else book.reading(_id(before)).seq
        rows = list(islice(all_rows(book, before=edge, **chosen), first, first + limit + 1))
    if not rows:
        narrowed = before is not None or page > 1 or any(chosen.values())
        click.echo("no readings" + " that match" * narrowed)
        return
    click.echo("\n".join(_table(rows[:limit])))
    if len(rows) > limit:
        click.echo(f"there are older ones: --page {page + 1}")


def _id(typed: str) -> str:
    return typed.strip().lower()


def _table(rows: "Sequence[ReadingRow]") -> list[str]:
    head = ("id", "logged", "tank", "point", "operator", "grade", "")
    cells = [head] + [
        (
            row.id,
            f"{row.at:%Y-%m-%d %H:%M}{row.at:%z}",
            row.tank or "-",
            row.sample_point or "-",
            row.operator,
            row.grade or row.status,
            _standing(row),
        )
        for row in rows
    ]
    shown = [[_short(show.printable(cell)) for cell in line] for line in cells]
    widths = [max(map(len, column)) for column in zip(*shown, strict=True)]
    return ["  ".join(map(str.ljust, line, widths)).rstrip() for line in shown]


def _standing(row: "ReadingRow") -> str:
    if row.superseded_by:
        return "superseded"
    if row.rank is None:
        return ""
    return "waits: decided apart" if row.rank < 0 else "waits"


def _short(text: str, longest: int = 24) -> str:
    return text if len(text) <= longest else text[: longest - 3] + "..."


@logbook.command("show", shared=("logbook",))
@click.argument("reading", metavar="ID")
def show_reading(reading: str, logbook: str | None, logbook_photos: str | None) -> None:
    """Show a reading's whole story, in order."""
    with opened(logbook, logbook_photos) as book:
        stored = book.reading(_id(reading))
        history = list(book.events(stored.id))
    click.echo("\n".join(_story(stored, history)))


def _story(stored: "StoredReading", history: "Sequence[Event]") -> list[str]:
    grade = stored.current.grade or stored.current.status
    lines = [f"{stored.id}   {grade.upper()}" + "   waits for a reviewer" * stored.waiting]
    if stored.superseded_by:
        lines.append(f"  superseded by {stored.superseded_by}, a later reading")
    lines += [f"  {show.printable(sentence)}" for sentence in stored.apart]
    for event in history:
        of = f", chain {event.chain[:8]}" if event.chain else ""
        of += "; does not count here" if event in stored.uncounted else ""
        head = f"  {event.number:>6}  {_written(event.at)}  {event.kind} by {event.by}{of}"
        lines.append(show.printable(head))
        tell = {"reading": _tell_reading, "review": _tell_review, "correction": _tell_correction}.get(
            event.kind
        )
        told = tell(event) if tell else [f"{name} {value}" for name, value in event.payload.items()]
        lines += [f"          {show.printable(text)}" for text in told]
    return lines


def _written(at: datetime) -> str:
    return at.isoformat(sep=" ", timespec="seconds")


def _tell_reading(event: "Event") -> list[str]:
    payload = event.payload
    verdict = payload["verdict"]
    told = [f"photo {photo['name']}, SHA-256 {photo['sha256']}" for photo in payload["photos"]]
    told += [
        f"{name.replace('_', ' ')} {value}"
        for name, value in payload["statement"].items()
        if name != "operator"
    ]
    told += [f"in place of {id}" for id in payload.get("supersedes", ())]
    told += [f"reason: {payload['reason']}"] if "reason" in payload else []
    if verdict["status"] == "refused":
        return [*told, f"refused: {verdict['reason']}"]
    expired = _expired(verdict, payload["statement"].get("plate_expiry"), event.at)
    return [*told, *expired, f"grade {verdict['grade']}: {verdict['rule']}", *_calls(verdict)]


def _expired(verdict: dict[str, Any], expiry: str | None, at: datetime) -> list[str]:
    """Say that a plate was used after its expiry, a month's end or a date; a verdict of before did not look."""
    told = verdict.get("expiry")
    if told:
        return [f"WARNING: {told['sentence']}"] if told["status"] == "expired" else []
    past = expiry is not None and f"{at:%Y-%m-%d}"[: len(expiry)] > expiry
    return [f"WARNING: the plate had expired ({expiry})"] if past else []


def _calls(verdict: dict[str, Any]) -> list[str]:
    """Say which marks are called anything but present."""
    odd = [
        f"{window['id']} {mark} {window[mark]['call']}"
        for window in verdict["windows"]
        for mark in ("indicator", "reference")
        if window[mark]["call"] != "present"
    ]
    return ["window " + ", ".join(odd) if odd else "all marks present"]


def _tell_review(event: "Event") -> list[str]:
    payload = event.payload
    told = []
    for decision in payload.get("decisions", ()):
        blind = ", blind" if decision.get("blind") else ""
        told.append(
            f"window {decision.get('window')} {decision.get('mark')}: {decision.get('call')}{blind}: "
            f"{decision.get('reason')}"
        )
    told += [f"window {one['window']} {one['mark']}: taken back" for one in payload.get("withdrawn", ())]
    if payload.get("closed"):
        told.append("closed as it stands")
    if payload.get("opened"):
        told.append("the closing: taken back")
    if "reason" in payload:
        told.append(f"reason: {payload['reason']}")
    if "policy" in payload:
        told.append("policy {name}, revision {revision}, SHA-256 {sha256}".format(**payload["policy"]))
    if "verdict" in payload:
        verdict = payload["verdict"]
        told += [mark["sentence"] for mark in (verdict.get("review") or {}).get("open", ())]
        before = payload.get("before", {}).get("grade", verdict["grade"])
        was = "" if before == verdict["grade"] else f", was {before}"
        told += [f"grade {verdict['grade']}{was}: {verdict['rule']}", *_calls(verdict)]
    return told


def _tell_correction(event: "Event") -> list[str]:
    payload = event.payload
    name, was, value = payload["field"].replace("_", " "), payload["was"], payload["value"]
    return [f"{name}: {'nothing' if was is None else was} becomes {'nothing' if value is None else value}",
            f"reason: {payload['reason']}"]  # fmt: skip


@logbook.command(
    "verify",
    shared=("logbook",),
    short_help="Check that nothing in the logbook, or in an export, was changed.",
)
@click.argument("file", metavar="[FILE.zip]", required=False, type=click.Path(path_type=Path))
@click.option(
    "--seal",
    "sealed",
    metavar="SEAL|FILE",
    multiple=True,
    help="A line that linecall logbook seal printed earlier, or a file of such lines; may be given again.",
)
@click.option("--no-photos", is_flag=True, help="Leave the photos out, which take most of the time.")
def verify(
    file: Path | None,
    logbook: str | None,
    logbook_photos: str | None,
    sealed: tuple[str, ...],
    no_photos: bool,
) -> int:
    """Check that nothing in the logbook was changed: events, photos, lists; names the first bad event.

    FILE.zip, from linecall logbook export, is checked without the logbook. An end that was cut off, or a logbook
    written anew as a whole, only a seal can tell that somebody else keeps.

    Exit status: 0 all holds; 1 something was changed, or cannot be checked; 2 wrong usage.
    """
    seals = [seal for text in sealed for seal in _seals(text)]
    with saying_what_was_done(lambda: "not everything was checked, so nothing is said of the whole"):
        name, report = _verified(file, logbook, logbook_photos, seals, no_photos=no_photos)
    if report.problem is not None:
        show.say_problem(f"{name}: BAD: {report.problem}")
        return FAILED
    from reader.words import counted

    events = counted(report.events, "event") + (f" in {report.chains} chains" if report.chains > 1 else "")
    parts = [events, counted(report.readings, "reading")]
    parts.append("photos not checked" if no_photos else counted(report.photos, "photo"))
    if report.photos_left_out:
        parts.append(f"{report.photos_left_out} more not in this file")
    click.echo(show.printable(f"{name}: all holds: {', '.join(parts)}"))
    for note in report.notes:
        click.echo(show.printable(f"note: {note}"))
    if not seals:
        whole = (
            "this whole zip may have been written"
            if file is not None
            else "this whole logbook may have been written"
        )
        click.echo(
            f"checked without a seal: {whole} anew, or cut off at its end, by whoever had it; "
            "only a seal that somebody else kept can tell (--seal)"
        )
    return GRADED


def _verified(
    file: Path | None,
    logbook: str | None,
    logbook_photos: str | None,
    seals: "Sequence[Any]",
    *,
    no_photos: bool,
) -> "tuple[str, Report]":
    """The name of what is checked, an export or a logbook, and what was found."""
    if file is not None:
        if no_photos:
            raise click.UsageError("--no-photos is for a logbook; the photos of an export are always checked")
        from reader.logbook.export import verify_zip

        with counting("events") as progress:
            return str(file), verify_zip(file, seals=seals, progress=progress)
    with opened(logbook, logbook_photos) as book, counting("events") as progress:
        return book.name, book.verify(progress, photos=not no_photos, seals=seals)


def _seals(text: str) -> "Iterator[Any]":
    from reader.errors import LinecallError
    from reader.files.plain import read_plain
    from reader.logbook.chain import parse_seal

    if text.lstrip().startswith("linecall-seal"):
        yield parse_seal(text)
        return
    try:
        lines = read_plain(Path(text), limit=1_000_000).decode("utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        raise LinecallError(f"{text[:80]}: is neither a seal nor a file of seals that can be read") from None
    found = [parse_seal(line) for line in lines if line.strip()]
    if not found:
        raise LinecallError(f"{text[:80]}: holds no seal")
    yield from found


@contextmanager
def counting(what: str) -> "Iterator[Callable[[int], None] | None]":
    """Count on standard error, where that is a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    yield lambda n: click.echo(f"\r{n} {what}", nl=False, err=True)
    _wipe()


def _wipe() -> None:
    """Clear the line on which a count stands."""
    click.echo("\r" + " " * 48 + "\r", nl=False, err=True)


@logbook.command("seal", shared=("logbook",), short_help="Print the head, to be kept elsewhere.")
def seal(logbook: str | None, logbook_photos: str | None) -> None:
    """Print the logbook's head: one line, to be kept where whoever keeps the logbook cannot change it.

    With it, linecall logbook verify --seal finds a logbook whose end was cut off, or that was written anew. It names
    the heads of all logbooks that were merged into this one, so it seals them too; a line for each follows.
    """
    with opened(logbook, logbook_photos) as book:
        at = _now()
        click.echo(book.seal(at=at))
        for head in book.heads():
            click.echo(head.seal(at=at))


def _now() -> datetime:
    return datetime.now(UTC).astimezone()


@logbook.command(
    "correct", shared=("logbook", "by", "reason"), short_help="Correct what was stated about a reading."
)
@click.argument("reading", metavar="ID")
@click.option(
    "--field", metavar="NAME", required=True, help="What was stated wrongly: tank, plate-lot and so on."
)
@click.option("--value", metavar="TEXT", required=True, help="What it should say; empty takes it back.")
def correct(
    reading: str,
    logbook: str | None,
    logbook_photos: str | None,
    field: str,
    value: str,
    by: str | None,
    reason: str | None,
) -> None:
    """Correct what was stated about a reading, as a new event; what was said first stays on record.

    Say who corrects, with --by, and why, with --reason.
    """
    by, reason = needed("--by", by), needed("--reason", reason)
    with opened(logbook, logbook_photos, read_only=False) as book:
        by = known_name(book, by, "technician")
        if field == "operator":
            value = known_name(book, value, "technician")
        event = book.correct(_id(reading), field, value, by=by, reason=reason, at=_now())
    click.echo(show.printable(f"{event.reading}: {_tell_correction(event)[0]}; event {event.seq}"))
    if event.payload["field"] in GRADED_BY:
        show.say_problem(
            f"the grade of {event.reading} stands as it was read; read the photo again with what is right, "
            f"--replaces {event.reading} --reason TEXT"
        )


@logbook.command(
    "settings",
    shared=("logbook",),
    short_help="Show the settings files that readings and reviews were made by.",
)
@click.argument("file", metavar="[SHA-256]", required=False)
def kept_settings(file: str | None, logbook: str | None, logbook_photos: str | None) -> None:
    """List the settings files that readings and reviews were made by; print one, named by its hash's beginning.

    They are kept byte for byte: rules, thresholds, layouts, texts and policies, bundled ones and a site's own.
    """
    from reader.errors import LinecallError
    from reader.settings.values import is_own_file

    with opened(logbook, logbook_photos) as book:
        kept, name = book.settings(), book.name
    if file is None:
        rows = [
            (
                one.sha256[:12],
                one.kind,
                f"{one.name} revision {one.revision}",
                "own file" if is_own_file(one.kind, one.name, one.sha256) else "",
            )
            for one in kept.values()
        ]
        click.echo("\n".join(show.in_columns(rows)) if rows else "no settings files are kept")
        return
    found = [one for digest, one in kept.items() if digest.startswith(file.strip().lower())]
    if len(found) != 1:
        how_many = f"{len(found)} settings files have hashes" if found else "no settings file has a hash"
        raise LinecallError(
            f"{name}: {how_many} that begin{'s' * (not found)} with {file[:64]!r}; see the list"
        )
    click.echo(found[0].data, nl=False)


@logbook.command(
    "restore", shared=("logbook",), short_help="Begin a logbook anew from a zip of all readings."
)
@click.argument("file", metavar="FILE.zip", type=click.Path(path_type=Path))
def restore(file: Path, logbook: str | None, logbook_photos: str | None) -> int:
    """Begin a logbook anew from a backup: a zip that linecall logbook export --format zip wrote of all readings.

    The zip is checked first, and the new logbook at the end: it has the same events, hashes and photos. --logbook names
    a file that is not there yet. Then hold it against a seal, with linecall logbook verify --seal.

    A backup that was made on the keeper's page of a station brings back, beside the logbook, what the station needs:
    the site's file and what it names, the policy, languages. linecall serve --logbook FILE then goes on, and everybody
    signs in anew.
    """
    from reader.logbook import Logbook
    from reader.logbook.restore import restore_zip
    from reader.words import counted

    with Logbook.open(needed_logbook(logbook), photos=logbook_photos) as book:
        with counting("events") as progress:
            done = restore_zip(file, book, progress=progress)
            report = done.report
        name = book.name
    if report.problem is not None:
        show.say_problem(f"{name}: BAD: {report.problem}")
        return FAILED
    held = [
        counted(report.events, "event"),
        counted(report.readings, "reading"),
        counted(report.photos, "photo"),
    ]
    click.echo(show.printable(f"restored {name}: all holds: {', '.join(held)}"))
    for path in done.files:
        click.echo(show.printable(f"beside it {path}"))
    for line in done.not_held:
        show.say_problem(f"not in the backup: {line}")
    if done.files:
        click.echo(show.printable(f"everybody signs in anew: linecall serve --logbook {shlex.quote(name)}"))
    return GRADED


@logbook.command("merge", shared=("logbook", "by"), short_help="Bring another logbook into this one.")
@click.argument("other", metavar="OTHER")
@click.option(
    "--same",
    metavar="THERE=HERE",
    multiple=True,
    help="Who or what is called THERE in the other logbook is HERE in this one; may be given again.",
)
@click.option(
    "--apart",
    metavar="THERE",
    multiple=True,
    help="Somebody or something of the other logbook that is none that this one knows; may be given again.",
)
@click.option(
    "--their-photos", metavar="FOLDER|URL", help="Where the other logbook keeps its photos, if not beside it."
)
def merge_logbook(
    other: str,
    logbook: str | None,
    logbook_photos: str | None,
    by: str | None,
    same: tuple[str, ...],
    apart: tuple[str, ...],
    their_photos: str | None,
) -> None:
    """Bring another logbook, such as that of a laptop that comes home, into this one.

    OTHER is its file, a zip that linecall logbook export wrote of all its readings, or a postgresql:// URL. It is
    checked first. Its events come with their photos, as they were written, in a chain of their own: all of them, or
    none. What is here already is not taken twice. Say who merges, a keeper, with --by.

    What was decided on several devices without having seen each other waits for a reviewer. Where a name may be
    somebody known, nothing is taken until you say who it is.

    See linecall guide merge.
    """
    from reader.errors import LinecallError
    from reader.logbook import Logbook
    from reader.logbook.matching import Answers, UnsureError
    from reader.logbook.merge import LogbookSource, ZipSource, in_words, merge, open_source
    from reader.words import counted

    by = needed("--by", by)
    answers = Answers(same=dict(map(_equal, same)), apart=frozenset(apart))
    ask = _ask_who if _on_a_terminal() else None
    with ExitStack() as stack:
        theirs = stack.enter_context(open_source(other, their_photos))
        source = theirs if isinstance(theirs, ZipSource) else LogbookSource(theirs)
        book = stack.enter_context(Logbook.open(needed_logbook(logbook), photos=logbook_photos))
        stack.enter_context(saying_what_was_done(lambda: "nothing was taken; the same command takes it"))
        progress = stack.enter_context(counting("events"))
        is_new = not book.head()[0]
        try:
            merged = merge(book, source, by=by, at=_now(), answers=answers, ask=ask, progress=progress)
        except UnsureError as unsure:
            for question in unsure.questions:
                show.say_problem(f"{question}: {question.options}")
            raise LinecallError(
                f"{source.name}: nothing was taken; say who and what these are, as shown"
            ) from unsure
        waiting = book.count_apart()
    if merged.event is not None and sys.stderr.isatty():
        _wipe()
    if is_new:
        click.echo(show.printable(f"begun {book.name}, whose first keeper is {by}"))
    click.echo("\n".join(map(show.printable, in_words(merged, source.name))))
    for note in merged.notes:
        click.echo(show.printable(f"note: {note}"))
    if waiting:
        verb = "waits" if waiting == 1 else "wait"
        click.echo(
            f"{counted(waiting, 'reading')} decided on apart {verb} for a reviewer: linecall review list"
        )


def _equal(text: str) -> tuple[str, str]:
    there, sign, here = (part.strip() for part in text.partition("="))
    if not (there and sign and here):
        raise click.BadParameter(f"{text!r}; write THERE=HERE, such as --same 'A Lind=A. Lind'")
    return there, here


def _on_a_terminal() -> bool:
    return sys.stdin.isatty() and sys.stderr.isatty()


def _ask_who(question: "Question") -> str | None:
    """Ask on the terminal who or what is meant; None where the answer is to be given another time."""
    _wipe()
    click.echo(show.printable(f"{question}."), err=True)
    choices = [*question.alike, *([] if question.difference else ["none of them"]), "ask me another time"]
    for number, choice in enumerate(choices, 1):
        click.echo(show.printable(f"  {number}  {choice}"), err=True)
    chosen = click.prompt("which", type=click.IntRange(1, len(choices)), err=True)
    if chosen <= len(question.alike):
        return question.alike[chosen - 1]
    return question.there if chosen < len(choices) else None


@logbook.command("rebuild", shared=("logbook",), short_help="Make the lists anew from the events.")
def rebuild(logbook: str | None, logbook_photos: str | None) -> None:
    """Make the rows that lists show anew from the events, which stay.

    On a PostgreSQL server this is its owner's command: it makes the tables that are missing too, all of them in an
    empty database.
    """
    from reader.logbook import Logbook
    from reader.words import counted

    where = needed_logbook(logbook)
    with Logbook.open(where, must_exist="://" not in where, photos=logbook_photos) as book:
        click.echo(counted(book.rebuild(), "reading"))


@logbook.command(
    "export",
    shared=("logbook", "force"),
    out=Out("FILE"),
    short_help="Hand the logbook on: csv, jsonl, or a zip that proves itself.",
)
@click.argument("readings", metavar="[ID...]", nargs=-1)
@click.option("--format", "kind", type=click.Choice(["csv", "jsonl", "zip"]), required=True)
@click.option(
    "--strip-metadata", is_flag=True, help="Photos in a zip without what the phone wrote beside the pixels."
)
def export(
    readings: tuple[str, ...],
    logbook: str | None,
    logbook_photos: str | None,
    kind: str,
    out: Path | None,
    force: bool,
    strip_metadata: bool,
) -> None:
    """Hand the logbook on: a table of readings (csv), its events (jsonl), or a zip for a third party.

    It is written to standard output, or to the file that -o names; a zip must have one.

    The zip holds all events, because the chain is the proof, with the photos and verdicts of the readings named,
    or of all. Whoever gets it can check it with linecall logbook verify FILE.zip, or as its README.txt says.

    The original photos carry what the phone wrote into them, often position and serial number. --strip-metadata takes
    that out: pixels, turn and colour profile stay, and export.json has the hashes of original and picture.
    """
    if strip_metadata and kind != "zip":
        raise click.UsageError("--strip-metadata is for a zip; a table and events hold no photos")
    if kind == "zip" and out is None:
        raise click.UsageError("name the zip with -o FILE.zip")
    if kind != "zip" and readings:
        raise click.UsageError(f"{kind} is of the whole logbook; only a zip is of some readings")
    from reader.files.output import open_whole
    from reader.logbook import export as exports
    from reader.words import counted

    with (
        saying_what_was_done(lambda: "the export is not written"),
        opened(logbook, logbook_photos) as book,
    ):
        if kind == "zip":
            assert out is not None
            with open_whole(out, force=force) as file:
                written = exports.write_zip(
                    book,
                    file,
                    ids=[_id(typed) for typed in readings],
                    at=_now(),
                    strip_metadata=strip_metadata,
                )
            held = counted(written.readings, "reading")
            click.echo(show.printable(f"written {out}: {held}; send its seal by another way"))
            click.echo(show.photos_handed_on(stripped=strip_metadata))
            for digest in written.left_out:
                show.say_problem(f"photo {digest} is left out: its metadata could not be taken out")
            return
        if kind == "jsonl":
            lines = exports.event_lines(book)
        else:
            lines = exports.csv_lines(exports.all_rows(book), book.chain_ids())
        if out is None:
            for line in lines:
                click.echo(line.encode("utf-8"), nl=False)
            return
        with open_whole(out, force=force) as file:
            file.writelines(line.encode("utf-8") for line in lines)
        click.echo(show.printable(f"written {out}"))


@logbook.command(
    "reread",
    shared=("logbook", "read_by", "jobs", "as_json"),
    old={f"--{kind}": "--read-by" for kind in ("layout", "rules", "thresholds")},
    short_help="Read kept photos by today's reader: which grades would change.",
)
@click.argument("ids", metavar="[ID...]", nargs=-1)
@filters(READING_FILTERS, place="linecall logbook list")
@click.option("--superseded", is_flag=True, help="Also readings whose place a later one has taken.")
def reread(
    ids: tuple[str, ...],
    logbook: str | None,
    logbook_photos: str | None,
    superseded: bool,
    read_by: tuple[str, ...],
    jobs: int,
    as_json: bool,
    **chosen: Any,
) -> int:
    """Read kept photos by today's reader, and list the grades that would change and why. Nothing is changed.

    All readings that stand are read again, or those named, or those that the options choose. Each is read as it
    was: the photos of one plate as one, with the reading age as it was stated, by its own layout, rules and
    thresholds, which the logbook keeps. Of older readings it has names and hashes only: give your own files with
    --read-by, or as read_by in linecall.toml; where the very file is not at hand, another stands in and that is
    said. What reviewers have decided stands, and is said too.

    Exit status: 0 no grade would change; 3 one would; 4 a reading could not be read again: its photo is gone or was
    altered, or its layout is not at hand; 1 a photo failed otherwise; 70 an internal error (of several, the last
    named counts); 2 wrong usage.
    """
    if ids and (superseded or any(chosen.values())):
        raise click.UsageError("name readings, or choose them by options; not both")
    from reader.logbook.export import all_rows
    from reader.logbook.reread import load_settings_at_hand
    from reader.logbook.reread import reread as read_again
    from reader.run.hands import hands_for

    own = own_files_by_kind()
    at_hand = load_settings_at_hand(own["layout"], own["rules"], own["thresholds"])
    tally = _Tally()
    with ExitStack() as stack:
        book = stack.enter_context(opened(logbook, logbook_photos))
        if ids:
            named = [book.row(id) for id in dict.fromkeys(map(_id, ids))]
            total, rows = len(named), iter(named)
        else:
            chosen["standing"] = not superseded
            total, rows = book.count(**chosen), all_rows(book, **chosen)
        hands = stack.enter_context(hands_for(total, jobs))
        found = stack.enter_context(closing(read_again(book, rows, at_hand, hands)))
        stack.enter_context(
            saying_what_was_done(
                lambda: f"{tally.n} of {total} readings were read again; nothing was changed"
            )
        )
        progress = stack.enter_context(counting(f"of {total} readings"))
        for one in found:
            tally.count(one)
            if progress is not None:
                _wipe()
            _show_reread(one, as_json=as_json, first=tally.changed == 1)
            if progress is not None:
                progress(tally.n)
    if not as_json:
        click.echo("\n".join(map(show.printable, tally.lines())))
    return tally.status


@dataclass
class _Tally:
    """How many readings came to what, and by which settings that were not their own."""

    n: int = 0
    changed: int = 0
    other_calls: int = 0
    unread: int = 0
    failed: int = 0
    faults: int = 0
    instead: Counter[str] = field(default_factory=Counter)

    def count(self, one: "Reread") -> None:
        self.n += 1
        self.changed += one.changes
        self.other_calls += bool(one.marks) and not one.changes
        self.unread += one.problem is not None
        self.failed += one.failed
        self.faults += one.details is not None
        self.instead.update(one.instead)

    @property
    def status(self) -> int:
        if self.faults:
            return INTERNAL
        if self.failed:
            return FAILED
        if self.unread:
            return REFUSED
        return CHANGED if self.changed else GRADED

    def lines(self) -> list[str]:
        if not self.n:
            return ["no readings to read again"]
        parts = {
            "as before": self.n - self.changed - self.other_calls - self.unread,
            "with other calls and the same grade": self.other_calls,
            "with another grade": self.changed,
            "not read again": self.unread,
        }
        told = ", ".join(f"{count} {words}" for words, count in parts.items() if count)
        lines = [f"{self.n} reading{'s' * (self.n != 1)}: {told}; nothing was changed"]
        return lines + [f"{count} of them: {sentence}" for sentence, count in self.instead.items()]


def _show_reread(one: "Reread", *, as_json: bool, first: bool) -> None:
    """Print what became of a reading; of one whose grade stays only if it is asked for or could not be read."""
    if as_json:
        show.echo_data(_reread_json(one) + "\n")
    elif one.changes:
        lines = [_reread_row("id", "logged", "tank", "point", "then", "today")] if first else []
        click.echo("\n".join(lines + _reread_lines(one)))
    if one.problem is not None:
        show.say_problem(f"{one.row.id}: not read again: {one.problem}")
    if one.details and os.environ.get(DEBUG_VARIABLE):
        click.echo(one.details, err=True)


def _reread_row(*cells: str) -> str:
    """A line of the table, whose columns are as wide as their contents may be, for it is printed as it grows."""
    widths = (8, 21, 16, 16, 10, 10)
    shown = (_short(show.printable(cell), width) for cell, width in zip(cells, widths, strict=True))
    return "  ".join(map(str.ljust, shown, widths)).rstrip()


def _reread_lines(one: "Reread") -> list[str]:
    """A row of the table, and below it why the grade would change."""
    row, first, today = one.row, one.first, one.today
    assert first is not None
    assert today is not None
    assert one.stands is not None
    assert one.would_be is not None
    lines = [
        _reread_row(
            row.id,
            f"{row.at:%Y-%m-%d %H:%M}{row.at:%z}",
            row.tank or "-",
            row.sample_point or "-",
            first.grade,
            today.grade,
        )
    ]
    taken = f", taken {_written(one.captured_at)}" if one.captured_at else ""
    lines += show.labelled("photo", ", ".join(one.photos) + taken)
    if row.superseded_by:
        lines += show.labelled("", f"superseded by {row.superseded_by}, a later reading")
    lines += show.labelled("then", first.because) + show.labelled("today", today.because)
    for change in one.marks:
        lines += show.labelled(
            "mark",
            f"{change.mark} of window {change.window}: {change.first or 'none'}, {change.today or 'none'} today",
        )
        lines += show.labelled("then", "; ".join(change.first_reasons))
        lines += show.labelled("today", "; ".join(change.today_reasons))
    for sentence in one.decided:
        lines += show.labelled("decided", sentence)
    if one.decided:
        then, now = one.stands.grade, one.would_be.grade
        both = f"{then} then and today" if then == now else f"{then} then, {now} today"
        lines += show.labelled("", f"with what was decided: {both}")
    for sentence in one.notes:
        lines += show.labelled("note", sentence)
    for sentence in one.instead:
        lines += show.labelled("settings", sentence)
    return lines


def _reread_json(one: "Reread") -> str:
    row = one.row
    told = {
        "id": row.id,
        "at": row.at,
        "tank": row.tank,
        "sample_point": row.sample_point,
        "operator": row.operator,
        "superseded_by": row.superseded_by,
        "changes": one.changes,
    } | {name: value for name, value in asdict(one).items() if name not in {"row", "details"}}
    return json.dumps(told, ensure_ascii=False, default=lambda moment: moment.isoformat(timespec="seconds"))
