"""How high each line of a window is: baseline and both marks fitted together, by generalised least squares.

The model of one window is linear: absorbance = baseline + sum of height x line shape + noise. Heights are measured in
luma, which JPEG keeps finer than colour: a faint line's chroma is rounded away long before its luma is.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reader.measure.line_search import (
    DEFAULT_BLUR_MM,
    find_blur,
    find_places,
    find_widths,
    line_shapes,
)
from reader.measure.line_shape import LUMA, line_shape
from reader.measure.noise import (
    NoiseModel,
    baseline_covariance,
    project_out,
    rough_covariance,
    straight_trend,
)
from reader.measure.profile import Profile
from reader.measure.rows import END_MM, FLANK_MM, running_mean, used_rows
from reader.measure.shade import Shade
from reader.measure.witness import check_edge
from reader.numbers.arrays import BoolArray, FloatArray
from reader.settings.values import IndicatorMark, Layout

SHAPE_ERROR = 0.04
"""Share of a line's height by which its true shape may differ from the model's: sharpening halos, chroma bleeding."""
HALO_MM = 0.6
"""How far beyond the line it may."""
MISFIT_MM = 2.5
"""The model's fit is judged this far about a line: where an edge tells on a 1 mm line's height."""
BESIDE_SHADOW_MM = 0.35
"""Where an end's shadow reaches up to a line, the baseline below the line is unsure by its slope over so many mm."""
SHADE_CODES = 0.15
"""What is taken out as a shadow is not known better than plastic and membrane are rounded: two uniform errors of a
code, sqrt(2 / 12), over some eight codes that shading and grain spread them on. Grain blurs it no further where a
picture is changed after it was rounded first."""


@dataclass(frozen=True, kw_only=True, slots=True)
class FileCodes:
    """What a file's codes allow. code : absorbance of luma that one 8-bit code is on these membranes. rounding : what
    rounding alone may have made of a blank, codes of luma, 1 sigma: no height is known better.
    """

    code: float
    rounding: float


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class LineFit:
    """A window's joint fit on the rows used.

    rows (n of the profile,), x (n,) mm and y (n,) luma : the rows. places, widths, heights, errors, misfit : (2,),
    indicator and reference, mm, heights and errors in luma; misfit is by how much the surroundings of each stray from
    the model. blur : mm, 1 sigma. shapes : (n, 2). filters : (2, n) turn any profile on these rows into heights.
    projected : (n, n) inverse covariance, trend projected out. rough : (n, n) the noise's covariance without the smooth
    baseline's, over the white variance. line_evidence : by how much a line explains each place better than an edge.
    """

    rows: BoolArray
    x: FloatArray
    y: FloatArray
    places: FloatArray
    widths: FloatArray
    blur: float
    shapes: FloatArray
    projected: FloatArray
    rough: FloatArray
    filters: FloatArray
    heights: FloatArray
    errors: FloatArray
    misfit: FloatArray
    line_evidence: tuple[float, float]


