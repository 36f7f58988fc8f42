"""A layout as a picture: drawn with its dimensions, or laid over a photo to see whether it fits the plate.

`plan_layout` and `plan_fit` make shapes in canvas pixels of it, `draw_layout` and `draw_fit` paint them.
"""

from collections.abc import Callable, Sequence
from typing import Final

import cv2
import numpy as np

from reader.draw.annotate import Plan, draw
from reader.draw.ink import (
    BLACK,
    BLUE,
    BOLD,
    GREY,
    PALE,
    REGULAR,
    VERMILLION,
    WHITE,
    XY,
    Box,
    Disc,
    Image,
    Path,
    PhotoView,
    Shape,
    Text,
    fitting_size,
    text_width,
)
from reader.errors import OutputError
from reader.locate.outline import outline_curve, window_corners
from reader.locate.plate import PlatePose
from reader.measure.strip import RECESS_MM
from reader.numbers.geometry import Points
from reader.photo.open import Photo
from reader.photo.tags import mark_drawn
from reader.settings.values import IndicatorMark, Layout, ReferenceMark, Window
from reader.verdict.evidence import Evidence
from reader.words import tidy

WIDTH: Final = 1600  # px
MARGIN: Final = 60
TITLE, MAIN, SMALL = 46, 32, 26  # sizes of text, px
LEADING: Final = 1.4

PLATE_HEIGHT_MAX: Final = 1000  # px; a long plate is drawn smaller
RULE: Final = 64  # px from a drawing to the dimension line beside it
BESIDE: Final = 22  # px from a dimension line's end to its text
LEFT: Final = (
    MARGIN + 2.0 * RULE
)  # px, of both drawings: an upright dimension line and its text lie before them
WINDOW_SIZE_MAX: Final = (1080, 190)  # px, of the enlarged window, along and across the flow
WELL_RADIUS_MM: Final = 2.5  # as drawn; a layout gives a well's middle only
TICK_MM: Final = 1.5  # beside a window, where a mark lies
TICK_GAP_MM: Final = 0.4
CURVE_STEP_MM: Final = 0.4

DYES: Final = {"red": VERMILLION, "blue": BLUE}
VIEW_PAD: Final = 0.04  # of the plate's longer side, shown around it
VIEW_HEIGHT_MAX: Final = 1600  # px
JPEG_QUALITY: Final = 92


def draw_layout(layout: Layout) -> Image:
    """Draw a layout with its dimensions: (H, W, 3) uint8 BGR."""
    return draw(Evidence(photo=None), plan_layout(layout))


def draw_fit(photo: Photo, pose: PlatePose) -> Image:
    """Lay the pose's layout over the photo it was found in: (H, W, 3) uint8 BGR, the plate upright."""
    return draw(Evidence(photo=photo), plan_fit(photo, pose))


def encode_picture(image: Image, suffix: str) -> bytes:
    """PNG or JPEG bytes of a picture; raises OutputError for any other suffix."""
    kind = {".png": ".png", ".jpg": ".jpg", ".jpeg": ".jpg"}.get(suffix.lower())
    if kind is None:
        raise OutputError(f'a drawing cannot be written as "{suffix}"; let its name end in .png or .jpg')
    options = [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY] if kind == ".jpg" else []
    _, data = cv2.imencode(kind, image, options)
    return mark_drawn(data.tobytes())


# -- the layout by itself ---------------------------------------------------------------------------------


def plan_layout(layout: Layout) -> Plan:
    """The plate with its dimensions, one window enlarged, and a table of all windows."""
    shapes, top = _heading(
        layout.title,
        [
            f"layout {layout.name}, revision {layout.revision}: {layout.assay.format} assay, read "
            f"{layout.assay.reading_age[0]:g} to {layout.assay.reading_age[1]:g} min after the drops",
            _edges_in_words(layout),
        ],
    )
    for part in (_plate_figure, _window_figure, _window_table):
        more, top = part(layout, top)
        shapes += more
    return Plan(width=WIDTH, height=round(top) + MARGIN, shapes=tuple(shapes))


