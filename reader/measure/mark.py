"""Profiles -> a height with its standard error for every mark, baseline and marks fitted together.

The model of one window is linear: absorbance = baseline + sum of height x line shape + noise. The baseline is a
Gaussian process about a straight line, the noise has a white and a short-range part (paper, noise reduction,
JPEG); both are learnt by restricted maximum likelihood (Patterson & Thompson, Biometrika 58, 1971) from the
stretches where the layout has no mark, all windows together. Generalised least squares then gives each height, and
the same fit at places where no line can be gives the blank heights that the limits rest on.

Heights are measured in luma, which JPEG keeps finer than colour: a faint line's chroma is rounded away long before
its luma is. Colour is evidence of a line's dye only as far as the file can carry it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from reader.measure.line import DYE, LUMA, line_shape
from reader.measure.profile import Profile
from reader.measure.shade import Shade, flat_shade
from reader.measure.witness import check_edge, dye_evidence, dye_share, which_dye
from reader.numbers.arrays import BoolArray, FloatArray
from reader.numbers.median import median
from reader.numbers.spread import robust_pool
from reader.settings.values import IndicatorMark, Layout
from reader.words import MarkName

END_MM = 0.7
"""Left out at a membrane's ends at the least: rounded corners, blur, the edge's own shadow."""
STEEP = 3.0
STEEP_FLOOR = 0.002
"""An end is left out as far as its slope exceeds so many times the median one inside, plus so much a mm: there lies
the rim's shadow."""
MARK_ZONE_MM = 0.9
"""So much beyond a line's own half width counts as the mark's place when blanks are sought."""
SEARCH_MM = 0.5
SEARCH_STEP_MM = 0.05
PLACE_SD_MM = 0.18
"""Spread of a line about its printed place: dispensing (0.15 mm) and the window's alignment (0.1 mm) together."""
SHAPE_ERROR = 0.04
HALO_MM = 0.6
"""Share of a line's height by which its true shape may differ from the model's, and how far beyond the line:
sharpening halos, chroma bleeding."""
TEXTURE_MM = 0.3
"""Correlation length of paper texture and of what noise reduction and JPEG leave."""
TEXTURE_RATIOS = (0.0, 0.5, 2.0, 8.0)
BASELINES = tuple(
    (ratio, scale_mm)
    for scale_mm, ratios in (
        (1.5, (1.0, 10.0, 100.0, 1e3)),
        (2.5, (1.0, 10.0, 100.0, 1e3, 1e4)),
        (4.0, (10.0, 100.0, 1e3, 1e4)),
        (7.0, (100.0, 1e3, 1e4)),
        (12.0, (1e3, 1e4, 1e5)),
    )
    for ratio in ratios
)
"""Variances tried for texture and baseline, over the white noise's, the baseline's with its correlation length (mm)."""
MISFIT_MM = 2.5
"""The model's fit is judged this far about a line: where an edge tells on a 1 mm line's height."""
FLANK_MM = 1.3
"""Steepness nearer to a line than this may be the line's own flank, displaced and blurred."""
SLOPE_ROWS = 3
BESIDE_MM = 2.0
LIKE_SLOPE = 2.0
"""A blank counts in full up to so many times the slope beside the marks, within so many mm of a line's flank; slopes
are taken over so many rows to each side."""
BESIDE_SHADOW_MM = 0.35
"""Where an end's shadow reaches up to a line, the baseline below the line is unsure by its slope over so many mm."""
MIN_BLANK_ROWS = 16
"""Fewer rows without a mark say nothing of the noise."""
BLANK_APART = 1.4
"""Blank lines so many line widths apart count as independent (a blurred line and its neighbour's flank)."""
FALLBACK_NOISE = 0.004
"""Whitened blank height assumed where a plate has no blank stretch at all (8-bit noise of one code)."""
SHADE_CODES = 0.15
"""What is taken out as a shadow is not known better than plastic and membrane are rounded: two uniform errors of a
code, sqrt(2 / 12), over some eight codes that shading and grain spread them on. Grain blurs it no further where a
picture is changed after it was rounded first."""
TONE_MIN = 0.05
"""Darker membranes are taken for so bright when codes are turned into absorbance."""
LEAST_NOISE = 2e-5
"""Whitened height of a blank, 1 sigma, that rounding to 8-bit codes leaves though everything is alike: a hundredth of
a code over the thousands of pixels of a line."""
PLATE_WEIGHT = 12.0
"""Blank heights that the whole plate's spread is worth against a single window's own."""
ENOUGH_BLANKS = 20.0
MEMBRANE_SD = 0.0014
"""Blank heights that a plate needs to speak for itself (EP17 asks for 20 to verify a limit of blank), and the usual
unevenness of a clean membrane, as the luma height (1 sigma) of a line fitted where none is, that stands in for those
it lacks: few blanks of one small window must not promise more than membranes keep. Common practice, no source."""
MEMBRANE_FREEDOM = 5.5
"""Degrees of freedom of that usual unevenness: membranes differ in it by 30 % (1 / (2 x 0.3^2))."""
DEFAULT_BLUR_MM = 0.2
BLUR_MM = (0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.65)
BLUR_LOG_SD = 0.5
WIDTH_RATIOS = (0.7, 0.85, 1.0, 1.2, 1.45, 1.8)
WIDTH_LOG_SD = 0.12
"""Blur and width tried, and how far they stray from a sharp photo's and the layout's, as a logarithm, 1 sigma."""
STRONG_SNR = 12.0
"""From this signal-to-noise ratio a line's own width is known better than the layout's prior."""
LOOKS_SNR = 3.0
"""From this ratio a line (or a lane of it) has looks that can be measured at all."""
PART_MIN = 0.25
"""Share of the lanes from which a line over part of the breadth is more than a hair or a speck."""
SEEN_SHARE = 0.7
"""Share of the rows under a line and its flanks that must be seen for its height to be measured."""
COLOURED_LINES = 2
COLOUR_KEPT = 0.5
"""Where a plate has so many strong lines and each keeps less than this share of its dye's colour, the file has lost it
(a phone's colour noise reduction in dim light, a filter), and colour is no evidence on this plate."""
CHROMA_MARGIN = 2.0
"""A line's chroma must exceed the file's floor so many times before its colour is evidence."""


