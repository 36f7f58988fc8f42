"""The annotated image: a phone screen for the technician, then the sheet from which a reviewer can overrule a call.

`plan` turns a verdict and its evidence into shapes, `draw` paints them, `encode_jpeg` writes them with no metadata
but the mark that we drew it. From the top: whose reading, the grade, why, the next step, the plate as photographed with
every call at its mark, and each window with its analyte and calls; then for the reviewer every window's strip, large,
as photographed and levelled, beside the very curves that were fitted; provenance.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.decide.grade import FINDINGS
from reader.draw import strip_view
from reader.draw.ink import (
    BLACK,
    BOLD,
    CALL_COLOURS,
    GRADE_COLOURS,
    GREY,
    MID,
    ORANGE,
    PALE,
    REGULAR,
    SKY_BLUE,
    WHITE,
    XY,
    Affine,
    Box,
    CallBar,
    Disc,
    Image,
    Path,
    PhotoView,
    Picture,
    Shape,
    Sign,
    SignName,
    Text,
    fitting_size,
    paint,
    text_width,
    wrap,
)
from reader.numbers.arrays import FloatArray
from reader.photo.light import encode, linear
from reader.photo.tags import mark_drawn
from reader.refusals import FLAGS
from reader.verdict.evidence import Evidence, WindowEvidence
from reader.verdict.in_words import sample, why
from reader.verdict.in_words import taken as taken_at
from reader.verdict.model import Mark, Verdict, WindowRecord
from reader.words import Call, MarkName, as_sentence, tidy
from reader.words.sayings import Items, Said, Sayings

Scale = Callable[[float], float]

WIDTH: Final = 1440  # px; a phone shows 360 to 430 of its own
MARGIN: Final = 44
INNER: Final = WIDTH - 2 * MARGIN
PHOTO_HEIGHT_MAX: Final = 900
SAMPLE_LENGTH: Final = 140  # characters of what was stated; the verdict has it in full
GUTTER: Final = 40  # px between the columns of the list of windows
CALL_COLUMN: Final = 300  # px of a window's line, for its call
JPEG_QUALITY: Final = 90

# Sizes of text, px of 1440: what must be read on a phone held still is 32 and more (2.2 % of the width).
HUGE, LARGE, MAIN, SMALL, TINY = 118, 46, 34, 26, 21
LEADING: Final = 1.32

ROLL_MIN_DEG: Final = 5.0  # a plate that is turned less is shown as it was held
BAR_MIN: Final = (24.0, 12.0)  # px; where windows lie so close, the list below the plate is what is read
TICK: Final = 8  # px between a window's outline and its bars
COLUMNS_MAX: Final = 3
STRIP_PX_PER_MM_MAX: Final = 30.0
STRIP_HEIGHT_MAX: Final = 560

LEVELLED_REDUCED: Final = 4  # columns made one before levelling: far finer than its blur
HEIGHT_SOFTENING: Final = 0.01  # absorbance; heights are drawn linear below it and logarithmic above it
HEIGHT_TICKS: Final = (0.0, 0.01, 0.03, 0.1, 0.3, 1.0)

CALL_WORDS: Final[dict[str, str]] = {
    "competitive": "A line that forms: below this window's cutoff. No line: above it.",
    "sandwich": "A line that forms: above this window's cutoff. No line: below it.",
}
MARK_SAYS: Final = Sayings(
    "of_mark",
    {
        "decided": "Decided by {names}; linecall called it {call}.",
        "disagree": "Readers disagree; linecall called it {call}.",
        "pivotal": "Pivotal: the grade turns on it.",
        "below": "{analyte}: below the {tier} cutoff",
        "above": "{analyte}: above the {tier} cutoff",
        "no_height": "Height not measured.",
        "height": "{height:.4f} \u00b1 {error:.4f}",
        "height_at": "{height:.4f} \u00b1 {error:.4f} at {place:.2f} mm",
        "limits": "blank {blank:.4f}, detection {detection:.4f}",
        "photos": "by photo: {heights}",
        "photo": "{height:.4f} ({share:.0%})",
        "photo_without": "none",
        "looks": "{looks}",
        "wide": "{value:.2f} mm wide",
        "bent": "bent {value:.2f} mm",
        "span": "{value:.0%} of the breadth",
        "colour": "colour {value:.0f} degrees off the dye's",
    },
)
"""What is said of a mark, in the order of the lines."""
CAUTION: Final = (
    "Assists a trained person. A grade triggers the site's procedure; it certifies nothing, and it does not "
    "say that fuel is fit. Local procedures and licensed practice come first."
)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Plan:
    """A sheet as plain data: its size, px, and its shapes in the order they are painted."""

    width: int
    height: int
    shapes: tuple[Shape, ...]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Block:
    """Shapes that belong together, and the line below them, px."""

    shapes: list[Shape]
    bottom: float


def plan(verdict: Verdict, evidence: Evidence) -> Plan:
    """Lay a verdict out with the photo, strips and curves it rests on."""
    sections = (
        (_headline, _next_step, _review, _photo_section, _window_list, _window_section, _provenance)
        if verdict.status == "read"
        else (_headline, _next_step, _photo_section, _provenance)
    )
    shapes: list[Shape] = []
    top = 0.0
    for section in sections:
        block = section(verdict, evidence, top)
        shapes += block.shapes
        top = block.bottom
    return Plan(width=WIDTH, height=round(top) + MARGIN, shapes=tuple(shapes))


def plan_plate(verdict: Verdict, evidence: Evidence, *, calls: bool = True) -> Plan:
    """The plate as photographed, every window outlined and named; `calls`: and every call at its mark."""
    block = _photo_section(verdict, evidence, MARGIN, calls=calls)
    return Plan(width=WIDTH, height=round(block.bottom) + MARGIN, shapes=tuple(block.shapes))


def plan_windows(verdict: Verdict, evidence: Evidence) -> tuple[Plan, ...]:
    """Every window's strip, curves, calls and figures: a plan for each row of up to three windows."""
    height_max = _height_axis_max(verdict)
    blocks = [
        _window_row(verdict, row, MARGIN, height_max=height_max) for row in _window_rows(verdict, evidence)
    ]
    return tuple(
        Plan(width=WIDTH, height=round(block.bottom) + MARGIN, shapes=tuple(block.shapes)) for block in blocks
    )


