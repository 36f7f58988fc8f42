"""The photo card, rasterised by PDFium and measured against its published geometry, in mm."""

from pathlib import Path
from typing import TypeVar

import cv2
import numpy as np
import pypdfium2
import pytest
from numpy.typing import NDArray

from reader.draw.card_pdf import SHEETS_MM, card_pdf
from reader.errors import SettingsError
from reader.locate.card import find_card
from reader.locate.priors import priors_of_photo
from reader.locate.view import reduce_photo
from reader.settings.values import Layout, load_layout

PX_PER_MM = 12  # 305 dpi
SHARP = 1.5 / PX_PER_MM  # mm; an edge may fall anywhere in a pixel

# The card's geometry as it was agreed on, written out anew: the module under test has no say here.
MARKERS = {0: (16, 16), 1: (194, 16), 2: (194, 132), 3: (16, 132)}
PATCHES = {
    (55, 14): (200, 200, 200),
    (70, 14): (160, 160, 160),
    (85, 14): (120, 120, 120),
    (100, 14): (80, 80, 80),
    (115, 14): (40, 40, 40),
    (135, 14): (200, 60, 60),
    (150, 14): (60, 80, 190),
}

Picture = NDArray[np.uint8]
Mask = NDArray[np.bool_]
P = TypeVar("P", Picture, Mask)


def rasterised(pdf: bytes, px_per_mm: float = PX_PER_MM) -> Picture:
    """The only page (H, W, 3), RGB; pixel (0, 0) covers the sheet's top-left corner.

    PDFium rounds the page up to whole pixels and stretches it to fit: a millionth less keeps it as it is.
    """
    document = pypdfium2.PdfDocument(pdf)
    try:
        assert len(document) == 1
        return np.array(
            document[0]
            .render(scale=px_per_mm * 25.4 / 72 * (1 - 1e-6), rev_byteorder=True)
            .to_numpy()[..., :3]
        )
    finally:
        document.close()


@pytest.fixture(scope="module", params=["comb", "strip"])
def layout(request: pytest.FixtureRequest) -> Layout:
    return load_layout(request.param)


@pytest.fixture(scope="module")
def card(layout: Layout) -> Picture:
    return rasterised(card_pdf(layout))


def patch_of(picture: P, left: float, top: float, right: float, bottom: float) -> P:
    """What lies in a box, mm from the sheet's top-left corner."""
    rows = slice(round(top * PX_PER_MM), round(bottom * PX_PER_MM))
    return picture[rows, round(left * PX_PER_MM) : round(right * PX_PER_MM)]


def extent_mm(mask: Mask) -> tuple[float, float, float, float]:
    """Left, top, right and bottom of what is set, mm."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    left, top, right, bottom = np.array([columns[0], rows[0], columns[-1] + 1, rows[-1] + 1]) / PX_PER_MM
    return float(left), float(top), float(right), float(bottom)


def test_the_sheet_is_a5_lying(layout: Layout) -> None:
    """ISO 216: A5 is 148 mm x 210 mm; a PDF point is 1/72 inch (ISO 32000-1, 8.3.2.3)."""
    document = pypdfium2.PdfDocument(card_pdf(layout))
    assert document[0].get_size() == pytest.approx((210 / 25.4 * 72, 148 / 25.4 * 72), abs=0.01)
    document.close()


@pytest.mark.parametrize(("number", "centre"), MARKERS.items())
def test_each_marker_is_found_by_opencv_upright_in_its_place(
    card: Picture, number: int, centre: tuple[float, float]
) -> None:
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    grey = cv2.cvtColor(card, cv2.COLOR_RGB2GRAY)
    corners, ids, _ = cv2.aruco.ArucoDetector(family, cv2.aruco.DetectorParameters()).detectMarkers(grey)
    assert sorted(ids.ravel()) == [0, 1, 2, 3]
    found = (corners[ids.ravel().tolist().index(number)].reshape(4, 2) + 0.5) / PX_PER_MM
    square = np.array(centre) + 9 * np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)])
    np.testing.assert_allclose(found, square, atol=SHARP)


@pytest.mark.parametrize(("number", "centre"), MARKERS.items())
def test_each_marker_has_the_familys_bits_and_a_quiet_zone(
    card: Picture, number: int, centre: tuple[float, float]
) -> None:
    """OpenCV's own drawing of the marker, pixel for pixel away from the edges of its cells."""
    x, y = centre
    box = patch_of(card, x - 9, y - 9, x + 9, y + 9)[..., 1]
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    drawn = cv2.aruco.generateImageMarker(family, number, 8)
    cell = 18 / 8 * PX_PER_MM
    for row in range(8):
        for column in range(8):
            top, left = round(row * cell) + 2, round(column * cell) + 2
            assert np.all(
                box[top : round((row + 1) * cell) - 2, left : round((column + 1) * cell) - 2]
                == drawn[row, column]
            )
    black = patch_of(card, x - 13, y - 13, x + 13, y + 13)[..., 1] < 250
    left_mm, top_mm, right_mm, bottom_mm = extent_mm(black)
    assert (left_mm, top_mm) == pytest.approx((4, 4), abs=SHARP)
    assert (right_mm, bottom_mm) == pytest.approx((22, 22), abs=SHARP)


