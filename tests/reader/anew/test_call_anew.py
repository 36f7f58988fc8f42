"""A verdict's marks called anew, without its photo."""

import json
import re
from pathlib import Path

import pytest

from reader import read_photo
from reader.anew.call_anew import call_anew
from reader.decide.call import MarkCall
from reader.errors import LinecallError
from reader.settings.values import load_layout, load_thresholds
from reader.verdict.model import Verdict, load_verdict, to_bytes


@pytest.fixture(scope="module")
def verdict(root: Path) -> Verdict:
    return load_verdict(to_bytes(read_photo(root / "demo_images" / "rescue-boat-tank-1.jpg")))


def calls_of(verdict: Verdict) -> list[tuple[str, str, str, tuple[str, ...]]]:
    return [
        (window.id, name, mark.call, mark.reasons)
        for window in verdict.windows
        for name, mark in (("indicator", window.indicator), ("reference", window.reference))
    ]


def said(call: MarkCall) -> tuple[str, ...]:
    return tuple(reason.sentence for reason in call.reasons)


def without_numbers(reasons: tuple[str, ...]) -> list[str]:
    """A verdict's numbers are rounded, so the fourth decimal of a reason may differ by one."""
    return [re.sub(r"-?\d+\.\d+", "#", reason) for reason in reasons]


def numbers(reasons: tuple[str, ...]) -> list[float]:
    return [float(number) for reason in reasons for number in re.findall(r"-?\d+\.\d+", reason)]


def test_the_same_thresholds_give_the_same_calls_and_reasons(verdict: Verdict) -> None:
    anew = call_anew(verdict, load_layout("comb"), load_thresholds())
    for one, (window, mark, call, reasons) in zip(anew, calls_of(verdict), strict=True):
        assert (one.window, one.mark, one.call) == (window, mark, call)
        assert without_numbers(said(one)) == without_numbers(reasons)
        assert numbers(said(one)) == pytest.approx(numbers(reasons), abs=1.01e-4)


def test_a_verdict_read_before_the_light_was_looked_at_gains_no_line_by_laxer_limits(
    verdict: Verdict,
) -> None:
    old = json.loads(to_bytes(verdict))
    for window in old["windows"]:
        for name in ("indicator", "reference"):
            del window[name]["plastic"]
            if window[name]["call"] == "absent":
                window[name].update(height=0.05, call="doubtful")
    aged = load_verdict(json.dumps(old).encode())
    before = {(window, mark): call for window, mark, call, _ in calls_of(aged)}
    anew = call_anew(aged, load_layout("comb"), load_thresholds())
    assert "doubtful" in before.values()
    assert all(one.call != "present" or before[one.window, one.mark] == "present" for one in anew)


def test_stricter_thresholds_turn_a_faint_line_into_a_doubt_and_nothing_into_present(
    verdict: Verdict,
) -> None:
    strict = load_thresholds().model_copy(update={"false_calls_per_plate": 1e-9})
    before = {(window, mark): call for window, mark, call, _ in calls_of(verdict)}
    changed = {
        (before[one.window, one.mark], one.call)
        for one in call_anew(verdict, load_layout("comb"), strict)
        if one.call != before[one.window, one.mark]
    }
    assert changed == {("present", "doubtful")}


def test_a_verdict_that_does_not_tell_its_blanks_cannot_be_called_anew(verdict: Verdict) -> None:
    old = json.loads(to_bytes(verdict))
    for window in old["windows"]:
        for name in ("indicator", "reference"):
            del window[name]["blank_mean"]
    with pytest.raises(LinecallError, match="read the photo again"):
        call_anew(load_verdict(json.dumps(old).encode()), load_layout("comb"), load_thresholds())
