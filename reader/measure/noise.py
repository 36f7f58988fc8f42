"""The noise of blank membranes, learnt from the stretches where the layout has no mark, all windows together.

The baseline is a Gaussian process about a straight line, the noise has a white and a short-range part (paper, noise
reduction, JPEG); their variances are learnt by restricted maximum likelihood (Patterson & Thompson, Biometrika
58, 1971).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from reader.measure.line_shape import LUMA
from reader.measure.profile import Profile
from reader.measure.rows import blank_rows
from reader.measure.shade import Shade
from reader.numbers.arrays import BoolArray, FloatArray
from reader.numbers.median import median
from reader.settings.values import Layout

TEXTURE_MM = 0.3
"""Correlation length of paper texture and of what noise reduction and JPEG leave."""
TEXTURE_RATIOS = (0.0, 0.5, 2.0, 8.0)
"""Variances tried for texture, over the white noise's."""
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
"""Variances tried for the baseline, over the white noise's, with its correlation length (mm)."""
MIN_BLANK_ROWS = 16
"""Fewer rows without a mark say nothing of the noise."""
FALLBACK_NOISE = 0.004
"""Whitened blank height assumed where a plate has no blank stretch at all (8-bit noise of one code)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class NoiseModel:
    """What the blank stretches of a plate say: variances over the white noise's, the baseline's scale, mm, and the
    white noise's own variance (luma absorbance squared)."""

    texture: float
    baseline: float
    baseline_mm: float
    white: float = FALLBACK_NOISE**2


def learn_noise(profiles: Sequence[Profile], shades: Sequence[Shade], layout: Layout) -> NoiseModel:
    """The noise model of highest restricted likelihood over all blank rows: baseline, then texture, until both stay.

    What a shade leaves unsure is no noise of the paper's: its strongest curves are taken out of the profiles first.
    """
    groups: dict[int, list[int]] = {}
    for k, profile in enumerate(profiles):
        groups.setdefault(len(profile.position_mm), []).append(k)
    stretches = []
    for members in groups.values():
        rows = np.logical_and.reduce([blank_rows(profiles[k], layout) for k in members])
        if rows.sum() >= MIN_BLANK_ROWS:
            y = np.stack([_remove_modes(profiles[k], shades[k], rows) for k in members], axis=1)
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


def _remove_modes(profile: Profile, shade: Shade, rows: BoolArray) -> FloatArray:
    """A profile's luma (n,) on these rows, without what the curves of its shade's modes explain of it."""
    y = np.asarray(profile.absorbance[rows] @ LUMA)
    modes = shade.modes[:, rows]
    if not modes.any():
        return y
    trend = straight_trend(profile.position_mm[rows])
    design = np.concatenate([modes.T, trend], axis=1)
    ridge = np.diag([1.0] * len(modes) + [0.0, 0.0]) * FALLBACK_NOISE**2
    share = np.linalg.solve(design.T @ design + ridge + 1e-12 * np.eye(len(ridge)), design.T @ y)
    return np.asarray(y - modes.T @ share[: len(modes)])


class _Stretch:
    """Blank profiles (n, m) at positions x (n,), and the parts of their covariance, worked out once."""

    def __init__(self, x: FloatArray, profiles: FloatArray) -> None:
        self._profiles, self._trend = profiles, straight_trend(x)
        self._white = np.eye(len(x))
        self._texture = (
            rough_covariance(x, NoiseModel(texture=1.0, baseline=0.0, baseline_mm=1.0)) - self._white
        )
        self._baselines = {
            scale_mm: baseline_covariance(x, NoiseModel(texture=0.0, baseline=1.0, baseline_mm=scale_mm))
            for scale_mm in {scale_mm for _, scale_mm in BASELINES}
        }

    def unlikelihood(self, noise: NoiseModel) -> tuple[float, FloatArray]:
        """As `_unlikelihood`, by a noise model."""
        covariance = self._white + noise.texture * self._texture
        covariance = covariance + noise.baseline * self._baselines[noise.baseline_mm]
        return _unlikelihood(covariance, self._trend, self._profiles)


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


def blank_covariance(x: FloatArray, noise: NoiseModel) -> FloatArray:
    """Covariance (n, n) of a blank profile at positions x, in units of the white noise's variance."""
    return np.asarray(rough_covariance(x, noise) + baseline_covariance(x, noise))


def rough_covariance(x: FloatArray, noise: NoiseModel) -> FloatArray:
    """The white and the short-range noise's part of it (n, n)."""
    apart = np.abs(x[:, None] - x[None])
    return np.asarray(np.eye(len(x)) + noise.texture * np.exp(-apart / TEXTURE_MM))


def baseline_covariance(x: FloatArray, noise: NoiseModel) -> FloatArray:
    """The baseline's part of it (n, n)."""
    apart = x[:, None] - x[None]
    return np.asarray(noise.baseline * np.exp(-0.5 * (apart / noise.baseline_mm) ** 2))


def straight_trend(x: FloatArray) -> FloatArray:
    """The straight line under the baseline's Gaussian process: (n, 2)."""
    return np.stack([np.ones_like(x), (x - x.mean()) / max(float(np.ptp(x)), 1e-9)], axis=1)


def project_out(covariance: FloatArray, trend: FloatArray) -> FloatArray:
    """Inverse covariance with the trend projected out, (n, n)."""
    inverse = np.linalg.inv(covariance)
    weighted = inverse @ trend
    return np.asarray(inverse - weighted @ np.linalg.solve(trend.T @ weighted, weighted.T))
