"""`linecall library agree` and `linecall library validate`: statistics on the graded examples."""

from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cli import show
from cli.library.look import BY_LIST, filters_of
from cli.options import EXAMPLE_FILTERS, Command, Out, filters, saying_what_was_done

if TYPE_CHECKING:
    from reader.library.agreement.agree import Agreement, Part
    from reader.library.agreement.rates import Rate
    from reader.library.agreement.validate import Validation
    from reader.library.report import Origin
    from reader.numbers.arrays import Interval

LISTED = 10  # examples where callers part that the terminal shows


choice = filters(EXAMPLE_FILTERS, only=("layout", "light"), place=BY_LIST)
"""Decorates a report with what says which examples it is of."""


@click.command(
    "agree",
    cls=Command,
    shared=("where", "as_json", "force"),
    keys=("consensus",),
    out=Out("FILE.html", (".html", ".htm")),
    short_help="How well people and linecall agree.",
)
@choice
@click.option(
    "--list",
    "listed",
    metavar="N",
    type=click.IntRange(0, 10_000),
    default=200,
    show_default=True,
    help="How many examples where callers part the report lists, worst first.",
)
def agree(
    where: Path,
    consensus: str | None,
    layout: str | None,
    light: str | None,
    listed: int,
    out: Path | None,
    as_json: bool,
    force: bool,
) -> None:
    """Hold people against each other and the consensus, and linecall against the consensus.

    Present is the positive answer. Doubtful calls are counted once as present and once as absent; the table shows
    95 % intervals by plate, as marks of one plate are not independent. -o writes the report as a page, and beside it
    FILE.json with all figures.
    """
    from reader.library import Library
    from reader.library.consensus import load_consensus
    from reader.library.report import agreement_page
    from reader.library.reporting import report_agreement

    with (
        saying_what_was_done(lambda: "nothing is reported, and nothing was written"),
        Library.open(where, must_exist=True, read_only=True) as library,
    ):
        report, origin = report_agreement(
            library,
            filters_of({"layout": layout, "light": light}),
            rule=load_consensus(consensus) if consensus else None,
            listed=listed,
            made_at=datetime.now(UTC),
        )
    _hand_over(report, origin, agreement_page, _agreement_lines, out, as_json=as_json, force=force)


@click.command(
    "validate",
    cls=Command,
    shared=("where", "as_json", "force"),
    keys=("consensus",),
    out=Out("FILE.html", (".html", ".htm")),
    short_help="Measure linecall on the library, as a laboratory would.",
)
@choice
@click.option(
    "--known",
    metavar="FILE.csv",
    type=click.Path(path_type=Path, dir_okay=False, exists=True),
    help="Heights that marks are known to have, for a calibration line: example, window, mark, height.",
)
def validate(
    where: Path,
    consensus: str | None,
    layout: str | None,
    light: str | None,
    known: Path | None,
    out: Path | None,
    as_json: bool,
    force: bool,
) -> None:
    """Limits of blank and detection, repeats, calls against the consensus, ROC, and what the numbers prove.

    Wrong present and wrong absent stay apart, and a doubtful call is neither. It proves something about linecall on
    photos like those in the library, and nothing about fuel. -o writes the report as a page, and beside it FILE.json
    with all figures.
    """
    from reader.library import Library
    from reader.library.agreement.validate import read_known
    from reader.library.consensus import load_consensus
    from reader.library.report import validation_page
    from reader.library.reporting import report_validation

    heights = None if known is None else read_known(known)
    with (
        saying_what_was_done(lambda: "nothing is reported, and nothing was written"),
        Library.open(where, must_exist=True, read_only=True) as library,
    ):
        report, origin = report_validation(
            library,
            filters_of({"layout": layout, "light": light}),
            rule=load_consensus(consensus) if consensus else None,
            known=heights,
            made_at=datetime.now(UTC),
        )
    _hand_over(report, origin, validation_page, _validation_lines, out, as_json=as_json, force=force)