@dataclass(frozen=True, kw_only=True, slots=True)
class MarkMeasurement:
    """One mark: height and standard_error in absorbance of the dye's strongest channel, 1 sigma; lengths in mm.

    None where a line is too faint, or the file too coarse, to tell. span : share of the lanes across the breadth
    that carry the line. straightness_mm : rms of the lanes' places about a straight line. dye : the dye whose colour
    fits best of those the mark may show; None where the file cannot carry it. dye_angle_deg : degrees between the
    line's colour and that dye's, in absorbance space. blank_mean, blank_sd : heights found where no line is, in this
    window's terms; blank_n : degrees of freedom behind them.

    What tells dye from light. plastic : whether the plastic beside the window was seen; None where nobody looked.
    shade_height : what the change of light that it shows would have added to the height; None where it was not seen.
    shade_reach : what it may yet add, where the membrane does not tell where its shadow lies.
    dye_evidence : by how much the dye explains the colour better than a neutral shadow does, natural logarithm of the
    likelihood ratio; which_dye_evidence : the same over the mark's other dye; line_evidence : by how much a line
    explains the profile better than an edge does.
    """

    window: str
    mark: MarkName
    height: float | None
    standard_error: float | None
    blank_mean: float
    blank_sd: float
    blank_n: float
    position_mm: float | None = None
    position_mm_se: float | None = None
    width_mm: float | None = None
    straightness_mm: float | None = None
    span: float | None = None
    dye: str | None = None
    dye_angle_deg: float | None = None
    dye_angle_deg_se: float | None = None
    plastic: bool | None = None
    shade_height: float | None = None
    shade_reach: float | None = None
    dye_evidence: float | None = None
    which_dye_evidence: float | None = None
    line_evidence: float | None = None
    flags: tuple[str, ...] = ()

    @property
    def measured(self) -> dict[str, Any]:
        """All that was measured, by the names that it has in a verdict too."""
        return {name: getattr(self, name) for name in MEASURED}


MEASURED = tuple(field.name for field in fields(MarkMeasurement) if field.name not in ("window", "mark"))
"""What is measured of a mark, under one set of names from here to the verdict."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class WindowFit:
    """The marks of one window and the curves behind them, all (n,): position_mm; absorbance, its standard error,
    baseline, and baseline plus lines (fit) along the indicator's dye; used, where the profile took part."""

    window: str
    indicator: MarkMeasurement
    reference: MarkMeasurement
    blur_mm: float
    position_mm: FloatArray
    absorbance: FloatArray
    standard_error: FloatArray
    baseline: FloatArray
    fit: FloatArray
    used: BoolArray


