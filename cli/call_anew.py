"""`linecall call-anew`: an archive of verdicts called by other limits or rules, and what that changes."""

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, closing
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cli import show
from cli.defaults import own_files_by_kind
from cli.library.reports import indented, rate_words
from cli.logbook import counting
from cli.options import (
    CALLS,
    GRADED,
    GRADES,
    MARKS,
    REFUSED,
    Command,
    Out,
    PlaceType,
    opened,
    saying_what_was_done,
)

if TYPE_CHECKING:
    from reader.files.urls import Place
    from reader.library.limits.before_after import Errors
    from reader.logbook import Logbook
    from reader.run.call_archive import BatchAnew, By, Came, Kept, Tally
    from reader.settings.values import SettingsFile

CHANGED = 3  # exit status: a grade would change
CAME: "Mapping[Came, str]" = {
    "same": "as before",
    "changed": "changed",
    "apart": "told apart",
    "refused": "refused before and after",
    "left": "left as they are",
    "passed over": "no verdicts and passed over",
}
"""What verdicts came to, in words and in the order in which it is told."""
LISTED = 10  # of what verdicts were written by
TRUTH_NOTES = (
    "gone and new: errors that go, and that come; p: the chance of a difference so large if neither calling erred "
    "less (McNemar's exact test, as if marks were independent; by plate Yang, Sun and Hardin 2010)",
    "the truth is what people agree on: where they had seen linecall's calls it leans towards them, and limits that "
    "were fitted on these plates look better here than they are",
)


@click.command(
    cls=Command,
    shared=("logbook", "where", "read_by", "jobs", "on", "as_json", "force"),
    optional=("where",),
    keys=("thresholds", "rules", "consensus"),
    out=Out("FILE.csv|FILE.parquet|URL", (".csv", ".parquet")),
    short_help="Call an archive of verdicts by other limits or rules: what would change.",
)
@click.argument("verdicts", metavar="[FILE|FOLDER|URL]...", nargs=-1, type=PlaceType(exists=True))
def call_anew(
    verdicts: "tuple[Place, ...]",
    logbook: str | None,
    logbook_photos: str | None,
    where: Path | None,
    read_by: tuple[str, ...],
    thresholds: str,
    rules: str,
    consensus: str | None,
    out: "Place | None",
    jobs: int,
    on: str | None,
    as_json: bool,
    force: bool,
) -> int:
    """Call kept verdicts by other limits or grade them by other rules, without their photos. Nothing is applied.

    Verdicts are files, folders of them (those below too), URLs (folders, * and ** too), and .jsonl files with one on
    each line, as linecall read --json prints them; where none is named, the standing readings of the logbook. They are
    called by the thresholds and rules that hold, such as --set thresholds=ours.toml. What reviewers decided stands, and
    a refused photo stays refused. A verdict of several photos is called by its combined numbers; which photo counts for
    a mark is not chosen again.

    Where a library is named, its consensus is the truth of its photos: both error rates are shown before and after.
    -o writes a row for each verdict that changes. A layout that is not at hand is given with --read-by.

    Exit status: 0 no grade would change; 3 one would; 4 a verdict was left as it is (it is damaged, or its layout is
    not at hand); 1 the table could not be written.
    """
    from reader.errors import LinecallError
    from reader.run.call_archive import call_archive
    from reader.run.changes_table import changes_table
    from reader.run.hands import hands_for

    with ExitStack() as stack:
        found = _Found(library=where)
        stack.enter_context(saying_what_was_done(lambda: _stopped(found)))
        files = list(found.look_up_truth(consensus))
        if verdicts:
            archive = _in_files(verdicts)
        else:
            archive, kept = _in_logbook(stack.enter_context(opened(_some(logbook), logbook_photos)))
            files += kept
        found.by = _by(thresholds, rules, files, every=found.errors is not None)
        write = None if out is None else stack.enter_context(changes_table(out, force=force))
        hands = stack.enter_context(hands_for(jobs, jobs, on))
        progress = stack.enter_context(counting("verdicts"))
        for batch in stack.enter_context(closing(call_archive(archive, found.by, hands))):
            found.add(batch)
            if write is not None:
                write(batch.rows)
            if progress is not None:
                progress(found.tally.came.total())
        if not found.verdicts:
            raise LinecallError(
                "there is no verdict in what was named; linecall read --out writes them, as .verdict.json"
            )
    if as_json:
        show.echo_data(json.dumps(_report(found), ensure_ascii=False, indent=1) + "\n")
    else:
        for line in _lines(found):
            click.echo(line)
    if out is not None:
        click.echo(show.printable(f"written {out}"), err=as_json)
    return _status(found.tally)


