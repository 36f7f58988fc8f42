"""The annotated image: what its plan says and where, what its colours are worth, what is painted."""

import io
import itertools
from collections.abc import Mapping, Sequence
from types import SimpleNamespace
from typing import Any, TypeVar

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike, NDArray
from PIL import Image
from skimage.color import deltaE_ciede2000, rgb2lab

from fixtures.strips import SimulatedStrip
from fixtures.verdicts import (
    BREADTH_MM,
    LENGTH_MM,
    example_verdict,
    example_window,
    refused_verdict,
    unmeasured_mark,
)
from fixtures.verdicts import settings as settings_record
from reader.draw import ink
from reader.draw.annotate import MARGIN, WIDTH, Plan, annotated_jpeg, draw, encode_jpeg, plan
from reader.draw.ink import Box, CallBar, PhotoView, Picture, Sign, Text
from reader.draw.strip_view import CONTRAST
from reader.photo.light import decode_srgb, encode, encode_srgb, linear
from reader.verdict.evidence import Evidence, WindowEvidence
from reader.verdict.model import DecisionRecord, OpenDecision, ReviewRecord, Verdict
from reader.verdict.statement import Stated
from reader.words import Call, Grade, tidy

S = TypeVar("S")
PRESENT: Call = "present"
DOUBTFUL: Call = "doubtful"
MIXED: tuple[Call, ...] = ("present", "absent", "doubtful", "present", "absent", "present")


def photo_like(pixels: NDArray[Any], *, encoding: str = "srgb") -> Any:
    """What the sheet needs of a photo."""
    return SimpleNamespace(pixels=pixels, encoding=encoding)


def window_evidence(*, strip: Any = None) -> WindowEvidence:
    """Evidence as the measurement gives it: what the sheet needs of a strip and of its curves."""
    if strip is None:
        simulated = SimulatedStrip().with_mark("reference", position_mm=13, height=0.3)
        pixels = simulated.with_mark("indicator", position_mm=6, height=0.02).render()
        strip = strip_like(np.asarray(pixels, np.float32), px_per_mm=simulated.px_per_mm)
    n = strip.linear.shape[0]
    position = (np.arange(n) + 0.5) / strip.px_per_mm
    baseline = 0.2 + 0.002 * position
    lines = 0.3 * np.exp(-(((position - 13) / 0.4) ** 2)) + 0.02 * np.exp(-(((position - 6) / 0.4) ** 2))
    curves: Any = SimpleNamespace(
        position_mm=position,
        absorbance=baseline + lines,
        standard_error=np.full(n, 0.002),
        baseline=baseline,
        fit=baseline + lines,
        used=(position > 0.7) & (position < 17.3),
    )
    return WindowEvidence(strip=strip, curves=curves)


def strip_like(
    pixels: NDArray[Any], *, px_per_mm: float = 20.0, valid: NDArray[np.bool_] | None = None
) -> Any:
    everywhere = np.ones(pixels.shape[:2], bool)
    return SimpleNamespace(
        linear=np.asarray(pixels, np.float32),
        valid=everywhere if valid is None else valid,
        px_per_mm=px_per_mm,
    )


WINDOW = window_evidence()


def evidence_of(verdict: Verdict) -> Evidence:
    pixels = np.full((verdict.photo.height or 1, verdict.photo.width or 1, 3), 190, np.uint8)
    return Evidence(photo=photo_like(pixels), windows=(WINDOW,) * len(verdict.windows))


def planned(verdict: Verdict) -> Plan:
    return plan(verdict, evidence_of(verdict))


def planned_without_strips(verdict: Verdict) -> Plan:
    """The sheet where only the plate matters: quicker."""
    return plan(verdict, Evidence(photo=evidence_of(verdict).photo))


def shapes_of(sheet: Plan, kind: type[S]) -> list[S]:
    return [shape for shape in sheet.shapes if isinstance(shape, kind)]


def said(sheet: Plan) -> str:
    """All text of a sheet in reading order, wrapped lines joined."""
    return " ".join(shape.text for shape in shapes_of(sheet, Text))


def photo_view(sheet: Plan) -> PhotoView:
    (view,) = shapes_of(sheet, PhotoView)
    return view


def inside(view: PhotoView | Box, at: ink.XY) -> bool:
    return view.low[0] <= at[0] <= view.high[0] and view.low[1] <= at[1] <= view.high[1]


def centre(shape: Any) -> ink.XY:
    return (shape.low[0] + shape.high[0]) / 2, (shape.low[1] + shape.high[1]) / 2


def on_sheet(sheet: Plan, points: ArrayLike) -> NDArray[np.float64]:
    """Photo px -> sheet px, by the definition of `px_to_view`."""
    view = photo_view(sheet)
    xy = np.asarray(points, np.float64)
    homogeneous = np.column_stack([xy, np.ones(len(xy))])
    return np.asarray(homogeneous @ np.asarray(view.px_to_view).T + np.asarray(view.low))


