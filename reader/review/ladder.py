"""Marks side by side with a ladder: lines of known height drawn into the window's own noise and tone.

A faint line cannot be judged by itself, only against something. So every rung is a blank stretch of the very
window in question, turned so that no two are alike, on the membrane's tone at the indicator's place, with a line
of the plate's shape and dye added to it. All pictures have the flow upwards and the mark's place in the middle.
"""

import itertools
import math
from dataclasses import dataclass
from typing import Any, Final, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.draw import strip_view
from reader.draw.ink import Image
from reader.draw.strip_view import Levelled
from reader.measure.fitness import chroma_floor
from reader.measure.line_colour import faintest_colour
from reader.measure.line_shape import DYE, LUMA, line_shape
from reader.measure.tones import membrane_tone
from reader.numbers.arrays import SingleArray as Floats
from reader.settings.values import Layout
from reader.verdict.evidence import Evidence, WindowEvidence
from reader.verdict.model import WindowRecord
from reader.words import MarkName

RUNGS: Final = (0.0, 0.003, 0.006, 0.012, 0.025, 0.05)
"""Heights drawn, absorbance: each about twice the one before, from a third of what a trained eye finds in good light
to what nobody misses."""
REACH_MM: Final = 2.5  # shown above and below a mark's place
BREADTH_MAX_MM: Final = 5.0  # shown across the flow
TILE_PX_PER_MM: Final = 12.0  # of the pictures; a phone's photo has 5 to 15
LINE_BLUR_MM: Final = (
    1.0,
    0.15,
)  # of the pictures that show height alone: what lies across the flow stands out
NOISY: Final = 1.5  # times the median column's noise: a column at the membrane's edge that is left out
TEXTURE_MIN_MM: Final = 1.8  # a shorter blank stretch does not hold a line and its surroundings
CODE: Final = 2.2 / 255 / math.log(10)  # absorbance of one 8-bit code in the lights (gamma of about 2.2)

Bools = NDArray[np.bool_]
Spectrum = NDArray[np.float64]
Scalar = TypeVar("Scalar", bound=np.generic)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Tile:
    """One place, seen four ways; pictures (n, m, 3) BGR or (n, m) grey, uint8.

    natural : as photographed. stretched : levelled, contrast raised. dye : only what absorbs as the dye does, what
    is neutral removed. lightness : the levelled luma by itself. The last three have their contrast raised alike.
    """

    natural: Image
    stretched: Image
    dye: Image
    lightness: Image


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Ladder:
    """The marks of one window, and rungs to hold them against; rungs is empty where no stretch is blank enough.

    strip : the whole window seen the same ways. strip_mm, mm : its size and a tile's (across, along). dye : the dye
    drawn. coloured_from : the height from which the file can carry a line's colour; lines below it are drawn
    colourless, as it would show them.
    """

    strip: Tile
    strip_mm: tuple[float, float]
    marks: dict[MarkName, Tile]
    rungs: tuple[Tile, ...]
    heights: tuple[float, ...]
    mm: tuple[float, float]
    dye: str
    coloured_from: float


def coloured_from(evidence: Evidence, dye: str) -> float:
    """The height from which a photo's file can carry the colour of a line, absorbance."""
    assert evidence.photo is not None, "a photo that was read was opened"
    tone = membrane_tone([window.strip for window in evidence.windows])
    return faintest_colour(chroma_floor(evidence.photo.chroma), tone) / float(LUMA @ DYE[dye])


def contrast(height: float) -> float:
    """Share of the light that a line of this absorbance takes off the membrane's."""
    return 1 - 10**-height