@dataclass(frozen=True, kw_only=True, slots=True)
class NoiseModel:
    """What the blank stretches of a plate say: variances over the white noise's, the baseline's scale, mm, and the
    white noise's own variance (luma absorbance squared)."""

    texture: float
    baseline: float
    baseline_mm: float
    white: float = FALLBACK_NOISE**2


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Blanks:
    """Whitened heights at places without a mark, (n, 3) RGB; how much each is worth (n,), 1 for one like the marks'
    own places; how many are independent; how far apart they lie; and the variance of luma that a membrane's usual
    unevenness would give them."""

    rgb: FloatArray
    worth: FloatArray
    independent: float
    step_mm: float
    usual: float

    @property
    def luma(self) -> FloatArray:
        return np.asarray(self.rgb @ LUMA)

    @property
    def covariance(self) -> FloatArray:
        """Mean square (3, 3) of the heights, each by its worth; never less than rounding leaves."""
        found = (self.rgb * self.worth[:, None]).T @ self.rgb / self.worth.sum()
        return np.asarray(found + LEAST_NOISE**2 * np.eye(3))

    @property
    def sd(self) -> float:
        """Root of the mean square of luma."""
        return math.sqrt(float(LUMA @ self.covariance @ LUMA))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Level:
    """A window's noise, in whitened luma heights: sigma of the plain fit, mean and sd after the search, degrees of
    freedom; and the covariance (3, 3) of whitened RGB heights."""

    sigma: float
    mean: float
    sd: float
    freedom: float
    rgb: FloatArray


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Fit:
    """A window's joint fit on the rows used.

    places, widths, heights, errors, misfit : (2,), indicator and reference, heights and errors in luma; misfit is by
    how much the surroundings of each stray from the model. shapes : (n, 2). filters : (2, n) turn any profile on these
    rows into heights. projected : (n, n) inverse covariance, trend projected out. rough : (n, n) the noise's
    covariance without the smooth baseline's, over the white variance. line_evidence : by how much a line explains each
    place better than an edge.
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


def measure_marks(
    profiles: Sequence[Profile],
    layout: Layout,
    shades: Sequence[Shade] | None = None,
    losses: Sequence[tuple[str, ...]] | None = None,
    *,
    chroma_floor: float = 0.0,
    tone: float = 0.8,
    rounding: float = 0.0,
) -> tuple[WindowFit, ...]:
    """Measure all marks of a plate: one WindowFit a profile, in order. Heights may be negative, as noise makes them.

    shades : the change of light along each window. losses : by window, flags of what may have taken
    a faint line, or put the window elsewhere.

    chroma_floor : the smallest chroma amplitude that the file carries, in 8-bit codes. tone : the membranes' encoded
    brightness, 0..1, which says how many codes a given absorbance is. rounding : what the file's rounding alone may
    have made of a blank, codes of luma, 1 sigma: no height is known better.
    """
    shades = shades or [flat_shade(len(profile.position_mm), plastic=None) for profile in profiles]
    noise = _learn_noise(profiles, shades, layout)
    blanks = [_blanks(profile, shade, layout, noise) for profile, shade in zip(profiles, shades, strict=True)]
    plate = _pool_blanks(blanks)
    levels = [_noise_level(own, plate) for own in blanks]
    code = 1 / codes_per_height(max(tone, TONE_MIN))
    fits = [
        _fit(profile, shade, layout, noise, level.sigma, code=code, rounding=rounding)
        for profile, shade, level in zip(profiles, shades, levels, strict=True)
    ]
    carried = faintest_colour(chroma_floor, tone)
    colourless = _is_colourless(profiles, fits, layout, carried)
    losses = losses or [()] * len(profiles)
    return tuple(
        _flagged(_measure_window(profile, shade, layout, fit, level, carried, colourless), lost)
        for profile, shade, fit, level, lost in zip(profiles, shades, fits, levels, losses, strict=True)
    )


def _flagged(fit: WindowFit, flags: tuple[str, ...]) -> WindowFit:
    """The same with flags on both marks."""
    return replace(
        fit,
        indicator=replace(fit.indicator, flags=(*fit.indicator.flags, *flags)),
        reference=replace(fit.reference, flags=(*fit.reference.flags, *flags)),
    )


def _marks(layout: Layout) -> tuple[IndicatorMark, IndicatorMark]:
    return layout.marks.indicator, layout.marks.reference


# --- which rows ------------------------------------------------------------------------------------------------------


def _used(profile: Profile, layout: Layout) -> BoolArray:
    """Rows between the rim's shadows: an end is left out as far as the profile is steeper there than inside."""
    x, length = profile.position_mm, profile.window.length
    spans = sorted(
        (mark.position - mark.width / 2, mark.position + mark.width / 2) for mark in _marks(layout)
    )
    before = x < spans[0][0] - FLANK_MM
    after = x > spans[-1][1] + FLANK_MM
    slope = np.abs(np.gradient(_running_mean(profile.absorbance @ LUMA, 2), x))
    inside = (x > spans[0][1] + MARK_ZONE_MM) & (x < spans[-1][0] - MARK_ZONE_MM)
    steep = slope > STEEP * median(slope[inside if inside.any() else before | after]) + STEEP_FLOOR
    low = max(END_MM, float(x[before & steep].max(initial=0.0)))
    high = min(length - END_MM, float(x[after & steep].min(initial=length)))
    return profile.valid & (x > low) & (x < high)


def _running_mean(y: FloatArray, reach: int) -> FloatArray:
    """Mean over 2 reach + 1 values, the ends repeated."""
    size = 2 * reach + 1
    return np.convolve(np.pad(y, reach, mode="edge"), np.full(size, 1 / size), mode="valid")


def _blank_rows(profile: Profile, layout: Layout) -> BoolArray:
    """Rows used in the fit on which no mark can lie."""
    rows = _used(profile, layout)
    for mark in _marks(layout):
        rows = rows & (np.abs(profile.position_mm - mark.position) > mark.width / 2 + MARK_ZONE_MM)
    return rows


# --- noise -----------------------------------------------------------------------------------------------------------


def _covariance(x: FloatArray, noise: NoiseModel) -> FloatArray:
    """Covariance (n, n) of a blank profile at positions x, in units of the white noise's variance."""
    return np.asarray(_rough_covariance(x, noise) + _baseline_covariance(x, noise))


def _rough_covariance(x: FloatArray, noise: NoiseModel) -> FloatArray:
    apart = np.abs(x[:, None] - x[None])
    return np.asarray(np.eye(len(x)) + noise.texture * np.exp(-apart / TEXTURE_MM))


def _baseline_covariance(x: FloatArray, noise: NoiseModel) -> FloatArray:
    apart = x[:, None] - x[None]
    return np.asarray(noise.baseline * np.exp(-0.5 * (apart / noise.baseline_mm) ** 2))


def _trend(x: FloatArray) -> FloatArray:
    """The straight line under the baseline's Gaussian process: (n, 2)."""
    return np.stack([np.ones_like(x), (x - x.mean()) / max(float(np.ptp(x)), 1e-9)], axis=1)


def _projection(covariance: FloatArray, trend: FloatArray) -> FloatArray:
    """Inverse covariance with the trend projected out, (n, n)."""
    inverse = np.linalg.inv(covariance)
    weighted = inverse @ trend
    return np.asarray(inverse - weighted @ np.linalg.solve(trend.T @ weighted, weighted.T))


