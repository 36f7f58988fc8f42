"""A verdict graded anew by other calls than its own."""

from reader.anew.grade_anew import age_of, calls_of, graded, marks_of
from tests.reader.review.samples import COMB, RULES, read_plate

PLATE = read_plate(indicator_3="absent")
AGE = age_of(PLATE, COMB)


def test_every_mark_is_found_by_its_window_and_name() -> None:
    marks = marks_of(PLATE)
    assert len(marks) == 12
    assert marks["3", "indicator"] is PLATE.windows[2].indicator
    assert {key for key, call in calls_of(PLATE).items() if call != "present"} == {("3", "indicator")}


def test_its_own_calls_give_its_own_grade_and_others_theirs() -> None:
    own = calls_of(PLATE)
    assert graded(own, COMB, RULES, AGE).grade == PLATE.grade == "moderate"
    assert graded(own | {("3", "indicator"): "present"}, COMB, RULES, AGE).grade == "negligible"
    assert graded(own | {("3", "reference"): "absent"}, COMB, RULES, AGE).grade == "invalid"


def test_the_age_goes_with_it() -> None:
    late = read_plate("late")
    assert age_of(late, COMB).status == "late"
    assert graded(calls_of(late), COMB, RULES, age_of(late, COMB)).grade == "invalid"
