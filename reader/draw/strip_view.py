"""A strip as a picture: as photographed, and levelled with its contrast raised so that a faint line shows.

Pictures are (n_along, n_across, 3) uint8 BGR with the flow upwards: the strip's row 0, its upstream end, lies
at the bottom, left stays left looking along the flow.
"""

from dataclasses import dataclass
from typing import Final, Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.draw.ink import Image
from reader.numbers.arrays import SingleArray
from reader.photo.light import encode
from reader.verdict.evidence import WindowEvidence
from reader.verdict.model import WindowRecord

CONTRAST: Final = 12  # a line of 0.005 absorbance becomes one of 13 % contrast
LIGHT: Final = 0.6  # linear light of the levelled membrane
BLUR_MM: Final = (0.5, 0.08)  # across the flow as the eye does along a line, and along it
MIN_BLANK: Final = 50  # samples; with fewer the whole strip is levelled
SAMPLE_SD, SHADING_SD = 0.02, 0.1  # absorbance, 1 sigma: of one sample; of each term of a membrane's shading
DARK: Final = 1e-3  # linear light taken for none
MARK_REACH_MM: Final = 1.2  # this far around a mark's place the levelling does not look
HIDDEN_TONES: Final = (225, 150)  # of the hatching over what is hidden or blown out


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Levelled:
    """A strip's absorbance over a smooth surface, upstream end first.

    over : (n_along, n_reduced, 3) float32 RGB, `reduce` columns made one. surface : the same shape, what was
    taken off. shape : (n_along, n_across) of the strip; px_per_mm : the strip's own.
    """

    over: SingleArray
    surface: SingleArray
    shape: tuple[int, int]
    px_per_mm: float


class StripPixels(Protocol):
    """What is seen of a strip; `reader.measure.strip.Strip` has it, and so has a strip that was kept smaller."""

    @property
    def linear(self) -> SingleArray:
        """Linear light (n_along, n_across, 3) RGB, upstream end first."""

    @property
    def valid(self) -> NDArray[np.bool_]:
        """Where it is seen, (n_along, n_across)."""

    @property
    def px_per_mm(self) -> float:
        """Samples per millimetre, both ways."""


def natural(light: SingleArray) -> Image:
    """Linear light (n_along, n_across, 3) RGB, upstream end first, as photographed."""
    return upright(encode(light))


def upright(picture: Image) -> Image:
    """Upstream to the bottom; with row 0 on top and left on the left, the strip would be mirrored."""
    return np.ascontiguousarray(picture[::-1])


def level(window: WindowRecord, found: WindowEvidence, *, reduce: int = 1, columns: bool = False) -> Levelled:
    """Take a smooth surface off a strip's absorbance: quartic along the flow and quadratic across it.

    It is fitted where no mark belongs. reduce : columns made one first: quicker, and far finer than BLUR_MM.
    columns : take off each column's own offset and slope too, as streaks and the rim's shadow give it.
    """
    return level_strip(found.strip, blank_rows(window, found), reduce=reduce, columns=columns)