def _heading(title: str, lines: Sequence[str]) -> tuple[list[Shape], float]:
    inner = WIDTH - 2 * MARGIN
    title = tidy(title)
    size = fitting_size(title, width=inner, size=TITLE, weight=BOLD)
    y = MARGIN + size
    shapes: list[Shape] = [Text(at=(MARGIN, y), text=title, size=size, weight=BOLD)]
    for line in map(tidy, lines):
        y += round(SMALL * LEADING)
        shapes.append(
            Text(at=(MARGIN, y), text=line, size=fitting_size(line, width=inner, size=SMALL), colour=GREY)
        )
    return shapes, y + SMALL


def _edges_in_words(layout: Layout) -> str:
    outline = layout.outline
    return (
        f"{outline.cut_corner} corner cut off by {outline.cut_leg:g} mm, the others rounded by "
        f"{outline.corner_radius:g} mm; {outline.thickness:g} mm thick"
    )


def _plate_figure(layout: Layout, top: float) -> tuple[list[Shape], float]:
    """The plate from above, with wells, flow, windows and marks where they lie."""
    outline = layout.outline
    left, top = LEFT, top + RULE + 24.0
    scale = min((WIDTH - left - MARGIN) / outline.width, PLATE_HEIGHT_MAX / outline.height)

    def at(point: Sequence[float]) -> XY:
        return left + point[0] * scale, top + point[1] * scale

    def path(points: Points) -> tuple[XY, ...]:
        return tuple(at(point) for point in points.tolist())

    edge = path(outline_curve(outline, step=CURVE_STEP_MM).points)
    right, bottom = at((outline.width, outline.height))
    shapes: list[Shape] = [
        Path(points=edge, colour=PALE, filled=True),
        Path(points=edge, colour=BLACK, thickness=4, closed=True),
        *_dimension((left, top - RULE), (right, top - RULE), f"{outline.width:g} mm"),
        *_dimension((left - 1.25 * RULE, top), (left - 1.25 * RULE, bottom), f"{outline.height:g} mm"),
        Text(at=(left - 50, top - 12), text="0, 0", size=SMALL),
    ]
    shapes += [
        Disc(at=at(well), radius=WELL_RADIUS_MM * scale, colour=WHITE)
        for well in sorted({window.well for window in layout.window})
    ]
    for window in layout.window:
        corners = window_corners(window)
        upstream = (corners[0] + corners[1]) / 2
        shapes += _arrow(at(_towards(window.well, upstream, WELL_RADIUS_MM)), at(upstream.tolist()))
        shapes.append(Path(points=path(corners), colour=WHITE, filled=True))
        for mark, hollow in ((layout.marks.indicator, False), (layout.marks.reference, True)):
            shapes += _mark_shapes(path(_mark_corners(window, mark)), mark, hollow=hollow)
        shapes.append(Path(points=path(corners), colour=GREY, thickness=2, closed=True))
        beyond = np.asarray(window.centre) + (window.length / 2 + 14 / scale + 1.0) * np.asarray(window.flow)
        shapes.append(_centre(window.id, at(beyond.tolist()), size=MAIN, weight=BOLD))
    return shapes, bottom + MARGIN


