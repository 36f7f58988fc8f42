"""Charts as SVG: shares and kappas with their intervals, a ROC curve, heights on a line, points over time.

Numbers and names go in, SVG text comes out, with every text HTML-escaped. User units are CSS pixels on a phone; wider
screens show a chart larger.
"""

import html
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from reader.draw import ink
from reader.numbers.arrays import Interval
from reader.words import tidy

WIDE: Final = 340.0  # of a chart
EDGE: Final = 8.0  # left free to either side
ROW: Final = 34.0  # height of one row of intervals
BAR: Final = 7.0  # height of a thick interval
GOLDEN: Final = (math.sqrt(5) - 1) / 2  # golden section: spreads dots evenly, whatever their number
KNEE: Final = 0.01  # absorbance, up to which the axis of heights is even; logarithmic beyond
HEIGHT_TICKS: Final = (-0.01, 0.0, 0.01, 0.03, 0.1, 0.3, 1.0)  # absorbance


def svg(width: float, height: float, parts: Iterable[str], label: str) -> str:
    """A drawing of `parts`; `label` says it to those who do not see it."""
    title = html.escape(tidy(label), quote=True)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{title}">'
        + "".join(parts)
        + "</svg>"
    )


def text(x: float, y: float, words: str, anchor: str, kind: str) -> str:
    """One line of text; anchor : start, middle or end; kind : the CSS class."""
    clean = html.escape(tidy(words))
    return f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{clean}</text>'


def upright(x: float, top: float, bottom: float, kind: str) -> str:
    """A line from top to bottom."""
    return f'<line class="{kind}" x1="{x:.1f}" x2="{x:.1f}" y1="{top:.1f}" y2="{bottom:.1f}"/>'


def level(x0: float, x1: float, y: float, kind: str) -> str:
    """A level line."""
    return f'<line class="{kind}" x1="{x0:.1f}" x2="{x1:.1f}" y1="{y:.1f}" y2="{y:.1f}"/>'


# --- intervals --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class IntervalRow:
    """A value with a thin and a thick interval; `words` say it."""

    name: str
    value: float | None
    thin: Interval | None
    thick: Interval | None
    words: str


def round_up_axis(reach: float) -> float:
    """The length of an axis that has room for `reach`: the next that divides into four round parts."""
    return next((step for step in (0.02, 0.04, 0.08, 0.2, 0.4, 0.6, 0.8, 1.0) if step >= reach - 1e-9), reach)


def intervals_chart(rows: Sequence[IntervalRow], low: float, high: float, ticks: Sequence[str]) -> str:
    """Values with their intervals, one below the other, on one axis from `low` to `high` with five ticks."""
    left, right = EDGE, WIDE - EDGE

    def x(value: float) -> float:
        return left + (min(max(value, low), high) - low) / (high - low) * (right - left)

    bottom = len(rows) * ROW + 4
    parts = []
    for i, label in enumerate(ticks):
        at = left + (right - left) * i / (len(ticks) - 1)
        anchor = ("start", "middle", "middle", "middle", "end")[i]
        parts += [upright(at, 0, bottom, "grid"), text(at, bottom + 13, label, anchor, "tick")]
    for i, row in enumerate(rows):
        y = i * ROW + 24
        parts += [text(left, y - 9, row.name, "start", "name"), text(right, y - 9, row.words, "end", "name")]
        if row.thick:
            low_x, high_x = map(x, row.thick)
            parts.append(
                f'<rect class="thick" x="{low_x:.1f}" y="{y - BAR / 2}" width="{max(high_x - low_x, 1):.1f}" '
                f'height="{BAR}"/>'
            )
        if row.thin:
            parts.append(level(x(row.thin[0]), x(row.thin[1]), y, "thin"))
        if row.value is not None:
            parts.append(f'<circle class="dot" cx="{x(row.value):.1f}" cy="{y}" r="3.6"/>')
    return svg(WIDE, bottom + 18, parts, "; ".join(f"{row.name}: {row.words}" for row in rows))


# --- ROC and heights --------------------------------------------------------------------------------------------


def roc_chart(curve: Sequence[tuple[float, float]], area: float) -> str:
    """A ROC curve: its points (false alarms, hits), from (0, 0) to (1, 1), and the area under it."""
    side, left, bottom = 280.0, 46.0, 290.0

    def at(point: tuple[float, float]) -> str:
        return f"{left + point[0] * side:.1f},{bottom - point[1] * side:.1f}"

    parts = [f'<rect class="field" x="{left}" y="{bottom - side}" width="{side}" height="{side}"/>']
    parts.append(f'<line class="grid" x1="{left}" y1="{bottom}" x2="{left + side}" y2="{bottom - side}"/>')
    for share in (0.0, 0.5, 1.0):
        parts.append(text(left + share * side, bottom + 14, f"{share:g}", "middle", "tick"))
        parts.append(text(left - 6, bottom - share * side + 4, f"{share:g}", "end", "tick"))
    parts.append(f'<polyline class="curve" points="{" ".join(map(at, curve))}"/>')
    parts.append(
        text(left + side / 2, bottom + 28, "share of absent marks that are higher", "middle", "tick")
    )
    parts.append(
        f'<text class="tick" transform="translate(12 {bottom - side / 2:.0f}) rotate(-90)" text-anchor="middle">'
        "share of present marks that are higher</text>"
    )
    return svg(WIDE, bottom + 34, parts, f"ROC curve, area {area:.3f}")


