"""linecall measured on libraries drawn from a known model, and the sentences on what their size can show."""

import hashlib
import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from scipy import stats
from sklearn import metrics

from reader.errors import LinecallError
from reader.library.agreement.validate import Validation, percent, validate
from reader.library.report import Origin, to_json, validation_page
from reader.library.tidy import MarkRow
from tests.reader.library.agreement.simulated_rows import BLANK_SD, Person, library

approx = pytest.approx

ORIGIN = Origin(library="Harbour school", made_at=datetime(2026, 5, 4, 9, 8, tzinfo=UTC))


def row(
    number: int, consensus: str | None, tool: str, height: float | None = 0.02, **changes: str
) -> MarkRow:
    """One mark on a plate of its own."""
    made = MarkRow(
        example=f"E{number:04}", plate=f"E{number:04}", window="1", mark="indicator", tier="lower", analyte="A",
        strength="faint", light="lamp", layout="comb", grader="Ada", role="expert", call="present",
        consensus=consensus, tool_call=tool, height=height, standard_error=0.002, sha256=f"{number:064x}",
    )  # fmt: skip
    return replace(made, **changes)  # type: ignore[arg-type]


def overall(report: Validation):  # type: ignore[no-untyped-def]
    return next(one for one in report.calls if one.by == "all" and one.mark == "indicator")


# ------------------------------------------------------------------------------------------ calls


def test_the_two_errors_and_the_doubts_are_counted_apart() -> None:
    kinds: list[tuple[str | None, str, int]] = [
        ("absent", "present", 3),
        ("absent", "absent", 40),
        ("absent", "doubtful", 7),
        ("present", "absent", 2),
    ]
    kinds += [
        ("present", "present", 80),
        ("present", "doubtful", 5),
        (None, "present", 9),
        ("doubtful", "present", 4),
    ]
    rows = [
        row(100 * kind + i, consensus, tool)
        for kind, (consensus, tool, n) in enumerate(kinds)
        for i in range(n)
    ]
    report = validate(rows)
    found = overall(report)
    assert (found.wrong_present.hits, found.wrong_present.of) == (3, 50)
    assert (found.wrong_absent.hits, found.wrong_absent.of) == (2, 87)
    assert (found.doubtful_if_absent.hits, found.doubtful_if_present.hits) == (7, 5)
    assert (report.no_consensus, report.doubtful_consensus) == (9, 4)
    (mark, doubts) = report.doubts[0]
    assert (mark, doubts.hits, doubts.of) == ("indicator", 12, 150)
    assert found.wrong_present.by_plate == found.wrong_present.wilson  # each mark has a plate of its own


def test_a_reference_that_has_not_developed_is_not_there() -> None:
    rows = [row(i, "undeveloped", "present" if i < 2 else "undeveloped", mark="reference") for i in range(20)]
    found = validate(rows).calls[0]
    assert (found.mark, found.wrong_present.hits, found.wrong_present.of) == ("reference", 2, 20)


def test_groups_add_up_to_the_whole_and_run_from_strong_to_faint() -> None:
    report = validate(library(60))
    whole = overall(report)
    for by in ("strength", "light", "layout"):
        groups = [one for one in report.calls if one.by == by]
        assert sum(one.marks for one in groups) == whole.marks
        assert sum(one.wrong_present.hits for one in groups) == whole.wrong_present.hits
    strengths = [one.group for one in report.calls if one.by == "strength"]
    assert strengths == ["strong", "weak", "faint", "very faint", "none"]


def test_a_photo_counts_once_however_many_of_its_marks_are_wrong() -> None:
    rows = [
        row(i, "absent", "present" if i < 3 else "absent", window=str(window))
        for i in range(30)
        for window in range(6)
    ]
    found = validate(rows).photos.wrong_present
    assert (found.hits, found.of) == (3, 30)


# ------------------------------------------------------------------------------------------ what it proves


def test_no_error_in_59_shows_five_percent_and_not_one() -> None:
    report = validate([row(i, "present", "present") for i in range(59)])
    no_blank, said = report.proves
    assert no_blank.startswith("No indicator mark is absent by consensus: these examples prove nothing")
    assert said.startswith(
        "0 errors in 59 indicator marks present by consensus: at 95 % confidence no more than 5 % are called absent"
    )
    assert "not shown that fewer than 1 % are called absent: that takes 299 independent marks" in said


