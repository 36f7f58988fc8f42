"""A verdict graded anew by other calls than its own."""

from reader.anew.grade_anew import calls_of, graded, marks_of
from reader.decide.records import ExpiryRecord
from tests.reader.review.samples import COMB, RULES, read_plate

PLATE = read_plate(indicator_3="absent")


def test_every_mark_is_found_by_its_window_and_name() -> None:
    marks = marks_of(PLATE)
    assert len(marks) == 12
    assert marks["3", "indicator"] is PLATE.windows[2].indicator
    assert {key for key, call in calls_of(PLATE).items() if call != "present"} == {("3", "indicator")}


def test_its_own_calls_give_its_own_grade_and_others_theirs() -> None:
    own = calls_of(PLATE)
    assert graded(PLATE, own, COMB, RULES).grade == PLATE.grade == "moderate"
    assert graded(PLATE, own | {("3", "indicator"): "present"}, COMB, RULES).grade == "negligible"
    assert graded(PLATE, own | {("3", "reference"): "absent"}, COMB, RULES).grade == "invalid"


def test_the_age_and_the_expiry_go_with_it() -> None:
    late = read_plate("late")
    assert graded(late, calls_of(late), COMB, RULES).grade == "invalid"
    expired = PLATE.model_copy(
        update={
            "expiry": ExpiryRecord(
                stated="2026-04",
                status="expired",
                held_against="2026-05-04",
                sentence="the plate had expired",
            )
        }
    )
    assert graded(expired, calls_of(expired), COMB, RULES).grade == "invalid"