def test_no_hairline_shows_between_the_cells_of_a_marker(card: Picture) -> None:
    border = patch_of(card, 7.2, 7.2, 24.8, 9.0)
    assert border.max() == 0


@pytest.mark.parametrize(("centre", "colour"), PATCHES.items())
def test_each_patch_has_its_colour_size_and_place(
    card: Picture, centre: tuple[float, float], colour: tuple[int, int, int]
) -> None:
    x, y = centre
    inside = patch_of(card, x - 4.8, y - 4.8, x + 4.8, y + 4.8).reshape(-1, 3)
    assert np.abs(inside.astype(int) - colour).max() <= 1  # a PDF holds fractions of 1
    printed = patch_of(card, x - 6.5, y - 6.5, x + 6.5, y + 6.5).min(axis=2) < 250
    assert extent_mm(printed) == pytest.approx((1.5, 1.5, 11.5, 11.5), abs=SHARP)


def test_the_scale_bar_is_100_mm_long_and_1_mm_broad(card: Picture) -> None:
    black = patch_of(card, 40, 130, 170, 136)[..., 1] < 128
    left, top, right, bottom = extent_mm(black)
    assert (left + 40, right + 40) == pytest.approx((55, 155), abs=SHARP)
    assert (top + 130, bottom + 130) == pytest.approx((133.5, 134.5), abs=SHARP)


def test_the_silhouette_is_the_outline_centred_with_its_corner_cut(card: Picture, layout: Layout) -> None:
    outline = layout.outline
    left, top = 105 - outline.width / 2, 74 - outline.height / 2
    line = patch_of(card, 31, 21, 179, 131)[..., 1] < 230
    found = np.array(extent_mm(line)) + np.array((31, 21, 31, 21))
    assert found == pytest.approx((left, top, left + outline.width, top + outline.height), abs=0.125 + SHARP)

    def drawn_near(x: float, y: float) -> bool:
        return bool((patch_of(card, x - 0.4, y - 0.4, x + 0.4, y + 0.4)[..., 1] < 230).any())

    corners = {
        name: (left + outline.width * ("right" in name), top + outline.height * ("bottom" in name))
        for name in ("top-left", "top-right", "bottom-right", "bottom-left")
    }
    middle = np.array([105.0, 74.0])
    for name, corner in corners.items():
        inward = np.sign(middle - corner)
        cut = tuple(corner + inward * outline.cut_leg / 2)  # the middle of a 45 degree cut
        arc = tuple(
            corner + inward * outline.corner_radius * (1 - np.sqrt(0.5))
        )  # the middle of a quarter circle
        assert drawn_near(*cut) == (name == outline.cut_corner), name
        assert drawn_near(*arc) == (name != outline.cut_corner), name
        assert not drawn_near(*corner), name


def test_the_text_stays_between_the_markers_below_the_bar_and_off_the_edge(card: Picture) -> None:
    """Most printers leave out about 4 mm at the edge: common practice, no source."""
    dark: Mask = card[..., 1] < 250
    for x, y in MARKERS.values():
        patch_of(dark, x - 9.1, y - 9.1, x + 9.1, y + 9.1)[:] = False
    below = patch_of(dark, 0, 135, 210, 148)
    left, top, right, bottom = extent_mm(below)
    assert left > 29
    assert right < 181
    assert top > 0.5
    assert bottom + 135 < 145
    sides = [patch_of(dark, *box) for box in ((0, 20, 30, 115), (180, 20, 210, 115), (0, 0, 210, 6.5))]
    assert not any(side.any() for side in sides)


