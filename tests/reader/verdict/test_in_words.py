"""What a verdict says in words."""

import pytest

from fixtures.verdicts import example_verdict, refused_verdict
from reader.verdict.in_words import identity, why
from reader.verdict.statement import Stated
from reader.words import Call, counted, listed


@pytest.mark.parametrize(
    ("doubts", "said"),
    [
        (1, "the indicator of window 1 (bacteria, lower) is doubtful and decides: negligible or moderate"),
        (
            3,
            "the indicators of windows 1 (bacteria, lower), 2 (bacteria, upper) and 3 (yeast, lower) are doubtful and "
            "decide: negligible or moderate",
        ),
    ],
)
def test_why_a_reading_is_undecided_names_every_pivotal_mark_and_its_analyte(doubts: int, said: str) -> None:
    calls: list[Call] = ["doubtful"] * doubts
    assert why(example_verdict(calls, grade="undecided")) == said


def test_why_is_the_rule_that_decided_or_the_refusal() -> None:
    assert why(example_verdict()) == "all marks present, however faint"
    assert why(refused_verdict()) == "glare covers windows 2 and 3"


def test_an_identity_holds_what_is_known_and_nothing_else() -> None:
    verdict = example_verdict()
    assert identity(verdict) == "taken 2026-05-04 09:08 UTC+02:00"
    said = Stated(tank="North", sample_point="drain", plate_lot="L-1", operator="A. Lind")
    whole = verdict.model_copy(update={"id": "6e4q1sgk", "statement": said})
    assert identity(whole) == (
        "tank North, drain, lot L-1, by A. Lind; taken 2026-05-04 09:08 UTC+02:00; reading 6e4q1sgk"
    )
    assert identity(refused_verdict()) == "no capture time in the photo"


def test_names_are_listed_and_things_counted_as_in_a_sentence() -> None:
    assert [listed(names) for names in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == [
        "",
        "a",
        "a and b",
        "a, b and c",
    ]
    assert listed(["a", "b"], "or") == "a or b"
    assert [counted(n, "mark") for n in (0, 1, 1200)] == ["0 marks", "1 mark", "1,200 marks"]
