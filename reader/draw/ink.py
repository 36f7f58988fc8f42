"""Shapes as plain data, and the one function that paints them: text, boxes, paths, pictures and our signs.

Canvas pixels, x right, y down. The typeface is one that OpenCV carries: no font file of the system is needed.
"""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any, Final, Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.words import Call, tidy

Image = NDArray[np.uint8]
AnyImage = NDArray[np.uint8] | NDArray[np.uint16]
XY = tuple[float, float]
Affine = tuple[tuple[float, float, float], tuple[float, float, float]]
SignName = Literal["negligible", "moderate", "heavy", "invalid", "undecided", "refused", "warning"]

# Okabe & Ito 2002, "Color Universal Design"; greys by their WCAG 2 contrast on white: 7.0, 1.3 and 1.9.
BLACK: Final = "#000000"
WHITE: Final = "#FFFFFF"
ORANGE: Final = "#E69F00"
SKY_BLUE: Final = "#56B4E9"
YELLOW: Final = "#F0E442"
BLUE: Final = "#0072B2"
VERMILLION: Final = "#D55E00"
REDDISH_PURPLE: Final = "#CC79A7"
GREY: Final = "#595959"
PALE: Final = "#E1E1E1"
MID: Final = "#BDBDBD"

CALL_COLOURS: Final[dict[Call, str]] = {
    "present": BLUE,
    "absent": VERMILLION,
    "doubtful": YELLOW,
    "undeveloped": REDDISH_PURPLE,
}
GRADE_COLOURS: Final[dict[SignName, str]] = {
    "negligible": SKY_BLUE,
    "moderate": ORANGE,
    "heavy": VERMILLION,
    "invalid": REDDISH_PURPLE,
    "undecided": YELLOW,
    "refused": BLACK,
}

REGULAR: Final = 400
BOLD: Final = 700
_SHIFT: Final = 4  # fractional bits of OpenCV's drawing coordinates


@dataclass(frozen=True, kw_only=True, slots=True)
class Text:
    """One line of text; `at` is the left end of its baseline, `size` px."""

    at: XY
    text: str
    size: int
    weight: int = REGULAR
    colour: str = BLACK


@dataclass(frozen=True, kw_only=True, slots=True)
class Box:
    """An upright rectangle from `low` to `high`, filled, outlined or both."""

    low: XY
    high: XY
    fill: str | None = None
    outline: str | None = None
    thickness: int = 2


@dataclass(frozen=True, kw_only=True, slots=True)
class Path:
    """A line through points (dashed: every second piece left out), or an outline where `closed`."""

    points: tuple[XY, ...]
    colour: str
    thickness: int = 2
    closed: bool = False
    filled: bool = False
    dash: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Disc:
    """A filled circle with a black rim."""

    at: XY
    radius: float
    colour: str


@dataclass(frozen=True, kw_only=True, slots=True)
class CallBar:
    """A call as the line itself: present whole, absent hollow, doubtful half, undeveloped in pieces."""

    low: XY
    high: XY
    call: Call


@dataclass(frozen=True, kw_only=True, slots=True)
class Sign:
    """A grade as a tank with what lies in its sump: a square of `size` px, top-left corner `at`."""

    at: XY
    size: float
    name: SignName


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Picture:
    """A small BGR picture enlarged into the rectangle from `low` to `high`."""

    low: XY
    high: XY
    pixels: Image


@dataclass(frozen=True, kw_only=True, slots=True)
class PhotoView:
    """The upright photo seen through the rectangle from `low` to `high`; `px_to_view` maps its px."""

    low: XY
    high: XY
    px_to_view: Affine


Shape = Text | Box | Path | Disc | CallBar | Sign | Picture | PhotoView


@cache
def _typeface() -> cv2.FontFace:
    return cv2.FontFace("sans")


