"""The sheet in a real browser: on a phone, on a desk, on paper."""

import math
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.color import rgb2lab

from fixtures.strips import Rgb
from reader.draw.ink import bgr
from reader.review.sheet import sheet
from reader.settings.values import load_layout
from reader.words import Call, MarkName
from tests.reader.review.browser import Browser
from tests.reader.review.photographed import case_of, photographed, read, with_calls

PHONE, DESK = 390, 1280
MM_OF_A_CSS_PX = {PHONE: 65 / 390, DESK: 25.4 / 96}
"""A phone 390 px wide is about 65 mm wide (common practice, no source); a CSS pixel is 1/96 inch elsewhere (CSS
Values and Units Level 3, section 6.2)."""
DISTANCE_MM = {PHONE: 300.0, DESK: 600.0, "paper": 350.0}

KINDS = {
    "doubts": {},
    "blind": {"blind": True},
    "whole plate": {"every_window": True},
}


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The sheets of a plate of six windows, two of them in doubt, each as somebody would save it."""
    folder = tmp_path_factory.mktemp("sheets")
    reading = read(photographed(folder))
    verdict = with_calls(reading.verdict, {("3", "indicator"): "doubtful", ("5", "indicator"): "doubtful"})
    case = case_of(reading, first=verdict, current=verdict)
    found = {}
    for kind, options in KINDS.items():
        found[kind] = folder / f"{kind}.html"
        found[kind].write_bytes(sheet(case, **options))
    return found


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("width", [PHONE, DESK])
def test_the_page_shows_and_asks_for_nothing_and_complains_of_nothing(
    browser: Browser, pages: dict[str, Path], kind: str, width: int
) -> None:
    browser.show(pages[kind], width=width, scale=2)
    pictures = browser.ask(
        "return [...document.images].map(i => [i.complete, i.naturalWidth, i.width, i.height])"
    )
    assert len(pictures) > 60
    assert all(complete and natural > 0 and w > 0 and h > 0 for complete, natural, w, h in pictures)
    assert browser.ask("return document.querySelectorAll('polyline').length") > 3
    assert browser.requests() == [pages[kind].as_uri()]
    assert browser.complaints() == []


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("width", [320, PHONE, 768, DESK])
def test_nothing_runs_out_of_the_view(
    browser: Browser, pages: dict[str, Path], kind: str, width: int
) -> None:
    browser.show(pages[kind], width=width)
    assert browser.ask("return document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("kind", KINDS)
def test_the_page_prints_on_one_or_two_sheets_of_a4(
    browser: Browser, pages: dict[str, Path], kind: str
) -> None:
    browser.show(pages[kind], width=DESK)
    sheets = browser.print_pages()
    assert 1 <= len(sheets) <= 2
    for size in sheets:
        assert size == pytest.approx((210, 297), abs=1)  # ISO 216


@pytest.mark.parametrize("blind", [False, True])
def test_another_plate_has_room_too(
    browser: Browser, tmp_path: Path, unseen_layouts: tuple[Path, ...], blind: bool
) -> None:
    (source,) = (path for path in unseen_layouts if path.stem == "quad")  # windows of 20 x 6 mm
    layout = load_layout(source)
    reading = read(photographed(tmp_path, heights=(0.01, 0.1, 0.0, 0.02), layout=layout), layout=source)
    page = tmp_path / "quad.html"
    doubts: dict[tuple[str, MarkName], Call] = {
        ("A", "indicator"): "doubtful",
        ("C", "indicator"): "doubtful",
    }
    verdict = with_calls(reading.verdict, doubts, layout)
    page.write_bytes(sheet(case_of(reading, first=verdict, current=verdict, layout=layout), blind=blind))
    for width in (PHONE, DESK):
        browser.show(page, width=width)
        assert browser.ask("return document.documentElement.scrollWidth") <= width
    assert len(browser.print_pages()) <= 2


def cycles_per_degree(line_mm: float, distance_mm: float) -> float:
    """Spatial frequency of a line taken for half a cycle."""
    return 0.5 / math.degrees(2 * math.atan(line_mm / 2 / distance_mm))


def test_a_line_of_a_millimetre_at_30_cm_is_half_a_cycle_of_2_6_to_a_degree() -> None:
    # 1 mm at 300 mm spans 11.46 arc minutes, a half cycle of 2.6 cycles a degree (worked by hand)
    assert cycles_per_degree(1.0, 300.0) == pytest.approx(2.618, abs=0.001)


@pytest.mark.parametrize("width", [PHONE, DESK])
def test_a_mark_on_the_ladder_has_the_size_at_which_eyes_find_faint_lines(
    browser: Browser, pages: dict[str, Path], width: int
) -> None:
    # contrast sensitivity peaks between 2 and 6 cycles a degree (Campbell & Robson, J. Physiol. 197, 1968, 551)
    browser.show(pages["doubts"], width=width)
    tall = browser.ask("return document.querySelector('.tiles img').getBoundingClientRect().height")
    tile_mm = browser.ask(
        "return getComputedStyle(document.querySelector('figure')).getPropertyValue('--tall')"
    )
    mark = load_layout("comb").marks.indicator.width * tall / float(tile_mm) * MM_OF_A_CSS_PX[width]
    assert 2 <= cycles_per_degree(mark, DISTANCE_MM[width]) <= 6


def colour(browser: Browser, selector: str) -> Rgb:
    text = browser.ask(f"return getComputedStyle(document.querySelector('{selector}')).backgroundColor")
    red, green, blue = (int(part) for part in text.removeprefix("rgb(").removesuffix(")").split(",")[:3])
    return red, green, blue


def lab(rgb: tuple[float, ...]) -> NDArray[np.float64]:
    """CIE Lab of 8-bit sRGB, by scikit-image."""
    return np.asarray(rgb2lab(np.array(rgb, np.uint8)))


@pytest.mark.parametrize("dark", [False, True])
def test_what_surrounds_the_strips_is_a_neutral_grey_that_no_membrane_is_darker_than(
    browser: Browser, pages: dict[str, Path], dark: bool
) -> None:
    browser.show(pages["doubts"], width=DESK, dark=dark)
    surround = colour(browser, "figure")
    lightness, a, b = lab(surround)
    assert (a, b) == pytest.approx((0, 0), abs=0.1)
    membrane, _, _ = lab((203, 203, 203))  # of the levelled pictures: linear light 0.6
    assert 35 < lightness < membrane - 15
    page, *_ = lab(colour(browser, "body"))
    assert page < 90
    if dark:
        assert page < 15


def test_words_stand_out_from_what_they_are_written_on(browser: Browser, pages: dict[str, Path]) -> None:
    # WCAG 2.2, success criterion 1.4.3: 4.5 for text
    for dark in (False, True):
        browser.show(pages["doubts"], width=PHONE, dark=dark)
        for words, ground in (
            ("body", "body"),
            (".known p", "article"),
            (".fine", "body"),
            (".heads", "figure"),
        ):
            ink = browser.ask(f"return getComputedStyle(document.querySelector('{words}')).color")
            red, green, blue = (
                float(part) for part in ink.removeprefix("rgb(").removesuffix(")").split(",")[:3]
            )
            assert contrast((red, green, blue), colour(browser, ground)) >= 4.5, (words, dark)


def contrast(one: Rgb, other: Rgb) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def luminance(rgb: Rgb) -> float:
    linear = [
        v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in (part / 255 for part in rgb)
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_contrast_is_reckoned_as_the_guidelines_do() -> None:
    assert contrast(bgr("#767676"), (255, 255, 255)) == pytest.approx(4.5422, abs=1e-4)
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21)


def test_the_profile_stands_beside_its_strips_at_their_scale(
    browser: Browser, pages: dict[str, Path]
) -> None:
    for width in (PHONE, DESK):
        browser.show(pages["doubts"], width=width)
        strip, field = browser.ask(
            "return ['.strip img', '.field'].map(s => {const r = document.querySelector(s).getBoundingClientRect();"
            " return [r.top, r.bottom]})"
        )
        assert field == pytest.approx(strip, abs=1.0)
