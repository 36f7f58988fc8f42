"""The photo card as a PDF: markers, patches, scale bar and the plate's silhouette, all at true scale.

Lengths are mm on the card: origin at the sheet's top-left corner, x to the right, y down.
"""

import io
from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Final

import numpy as np

from reader.errors import SettingsError
from reader.locate.card import CARD_SIZE_MM, MARKER_CENTRES_MM, MARKER_SIDE_MM, PLATE_CENTRE_MM
from reader.locate.outline import outline_curve
from reader.settings.values import Layout

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

POINTS_PER_MM: Final = 72 / 25.4  # a PDF's unit is 1/72 inch (ISO 32000-1, 8.3.2.3)
SHEETS_MM: Final = {  # lying; ISO 216, ANSI/ASME Y14.1
    "a5": (210.0, 148.0),
    "a4": (297.0, 210.0),
    "letter": (279.4, 215.9),
}

MARKER_QUIET_MM: Final = 4.0  # white all round a marker
PATCH_SIDE_MM: Final = 10.0
PATCH_Y_MM: Final = 14.0
PATCHES: Final = (  # centre x in mm, sRGB
    (55.0, (200, 200, 200)),
    (70.0, (160, 160, 160)),
    (85.0, (120, 120, 120)),
    (100.0, (80, 80, 80)),
    (115.0, (40, 40, 40)),
    (135.0, (200, 60, 60)),
    (150.0, (60, 80, 190)),
)

# A plate has height: at a slant its edge hides some of the card beside it (5 mm at 30 degrees: 2.9 mm).
PLATE_CLEARANCE_MM: Final = 3.0
SILHOUETTE_LINE_MM: Final = 0.25
SILHOUETTE_STEP_MM: Final = 0.05  # between the points of its outline: finer than any printer
SILHOUETTE_GREY: Final = 160 / 255  # sRGB
CUT_MARK_MM: Final = (2.0, 7.0)  # from, to, away from the card's corner

TEXT_GREY: Final = 90 / 255  # sRGB
TEXT_SIZE_MM: Final = 2.3  # 6.5 points
TEXT_LINES_Y_MM: Final = (138.0, 141.0, 144.0)  # baselines; printers leave out the last 4 mm of a sheet
TEXT_WIDTH_MM: Final = 150.0  # between the two lower markers


@dataclass(frozen=True, kw_only=True, slots=True)
class Box:
    """An upright rectangle on the card, mm."""

    left: float
    top: float
    right: float
    bottom: float

    def overlaps(self, other: "Box") -> bool:
        """Whether the two have an area in common."""
        return (
            self.left < other.right
            and other.left < self.right
            and self.top < other.bottom
            and other.top < self.bottom
        )


SCALE_BAR: Final = Box(left=55.0, top=133.5, right=155.0, bottom=134.5)


def card_pdf(layout: Layout, *, paper: str = "a5") -> bytes:
    """Draw the card for a layout; the same bytes every time.

    paper : a key of SHEETS_MM. "a5" is the card itself; on larger sheets it lies in the middle, with marks to
    cut it out by.
    Raises SettingsError if the plate would cover a part of the card that must be seen.
    """
    check_fits(layout)
    from reportlab.pdfgen.canvas import Canvas

    width, height = SHEETS_MM[paper]
    file = io.BytesIO()
    canvas = Canvas(file, (width * POINTS_PER_MM, height * POINTS_PER_MM), invariant=1, pageCompression=1)
    canvas.setTitle(_latin(f"Photo card for layout {layout.name}, revision {layout.revision}"))
    canvas.setCreator("linecall")
    canvas.setViewerPreference("PrintScaling", "None")  # or viewers shrink the page to the printer's margins
    canvas.scale(POINTS_PER_MM, -POINTS_PER_MM)  # from here on in card mm, y down
    canvas.translate((width - CARD_SIZE_MM[0]) / 2, (height - CARD_SIZE_MM[1]) / 2 - height)
    if paper != "a5":
        _draw_cut_marks(canvas)
    _draw_markers(canvas)
    _draw_patches(canvas)
    _draw_silhouette(canvas, layout)
    _draw_box(canvas, SCALE_BAR, (0, 0, 0))
    _draw_texts(canvas, layout)
    canvas.showPage()
    canvas.save()
    return file.getvalue()


