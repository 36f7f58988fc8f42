"""The demo photos read as their truth says; the truth was written by whoever rendered them, not by linecall."""

import json
from pathlib import Path
from typing import Any

import pytest

from reader import Verdict, read_photo, read_plate
from tests.conftest import ROOT

DEMO = ROOT / "demo_images"
TRUTHS = sorted(DEMO.glob("*.json"))
IN_DOUBT = (
    "rescue-boat-tank-1.jpg"  # compressed so hard that lines may be lost; its second photo settles that
)
REFUSED_AS = {"cropped": "cropped", "two": "two_plates"}  # the truth's category -> linecall's code


def truth_of(name: str) -> dict[str, Any]:
    truth: dict[str, Any] = json.loads((DEMO / name).with_suffix(".json").read_text(encoding="utf-8"))
    return truth


def true_call(mark: dict[str, Any]) -> str:
    if not mark["present"]:
        return "absent"
    return "undeveloped" if mark["colour"] == "blue" else "present"


def assert_no_call_is_wrong(verdict: Verdict, truth: dict[str, Any], *, doubts: bool) -> None:
    """Each mark is called as it is; `doubts`: or not called at all."""
    for found, true in zip(verdict.windows, truth["windows"], strict=True):
        assert (found.id, found.analyte, found.tier) == (true["id"], true["analyte"], true["tier"])
        for name in ("indicator", "reference"):
            allowed = {true_call(true[name])} | ({"doubtful"} if doubts else set())
            assert getattr(found, name).call in allowed, f"{name} of window {found.id}"


@pytest.mark.parametrize("name", [path.with_suffix(".jpg").name for path in TRUTHS])
def test_a_demo_photo_reads_as_its_truth_says(name: str) -> None:
    truth = truth_of(name)
    verdict = read_photo(DEMO / name)
    if truth["expect"] == "refuse":
        assert (verdict.status, verdict.refusal) == ("refused", REFUSED_AS[truth["category"]])
        return
    assert verdict.layout is not None
    assert verdict.pose is not None
    assert (verdict.layout.name, verdict.pose.on_card) == (truth["layout"], truth["card"])
    assert_no_call_is_wrong(verdict, truth, doubts=name == IN_DOUBT)
    if name == IN_DOUBT:
        assert verdict.grade == "undecided"
        assert truth["grade"] in verdict.possible_grades
    else:
        assert verdict.grade == truth["grade"]


def test_the_doubt_in_the_demo_is_settled_by_its_second_photo() -> None:
    second = IN_DOUBT.replace("-1", "-2")
    verdict = read_plate([DEMO / IN_DOUBT, DEMO / second])
    assert verdict.grade == truth_of(IN_DOUBT)["grade"]
    assert len(verdict.readings) == 2
    assert_no_call_is_wrong(verdict, truth_of(IN_DOUBT), doubts=False)


def test_the_demo_shows_each_grade_a_refusal_both_layouts_and_both_with_and_without_the_card() -> None:
    truths = [truth_of(path.name) for path in TRUTHS]
    assert {truth["grade"] for truth in truths if truth["expect"] == "read"} == {
        "negligible", "moderate", "heavy", "invalid",
    }  # fmt: skip
    assert "refuse" in {truth["expect"] for truth in truths}
    shown = {(truth["layout"], truth["card"]) for truth in truths if truth["expect"] == "read"}
    assert shown == {("comb", True), ("comb", False), ("strip", True), ("strip", False)}


def test_each_demo_photo_has_its_truth_and_its_row() -> None:
    photos = {path.name for path in DEMO.glob("*.jpg")} - {"example.annotated.jpg"}
    assert photos == {truth_of(path.name)["photo"] for path in TRUTHS}
    rows = [
        line for line in Path(DEMO, "README.md").read_text(encoding="utf-8").splitlines() if line[:3] == "| `"
    ]
    assert photos == {row.split("`")[1] for row in rows}