def _unlikelihood(
    covariance: FloatArray, trend: FloatArray, profiles: FloatArray
) -> tuple[float, FloatArray]:
    """Minus twice the restricted log likelihood of blank profiles (n, m), each with its own scale; and those scales,
    the white noise's variances (m,)."""
    both = np.concatenate([trend, profiles], axis=1)
    products = both.T @ np.linalg.solve(covariance, both)
    (a, b), (c, d) = products[:2, :2]
    det = a * d - b * c
    u, v = products[:2, 2:]
    quadratic = np.diag(products)[2:] - (d * u**2 - (b + c) * u * v + a * v**2) / det
    log_det = float(np.linalg.slogdet(covariance)[1]) + math.log(det)
    free = len(trend) - 2
    scale = np.maximum(quadratic, 1e-12) / free
    return float((log_det + free * np.log(scale)).sum()), scale


class _Stretch:
    """Blank profiles (n, m) at positions x (n,), and the parts of their covariance, worked out once."""

    def __init__(self, x: FloatArray, profiles: FloatArray) -> None:
        self._profiles, self._trend = profiles, _trend(x)
        self._white = np.eye(len(x))
        self._texture = (
            _rough_covariance(x, NoiseModel(texture=1.0, baseline=0.0, baseline_mm=1.0)) - self._white
        )
        self._baselines = {
            scale_mm: _baseline_covariance(x, NoiseModel(texture=0.0, baseline=1.0, baseline_mm=scale_mm))
            for scale_mm in {scale_mm for _, scale_mm in BASELINES}
        }

    def unlikelihood(self, noise: NoiseModel) -> tuple[float, FloatArray]:
        """As `_unlikelihood`, by a noise model."""
        covariance = self._white + noise.texture * self._texture
        covariance = covariance + noise.baseline * self._baselines[noise.baseline_mm]
        return _unlikelihood(covariance, self._trend, self._profiles)


def _learn_noise(profiles: Sequence[Profile], shades: Sequence[Shade], layout: Layout) -> NoiseModel:
    """The noise model of highest restricted likelihood over all blank rows: baseline, then texture, until both stay.

    What a shade leaves unsure is no noise of the paper's: its strongest curves are taken out of the profiles first.
    """
    groups: dict[int, list[int]] = {}
    for k, profile in enumerate(profiles):
        groups.setdefault(len(profile.position_mm), []).append(k)
    stretches = []
    for members in groups.values():
        rows = np.logical_and.reduce([_blank_rows(profiles[k], layout) for k in members])
        if rows.sum() >= MIN_BLANK_ROWS:
            y = np.stack([_without_modes(profiles[k], shades[k], rows) for k in members], axis=1)
            stretches.append(_Stretch(profiles[members[0]].position_mm[rows], y))
    known: dict[NoiseModel, float] = {}
    white: dict[NoiseModel, float] = {}

    def unlikelihood(noise: NoiseModel) -> float:
        if noise not in known:
            found = [stretch.unlikelihood(noise) for stretch in stretches]
            known[noise] = sum(one for one, _ in found)
            white[noise] = median(np.concatenate([scale for _, scale in found])) if found else 0.0
        return known[noise]

    texture = TEXTURE_RATIOS[1]
    while True:
        smooth = [
            NoiseModel(texture=texture, baseline=ratio, baseline_mm=scale) for ratio, scale in BASELINES
        ]
        best = min(smooth, key=unlikelihood)
        rough = [replace(best, texture=ratio) for ratio in TEXTURE_RATIOS]
        best = min([best, *rough], key=unlikelihood)
        if best.texture == texture or len(known) > len(BASELINES) * len(TEXTURE_RATIOS):
            return replace(best, white=white[best] or best.white)
        texture = best.texture


def _without_modes(profile: Profile, shade: Shade, rows: BoolArray) -> FloatArray:
    """A profile's luma (n,) on these rows, without what the curves of its shade's modes explain of it."""
    y = np.asarray(profile.absorbance[rows] @ LUMA)
    modes = shade.modes[:, rows]
    if not modes.any():
        return y
    trend = _trend(profile.position_mm[rows])
    design = np.concatenate([modes.T, trend], axis=1)
    ridge = np.diag([1.0] * len(modes) + [0.0, 0.0]) * FALLBACK_NOISE**2
    share = np.linalg.solve(design.T @ design + ridge + 1e-12 * np.eye(len(ridge)), design.T @ y)
    return np.asarray(y - modes.T @ share[: len(modes)])


def _blanks(profile: Profile, shade: Shade, layout: Layout, noise: NoiseModel) -> _Blanks:
    """Fit a line at every place where none can be; whitened, so that their variance is the noise's, per channel."""
    rows = _blank_rows(profile, layout)
    x = profile.position_mm[rows]
    width = layout.marks.indicator.width
    places = _blank_places(x, width) if len(x) >= MIN_BLANK_ROWS else x[:0]
    if not len(places):
        return _Blanks(rgb=np.zeros((0, 3)), worth=np.zeros(0), independent=0.0, step_mm=1.0, usual=0.0)
    modes = shade.modes[:, rows]
    projected = _projection(_covariance(x, noise) + modes.T @ modes / noise.white, _trend(x))
    shapes = line_shape(x[:, None] - places[None], width, DEFAULT_BLUR_MM)
    filters = shapes.T @ projected
    power = np.einsum("ij,ji->i", filters, shapes)
    heights = (filters @ profile.absorbance[rows]) / np.sqrt(power)[:, None]
    step_mm = float(profile.position_mm[1] - profile.position_mm[0])
    worth = _likeness(profile, layout, rows, places)
    return _Blanks(
        rgb=heights,
        worth=worth,
        independent=max(1.0, float(worth.sum()) * step_mm / (BLANK_APART * width)),
        step_mm=step_mm,
        usual=MEMBRANE_SD**2 * median(power),
    )


