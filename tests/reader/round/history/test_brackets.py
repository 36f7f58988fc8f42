"""Which bracket a reading puts each analyte in: what a practitioner would say of the same marks."""

from typing import Any

import pytest

from reader.round.history.brackets import brackets
from tests.reader.review.samples import read_plate

# Windows 1, 3 and 5 of the comb plate are the lower tiers of its three analytes, 2, 4 and 6 the upper ones.


def seen(**calls: Any) -> list[str]:
    return list(brackets(read_plate(**calls).model_dump(mode="json")).values())


@pytest.mark.parametrize(
    ("calls", "expected"),
    [
        ({}, "below"),
        ({"indicator_1": "absent"}, "between"),
        ({"indicator_1": "absent", "indicator_2": "absent"}, "above"),
        ({"indicator_2": "absent"}, "above"),  # contradicts itself: the worse reading of it counts
        ({"indicator_1": "doubtful"}, "doubtful"),
        ({"indicator_1": "absent", "indicator_2": "doubtful"}, "doubtful"),
        ({"indicator_1": "doubtful", "indicator_2": "absent"}, "above"),
        ({"reference_1": "doubtful"}, "doubtful"),
    ],
)
def test_an_analyte_lies_where_its_two_windows_say(calls: dict[str, str], expected: str) -> None:
    assert seen(**calls) == [expected, "below", "below"]


@pytest.mark.parametrize("call", ["absent", "undeveloped"])
def test_a_window_without_its_reference_mark_makes_the_whole_plate_invalid(call: str) -> None:
    assert seen(reference_3=call) == ["invalid"] * 3


def test_a_plate_read_too_late_says_nothing() -> None:
    assert seen(age="late") == ["invalid"] * 3


def test_an_early_plate_is_below_no_cutoff_yet() -> None:
    assert seen(age="early", indicator_1="absent") == ["doubtful"] * 3


def test_times_that_contradict_each_other_leave_all_doubtful() -> None:
    verdict = read_plate().model_dump(mode="json") | {"grade": "undecided", "cause": "time"}
    assert set(brackets(verdict).values()) == {"doubtful"}


def test_in_a_sandwich_assay_a_line_is_contamination_and_stands_even_early() -> None:
    verdict = read_plate(indicator_1="present", indicator_2="absent").model_dump(mode="json")
    verdict["layout"]["assay"] = "sandwich"
    assert list(brackets(verdict).values()) == ["between", "above", "above"]
    verdict["reading_age"]["status"] = "early"
    assert list(brackets(verdict).values()) == ["doubtful", "above", "above"]


def test_an_analyte_with_one_cutoff_has_nothing_between() -> None:
    verdict = read_plate(indicator_1="absent").model_dump(mode="json")
    verdict["windows"] = [window for window in verdict["windows"] if window["tier"] == "lower"]
    assert list(brackets(verdict).values()) == ["above", "below", "below"]
