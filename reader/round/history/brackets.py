"""Where a reading puts each analyte between its cutoffs."""

from collections.abc import Iterable, Mapping
from typing import Any, Final, Literal

from reader.decide.grade import FINDINGS

Bracket = Literal["below", "between", "above", "doubtful", "invalid"]

SAID: Final[Mapping[Bracket, str]] = {
    "below": "below the lower cutoff",
    "between": "between the cutoffs",
    "above": "above the upper cutoff",
    "doubtful": "doubtful",
    "invalid": "invalid",
}


def brackets(verdict: Mapping[str, Any]) -> dict[str, Bracket]:
    """Bracket of each analyte of a verdict that was read, as its JSON has it, in the plate's order.

    A window whose reference mark has not formed says nothing, and an invalid plate says nothing at all. Of a plate
    that was read early, or whose times contradict each other, all is doubtful but a line of a sandwich assay that is
    there early: bound dye stays. Of an analyte with one cutoff alone there is no `between`: what is above it is
    `above`, whichever tier the cutoff is.
    """
    windows: dict[str, list[Mapping[str, Any]]] = {}
    for window in verdict["windows"]:
        windows.setdefault(window["analyte"], []).append(window)
    if verdict["grade"] == "invalid":
        return dict.fromkeys(windows, "invalid")
    assay = verdict["layout"]["assay"]
    early = (verdict.get("reading_age") or {}).get("status") == "early"
    stands = {"above cutoff"} if early and assay == "sandwich" else set()
    if not early and verdict.get("cause") != "time":
        stands = {"above cutoff", "below cutoff"}
    return {
        analyte: _bracket([_finding(one, assay, stands) for one in found])
        for analyte, found in windows.items()
    }


def _finding(window: Mapping[str, Any], assay: str, stands: set[str]) -> tuple[str, str]:
    """A window's tier, and what it says: below or above its cutoff, doubtful, or invalid.

    stands : findings that the time of the photo lets stand.
    """
    reference, indicator = window["reference"]["call"], window["indicator"]["call"]
    if reference in {"absent", "undeveloped"}:
        return window["tier"], "invalid"
    found = "doubtful" if reference == "doubtful" else FINDINGS.get((assay, indicator), "doubtful")
    return window["tier"], found if found in stands else "doubtful"


def _bracket(findings: Iterable[tuple[str, str]]) -> Bracket:
    """The bracket that an analyte's windows come to; the worse of two windows of one cutoff counts."""
    of: dict[str, set[str]] = {"lower": set(), "upper": set()}
    for tier, found in findings:
        of[tier].add(found)
    single = not of["lower"] or not of["upper"]
    if "invalid" in of["lower"] | of["upper"]:
        return "invalid"
    if "above cutoff" in of["upper"]:
        return "above"
    if "doubtful" in of["upper"]:
        return "doubtful"
    if "above cutoff" in of["lower"]:
        return "above" if single else "between"
    return "doubtful" if "doubtful" in of["lower"] else "below"