def _likeness(profile: Profile, layout: Layout, rows: BoolArray, places: FloatArray) -> FloatArray:
    """How much each blank place (n,) is worth, 0..1: one in steeper shading than any mark's place is unlike it.

    What a displaced row, a lens or a fit leaves of a slope grows with the slope, its variance with the slope's square.
    """
    x = profile.position_mm
    slope = np.abs(np.gradient(_running_mean(profile.absorbance @ LUMA, SLOPE_ROWS), x))
    beside = [
        median(slope[rows & (np.abs(x - mark.position) < mark.width / 2 + BESIDE_MM)])
        for mark in _marks(layout)
        if (rows & (np.abs(x - mark.position) < mark.width / 2 + BESIDE_MM)).any()
    ]
    like = LIKE_SLOPE * max([*beside, median(slope[rows])]) + STEEP_FLOOR
    return np.asarray(np.minimum(1.0, (like / np.maximum(np.interp(places, x, slope), 1e-12)) ** 2))


def _blank_places(x: FloatArray, width: float) -> FloatArray:
    """The positions that have rows below a whole line about them."""
    reach = width / 2 + DEFAULT_BLUR_MM
    bin_mm = float(np.diff(x).min())
    around = (np.abs(x[:, None] - x[None]) <= reach).sum(axis=1)
    return np.asarray(x[around >= int(2 * reach / bin_mm)])


def _searched(luma: FloatArray, sigma: float, step_mm: float) -> FloatArray:
    """Blank heights as a mark's search would find them: the best of the neighbouring places, far ones penalised."""
    reach = int(SEARCH_MM / step_mm)
    shifts = np.arange(2 * reach + 1)
    at = np.arange(len(luma))
    beyond = np.full(reach, np.nan)
    moved = np.concatenate([beyond, luma, beyond])[at + shifts[:, None]]
    found = (np.maximum(moved, 0) / sigma) ** 2 - (((shifts - reach) * step_mm / PLACE_SD_MM) ** 2)[:, None]
    best = np.argmax(np.where(np.isnan(moved), -np.inf, found), axis=0)
    return np.asarray(moved[best, at])


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Plate:
    """What all windows' blanks say together: those that have any, and how far each was drawn down (Algorithm S), as a
    variance; their covariance (3, 3); and of the heights that a mark's search would find in them, mean and spread."""

    known: Sequence[_Blanks]
    drawn: FloatArray
    total: float
    covariance: FloatArray
    usual: float
    mean: float
    spread: float


def _pool_blanks(plate: Sequence[_Blanks]) -> _Plate | None:
    """Pool the windows' blanks by the number of independent ones; None where there are none."""
    known = [blanks for blanks in plate if blanks.independent > 0]
    if not known:
        return None
    weights = np.array([blanks.independent for blanks in known])
    total = float(weights.sum())
    own = np.array([blanks.sd for blanks in known])
    sd, kept = robust_pool(own, weights)
    drawn = kept**2
    lost = (
        sd**2 * total / float(weights @ (drawn * own**2))
    )  # what drawing down takes from normal windows, too
    pooled = lost * sum(w * d * b.covariance for w, d, b in zip(weights, drawn, known, strict=True)) / total
    searched = [
        _searched(b.luma * math.sqrt(lost * d), sd, b.step_mm) for d, b in zip(drawn, known, strict=True)
    ]
    worth = [w * b.worth / b.worth.sum() / total for w, b in zip(weights, known, strict=True)]
    # The best of noise: below 0 it is the bias of the few places, and belongs to the spread.
    mean = max(0.0, sum(float(w @ f) for w, f in zip(worth, searched, strict=True)))
    spread = sum(float(w @ (f - mean) ** 2) for w, f in zip(worth, searched, strict=True))
    usual = sum(b.independent * b.usual for b in known) / total
    return _Plate(
        known=known, drawn=drawn, total=total, covariance=pooled, usual=usual, mean=mean, spread=spread
    )


def _noise_level(own: _Blanks, plate: _Plate | None) -> _Level:
    """A window's noise: its own blanks and the whole plate's, by the number of independent ones.

    An odd window does not speak for the others, nor they for it (Algorithm S): it is judged more by its own.
    """
    if plate is None:
        rgb = FALLBACK_NOISE**2 * np.ones((3, 3))
        return _Level(sigma=FALLBACK_NOISE, mean=0.0, sd=FALLBACK_NOISE, freedom=MEMBRANE_FREEDOM, rgb=rgb)
    odd = next((float(d) for d, b in zip(plate.drawn, plate.known, strict=True) if b is own), 1.0)
    share = own.independent / (own.independent + PLATE_WEIGHT * odd)
    alone = own.covariance if own.independent else plate.covariance
    rgb = np.asarray(share * alone + (1 - share) * plate.covariance)
    weight = share * own.independent + (1 - share) * plate.total
    usual = share * own.usual + (1 - share) * plate.usual
    found = float(LUMA @ rgb @ LUMA)
    lacking = max(0.0, ENOUGH_BLANKS - plate.total)
    rgb = rgb * (weight * found + lacking * usual) / ((weight + lacking) * found)
    sigma = math.sqrt(float(LUMA @ rgb @ LUMA))
    scale = sigma / math.sqrt(float(LUMA @ plate.covariance @ LUMA))
    return _Level(
        sigma=sigma,
        mean=scale * plate.mean,
        sd=scale * math.sqrt(plate.spread + LEAST_NOISE**2),
        freedom=weight + min(lacking, MEMBRANE_FREEDOM) - 1,
        rgb=rgb,
    )