def test_no_error_in_58_does_not_show_five_percent() -> None:
    said = validate([row(i, "present", "present") for i in range(58)]).proves[1]
    assert "not shown that fewer than 5 % are called absent: that takes 59 independent marks" in said


def test_no_error_in_299_shows_one_percent() -> None:
    said = validate([row(i, "present", "present") for i in range(299)]).proves[1]
    assert "no more than 1 % are called absent" in said
    assert "not shown" not in said


def test_marks_of_few_plates_prove_less_than_their_number() -> None:
    rows = [row(i, "present", "present", window=str(window)) for i in range(10) for window in range(6)]
    said = validate(rows).proves[1]
    assert "0 errors in 60" in said
    assert "count as 10" in said
    assert "no more than 26 %" in said  # 1 - .05^(1/10), Hanley and Lippman-Hand 1983: .25887


def test_one_wrong_mark_excludes_nothing() -> None:
    assert "excludes no error rate" in validate([row(1, "present", "absent")]).proves[1]


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.0495, "5 %"),
        (0.0126, "1.3 %"),
        (0.26, "26 %"),
        (0.00994, "1 %"),
        (0.0031, "0.31 %"),
        (1.0, "100 %"),
        (0, "0 %"),
    ],
)
def test_bounds_are_rounded_up_to_two_digits(share: float, words: str) -> None:
    assert percent(share) == words


# ------------------------------------------------------------------------------------------ limits and repeats


def test_limits_are_those_of_the_model_the_heights_were_drawn_from() -> None:
    seers = [Person(name=name, sd=1e-5, threshold=0.003, doubts=0) for name in ("Ada", "Bo")]  # miss no line
    report = validate(library(500, photos=(3,), seed=3, people=seers))
    limits = report.limits[0]
    spread = np.hypot(BLANK_SD, 0.0007)  # one shift a photo, one error a mark
    assert limits.blank.parametric == approx(stats.norm.ppf(0.95) * spread, rel=0.08)
    assert limits.blank.ranked == approx(limits.blank.parametric, rel=0.15)
    assert limits.detection.sd == approx(spread, rel=0.05)
    assert limits.detection.parametric == approx(2 * stats.norm.ppf(0.95) * spread, rel=0.08)
    assert limits.detection_if_even == approx(limits.detection.parametric, rel=0.1)
    per_mark = 1 - 0.99 ** (1 / 12)
    assert limits.blank_for_plate.parametric == approx(stats.norm.ppf(1 - per_mark) * spread, rel=0.08)
    assert {one.light for one in report.limits} == {None, "bench lamp", "daylight"}


def test_repeatability_is_the_models_and_light_adds_nothing() -> None:
    report = validate(library(300, photos=(4,), seed=4))
    faint = next(one for one in report.repeats if one.strength == "very faint")
    assert faint.components.repeatability == approx(np.hypot(BLANK_SD, 0.0007), rel=0.08)
    assert faint.stated == approx(BLANK_SD)
    assert faint.components.condition is not None
    assert faint.components.condition < 0.0004


def test_light_that_shifts_heights_is_found() -> None:
    shifted = (
        replace(one, height=one.height + 0.01) if one.light == "daylight" and one.height is not None else one
        for one in library(200, photos=(4,), seed=5)
    )
    found = next(one for one in validate(shifted).repeats if one.strength == "faint").components
    assert found.condition == approx(0.01 / np.sqrt(2), rel=0.05)  # the spread of two values .01 apart
    assert found.reproducibility == approx(found.condition, rel=0.05)
    assert "only 2 conditions" in found.note


def test_a_library_without_repeats_says_what_to_photograph() -> None:
    report = validate(library(100, photos=(1,)))
    assert report.limits[0].detection.parametric is None
    assert "several times" in report.limits[0].detection.note
    assert report.repeats[0].components.repeatability is None
    assert len(report.repeats) == 1


