"""Where a line lies, how broad and how blurred it is: tried in steps, each kept if the profile speaks for it."""

from collections.abc import Sequence

import numpy as np

from reader.measure.line_shape import line_shape
from reader.numbers.arrays import FloatArray
from reader.settings.values import IndicatorMark

SEARCH_MM = 0.5
"""How far from its printed place a line is sought."""
SEARCH_STEP_MM = 0.05
"""Steps of that search."""
PLACE_SD_MM = 0.18
"""Spread of a line about its printed place: dispensing (0.15 mm) and the window's alignment (0.1 mm) together."""
DEFAULT_BLUR_MM = 0.2
"""Blur of a sharp photo, 1 sigma."""
BLUR_MM = (0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.65)
"""Blurs tried."""
BLUR_LOG_SD = 0.5
"""How far they stray from a sharp photo's, as a logarithm, 1 sigma."""
WIDTH_RATIOS = (0.7, 0.85, 1.0, 1.2, 1.45, 1.8)
"""Widths tried, over the layout's."""
WIDTH_LOG_SD = 0.12
"""How far they stray from the layout's, as a logarithm, 1 sigma."""


def find_places(
    x: FloatArray,
    y: FloatArray,
    projected: FloatArray,
    marks: Sequence[IndicatorMark],
    widths: FloatArray,
    blur: float,
    sigma: float,
) -> FloatArray:
    """Places (2,) of the marks, tried in every pair of steps about the printed ones; far ones must earn it."""
    steps = np.arange(-SEARCH_MM, SEARCH_MM + 1e-9, SEARCH_STEP_MM)
    first = line_shape(x[:, None] - marks[0].position - steps, float(widths[0]), blur)
    second = line_shape(x[:, None] - marks[1].position - steps, float(widths[1]), blur)
    by_first, by_second = projected @ first, projected @ second
    a = np.einsum("ij,ij->j", first, by_first)[:, None]
    d = np.einsum("ij,ij->j", second, by_second)[None]
    b = first.T @ by_second
    u, v = (by_first.T @ y)[:, None], (by_second.T @ y)[None]
    det = a * d - b**2 + 1e-12
    gain = (np.maximum((d * u - b * v) / det, 0) * u + np.maximum((a * v - b * u) / det, 0) * v) / sigma**2
    penalty = (steps / PLACE_SD_MM) ** 2
    best = np.unravel_index(int(np.argmax(gain - penalty[:, None] - penalty[None])), gain.shape)
    return np.array([marks[0].position + steps[best[0]], marks[1].position + steps[best[1]]])


def find_blur(
    x: FloatArray, y: FloatArray, projected: FloatArray, places: FloatArray, widths: FloatArray, sigma: float
) -> float:
    """Blur of both lines, mm, 1 sigma; faint lines keep a sharp photo's."""
    shapes = line_shapes(x, places, widths, np.array(BLUR_MM)[:, None, None])
    stray = np.log(np.array(BLUR_MM) / DEFAULT_BLUR_MM) / BLUR_LOG_SD
    return BLUR_MM[int(np.argmax(_explain(y, projected, shapes, sigma) - stray**2))]


def find_widths(
    x: FloatArray,
    y: FloatArray,
    projected: FloatArray,
    places: FloatArray,
    marks: Sequence[IndicatorMark],
    blur: float,
    sigma: float,
) -> FloatArray:
    """Widths (2,) of the lines; a faint line keeps the printed width, as nothing speaks for another."""
    widths = np.array([mark.width for mark in marks])
    stray = np.log(np.array(WIDTH_RATIOS)) / WIDTH_LOG_SD
    for k, mark in enumerate(marks):
        tried = np.tile(widths, (len(WIDTH_RATIOS), 1))
        tried[:, k] = mark.width * np.array(WIDTH_RATIOS)
        shapes = line_shapes(x, places, tried[:, None], blur)
        best = int(np.argmax(_explain(y, projected, shapes, sigma) - stray**2))
        widths[k] = mark.width * WIDTH_RATIOS[best]
    return widths


def _explain(y: FloatArray, projected: FloatArray, shapes: FloatArray, sigma: float) -> FloatArray:
    """Chi-square (k,) that the two lines of each candidate, shapes (k, n, 2), take out of the profile.

    A line below the baseline takes out nothing.
    """
    first, second = shapes.transpose(2, 1, 0)
    by_first, by_second = projected @ first, projected @ second
    a = np.einsum("ij,ij->j", first, by_first) + 1e-9
    b = np.einsum("ij,ij->j", first, by_second)
    d = np.einsum("ij,ij->j", second, by_second) + 1e-9
    u, v = y @ by_first, y @ by_second
    det = a * d - b**2
    gain = np.maximum((d * u - b * v) / det, 0) * u + np.maximum((a * v - b * u) / det, 0) * v
    return np.asarray(gain / sigma**2)


def line_shapes(
    x: FloatArray, places: FloatArray, widths: FloatArray, blur: float | FloatArray
) -> FloatArray:
    """Shapes (..., n, 2) of the two lines; blurs (k, 1, 1) or widths (k, 1, 2) give k candidates of them."""
    return line_shape(x[:, None] - places, widths, blur)


def search_blanks(luma: FloatArray, sigma: float, step_mm: float) -> FloatArray:
    """Blank heights as a mark's search would find them: the best of the neighbouring places, far ones penalised."""
    reach = int(SEARCH_MM / step_mm)
    shifts = np.arange(2 * reach + 1)
    at = np.arange(len(luma))
    beyond = np.full(reach, np.nan)
    moved = np.concatenate([beyond, luma, beyond])[at + shifts[:, None]]
    found = (np.maximum(moved, 0) / sigma) ** 2 - (((shifts - reach) * step_mm / PLACE_SD_MM) ** 2)[:, None]
    best = np.argmax(np.where(np.isnan(moved), -np.inf, found), axis=0)
    return np.asarray(moved[best, at])