# -- what it says -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("grade", ["negligible", "moderate", "heavy", "invalid", "undecided"])
def test_the_grade_is_the_largest_word_and_has_its_own_sign(grade: Grade) -> None:
    sheet = planned(example_verdict(MIXED, grade=grade))
    largest = max(shapes_of(sheet, Text), key=lambda text: text.size)
    assert largest.text == grade
    assert [sign.name for sign in shapes_of(sheet, Sign)] == [grade]


def test_why_next_step_warnings_and_reading_age_are_said_in_full() -> None:
    warnings = (
        "Yeast: the upper cutoff is passed and the lower one is not",
        "the clock of the camera may be off",
    )
    verdict = example_verdict(MIXED, grade="undecided", warnings=warnings)
    sheet = planned(verdict)
    assert verdict.reading_age is not None
    for sentence in (
        "The indicator of window 3 (yeast, lower) is doubtful and decides: negligible or moderate.",
        "All marks present, however faint.",
        verdict.next_step,
        verdict.reading_age.sentence,
        "Yeast: the upper cutoff is passed and the lower one is not.",
        "The clock of the camera may be off.",
    ):
        assert sentence in said(sheet)
    assert [sign.name for sign in shapes_of(sheet, Sign)] == ["undecided", "warning", "warning"]


def reviewed(
    call: Call = "present",
    *,
    open_marks: tuple[OpenDecision, ...] = (),
    reason: str = "an even line",
    by: str = "Vesna Rask",
) -> Verdict:
    """A plate on which readers have called the third window's doubtful indicator."""
    first = example_verdict(MIXED, grade="undecided")
    assert first.photo.captured_at is not None
    made = DecisionRecord(by=by, call=call, reason=reason, at=first.photo.captured_at, blind=True)
    mark = first.windows[2].indicator.model_copy(
        update={"call": call, "first_call": "doubtful", "decisions": (made,)}
    )
    windows = list(first.windows)
    windows[2] = windows[2].model_copy(update={"indicator": mark})
    review = ReviewRecord(
        first_grade="undecided",
        first_possible_grades=first.possible_grades,
        policy=settings_record("standard"),
        readers=(by,),
        open=open_marks,
    )
    return first.model_copy(
        update={
            "windows": tuple(windows),
            "grade": "moderate",
            "possible_grades": ("moderate",),
            "pivotal": (),
            "review": review,
        }
    )


def test_a_reviewed_plate_shows_who_decided_what_and_why_and_the_grade_before() -> None:
    sheet = planned(reviewed())
    text = said(sheet)
    assert "the grade after review is moderate" in text
    assert "Reviewed. Before: undecided (negligible or moderate); now: moderate." in text
    assert "Indicator of window 3 present: Vesna Rask, 2026-05-04 09:08+02:00, blind: an even line" in text
    assert "Decided by Vesna Rask; linecall called it doubtful." in text
    assert "Policy standard revision 1." in text


def test_an_unreviewed_plate_says_nothing_of_a_review() -> None:
    text = said(planned(example_verdict(MIXED, grade="undecided")))
    assert "review" not in text.lower().replace("reviewer", "")
    assert "Decided by" not in text


def test_what_readers_have_left_open_is_said_without_what_they_called() -> None:
    left = OpenDecision(
        window="5",
        mark="indicator",
        readers=1,
        needed=2,
        blind=True,
        disagree=False,
        sentence="the indicator of window 5: 1 of 2 blind readers",
    )
    text = said(planned(reviewed(open_marks=(left,))))
    assert "The indicator of window 5: 1 of 2 blind readers." in text


def test_a_hostile_name_and_a_long_reason_of_a_reader_stay_on_the_sheet() -> None:
    sheet = planned(reviewed(reason="seen " * 200, by="Ve\u202esna \x1b[31m Rask"))
    assert "Vesna [31m Rask" in said(sheet)
    for text in shapes_of(sheet, Text):
        assert text.at[0] + ink.text_width(text.text, text.size, text.weight) <= WIDTH
    assert said(sheet).count("seen") == 200


def test_where_it_comes_from_is_said() -> None:
    words = said(planned(example_verdict()))
    for part in (
        "north-tank-4.jpg",
        "taken 2026-05-04 09:08:07+02:00",
        "a1" * 32,
        "layout comb revision 1, found by trying all",
        "rules two-tier revision 1",
        "thresholds plate-1-percent revision 1",
        "linecall 0.1.0",
        "does not say that fuel is fit",
    ):
        assert part in words