# --- fit -------------------------------------------------------------------------------------------------------------


def _fit(
    profile: Profile,
    shade: Shade,
    layout: Layout,
    noise: NoiseModel,
    sigma: float,
    *,
    code: float,
    rounding: float,
) -> _Fit:
    """Place, width and height of both marks in luma, by penalised generalised least squares.

    code : absorbance of luma that one 8-bit code is. rounding : codes, 1 sigma, below which no height is known.
    """
    rows = _used(profile, layout)
    x = profile.position_mm[rows]
    y = profile.absorbance[rows] @ LUMA
    marks = _marks(layout)
    widths = np.array([mark.width for mark in marks])
    blur = DEFAULT_BLUR_MM
    trend = _trend(x)
    modes = shade.modes[:, rows]
    smooth = _baseline_covariance(x, noise) + modes.T @ modes / sigma**2
    covariance = _rough_covariance(x, noise) + smooth
    projected = _projection(covariance, trend)
    for _ in range(2):
        places = _best_places(x, y, projected, marks, widths, blur, sigma)
        blur = _best_blur(x, y, projected, places, widths, sigma)
        widths = _best_widths(x, y, projected, places, marks, blur, sigma)
        shapes = _shapes(x, places, widths, blur)
        heights = np.linalg.solve(shapes.T @ projected @ shapes + 1e-9 * np.eye(2), shapes.T @ projected @ y)
        unsure = covariance + np.diag(_shape_variance(x, places, widths, heights) / sigma**2)
        projected = _projection(unsure, trend)
    inner = np.linalg.inv(shapes.T @ projected @ shapes + 1e-9 * np.eye(2))
    filters = inner @ (shapes.T @ projected)
    plain = sigma * np.sqrt(np.diag(inner))
    misfit = _misfit(x, y, projected, shapes, places, sigma)
    alone = [
        check_edge(
            x, y, _without_line(projected, shapes[:, 1 - k]), shapes[:, k], place_mm=places[k], sigma=sigma
        )
        for k in (0, 1)
    ]
    heights = np.array([edge.height for edge in alone])
    known = np.maximum(np.maximum(plain * misfit, [edge.error for edge in alone]), rounding * code)
    taken = np.minimum(np.abs(filters @ (shade.change[rows] @ LUMA)), SHADE_CODES * code)
    errors = np.sqrt(known**2 + taken**2 + _beside_shadow(profile, layout, rows) ** 2)
    return _Fit(
        rows=rows,
        x=x,
        y=y,
        places=places,
        widths=widths,
        blur=blur,
        shapes=shapes,
        projected=projected,
        rough=covariance + np.diag(_shape_variance(x, places, widths, heights) / sigma**2) - smooth,
        filters=filters,
        heights=heights,
        errors=errors,
        misfit=errors / plain,
        line_evidence=(alone[0].line_evidence, alone[1].line_evidence),
    )


def _without_line(projected: FloatArray, line: FloatArray) -> FloatArray:
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
    slope = np.abs(np.gradient(_running_mean(profile.absorbance @ LUMA, 2), x))
    margin = 2 * float(x[1] - x[0])
    extra = []
    for mark in _marks(layout):
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


def _shapes(x: FloatArray, places: FloatArray, widths: FloatArray, blur: float | FloatArray) -> FloatArray:
    """Shapes (..., n, 2) of the two lines; blurs (k, 1, 1) or widths (k, 1, 2) give k candidates of them."""
    return line_shape(x[:, None] - places, widths, blur)


def _shape_variance(x: FloatArray, places: FloatArray, widths: FloatArray, heights: FloatArray) -> FloatArray:
    """Variance (n,) for what a strong line's true shape, halo and bleeding differ by from the model's."""
    spread = np.zeros_like(x)
    for place, width, height in zip(places, widths, heights, strict=True):
        spread += (SHAPE_ERROR * height * line_shape(x - place, float(width) + 2 * HALO_MM, HALO_MM / 2)) ** 2
    return spread


def _explained(y: FloatArray, projected: FloatArray, shapes: FloatArray, sigma: float) -> FloatArray:
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