def _hand_over(
    report: Any,
    origin: "Origin",
    page: Callable[[Any, "Origin"], bytes],
    lines: Callable[[Any], Iterator[str]],
    out: Path | None,
    *,
    as_json: bool,
    force: bool,
) -> None:
    """Write the files that were asked for; print the report as JSON or as tables."""
    from reader.files.output import write_whole
    from reader.library.report import to_json

    data = to_json(report, origin)
    written = (
        ()
        if out is None
        else write_whole({out: page(report, origin), out.with_suffix(".json"): data}, force=force)
    )
    if as_json:
        click.echo(data, nl=False)
    else:
        for line in lines(report):
            click.echo(line)
    for path in written:
        click.echo(show.printable(f"written {path}"), err=as_json)


# ------------------------------------------------------------------------------------------ agreement


def _agreement_lines(report: "Agreement") -> Iterator[str]:
    from reader.words import counted

    yield (
        f"{counted(report.examples, 'example')} of {counted(report.plates, 'plate')}, "
        f"{counted(report.marks, 'mark')}, {report.no_consensus:,} without consensus"
    )
    for part in report.parts:
        yield ""
        yield from _part_lines(part)
    if report.grades:
        yield ""
        yield "grades of whole plates, as they follow from the calls"
        rows: list[tuple[str, ...]] = [("first", "second", "doubtful as", "same grade", "weighted kappa")]
        rows += [
            (
                one.first,
                one.second,
                one.doubtful_as,
                rate_words(one.overall),
                _number(one.weighted.value, one.weighted.by_plate or one.weighted.interval),
            )
            for one in report.grades
        ]
        yield from indented(rows)
    yield ""
    yield f"{counted(report.parted_in_all, 'example')} where callers part" + (
        ", the worst first" if report.parted else ""
    )
    rows = [("example", "mark", "consensus", "linecall", "people")]
    rows += [
        (
            example.example,
            f"{mark.window} {mark.mark}",
            mark.consensus or "none",
            mark.tool,
            ", ".join(f"{name} {call}" for name, call in mark.calls.items()),
        )
        for example in report.parted[:LISTED]
        for mark in example.marks
    ]
    if report.parted:
        yield from indented(rows)
    yield ""
    for note in report.notes:
        yield from show.labelled("note", note)


def _part_lines(part: "Part") -> Iterator[str]:
    from reader.library.report import chance_words
    from reader.words import counted

    yield f"{part.mark} marks: {part.marks:,} on {counted(part.plates, 'plate')}"
    rows: list[tuple[str, ...]] = [
        ("first", "second", "marks", "doubtful as", "positive agreement", "negative agreement", "kappa")
    ]
    rows += [
        (
            one.first,
            one.second,
            f"{one.n:,}",
            way.doubtful_as,
            rate_words(way.ppa),
            rate_words(way.npa),
            _number(way.kappa.value, way.kappa.by_plate or way.kappa.interval),
        )
        for one in part.comparisons
        for way in one.countings
    ]
    if part.comparisons:
        yield from indented(rows)
    for name, found in (("Fleiss' kappa", part.fleiss), ("Krippendorff's alpha", part.alpha)):
        said = _number(found.value, found.by_plate) if found.value is not None else found.note
        yield f"  {name}, all people: {said}"
    rows = [("linecall and", "doubtful as", "marks", "only linecall right", "only they right", "p by plate")]
    rows += [
        (
            one.second,
            one.doubtful_as,
            f"{one.n:,}",
            str(one.mcnemar.only_first),
            str(one.mcnemar.only_second),
            "too few" if one.mcnemar.p_by_plate is None else chance_words(one.mcnemar.p_by_plate),
        )
        for one in part.contests
    ]
    if part.contests:
        yield from indented(rows)


def rate_words(found: "Rate") -> str:
    """A share with its interval by plate, or what there is too little of."""
    from reader.library.report import share_words, within_words

    if found.value is None:
        return f"{found.hits} of {found.of}: too few"
    return f"{share_words(found.value)} ({within_words(found.by_plate)})"