def check_fits(layout: Layout) -> None:
    """Raise SettingsError if the plate, lying in its outline, would cover what must be seen of the card."""
    width, height = layout.outline.width, layout.outline.height
    plate = _box_about(PLATE_CENTRE_MM, width + 2 * PLATE_CLEARANCE_MM, height + 2 * PLATE_CLEARANCE_MM)
    quiet = MARKER_SIDE_MM + 2 * MARKER_QUIET_MM
    covered = [
        *("a marker" for centre in MARKER_CENTRES_MM if plate.overlaps(_box_about(centre, quiet, quiet))),
        *("a patch" for x, _ in PATCHES if plate.overlaps(_patch_box(x))),
        *(["the sheet's edge"] if plate.left < 0 else []),
    ]
    if covered:
        raise SettingsError(
            f"layout {layout.name}: the plate, {width:g} x {height:g} mm, would cover {covered[0]} of the "
            f"photo card, {CARD_SIZE_MM[0]:g} x {CARD_SIZE_MM[1]:g} mm; photograph it without a card"
        )


def _box_about(centre: tuple[float, float], width: float, height: float) -> Box:
    x, y = centre
    return Box(left=x - width / 2, top=y - height / 2, right=x + width / 2, bottom=y + height / 2)


def _patch_box(x: float) -> Box:
    return _box_about((x, PATCH_Y_MM), PATCH_SIDE_MM, PATCH_SIDE_MM)


def _draw_box(canvas: "Canvas", box: Box, colour: tuple[int, int, int]) -> None:
    canvas.setFillColorRGB(*(code / 255 for code in colour))
    canvas.rect(box.left, box.top, box.right - box.left, box.bottom - box.top, stroke=0, fill=1)


def _draw_markers(canvas: "Canvas") -> None:
    """Draw each marker's black cells as one path, so that no hairline shows between two."""
    import cv2

    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    n_cells = family.markerSize + 2  # a border of one cell
    side = MARKER_SIDE_MM / n_cells
    canvas.setFillColorRGB(0, 0, 0)
    for number, (x, y) in enumerate(MARKER_CENTRES_MM):
        path = canvas.beginPath()
        for row, column in np.argwhere(cv2.aruco.generateImageMarker(family, number, n_cells) == 0):
            path.rect(x - MARKER_SIDE_MM / 2 + column * side, y - MARKER_SIDE_MM / 2 + row * side, side, side)
        canvas.drawPath(path, stroke=0, fill=1, fillMode=1)  # non-zero winding


def _draw_patches(canvas: "Canvas") -> None:
    for x, colour in PATCHES:
        _draw_box(canvas, _patch_box(x), colour)


def _draw_silhouette(canvas: "Canvas", layout: Layout) -> None:
    corner = np.array(PLATE_CENTRE_MM) - np.array([layout.outline.width, layout.outline.height]) / 2
    first, *rest = outline_curve(layout.outline, step=SILHOUETTE_STEP_MM).points + corner
    path = canvas.beginPath()
    path.moveTo(*first)
    for point in rest:
        path.lineTo(*point)
    path.close()
    canvas.setStrokeGray(SILHOUETTE_GREY)
    canvas.setLineWidth(SILHOUETTE_LINE_MM)
    canvas.setLineJoin(1)  # round
    canvas.drawPath(path, stroke=1, fill=0)


def _draw_cut_marks(canvas: "Canvas") -> None:
    near, far = CUT_MARK_MM
    canvas.setStrokeGray(0)
    canvas.setLineWidth(SILHOUETTE_LINE_MM)
    for (x, out_x), (y, out_y) in product(
        ((0.0, -1), (CARD_SIZE_MM[0], 1)), ((0.0, -1), (CARD_SIZE_MM[1], 1))
    ):
        canvas.line(x + out_x * near, y, x + out_x * far, y)
        canvas.line(x, y + out_y * near, x, y + out_y * far)


def _draw_texts(canvas: "Canvas", layout: Layout) -> None:
    first, last = layout.assay.reading_age
    texts = (
        "Scale check: the bar must measure 100 mm. If it does not, print again at 100 % (actual "
        "size), on matte white paper.",
        f"Layout {layout.name}, revision {layout.revision}. Lay the plate in its outline, cut corner as "
        "drawn. Photograph the whole card from above, in even light.",
        f"Read {first:g} to {last:g} minutes after the drops. For trained users; local procedures come "
        "first. A screening plate does not certify fuel.",
    )
    canvas.setFillGray(TEXT_GREY)
    for y, text in zip(TEXT_LINES_Y_MM, map(_latin, texts), strict=True):
        width = canvas.stringWidth(text, "Helvetica", TEXT_SIZE_MM)
        canvas.saveState()
        canvas.translate(CARD_SIZE_MM[0] / 2, y)
        canvas.scale(1, -1)  # letters stand upright though y points down
        canvas.setFont("Helvetica", TEXT_SIZE_MM * min(1, TEXT_WIDTH_MM / width))
        canvas.drawCentredString(0, 0, text)
        canvas.restoreState()


def _latin(text: str) -> str:
    """What a PDF's built-in fonts can show."""
    return text.encode("latin-1", "replace").decode("latin-1")