def test_a_capture_time_without_an_offset_is_said_to_be_one() -> None:
    verdict = example_verdict()
    assert verdict.photo.captured_at is not None
    local = {"captured_at": verdict.photo.captured_at.replace(tzinfo=None), "captured_offset_known": False}
    verdict = verdict.model_copy(update={"photo": verdict.photo.model_copy(update=local)})
    assert "taken 2026-05-04 09:08:07, offset from UTC not known" in said(planned(verdict))


def test_numbers_of_each_mark_are_said_with_their_errors_and_limits() -> None:
    words = said(planned(example_verdict(("doubtful",), grade="undecided")))
    assert "0.0072 ± 0.0021 at 6.03 mm blank 0.0062, detection 0.0124" in words
    assert "Height 0.0072 against a limit of blank of 0.0062." in words
    assert "0.1834 ± 0.0021 at 13.03 mm" in words


@pytest.mark.parametrize(
    ("assay", "absent_means", "present_means"),
    [("competitive", "above", "below"), ("sandwich", "below", "above")],
)
def test_what_a_call_means_follows_the_assay(assay: str, absent_means: str, present_means: str) -> None:
    verdict = example_verdict(("absent", "present"), grade="moderate")
    assert verdict.layout is not None
    verdict = verdict.model_copy(update={"layout": verdict.layout.model_copy(update={"assay": assay})})
    words = said(planned(verdict))
    assert f"bacteria: {absent_means} the lower cutoff" in words
    assert f"bacteria: {present_means} the upper cutoff" in words


def test_main_lines_can_be_read_on_a_phone() -> None:
    verdict = example_verdict(MIXED, grade="undecided")
    lines = ink.wrap(verdict.next_step, width=WIDTH - 2 * MARGIN - 44, size=38, weight=ink.BOLD)
    sizes = {text.text: text.size for text in shapes_of(planned(verdict), Text)}
    for line in (*lines, "indicator absent", "indicator doubtful", "reference present", "bacteria, lower"):
        assert sizes[line] >= 0.022 * WIDTH


def test_an_unmeasured_mark_is_said_to_be_and_drawn_without_a_height() -> None:
    verdict = example_verdict(("present",))
    window = verdict.windows[0].model_copy(update={"indicator": unmeasured_mark()})
    verdict = verdict.model_copy(update={"windows": (window,)})
    sheet = planned(verdict)
    assert "indicator doubtful Height not measured. Half of the mark's place is hidden." in said(sheet)
    assert len(shapes_of(sheet, ink.Disc)) == 1
    assert draw(evidence_of(verdict), sheet).shape == (sheet.height, sheet.width, 3)


def test_a_refused_photo_shows_the_photo_its_reason_and_its_remedy() -> None:
    verdict = refused_verdict()
    sheet = plan(verdict, Evidence(photo=photo_like(np.zeros((600, 800, 3), np.uint8))))
    words = said(sheet)
    assert "Glare covers windows 2 and 3." in words
    assert "Move the lamp to the side until its reflection leaves the plate, then photograph again." in words
    assert verdict.next_step in words
    assert not shapes_of(sheet, CallBar)
    corners = on_sheet(sheet, [(0, 0), (800, 600)])
    np.testing.assert_allclose(corners, [photo_view(sheet).low, photo_view(sheet).high], atol=1)


def test_a_file_without_a_picture_still_gets_a_sheet() -> None:
    sheet = plan(refused_verdict(), Evidence(photo=None))
    assert "There is no picture to show." in said(sheet)
    assert draw(Evidence(photo=None), sheet).shape[1] == WIDTH


# -- where it says it -------------------------------------------------------------------------------------


@pytest.mark.parametrize("n_windows", [1, 2, 3, 4, 5, 6, 12])
def test_every_window_is_outlined_named_and_has_its_strip_twice(n_windows: int) -> None:
    verdict = example_verdict([PRESENT] * n_windows)
    sheet = planned(verdict)
    view = photo_view(sheet)
    pictures = shapes_of(sheet, Picture)
    assert len(pictures) == 2 * n_windows
    assert len({(picture.low, picture.high) for picture in pictures}) == 2 * n_windows
    for window in verdict.windows:
        places = [text.at for text in shapes_of(sheet, Text) if text.text == window.id]
        assert sorted(inside(view, at) for at in places) == [False, False, True]  # plate, list, strips
        corners = on_sheet(sheet, window.corners_px)
        outlines = [path for path in shapes_of(sheet, ink.Path) if path.closed]
        assert any(np.abs(np.asarray(path.points) - corners).max() < 6 for path in outlines)


