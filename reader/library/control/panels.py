"""The panels of a control chart, heights and moving ranges, as plain shapes for `reader.draw.charts`."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

from reader.draw.charts import Band, Dot, Level, Panel, PointShape, Words
from reader.library.control.rules import LIMIT_SIGMA, Limits
from reader.library.control.strip import (
    ChartState,
    ControlChart,
    ControlPoint,
    Part,
    height_words,
    moment_words,
    state_said,
)
from reader.words import tidy

# User units are CSS pixels on a phone; wider screens show the drawing larger.
NARROWEST: Final = 340.0
STEP: Final = 13.0  # from point to point
LEFT: Final = 10.0
RIGHT: Final = 90.0  # room for the words of the lines, in the widest usual fonts
TOP: Final = 30.0
HIGH: Final = 214.0  # of the heights
LOW: Final = 92.0  # of the moving ranges
FOOT: Final = 30.0
WORDS_APART: Final = 10.5  # of words over each other
SEAM: Final = 0.3  # by which lines that go on overlap, so that none shows between them
DATES_APART: Final = 66.0
LEAST_SIGMAS: Final = 3.6  # that are drawn to either side
MOST_SIGMAS: Final = 8.0  # further off, a point is drawn at the edge
RANGES_MOST: Final = 2.0  # upper limits of moving ranges that are drawn
DRAWN_MOST: Final = 240  # points; the table has them all
REASON_MOST: Final = 26  # characters of a reason in the drawing


@dataclass(frozen=True, kw_only=True, slots=True)
class _Span:
    """A part as far as it is drawn: `first` is the place of its first point that is, x0 and x1 its ends."""

    part: Part
    first: int
    x0: float
    x1: float

    def x(self, place: int) -> float:
        """Where a point of the part is drawn."""
        return self.x0 + (place - self.first + 0.5) * STEP

    @property
    def places(self) -> range:
        """Places of the points that are drawn."""
        return range(self.first, len(self.part.points))

    @property
    def limits(self) -> Limits | None:
        """The limits, where they can be drawn."""
        limits = self.part.limits
        return None if limits is None or limits.flat else limits


def spans_of(chart: ControlChart) -> tuple[_Span, ...]:
    """Where each part is drawn, the last DRAWN_MOST points in all."""
    spare = max(sum(len(part.points) for part in chart.parts) - DRAWN_MOST, 0)
    x, found = LEFT, []
    for part in chart.parts:
        first = min(spare, len(part.points))
        spare -= first
        if first < len(part.points):
            end = x + (len(part.points) - first) * STEP
            found.append(_Span(part=part, first=first, x0=x, x1=end))
            x = end
    return tuple(found)


def heights_panel(chart: ControlChart) -> Panel:
    """The individuals chart."""
    spans = spans_of(chart)
    low, high = _reach(spans)
    bottom = TOP + HIGH

    def y(value: float) -> float:
        return bottom - (min(max(value, low), high) - low) / (high - low) * HIGH

    bands, lines, words, dots, curves = [], [], [], [], []
    for span in spans:
        limits = span.limits
        if limits is not None:
            for k in (3, 2, 1):
                top, base = y(limits.centre + k * limits.sigma), y(limits.centre - k * limits.sigma)
                bands.append(Band(x0=span.x0, x1=span.x1, top=top, bottom=base, kind=f"zone{k}"))
                lines += [Level(x0=span.x0, x1=span.x1, y=level, kind=f"sigma{k}") for level in (top, base)]
            lines.append(Level(x0=span.x0, x1=span.x1, y=y(limits.centre), kind="centre"))
        curves.append(_curve((span.x(place), y(span.part.points[place].value)) for place in _counting(span)))
        dots += [_make_dot(span, place, y, low, high) for place in span.places]
        words += _head_words(span, bottom)
        lines += _rest_lines(span, bottom + 5)
    if spans:
        words += _level_words(spans[-1], y)
    return Panel(
        width=_width(spans),
        height=bottom + FOOT,
        label=_label(chart),
        bands=tuple(bands),
        lines=tuple(lines),
        bounds=tuple((span.x0, TOP - 24, bottom) for span in spans[1:]),
        curves=tuple(curves),
        dots=tuple(dots),
        words=(*words, *_date_words(spans, bottom + 24)),
    )


def ranges_panel(chart: ControlChart) -> Panel:
    """The chart of moving ranges."""
    spans = spans_of(chart)
    shown = [
        moved if span.limits is None else min(moved, RANGES_MOST * span.limits.range_upper)
        for span in spans
        for moved in span.part.ranges.values()
    ]
    shown += [1.15 * span.limits.range_upper for span in spans if span.limits]
    high = max([*shown, 0.0]) or 1.0
    bottom = 14 + LOW

    def y(moved: float) -> float:
        return bottom - min(moved, high) / high * LOW

    lines, dots, curves, words = [], [], [], []
    for span in spans:
        limits, ranges = span.limits, span.part.ranges
        lines.append(Level(x0=span.x0, x1=span.x1, y=bottom, kind="sigma1"))
        if limits is not None:
            for level, kind in ((limits.mean_range, "centre"), (limits.range_upper, "sigma3")):
                lines.append(Level(x0=span.x0, x1=span.x1, y=y(level), kind=kind))
        places = [place for place in span.places if place in ranges]
        curves.append(_curve((span.x(place), y(ranges[place])) for place in places))
        for place in places:
            jumps = place in span.part.jumps
            dots.append(
                Dot(
                    x=span.x(place),
                    y=y(ranges[place]),
                    shape="unjudged" if limits is None else "breaks" if jumps else "fits",
                    off=-1 if ranges[place] > high * (1 + 1e-9) else 0,
                    words="",
                    title=f"{span.part.points[place].photo.name}: moved by {height_words(ranges[place])}",
                )
            )
    if spans and (limits := spans[-1].limits) is not None:
        x = spans[-1].x1 + 5
        words += [
            Words(x=x, y=y(level) + 3.5, text=f"{name} {height_words(level)}", anchor="start")
            for name, level in (("limit", limits.range_upper), ("mean", limits.mean_range))
        ]
    return Panel(
        width=_width(spans),
        height=bottom + 8,
        label="moving ranges",
        bands=(),
        lines=tuple(lines),
        bounds=tuple((span.x0, 4.0, bottom) for span in spans[1:]),
        curves=tuple(curves),
        dots=tuple(dots),
        words=tuple(words),
    )


def _width(spans: Sequence[_Span]) -> float:
    return max(NARROWEST, (spans[-1].x1 if spans else LEFT) + RIGHT)


def _reach(spans: Sequence[_Span]) -> tuple[float, float]:
    """The heights at the drawing's bottom and top."""
    lows, highs = [], []
    for span in spans:
        values, limits = [span.part.points[place].value for place in span.places], span.limits
        if limits is not None:
            least = LEAST_SIGMAS * limits.sigma
            most = MOST_SIGMAS * limits.sigma
            lows.append(limits.centre - min(max(least, 1.05 * (limits.centre - min(values))), most))
            highs.append(limits.centre + min(max(least, 1.05 * (max(values) - limits.centre)), most))
        elif values:
            room = 0.1 * (max(values) - min(values)) or 0.01 * abs(values[0]) or 1.0
            lows.append(min(values) - room)
            highs.append(max(values) + room)
    return min(lows, default=0.0), max(highs, default=1.0)