def level_strip(
    strip: StripPixels, rows: NDArray[np.bool_], *, reduce: int = 1, columns: bool = False
) -> Levelled:
    """Level a strip as `level` does, by the rows (n_along,) in which no mark belongs."""
    n_along, n_across = strip.valid.shape
    reduced = (max(1, n_across // reduce), n_along)
    light = cv2.resize(strip.linear, reduced, interpolation=cv2.INTER_AREA)
    valid = cv2.resize(strip.valid.astype(np.uint8), reduced, interpolation=cv2.INTER_NEAREST) > 0
    absorbance = -np.log10(np.maximum(light, np.float32(DARK)))
    x, y = (np.linspace(-1, 1, n, dtype=np.float32) for n in reduced)
    blank = valid & rows[:, None]
    surface = _smooth_surface(absorbance, blank, x, y)
    if columns:
        surface = surface + _column_lines(absorbance - surface, blank, y)
    return Levelled(
        over=absorbance - surface, surface=surface, shape=(n_along, n_across), px_per_mm=strip.px_per_mm
    )


def blurred(levelled: Levelled, blur_mm: tuple[float, float] = BLUR_MM) -> SingleArray:
    """Absorbance over the surface, averaged along the lines as the eye does; blur_mm : 1 sigma across and along."""
    sigma_x, sigma_y = (mm * levelled.px_per_mm for mm in blur_mm)
    reduced = levelled.over.shape[1] / levelled.shape[1]
    return np.asarray(cv2.GaussianBlur(levelled.over, (0, 0), sigmaX=sigma_x * reduced, sigmaY=sigma_y))


def stretched(over: SingleArray) -> Image:
    """Absorbance over the surface (n, m, 3) as colour, contrast raised, on an even light membrane."""
    tone = np.minimum(np.log10(LIGHT) - CONTRAST * over, 0.0)  # a picture has nothing brighter than white
    return encode(np.power(np.float32(10), tone.astype(np.float32)))


def hatched(picture: Image, valid: NDArray[np.bool_]) -> Image:
    """The picture (n, m, 3) with hatching where it is not valid (n, m)."""
    row, column = np.indices(valid.shape, dtype=np.int16)
    shown = picture.copy()
    shown[~valid] = HIDDEN_TONES[0]
    shown[~valid & ((row + column) % 8 < 2)] = HIDDEN_TONES[1]
    return shown


def blank_rows(window: WindowRecord, found: WindowEvidence) -> NDArray[np.bool_]:
    """Rows of the strip that the fit used and where no mark belongs or was found."""
    place_mm = _places_mm(found.strip)
    used = np.asarray(np.interp(place_mm, found.curves.position_mm, found.curves.used) > 0.5)
    return used & rows_without_marks(window, found.strip)


def rows_without_marks(window: WindowRecord, strip: StripPixels) -> NDArray[np.bool_]:
    """Rows (n_along,) of the strip where no mark belongs or was found."""
    place_mm = _places_mm(strip)
    blank = np.ones(place_mm.shape, np.bool_)
    for mark in (window.reference, window.indicator):
        for place in (mark.expected_mm, mark.position_mm):
            if place is not None:
                blank &= np.abs(place_mm - place) > MARK_REACH_MM
    return blank


def _places_mm(strip: StripPixels) -> NDArray[np.float64]:
    return np.asarray((np.arange(strip.valid.shape[0]) + 0.5) / strip.px_per_mm, np.float64)


def _column_lines(values: SingleArray, blank: NDArray[np.bool_], y: SingleArray) -> SingleArray:
    """Least-squares line of each column of (n, m, 3) values over its blank places; 0 where these are too few."""
    weight = blank.astype(np.float32)
    s0, s1, s2 = (((y**power) @ weight)[:, None] for power in (0, 1, 2))
    r0, r1 = (np.tensordot(y**power, values * weight[..., None], axes=(0, 0)) for power in (0, 1))
    determinant = s0 * s2 - s1**2
    enough = (s0 > len(y) / 4) & (determinant > 1e-3 * s0 * s2)
    divisor = np.where(enough, determinant, 1)
    offset = np.where(enough, (s2 * r0 - s1 * r1) / divisor, 0)
    slope = np.where(enough, (s0 * r1 - s1 * r0) / divisor, 0)
    return np.asarray(offset + y[:, None, None] * slope, np.float32)


def _smooth_surface(
    values: SingleArray, blank: NDArray[np.bool_], x: SingleArray, y: SingleArray
) -> SingleArray:
    """Least-squares surface of (n, m, 3) values over the blank places; x (m,) and y (n,) run from -1 to 1.

    Each term but the constant is held to what shading may be (ridge), or a few blank rows together would send the
    surface anywhere beyond them.
    """
    across, along = np.meshgrid(x, y)
    terms = (
        np.ones_like(across),
        across,
        across**2,
        across * along,
        *(along**power for power in (1, 2, 3, 4)),
    )
    basis = np.stack(terms, axis=-1)
    fitted = blank if blank.sum() > MIN_BLANK else np.ones_like(blank)
    known = basis[fitted]  # x and y lie in -1 to 1, so that the normal equations are well enough conditioned
    held = np.diag([0.0] + [(SAMPLE_SD / SHADING_SD) ** 2] * (len(terms) - 1)).astype(np.float32)
    coefficients = np.linalg.solve(known.T @ known + held, known.T @ values[fitted])
    return np.asarray(basis @ coefficients, np.float32)
