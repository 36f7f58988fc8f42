from dataclasses import replace
from math import inf
from typing import Any

import pytest

from reader.decide.call import call_mark
from reader.measure.mark import MarkMeasurement
from reader.settings.values import load_layout, load_thresholds

LAYOUT = load_layout("comb")
INDICATOR, REFERENCE = LAYOUT.marks.indicator, LAYOUT.marks.reference
THRESHOLDS = load_thresholds()
LINE = MarkMeasurement(
    window="1",
    mark="indicator",
    height=0.02,
    standard_error=0.001,
    position_mm=6.0,
    position_mm_se=0.02,
    width_mm=1.0,
    straightness_mm=0.03,
    span=1.0,
    dye="red",
    dye_angle_deg=3.0,
    dye_angle_deg_se=2.0,
    blank_mean=0.0,
    blank_sd=0.001,
    blank_n=inf,
)
BLANK = replace(
    LINE, height=0.0, position_mm_se=None, width_mm=None, straightness_mm=None, span=None, dye=None, dye_angle_deg=None,
    dye_angle_deg_se=None,
)  # fmt: skip
PER_MARK = 1 - 0.99 ** (1 / 12)


def called(measured: MarkMeasurement, false_call: float = PER_MARK) -> str:
    place = INDICATOR if measured.mark == "indicator" else REFERENCE
    return call_mark(measured, place, THRESHOLDS, false_call=false_call).call


def test_limits_are_curries_for_a_well_known_blank() -> None:
    # Currie 1968: L_C = 1.645 s, L_D = 3.29 s at alpha = beta = .05 for a well-known blank (that case from memory)
    call = call_mark(LINE, INDICATOR, THRESHOLDS, false_call=0.05)
    assert call.limit_of_blank == pytest.approx(1.645e-3, rel=1e-3)
    assert call.limit_of_detection == pytest.approx(3.29e-3, rel=1e-3)


def test_a_false_call_a_plate_is_shared_among_its_marks() -> None:
    # 1 % a plate over 12 marks: per mark .00083718, z 3.1426 (arithmetic; SciPy)
    assert pytest.approx(0.00083718, rel=1e-4) == PER_MARK
    call = call_mark(LINE, INDICATOR, THRESHOLDS, false_call=PER_MARK)
    assert call.limit_of_blank == pytest.approx(3.1426e-3, rel=1e-3)


def test_a_line_is_present_and_a_blank_absent() -> None:
    assert called(LINE) == "present"
    assert called(BLANK) == "absent"


@pytest.mark.parametrize("flag", ["place_unsure", "window_off"])
def test_a_window_that_may_be_misplaced_shows_neither_a_line_nor_a_blank(flag: str) -> None:
    for mark in (LINE, BLANK):
        call = call_mark(replace(mark, flags=(flag,)), INDICATOR, THRESHOLDS, false_call=PER_MARK)
        assert call.call == "doubtful"
        assert call.disturbed


def test_between_the_limits_there_is_doubt() -> None:
    noisy = replace(BLANK, standard_error=0.004, blank_sd=0.004)
    assert called(replace(noisy, height=0.006)) == "doubtful"
    assert called(noisy) == "doubtful"


@pytest.mark.parametrize("error", [0.001, 0.002, 0.003, 0.005, 0.01])
def test_a_line_of_three_per_cent_is_not_called_absent_until_it_is_missed_by_three_and_a_half_errors(
    error: float,
) -> None:
    height = 0.0132 - 3.5 * error  # contrast .03 is absorbance .0132
    assert called(replace(BLANK, height=height, standard_error=error, blank_sd=error)) != "absent"


@pytest.mark.parametrize(
    ("looks", "word"),
    [
        ({"width_mm": 3.0}, "wide"),
        ({"straightness_mm": 0.5}, "bends"),
        ({"span": 0.4}, "breadth"),
        ({"dye_angle_deg": 27.0}, "colour"),
    ],
)
def test_a_height_without_a_lines_looks_is_doubtful_and_says_why(looks: dict[str, Any], word: str) -> None:
    call = call_mark(replace(LINE, **looks), INDICATOR, THRESHOLDS, false_call=PER_MARK)
    assert call.call == "doubtful"
    assert word in call.reasons[-1].sentence


def test_a_colour_that_is_badly_known_does_not_count_against_a_line() -> None:
    assert called(replace(LINE, dye_angle_deg=27.0, dye_angle_deg_se=10.0)) == "present"


def test_a_faint_line_off_its_place_needs_more_height() -> None:
    faint = replace(LINE, height=0.0035, width_mm=None, straightness_mm=None)
    assert called(faint) == "present"
    assert called(replace(faint, position_mm=6.4)) == "doubtful"
    assert called(replace(LINE, position_mm=6.4)) == "present"


def test_a_reference_mark_in_its_starting_dye_is_undeveloped() -> None:
    reference = replace(LINE, mark="reference", position_mm=13.0)
    assert called(reference) == "present"
    assert called(replace(reference, dye="blue")) == "undeveloped"


def test_a_place_brighter_than_its_surroundings_is_doubtful() -> None:
    assert called(replace(BLANK, height=-0.006)) == "doubtful"


def test_a_place_that_was_not_seen_is_doubtful() -> None:
    unseen = replace(BLANK, height=None, standard_error=None, position_mm=None)
    call = call_mark(unseen, INDICATOR, THRESHOLDS, false_call=PER_MARK)
    assert call.call == "doubtful"
    assert call.limit_of_blank is None