@pytest.mark.parametrize("n_windows", [1, 2, 3, 4, 5, 6, 12])
def test_nothing_leaves_the_sheet(n_windows: int) -> None:
    sheet = planned(example_verdict([DOUBTFUL] * n_windows, grade="undecided"))
    for shape in sheet.shapes:
        if isinstance(shape, Text):
            right = shape.at[0] + ink.text_width(shape.text, shape.size, shape.weight)
            points: Sequence[ink.XY] = [
                (shape.at[0], shape.at[1] - shape.size),
                (right, shape.at[1] + 0.3 * shape.size),
            ]
        elif isinstance(shape, Sign):
            points = [shape.at, (shape.at[0] + shape.size, shape.at[1] + shape.size)]
        elif isinstance(shape, ink.Path):
            points = shape.points
        elif isinstance(shape, ink.Disc):
            points = [shape.at]
        else:
            points = [shape.low, shape.high]
        for x, y in points:
            assert -1 <= x <= sheet.width + 1, shape
            assert -1 <= y <= sheet.height, shape


@pytest.mark.parametrize("n_windows", [1, 3, 4, 6, 12])
def test_pictures_and_lines_of_text_do_not_cover_each_other(n_windows: int) -> None:
    sheet = planned(example_verdict([DOUBTFUL] * n_windows, grade="undecided"))
    boxes = [(shape.low, shape.high) for shape in shapes_of(sheet, Picture)]
    for text in shapes_of(sheet, Text):
        if not inside(photo_view(sheet), text.at):
            right = text.at[0] + ink.text_width(text.text, text.size, text.weight)
            boxes.append(((text.at[0], text.at[1] - 0.7 * text.size), (right, text.at[1])))
    for (low, high), (other_low, other_high) in itertools.combinations(boxes, 2):
        apart = np.maximum(np.subtract(other_low, high), np.subtract(low, other_high))
        assert apart.max() >= 0, (low, high, other_low, other_high)


def turned_verdict(calls: Sequence[Call], angle_deg: float) -> Verdict:
    """A verdict whose whole plate, and with it every window, lies turned in the photo."""
    verdict = example_verdict(calls, grade="undecided")
    angle = np.radians(angle_deg)
    rotation = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])

    def turn(points: ArrayLike) -> tuple[tuple[float, ...], ...]:
        return tuple(map(tuple, np.asarray(points) @ rotation.T + 900))

    windows = tuple(w.model_copy(update={"corners_px": turn(w.corners_px)}) for w in verdict.windows)
    assert verdict.pose is not None
    pose = verdict.pose.model_copy(update={"corners_px": turn(verdict.pose.corners_px)})
    return verdict.model_copy(update={"windows": windows, "pose": pose})


def bars_on_plate(sheet: Plan) -> list[CallBar]:
    return [bar for bar in shapes_of(sheet, CallBar) if inside(photo_view(sheet), centre(bar))]


def nearest_mark(sheet: Plan, verdict: Verdict, bar: CallBar) -> tuple[str, str]:
    """The (window, mark) whose place on the sheet lies nearest to a bar's middle."""
    places = {}
    for window in verdict.windows:
        corners = on_sheet(sheet, window.corners_px)
        upstream, downstream = corners[:2].mean(axis=0), corners[2:].mean(axis=0)
        for name in ("reference", "indicator"):
            share = getattr(window, name).expected_mm / window.length_mm
            places[window.id, name] = upstream + share * (downstream - upstream)
    return min(places, key=lambda mark: np.linalg.norm(places[mark] - centre(bar)))


@pytest.mark.parametrize("angle_deg", [0, 3, 40, 90, 180, 270])
@pytest.mark.parametrize("calls", [MIXED, ("doubtful",), MIXED * 2])
def test_each_call_stands_at_its_own_mark_however_the_plate_lies(
    calls: tuple[Call, ...], angle_deg: float
) -> None:
    verdict = turned_verdict(calls, angle_deg)
    sheet = planned_without_strips(verdict)
    found = {nearest_mark(sheet, verdict, bar): bar.call for bar in bars_on_plate(sheet)}
    assert found == {
        (window.id, name): getattr(window, name).call
        for window in verdict.windows
        for name in ("reference", "indicator")
    }