def draw(evidence: Evidence, sheet: Plan) -> Image:
    """Paint a plan: (height, width, 3) uint8 BGR, sRGB."""
    canvas = np.full((sheet.height, sheet.width, 3), 255, np.uint8)
    paint(canvas, [shape for shape in sheet.shapes if isinstance(shape, PhotoView)], _pixels(evidence))
    for view in (shape for shape in sheet.shapes if isinstance(shape, PhotoView)):
        _to_srgb(canvas, view, evidence)
    paint(canvas, [shape for shape in sheet.shapes if not isinstance(shape, PhotoView)], None)
    return canvas


def encode_jpeg(image: Image) -> bytes:
    """JPEG bytes of a sheet, chroma at full resolution, with no metadata but the mark that we drew it."""
    sampling = [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]
    _, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY, *sampling])
    return mark_drawn(data.tobytes())


def annotated_jpeg(verdict: Verdict, evidence: Evidence) -> bytes:
    """JPEG bytes of the annotated image of a verdict."""
    return encode_jpeg(draw(evidence, plan(verdict, evidence)))


def _pixels(evidence: Evidence) -> NDArray[np.uint8] | NDArray[np.uint16] | None:
    return None if evidence.photo is None else evidence.photo.pixels


def _to_srgb(canvas: Image, view: PhotoView, evidence: Evidence) -> None:
    """A wide-gamut photo's view, brought into the sheet's sRGB."""
    if evidence.photo is not None and evidence.photo.encoding != "srgb":
        rows, columns = (
            slice(round(view.low[1]), round(view.high[1])),
            slice(round(view.low[0]), round(view.high[0])),
        )
        canvas[rows, columns] = encode(linear(canvas[rows, columns], evidence.photo.encoding))


# -- text blocks ------------------------------------------------------------------------------------------


def _paragraph(
    text: str, *, at: XY, width: float, size: int, weight: int = REGULAR, colour: str = BLACK
) -> _Block:
    """Wrapped text whose first line's top is at `at`."""
    lines = wrap(text, width=width, size=size, weight=weight)
    step = size * LEADING
    shapes: list[Shape] = [
        Text(at=(at[0], at[1] + size * 0.95 + row * step), text=line, size=size, weight=weight, colour=colour)
        for row, line in enumerate(lines)
    ]
    return _Block(shapes=shapes, bottom=at[1] + len(lines) * step)


def _paragraphs(
    texts: Sequence[str], *, at: XY, width: float, size: int, weight: int = REGULAR, colour: str = BLACK
) -> _Block:
    shapes: list[Shape] = []
    bottom = at[1]
    for text in texts:
        block = _paragraph(text, at=(at[0], bottom), width=width, size=size, weight=weight, colour=colour)
        shapes += block.shapes
        bottom = block.bottom
    return _Block(shapes=shapes, bottom=bottom)


# -- grade, why, next step --------------------------------------------------------------------------------


def _headline(verdict: Verdict, evidence: Evidence, top: float) -> _Block:
    """The grade on its colour, with whose reading it is; and below, in words, what decided it."""
    name: SignName = verdict.grade or "refused"
    ink = WHITE if verdict.status == "refused" else BLACK
    x, width = MARGIN + 186, INNER - 186
    shapes: list[Shape] = [
        Sign(at=(MARGIN, top + 30), size=146, name=name),
        Text(at=(x, top + 50), text=_headline_label(verdict), size=MAIN, colour=ink),
        Text(at=(x - 6, top + 158), text=name, size=HUGE, weight=800, colour=ink),
    ]
    bottom = top + 186
    reading = verdict.id and f"reading {verdict.id}"
    whose = _short(sample(verdict), SAMPLE_LENGTH)
    which = " \u00b7 ".join(part for part in (taken_at(verdict), reading) if part)
    for text, size, weight in ((whose, LARGE, BOLD), (which, MAIN, REGULAR)):
        if text:
            block = _paragraph(text, at=(x, bottom), width=width, size=size, weight=weight, colour=ink)
            shapes += block.shapes
            bottom = block.bottom
    bottom += 18
    band: list[Shape] = [
        Box(low=(0, top), high=(WIDTH, bottom), fill=GRADE_COLOURS[name]),
        Box(low=(0, bottom), high=(WIDTH, bottom + 6), fill=BLACK),
    ]
    because = _paragraphs(_why(verdict), at=(MARGIN, bottom + 28), width=INNER, size=MAIN)
    return _Block(shapes=band + shapes + because.shapes, bottom=because.bottom + 14)


def _headline_label(verdict: Verdict) -> str:
    if verdict.status == "refused":
        return "no verdict: the photos are" if verdict.readings else "no verdict: the photo is"
    plate = "" if verdict.layout is None else f"plate {tidy(verdict.layout.name)}, "
    photos = f", {len(verdict.readings)} photos" if verdict.readings else ""
    windows = f"{len(verdict.windows)} window{'s' if len(verdict.windows) > 1 else ''}"
    own = f", {tidy(verdict.own_files)}" if verdict.own_files else ""
    return f"{plate}{windows}{photos}{own}: the grade {'is' if verdict.review is None else 'after review is'}"


def _why(verdict: Verdict) -> list[str]:
    """What decided, and how old the plate was."""
    lines = [as_sentence(why(verdict))]
    if verdict.cause == "time":
        lines.append("Any grade is possible.")
    if verdict.reading_age is not None:
        lines.append(as_sentence(verdict.reading_age.sentence))
    return lines


