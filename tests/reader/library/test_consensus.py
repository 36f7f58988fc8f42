"""What graders agree on, worked out by hand."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reader.errors import SettingsError
from reader.library.consensus import (
    ConsensusRule,
    agree,
    consensus,
    grade_of_calls,
    load_consensus,
    possible_grades,
)
from reader.library.examples import GraderRole, Grading
from reader.library.strength import STRENGTHS, load_strength
from reader.settings.values import load_layout, load_rules
from reader.words import Call, MarkKey

MARK: MarkKey = ("1", "indicator")
NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)


def grading(
    grader: str, call: Call, *, role: GraderRole = "expert", minute: int = 0, blind: bool | None = None
) -> Grading:
    return Grading(
        example="abcdefgh",
        grader=grader,
        role=role,
        at=NOON + timedelta(minutes=minute),
        calls={MARK: call},
        blind=blind,
        source="test",
    )


def agreed(*gradings: Grading, rule: str | ConsensusRule = "majority") -> tuple[Call | None, str, bool]:
    by = load_consensus(rule) if isinstance(rule, str) else rule
    found = consensus(gradings, [MARK], by)[MARK]
    return found.call, found.reason, found.disputed


def test_two_of_a_mind_are_a_majority_and_one_is_none() -> None:
    assert agreed(grading("A", "present"), grading("B", "present")) == ("present", "2 present", False)
    assert agreed(grading("A", "present")) == (None, "one grader has called it, 2 are needed", False)
    assert agreed() == (None, "nobody has called it, 2 are needed", False)


def test_a_tie_is_no_consensus_and_says_what_is_missing() -> None:
    call, reason, disputed = agreed(grading("A", "present"), grading("B", "absent"))
    assert (call, disputed) == (None, True)
    assert reason == "they differ: 1 present, 1 absent; 2 alike are needed"


def test_it_takes_more_than_half_however_many_there_are() -> None:
    rule = load_consensus("two-of-three-experts")
    calls: tuple[Call, ...] = ("present", "present", "absent", "absent", "doubtful")
    five = [grading(name, call) for name, call in zip("ABCDE", calls, strict=True)]
    assert agreed(*five, rule=rule)[0] is None
    assert agreed(*five, grading("F", "absent"), grading("G", "absent"), rule=rule)[0] == "absent"


def test_two_of_three_experts_takes_three_experts() -> None:
    two = [grading("A", "absent"), grading("B", "absent"), grading("T", "absent", role="technician")]
    assert agreed(*two, rule="two-of-three-experts") == (
        None,
        "2 graders have called it, 3 are needed",
        False,
    )
    assert agreed(*two, grading("C", "present"), rule="two-of-three-experts") == (
        "absent",
        "2 absent, 1 present",
        True,
    )


def test_a_trainee_does_not_count_and_a_panel_counts_alone_where_the_rule_says_so() -> None:
    calls = [grading("A", "present"), grading("B", "present"), grading("N", "absent", role="trainee")]
    assert agreed(*calls) == ("present", "2 present", False)
    assert agreed(*calls, rule="panel")[0] is None
    assert agreed(*calls, grading("the panel", "absent", role="panel"), rule="panel")[0] == "absent"


def test_of_one_person_the_newest_call_counts_however_the_name_is_written() -> None:
    first, later = grading("A. Berg", "present", minute=1), grading("a.berg", "absent", minute=9)
    other = grading("B", "absent")
    assert agreed(later, other, first) == ("absent", "2 absent", False)


def test_a_later_grading_leaves_the_marks_alone_that_it_does_not_call() -> None:
    second: MarkKey = ("2", "indicator")
    both = grading("A", "present").model_copy(update={"calls": {MARK: "present", second: "absent"}})
    later = grading("A", "doubtful", minute=5)
    rule = load_consensus("majority").model_copy(update={"graders": 1, "agree": 1})
    found = consensus([both, later], [MARK, second], rule)
    assert (found[MARK].call, found[second].call) == ("doubtful", "absent")


def test_where_only_blind_calls_count_unsaid_is_not_blind() -> None:
    rule = load_consensus("majority").model_copy(update={"blind_only": True})
    calls = [grading("A", "absent", blind=True), grading("B", "absent"), grading("C", "absent", blind=False)]
    assert agreed(*calls, rule=rule)[0] is None
    assert agreed(*calls, grading("D", "absent", blind=True), rule=rule)[0] == "absent"


def test_a_named_panel_excludes_everyone_else() -> None:
    rule = load_consensus("majority").model_copy(update={"panel": ("A", "B")})
    assert agreed(grading("A", "present"), grading("C", "present"), rule=rule)[0] is None
    assert agreed(grading("A", "present"), grading("b ", "present"), rule=rule)[0] == "present"


CALLS = st.lists(st.sampled_from(["present", "absent", "doubtful"]), max_size=9)


@given(CALLS, st.randoms())
def test_the_order_of_graders_changes_nothing_and_no_other_call_is_as_frequent(
    calls: list[Call], random: Random
) -> None:
    rule = load_consensus()
    found = agree(calls, rule).call
    mixed = sorted(calls, key=lambda _: random.random())
    assert agree(mixed, rule).call == found
    if found is None:
        assert (
            len(calls) < 2
            or max(map(calls.count, calls)) <= len(calls) / 2
            or max(map(calls.count, calls)) < 2
        )
    else:
        assert calls.count(found) > len(calls) / 2


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (("agree = 2", "agree = 3"), "agree is 3, but that is more than graders, 2"),
        (("panel = []", 'panel = ["A. Berg"]'), "graders is 2, but the panel has 1"),
        (
            ("panel = []", 'panel = ["A. Berg", "Berg, A."]'),
            "panel[1] is 'Berg, A.', but 'A. Berg' is the same",
        ),
        (('roles = ["expert"', 'roles = ["wizard"'), 'roles[0] is "wizard", but must be'),
        (("graders = 2", "graders = 0"), "graders is 0, but must be at least 1"),
    ],
)
def test_a_rule_that_cannot_be_met_is_refused(
    root: Path, tmp_path: Path, change: tuple[str, str], problem: str
) -> None:
    text = (root / "reader" / "data" / "consensus" / "majority.toml").read_text(encoding="utf-8")
    assert change[0] in text
    path = tmp_path / "own.toml"
    path.write_text(text.replace(*change), encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        load_consensus(path)
    assert problem in str(caught.value)


def test_a_mark_without_consensus_may_be_anything_for_the_grade() -> None:
    layout, rules = load_layout("comb"), load_rules()
    calls: dict[MarkKey, Call | None] = {
        (window.id, mark): "present" for window in layout.window for mark in ("indicator", "reference")
    }
    assert grade_of_calls(calls, layout, rules) == "negligible"
    assert grade_of_calls(calls | {("1", "indicator"): None}, layout, rules) == "undecided"
    assert grade_of_calls(calls | {("1", "indicator"): "absent"}, layout, rules) == "moderate"
    assert grade_of_calls(dict.fromkeys(calls), layout, rules) is None


def test_a_plate_without_a_line_in_an_upper_window_is_heavy_or_invalid() -> None:
    assert possible_grades({("2", "indicator"): "absent"}, load_layout("comb"), load_rules()) == (
        "heavy",
        "invalid",
    )


def test_classes_begin_at_their_limits() -> None:
    limits = load_strength()
    heights = [limits.strong, limits.weak, limits.faint, limits.very_faint, 0.0, None]
    assert [limits.of(height) for height in heights] == list(STRENGTHS)
    below = [limits.strong, limits.weak, limits.faint, limits.very_faint]
    assert [limits.of(height - 1e-9) for height in below] == list(STRENGTHS[1:5])


def test_class_limits_are_the_shares_of_light_that_they_say() -> None:
    # Beer-Lambert: absorbance = -log10(1 - share of the light taken)
    limits = load_strength()
    for height, share in (
        (limits.strong, 0.25),
        (limits.weak, 0.08),
        (limits.faint, 0.03),
        (limits.very_faint, 0.01),
    ):
        assert 1 - 10**-height == pytest.approx(share, abs=5e-4)


def test_class_limits_that_do_not_fall_are_refused(root: Path, tmp_path: Path) -> None:
    text = (root / "reader" / "data" / "strength" / "standard.toml").read_text(encoding="utf-8")
    path = tmp_path / "own.toml"
    path.write_text(text.replace("weak = 0.036", "weak = 0.2"), encoding="utf-8")
    with pytest.raises(SettingsError, match=r"weak is 0\.2, but must be less than strong, 0\.125"):
        load_strength(path)