def heights_chart(
    absent: Sequence[float], present: Sequence[float], limits: Sequence[tuple[str, float]]
) -> str:
    """Heights of marks absent and present by consensus, absorbance, with named limits; empty without heights."""
    if not absent and not present:
        return ""
    left, right = EDGE, WIDE - EDGE

    def scale(height: float) -> float:
        return math.asinh(height / KNEE)

    low, high = scale(min([*absent, *present, -0.005])), scale(max([*absent, *present, 0.05]))

    def x(height: float) -> float:
        return left + (scale(height) - low) / (high - low) * (right - left)

    parts = []
    for tick in HEIGHT_TICKS:
        if low <= scale(tick) <= high:
            parts += [upright(x(tick), 26, 136, "grid"), text(x(tick), 150, f"{tick:g}", "middle", "tick")]
    for name, y, heights, colour in (
        ("absent by consensus", 42.0, absent, ink.VERMILLION),
        ("present by consensus", 94.0, present, ink.BLUE),
    ):
        parts.append(text(right, y, name, "end", "name"))
        for i, height in enumerate(heights):
            row = (
                y + 9 + i * GOLDEN % 1 * 28
            )  # dots of neighbouring heights lie far apart, so none hides another
            parts.append(
                f'<circle cx="{x(height):.1f}" cy="{row:.1f}" r="1.8" fill="{colour}" fill-opacity=".6"/>'
            )
    for i, (name, value) in enumerate(limits):
        parts += [
            upright(x(value), 26, 136, "limit"),
            text(x(value) + 3, 22 - 12 * i, f"{name} {value:.4f}", "start", "tick"),
        ]
    return svg(WIDE, 156, parts, f"{len(absent)} heights absent, {len(present)} present by consensus")


# --- points over time -------------------------------------------------------------------------------------------

PointShape = Literal["fits", "breaks", "aside", "unjudged"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Level:
    """A level line from x0 to x1. kind : the class that styles it."""

    x0: float
    x1: float
    y: float
    kind: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Words:
    """A text at a place; anchor : start, middle or end."""

    x: float
    y: float
    text: str
    anchor: str
    kind: str = "tick"


@dataclass(frozen=True, kw_only=True, slots=True)
class Dot:
    """A point. off : -1 where it lies off the drawing above, 1 below. words : shown beside it, such as a rule."""

    x: float
    y: float
    shape: PointShape
    off: int
    words: str
    title: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Band:
    """A zone between two heights of the drawing."""

    x0: float
    x1: float
    top: float
    bottom: float
    kind: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Panel:
    """A panel of points over time; `label` says it to those who do not see it."""

    width: float
    height: float
    label: str
    bands: tuple[Band, ...]
    lines: tuple[Level, ...]
    bounds: tuple[tuple[float, float, float], ...]  # x, from y, to y: where a new baseline begins
    curves: tuple[str, ...]
    dots: tuple[Dot, ...]
    words: tuple[Words, ...]


def point_sign(shape: PointShape, x: float = 0.0, y: float = 0.0, off: int = 0) -> str:
    """The sign of a point; off : as in `Dot`."""
    if off:
        return f'<path class="{shape}" d="M{x:.1f},{y + 5 * off:.1f} l-5,{-9 * off} h10 z"/>'
    if shape == "breaks":
        return f'<path class="breaks" d="M{x:.1f},{y - 5.5:.1f} l5.5,5.5 l-5.5,5.5 l-5.5,-5.5 z"/>'
    return f'<circle class="{shape}" cx="{x:.1f}" cy="{y:.1f}" r="{3.4 if shape == "aside" else 3}"/>'


def panel_chart(panel: Panel) -> str:
    """A panel, as wide as its points need; the page scrolls it sideways."""
    parts = [
        f'<rect class="{band.kind}" x="{band.x0:.1f}" y="{band.top:.1f}" width="{band.x1 - band.x0:.1f}" '
        f'height="{band.bottom - band.top:.1f}"/>'
        for band in panel.bands
    ]
    parts += [level(line.x0, line.x1, line.y, line.kind) for line in panel.lines]
    parts += [upright(x, top, bottom, "bound") for x, top, bottom in panel.bounds]
    parts += [f'<polyline class="curve" points="{curve}"/>' for curve in panel.curves]
    parts += map(_dot, panel.dots)
    parts += [text(words.x, words.y, words.text, words.anchor, words.kind) for words in panel.words]
    label, width = html.escape(tidy(panel.label), quote=True), panel.width
    return (
        f'<svg class="chart" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {panel.height:.0f}" '
        f'style="width:100%;min-width:{width * 0.97:.0f}px;max-width:{width * 1.7:.0f}px" role="img" '
        f'aria-label="{label}">' + "".join(parts) + "</svg>"
    )


def _dot(dot: Dot) -> str:
    number = ""
    if dot.words:
        number = text(dot.x, dot.y + (18 if dot.off < 0 else -8), dot.words, "middle", "number")
    title = html.escape(tidy(dot.title))
    return f"<g><title>{title}</title>{point_sign(dot.shape, dot.x, dot.y, dot.off)}{number}</g>"