def _next_step(verdict: Verdict, evidence: Evidence, top: float) -> _Block:
    """What to do now, in a frame of its own; warnings below it."""
    pad = 22
    steps = (
        [verdict.next_step] if verdict.remedy is None else [as_sentence(verdict.remedy), verdict.next_step]
    )
    label = Text(at=(MARGIN + pad, top + pad + 22), text="next step", size=SMALL, colour=GREY)
    body = _paragraphs(
        steps, at=(MARGIN + pad, top + pad + 34), width=INNER - 2 * pad, size=MAIN + 4, weight=BOLD
    )
    frame = Box(low=(MARGIN, top), high=(WIDTH - MARGIN, body.bottom + pad), outline=BLACK, thickness=5)
    shapes: list[Shape] = [frame, label, *body.shapes]
    bottom = body.bottom + pad + 20
    for warning in verdict.warnings:
        block = _paragraph(as_sentence(warning), at=(MARGIN + 52, bottom), width=INNER - 52, size=MAIN)
        shapes += [Sign(at=(MARGIN, bottom + 2), size=36, name="warning"), *block.shapes]
        bottom = block.bottom + 8
    return _Block(shapes=shapes, bottom=bottom + 10)


# -- what readers decided ---------------------------------------------------------------------------------


def _review(verdict: Verdict, evidence: Evidence, top: float) -> _Block:
    """Who decided what and why, what is still open, and the grade before; nothing where nobody has reviewed."""
    review = verdict.review
    if review is None:
        return _Block(shapes=[], bottom=top)
    before = " or ".join(review.first_possible_grades)
    was = f"undecided ({before})" if review.first_grade == "undecided" else review.first_grade
    head = _paragraph(
        f"Reviewed. Before: {was}; now: {verdict.grade}.",
        at=(MARGIN, top),
        width=INNER,
        size=MAIN,
        weight=BOLD,
    )
    shapes, bottom = head.shapes, head.bottom + 4
    for call, words in _decision_words(verdict):
        block = _paragraph(words, at=(MARGIN + 82, bottom), width=INNER - 82, size=MAIN)
        bar = CallBar(low=(MARGIN + 3, bottom + 8), high=(MARGIN + 67, bottom + 36), call=call)
        shapes += [bar, *block.shapes]
        bottom = block.bottom + 4
    still = _paragraphs(
        [as_sentence(mark.sentence) for mark in review.open], at=(MARGIN, bottom), width=INNER, size=MAIN
    )
    policy = _paragraph(
        f"Policy {review.policy}.",
        at=(MARGIN, still.bottom),
        width=INNER,
        size=SMALL,
        colour=GREY,
    )
    return _Block(shapes=[*shapes, *still.shapes, *policy.shapes], bottom=policy.bottom + 18)


def _decision_words(verdict: Verdict) -> list[tuple[Call, str]]:
    """Every decision on a mark that readers have settled, with its call."""
    names: tuple[MarkName, ...] = ("indicator", "reference")
    return [
        (
            made.call,
            f"{name.capitalize()} of window {window.id} {made.call}: {made.by}, "
            f"{made.at.isoformat(sep=' ', timespec='minutes')}{', blind' * made.blind}"
            f"{'' if made.call == mark.call else ', outvoted'}: {made.reason}",
        )
        for window in verdict.windows
        for name in names
        for mark in [window.indicator if name == "indicator" else window.reference]
        for made in mark.decisions
    ]


def _readers_said(mark: Mark) -> Iterator[Said]:
    """Whose call a mark has, where it is not linecall's own."""
    if mark.first_call is None:
        return
    if mark.decisions:
        yield MARK_SAYS("decided", names=mark.decided_by, call=mark.first_call)
    else:
        yield MARK_SAYS("disagree", call=mark.first_call)


# -- the plate as photographed ----------------------------------------------------------------------------


def _photo_section(verdict: Verdict, evidence: Evidence, top: float, *, calls: bool = True) -> _Block:
    if evidence.photo is None:
        return _paragraph("There is no picture to show.", at=(MARGIN, top), width=INNER, size=MAIN)
    height, width = evidence.photo.pixels.shape[:2]
    if verdict.pose is None:
        ring, turn = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float64), 0.0
    else:
        ring, turn = np.asarray(verdict.pose.corners_px), _turn_deg(verdict.pose.corners_px)
    view = _view_of(ring, turn_deg=turn, top=top, margin=0.0 if verdict.pose is None else 0.035)
    frame = Box(low=view.low, high=view.high, outline=BLACK, thickness=3)
    shapes: list[Shape] = [view, frame, *_windows_on_plate(verdict, view, calls=calls)]
    caption = _paragraph(
        _photo_caption(verdict, turn), at=(MARGIN, view.high[1] + 10), width=INNER, size=SMALL, colour=GREY
    )
    return _Block(shapes=shapes + caption.shapes, bottom=caption.bottom + 14)


def _photo_caption(verdict: Verdict, turn_deg: float) -> str:
    what = "The photo" if verdict.pose is None else "The plate as photographed"
    turned = f", turned by {abs(turn_deg):.0f} degrees to stand upright" if turn_deg else ""
    others = "; so are the strips and curves below, while heights and calls are those of all photos together"
    return f"{what}{turned}: {verdict.photo.name}{others if verdict.readings and verdict.pose else ''}"


def _turn_deg(corners_px: Sequence[XY]) -> float:
    """Clockwise turn that brings the plate's top edge level, degrees; 0 where it is nearly level already."""
    corners = np.asarray(corners_px)
    x, y = corners[1] - corners[0] + corners[2] - corners[3]
    turn = -float(np.degrees(np.arctan2(y, x)))
    return turn if abs(turn) >= ROLL_MIN_DEG else 0.0