def fitting_size(text: str, *, width: float, size: int, weight: int = REGULAR) -> int:
    """The largest size up to `size` px at which the line fits `width` px, but half of it at least."""
    return next((s for s in range(size, size // 2, -1) if text_width(text, s, weight) <= width), size // 2)


@lru_cache(maxsize=4096)
def text_width(text: str, size: int, weight: int = REGULAR) -> int:
    """Width of one line of text, px."""
    x, _, width, _ = cv2.getTextSize((0, 0), text, (0, 0), _typeface(), size, weight)
    return x + width


def wrap(text: str, *, width: float, size: int, weight: int = REGULAR) -> list[str]:
    """Break text into lines that fit `width` px, at spaces, or within a word that is longer than a line."""
    lines: list[str] = []
    line = ""
    for word in tidy(text).split(" "):
        longer = f"{line} {word}" if line else word
        if text_width(longer, size, weight) <= width:
            line = longer
            continue
        if line:
            lines.append(line)
        while text_width(word, size, weight) > width and len(word) > 1:
            fits = bisect_left(
                range(1, len(word)), True, key=lambda n: text_width(word[:n], size, weight) > width
            )
            lines.append(word[: max(fits, 1)])
            word = word[max(fits, 1) :]
        line = word
    return [*lines, line] if line else lines


def bgr(colour: str) -> tuple[int, int, int]:
    """ "#RRGGBB" -> (blue, green, red), 0..255."""
    return int(colour[5:7], 16), int(colour[3:5], 16), int(colour[1:3], 16)


def paint(canvas: Image, shapes: Sequence[Shape], photo: AnyImage | None) -> None:
    """Paint shapes onto the canvas (H, W, 3) uint8 BGR, in order; `photo` is what a PhotoView shows."""
    for shape in shapes:
        match shape:
            case Text():
                _paint_text(canvas, shape)
            case Box():
                _paint_box(canvas, shape)
            case Path():
                _paint_path(canvas, shape)
            case Disc():
                _disc(canvas, shape.at, shape.radius + 2, BLACK)
                _disc(canvas, shape.at, shape.radius, shape.colour)
            case CallBar():
                _paint_call_bar(canvas, shape)
            case Sign():
                _paint_sign(canvas, shape)
            case Picture():
                view = _view(canvas, shape.low, shape.high)
                enlarging = view.shape[0] >= shape.pixels.shape[0]
                how = cv2.INTER_CUBIC if enlarging else cv2.INTER_AREA
                cv2.resize(shape.pixels, (view.shape[1], view.shape[0]), dst=view, interpolation=how)
            case PhotoView():
                if photo is not None:
                    _paint_photo(canvas, shape, photo)


def _view(canvas: Image, low: XY, high: XY) -> Image:
    return canvas[round(low[1]) : round(high[1]), round(low[0]) : round(high[0])]


def _fix(at: XY) -> tuple[int, int]:
    return round(at[0] * 2**_SHIFT), round(at[1] * 2**_SHIFT)


def _fix_all(points: Sequence[XY]) -> NDArray[np.int32]:
    return np.asarray(np.rint(np.array(points, np.float64) * 2**_SHIFT), np.int32)


def _paint_text(canvas: Image, shape: Text) -> None:
    at = round(shape.at[0]), round(shape.at[1])
    cv2.putText(canvas, shape.text, at, bgr(shape.colour), _typeface(), shape.size, shape.weight)


def _paint_box(canvas: Image, shape: Box) -> None:
    low, high = (
        (round(shape.low[0]), round(shape.low[1])),
        (round(shape.high[0]) - 1, round(shape.high[1]) - 1),
    )
    if shape.fill is not None:
        cv2.rectangle(canvas, low, high, bgr(shape.fill), cv2.FILLED)
    if shape.outline is not None:
        cv2.rectangle(canvas, low, high, bgr(shape.outline), shape.thickness)


def _paint_path(canvas: Image, shape: Path) -> None:
    if shape.dash:
        for piece in _dashes(shape.points, shape.dash):
            _lines(canvas, piece, shape.colour, shape.thickness)
    elif shape.filled:
        cv2.fillPoly(canvas, [_fix_all(shape.points)], bgr(shape.colour), cv2.LINE_AA, _SHIFT)
    else:
        _lines(canvas, shape.points, shape.colour, shape.thickness, closed=shape.closed)


def _lines(canvas: Image, points: Sequence[XY], colour: str, thickness: int, *, closed: bool = False) -> None:
    cv2.polylines(canvas, [_fix_all(points)], closed, bgr(colour), thickness, cv2.LINE_AA, _SHIFT)


def _dashes(points: Sequence[XY], dash: float) -> list[list[XY]]:
    """Every second piece, `dash` px long, of the line through the points."""
    xy = np.asarray(points, np.float64)
    place = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    pieces = []
    for start in np.arange(0, place[-1], 2 * dash):
        stop = min(start + dash, place[-1])
        inner = place[(place > start) & (place < stop)]
        at = np.concatenate([[start], inner, [stop]])
        pieces.append(list(zip(np.interp(at, place, xy[:, 0]), np.interp(at, place, xy[:, 1]), strict=True)))
    return pieces


def _disc(canvas: Image, at: XY, radius: float, colour: str) -> None:
    cv2.circle(canvas, _fix(at), round(radius * 2**_SHIFT), bgr(colour), cv2.FILLED, cv2.LINE_AA, _SHIFT)


def _paint_photo(canvas: Image, shape: PhotoView, photo: AnyImage) -> None:
    """Warp the photo straight into the view: only what it shows is touched, and averaged down first."""
    view = _view(canvas, shape.low, shape.high)
    height, width = view.shape[:2]
    affine = np.asarray(shape.px_to_view, np.float64)
    back = cv2.invertAffineTransform(affine)
    ring = np.array([[0, 0, 1], [width, 0, 1], [width, height, 1], [0, height, 1]]) @ back.T
    low = np.maximum(np.floor(ring.min(axis=0)).astype(int) - 2, 0)
    high = np.minimum(np.ceil(ring.max(axis=0)).astype(int) + 3, photo.shape[1::-1])
    view[:] = bgr(PALE)
    if (high <= low).any():
        return
    crop: NDArray[Any] = photo[low[1] : high[1], low[0] : high[0]]
    factor = max(1, int(np.sqrt(abs(np.linalg.det(back[:, :2]))) + 1e-6))
    if factor > 1:
        size = max(1, crop.shape[1] // factor), max(1, crop.shape[0] // factor)
        crop = cv2.resize(crop[: size[1] * factor, : size[0] * factor], size, interpolation=cv2.INTER_AREA)
    if crop.dtype == np.uint16:
        crop = (crop >> 8).astype(np.uint8)
    # Reduced pixel i covers full pixels low + factor * i ... + factor - 1; whole numbers are centres in both.
    to_full = np.array(
        [[factor, 0, low[0] + (factor - 1) / 2], [0, factor, low[1] + (factor - 1) / 2], [0, 0, 1]]
    )
    cv2.warpAffine(
        crop,
        affine @ to_full,
        (width, height),
        dst=view,
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_TRANSPARENT,
    )


def _paint_call_bar(canvas: Image, bar: CallBar) -> None:
    (x0, y0), (x1, y1) = bar.low, bar.high
    colour, rim = CALL_COLOURS[bar.call], 3
    _paint_box(canvas, Box(low=(x0 - 3, y0 - 3), high=(x1 + 3, y1 + 3), fill=WHITE))

    def piece(left: float, right: float, fill: str) -> None:
        low, high = (x0 + left * (x1 - x0), y0), (x0 + right * (x1 - x0), y1)
        _paint_box(canvas, Box(low=low, high=high, fill=fill, outline=BLACK, thickness=rim))

    if bar.call == "undeveloped":
        for left in (0.0, 0.36, 0.72):
            piece(left, left + 0.28, colour)
        return
    piece(0, 1, WHITE if bar.call == "doubtful" else colour)
    if bar.call == "doubtful":
        piece(0, 0.5, colour)
    elif bar.call == "absent":
        inset = rim + max(4.0, 0.14 * (y1 - y0))
        _paint_box(canvas, Box(low=(x0 + inset, y0 + inset), high=(x1 - inset, y1 - inset), fill=WHITE))


def _paint_sign(canvas: Image, sign: Sign) -> None:
    (x, y), size = sign.at, sign.size

    def fill(points: Sequence[XY], colour: str) -> None:
        fixed = np.array([_fix((x + a * size, y + b * size)) for a, b in points], np.int32)
        cv2.fillPoly(canvas, [fixed], bgr(colour), cv2.LINE_AA, _SHIFT)

    def line(*points: XY, thickness: float) -> None:
        _lines(
            canvas, [(x + a * size, y + b * size) for a, b in points], BLACK, max(2, round(thickness * size))
        )

    if sign.name == "warning":  # a pennant
        line((0.12, 0.06), (0.12, 0.98), thickness=0.1)
        fill(((0.12, 0.06), (0.95, 0.3), (0.12, 0.54)), BLACK)
    elif sign.name == "refused":  # a picture, struck out
        fill(((0.04, 0.16), (0.96, 0.16), (0.96, 0.84), (0.04, 0.84)), WHITE)
        line((0.0, 0.86), (1.0, 0.14), thickness=0.1)
    else:  # a tank with its sump, seen from the side
        fill(((0.06, 0.05), (0.94, 0.05), (0.94, 0.14), (0.06, 0.14)), BLACK)
        fill(((0.43, 0.8), (0.57, 0.8), (0.57, 0.97), (0.43, 0.97)), BLACK)
        fill(_TANK, BLACK)
        inside = [(0.5 + 0.85 * (a - 0.5), 0.16 + 0.9 * (b - 0.14)) for a, b in _TANK]
        fill(inside, WHITE)
        if sign.name in _TANK_LEVEL:
            fill(_below(_TANK, _TANK_LEVEL[sign.name]), BLACK)
        elif sign.name == "invalid":
            line((0.04, 0.92), (0.96, 0.08), thickness=0.08)
        else:
            for left in (0.24, 0.45, 0.66):
                line((left, 0.44), (left + 0.1, 0.44), thickness=0.05)
            for left in (0.34, 0.55):
                line((left, 0.6), (left + 0.1, 0.6), thickness=0.05)


_TANK: Final = ((0.12, 0.14), (0.88, 0.14), (0.88, 0.56), (0.57, 0.84), (0.43, 0.84), (0.12, 0.56))
_TANK_LEVEL: Final[dict[SignName, float]] = {"negligible": 0.74, "moderate": 0.58, "heavy": 0.32}


def _below(outline: Sequence[XY], level: float) -> list[XY]:
    """The part of a convex outline below (y down) a level."""
    kept: list[XY] = []
    for (x0, y0), (x1, y1) in zip(outline, (*outline[1:], outline[0]), strict=True):
        if y0 >= level:
            kept.append((x0, y0))
        if (y0 < level) != (y1 < level):
            kept.append((x0 + (level - y0) / (y1 - y0) * (x1 - x0), level))
    return kept
