"""A verdict's marks called anew, without its photo."""

import json
from pathlib import Path

import pytest

from reader import read_photo
from reader.call_anew import call_anew
from reader.errors import LinecallError
from reader.settings import load_layout, load_thresholds
from reader.verdict import Verdict, load_verdict, to_bytes


@pytest.fixture(scope="module")
def verdict(root: Path) -> Verdict:
    return load_verdict(to_bytes(read_photo(root / "demo_images" / "rescue-boat-tank-1.jpg")))


def calls_of(verdict: Verdict) -> list[tuple[str, str, str, tuple[str, ...]]]:
    return [
        (window.id, name, mark.call, mark.reasons)
        for window in verdict.windows
        for name, mark in (("indicator", window.indicator), ("reference", window.reference))
    ]


def test_the_same_thresholds_give_the_same_calls_and_reasons(verdict: Verdict) -> None:
    anew = call_anew(verdict, load_layout("comb"), load_thresholds())
    assert [(one.window, one.mark, one.call, one.reasons) for one in anew] == calls_of(verdict)


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
