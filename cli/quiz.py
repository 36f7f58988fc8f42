"""`linecall quiz`: examine people with the library's plates."""

from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path

import click

from cli import show
from cli.options import GRADED, Group, Out, known_name, opened

NOT_PASSED = 3
ITEMS = 30


@click.group(cls=Group, short_help="Examine people with the library's plates.")
def quiz() -> None:
    """Examine people with the library's plates.

    A quiz is one page that works offline and has no answers in it; the key stays in the library. Exit status of
    mark: 0 passed, 3 not passed.
    """


@quiz.command("make", shared=("where", "logbook", "force"), keys=("mix",), out=Out("FILE"))
@click.option(
    "--trainee", metavar="NAME", required=True, help="Who will answer it; known, where a logbook is named."
)
@click.option(
    "--items",
    metavar="N",
    type=click.IntRange(1),
    default=ITEMS,
    show_default=True,
    help="How many plates.",
)
@click.option(
    "--seed", metavar="N", type=click.IntRange(0), default=1, show_default=True, help="Of the draw."
)
@click.option(
    "--mix",
    metavar="NAME|FILE",
    help="What it is made of, and what passes.  [default: linecall.toml's mix, else even]",
)
@click.option("--minutes", metavar="N", type=click.IntRange(1, 600), help="Time limit.  [default: none]")
def make_quiz(
    where: Path,
    trainee: str,
    logbook: str | None,
    logbook_photos: str | None,
    items: int,
    seed: int,
    mix: str,
    minutes: int | None,
    out: Path | None,
    force: bool,
) -> None:
    """Draw a paper and write its page, as quiz-ID.html unless -o names a file."""
    from reader.files.output import write_whole
    from reader.library import Library
    from reader.library.quiz.mix import load_mix
    from reader.library.quiz.papers import make
    from reader.words import counted

    with ExitStack() as stack:
        library = stack.enter_context(Library.open(where, must_exist=True))
        if logbook:
            book = stack.enter_context(opened(logbook, logbook_photos, read_only=False))
            trainee = known_name(book, trainee, "trainee")
        paper = make(library, trainee=trainee, items=items, seed=seed, mix=load_mix(mix), minutes=minutes)
    path = out or Path(f"quiz-{paper.key.quiz}.html")
    write_whole({path: paper.page}, force=force)
    for note in paper.notes:
        show.say_problem(note)
    click.echo(show.printable(f"{path}: {counted(len(paper.key.items), 'plate')} for {paper.key.trainee}"))
    answers = f"answers-{paper.key.quiz}.json"
    click.echo(f"open it in a browser; it saves {answers}, which linecall quiz mark {answers} marks")


@quiz.command("mark", shared=("where", "logbook", "force"), out=Out("FILE"))
@click.argument("answers", type=click.Path(path_type=Path, dir_okay=False))
@click.pass_context
def mark_answers(
    ctx: click.Context,
    answers: Path,
    where: Path,
    logbook: str | None,
    logbook_photos: str | None,
    out: Path | None,
    force: bool,
) -> None:
    """Score a file of answers, and write a page that shows each error beside the consensus.

    The page is written beside the answers as result-ID.html, unless -o names a file.
    """
    from reader.files.output import write_whole
    from reader.library import Library
    from reader.library.quiz.feedback import feedback_page, log
    from reader.library.quiz.marking import load_answers, mark

    with ExitStack() as stack:
        book = stack.enter_context(opened(logbook, logbook_photos, read_only=False)) if logbook else None
        library = stack.enter_context(Library.open(where, must_exist=True))
        score = mark(library, load_answers(answers))
        if book:
            log(book, score, by=known_name(book, score.key.trainee, "trainee"), at=datetime.now(UTC))
        page, notes = feedback_page(library, score)
    path = out or answers.with_name(f"result-{score.key.quiz}.html")
    for note in notes:
        show.say_problem(note)
    for criterion in score.criteria:
        state = "not asked" if criterion.met is None else "met" if criterion.met else "NOT MET"
        bound = "at least" if criterion.at_least else "at most"
        found = f"{criterion.hits} of {criterion.of}"
        click.echo(f"{criterion.name:<28}{found:>14}  {bound} {100 * criterion.limit:g} %  {state}")
    for one in score.classes:
        click.echo(
            f"{one.name:<12}{one.agreed:>5} of {one.marks} as the consensus; lines missed {one.missed}, "
            f"false calls {one.false_calls}, doubts {one.doubts}, unanswered {one.unanswered}"
        )
    interval = score.agreement.by_plate
    if interval:
        click.echo(f"agreement, 95 % interval by plate: {interval[0]:.1%} to {interval[1]:.1%}")
    elif score.agreement.note:
        click.echo(score.agreement.note)
    result = "passed" if score.passed else "not passed"
    click.echo(result)
    write_whole({path: page}, force=force)
    click.echo(show.printable(f"{path}: the feedback"))
    ctx.exit(GRADED if score.passed else NOT_PASSED)