def fit_lines(
    profile: Profile, shade: Shade, layout: Layout, noise: NoiseModel, sigma: float, codes: FileCodes
) -> LineFit:
    """Place, width and height of both marks in luma, by penalised generalised least squares.

    sigma : the white noise's, luma absorbance.
    """
    rows = used_rows(profile, layout)
    x, y = profile.position_mm[rows], profile.absorbance[rows] @ LUMA
    modes = shade.modes[:, rows]
    smooth = baseline_covariance(x, noise) + modes.T @ modes / sigma**2
    covariance = rough_covariance(x, noise) + smooth
    lines = _find_lines(x, y, covariance, layout.marks.both, sigma)
    projected, shapes = lines.projected, lines.shapes
    inner = np.linalg.inv(shapes.T @ projected @ shapes + 1e-9 * np.eye(2))
    filters = inner @ (shapes.T @ projected)
    plain = sigma * np.sqrt(np.diag(inner))
    misfit = _misfit(x, y, projected, shapes, lines.places, sigma)
    alone = [
        check_edge(
            x,
            y,
            _project_line(projected, shapes[:, 1 - k]),
            shapes[:, k],
            place_mm=lines.places[k],
            sigma=sigma,
        )
        for k in (0, 1)
    ]
    heights = np.array([edge.height for edge in alone])
    known = np.maximum(
        np.maximum(plain * misfit, [edge.error for edge in alone]), codes.rounding * codes.code
    )
    taken = np.minimum(np.abs(filters @ (shade.change[rows] @ LUMA)), SHADE_CODES * codes.code)
    errors = np.sqrt(known**2 + taken**2 + _beside_shadow(profile, layout, rows) ** 2)
    unlike = np.diag(_shape_variance(x, lines.places, lines.widths, heights) / sigma**2)
    return LineFit(
        rows=rows,
        x=x,
        y=y,
        places=lines.places,
        widths=lines.widths,
        blur=lines.blur,
        shapes=shapes,
        projected=projected,
        rough=covariance + unlike - smooth,
        filters=filters,
        heights=heights,
        errors=errors,
        misfit=errors / plain,
        line_evidence=(alone[0].line_evidence, alone[1].line_evidence),
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Lines:
    """Where both lines were found: places, widths (2,) mm; blur, mm; shapes (n, 2); projected (n, n), the inverse
    covariance with what their true shapes may differ by."""

    places: FloatArray
    widths: FloatArray
    blur: float
    shapes: FloatArray
    projected: FloatArray


def _find_lines(
    x: FloatArray, y: FloatArray, covariance: FloatArray, marks: Sequence[IndicatorMark], sigma: float
) -> _Lines:
    """Find both lines, then once more with what strong ones' true shapes may differ by counted in."""
    widths = np.array([mark.width for mark in marks])
    blur = DEFAULT_BLUR_MM
    trend = straight_trend(x)
    projected = project_out(covariance, trend)
    for _ in range(2):
        places = find_places(x, y, projected, marks, widths, blur, sigma)
        blur = find_blur(x, y, projected, places, widths, sigma)
        widths = find_widths(x, y, projected, places, marks, blur, sigma)
        shapes = line_shapes(x, places, widths, blur)
        normal_matrix = shapes.T @ projected @ shapes + 1e-9 * np.eye(2)
        heights = np.asarray(np.linalg.solve(normal_matrix, shapes.T @ projected @ y), np.float64)
        unsure = covariance + np.diag(_shape_variance(x, places, widths, heights) / sigma**2)
        projected = project_out(unsure, trend)
    return _Lines(places=places, widths=widths, blur=blur, shapes=shapes, projected=projected)


def _project_line(projected: FloatArray, line: FloatArray) -> FloatArray:
    """The inverse covariance (n, n) with one more line projected out."""
    weighted = projected @ line
    return np.asarray(projected - np.outer(weighted, weighted) / (float(line @ weighted) + 1e-9))


def _misfit(
    x: FloatArray, y: FloatArray, projected: FloatArray, shapes: FloatArray, places: FloatArray, sigma: float
) -> FloatArray:
    """By how much the profile about each line (2,) strays from the model, in standard deviations; 1 where it does not.

    Each row is predicted from all others (leave one out: residual P y / P_ii, variance sigma^2 / P_ii). The edge of a
    shadow, which no smooth baseline follows, shows here, and makes a height as unsure as it then is.
    """
    weighted = projected @ shapes
    rest = projected - weighted @ np.linalg.solve(shapes.T @ weighted + 1e-9 * np.eye(2), weighted.T)
    unlike = (rest @ y) ** 2 / np.maximum(np.diag(rest), 1e-12) / sigma**2
    near = np.abs(x[:, None] - places[None]) < MISFIT_MM
    mean_square = (unlike[:, None] * near).sum(axis=0) / np.maximum(near.sum(axis=0), 1)
    return np.asarray(np.sqrt(np.maximum(1.0, mean_square)))


def _beside_shadow(profile: Profile, layout: Layout, rows: BoolArray) -> FloatArray:
    """Extra error (2,) of a line up to which an end's shadow reaches, in luma: its baseline there is extrapolated."""
    x = profile.position_mm
    used = np.flatnonzero(rows)
    if not len(used):
        return np.zeros(2)
    slope = np.abs(np.gradient(running_mean(profile.absorbance @ LUMA, 2), x))
    margin = 2 * float(x[1] - x[0])
    extra = []
    for mark in layout.marks.both:
        reach = mark.width / 2 + FLANK_MM + margin
        low, high = x[used[0]], x[used[-1]]
        beside = [int(used[0])] if END_MM + margin < low and mark.position - reach < low else []
        beside += (
            [int(used[-1])]
            if mark.position + reach > high and high < profile.window.length - END_MM - margin
            else []
        )
        extra.append(BESIDE_SHADOW_MM * max((float(slope[row]) for row in beside), default=0.0))
    return np.array(extra)


def _shape_variance(x: FloatArray, places: FloatArray, widths: FloatArray, heights: FloatArray) -> FloatArray:
    """Variance (n,) for what a strong line's true shape, halo and bleeding differ by from the model's."""
    spread = np.zeros_like(x)
    for place, width, height in zip(places, widths, heights, strict=True):
        spread += (SHAPE_ERROR * height * line_shape(x - place, float(width) + 2 * HALO_MM, HALO_MM / 2)) ** 2
    return spread