def _best_places(
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


def _best_blur(
    x: FloatArray, y: FloatArray, projected: FloatArray, places: FloatArray, widths: FloatArray, sigma: float
) -> float:
    shapes = _shapes(x, places, widths, np.array(BLUR_MM)[:, None, None])
    stray = np.log(np.array(BLUR_MM) / DEFAULT_BLUR_MM) / BLUR_LOG_SD
    return BLUR_MM[int(np.argmax(_explained(y, projected, shapes, sigma) - stray**2))]


def _best_widths(
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
        shapes = _shapes(x, places, tried[:, None], blur)
        best = int(np.argmax(_explained(y, projected, shapes, sigma) - stray**2))
        widths[k] = mark.width * WIDTH_RATIOS[best]
    return widths


# --- one window ------------------------------------------------------------------------------------------------------


def _is_colourless(profiles: Sequence[Profile], fits: Sequence[_Fit], layout: Layout, carried: float) -> bool:
    """Whether the plate's own strong lines show that the file lost their colour: all of them are nearly grey."""
    kept = [
        max(dye_share(fit.filters[k] @ profile.absorbance[fit.rows], dye) for dye in _dyes(layout)[k])
        for profile, fit in zip(profiles, fits, strict=True)
        for k in (0, 1)
        if fit.heights[k] > STRONG_SNR * fit.errors[k] and fit.heights[k] > carried
    ]
    return len(kept) >= COLOURED_LINES and max(kept) < COLOUR_KEPT


def _dyes(layout: Layout) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The dyes that the indicator mark, and the reference mark, may show."""
    reference = layout.marks.reference
    undeveloped = (reference.undeveloped_colour,) if reference.undeveloped_colour else ()
    return (layout.marks.indicator.colour,), (reference.colour, *undeveloped)


def _measure_window(
    profile: Profile,
    shade: Shade,
    layout: Layout,
    fit: _Fit,
    level: _Level,
    carried: float,
    colourless: bool,
) -> WindowFit:
    indicator_dyes, reference_dyes = _dyes(layout)
    reference = layout.marks.reference
    lines = fit.shapes @ fit.heights
    smooth = fit.y - lines - _residual(fit, lines)
    scale = 1 / float(LUMA @ DYE[layout.marks.indicator.colour])
    x = profile.position_mm
    baseline = np.interp(x, fit.x, smooth) * scale
    indicator = _measurement(profile, shade, "indicator", 0, fit, level, indicator_dyes, carried, colourless)
    if _is_misplaced(fit, reference.position):
        indicator = replace(indicator, flags=(*indicator.flags, *_flags(window_off=True)))
    return WindowFit(
        window=profile.window.id,
        indicator=indicator,
        reference=_measurement(
            profile, shade, "reference", 1, fit, level, reference_dyes, carried, colourless
        ),
        blur_mm=fit.blur,
        position_mm=x,
        absorbance=profile.absorbance @ LUMA * scale,
        standard_error=np.sqrt((profile.standard_error**2) @ (LUMA**2)) * scale,
        baseline=baseline,
        fit=baseline + np.interp(x, fit.x, lines) * scale,
        used=fit.rows,
    )


def _is_misplaced(fit: _Fit, reference_mm: float) -> bool:
    """Whether something strong lies at the end of the reference line's search: then the line lies beyond it, and the
    indicator mark is off as far. What does not fit the model there is counted in, as half a line fits badly."""
    strong = abs(float(fit.heights[1])) >= STRONG_SNR * float(fit.errors[1] / fit.misfit[1])
    return strong and abs(float(fit.places[1]) - reference_mm) > SEARCH_MM - SEARCH_STEP_MM / 2


def _residual(fit: _Fit, lines: FloatArray) -> FloatArray:
    """What neither the lines nor the smooth baseline explain: the rough noise's part of the rest (kriging)."""
    return np.asarray(fit.rough @ (fit.projected @ (fit.y - lines)))


def _measurement(
    profile: Profile,
    shade: Shade,
    name: MarkName,
    k: int,
    fit: _Fit,
    level: _Level,
    dyes: Sequence[str],
    carried: float,
    colourless: bool,
) -> MarkMeasurement:
    colour = fit.filters[k] @ profile.absorbance[fit.rows]
    luma, error = float(fit.heights[k]), float(fit.errors[k])
    snr = luma / error
    strongest = min(dyes, key=lambda dye: _angle(colour, DYE[dye]))
    coloured = snr >= LOOKS_SNR and luma >= carried
    dye = strongest if coloured else dyes[0]
    scale = 1 / float(LUMA @ DYE[dye])
    white = error / level.sigma * scale
    if _seen_share(profile, fit, k) < SEEN_SHARE:
        return _unseen(profile.window.id, name, level, white)
    span, straightness, part = _over_the_breadth(profile, fit, k)
    unsure = level.rgb * (error / level.sigma) ** 2
    other = next((name for name in dyes if name != dye), None)
    return MarkMeasurement(
        window=profile.window.id,
        mark=name,
        height=luma * scale,
        standard_error=error * scale,
        position_mm=float(fit.places[k]),
        position_mm_se=_place_error(fit, k, level.sigma) if snr >= LOOKS_SNR else None,
        width_mm=_full_width(float(fit.widths[k]), fit.blur) if snr >= STRONG_SNR else None,
        straightness_mm=straightness,
        span=span,
        dye=dye if coloured else None,
        dye_angle_deg=_angle(colour, DYE[dye]) if coloured and not colourless else None,
        dye_angle_deg_se=_angle_error(colour, DYE[dye], level, error / float(fit.misfit[k]))
        if coloured and not colourless
        else None,
        dye_evidence=dye_evidence(colour, unsure, dye) if coloured and not colourless else None,
        which_dye_evidence=which_dye(colour, unsure, dye, other) if coloured and other else None,
        line_evidence=fit.line_evidence[k] if snr >= LOOKS_SNR else None,
        plastic=shade.plastic,
        shade_reach=_reach(shade, fit, k) * scale if shade.plastic else None,
        shade_height=float(fit.filters[k] @ (shade.change[fit.rows] @ LUMA)) * scale
        if shade.plastic
        else None,
        blank_mean=level.mean * white,
        blank_sd=level.sd * white,
        blank_n=level.freedom,
        flags=_flags(
            part_of_breadth=part, colour_not_carried=snr >= LOOKS_SNR and (colourless or not coloured)
        ),
    )


def _reach(shade: Shade, fit: _Fit, k: int) -> float:
    """Luma height that the light may yet add to a mark, if its shadow lies elsewhere than thought."""
    if not len(shade.others):
        return 0.0
    left = shade.others[:, fit.rows] - shade.change[fit.rows] @ LUMA
    return max(0.0, float((left @ fit.filters[k]).max()))


def _flags(**found: bool) -> tuple[str, ...]:
    """Codes of `quality.FLAGS` that hold."""
    return tuple(code for code, holds in found.items() if holds)


def _seen_share(profile: Profile, fit: _Fit, k: int) -> float:
    """Share of the rows under a line that took part in the fit."""
    under = np.abs(profile.position_mm - fit.places[k]) < fit.widths[k] / 2 + HALO_MM
    return float(fit.rows[under].mean()) if under.any() else 0.0


def _unseen(window: str, name: MarkName, level: _Level, white: float) -> MarkMeasurement:
    return MarkMeasurement(
        window=window,
        mark=name,
        height=None,
        standard_error=None,
        blank_mean=level.mean * white,
        blank_sd=level.sd * white,
        blank_n=level.freedom,
        flags=("not_seen",),
    )


def _angle(colour: FloatArray, dye: FloatArray) -> float:
    """Angle between two directions in absorbance space, degrees."""
    cosine = float(colour @ dye) / max(float(np.linalg.norm(colour) * np.linalg.norm(dye)), 1e-12)
    return math.degrees(math.acos(min(1.0, max(-1.0, cosine))))


def _angle_error(colour: FloatArray, dye: FloatArray, level: _Level, error: float) -> float:
    """Standard error of a line's colour direction across the dye's, degrees, from the blanks' colour noise."""
    unit = dye / np.linalg.norm(dye)
    across = np.eye(3) - np.outer(unit, unit)
    spread = math.sqrt(float(np.trace(across @ level.rgb @ across)) / 2) * error / level.sigma
    return math.degrees(math.atan2(spread, float(np.linalg.norm(colour))))


def codes_per_height(tone: float) -> float:
    """8-bit codes that an absorbance of 1 takes off a channel of an encoded brightness 0..1, to first order (gamma of
    about 2.2)."""
    return tone * 255 * math.log(10) / 2.2


def faintest_colour(chroma_floor: float, tone: float) -> float:
    """Luma height from which a red line's chroma exceeds the file's floor well enough to be believed.

    A line of green absorbance h takes tone x 255 x ln 10 / 2.2 x h codes off green (gamma of about 2.2) and, by the
    dye's direction and ITU-R BT.601, moves Cr by 0.713 of the difference between red's loss and luma's.
    """
    dye = DYE["red"]
    chroma = 0.713 * (float(LUMA @ dye) - dye[0]) * codes_per_height(tone)
    return float(CHROMA_MARGIN * chroma_floor / chroma * float(LUMA @ dye))


def _place_error(fit: _Fit, k: int, sigma: float) -> float | None:
    """Standard error of a line's place, mm, from the slope of its flanks."""
    slope = np.gradient(fit.shapes[:, k], fit.x)
    power = float(slope @ fit.projected @ slope)
    return sigma / (abs(float(fit.heights[k])) * math.sqrt(power)) if power > 0 else None


def _full_width(width: float, blur: float) -> float:
    """Full width at half height of a blurred box, mm."""
    offsets = np.linspace(0, width + 3 * blur, 400)
    return float(2 * np.interp(-0.5, -line_shape(offsets, width, blur), offsets))


def _over_the_breadth(profile: Profile, fit: _Fit, k: int) -> tuple[float | None, float | None, bool]:
    """Share of the lanes that carry the line, how far it bends from a straight one (rms, mm), and whether a part of
    the breadth carries a line that the whole does not."""
    height, error = float(fit.heights[k]), float(fit.errors[k])
    under = fit.shapes[:, k] > 0.5
    lanes = np.flatnonzero(profile.lane_valid[:, fit.rows][:, under].mean(axis=1) > SEEN_SHARE)
    if len(lanes) < 3:
        return None, None, False
    known = profile.lane_valid[lanes][:, fit.rows]
    y = np.where(known, profile.lanes[lanes][:, fit.rows] @ LUMA, fit.y)
    lane_heights = y @ fit.filters[k]
    lane_error = error * math.sqrt(len(profile.lane_mm))
    if height < LOOKS_SNR * error:
        return None, None, float((lane_heights > STRONG_SNR / 2 * lane_error).mean()) > PART_MIN
    span = float((lane_heights + 2 * lane_error >= 0.5 * height).mean())
    part = float((lane_heights > height + STRONG_SNR / 2 * lane_error).mean()) > PART_MIN
    bends = height >= LOOKS_SNR * lane_error
    return span, _straightness(profile.lane_mm[lanes], y, fit, k) if bends else None, part


def _straightness(lane_mm: FloatArray, y: FloatArray, fit: _Fit, k: int) -> float:
    """Scatter of the lanes' own places about a straight line over the breadth, rms, mm."""
    steps = np.arange(-SEARCH_MM, SEARCH_MM + 1e-9, SEARCH_STEP_MM)
    shapes = line_shape(fit.x[:, None] - fit.places[k] - steps, float(fit.widths[k]), fit.blur)
    filters = shapes.T @ fit.projected
    power = np.sqrt(np.einsum("ij,ji->i", filters, shapes))
    at = steps[np.argmax((filters @ y.T) / power[:, None], axis=0)]
    from_middle, stray = lane_mm - lane_mm.mean(), at - at.mean()
    stray = stray - float(from_middle @ stray) / float(from_middle @ from_middle) * from_middle
    return math.sqrt(float(stray @ stray) / len(stray))