def _window_figure(layout: Layout, top: float) -> tuple[list[Shape], float]:
    """The first window enlarged, upstream end on the left, with the places of its marks."""
    window = layout.window[0]
    left, low = LEFT, top + 2 * SMALL * LEADING + 20
    marks = sorted(
        (
            ("indicator", layout.marks.indicator, _mark_in_words("indicator", layout.marks.indicator)),
            ("reference", layout.marks.reference, _mark_in_words("reference", layout.marks.reference)),
        ),
        key=lambda item: item[1].position,
    )
    room = WIDTH - MARGIN - left - BESIDE
    scale = min(
        WINDOW_SIZE_MAX[0] / window.length,
        WINDOW_SIZE_MAX[1] / window.breadth,
        *((room - text_width(text, SMALL)) / mark.position for _, mark, text in marks),
    )
    right, high = left + window.length * scale, low + window.breadth * scale
    label = f"window {tidy(window.id)}, enlarged; the sample enters on the left"
    shapes: list[Shape] = [
        Text(at=(MARGIN, top), text=label, size=SMALL, colour=GREY),
        Box(low=(left, low), high=(right, high), fill=WHITE, outline=GREY, thickness=3),
        *_arrow((left - RULE, (low + high) / 2), (left, (low + high) / 2)),
        *_dimension((right + RULE / 2, low), (right + RULE / 2, high), f"{window.breadth:g} mm", beside=True),
    ]
    leaders: list[Shape] = []
    rules: list[Shape] = []
    y = high
    widths = [text_width(name, SMALL) for name, _, _ in marks]
    apart = (marks[1][1].position - marks[0][1].position) * scale
    lack = max(0.0, sum(widths) / 2 + SMALL / 2 - apart)  # marks side by side, whose names would run together
    for (name, mark, text), aside in zip(marks, (-lack / 2, lack / 2), strict=True):
        middle, half = left + mark.position * scale, mark.width * scale / 2
        corners = ((middle - half, low), (middle + half, low), (middle + half, high), (middle - half, high))
        y += RULE
        shapes += _mark_shapes(corners, mark, hollow=name == "reference")
        shapes.append(_centre(name, (middle + aside, low - SMALL * 0.8), size=SMALL))
        leaders.append(Path(points=((middle, high), (middle, y)), colour=GREY, thickness=1))
        rules += _dimension((left, y), (middle, y), text, beside=True)
    y += RULE
    rules += _dimension((left, y), (right, y), f"{window.length:g} mm")
    return [*shapes, *leaders, *rules], y + MARGIN + SMALL


def _mark_in_words(name: str, mark: IndicatorMark) -> str:
    """A mark's place, dyes and width."""
    text = f"{mark.position:g} mm to the {name}: {mark.colour}, {mark.width:g} mm wide"
    if isinstance(mark, ReferenceMark) and mark.undeveloped_colour is not None:
        text += f", {mark.undeveloped_colour} until it develops"
    return text


def _window_table(layout: Layout, top: float) -> tuple[list[Shape], float]:
    """Every window in a row of numbers."""
    rows = [("id", "analyte", "tier", "centre, mm", "length x breadth", "flow", "well, mm")]
    rows += [
        (
            window.id,
            window.analyte,
            window.tier,
            f"{window.centre[0]:g}, {window.centre[1]:g}",
            f"{window.length:g} x {window.breadth:g}",
            f"{window.flow[0]:.3g}, {window.flow[1]:.3g}",
            f"{window.well[0]:g}, {window.well[1]:g}",
        )
        for window in layout.window
    ]
    columns = (0.0, 0.1, 0.32, 0.44, 0.6, 0.76, 0.88)
    inner = WIDTH - 2 * MARGIN
    ends = (*columns[1:], 1.0)
    shapes: list[Shape] = []
    y = top
    for row, cells in enumerate(rows):
        for cell, start, end in zip(cells, columns, ends, strict=True):
            text = tidy(cell)
            size = fitting_size(text, width=(end - start) * inner - 16, size=SMALL)
            colour = BLACK if row else GREY
            shapes.append(Text(at=(MARGIN + start * inner, y), text=text, size=size, colour=colour))
        y += round(SMALL * LEADING)
    return shapes, y - SMALL


def _mark_corners(window: Window, mark: IndicatorMark) -> Points:
    """Corners (4, 2) of a mark, plate mm."""
    return _cross_section(window, mark.position - mark.width / 2, mark.position + mark.width / 2)


def _cross_section(window: Window, start: float, stop: float) -> Points:
    """The piece of a window between two distances from its upstream end: corners (4, 2), plate mm."""
    up_left, up_right, down_right, down_left = window_corners(window)
    shares = start / window.length, stop / window.length
    left = [up_left + share * (down_left - up_left) for share in shares]
    right = [up_right + share * (down_right - up_right) for share in shares]
    return np.array([left[0], right[0], right[1], left[1]])