def _view_of(ring: FloatArray, *, turn_deg: float, top: float, margin: float) -> PhotoView:
    """The view that shows the points of `ring` (n, 2) photo px, turned, as large as the sheet allows."""
    angle = np.radians(turn_deg)
    rotation = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    turned = ring @ rotation.T
    low, high = turned.min(axis=0), turned.max(axis=0)
    pad = margin * float((high - low).max())
    low, high = low - pad, high + pad
    size = np.maximum(high - low, 1.0)
    scale = float(min(INNER / size[0], PHOTO_HEIGHT_MAX / size[1]))
    left = MARGIN + (INNER - scale * size[0]) / 2
    affine = np.hstack([scale * rotation, -scale * low[:, None]])
    return PhotoView(
        low=(round(left), round(top)),
        high=(round(left + scale * size[0]), round(top + scale * size[1])),
        px_to_view=_affine(affine),
    )


def _affine(matrix: FloatArray) -> Affine:
    (a, b, c), (d, e, f) = matrix.tolist()
    return (a, b, c), (d, e, f)


def _on_sheet(points: FloatArray, view: PhotoView) -> FloatArray:
    """Photo px (n, 2) -> sheet px (n, 2)."""
    affine = np.asarray(view.px_to_view)
    return np.asarray(points @ affine[:, :2].T + affine[:, 2] + np.asarray(view.low))


def _windows_on_plate(verdict: Verdict, view: PhotoView, *, calls: bool) -> list[Shape]:
    """Every window's outline with its id, and where `calls` each mark's call as a bar beside its place."""
    quads = [_on_sheet(np.asarray(window.corners_px), view) for window in verdict.windows]
    bar = _bar_size(verdict, quads)
    return [
        shape
        for window, quad in zip(verdict.windows, quads, strict=True)
        for shape in (
            *_outline(quad),
            *(_mark_bars(window, quad, bar, view) if calls else ()),
            *_id_tile(window, quad),
        )
    ]


def _bar_size(verdict: Verdict, quads: Sequence[FloatArray]) -> FloatArray:
    """Width and height of the bars on the plate, px.

    A window's two bars keep apart, and a bar stays clearly nearer to its own window than to the next one.
    """
    size = np.array([88.0, 36.0])
    for window, quad in zip(verdict.windows, quads, strict=True):
        gap = _free_gap(quad, quads) - 2 * TICK - 20
        places = [place for _, place in _mark_places(window, quad)]
        apart = float(np.linalg.norm(places[0] - places[1])) - 10 if len(places) == 2 else gap
        across = np.abs(quad[1] - quad[0])
        size = np.minimum(size, (gap, apart) if across[0] > across[1] else (apart, gap))
    width, height = np.maximum(size, BAR_MIN)
    return np.array([width, min(height, 0.5 * width)])


def _outline(quad: FloatArray) -> list[Shape]:
    centre = quad.mean(axis=0)
    grown = tuple(_xy(corner + 4 * np.sign(corner - centre)) for corner in quad)
    return [
        Path(points=grown, colour=WHITE, thickness=7, closed=True),
        Path(points=grown, colour=BLACK, thickness=3, closed=True),
    ]


def _mark_bars(window: WindowRecord, quad: FloatArray, size: FloatArray, view: PhotoView) -> list[Shape]:
    breadth = float(np.linalg.norm(quad[1] - quad[0]))
    across = (quad[1] - quad[0]) / max(breadth, 1e-9)
    shapes: list[Shape] = []
    for mark, place in _mark_places(window, quad):
        edge = place + across * (breadth / 2 + 4)
        middle = edge + across * (TICK + float(np.abs(across) @ size) / 2)
        low = np.clip(middle - size / 2, np.add(view.low, 6), np.subtract(view.high, size + 6))
        shapes += [
            Path(points=(_xy(edge), _xy(edge + across * TICK)), colour=BLACK, thickness=5),
            CallBar(low=_xy(low), high=_xy(low + size), call=mark.call),
        ]
    return shapes


def _mark_places(window: WindowRecord, quad: FloatArray) -> list[tuple[Mark, FloatArray]]:
    """Each mark with the middle of its place on the sheet; nothing where the verdict does not say where."""
    upstream, downstream = (quad[0] + quad[1]) / 2, (quad[2] + quad[3]) / 2
    return [
        (mark, upstream + mark.expected_mm / window.length_mm * (downstream - upstream))
        for mark in (window.reference, window.indicator)
        if mark.expected_mm is not None and window.length_mm
    ]


def _free_gap(quad: FloatArray, quads: Sequence[FloatArray]) -> float:
    """Free px between a window and its nearest neighbour, however both are slanted."""
    gaps = [min(_distance(quad, other), _distance(other, quad)) for other in quads if other is not quad]
    return max(min(gaps, default=400.0), 0.0)


def _distance(points: FloatArray, quad: FloatArray) -> float:
    """Distance of the nearest of some points from a quadrilateral, px; negative inside."""
    contour = quad.astype(np.float32)
    return min(-cv2.pointPolygonTest(contour, (float(x), float(y)), True) for x, y in points)


def _id_tile(window: WindowRecord, quad: FloatArray) -> list[Shape]:
    """The window's id on a black tile beyond its downstream end."""
    size = SMALL
    text = _short(window.id, 12)
    flow = (quad[2] + quad[3] - quad[0] - quad[1]) / 2
    flow = flow / max(float(np.linalg.norm(flow)), 1e-9)
    tile = np.array([text_width(text, size, BOLD) + 18, size + 12])
    low = (quad[2] + quad[3]) / 2 + flow * (8 + np.abs(flow) @ tile / 2) - tile / 2
    at = (float(low[0]) + 9, float(low[1]) + size + 2)
    return [
        Box(low=_xy(low), high=_xy(low + tile), fill=BLACK),
        Text(at=at, text=text, size=size, weight=BOLD, colour=WHITE),
    ]


def _short(text: str, length: int) -> str:
    text = tidy(text)
    return text if len(text) <= length else text[: length - 1] + "\u2026"


