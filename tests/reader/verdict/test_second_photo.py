"""What a technician is told to do about an undecided photo while there is time."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from fixtures.verdicts import example_verdict
from reader.decide.age import reading_age
from reader.decide.call import LOSSES
from reader.decide.records import PivotalMark, ReadingAgeRecord
from reader.settings.values import load_layout
from reader.verdict.model import Mark, QualityRecord, WindowRecord
from reader.verdict.second_photo import HINTS, second_photo

COMB = load_layout("comb")
NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
THIRD = [PivotalMark(window="3", mark="indicator")]
DOUBTFUL = example_verdict(("present", "present", "doubtful"), grade="undecided").windows
SHARP = QualityRecord(px_per_mm=20.0, blur_mm=0.15, clipped_fraction=0.0, hidden_fraction=0.0)


def age(minutes: float | None) -> ReadingAgeRecord:
    return reading_age(COMB, stated_minutes=minutes, now=NOON)


def third(*, quality: QualityRecord = SHARP, **changes: object) -> tuple[WindowRecord, ...]:
    """The windows with the third one's quality and doubtful indicator changed."""
    window = DOUBTFUL[2]
    mark = Mark.model_validate(window.indicator.model_dump() | {"height": 0.004} | changes)
    return (*DOUBTFUL[:2], window.model_copy(update={"indicator": mark, "quality": quality}))


def advice(windows: tuple[WindowRecord, ...]) -> str:
    return second_photo(windows, THIRD, age(20), None)


def test_the_minutes_that_remain_are_counted_from_the_photo() -> None:
    said = second_photo(third(), THIRD, age(21.5), None)
    assert said.startswith("Photograph the plate again within 8 min of this photo: ")
    assert "read as one plate" in said
    assert "--" not in said  # words for the picture, too, which is passed round


def test_a_clock_that_is_known_tells_until_when() -> None:
    assert "(until 12:10 by its clock)" in second_photo(third(), THIRD, age(20), NOON)
    drops = NOON - timedelta(minutes=20)
    by_drops = reading_age(COMB, drops_at=drops, captured_at=NOON, now=NOON)
    assert "within 10 min of this photo (until 12:10)" in second_photo(third(), THIRD, by_drops, NOON)


def test_with_an_unknown_age_the_end_of_the_reading_time_is_named() -> None:
    assert "while it may be read, up to 30 min after the drops" in second_photo(
        third(), THIRD, age(None), NOON
    )


def test_after_the_reading_time_no_second_photo_is_asked_for() -> None:
    assert second_photo(third(), THIRD, age(29.5), None) == (
        "There is no time left for a second photo of this plate. "
    )


@pytest.mark.parametrize("minutes", [10, 40])
def test_an_early_or_late_plate_has_its_own_sentence(minutes: float) -> None:
    assert second_photo(third(), THIRD, age(minutes), None) == ""


def test_the_kind_of_photo_goes_with_what_troubles_the_window() -> None:
    unseen: dict[str, Any] = {"height": None, "standard_error": None, "flags": ("not_seen",)}
    assert "from straight above, with nothing over window 3" in advice(third(**unseen))
    assert "nothing is mirrored in window 3" in advice(third(height=-0.03))
    clipped = SHARP.model_copy(update={"clipped_fraction": 0.1})
    assert "nothing is mirrored in window 3" in advice(third(quality=clipped))
    assert "no edge of a shadow" in advice(third(height=0.05, dye_angle_deg=40.0))
    assert "closer" in advice(third(quality=SHARP.model_copy(update={"px_per_mm": 8.0})))
    assert "something firm" in advice(third(quality=SHARP.model_copy(update={"blur_mm": 0.35})))
    assert "more and even light" in advice(third())


@pytest.mark.parametrize(
    ("trouble", "said"),
    [
        ({"flags": ("smoothed",)}, "more light, without zoom and with filters"),
        ({"flags": ("near_white",)}, "exposed darker"),
        ({"flags": ("veiled",)}, "nothing is mirrored in window 3"),
        ({"flags": ("compressed",)}, "as a file and not as a picture in a chat"),
        ({"shade_height": 0.01, "plastic": True}, "your shadow and the phone's off the plate"),
        ({"height": 0.05, "shade_reach": 0.06, "plastic": True}, "your shadow and the phone's off the plate"),
        (
            {"height": 0.05, "line_evidence": -4.0, "plastic": True},
            "your shadow and the phone's off the plate",
        ),
        ({"height": 0.05, "plastic": False}, "your shadow and the phone's off the plate"),
    ],
)
def test_what_the_light_or_the_phone_did_has_its_own_advice(trouble: dict[str, Any], said: str) -> None:
    assert said in advice(third(**trouble))


def test_a_line_that_the_plastic_and_the_dye_speak_for_is_not_blamed_on_a_shadow() -> None:
    dyed = third(height=0.05, plastic=False, dye_evidence=5.0, width_mm=4.0)
    assert "your shadow" not in advice(dyed)


@pytest.mark.parametrize("minutes", [20, 29.5])
def test_a_copys_original_is_asked_for_even_when_there_is_no_time_for_a_second_photo(minutes: float) -> None:
    said = second_photo(third(), THIRD, age(minutes), None, ("not_original",))
    assert said.startswith("Send the original file, as a file and not as a picture in a chat")
    assert ("There is no time left" in said) == (minutes == 29.5)


def test_windows_with_one_trouble_are_named_together() -> None:
    dark = tuple(w.model_copy(update={"indicator": third(height=-0.03)[2].indicator}) for w in DOUBTFUL)
    both = [PivotalMark(window=id, mark="indicator") for id in ("2", "3")]
    assert second_photo(dark, both, age(20), None).count("windows 2 and 3") == 1


def test_whatever_the_file_has_lost_there_is_advice_for_it() -> None:
    assert {*LOSSES} - {"veiled"} <= {*HINTS}  # a veil is told as glare