def build(window: WindowRecord, found: WindowEvidence, layout: Layout, coloured_from: float) -> Ladder:
    """Cut both marks out of a window, and draw the ladder into its blank stretches.

    coloured_from : the height from which the photo's file can carry a line's colour, absorbance.
    """
    mark = layout.marks.indicator
    levelled = strip_view.level(window, found, columns=True)
    seen = _View(levelled, found, strip_view.blank_rows(window, found), mark.colour)
    size = levelled.px_per_mm
    inside = _inside(levelled.over[..., 1], found.strip.valid, seen.blank, size)
    reach = round(REACH_MM * size)
    marks: dict[MarkName, Tile] = {
        "indicator": seen.crop(mark.position, reach, inside),
        "reference": seen.crop(layout.marks.reference.position, reach, inside),
    }
    offset = (np.arange(2 * reach, dtype=np.float64) + 0.5 - reach) / size
    line = line_shape(offset, mark.width, found.curves.blur_mm).astype(np.float32)
    tone = levelled.surface[seen.rows(mark.position, reach), inside]
    tone = np.broadcast_to(tone.mean(axis=0), (2 * reach, *tone.shape[1:]))
    rungs = tuple(
        seen.tile(
            tone, over + (line[:, None] * _spectrum(height, mark.colour, coloured_from))[:, None], valid
        )
        for height, (over, valid) in zip(RUNGS, seen.textures(2 * reach, inside), strict=False)
    )
    return Ladder(
        strip=seen.whole(found.strip.native_px_per_mm),
        strip_mm=(levelled.shape[1] / size, levelled.shape[0] / size),
        marks=marks,
        rungs=rungs,
        heights=RUNGS[: len(rungs)],
        mm=((inside.stop - inside.start) / size, 2 * reach / size),
        dye=mark.colour,
        coloured_from=coloured_from,
    )


def _spectrum(height: float, dye: str, coloured_from: float) -> Floats:
    """Absorbance (3,) RGB of a line; below what the file carries in colour, its luma's in all three."""
    if height >= coloured_from:
        return np.asarray(height * DYE[dye], np.float32)
    return np.full(3, height * float(LUMA @ DYE[dye]), np.float32)