def _xy(point: FloatArray) -> XY:
    return float(point[0]), float(point[1])


# -- each window in words ---------------------------------------------------------------------------------


def _window_list(verdict: Verdict, evidence: Evidence, top: float) -> _Block:
    """Every window with its analyte, its tier and its calls, readable however the plate lies in the photo."""
    columns, width = 2, (INNER - GUTTER) / 2
    rows = -(-len(verdict.windows) // columns)
    shapes: list[Shape] = []
    bottom = top
    for row in range(rows):
        blocks = [
            _window_line(window, at=(MARGIN + column * (width + GUTTER), bottom), width=width)
            for column, window in enumerate(verdict.windows[row::rows])
        ]
        shapes += [shape for block in blocks for shape in block.shapes]
        bottom = max(block.bottom for block in blocks)
    assay = CALL_WORDS["competitive" if verdict.layout is None else verdict.layout.assay]
    meaning = _paragraph(assay, at=(MARGIN, bottom + 6), width=INNER, size=MAIN)
    return _Block(shapes=shapes + meaning.shapes, bottom=meaning.bottom + 14)


def _window_line(window: WindowRecord, *, at: XY, width: float) -> _Block:
    """One window: its id, what it looks for, the call of its indicator, and that of a reference not simply there."""
    x, y = at
    label = _short(window.id, 6)
    tile = text_width(label, MAIN, BOLD) + 24
    name = f"{_short(window.analyte, 24)}, {window.tier}"
    left = x + width - CALL_COLUMN
    size = fitting_size(name, width=left - x - tile - 28, size=MAIN)
    shapes: list[Shape] = [
        Box(low=(x, y), high=(x + tile, y + 48), fill=BLACK),
        Text(at=(x + 12, y + 37), text=label, size=MAIN, weight=BOLD, colour=WHITE),
        Text(at=(x + tile + 14, y + 37), text=name, size=size),
    ]
    shown: list[tuple[float, Call, str]] = [(left, window.indicator.call, window.indicator.call)]
    if window.reference.call != "present":
        words = f"reference {window.reference.call}"
        left = x + width - 86 - text_width(words, MAIN, BOLD)
        shown.append((left, window.reference.call, words))
    for left, call, words in shown:
        shapes += [
            CallBar(low=(left, y + 6), high=(left + 72, y + 42), call=call),
            Text(at=(left + 86, y + 37), text=words, size=MAIN, weight=BOLD),
        ]
        y += 58
    return _Block(shapes=shapes, bottom=y)


# -- the windows ------------------------------------------------------------------------------------------


def _window_section(verdict: Verdict, evidence: Evidence, top: float) -> _Block:
    """All windows in rows of up to three, in the plate's order."""
    height_max = _height_axis_max(verdict)
    head = _paragraph("For the reviewer", at=(MARGIN, top + 14), width=INNER, size=MAIN, weight=BOLD)
    how = _paragraphs(
        [*([as_sentence(verdict.rule or "")] if verdict.pivotal else []), how_to_read()],
        at=(MARGIN, head.bottom),
        width=INNER,
        size=SMALL,
    )
    shapes: list[Shape] = [Box(low=(0, top), high=(WIDTH, top + 4), fill=BLACK), *head.shapes, *how.shapes]
    bottom = how.bottom + 12
    for row in _window_rows(verdict, evidence):
        block = _window_row(verdict, row, bottom, height_max=height_max)
        shapes += block.shapes
        bottom = block.bottom + 24
    return _Block(shapes=shapes, bottom=bottom)


def _window_rows(
    verdict: Verdict, evidence: Evidence
) -> list[list[tuple[WindowRecord, WindowEvidence | None] | None]]:
    """The windows with what was measured, in rows as wide as the first; None where a row has no window left."""
    cells: list[tuple[WindowRecord, WindowEvidence | None] | None] = [
        (window, evidence.windows[index] if index < len(evidence.windows) else None)
        for index, window in enumerate(verdict.windows)
    ]
    columns = _columns(len(cells))
    cells += [None] * (-len(cells) % columns)
    return [cells[start : start + columns] for start in range(0, len(cells), columns)]


def _window_row(
    verdict: Verdict,
    row: Sequence[tuple[WindowRecord, WindowEvidence | None] | None],
    top: float,
    *,
    height_max: float,
) -> _Block:
    gutter = 22
    width = (INNER - (len(row) - 1) * gutter) / len(row)
    shapes: list[Shape] = []
    bottom = top
    for column, cell in enumerate(row):
        if cell is not None:
            at = (MARGIN + column * (width + gutter), top)
            block = _window_cell(verdict, *cell, at=at, width=width, height_max=height_max)
            shapes += block.shapes
            bottom = max(bottom, block.bottom)
    return _Block(shapes=shapes, bottom=bottom)


def _columns(n_windows: int) -> int:
    return 2 if n_windows == 4 else min(n_windows, COLUMNS_MAX)


def how_to_read() -> str:
    """What the strips and curves of a window show."""
    return (
        "Strips, flow upwards. a: as photographed. "
        f"b: levelled, contrast x {strip_view.CONTRAST}: dye keeps its colour, shadow and dust are grey; "
        "hatched: hidden or blown out. c: absorbance as measured, pale where it was not used; dashed: the "
        "baseline. d: height over the baseline, its standard error as a grey band; blue: the fit; broken "
        "line: limit of blank; full line: limit of detection; disc: measured height \u00b1 standard error. "
        "The scale is stretched near zero. Bars and pale fields: where a mark belongs."
    )


def _height_axis_max(verdict: Verdict) -> float:
    heights = [
        mark.height + 2 * (mark.standard_error or 0)
        for window in verdict.windows
        for mark in (window.reference, window.indicator)
        if mark.height is not None
    ]
    return max(0.1, 1.15 * max(heights, default=0.0))


def _window_cell(
    verdict: Verdict,
    window: WindowRecord,
    found: WindowEvidence | None,
    *,
    at: XY,
    width: float,
    height_max: float,
) -> _Block:
    """One window: its name, its pictures and curves side by side, then each mark's call and numbers."""
    x, y = at
    shapes: list[Shape] = []
    label = _short(window.id, 12)
    tile = text_width(label, MAIN, BOLD) + 24
    shapes += [
        Box(low=(x, y), high=(x + tile, y + 50), fill=BLACK),
        Text(at=(x + 12, y + 38), text=label, size=MAIN, weight=BOLD, colour=WHITE),
    ]
    name = f"{window.analyte}, {window.tier}"
    heading = _paragraph(name, at=(x + tile + 14, y + 6), width=width - tile - 14, size=MAIN, weight=BOLD)
    shapes += heading.shapes
    y = max(heading.bottom, y + 50) + 8
    if found is None:
        block = _paragraph("No strip could be cut.", at=(x, y), width=width, size=MAIN)
    else:
        block = _strip_row(window, found, at=(x, y), width=width, height_max=height_max)
    shapes += block.shapes
    y = block.bottom + 6
    pivotal = {(pivot.window, pivot.mark) for pivot in verdict.pivotal}
    names: tuple[MarkName, ...] = ("reference", "indicator")
    for mark_name in names:
        mark = window.reference if mark_name == "reference" else window.indicator
        lines = mark_words(verdict, window, mark_name, pivotal=(window.id, mark_name) in pivotal)
        block = _mark_lines(mark_name, mark, lines, at=(x, y), width=width)
        shapes += block.shapes
        y = block.bottom + 8
    if window.flags:
        block = _paragraphs(
            [as_sentence(FLAGS.get(flag, flag)) for flag in window.flags], at=(x, y), width=width, size=SMALL
        )
        shapes += block.shapes
        y = block.bottom
    return _Block(shapes=shapes, bottom=y)


def _mark_lines(name: MarkName, mark: Mark, lines: Sequence[str], *, at: XY, width: float) -> _Block:
    """A mark's call, and below it what was measured and why."""
    x, y = at
    head = f"{name} {mark.call}"
    size = fitting_size(head, width=width - 82, size=MAIN - 2, weight=BOLD)
    shapes: list[Shape] = [
        CallBar(low=(x + 3, y + 8), high=(x + 67, y + 36), call=mark.call),
        Text(at=(x + 82, y + 34), text=head, size=size, weight=BOLD),
    ]
    block = _paragraphs(lines, at=(x, y + 46), width=width, size=SMALL)
    return _Block(shapes=shapes + block.shapes, bottom=block.bottom)


def mark_words(verdict: Verdict, window: WindowRecord, name: MarkName, *, pivotal: bool) -> list[str]:
    """What a mark means, its height, its limits, an indicator's looks, and why it is not simply present."""
    mark = window.reference if name == "reference" else window.indicator
    return [*map(str, mark_said(verdict, window, name, pivotal=pivotal)), *why_words(mark)]


def mark_said(verdict: Verdict, window: WindowRecord, name: MarkName, *, pivotal: bool) -> list[Said]:
    """Who called a mark, what it means, its height, its limits, and an indicator's looks."""
    mark = window.reference if name == "reference" else window.indicator
    lines = [*_readers_said(mark)]
    if pivotal:
        lines.append(MARK_SAYS("pivotal"))
    if name == "indicator" and verdict.layout is not None:
        finding = FINDINGS.get((verdict.layout.assay, mark.call))
        if finding is not None:
            lines.append(MARK_SAYS(finding.split()[0], analyte=window.analyte, tier=window.tier))
    lines += [_height_said(mark), *_limits_said(mark), *_photos_said(verdict, window, name)]
    return [*lines, *_looks_said(mark)] if name == "indicator" else lines


def why_words(mark: Mark) -> list[str]:
    """Why a mark is not simply present, and its flags, in sentences."""
    reasons = mark.reasons if (mark.first_call or mark.call) != "present" else ()
    return [as_sentence(one) for one in (*reasons, *(FLAGS.get(flag, flag) for flag in mark.flags)) if one]


def _height_said(mark: Mark) -> Said:
    if mark.height is None or mark.standard_error is None:
        return MARK_SAYS("no_height")
    if mark.position_mm is None:
        return MARK_SAYS("height", height=mark.height, error=mark.standard_error)
    return MARK_SAYS("height_at", height=mark.height, error=mark.standard_error, place=mark.position_mm)


def _limits_said(mark: Mark) -> Iterator[Said]:
    if mark.limit_of_blank is not None and mark.limit_of_detection is not None:
        yield MARK_SAYS("limits", blank=mark.limit_of_blank, detection=mark.limit_of_detection)


def _photos_said(verdict: Verdict, window: WindowRecord, name: MarkName) -> Iterator[Said]:
    """Each photo's own height of a mark and its share in the combined one; nothing for a single photo."""
    mark = window.reference if name == "reference" else window.indicator
    heights = []
    for reading, weight in zip(verdict.readings, mark.weights, strict=True):
        own = [seen for seen in reading.windows if seen.id == window.id]
        height = getattr(own[0], name).height if own else None
        heights.append(
            MARK_SAYS("photo_without") if height is None else MARK_SAYS("photo", height=height, share=weight)
        )
    if heights:
        yield MARK_SAYS("photos", heights=Items(heights))


def _looks_said(mark: Mark) -> Iterator[Said]:
    """What was measured of a line's looks; nothing where nothing was."""
    looks = (
        ("wide", mark.width_mm),
        ("bent", mark.straightness_mm),
        ("span", mark.span),
        ("colour", mark.dye_angle_deg),
    )
    known = [MARK_SAYS(code, value=value) for code, value in looks if value is not None]
    if known:
        yield MARK_SAYS("looks", looks=Items(known))


# -- one window's pictures and curves ---------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class _Frame:
    """A drawing field that shares the flow's axis with its neighbours: mm run up, upstream at the bottom."""

    low: XY
    high: XY
    length_mm: float

    def y(self, position_mm: float) -> float:
        share = position_mm / self.length_mm
        return self.high[1] - share * (self.high[1] - self.low[1])


def _strip_row(
    window: WindowRecord, found: WindowEvidence, *, at: XY, width: float, height_max: float
) -> _Block:
    """The strip twice, then the absorbance with its baseline, then the heights, all along one axis."""
    n_along, n_across = found.strip.valid.shape
    length, breadth = n_along / found.strip.px_per_mm, n_across / found.strip.px_per_mm
    gap, tag = 17.0, 30.0
    scale = min(STRIP_PX_PER_MM_MAX, STRIP_HEIGHT_MAX / length, 0.46 * width / (2 * breadth))
    strip_width, height = round(breadth * scale), round(length * scale)
    curves = width - 2 * strip_width - 3 * gap
    widths = (strip_width, strip_width, 0.34 * curves, 0.66 * curves)
    lefts = np.cumsum([0.0, *(w + gap for w in widths)])[:4] + at[0]
    top = at[1] + tag
    a, b, c, d = (
        _Frame(low=(float(left), top), high=(float(left + w), top + height), length_mm=length)
        for left, w in zip(lefts, widths, strict=True)
    )
    shapes: list[Shape] = [
        Text(at=(frame.low[0], top - 7), text=letter, size=SMALL, weight=BOLD)
        for letter, frame in zip("abcd", (a, b, c, d), strict=True)
    ]
    shapes += [
        Picture(low=a.low, high=a.high, pixels=strip_view.natural(found.strip.linear)),
        Picture(low=b.low, high=b.high, pixels=_levelled(window, found)),
        *(shape for frame in (a, b) for shape in _place_bars(window, frame)),
        *_absorbance_curves(found, c),
        *_height_curves(window, found, d, height_max=height_max),
    ]
    shapes += [Box(low=frame.low, high=frame.high, outline=BLACK) for frame in (a, b, c, d)]
    return _Block(shapes=shapes, bottom=top + height + 4)


def _levelled(window: WindowRecord, found: WindowEvidence) -> Image:
    """The strip over a smooth surface, contrast raised, in colour; hatched where it was not valid."""
    levelled = strip_view.level(window, found, reduce=LEVELLED_REDUCED)
    shown = strip_view.stretched(strip_view.blurred(levelled))
    size = levelled.shape[1], levelled.shape[0]
    shown = np.asarray(cv2.resize(shown, size, interpolation=cv2.INTER_LINEAR), np.uint8)
    return strip_view.upright(strip_view.hatched(shown, found.strip.valid))


def _place_bars(window: WindowRecord, frame: _Frame) -> list[Shape]:
    """Where each mark belongs: bars beside the picture, so that nothing lies on its pixels."""
    return [
        Box(low=(x, frame.y(high)), high=(x + 7, frame.y(low)), fill=BLACK)
        for mark in (window.reference, window.indicator)
        for low, high in _mark_range(mark)
        for x in (frame.low[0] - 12, frame.high[0] + 5)
    ]


def _mark_range(mark: Mark) -> list[tuple[float, float]]:
    """From and to where the mark belongs, mm; nothing where the verdict does not say."""
    if mark.expected_mm is None:
        return []
    half = (mark.expected_width_mm or 1.0) / 2
    return [(mark.expected_mm - half, mark.expected_mm + half)]


def _runs(valid: NDArray[np.bool_]) -> list[slice]:
    """Stretches of two and more valid samples."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], valid.astype(np.int8), [0]])))
    return [slice(low, high) for low, high in zip(edges[::2], edges[1::2], strict=True) if high - low > 1]


def _curve(
    frame: _Frame, position_mm: FloatArray, x: FloatArray, *, colour: str, thickness: int, dash: float = 0.0
) -> list[Shape]:
    """A curve along the flow, broken where x is not finite and held at the frame's sides."""
    shapes: list[Shape] = []
    held = np.clip(x, frame.low[0] + 2, frame.high[0] - 3)
    for run in _runs(np.isfinite(x) & (position_mm >= 0) & (position_mm <= frame.length_mm)):
        y = frame.high[1] - position_mm[run] / frame.length_mm * (frame.high[1] - frame.low[1])
        points = tuple(zip(held[run].tolist(), y.tolist(), strict=True))
        shapes.append(Path(points=points, colour=colour, thickness=thickness, dash=dash))
    return shapes


def _absorbance_curves(found: WindowEvidence, frame: _Frame) -> list[Shape]:
    curves = found.curves
    used = np.asarray(curves.used, bool)
    if not used.any():
        return []
    low = float(np.min(curves.baseline[used])) - 0.02
    high = max(low + 0.08, float(np.max(curves.baseline[used])) + 0.04)
    scale = (frame.high[0] - frame.low[0]) / (high - low)
    measured = frame.low[0] + (curves.absorbance - low) * scale
    baseline = frame.low[0] + (curves.baseline - low) * scale
    position = curves.position_mm
    return [
        *_curve(frame, position, measured, colour=MID, thickness=2),
        *_curve(frame, position, np.where(used, measured, np.nan), colour=BLACK, thickness=2),
        *_curve(frame, position, np.where(used, baseline, np.nan), colour=ORANGE, thickness=4, dash=11),
    ]


def _height_curves(
    window: WindowRecord, found: WindowEvidence, frame: _Frame, *, height_max: float
) -> list[Shape]:
    """Height over the baseline, its fit, the limits and the measured heights, stretched near zero."""
    low, high = float(_stretch(-HEIGHT_SOFTENING)), float(_stretch(height_max))
    span = frame.high[0] - frame.low[0]

    def x(height: float) -> float:
        return frame.low[0] + span * (float(_stretch(height)) - low) / (high - low)

    def place(values: FloatArray) -> FloatArray:
        shown = frame.low[0] + span * (_stretch(values) - low) / (high - low)
        return np.where(np.asarray(found.curves.used, bool), shown, np.nan)

    shapes: list[Shape] = []
    marks = (window.reference, window.indicator)
    for mark in marks:
        for upstream, downstream in _mark_range(mark):
            shapes.append(
                Box(
                    low=(frame.low[0], frame.y(downstream)),
                    high=(frame.high[0], frame.y(upstream)),
                    fill="#F1F1F1",
                )
            )
    shapes += _height_ticks(frame, x, height_max)
    curves = found.curves
    over = curves.absorbance - curves.baseline
    position = curves.position_mm
    shapes += _error_band(
        frame, position, place(over - curves.standard_error), place(over + curves.standard_error)
    )
    shapes += _curve(frame, position, place(curves.fit - curves.baseline), colour=SKY_BLUE, thickness=6)
    shapes += _curve(frame, position, place(over), colour=BLACK, thickness=2)
    for mark in marks:
        shapes += _measured(mark, frame, x)
    return shapes


def _stretch(height: NDArray[np.float64] | float) -> FloatArray:
    return np.asarray(np.arcsinh(np.asarray(height) / HEIGHT_SOFTENING), np.float64)


def _height_ticks(frame: _Frame, x: Scale, height_max: float) -> list[Shape]:
    shapes: list[Shape] = []
    ends = 0.0
    for tick in HEIGHT_TICKS:
        if tick > height_max:
            continue
        at = x(tick)
        shapes.append(
            Path(
                points=((at, frame.low[1]), (at, frame.high[1])),
                colour=GREY if tick == 0 else PALE,
                thickness=2,
            )
        )
        text = f"{tick:g}".removeprefix("0") or "0"
        left = at - text_width(text, TINY) / 2
        if left > max(ends, frame.low[0] + 22) and left + text_width(text, TINY) <= frame.high[0] + 4:
            shapes.append(Text(at=(left, frame.low[1] - 7), text=text, size=TINY, colour=GREY))
            ends = left + text_width(text, TINY) + 6
    return shapes


def _error_band(frame: _Frame, position_mm: FloatArray, low: FloatArray, high: FloatArray) -> list[Shape]:
    shapes: list[Shape] = []
    left, right = frame.low[0] + 2, frame.high[0] - 3
    for run in _runs(np.isfinite(low) & np.isfinite(high)):
        y = [frame.y(float(mm)) for mm in position_mm[run]]
        there = list(zip(np.clip(low[run], left, right).tolist(), y, strict=True))
        back = list(zip(np.clip(high[run], left, right).tolist(), y, strict=True))
        shapes.append(Path(points=(*there, *reversed(back)), colour=MID, filled=True))
    return shapes


def _measured(mark: Mark, frame: _Frame, x: Scale) -> list[Shape]:
    """A mark's two limits across its zone, and its height with an error bar of one standard error."""
    if mark.expected_mm is None:
        return []
    y0, y1 = frame.y(mark.expected_mm - 1.4), frame.y(mark.expected_mm + 1.4)
    shapes: list[Shape] = []
    for limit, dash in ((mark.limit_of_blank, 8.0), (mark.limit_of_detection, 0.0)):
        if limit is not None:
            at = x(limit)
            shapes.append(Path(points=((at, y0), (at, y1)), colour=BLACK, thickness=3, dash=dash))
    if mark.height is not None and mark.standard_error is not None:
        y = frame.y(mark.expected_mm if mark.position_mm is None else mark.position_mm)
        low, high = x(mark.height - mark.standard_error), x(mark.height + mark.standard_error)
        low, middle, high = (
            float(np.clip(at, frame.low[0], frame.high[0])) for at in (low, x(mark.height), high)
        )
        shapes += [
            Path(points=((low, y), (high, y)), colour=BLACK, thickness=4),
            *(Path(points=((end, y - 8), (end, y + 8)), colour=BLACK, thickness=4) for end in (low, high)),
            Disc(at=(middle, y), radius=8, colour=CALL_COLOURS[mark.call]),
        ]
    return shapes


# -- where it comes from ----------------------------------------------------------------------------------


def _provenance(verdict: Verdict, evidence: Evidence, top: float) -> _Block:
    lines = [
        *(
            line
            for reading in verdict.readings or (verdict,)
            for line in (
                f"photo {reading.photo.name}, {taken(reading)}",
                "sha256 " + (reading.photo.sha256 or "not known"),
            )
        ),
        ", ".join(settings_words(verdict)),
        CAUTION,
    ]
    block = _paragraphs(
        [line for line in lines if line], at=(MARGIN, top + 20), width=INNER, size=SMALL, colour=GREY
    )
    rule: Shape = Box(low=(0, top), high=(WIDTH, top + 4), fill=BLACK)
    return _Block(shapes=[rule, *block.shapes], bottom=block.bottom)


def taken(verdict: Verdict) -> str:
    """When the photo was taken, in words."""
    moment = verdict.photo.captured_at
    if moment is None:
        return "no capture time in the file"
    offset = "" if verdict.photo.captured_offset_known else ", offset from UTC not known"
    return f"taken {moment.isoformat(sep=' ', timespec='seconds')}{offset}"


def settings_words(verdict: Verdict) -> list[str]:
    """Each settings file that the verdict rests on, with its revision, and the program's own."""
    named = [
        (kind, record)
        for kind in ("layout", "rules", "thresholds", "texts")
        if (record := getattr(verdict, kind)) is not None
    ]
    words = [f"{kind} {record}" for kind, record in named]
    if verdict.layout is not None:
        words[0] += ", found by trying all" if verdict.layout.chosen == "auto" else ", named by the user"
    return [*words, f"linecall {verdict.software.version}"]
