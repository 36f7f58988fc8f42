"""`linecall library fit-thresholds`: decision limits proposed from the graded examples."""

from collections.abc import Iterator
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli import show
from cli.library.look import filters_of
from cli.library.reports import choice, indented, rate_words
from cli.options import GRADED, Command, Out, saying_what_was_done

if TYPE_CHECKING:
    from reader.library.limits.fit import ChangedMark, ErrorRates, Proposal

NO_PROPOSAL = 3
LISTED = 20  # examples that the terminal shows; the report has all


@click.command(
    "fit-thresholds",
    cls=Command,
    shared=("where", "as_json", "force"),
    keys=("consensus", "thresholds", "costs"),
    out=Out("FILE.toml", (".toml",)),
    short_help="Propose decision limits, proved on plates held out.",
)
@choice
@click.option(
    "--folds",
    metavar="N",
    type=click.IntRange(2, 20),
    default=5,
    show_default=True,
    help="Shares of the plates, each of which is held out once.",
)
@click.option("--name", metavar="NAME", help="Of the new thresholds.  [default: the file's]")
@click.pass_context
def fit_thresholds(
    ctx: click.Context,
    where: Path,
    consensus: str | None,
    layout: str | None,
    light: str | None,
    thresholds: str,
    costs: str,
    folds: int,
    name: str | None,
    out: Path | None,
    as_json: bool,
    force: bool,
) -> None:
    """Propose the decision limits that cost least on the graded examples, under stated costs of errors.

    Limits are chosen on some plates and tried on the others, and are proposed only if they gain there. Limits that
    call a mark present which is absent by consensus are refused. They are written where -o names a file, with all
    that they rest on beside it as FILE.json. Nothing is applied: name the file as thresholds in linecall.toml, or for
    one command with --set thresholds=FILE, once you have looked at what it changes.

    Exit status: 0 limits are proposed, 3 none are.
    """
    from reader.files.output import write_whole
    from reader.library import Library
    from reader.library.consensus import load_consensus
    from reader.library.limits.fit import load_costs, propose, to_toml
    from reader.library.report import to_json
    from reader.library.reporting import check_some, origin_of
    from reader.settings.values import load_thresholds

    in_use, prices = load_thresholds(thresholds), load_costs(costs)
    wanted = filters_of({"layout": layout, "light": light})
    with (
        saying_what_was_done(lambda: "nothing is reported, and nothing was written"),
        Library.open(where, must_exist=True, read_only=True) as library,
    ):
        rule = load_consensus(consensus) if consensus else None
        settings = (rule or library.settings.consensus_rule, library.settings.rules, in_use, prices)
        origin = origin_of(library, wanted, settings, made_at=datetime.now(UTC))
        n = library.count(wanted)
        check_some(library, n, origin)
        proposal = propose(
            partial(library.tidy.measured, wanted, rule=rule),
            in_use,
            prices,
            library.settings.rules,
            folds=folds,
            examples=n,
            watch=show.with_progress,
        )
    report = to_json(proposal, origin)
    proposed = proposal.decision == "proposed"
    if as_json:
        click.echo(report, nl=False)
    else:
        for line in _lines(proposal):
            click.echo(line)
    if proposed and out is not None:
        made = to_toml(
            proposal,
            in_use,
            name=name or out.stem,
            title=f"Proposed from {origin.library}, {origin.made_at:%Y-%m-%d}",
            evidence=report,
        )
        for path in write_whole({out: made, out.with_suffix(".json"): report}, force=force):
            click.echo(show.printable(f"written {path}"), err=as_json)
    if not as_json:
        click.echo(
            "nothing is applied: name the file as thresholds in linecall.toml, or with --set thresholds=FILE"
            if proposed
            else f"{proposal.decision}: no limits are proposed, and nothing was written"
        )
    ctx.exit(GRADED if proposed else NO_PROPOSAL)