def _inside(over: Floats, valid: Bools, blank: Bools, px_per_mm: float) -> slice:
    """The middle columns, at most BREADTH_MAX_MM of them, without those that the membrane's edges disturb."""
    noise = np.abs(over[blank]).mean(axis=0) if blank.any() else np.ones(over.shape[1])
    good = (valid.mean(axis=0) > 0.5) & (noise < NOISY * np.median(noise))
    columns = np.flatnonzero(good)
    low, high = (int(columns[0]), int(columns[-1]) + 1) if len(columns) else (0, over.shape[1])
    spare = max(0, int(high - low - BREADTH_MAX_MM * px_per_mm))
    return slice(low + spare // 2, high - (spare - spare // 2))


class _View:
    """One window's levelled strip, and how its pictures are made."""

    def __init__(self, levelled: Levelled, found: WindowEvidence, blank: Bools, dye: str) -> None:
        self._levelled = levelled
        self._valid = found.strip.valid
        self.blank = blank
        self._weights = dye_weights(strip_view.blurred(levelled)[blank][self._valid[blank]], DYE[dye])
        self._lightness = LUMA / float(LUMA @ DYE[dye])

    def rows(self, position_mm: float, reach: int) -> slice:
        """Rows about a place, as far as the strip goes."""
        at = round(position_mm * self._levelled.px_per_mm)
        return slice(max(0, at - reach), min(self._levelled.shape[0], at + reach))

    def whole(self, native_px_per_mm: float) -> Tile:
        """The whole strip, with no more pixels than the photo had."""
        scale = min(1.0, max(TILE_PX_PER_MM, native_px_per_mm) / self._levelled.px_per_mm)
        return self.tile(self._levelled.surface, self._levelled.over, self._valid, scale=scale)

    def crop(self, position_mm: float, reach: int, inside: slice) -> Tile:
        """The strip about a place; hatched where it ends."""
        at = round(position_mm * self._levelled.px_per_mm)
        rows = self.rows(position_mm, reach)
        beyond = ((rows.start - (at - reach), at + reach - rows.stop), (0, 0))
        over, surface = (
            np.pad(values[rows, inside], (*beyond, (0, 0)), mode="edge")
            for values in (self._levelled.over, self._levelled.surface)
        )
        return self.tile(surface, over, np.pad(self._valid[rows, inside], beyond))

    def textures(self, n: int, inside: slice) -> list[tuple[Floats, Bools]]:
        """Blank stretches over the surface, (n, m, 3) and where they are valid, no two of them alike."""
        edges = np.flatnonzero(np.diff(np.concatenate([[0], self.blank.astype(np.int8), [0]])))
        long = TEXTURE_MIN_MM * self._levelled.px_per_mm
        runs = [
            (b - a, a)
            for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
            if b - a >= long
        ]
        turns = itertools.product((0, 1), (1, -1), (1, -1), sorted(runs, reverse=True))
        found = []
        for shift, along, across, (length, start) in turns:
            stretch = slice(start, start + length)
            over = self._levelled.over[stretch, inside][::along, ::across]
            valid = self._valid[stretch, inside][::along, ::across]
            half = shift * length // 2
            found.append(
                (_filling(np.roll(over, half, axis=0), n), _filling(np.roll(valid, half, axis=0), n))
            )
        return found

    def tile(self, surface: Floats, over: Floats, valid: Bools, *, scale: float | None = None) -> Tile:
        """Pictures of a place whose absorbance is the surface's and what lies over it."""
        size = self._levelled.px_per_mm
        scale = TILE_PX_PER_MM / size if scale is None else scale
        seen = np.where(valid[..., None], over, np.float32(0))
        here = Levelled(over=seen, surface=surface, shape=(over.shape[0], over.shape[1]), px_per_mm=size)
        smooth = strip_view.blurred(here, LINE_BLUR_MM)
        shown = (
            strip_view.natural(_resized(np.power(np.float32(10), -(surface + over)), scale)),
            *(
                strip_view.upright(strip_view.hatched(_picture(picture, scale), _mask(valid, scale)))
                for picture in (
                    strip_view.stretched(strip_view.blurred(here)),
                    _grey(smooth @ self._weights),
                    _grey(smooth @ self._lightness),
                )
            ),
        )
        natural, stretched, dye, lightness = shown
        return Tile(natural=natural, stretched=stretched, dye=dye[..., 0], lightness=lightness[..., 0])


def dye_weights(blanks: Floats, dye: Spectrum) -> Spectrum:
    """Weights (3,) that take the dye's height out of an absorbance and leave nothing of what is neutral.

    Of all such weights those with the least noise, as the blanks (n, 3) show it (generalised least squares; Aitken
    1936). A file's rounding counts as noise too: colours that it rounds away are not known exactly.
    """
    spread = np.cov(blanks.T.astype(np.float64)) if len(blanks) > 3 else np.zeros((3, 3))
    precision = np.linalg.inv(spread + CODE**2 / 12 * np.eye(3))
    parts = np.stack([dye, np.ones(3)], axis=1)
    weights = np.linalg.solve(parts.T @ precision @ parts, parts.T @ precision)
    return np.asarray(weights[0])


def _filling(values: NDArray[Scalar], n: int) -> NDArray[Scalar]:
    """The middle n rows, mirrored at the ends where there are fewer."""
    lacking = max(0, n - len(values))
    pad = [(lacking // 2, lacking - lacking // 2), *[(0, 0)] * (values.ndim - 1)]
    longer = np.pad(values, pad, mode="symmetric")
    start = (len(longer) - n) // 2
    return longer[start : start + n]


def _grey(height: NDArray[np.floating]) -> Image:
    """A map of heights (n, m) as shades of grey, contrast raised as in the stretched picture."""
    return strip_view.stretched(np.repeat(np.asarray(height, np.float32)[..., None], 3, axis=2))


def _resized(values: NDArray[Any], scale: float) -> NDArray[Any]:
    size = max(1, round(values.shape[1] * scale)), max(1, round(values.shape[0] * scale))
    return np.asarray(cv2.resize(values, size, interpolation=cv2.INTER_AREA))


def _picture(picture: Image, scale: float) -> Image:
    return np.asarray(_resized(picture, scale), np.uint8)


def _mask(valid: Bools, scale: float) -> Bools:
    return np.asarray(_resized(valid.astype(np.uint8), scale)) > 0
