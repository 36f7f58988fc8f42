"""What is shown: words and columns first, colour and progress only where they are wanted."""

from collections import Counter
from pathlib import Path

import pytest

from cli import show
from fixtures.verdicts import example_verdict, refused_verdict
from reader.run.batch import Outcome
from reader.run.jobs import plan_jobs
from reader.verdict.model import Verdict


def outcome_of(verdict: Verdict | None, name: str = "a.jpg", problem: str | None = None) -> Outcome:
    (job,) = plan_jobs([Path(name)], None)
    return Outcome(job=job, verdict=verdict, problem=problem)


def test_long_sentences_are_wrapped_under_their_own_column(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    warning = "The upper cutoff is reached and the lower one is not; repeat the test."
    lines = show.reading_lines(outcome_of(example_verdict(warnings=(warning,))))
    first = next(i for i, line in enumerate(lines) if line.startswith("  warning  The"))
    assert lines[first : first + 3] == [
        "  warning  The upper cutoff is reached",
        "           and the lower one is not;",
        "           repeat the test.",
    ]


def test_the_calls_stand_in_columns_whatever_their_length() -> None:
    lines = show.reading_lines(
        outcome_of(example_verdict(("absent", "present", "doubtful"), grade="moderate"))
    )
    columns = {line.index("reference") for line in lines if "indicator" in line}
    assert len(columns) == 1


def test_the_totals_name_each_result_worst_last() -> None:
    outcomes = [
        outcome_of(None, problem="x"),
        outcome_of(refused_verdict()),
        outcome_of(example_verdict(("doubtful",), grade="undecided")),
        outcome_of(example_verdict(("absent",), grade="moderate")),
        outcome_of(example_verdict()),
        outcome_of(example_verdict()),
    ]
    assert show.totals_line(Counter(map(show.result_of, outcomes))) == (
        "6 photos: 2 negligible, 1 moderate, 1 undecided, 1 refused, 1 failed"
    )


def test_the_table_has_a_row_for_every_outcome(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "100")
    outcomes = [
        outcome_of(example_verdict(), "x/[bold]a.jpg"),
        outcome_of(refused_verdict(), "x/b.jpg"),
        outcome_of(example_verdict(), "b.jpg", "b.verdict.json: exists"),
        outcome_of(None, "c.jpg", "c.jpg: killed"),
    ]
    show.print_table([show.row_of(outcome) for outcome in outcomes])
    head, _, *rows = capsys.readouterr().out.splitlines()
    assert head.split() == ["photo", "result", "why"]
    assert [row.split(maxsplit=2) for row in rows] == [
        ["[bold]a.jpg", "negligible", "all marks present, however faint"],
        ["x/b.jpg", "refused", "glare covers windows 2 and 3"],
        ["b.jpg", "negligible", "all marks present, however faint; b.verdict.json: exists"],
        ["c.jpg", "failed", "c.jpg: killed"],
    ]


@pytest.mark.parametrize("terminal", [True, False])
@pytest.mark.parametrize("n", [3, 8])
def test_progress_passes_every_step_on_and_leaves_standard_output_alone(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, n: int, terminal: bool
) -> None:
    monkeypatch.setattr("sys.stderr.isatty", lambda: terminal)
    steps = []
    for step in show.with_progress(range(n), n, "reading"):
        print(step)
        steps.append(step)
    assert steps == list(range(n))
    out, err = capsys.readouterr()
    assert out == "".join(f"{step}\n" for step in range(n))
    assert ("reading" in err) == (terminal and n > show.FEW)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("plain süß 試料.jpg", "plain süß 試料.jpg"),
        ("two\nlines\r\n", "two lines"),
        ("\x1b[31mred\x07", "\N{REPLACEMENT CHARACTER}[31mred\N{REPLACEMENT CHARACTER}"),
        ("right\u202eto left", "right\N{REPLACEMENT CHARACTER}to left"),
        ("\udcff.jpg", "?.jpg"),
    ],
)
def test_what_steers_a_terminal_is_shown_as_a_mark(text: str, shown: str) -> None:
    assert show.printable(text) == shown


def test_the_command_for_a_second_photo_keeps_what_was_typed_so_that_it_can_be_copied() -> None:
    next_step = "Have both photos read as one plate; a second photo settles a doubt."
    verdict = example_verdict(("doubtful",), grade="undecided").model_copy(update={"next_step": next_step})
    lines = show.reading_lines(outcome_of(verdict), ["--tank", "rescue boat", "--logbook", "h.db"])
    assert (
        "  as one   linecall read a.jpg SECOND.jpg --same-plate --tank 'rescue boat' --logbook h.db" in lines
    )
