"""The curves of one window as SVG, upstream at the bottom, to stand beside its strip at the same scale.

Units are 0.1 mm of membrane.
"""

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from reader.draw import ink
from reader.numbers.arrays import FloatArray
from reader.verdict.evidence import WindowEvidence
from reader.verdict.model import Mark, WindowRecord

UNIT_MM: Final = 0.1  # of membrane, one unit of the drawing
WIDTH: Final = 150.0  # of the drawing
ABSORBANCE: Final = (2.0, 46.0)  # left and right end of the absorbance's field
HEIGHT: Final = (58.0, 148.0)  # left and right end of the field of heights
ALONE: Final = (2.0, 148.0)  # the absorbance's field on a blind sheet, which has no heights
HEIGHT_AXIS: Final = (0.03, 0.08)  # absorbance that the axis of heights reaches, at least and at most
BELOW_ZERO: Final = 0.3  # how far the axis reaches below zero, as a share of how far above
TEXT: Final = 9.5  # size of figures
ROOM: Final = 12.0  # above the fields, for the axis' figures

Scale = Callable[[FloatArray | float], FloatArray]


# -- curves -----------------------------------------------------------------------------------------------


class ProfileChart:
    """One window's curves along the flow, upwards: the absorbance, and unless blind the heights that were fitted."""

    def __init__(
        self, window: WindowRecord, found: WindowEvidence, *, ticks: Sequence[float], blind: bool
    ) -> None:
        """Take a window as it was measured; ticks : heights on the axis, absorbance, ascending."""
        self._ticks = ticks
        self._window = window
        self._curves = found.curves
        self._length_mm = found.strip.valid.shape[0] / found.strip.px_per_mm
        self._blind = blind

    def svg(self) -> str:
        """The drawing as SVG; upstream at the bottom, as long as the strip at UNIT_MM, ROOM above it."""
        height = self._length_mm / UNIT_MM
        parts = [self._zones(ALONE if self._blind else ABSORBANCE), *self._absorbance()]
        if not self._blind:
            parts += [self._zones(HEIGHT), *self._heights()]
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 {-ROOM:g} {WIDTH:g} {height + ROOM:g}" '
            f'style="aspect-ratio:{WIDTH:g}/{height + ROOM:.1f}" aria-hidden="true">'
            + "".join(parts)
            + "</svg>"
        )

    def _y(self, position_mm: FloatArray | float) -> FloatArray:
        return np.asarray((self._length_mm - np.asarray(position_mm)) / UNIT_MM)

    def _marks(self) -> tuple[Mark, Mark]:
        return self._window.reference, self._window.indicator

    def _zones(self, field: tuple[float, float]) -> str:
        """The field, and on it the places where marks belong."""
        low, high = field
        zones = f'<rect x="{low:g}" y="0" width="{high - low:g}" height="{self._y(0.0):.1f}" class="field"/>'
        for mark in self._marks():
            if mark.expected_mm is not None:
                width = mark.expected_width_mm or 1.0
                top = float(self._y(mark.expected_mm + width / 2))
                zones += (
                    f'<rect x="{low:g}" y="{top:.1f}" width="{high - low:g}" height="{width / UNIT_MM:.1f}" '
                    'class="zone"/>'
                )
        return zones

    def _line(self, x: FloatArray, kind: str) -> str:
        """A curve through x (n,) at the profile's places, broken where x is not finite."""
        y = self._y(self._curves.position_mm)
        there = np.isfinite(x)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], there.astype(np.int8), [0]])))
        runs = [_points(x[a:b], y[a:b]) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 1]
        return "".join(f'<polyline class="{kind}" points="{points}"/>' for points in runs)

    def _absorbance(self) -> list[str]:
        """The absorbance as measured with its standard error; pale where it took no part in the fit."""
        curves, used = self._curves, np.asarray(self._curves.used, bool)
        low, high = ALONE if self._blind else ABSORBANCE
        if not used.any():
            return []
        floor, top = self._absorbance_range()

        def x(values: FloatArray) -> FloatArray:
            return np.clip(low + (values - floor) / (top - floor) * (high - low), low, high)

        measured, error = curves.absorbance, curves.standard_error
        shown = [self._line(x(measured), "unused")]
        if self._blind:
            shown.append(self._band(x(measured - error), x(measured + error), used))
        shown.append(self._line(np.where(used, x(measured), np.nan), "measured"))
        if not self._blind:
            shown.append(self._line(np.where(used, x(curves.baseline), np.nan), "baseline"))
        return [*shown, _text(low, -3, f"{floor:.2f}", "start"), _text(high, -3, f"{top:.2f}", "end")]

    def _absorbance_range(self) -> tuple[float, float]:
        """From and to: what is blank fills two thirds; strong lines run out of the field."""
        curves = self._curves
        blank = np.asarray(curves.used, bool).copy()
        for mark in self._marks():
            if mark.expected_mm is not None:
                blank &= np.abs(curves.position_mm - mark.expected_mm) > (mark.expected_width_mm or 1.0)
        values = curves.absorbance[blank if blank.any() else np.asarray(curves.used, bool)]
        floor, top = float(values.min()) - 0.01, float(values.max()) + 0.01
        return floor, max(top, floor + 0.04) + 0.02

    def _band(self, low: FloatArray, high: FloatArray, used: np.ndarray) -> str:
        y = self._y(self._curves.position_mm)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], used.astype(np.int8), [0]])))
        return "".join(
            f'<polygon class="band" points="{_points(low[a:b], y[a:b])} '
            f'{_points(high[a:b][::-1], y[a:b][::-1])}"/>'
            for a, b in zip(edges[::2], edges[1::2], strict=True)
        )

    def _heights(self) -> list[str]:
        """Height over the baseline, its standard error and fit, and each mark's limits and measured height."""
        curves, used = self._curves, np.asarray(self._curves.used, bool)
        low, high = HEIGHT
        top = self._axis_top()
        zero = low + (high - low) * BELOW_ZERO / (1 + BELOW_ZERO)

        def x(values: FloatArray | float) -> FloatArray:
            return np.clip(zero + np.asarray(values) / top * (high - zero), low, high)

        def shown(values: FloatArray) -> FloatArray:
            return np.where(used, x(values), np.nan)

        over, error = curves.absorbance - curves.baseline, curves.standard_error
        parts = self._grid(x, top)
        parts += [
            self._band(x(over - error), x(over + error), used),
            self._line(shown(curves.fit - curves.baseline), "fit"),
            self._line(shown(over), "measured"),
        ]
        for mark in self._marks():
            parts += self._measured(mark, x, top)
        return parts

    def _axis_top(self) -> float:
        """How far the axis of heights reaches: over the limits and every faint line, no further."""
        least, most = HEIGHT_AXIS
        ends = [least]
        for mark in self._marks():
            if mark.limit_of_detection is not None:
                ends.append(1.3 * mark.limit_of_detection)
            if mark.height is not None and mark.height < most:
                ends.append(1.2 * (mark.height + 2 * (mark.standard_error or 0.0)))
        return min(most, max(ends))

    def _grid(self, x: Scale, top: float) -> list[str]:
        parts = []
        last = -np.inf
        for height in (tick for tick in self._ticks if tick <= top):
            at = float(x(height))
            kind = "zero" if height == 0 else "grid"
            parts.append(
                f'<line class="{kind}" x1="{at:.1f}" x2="{at:.1f}" y1="0" y2="{float(self._y(0.0)):.1f}"/>'
            )
            label = f"{height:g}".removeprefix("0") or "0"
            if at - last > 0.62 * TEXT * len(label):
                parts.append(_text(at, -3, label, "middle"))
                last = at + 0.31 * TEXT * len(label)
        return parts

    def _measured(self, mark: Mark, x: Scale, top: float) -> list[str]:
        """A mark's two limits across its zone, and its height with an error bar of one standard error."""
        if mark.expected_mm is None:
            return []
        y0, y1 = float(self._y(mark.expected_mm + 1.4)), float(self._y(mark.expected_mm - 1.4))
        if mark.height is not None and mark.height > top:
            return [_text(HEIGHT[1] - 2, y1 + 4, f"{mark.height:.2f}", "end")]
        parts = [
            f'<line class="{kind}" x1="{float(x(limit)):.1f}" x2="{float(x(limit)):.1f}" y1="{y0:.1f}" y2="{y1:.1f}"/>'
            for limit, kind in ((mark.limit_of_blank, "blank"), (mark.limit_of_detection, "detection"))
            if limit is not None
        ]
        if mark.height is None or mark.standard_error is None:
            return parts
        y = float(self._y(mark.expected_mm if mark.position_mm is None else mark.position_mm))
        low, middle, high = (float(x(mark.height + k * mark.standard_error)) for k in (-1, 0, 1))
        return [
            *parts,
            f'<path class="error" d="M{low:.1f} {y:.1f}H{high:.1f}M{low:.1f} {y - 3:.1f}v6M{high:.1f} {y - 3:.1f}v6"/>',
            f'<circle cx="{middle:.1f}" cy="{y:.1f}" r="3.6" fill="{ink.CALL_COLOURS[mark.call]}" class="disc"/>',
        ]


def _points(x: FloatArray, y: FloatArray) -> str:
    return " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True))


def _text(x: float, y: float, text: str, anchor: str) -> str:
    return f'<text x="{x:.1f}" y="{y:g}" text-anchor="{anchor}">{text}</text>'