def test_known_heights_give_a_calibration_line() -> None:
    rng = np.random.default_rng(6)
    known = np.repeat(np.arange(1, 9) * 0.004, 4)
    rows = [row(i, "present", "present", 0.001 + 0.9 * x + rng.normal(0, 0.001)) for i, x in enumerate(known)]
    report = validate(rows, known={(f"E{i:04}", "1", "indicator"): float(x) for i, x in enumerate(known)})
    assert report.line is not None
    assert report.line.n == 32
    assert report.line.slope == approx(0.9, abs=0.07)
    assert report.line.critical == approx(1.697 * 0.001 / 0.9, rel=0.3)
    with pytest.raises(LinecallError, match="the indicator of window 9 of example E0001 is not among these"):
        validate(rows, known={("E0001", "9", "indicator"): 0.01})


# ------------------------------------------------------------------------------------------ ROC


def test_the_area_is_scikit_learns_over_marks_with_a_settled_consensus() -> None:
    rows = list(library(60, people=()))
    rng = np.random.default_rng(7)
    rows = [replace(one, consensus="present" if rng.random() < 0.5 else "absent") for one in rows]
    marks = [one for one in rows if one.mark == "indicator"]
    expected = metrics.roc_auc_score(
        [one.consensus == "present" for one in marks], [one.height for one in marks]
    )
    assert validate(rows).roc.value == approx(expected)


# ------------------------------------------------------------------------------------------ bad and odd input


def unmeasured() -> Iterator[MarkRow]:
    for one in library(12):
        yield replace(one, height=None, standard_error=None, tool_call="doubtful", strength="unmeasured")


def test_marks_that_could_not_be_measured_are_doubts_and_have_no_height() -> None:
    report = validate(unmeasured())
    assert report.doubts[0][1].value == 1
    assert report.limits[0].blank.parametric is None
    assert report.roc.value is None
    assert report.blanks == ()


def test_an_empty_library_gives_reasons_and_no_number() -> None:
    report = validate([])
    assert report.calls == ()
    assert report.proves == ()
    assert report.roc.value is None
    assert "0 blanks" in report.limits[0].blank.note
    assert b"</html>" in validation_page(report, ORIGIN)


# ------------------------------------------------------------------------------------------ reports


def test_the_report_lists_what_it_was_computed_from() -> None:
    report = validate(library(20))
    content = json.loads(to_json(report, ORIGIN))
    assert content["report"] == "validation"
    assert len(content["hashes"]) == report.examples
    lines = "".join(f"{sha}  {example}\n" for example, sha in content["hashes"])
    assert content["digest"] == hashlib.sha256(lines.encode()).hexdigest()
    assert to_json(validate(library(20)), ORIGIN) == to_json(report, ORIGIN)


def test_the_page_shows_the_sentences_the_limits_and_the_plots() -> None:
    report = validate(library(60))
    page = validation_page(report, ORIGIN).decode()
    for sentence in report.proves:
        assert sentence in page
    assert f"{report.limits[0].blank.parametric:.4f}" in page
    assert page.count("<svg") >= 5
    assert "<script" not in page
    assert "://" not in page.replace('xmlns="http://www.w3.org/2000/svg"', "")
    assert report.hashes[0][1] in page


def test_an_undeveloped_reference_is_named_where_it_counts_as_absent() -> None:
    rows = [row(i, "undeveloped", "present" if i < 2 else "undeveloped", mark="reference") for i in range(20)]
    report = validate(rows)
    assert "20 reference marks absent or undeveloped by consensus" in report.proves[0]
    assert "undeveloped reference mark counts with the absent" in validation_page(report, ORIGIN).decode()


def test_the_drawing_names_no_limit_of_detection_that_was_not_measured() -> None:
    measured, unmeasured = (validate(library(100, photos=photos)) for photos in ((4,), (1,)))
    assert unmeasured.limits[0].detection_if_even is not None
    for report, there in ((measured, True), (unmeasured, False)):
        assert (report.limits[0].detection.parametric is not None) == there
        drawing = validation_page(report, ORIGIN).decode().split("<figcaption>Heights, absorbance")[1]
        assert ("limit of detection" in drawing.split("</svg>")[0]) == there