class _Found:
    """What an archive came to so far, beside a library's truth where one is named."""

    def __init__(self, library: Path | None) -> None:
        from reader.run.call_archive import Reasons, Tally

        self.library = library
        self.tally, self.reasons = Tally(), Reasons()
        self.errors: Errors | None = None
        self.by: By | None = None

    def look_up_truth(self, consensus: str | None) -> "Sequence[SettingsFile]":
        """Take the consensus on the library's photos, by its own rule or another; gives the library's layouts."""
        if self.library is None:
            return ()
        from reader.library import Library
        from reader.library.consensus import load_consensus
        from reader.library.limits.before_after import Errors

        rule = load_consensus(consensus) if consensus else None
        with Library.open(self.library, must_exist=True, read_only=True) as library:
            self.errors = Errors(library.tidy.agreed(rule=rule))
            return library.settings.layouts()

    @property
    def verdicts(self) -> int:
        """How many there were, those that were left as they are included."""
        return self.tally.came.total() - self.tally.came["passed over"]

    def add(self, batch: "BatchAnew") -> None:
        """Count a batch."""
        self.tally += batch.tally
        self.reasons.add(batch.rows)
        if self.errors is not None:
            for row in batch.rows:
                self.errors.add(row)


def _some(logbook: str | None) -> str:
    if not logbook:
        raise click.UsageError(
            "name verdicts: files, folders or .jsonl files; or a logbook with --logbook PATH|URL"
        )
    return logbook


def _in_files(verdicts: "Sequence[Place]") -> "Iterator[Kept]":
    from reader.run.archive import verdicts_in

    return verdicts_in(verdicts)


def _in_logbook(book: "Logbook") -> "tuple[Iterator[Kept], Sequence[SettingsFile]]":
    """The verdicts of its standing readings, and the settings files that it keeps."""
    from reader.logbook.reread import kept_files_of
    from reader.run.call_archive import Kept

    archive = (Kept(name=f"reading {id}", source=source) for id, source in book.standing_verdicts())
    return archive, kept_files_of(book)


def _by(thresholds: str, rules: str, files: "Sequence[SettingsFile]", *, every: bool) -> "By":
    from reader.logbook.reread import load_settings_at_hand
    from reader.run.call_archive import by_settings
    from reader.settings.values import load_rules, load_thresholds

    own = own_files_by_kind()
    at_hand = load_settings_at_hand(own["layout"], own["rules"], own["thresholds"])
    return by_settings(
        load_thresholds(thresholds), load_rules(rules), (*at_hand.files(), *files), every=every
    )


def _stopped(found: _Found) -> str:
    return f"{found.tally.came.total():,} verdicts were called anew; nothing was applied, and no table was written"


def _status(tally: "Tally") -> int:
    if tally.came["left"]:
        return REFUSED
    return CHANGED if any(before != after for before, after in tally.grades) else GRADED


# --- in words -----------------------------------------------------------------------------------------------


def _lines(found: _Found) -> Iterator[str]:
    from reader.words import counted

    tally, by = found.tally, found.by
    assert by is not None
    told = ", ".join(f"{n:,} {words}" for came, words in CAME.items() if (n := tally.came[came]))
    verdicts = counted(found.verdicts, "verdict")
    yield show.printable(f"{verdicts}, by thresholds {_named(by.thresholds)} and rules {_named(by.rules)}")
    yield told
    for (thresholds, rules), n in tally.written_by.most_common(LISTED):
        yield from show.labelled("written", f"{n:,} by thresholds {thresholds} and rules {rules}")
    for before, named, counts in (
        ("grade before", GRADES, tally.grades),
        *((f"{mark} before", CALLS, _of_mark(tally, mark)) for mark in MARKS),
    ):
        if counts:
            yield ""
            yield from indented(_cross(before, named, counts))
    if found.errors is not None:
        yield ""
        yield from _error_lines(found.errors, found.library)
    yield ""
    yield from _notes(found)
    yield "nothing is applied: the verdicts, and the logbook, stay as they are"


def _named(file: "SettingsFile") -> str:
    own = f", own file {file.sha256[:12]}" if file.own_file else ""
    return f"{file.name} revision {file.revision}{own}"


def _of_mark(tally: "Tally", mark: str) -> dict[tuple[str, str], int]:
    return {(before, after): n for (of, before, after), n in tally.calls.items() if of == mark}