def test_the_text_says_how_to_check_the_scale_and_what_the_card_does_not_do(layout: Layout) -> None:
    document = pypdfium2.PdfDocument(card_pdf(layout))
    text = document[0].get_textpage().get_text_range()
    document.close()
    assert "the bar must measure 100 mm" in text
    assert f"Layout {layout.name}, revision 1" in text
    assert "15 to 30 minutes" in text
    assert "does not certify fuel" in text


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_on_a_larger_sheet_the_same_card_lies_in_the_middle_inside_its_cut_marks(paper: str) -> None:
    layout = load_layout("comb")
    card, sheet = rasterised(card_pdf(layout)), rasterised(card_pdf(layout, paper=paper))
    width, height = SHEETS_MM[paper]
    left, top = (width - 210) / 2, (height - 148) / 2
    inside = patch_of(sheet, left + 1, top + 1, left + 209, top + 147)[..., 1] < 128
    assert extent_mm(inside) == pytest.approx(
        extent_mm(patch_of(card, 1, 1, 209, 147)[..., 1] < 128), abs=SHARP
    )
    beside = patch_of(sheet, 0, 0, left - 0.5, height)[..., 1] < 128
    ticks = extent_mm(beside)
    assert (ticks[1], ticks[3]) == pytest.approx((top, top + 148), abs=0.2 + SHARP)


def test_the_same_layout_gives_the_same_bytes(layout: Layout) -> None:
    assert card_pdf(layout) == card_pdf(layout)


def test_viewers_are_told_not_to_scale_the_page(layout: Layout) -> None:
    assert b"/PrintScaling /None" in card_pdf(layout)


@pytest.mark.parametrize(
    ("width", "height", "covered"),
    [
        (146, 104, None),
        (195, 66, None),
        (110, 106, "a patch"),
        (150, 100, "a marker"),
        (206, 60, "the sheet's edge"),
    ],
)
def test_a_plate_that_would_cover_the_cards_own_parts_is_told_so(
    width: float, height: float, covered: str | None
) -> None:
    comb = load_layout("comb")
    layout = comb.model_copy(
        update={"outline": comb.outline.model_copy(update={"width": width, "height": height})}
    )
    if covered is None:
        assert card_pdf(layout)
    else:
        with pytest.raises(SettingsError) as caught:
            card_pdf(layout)
        assert str(caught.value) == (
            f"layout comb: the plate, {width} x {height} mm, would cover {covered} of the photo card, "
            "210 x 148 mm; photograph it without a card"
        )


@pytest.mark.parametrize("tilt_deg", [0, 25, 45])
def test_a_card_photographed_at_a_slant_is_found_by_the_reader(layout: Layout, tilt_deg: float) -> None:
    """A pinhole camera written out by hand, turned by 30 degrees and slanted; markers within 0.2 mm."""
    width, height, focal = 1600, 1200, 1500.0
    tilt, roll = np.radians(tilt_deg), np.radians(30)
    lean = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    turn = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
    view = np.stack([*(lean @ turn)[:, :2].T, (0, 0, 380)], axis=1)  # the card's middle is 380 mm away
    view[:, 2] -= view[:, :2] @ (105, 74)
    lens = np.array([[focal, 0, width / 2], [0, focal, height / 2], [0, 0, 1]])
    px_per_mm = 8
    from_raster = np.array(
        [[1 / px_per_mm, 0, 0.5 / px_per_mm], [0, 1 / px_per_mm, 0.5 / px_per_mm], [0, 0, 1]]
    )
    raster = cv2.cvtColor(rasterised(card_pdf(layout), px_per_mm), cv2.COLOR_RGB2GRAY)
    seen = cv2.warpPerspective(
        cv2.GaussianBlur(raster, (0, 0), 1.0), lens @ view @ from_raster, (width, height), borderValue=(180,)
    )
    copy = reduce_photo(np.asarray(cv2.cvtColor(seen, cv2.COLOR_GRAY2BGR), np.uint8))
    found = find_card(copy, priors_of_photo(width, height))
    assert found is not None
    assert found.ids == (0, 1, 2, 3)
    assert found.camera.tilt() == pytest.approx(tilt_deg, abs=1)
    centres = np.array(list(MARKERS.values()), float)
    true = (lens @ view @ np.column_stack([centres, np.ones(4)]).T).T
    px_across_a_mm = focal / 380
    miss_px = found.camera.project(centres) - true[:, :2] / true[:, 2:]
    assert np.abs(miss_px).max() / px_across_a_mm < 0.2


def test_a_layout_that_is_not_bundled_gets_its_card_too(unseen_layouts: tuple[Path, ...]) -> None:
    for path in unseen_layouts:
        layout = load_layout(path)
        line = patch_of(rasterised(card_pdf(layout)), 31, 21, 179, 131)[..., 1] < 230
        left, top, right, bottom = extent_mm(line)
        assert (right - left, bottom - top) == pytest.approx(
            (layout.outline.width, layout.outline.height), abs=0.5
        )