def _lines(proposal: "Proposal") -> Iterator[str]:
    from reader.words import counted

    yield (
        f"{counted(proposal.examples, 'example')} of {counted(proposal.plates, 'plate')}, "
        f"{counted(proposal.marks, 'mark')} with a consensus; {proposal.folds} shares of the plates, each held out once"
    )
    for left in proposal.left_out[:LISTED]:
        yield from show.labelled("left out", f"{left.example} {left.photo}: {left.why}")
    if len(proposal.left_out) > LISTED:
        yield from show.labelled("", f"and {len(proposal.left_out) - LISTED:,} more")
    yield ""
    yield "limits"
    yield from indented(
        [
            ("", "in use", "cost least", "chosen without the plates held out"),
            *(
                (
                    name,
                    f"{value:g}",
                    f"{proposal.then[name]:g}",
                    ", ".join(
                        f"{found:g}" for found in dict.fromkeys(one[name] for one in proposal.held_out_limits)
                    ),
                )
                for name, value in proposal.now.items()
            ),
        ]
    )
    yield ""
    yield "calls against the consensus"
    yield from indented(list(_rate_rows(proposal)))
    yield from show.labelled(
        "missed",
        "contamination, or a window that did not work, called as if all were well; false: the reverse",
    )
    costs = "; ".join(f"{name.replace('_', ' ')} {value:g}" for name, value in proposal.costs.items())
    yield from show.labelled("costs", costs)
    yield ""
    yield from _change_lines(proposal)
    yield from _barred_lines(proposal)
    yield ""
    for sentence in proposal.proves:
        yield from show.labelled("proves", sentence)
    if len(proposal.linecall) > 1:
        yield from show.labelled(
            "note",
            f"read by several versions of linecall ({', '.join(proposal.linecall)}): heights may differ",
        )
    yield from show.labelled("found", proposal.why)


def _barred_lines(proposal: "Proposal") -> Iterator[str]:
    from reader.words import counted

    if not proposal.barred:
        return
    yield ""
    yield f"{counted(len(proposal.barred), 'mark')} for which these limits are refused"
    yield from indented(
        [
            ("example", "photo", "mark", "called", "consensus"),
            *(
                (one.example, one.photo, f"{one.window} {one.mark}", one.call, one.consensus)
                for one in proposal.barred[:LISTED]
            ),
        ]
    )
    if len(proposal.barred) > LISTED:
        yield f"  and {len(proposal.barred) - LISTED:,} more"


def _rate_rows(proposal: "Proposal") -> Iterator[tuple[str, ...]]:
    def row(name: str, field: str) -> tuple[str, ...]:
        rates: list[ErrorRates] = [proposal.rates_now, proposal.rates_then, proposal.rates_held_out]
        return (name, *(rate_words(getattr(one, field)) for one in rates))

    yield ("", "in use", "cost least", "on plates held out")
    yield row("missed alarms", "missed")
    yield row("  doubtful instead", "doubt_if_alarm")
    yield row("false alarms", "false_alarm")
    yield row("  doubtful instead", "doubt_if_well")
    yield (
        "cost of 1,000 marks",
        *(f"{cost:.1f}" for cost in (proposal.cost_now, proposal.cost_then, proposal.cost_held_out)),
    )


def _change_lines(proposal: "Proposal") -> Iterator[str]:
    from reader.words import counted

    changed = len(proposal.changes)
    yield f"{counted(changed, 'example')} would change, {proposal.examples - changed:,} would not"
    rows: list[tuple[str, ...]] = [("example", "photo", "grade", "mark: now, then (consensus)")]
    for change in proposal.changes[:LISTED]:
        grade = f"{change.grade_now}"
        if change.grade_then != change.grade_now:
            grade += f" -> {change.grade_then}"
        for i, mark in enumerate(change.marks):
            rows.append(
                (*((change.example, change.photo, grade) if i == 0 else ("", "", "")), _mark_words(mark))
            )
    if changed:
        yield from indented(rows)
    if changed > LISTED:
        yield f"  and {changed - LISTED:,} more, all in the report (--json, or -o)"


def _mark_words(mark: "ChangedMark") -> str:
    return f"{mark.window} {mark.mark}: {mark.now}, {mark.then} ({mark.consensus or 'none'})"