def _number(value: float | None, interval: "Interval | None") -> str:
    from reader.library.report import number_words, within_words

    if value is None:
        return "undefined"
    return number_words(value) + (f" ({within_words(interval, shares=False)})" if interval else "")


def indented(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Rows in columns, two characters in."""
    for line in show.in_columns(rows):
        yield f"  {line}"


# ------------------------------------------------------------------------------------------ validation


def _validation_lines(report: "Validation") -> Iterator[str]:
    from reader.words import counted

    yield (
        f"{counted(report.examples, 'photo')} of {counted(report.plates, 'plate')}, {counted(report.marks, 'mark')}, "
        f"{report.no_consensus:,} without consensus"
    )
    for part in (_call_lines, _limit_lines, _repeat_lines, _roc_lines):
        yield ""
        yield from part(report)
    yield ""
    yield "what these examples prove"
    for sentence in report.proves:
        yield from show.labelled("", sentence)
    for note in report.notes:
        yield from show.labelled("note", note)


def _call_lines(report: "Validation") -> Iterator[str]:
    from reader.library.report import share_words

    yield "calls against the consensus"
    rows: list[tuple[str, ...]] = [("marks", "", "wrong present", "doubtful", "wrong absent", "doubtful")]
    rows += [
        (
            one.mark if one.by == "all" else f"  {one.by}",
            one.group or "",
            rate_words(one.wrong_present) if one.wrong_present.of else "none to call",
            share_words(one.doubtful_if_absent.value),
            rate_words(one.wrong_absent) if one.wrong_absent.of else "none to call",
            share_words(one.doubtful_if_present.value),
        )
        for one in report.calls
    ]
    yield from indented(rows)
    if any(one.mark == "reference" for one in report.calls):
        yield from show.labelled("note", "undeveloped reference marks count with the absent ones")


def _limit_lines(report: "Validation") -> Iterator[str]:
    from reader.library.report import height_words

    yield "limits of indicator marks, absorbance"
    rows: list[tuple[str, ...]] = [
        ("light", "blanks", "limit of blank", "by rank", "for a plate", "limit of detection", "by rank")
    ]
    rows += [
        (
            one.light or "all",
            f"{one.blank.n:,}",
            *map(
                height_words,
                (
                    one.blank.parametric,
                    one.blank.ranked,
                    one.blank_for_plate.parametric,
                    one.detection.parametric,
                    one.detection.ranked,
                ),
            ),
        )
        for one in report.limits
    ]
    yield from indented(rows)
    for note in dict.fromkeys(
        note for one in report.limits[:1] for note in (one.blank.note, one.detection.note) if note
    ):
        yield from show.labelled("note", note)
    if report.line is not None:
        critical, detectable = (height_words(v) for v in (report.line.critical, report.line.detectable))
        yield f"  by a calibration line: critical {critical}, detectable {detectable}" + (
            f"; {report.line.note}" if report.line.note else ""
        )


def _repeat_lines(report: "Validation") -> Iterator[str]:
    from reader.library.report import height_words

    yield "marks photographed again, standard deviations, absorbance"
    rows = [("strength", "heights", "repeatability", "reproducibility", "stated error")]
    rows += [
        (
            one.strength or "all",
            f"{one.components.n:,}",
            height_words(one.components.repeatability),
            height_words(one.components.reproducibility),
            height_words(one.stated),
        )
        for one in report.repeats
    ]
    yield from indented(rows)
    noted: dict[str, list[str]] = {}
    for one in report.repeats:
        if one.components.note:
            noted.setdefault(one.components.note, []).append(one.strength or "all")
    for note, strengths in noted.items():
        yield from show.labelled("note", f"{', '.join(strengths)}: {note}")


def _roc_lines(report: "Validation") -> Iterator[str]:
    roc = report.roc
    if roc.value is None:
        yield f"ROC: {roc.note}"
    else:
        interval = roc.by_plate or roc.hanley_mcneil
        yield f"ROC: area {roc.value:.4f}" + (
            f" ({interval[0]:.4f} to {interval[1]:.4f})" if interval else ""
        )