def _mark_shapes(corners: tuple[XY, ...], mark: IndicatorMark, *, hollow: bool) -> list[Shape]:
    """A mark in its dye's colour: the indicator whole, the reference hollow."""
    if not hollow:
        return [Path(points=corners, colour=DYES[mark.colour], filled=True)]
    return [Path(points=corners, colour=DYES[mark.colour], thickness=3, closed=True)]


def _towards(start: Sequence[float], stop: Points, distance: float) -> XY:
    """The point so far from one point on the way to another."""
    way = stop - np.asarray(start)
    x, y = np.asarray(start) + way * min(1.0, distance / max(float(np.hypot(*way)), 1e-9))
    return float(x), float(y)


def _arrow(start: XY, stop: XY) -> list[Shape]:
    """A line with a filled head."""
    way = np.subtract(stop, start)
    length = float(np.hypot(*way))
    if length < 1:
        return []
    along = way / length
    across = np.array([-along[1], along[0]])
    head = min(18.0, length)
    base = np.asarray(stop) - head * along
    wings = (base + 0.45 * head * across, base - 0.45 * head * across)
    points = tuple((float(x), float(y)) for x, y in (np.asarray(stop), *wings))
    return [
        Path(points=(start, (float(base[0]), float(base[1]))), colour=BLACK, thickness=3),
        Path(points=points, colour=BLACK, filled=True),
    ]


def _dimension(start: XY, stop: XY, text: str, *, beside: bool = False) -> list[Shape]:
    """A level or upright dimension line with ticks; its text, on white, in its middle or beside it."""
    (x0, y0), (x1, y1) = start, stop
    dx, dy = (0.0, 10.0) if y0 == y1 else (10.0, 0.0)
    half = text_width(text, SMALL) / 2
    middle = (x1 + BESIDE + half if beside else (x0 + x1) / 2), (y0 + y1) / 2
    return [
        Path(points=(start, stop), colour=BLACK, thickness=2),
        Path(points=((x0 - dx, y0 - dy), (x0 + dx, y0 + dy)), colour=BLACK, thickness=2),
        Path(points=((x1 - dx, y1 - dy), (x1 + dx, y1 + dy)), colour=BLACK, thickness=2),
        Box(
            low=(middle[0] - half - 6, middle[1] - SMALL * 0.7),
            high=(middle[0] + half + 6, middle[1] + SMALL * 0.7),
            fill=WHITE,
        ),
        _centre(text, middle, size=SMALL),
    ]


def _centre(text: str, middle: XY, *, size: int, weight: int = REGULAR) -> Text:
    text = tidy(text)
    at = middle[0] - text_width(text, size, weight) / 2, middle[1] + 0.36 * size
    return Text(at=at, text=text, size=size, weight=weight)


# -- over a photo -----------------------------------------------------------------------------------------


def plan_fit(photo: Photo, pose: PlatePose) -> Plan:
    """The plate as photographed, upright, with the layout's edges where they should lie.

    Marks are ticks beside the windows, so that the lines themselves stay free to be looked at.
    """
    layout = pose.layout
    shapes, top = _heading(
        f"{layout.name} over {photo.name}",
        [
            f"edges in the photo lie {pose.residual_mm:.2f} mm (rms) from the layout's; "
            f"{pose.px_per_mm:.1f} px per mm",
            f"drawn: outline and wells on the top face, windows and marks {RECESS_MM:g} mm below it",
        ],
    )
    view, place = _upright_view(pose, top)

    def path(points: Points, depth_mm: float) -> tuple[XY, ...]:
        return tuple((float(x), float(y)) for x, y in place(pose.camera.project(points, depth_mm)))

    shapes += [view, *_draw_case(path(outline_curve(layout.outline, step=CURVE_STEP_MM).points, 0.0), BLUE)]
    for well in sorted({window.well for window in layout.window}):
        circle = np.asarray(well) + WELL_RADIUS_MM * _unit_circle()
        shapes += _draw_case(path(circle, 0.0), BLUE)
    for window in layout.window:
        shapes += _draw_case(path(window_corners(window), RECESS_MM), VERMILLION)
        for mark, pieces in ((layout.marks.indicator, 1), (layout.marks.reference, 2)):
            for tick in _ticks(window, mark, pieces):
                shapes += _draw_case(path(tick, RECESS_MM), VERMILLION, closed=False)
        beyond = np.asarray([window.centre]) + (window.length / 2 + 2.5) * np.asarray([window.flow])
        (middle,) = path(beyond, 0.0)
        shapes += _tile(window.id, middle)
    return Plan(width=WIDTH, height=round(view.high[1]) + MARGIN, shapes=tuple(shapes))