def _cross(corner: str, names: Sequence[str], counts: Mapping[tuple[str, str], int]) -> list[tuple[str, ...]]:
    """A table of what was, down, against what it would be, across; only what occurs."""
    down = [name for name in names if any(before == name for before, _ in counts)]
    across = [name for name in names if any(after == name for _, after in counts)]
    return [
        (corner, *(f"{name} after" if k == 0 else name for k, name in enumerate(across))),
        *((before, *(f"{counts.get((before, after), 0):,}" for after in across)) for before in down),
    ]


def _error_lines(errors: "Errors", library: Path | None) -> Iterator[str]:
    from reader.library.report import chance_words

    yield show.printable(
        f"errors by the consensus of {library}: {errors.counted:,} of the {errors.known:,} photos of known truth"
    )
    found = errors.found()
    rows: list[tuple[str, ...]] = [
        ("", "marks or plates", "before", "after", "gone", "new", "p exact", "p by plate")
    ]
    assays = len({one.assay for one in found}) > 1
    for one in found:
        of = f"{one.of}, {one.assay}" if assays else one.of
        rows.append(
            (
                f"{of}: {one.error}" + (f" ({one.alarm})" if one.alarm else ""),
                f"{one.before.of:,}",
                rate_words(one.before),
                rate_words(one.after),
                f"{one.paired.only_first:,}",
                f"{one.paired.only_second:,}",
                chance_words(one.paired.p_exact),
                chance_words(one.paired.p_by_plate),
            )
        )
    if found:
        yield from indented(rows)


def _notes(found: _Found) -> Iterator[str]:
    tally, by = found.tally, found.by
    assert by is not None
    used = _named(by.thresholds), _named(by.rules)
    both = sum(
        n for written, n in tally.written_by.items() if written[0] != used[0] and written[1] != used[1]
    )
    if both:
        yield from show.labelled(
            "note",
            f"{both:,} were written by other thresholds and other rules, so either may be why a grade changes; to see "
            "one of them alone, name the other as it was with --set",
        )
    if tally.came["apart"]:
        yield from show.labelled(
            "apart",
            f"{tally.came['apart']:,} are in no table: their own limits and rules, used today, do not give what they "
            "say (an older version wrote them, a number was rounded, or somebody altered them)",
        )
    if tally.own_unknown:
        yield from show.labelled(
            "note",
            f"of {tally.own_unknown:,} that change, their own limits or rules are not at hand, so nobody can tell "
            "whether an older version is why; give the files with --read-by",
        )
    for why, n in found.reasons.counts.items():
        yield from show.labelled("left", f"{n:,}: {why} (the first is {found.reasons.first[why]})")
    if found.reasons.others:
        yield from show.labelled(
            "", f"and {found.reasons.others:,} for other reasons, all in the table that -o writes"
        )
    if found.errors is None:
        return
    if found.errors.again:
        yield from show.labelled(
            "note", f"{found.errors.again:,} more verdicts of photos that were counted are left out"
        )
    if found.errors.apart:
        yield from show.labelled(
            "note",
            f"{found.errors.apart:,} verdicts of known truth are left out: told apart, or of another layout",
        )
    for sentence in TRUTH_NOTES:
        yield from show.labelled("note", sentence)


# --- for a program ------------------------------------------------------------------------------------------


def _report(found: _Found) -> dict[str, Any]:
    from reader.library.report import METHODS
    from reader.version import VERSION

    tally, by = found.tally, found.by
    assert by is not None
    errors = found.errors
    return {
        "report": "archive called anew",
        "linecall": VERSION,
        "by": {
            file.kind: {"name": file.name, "revision": file.revision, "sha256": file.sha256}
            for file in (by.thresholds, by.rules)
        },
        "verdicts": {came: tally.came[came] for came in CAME},
        "written_by": [
            {"thresholds": thresholds, "rules": rules, "n": n}
            for (thresholds, rules), n in sorted(tally.written_by.items())
        ],
        "own_settings_unknown": tally.own_unknown,
        "grades": [
            {"before": before, "after": after, "n": n} for (before, after), n in sorted(tally.grades.items())
        ],
        "calls": [
            {"mark": mark, "before": before, "after": after, "n": n}
            for (mark, before, after), n in sorted(tally.calls.items())
        ],
        "left": [
            {"why": why, "n": n, "first": found.reasons.first[why]} for why, n in found.reasons.counts.items()
        ],
        "left_for_other_reasons": found.reasons.others,
        "truth": None
        if errors is None
        else {
            "library": str(found.library),
            "photos_known": errors.known,
            "photos_counted": errors.counted,
            "verdicts_again": errors.again,
            "verdicts_apart": errors.apart,
            "methods": {name: METHODS[name] for name in ("by_plate", "mcnemar") if name in METHODS},
            "errors": [asdict(one) for one in errors.found()],
        },
    }