@pytest.mark.parametrize("flow", [(0, -1), (1, 0), (0, 1), (-1, 0)])
def test_no_bar_covers_a_membrane_whatever_way_it_flows(flow: tuple[int, int]) -> None:
    x, y = flow
    verdict = example_verdict(MIXED, grade="undecided")
    windows = []
    for index, window in enumerate(verdict.windows):
        across = np.array([-y, x]) * BREADTH_MM * 5
        along = np.array([x, y]) * LENGTH_MM * 5
        middle = np.array([300 + 300 * (index % 3), 200 + 300 * (index // 3)])
        corners = [
            middle - across - along,
            middle + across - along,
            middle + across + along,
            middle - across + along,
        ]
        windows.append(window.model_copy(update={"corners_px": tuple(map(tuple, corners))}))
    verdict = verdict.model_copy(update={"windows": tuple(windows)})
    sheet = planned_without_strips(verdict)
    for bar, window in itertools.product(bars_on_plate(sheet), windows):
        quad = on_sheet(sheet, window.corners_px)
        apart = np.maximum(quad.min(axis=0) - np.asarray(bar.high), np.asarray(bar.low) - quad.max(axis=0))
        assert apart.max() >= 0


def test_a_plate_upside_down_is_turned_upright_and_the_sheet_says_so() -> None:
    verdict = turned_verdict(MIXED, 180)
    sheet = planned_without_strips(verdict)
    assert verdict.pose is not None
    corners = on_sheet(sheet, verdict.pose.corners_px)
    assert corners[0][0] < corners[1][0]
    assert corners[0][1] < corners[3][1]
    assert "turned by 180 degrees to stand upright" in said(sheet)
    assert "turned" not in said(planned_without_strips(turned_verdict(MIXED, 3)))


def test_the_height_scale_is_the_same_for_all_windows_and_grows_with_the_height() -> None:
    calls: tuple[Call, ...] = ("present", "absent", "doubtful")
    sheet = planned(example_verdict(calls, grade="undecided"))
    cells = [picture.low[0] for picture in shapes_of(sheet, Picture)[0::2]]
    discs = shapes_of(sheet, ink.Disc)
    indicators, references = [], []
    for left in cells:
        reference, indicator = sorted(
            (d for d in discs if left < d.at[0] < left + 440), key=lambda d: d.at[1]
        )
        references.append(reference.at[0] - left)
        indicators.append(indicator.at[0] - left)
    assert np.ptp(references) < 1e-6
    assert indicators[0] == pytest.approx(references[0])
    assert indicators[0] > indicators[2] > indicators[1]


# -- hostile text -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [
        "W" * 250 + ".jpg",
        "tank\n\t\x1b[31m4\x00.jpg",
        "\u202egpj.exe",
        "кириллица-日本-عربى-🙂.jpg",
        " " * 40 + "x",
        "a\ud800b.jpg",
        "",
    ],
)
def test_a_hostile_file_name_is_drawn_whole_and_tame(name: str) -> None:
    sheet = planned_without_strips(example_verdict(photo_name=name))
    for text in shapes_of(sheet, Text):
        assert text.text == tidy(text.text)
        assert text.at[0] + ink.text_width(text.text, text.size, text.weight) <= WIDTH
    letters = said(sheet).replace(" ", "")
    assert tidy(name.replace("\ud800", "?")).replace(" ", "") in letters


def test_long_texts_are_wrapped_and_none_is_cut() -> None:
    step = "Hold the stock, " * 40 + "Donaudampfschifffahrtsgesellschaft" * 6 + "."
    verdict = example_verdict().model_copy(update={"next_step": step})
    sheet = planned_without_strips(verdict)
    assert step.replace(" ", "") in said(sheet).replace(" ", "")


@given(st.text(max_size=120), st.integers(60, 600), st.sampled_from([21, 34]))
@hypothesis_settings(max_examples=80, deadline=None)
def test_wrapping_loses_nothing_and_fits(text: str, width: int, size: int) -> None:
    lines = ink.wrap(text, width=width, size=size)
    assert "".join(lines).replace(" ", "") == tidy(text).replace(" ", "")
    assert all(ink.text_width(line, size) <= width or len(line) == 1 for line in lines)


# -- colours ----------------------------------------------------------------------------------------------


def luminance(colour: str) -> float:
    """WCAG 2 relative luminance of "#RRGGBB"."""
    blue, green, red = ink.bgr(colour)
    return float(np.dot([0.2126, 0.7152, 0.0722], decode_srgb(np.array([red, green, blue]) / 255)))


def contrast(colour: str, other: str) -> float:
    low, high = sorted([luminance(colour), luminance(other)])
    return (high + 0.05) / (low + 0.05)


# Okabe & Ito 2002 palette, WCAG 2 contrast: published hex values, figures recomputed with NumPy.
@pytest.mark.parametrize(
    ("colour", "on_white", "on_black"),
    [
        (ink.ORANGE, 2.25, 9.32),
        (ink.SKY_BLUE, 2.31, 9.10),
        (ink.YELLOW, 1.32, 15.88),
        (ink.BLUE, 5.19, 4.05),
        (ink.VERMILLION, 3.87, 5.43),
        (ink.REDDISH_PURPLE, 3.06, 6.86),
        (ink.GREY, 7.0047, 3.0),
    ],
)
def test_contrasts_are_those_of_the_palette(colour: str, on_white: float, on_black: float) -> None:
    assert contrast(colour, ink.WHITE) == pytest.approx(on_white, abs=0.006)
    assert contrast(colour, ink.BLACK) == pytest.approx(on_black, abs=0.006)


GRADES: tuple[Grade, ...] = ("negligible", "moderate", "heavy", "invalid", "undecided")


# WCAG 2: text 4.5.
@pytest.mark.parametrize(
    "verdict", [refused_verdict(), *(example_verdict(MIXED, grade=grade) for grade in GRADES)]
)
def test_all_text_stands_out_from_what_it_is_written_on(verdict: Verdict) -> None:
    sheet = planned(verdict)
    fields = [(box, box.fill) for box in shapes_of(sheet, Box) if box.fill is not None]
    for text in shapes_of(sheet, Text):
        below = [fill for box, fill in fields if inside(box, (text.at[0] + 1, text.at[1] - 1))]
        assert contrast(text.colour, below[-1] if below else ink.WHITE) >= 4.5


# Machado, Oliveira & Fernandes 2009, full deuteranopia, linear RGB (from memory; the check below holds it
# against figures computed elsewhere with colour-science).
DEUTERANOPIA = np.array(
    [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
)


def difference(colour: str, other: str, *, deuteranopia: bool) -> float:
    labs = []
    for name in (colour, other):
        light = decode_srgb(np.array(ink.bgr(name)[::-1]) / 255)
        labs.append(rgb2lab(encode_srgb(np.clip(DEUTERANOPIA @ light, 0, 1) if deuteranopia else light)))
    return float(deltaE_ciede2000(*labs))  # type: ignore[no-untyped-call]


@pytest.mark.parametrize(
    ("colour", "other", "seen_by_most", "seen_by_deuteranopes"),
    [
        ("#FF0000", "#00B000", 77.2, 2.2),
        (ink.BLUE, ink.ORANGE, 55.3, 62.7),
        (ink.BLUE, ink.VERMILLION, 49.6, 56.6),
        ("#009E73", ink.VERMILLION, 54.4, 20.5),
    ],
)
def test_the_model_of_colour_blindness_agrees_with_published_tools(
    colour: str, other: str, seen_by_most: float, seen_by_deuteranopes: float
) -> None:
    assert difference(colour, other, deuteranopia=False) == pytest.approx(seen_by_most, abs=0.1)
    assert difference(colour, other, deuteranopia=True) == pytest.approx(seen_by_deuteranopes, abs=0.1)


# A just noticeable difference is about 2.3 (Mahy, Van Eycken & Oosterlinck 1994, from memory).
@pytest.mark.parametrize(("colours", "at_least"), [(ink.CALL_COLOURS, 20), (ink.GRADE_COLOURS, 10)])
def test_colours_stay_apart_for_colour_blind_readers(colours: Mapping[str, str], at_least: float) -> None:
    for one, other in itertools.combinations(colours.values(), 2):
        assert difference(one, other, deuteranopia=True) >= at_least
        assert difference(one, other, deuteranopia=False) >= at_least


def ink_mask(shape: Any) -> NDArray[np.bool_]:
    """Where a shape is not white, in black and white."""
    canvas = np.full((120, 240, 3), 255, np.uint8)
    ink.paint(canvas, [shape], None)
    return np.asarray((canvas < 250).any(axis=2))


def test_calls_and_grades_differ_in_shape_without_any_colour() -> None:
    calls = [CallBar(low=(20, 20), high=(200, 90), call=call) for call in ink.CALL_COLOURS]
    grades = [Sign(at=(10, 10), size=100, name=name) for name in ink.GRADE_COLOURS]
    for kind in (calls, grades):
        for one, other in itertools.combinations(map(ink_mask, kind), 2):
            assert (one ^ other).sum() > 0.05 * (one | other).sum()


# -- what is painted --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("angle_deg", "scale", "dtype"),
    [
        (0, 1.0, np.uint8),
        (33, 0.4, np.uint8),
        (180, 2.6, np.uint8),
        (33, 2.6, np.uint16),
        (270, 3.4, np.uint8),
    ],
)
def test_the_photo_is_shown_where_the_outlines_say(
    angle_deg: float, scale: float, dtype: type[np.uint8] | type[np.uint16]
) -> None:
    verdict = turned_verdict(("present",), angle_deg)
    assert verdict.pose is not None
    corners = np.asarray(verdict.pose.corners_px)
    corners = (corners - corners.min(axis=0) + 60) * scale
    pose = verdict.pose.model_copy(update={"corners_px": tuple(map(tuple, corners))})
    verdict = verdict.model_copy(update={"pose": pose})
    spot = np.add(corners.mean(axis=0), (7.3 * scale, 11.8 * scale))
    n, sigma = round(corners.max() + 60 * scale), 8 * scale
    x, y = np.exp(-((np.arange(n) - spot[:, None]) ** 2) / (2 * sigma**2))
    light = 100 * (257 if dtype == np.uint16 else 1) * np.outer(y, x)
    evidence = Evidence(photo=photo_like(cv2.merge([light.astype(dtype)] * 3)), windows=())
    sheet = plan(verdict, evidence)
    view = photo_view(sheet)
    canvas = draw(evidence, Plan(width=sheet.width, height=sheet.height, shapes=(view,)))
    low, high = np.asarray(view.low, int), np.asarray(view.high, int)
    seen = canvas[low[1] : high[1], low[0] : high[0], 0].astype(float)
    rows, columns = np.indices(seen.shape)
    found = low + np.array([(columns * seen).sum(), (rows * seen).sum()]) / seen.sum()
    np.testing.assert_allclose(found, on_sheet(sheet, [spot])[0], atol=0.6)


def test_a_wide_gamut_photo_is_shown_in_the_sheets_own_colours() -> None:
    verdict = example_verdict()
    patch = np.array([60, 60, 200], np.uint8)
    pixels = np.tile(patch, (verdict.photo.height or 1, verdict.photo.width or 1, 1))
    evidence = Evidence(photo=photo_like(pixels, encoding="display-p3"), windows=())
    sheet = plan(verdict, evidence)
    x, y = (round(value) + 30 for value in photo_view(sheet).low)
    expected = encode(linear(patch[None, None], "display-p3"))[0, 0]
    assert tuple(draw(evidence, sheet)[y, x]) == tuple(expected)
    assert tuple(expected) != tuple(patch)


def strip_pictures(strip: Any, verdict: Verdict | None = None) -> tuple[ink.Image, ink.Image]:
    verdict = example_verdict(("present",)) if verdict is None else verdict
    evidence = Evidence(photo=None, windows=(window_evidence(strip=strip),))
    natural, levelled = shapes_of(plan(verdict, evidence), Picture)
    return natural.pixels, levelled.pixels


def test_strips_stand_with_the_flow_upwards_and_are_not_mirrored() -> None:
    pixels = np.full((360, 100, 3), 0.5, np.float32)
    pixels[:60, :30] = (0.5, 0.1, 0.1)  # upstream, left looking along the flow
    natural, _ = strip_pictures(strip_like(pixels))
    blue, green, red = natural[-30, 15]
    assert red > 2 * green
    assert blue == green
    assert (natural[30] == natural[30, 0]).all()
    assert (natural[-30, 60] == natural[30, 60]).all()


def test_levelling_takes_shading_away_and_raises_a_faint_line_by_its_stated_contrast() -> None:
    height = 0.006
    simulated = (
        SimulatedStrip()
        .with_light_gradient(along=0.12, across=0.08)
        .with_mark("indicator", position_mm=6, height=height, width_mm=1.0)
    )
    verdict = example_verdict(("present",))
    _, levelled = strip_pictures(strip_like(simulated.render()), verdict)
    green = -np.log10(decode_srgb(levelled[::-1, :, 1] / 255))
    line, blank = green[115:125, 20:80].mean(), green[[70, 180], 20:80].mean()
    assert line - blank == pytest.approx(CONTRAST * height, rel=0.15)
    beside = green[np.r_[30:90, 150:230], 15:85]
    assert np.ptp(beside) < 0.25 * CONTRAST * height


def test_in_the_levelled_strip_dye_is_coloured_and_a_shadow_grey() -> None:
    dye = SimulatedStrip().with_mark("indicator", position_mm=6, height=0.02)
    shadow = SimulatedStrip().with_line(position_mm=6, height=0.02, colour="neutral")
    chroma = []
    for simulated in (dye, shadow):
        _, levelled = strip_pictures(strip_like(simulated.render()))
        centre_colour = levelled[::-1][120, 50].astype(int)
        chroma.append(np.ptp(centre_colour))
    assert chroma[0] > 30
    assert chroma[1] <= 3


def test_what_was_not_valid_is_hatched_in_the_levelled_strip_only() -> None:
    pixels = np.full((360, 100, 3), 0.5, np.float32)
    valid = np.ones((360, 100), bool)
    valid[200:240] = False
    natural, levelled = strip_pictures(strip_like(pixels, valid=valid))
    assert (natural == natural[0, 0]).all()
    assert set(np.unique(levelled[::-1][205:235])) == {150, 225}


def test_the_jpeg_carries_no_metadata_but_that_we_drew_it() -> None:
    verdict = example_verdict()
    data = annotated_jpeg(verdict, evidence_of(verdict))
    with Image.open(io.BytesIO(data)) as picture:
        assert picture.format == "JPEG"
        assert not picture.getexif()
        assert set(picture.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density", "comment"}
        assert picture.info["comment"] == b"drawn by linecall: not a photo of a plate"
        assert picture.size[0] == WIDTH


def test_the_same_reading_gives_the_same_image_twice() -> None:
    verdict = example_verdict(MIXED, grade="heavy")
    assert annotated_jpeg(verdict, evidence_of(verdict)) == annotated_jpeg(verdict, evidence_of(verdict))


def test_the_jpeg_keeps_the_strips_faint_colours() -> None:
    verdict = example_verdict(("present",))
    image = draw(evidence_of(verdict), planned(verdict))
    again = cv2.imdecode(np.frombuffer(encode_jpeg(image), np.uint8), cv2.IMREAD_COLOR)
    assert again is not None
    natural = shapes_of(planned(verdict), Picture)[0]
    low, high = np.asarray(natural.low, int) + 4, np.asarray(natural.high, int) - 4
    before, after = (part[low[1] : high[1], low[0] : high[0]].astype(int) for part in (image, again))
    assert np.abs(after - before).mean() < 1.5


def test_the_photo_is_left_as_it_was() -> None:
    verdict = example_verdict()
    evidence = evidence_of(verdict)
    assert evidence.photo is not None
    evidence.photo.pixels.setflags(write=False)
    before = evidence.photo.pixels.copy()
    draw(evidence, plan(verdict, evidence))
    np.testing.assert_array_equal(evidence.photo.pixels, before)


# -- what a technician reads on a phone -------------------------------------------------------------------

PHONE = 390, 844  # px of its own; a common size, no source
READABLE = 0.022 * WIDTH


def technicians_part(sheet: Plan) -> tuple[list[ink.Shape], float]:
    """Shapes above the reviewer's part, and where that begins."""
    [head] = [text for text in shapes_of(sheet, Text) if text.text == "For the reviewer"]
    return [shape for shape in sheet.shapes if top_of(shape) < head.at[1] - head.size], head.at[1]


def top_of(shape: Any) -> float:
    points = getattr(shape, "points", None)
    if points is not None:
        return float(min(y for _, y in points))
    return float((shape.low if hasattr(shape, "low") else shape.at)[1])


def stated(verdict: Verdict, **said: Any) -> Verdict:
    return verdict.model_copy(update={"statement": Stated(**said), "id": "6e4q1sgk"})


@pytest.mark.parametrize("n_windows", [1, 4, 6, 12])
def test_all_that_a_technician_needs_is_on_one_phone_screen(n_windows: int) -> None:
    calls = [*[PRESENT] * (n_windows - 1), DOUBTFUL]
    verdict = stated(
        example_verdict(calls, grade="undecided"), tank="North", sample_point="drain", operator="A. Lind"
    )
    shapes, bottom = technicians_part(planned(verdict))
    assert bottom * PHONE[0] / WIDTH < PHONE[1]
    texts = [shape for shape in shapes if isinstance(shape, Text)]
    words = " ".join(text.text for text in texts)
    for part in (
        "tank North, drain, by A. Lind",
        "taken 2026-05-04 09:08 UTC+02:00 · reading 6e4q1sgk",
        "undecided",
    ):
        assert part in words
    for window in verdict.windows:
        assert f"{window.analyte}, {window.tier}" in words
    named = {f"{window.analyte}, {window.tier}" for window in verdict.windows} | {"present", "doubtful"}
    assert all(text.size >= READABLE for text in texts if text.text in named)


@pytest.mark.parametrize("lean", [0.0, 0.3, 0.6])
def test_a_slanted_plates_bars_stay_as_large_as_its_windows_leave_room_for(lean: float) -> None:
    verdict = example_verdict(("doubtful",) * 6, grade="undecided")
    windows = tuple(
        window.model_copy(update={"corners_px": tuple((x + lean * y, y) for x, y in window.corners_px)})
        for window in verdict.windows
    )
    sheet = planned(verdict.model_copy(update={"windows": windows}))
    view = photo_view(sheet)
    bars = [bar for bar in shapes_of(sheet, CallBar) if inside(view, bar.low)]
    assert len(bars) == 12
    assert min(bar.high[0] - bar.low[0] for bar in bars) >= 44  # 12 px of the phone's


def test_a_reference_that_did_not_work_is_named_in_the_list() -> None:
    verdict = example_verdict(("present",))
    window = example_window(0, reference="undeveloped")
    shapes, _ = technicians_part(planned(verdict.model_copy(update={"windows": (window,)})))
    [text] = [s for s in shapes if isinstance(s, Text) and s.text == "reference undeveloped"]
    assert text.size >= READABLE


def test_a_long_name_is_cut_and_nothing_is_laid_over_the_grade() -> None:
    verdict = stated(example_verdict(), tank="Tank " + "N" * 190, operator="O" * 190)
    sheet = planned(verdict)
    for text in shapes_of(sheet, Text):
        assert text.at[0] + ink.text_width(text.text, text.size, text.weight) <= WIDTH