def _counting(span: _Span) -> list[int]:
    return [place for place in span.part.counting if place in span.places]


def _curve(points: Iterable[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


def _make_dot(span: _Span, place: int, y: Any, low: float, high: float) -> Dot:
    part, point = span.part, span.part.points[place]
    broken = part.broken_at(place)
    shape: PointShape = (
        "aside"
        if point.set_aside is not None
        else "unjudged"
        if span.limits is None
        else "breaks"
        if broken
        else "fits"
    )
    return Dot(
        x=span.x(place),
        y=y(point.value),
        shape=shape,
        off=-1 if point.value > high else 1 if point.value < low else 0,
        words=str(broken[0].rule) if broken else "",
        title=_title(point),
    )


def _title(point: ControlPoint) -> str:
    told = [f"{point.photo.name}, {moment_words(point.taken_at)}: {height_words(point.value)}"]
    if point.note:
        told.append(point.note)
    if point.set_aside:
        told.append(f"set aside: {point.set_aside.reason}")
    return "; ".join(told)


def _head_words(span: _Span, bottom: float) -> list[Words]:
    """Over a part, why it was begun."""
    reason = span.part.baseline.reason
    if not reason:
        return []
    text = tidy(reason)
    text = text if len(text) <= REASON_MOST else f"{text[: REASON_MOST - 1]}\N{HORIZONTAL ELLIPSIS}"
    wide = len(text) * 5.5 > span.x1 - span.x0 + RIGHT
    return [
        Words(
            x=span.x0 - 3 if wide else span.x0 + 3,
            y=TOP - 16,
            text=text,
            anchor="end" if wide else "start",
            kind="name",
        )
    ]


def _rest_lines(span: _Span, y: float) -> list[Level]:
    """Under the points that the limits rest on, a bar."""
    places = [place for place in span.part.resting if place in span.places]
    return [
        Level(x0=span.x(place) - SEAM - STEP / 2, x1=span.x(place) + SEAM + STEP / 2, y=y, kind="rest")
        for place in places
    ]


def _level_words(span: _Span, y: Any) -> list[Words]:
    """Beside the last part, what its lines are, the most needed first where they would lie over each other."""
    limits = span.limits
    if limits is None:
        return []
    found: list[Words] = []
    for k in (0, 3, -3, 2, -2, 1, -1):
        level = limits.centre + k * limits.sigma
        at = y(level) + 3.5
        if all(abs(at - other.y) >= WORDS_APART for other in found):
            name = "mean" if k == 0 else f"{k:+d}\N{GREEK SMALL LETTER SIGMA}"
            kind = "name" if abs(k) in (0, LIMIT_SIGMA) else "tick"
            found.append(
                Words(x=span.x1 + 5, y=at, text=f"{name} {height_words(level)}", anchor="start", kind=kind)
            )
    return found


def _date_words(spans: Sequence[_Span], y: float) -> list[Words]:
    """Under the points, when they were taken."""
    found: list[Words] = []
    for span in spans:
        for place in span.places:
            x = span.x(place)
            if not found or x - found[-1].x >= DATES_APART:
                day = f"{span.part.points[place].taken_at:%Y-%m-%d}"
                found.append(Words(x=x - STEP / 2, y=y, text=day, anchor="start"))
    return found


def _label(chart: ControlChart) -> str:
    part = chart.now
    state: ChartState = part.state
    return f"heights of {sum(len(one.points) for one in chart.parts)} photos; {state_said(part, state)}"
