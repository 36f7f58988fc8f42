"""The rule for "worse than usual": when it speaks, what it makes of doubt, how often it errs and what it finds."""

from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
import pytest

from reader.round.history.usual import (
    LEVEL,
    ORDER,
    PAST_LEAST,
    PAST_MOST,
    RECENT,
    Occasion,
    judge,
    occasions,
)
from reader.words import SettledGrade
from tests.bench.history import STEADY, first_alarm, looks

FIRST = date(2025, 1, 6)
LETTERS: dict[str, tuple[SettledGrade, ...]] = {
    "n": ("negligible",), "m": ("moderate",), "h": ("heavy",), "?": ("negligible", "moderate", "heavy"),
}  # fmt: skip


def weekly(letters: str) -> tuple[Occasion, ...]:
    days = (FIRST + timedelta(weeks=week) for week in range(len(letters)))
    graded = [(day, "undecided" if letter == "?" else LETTERS[letter][0], LETTERS[letter])
              for day, letter in zip(days, letters, strict=True)]  # fmt: skip
    return occasions(graded)[0]


def test_it_does_not_speak_before_it_knows_what_is_usual() -> None:
    few = judge(weekly("n" * (PAST_LEAST - 1) + "h" * RECENT))
    assert few.state == "too few"
    assert few.level is None
    assert "speaks after 1 more" in few.sentence
    assert judge(weekly("n" * PAST_LEAST + "h" * RECENT)).state == "worse"
    assert judge(()).state == "too few"


def test_half_of_the_last_six_above_a_clean_past_is_worse_and_one_is_not() -> None:
    assert judge(weekly("n" * 52 + "nmnmnm")).state == "worse"
    assert judge(weekly("n" * 52 + "nnnnnm")).state == "not worse"


def test_a_point_that_is_always_heavy_is_not_worse_and_is_not_called_good() -> None:
    found = judge(weekly("h" * 40))
    assert (found.state, found.level) == ("not worse", "heavy")
    assert "releases nothing" in found.sentence


def test_where_a_doubt_decides_it_cannot_tell() -> None:
    assert judge(weekly("n" * 52 + "nnn???")).state == "cannot tell"
    assert judge(weekly("n" * 52 + "hhh???")).state == "worse"  # worse however they turn out
    assert judge(weekly("h" * 30 + "nn??nn")).state == "not worse"
    assert "Settle that first" in judge(weekly("n" * 52 + "nnn???")).sentence


def test_repeats_of_one_day_are_one_piece_of_news_and_the_worst_counts() -> None:
    grades: tuple[SettledGrade, ...] = ("negligible", "heavy", "moderate")
    readings = [(FIRST, grade, (grade,)) for grade in grades]
    found, left_out = occasions(readings)
    assert [(one.mildest, one.worst) for one in found] == [("heavy", "heavy")]
    assert left_out == 0


def test_what_says_nothing_is_left_out_and_counted() -> None:
    every: tuple[SettledGrade, ...] = ("negligible", "moderate", "heavy", "invalid")
    found, left_out = occasions(
        [(FIRST, "invalid", ("invalid",)), (FIRST, None, ()), (FIRST, "undecided", every)]
    )
    assert left_out == 2
    assert [(one.mildest, one.worst) for one in found] == [("negligible", "heavy")]


def test_the_usual_level_is_the_middle_one_of_the_last_years_occasions() -> None:
    found = judge(weekly("h" * 30 + "n" * 30 + "m" * 22 + "n" * RECENT))
    assert len(found.past) == PAST_MOST
    assert found.level == "negligible"
    assert [(share.hits, share.of) for share in found.shares] == [(22, 52), (0, 52)]
    assert (
        str(found.shares[1]) == "0 of 52 (0 %, 95 % interval 0 to 7 %)"
    )  # exact: 1 - 0.025 ** (1 / 52) = 6.8 %


@pytest.mark.parametrize("chances", STEADY.values(), ids=STEADY)
def test_a_steady_point_is_called_worse_no_more_often_than_the_level_says(chances: Sequence[float]) -> None:
    alarms = looks(chances, n=1_500, seed=3)
    # Independent looks: more than this would come by chance in one run of a thousand (binomial, from above).
    assert alarms <= LEVEL * 1_500 + 3.1 * (LEVEL * 1_500) ** 0.5


def test_a_point_that_goes_bad_is_found_within_a_quarter_in_most_cases() -> None:
    rng = np.random.default_rng(5)
    found = [first_alarm(rng, STEADY["usual"], (0.4, 0.35, 0.25)) for _ in range(60)]
    assert sum(week is not None and week <= 13 for week in found) >= 40
    assert ORDER == ("negligible", "moderate", "heavy")
