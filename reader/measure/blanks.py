"""Heights fitted at places where no line can be, and what they say of a window's noise: the limits rest on them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from reader.measure.line_search import DEFAULT_BLUR_MM, search_blanks
from reader.measure.line_shape import LUMA, line_shape
from reader.measure.noise import (
    FALLBACK_NOISE,
    MIN_BLANK_ROWS,
    NoiseModel,
    blank_covariance,
    project_out,
    straight_trend,
)
from reader.measure.profile import Profile
from reader.measure.rows import STEEP_FLOOR, blank_rows, running_mean
from reader.measure.shade import Shade
from reader.numbers.arrays import BoolArray, FloatArray
from reader.numbers.median import median
from reader.numbers.spread import robust_pool
from reader.settings.values import Layout

SLOPE_ROWS = 3
"""Slopes are taken over so many rows to each side."""
BESIDE_MM = 2.0
"""The slope beside a mark is taken within so many mm of a line's flank."""
LIKE_SLOPE = 2.0
"""A blank counts in full up to so many times the slope beside the marks."""
BLANK_APART = 1.4
"""Blank lines so many line widths apart count as independent (a blurred line and its neighbour's flank)."""
LEAST_NOISE = 2e-5
"""Whitened height of a blank, 1 sigma, that rounding to 8-bit codes leaves though everything is alike: a hundredth of
a code over the thousands of pixels of a line."""
PLATE_WEIGHT = 12.0
"""Blank heights that the whole plate's spread is worth against a single window's own."""
ENOUGH_BLANKS = 20.0
"""Blank heights that a plate needs to speak for itself (EP17 asks for 20 to verify a limit of blank)."""
MEMBRANE_SD = 0.0014
"""The usual unevenness of a clean membrane, as the luma height (1 sigma) of a line fitted where none is; it stands in
for the blanks that a plate lacks: few blanks of one small window must not promise more than membranes keep. Common
practice, no source."""
MEMBRANE_FREEDOM = 5.5
"""Degrees of freedom of that usual unevenness: membranes differ in it by 30 % (1 / (2 x 0.3^2))."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Blanks:
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
        """The heights in luma (n,)."""
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


def fit_blanks(profile: Profile, shade: Shade, layout: Layout, noise: NoiseModel) -> Blanks:
    """Fit a line at every place where none can be; whitened, so that their variance is the noise's, per channel."""
    rows = blank_rows(profile, layout)
    x = profile.position_mm[rows]
    width = layout.marks.indicator.width
    places = _find_places(x, width) if len(x) >= MIN_BLANK_ROWS else x[:0]
    if not len(places):
        return Blanks(rgb=np.zeros((0, 3)), worth=np.zeros(0), independent=0.0, step_mm=1.0, usual=0.0)
    modes = shade.modes[:, rows]
    projected = project_out(blank_covariance(x, noise) + modes.T @ modes / noise.white, straight_trend(x))
    shapes = line_shape(x[:, None] - places[None], width, DEFAULT_BLUR_MM)
    filters = shapes.T @ projected
    power = np.einsum("ij,ji->i", filters, shapes)
    heights = (filters @ profile.absorbance[rows]) / np.sqrt(power)[:, None]
    step_mm = float(profile.position_mm[1] - profile.position_mm[0])
    worth = _rate_likeness(profile, layout, rows, places)
    return Blanks(
        rgb=heights,
        worth=worth,
        independent=max(1.0, float(worth.sum()) * step_mm / (BLANK_APART * width)),
        step_mm=step_mm,
        usual=MEMBRANE_SD**2 * median(power),
    )


def _rate_likeness(profile: Profile, layout: Layout, rows: BoolArray, places: FloatArray) -> FloatArray:
    """How much each blank place (n,) is worth, 0..1: one in steeper shading than any mark's place is unlike it.

    What a displaced row, a lens or a fit leaves of a slope grows with the slope, its variance with the slope's square.
    """
    x = profile.position_mm
    slope = np.abs(np.gradient(running_mean(profile.absorbance @ LUMA, SLOPE_ROWS), x))
    beside = [
        median(slope[rows & (np.abs(x - mark.position) < mark.width / 2 + BESIDE_MM)])
        for mark in layout.marks.both
        if (rows & (np.abs(x - mark.position) < mark.width / 2 + BESIDE_MM)).any()
    ]
    like = LIKE_SLOPE * max([*beside, median(slope[rows])]) + STEEP_FLOOR
    return np.asarray(np.minimum(1.0, (like / np.maximum(np.interp(places, x, slope), 1e-12)) ** 2))


def _find_places(x: FloatArray, width: float) -> FloatArray:
    """The positions that have rows below a whole line about them."""
    reach = width / 2 + DEFAULT_BLUR_MM
    bin_mm = float(np.diff(x).min())
    around = (np.abs(x[:, None] - x[None]) <= reach).sum(axis=1)
    return np.asarray(x[around >= int(2 * reach / bin_mm)])


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PlateBlanks:
    """What all windows' blanks say together: those that have any, and how far each was drawn down (Algorithm S), as a
    variance; their covariance (3, 3); and of the heights that a mark's search would find in them, mean and spread."""

    known: Sequence[Blanks]
    drawn: FloatArray
    total: float
    covariance: FloatArray
    usual: float
    mean: float
    spread: float


def pool_blanks(plate: Sequence[Blanks]) -> PlateBlanks | None:
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
        search_blanks(b.luma * math.sqrt(lost * d), sd, b.step_mm) for d, b in zip(drawn, known, strict=True)
    ]
    worth = [w * b.worth / b.worth.sum() / total for w, b in zip(weights, known, strict=True)]
    # The best of noise: below 0 it is the bias of the few places, and belongs to the spread.
    mean = max(0.0, sum(float(w @ f) for w, f in zip(worth, searched, strict=True)))
    spread = sum(float(w @ (f - mean) ** 2) for w, f in zip(worth, searched, strict=True))
    usual = sum(b.independent * b.usual for b in known) / total
    return PlateBlanks(
        known=known, drawn=drawn, total=total, covariance=pooled, usual=usual, mean=mean, spread=spread
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class NoiseLevel:
    """A window's noise, in whitened luma heights: sigma of the plain fit, mean and sd after the search, degrees of
    freedom; and the covariance (3, 3) of whitened RGB heights."""

    sigma: float
    mean: float
    sd: float
    freedom: float
    rgb: FloatArray


def noise_level(own: Blanks, plate: PlateBlanks | None) -> NoiseLevel:
    """A window's noise: its own blanks and the whole plate's, by the number of independent ones.

    An odd window does not speak for the others, nor they for it (Algorithm S): it is judged more by its own.
    """
    if plate is None:
        rgb = FALLBACK_NOISE**2 * np.ones((3, 3))
        return NoiseLevel(
            sigma=FALLBACK_NOISE, mean=0.0, sd=FALLBACK_NOISE, freedom=MEMBRANE_FREEDOM, rgb=rgb
        )
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
    return NoiseLevel(
        sigma=sigma,
        mean=scale * plate.mean,
        sd=scale * math.sqrt(plate.spread + LEAST_NOISE**2),
        freedom=weight + min(lacking, MEMBRANE_FREEDOM) - 1,
        rgb=rgb,
    )