def _upright_view(pose: PlatePose, top: float) -> tuple[PhotoView, Callable[[Points], Points]]:
    """The view of the plate with its top edge level, and a function: photo px (n, 2) -> canvas px (n, 2)."""
    corners = pose.corners_px
    x, y = corners[1] - corners[0] + corners[2] - corners[3]
    cos, sin = np.array([x, -y]) / np.hypot(x, y)
    turn = np.array([[cos, -sin], [sin, cos]])
    turned = corners @ turn.T
    low, high = turned.min(axis=0), turned.max(axis=0)
    low, high = low - VIEW_PAD * (high - low).max(), high + VIEW_PAD * (high - low).max()
    scale = float(min((WIDTH - 2 * MARGIN) / (high - low)[0], VIEW_HEIGHT_MAX / (high - low)[1]))
    shift = -scale * low
    size = np.ceil(scale * (high - low))
    matrix = np.hstack([scale * turn, shift[:, None]])
    (a, b, c), (d, e, f) = matrix.tolist()
    corner = np.array([MARGIN, round(top)], np.float64)
    view = PhotoView(
        low=(float(corner[0]), float(corner[1])),
        high=(float(corner[0] + size[0]), float(corner[1] + size[1])),
        px_to_view=((a, b, c), (d, e, f)),
    )
    return view, lambda points: points @ (scale * turn).T + shift + corner


def _draw_case(points: tuple[XY, ...], colour: str, *, closed: bool = True) -> list[Shape]:
    """A thin line in a white one, to be seen on anything."""
    return [
        Path(points=points, colour=WHITE, thickness=4, closed=closed),
        Path(points=points, colour=colour, thickness=2, closed=closed),
    ]


def _ticks(window: Window, mark: IndicatorMark, pieces: int) -> list[Points]:
    """Lines (2, 2) on either side of the window, plate mm: one in the mark's middle, or one at each edge."""
    offsets = (0.0,) if pieces == 1 else (-mark.width / 2, mark.width / 2)
    ticks = []
    for offset in offsets:
        left, right = _cross_section(window, mark.position + offset, window.length)[:2]
        outwards = (right - left) / window.breadth
        ticks += [
            np.stack([left - TICK_GAP_MM * outwards, left - (TICK_GAP_MM + TICK_MM) * outwards]),
            np.stack([right + TICK_GAP_MM * outwards, right + (TICK_GAP_MM + TICK_MM) * outwards]),
        ]
    return ticks


def _unit_circle() -> Points:
    angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    return np.stack([np.cos(angle), np.sin(angle)], axis=1)


def _tile(text: str, middle: XY) -> list[Shape]:
    """A window's id on white."""
    label = _centre(text, middle, size=MAIN, weight=BOLD)
    half = text_width(label.text, MAIN, BOLD) / 2 + 8, MAIN * 0.65
    low, high = (middle[0] - half[0], middle[1] - half[1]), (middle[0] + half[0], middle[1] + half[1])
    return [Box(low=low, high=high, fill=WHITE, outline=BLACK, thickness=2), label]
