"""How the light changes along each window, as the plastic beside it shows, and how surely.

Light that falls on the membrane falls on the plate too; dye does not. What both sides of a window show alike is the
light; what only one side shows is the plastic's own texture, a print, a scratch. A membrane lies below the top face,
so under a slanted light its shadow is shifted along the flow: by as much in all windows of one direction, which the
membranes themselves tell. Strips are divided by the light so found before anything is measured on them. What stays
unsure of it (shift, share, sharpness, the plastic's own texture) goes on as modes: curves, one standard deviation
each, by which the membrane's light may still differ. They enter every height's error.

The plastic's change is estimated by a Wiener filter (Wiener 1949; its likelihood by Whittle, Arkiv foer Matematik 2,
1953, 423) in the cosine transform's domain: what both sides share against what they do not.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from reader.line import LUMA, line_shape
from reader.profile import ROW_MM, Profile
from reader.settings import Layout
from reader.strip import Strip
from reader.surround import BEYOND_MM, Surround

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

TILTS = np.tan(
    np.radians(np.concatenate([np.arange(-30, -10, 2), np.arange(-10, 10.5, 0.5), np.arange(12, 31, 2)]))
)
"""Slopes of a shadow's edge against the marks that are tried, mm along for each mm across."""
TILT_SD = 0.15
"""Spread of that slope among shadows along the marks; level plastic has no direction and stays at 0."""
LANE_WEIGHT = 0.2
"""Of the rows of a lane so large a share is independent (texture and blur tie neighbours together)."""
ODD_SD = 4.0
"""A lane's row so many robust standard deviations off its side's is print, dirt or a scratch."""
ROWS_SEEN = 0.6
LANES_MIN = 1.0
"""A side counts from so many lanes seen on average, if so large a share of its rows is seen at all."""
SCALES_MM = (0.5, 1.0, 2.0, 4.0)
POWERS = tuple(10.0 ** np.arange(-1.0, 5.1, 0.5))
"""Changes of light that are tried: a Matern process (smoothness 3/2) of such scale and of so many times the variance
of what the sides do not share; and none."""
SLOW = 2
"""Cosine terms that a straight line takes up."""
TEXTURE_SD = 0.0007
"""Unevenness of clean plastic, luma absorbance, that is taken for granted where one side alone is seen or the sides
happen to agree. Common practice, no source: mould texture and reflections of the room, half of what membranes have."""
SHIFT_MAX_MM = 2.6
SHIFT_SD_MM = 1.0
"""A light 45 degrees from above shifts a shadow by the membrane's depth, 1.5 mm; the steepest useful shift tried."""
SHARE = 1.1
SHARE_SD = 0.15
SHARE_RANGE = (0.6, 1.6)
"""By which share of itself a shadow on the membrane may be deeper or paler than on the plastic: the recess sees less
of the sky, and plastic mirrors some of it."""
WINDOW_SHIFT_SD_MM = 0.12
"""Spread of a single window's shift about the plate's: its own place in its opening, lens distortion."""
SHARPNESS_MM2 = 0.04
"""By how much the variance of a shadow's edge may differ between the depths, 1 sigma: penumbra, blur, tilt."""
MODES = 12
"""Modes kept of what the plastic's own texture leaves unsure."""
LEVEL = 5e-4
"""A change of light below this, in absorbance, is not taken out; it stays among what is unsure."""
COARSE_NOISE = 0.003
COARSE_SHARE = 0.05
COARSE_GRAIN_MM = 0.3
COARSE_SLOW = 0.016
COARSE_SLOW_SHARE = 0.3
COARSE_SLOW_MM = 4.0
"""While shifts are sought, a membrane's profile has such noise and such a slow baseline (luma absorbance, 1 sigma),
each with so large a share of the light's own change besides: the surfaces do not see all of the room alike."""
END_MM = 2.2
END_SHARE = 0.15
"""The membrane's ends are left out of that, as the rim's own shadow lies there: by so much, or by so large a share."""
DEFAULT_BLUR_MM = 0.2
"""A line's blur where none is known yet, 1 sigma."""
INNER = slice(round(BEYOND_MM / ROW_MM), -round(BEYOND_MM / ROW_MM))
"""The rows beside the window itself."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Shade:
    """The change of light along one window.

    plastic : whether plastic beside the window was seen at all; if not, nothing is known of the light; None where
    nobody looked.
    change : (n, 3) absorbance RGB that the light adds along the window's middle, on the rows of its profile; 0 where
    the light is level. tilt : mm along the flow by which the change moves for each mm across. modes : (k, n) luma
    absorbance, 1 sigma each: what is unsure of it.
    """

    plastic: bool | None
    change: FloatArray
    tilt: float
    modes: FloatArray

    @property
    def is_level(self) -> bool:
        """Whether there is nothing to divide a strip by."""
        return not self.change.any()


def unasked_shade(n: int) -> Shade:
    """Say that nobody looked at the plastic beside a window of n rows: its strip is all there is."""
    return Shade(plastic=None, change=np.zeros((n, 3)), tilt=0.0, modes=np.zeros((0, n)))


def unknown_shade(n: int) -> Shade:
    """Say that nothing is known of the light on a window of n rows, as no plastic was seen beside it."""
    return Shade(plastic=False, change=np.zeros((n, 3)), tilt=0.0, modes=np.zeros((0, n)))


def level_shade(n: int) -> Shade:
    """Say that the light on a window of n rows is known to be level."""
    return Shade(plastic=True, change=np.zeros((n, 3)), tilt=0.0, modes=np.zeros((0, n)))


def find_shades(
    surrounds: Sequence[Surround], profiles: Sequence[Profile], layout: Layout
) -> tuple[Shade, ...]:
    """Find the change of light along every window, in order. profiles : of the strips as photographed."""
    found: list[Shade] = [unknown_shade(len(profile.position_mm)) for profile in profiles]
    for members in _same_flow(surrounds):
        group = [surrounds[k] for k in members]
        tilt = _find_tilt(group)
        changes = [_plastic_change(surround, tilt) for surround in group]
        noise = _unshared(changes)
        lights = [None if change is None else _light(change, noise) for change in changes]
        fit = _fit_shift(lights, [profiles[k] for k in members], layout)
        for k, light in zip(members, lights, strict=True):
            if light is not None:
                found[k] = _shade(light, profiles[k], tilt, fit.at(surrounds[k].window.id))
    return tuple(found)


def level_strip(strip: Strip, shade: Shade) -> Strip:
    """Divide a strip by the change of light found along its window."""
    if shade.is_level:
        return strip
    n, m = strip.valid.shape
    x = (np.arange(m) + 0.5) / strip.px_per_mm - strip.window.breadth / 2
    y = (np.arange(n) + 0.5) / strip.px_per_mm
    rows = (np.arange(len(shade.change)) + 0.5) * ROW_MM
    at = y[:, None] - shade.tilt * x[None]
    gain = np.stack([10 ** np.interp(at, rows, shade.change[:, c]) for c in range(3)], axis=2)
    light = (strip.linear * gain).astype(np.float32)
    light.setflags(write=False)
    return replace(strip, linear=light)


# --- the plastic -----------------------------------------------------------------------------------------------------


def _same_flow(surrounds: Sequence[Surround]) -> list[list[int]]:
    """Windows whose flow has one direction: the same edge lies along all of them, shifted alike."""
    groups: dict[tuple[float, float], list[int]] = {}
    for k, surround in enumerate(surrounds):
        x, y = surround.window.flow
        groups.setdefault((round(x, 1), round(y, 1)), []).append(k)
    return list(groups.values())


def _moved(values: FloatArray, rows: FloatArray) -> FloatArray:
    """Lanes (k, n, ...) at moved rows (k, n), linear between rows, ends repeated."""
    n = values.shape[1]
    low = np.clip(np.floor(rows).astype(int), 0, n - 2)
    share = np.clip(rows - low, 0.0, 1.0).reshape(*rows.shape, *(1,) * (values.ndim - 2))
    lane = np.arange(len(values))[:, None]
    return np.asarray(values[lane, low] * (1 - share) + values[lane, low + 1] * share)


def _straight_out(values: FloatArray) -> FloatArray:
    """Lanes (..., n) without their own straight line."""
    n = values.shape[-1]
    t = np.linspace(-1.0, 1.0, n)
    slope = (values @ t) / float(t @ t)
    return np.asarray(values - values.mean(axis=-1, keepdims=True) - slope[..., None] * t)


def _find_tilt(group: Sequence[Surround]) -> float:
    """The slope along which the plastic of these windows changes alike: there its lanes' mean keeps most."""
    support = -0.5 * (TILTS / TILT_SD) ** 2
    for surround in group:
        whole = surround.seen.mean(axis=1) > ROWS_SEEN
        if whole.sum() < 2:
            continue
        luma = _straight_out(_filled(surround.absorbance[whole] @ LUMA, surround.seen[whole]))
        rows = np.arange(luma.shape[1], dtype=np.float64)
        x = surround.across_mm[whole]
        moved = [_moved(luma, rows[None] + tilt * x[:, None] / ROW_MM) for tilt in TILTS]
        stray = [_straight_out((lanes - lanes.mean(axis=0))[:, INNER]) for lanes in moved]
        unlike = np.array([float((lanes**2).sum()) for lanes in stray])
        noise = (1.4826 * float(np.median(np.abs(stray[int(np.argmin(unlike))])))) ** 2 + 1e-8
        support -= 0.5 * LANE_WEIGHT * unlike / noise
    return float(TILTS[int(np.argmax(support))])


def _filled(values: FloatArray, seen: BoolArray) -> FloatArray:
    """Lanes (k, n) with what was not seen drawn straight between what was."""
    rows = np.arange(values.shape[1])
    return np.stack(
        [
            np.interp(rows, rows[ok], lane[ok]) if ok.any() else np.zeros(len(rows))
            for lane, ok in zip(values, seen, strict=True)
        ]
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Change:
    """What the plastic beside a window shows: the mean of its sides (n, 3), and half of their difference in luma
    (n,) without its straight line, or None of a single side."""

    position_mm: FloatArray
    mean: FloatArray
    half_difference: FloatArray | None


def _plastic_change(surround: Surround, tilt: float) -> _Change | None:
    sides = [
        side
        for sign in (-1, 1)
        if (side := _side(surround, np.sign(surround.across_mm) == sign, tilt)) is not None
    ]
    if not sides:
        return None
    difference = _straight_out((sides[0] - sides[1]) @ LUMA / 2) if len(sides) == 2 else None
    mean = np.mean(sides, axis=0)
    return _Change(position_mm=surround.position_mm, mean=mean, half_difference=difference)


def _side(surround: Surround, lanes: BoolArray, tilt: float) -> FloatArray | None:
    """The mean over one side's lanes, (n, 3), along the tilt; print, dirt and scratches left out; None if unseen."""
    seen = surround.seen[lanes]
    lanes = np.flatnonzero(lanes)[seen.mean(axis=1) > ROWS_SEEN]
    if len(lanes) == 0:
        return None
    rows = np.arange(len(surround.position_mm)) + tilt * surround.across_mm[lanes][:, None] / ROW_MM
    values = _moved(surround.absorbance[lanes], rows)
    known = _moved(surround.seen[lanes].astype(np.float64), rows) > 0.99
    for _ in range(3):
        luma = np.where(known, values @ LUMA, np.nan)
        middle = _row_median(luma)
        stray = np.where(known, values @ LUMA - middle, 0.0)
        offset = stray.sum(axis=1) / np.maximum(known.sum(axis=1), 1)
        values = values - offset[:, None, None]
        stray = np.where(known, stray - offset[:, None], 0.0)
        spread = 1.4826 * float(np.median(np.abs(stray[known]))) + 1e-5 if known.any() else 1.0
        known &= np.abs(stray) < ODD_SD * spread
    count = known.sum(axis=0)
    if float(count.mean()) < LANES_MIN or float((count > 0).mean()) < ROWS_SEEN:
        return None
    mean = (values * known[..., None]).sum(axis=0) / np.maximum(count, 1)[:, None]
    return _filled(mean.T, np.tile(count > 0, (3, 1))).T


def _row_median(luma: FloatArray) -> FloatArray:
    """Median over lanes (n,) of (k, n) with NaN where unseen; rows without any are drawn between the others."""
    some = ~np.isnan(luma).all(axis=0)
    middle = np.zeros(luma.shape[1])
    middle[some] = np.nanmedian(luma[:, some], axis=0)
    rows = np.arange(len(middle))
    return np.interp(rows, rows[some], middle[some]) if some.any() else middle


# --- light against texture -------------------------------------------------------------------------------------------


@lru_cache(maxsize=16)
def _cosines(n: int) -> FloatArray:
    """The orthonormal cosine transform (DCT-II) as a matrix (n, n), one term a row."""
    k, i = np.arange(n)[:, None], np.arange(n)[None]
    matrix = np.cos(np.pi * k * (2 * i + 1) / (2 * n)) * math.sqrt(2 / n)
    matrix[0] /= math.sqrt(2)
    matrix.setflags(write=False)
    return matrix


def _unshared(changes: Sequence[_Change | None]) -> dict[int, FloatArray]:
    """Power (n,) by cosine term of what a window's two sides do not share, in their mean; by number of rows.

    Smoothed over a third of an octave and over all windows of one length; never below what clean plastic has.
    """
    power: dict[int, FloatArray] = {}
    for n in {len(change.mean) for change in changes if change is not None}:
        terms = [
            (_cosines(n) @ change.half_difference) ** 2
            for change in changes
            if change is not None and change.half_difference is not None and len(change.mean) == n
        ]
        floor = _matern_power(n, 0.5)
        floor = floor * (TEXTURE_SD**2 / 2 * n / floor.sum())
        if not terms:
            power[n] = 2 * floor
            continue
        mean = np.mean(terms, axis=0)
        smooth = np.empty(n)
        for k in range(n):
            low, high = max(SLOW, int(k / 1.3)), max(SLOW + 3, int(k * 1.3) + 2)
            smooth[k] = mean[low:high].mean()
        power[n] = np.maximum(smooth, floor)
    return power


def _matern_power(n: int, scale_mm: float) -> FloatArray:
    """Power by cosine term (n,) of a Matern process of smoothness 3/2 and variance 1 (Rasmussen & Williams 2006,
    4.15), normalised over the terms."""
    frequency = np.pi * np.arange(n) / (n * ROW_MM)
    density = (3 / scale_mm**2 + frequency**2) ** -2
    return np.asarray(density * n / density.sum())


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Light:
    """The light along one window in the top face: change (n, 3), and modes (k, n) of what its texture leaves unsure."""

    position_mm: FloatArray
    change: FloatArray
    modes: FloatArray


def _light(change: _Change, unshared: dict[int, FloatArray]) -> _Light:
    """Wiener's estimate of what both sides share; the power of that by Whittle's likelihood."""
    n = len(change.mean)
    noise = unshared[n] * (1 if change.half_difference is not None else 2)
    cosines = _cosines(n)
    uneven = _straight_out(change.mean.T).T
    terms = cosines @ uneven
    power = (terms @ LUMA) ** 2
    scale = float(noise[SLOW:].mean())
    tried = np.stack(
        [np.zeros(n)]
        + [factor * scale * _matern_power(n, scale_mm) for scale_mm in SCALES_MM for factor in POWERS]
    )
    total = tried + noise
    unlikely = (np.log(total) + power / total)[:, SLOW:].sum(axis=1)
    weight = np.exp(-0.5 * (unlikely - unlikely.min()))
    weight /= weight.sum()
    kept = weight @ (tried / total)
    unsure = weight @ (tried * noise / total)
    unsure[:SLOW] = 0.0
    strongest = np.argsort(unsure)[::-1][:MODES]
    modes = np.sqrt(unsure[strongest])[:, None] * cosines[strongest]
    found = cosines.T @ (kept[:, None] * terms)
    if np.abs(found).max() < LEVEL:
        modes = np.concatenate([modes, (found @ LUMA)[None]])
        return _Light(position_mm=change.position_mm, change=np.zeros((n, 3)), modes=modes)
    found += change.mean - uneven - change.mean.mean(axis=0)
    return _Light(position_mm=change.position_mm, change=found, modes=modes)


# --- from the top face down to the membrane --------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class _Place:
    """How a window's light lies on its membrane: shift along the flow, mm, with its error, and the share of it."""

    shift_mm: float
    shift_se: float
    share: float
    share_se: float


@dataclass(frozen=True, kw_only=True, slots=True)
class _ShiftFit:
    """The places of all windows of one flow."""

    places: tuple[tuple[str, _Place], ...]

    def at(self, window: str) -> _Place:
        """The place of one window."""
        return dict(self.places)[window]


SHIFTS = np.arange(-SHIFT_MAX_MM, SHIFT_MAX_MM + 1e-9, 0.05)


def _fit_shift(lights: Sequence[_Light | None], profiles: Sequence[Profile], layout: Layout) -> _ShiftFit:
    """One shift and one share for all windows; then each window's own shift about it."""
    seen = [(light, profile) for light, profile in zip(lights, profiles, strict=True) if light is not None]
    if not seen:
        return _ShiftFit(places=())
    sums = [_shift_sums(light, profile, layout) for light, profile in seen]
    cross, square = (np.sum([one[k] for one in sums], axis=0) for k in (0, 1))
    prior = 1 / SHARE_SD**2
    share = np.clip((cross + SHARE * prior) / (square + prior), *SHARE_RANGE)
    unlikely = (
        share**2 * square - 2 * share * cross + prior * (share - SHARE) ** 2 + (SHIFTS / SHIFT_SD_MM) ** 2
    )
    shift, _ = _posterior(unlikely)
    common = float(np.interp(shift, SHIFTS, share))
    common_se = float(np.interp(shift, SHIFTS, 1 / np.sqrt(square + prior)))
    places = []
    for (_, profile), (cross, square) in zip(seen, sums, strict=True):
        near = (common**2 * square - 2 * common * cross) + ((SHIFTS - shift) / WINDOW_SHIFT_SD_MM) ** 2
        own, own_se = _posterior(near)
        places.append(
            (
                profile.window.id,
                _Place(shift_mm=own, shift_se=own_se, share=common, share_se=common_se),
            )
        )
    return _ShiftFit(places=tuple(places))


def _posterior(unlikely: FloatArray) -> tuple[float, float]:
    """Mean and standard deviation over SHIFTS of a minus twice log posterior, about its best place."""
    weight = np.exp(-0.5 * (unlikely - unlikely.min()))
    weight /= weight.sum()
    mean = float(weight @ SHIFTS)
    return mean, math.sqrt(float(weight @ (SHIFTS - mean) ** 2))


def _shift_sums(light: _Light, profile: Profile, layout: Layout) -> tuple[FloatArray, FloatArray]:
    """For every shift: the light's product with the membrane's profile, and with itself, marks and a smooth baseline
    projected out, over the noise's variance."""
    x = profile.position_mm
    end = min(END_MM, END_SHARE * profile.window.length)
    rows = profile.valid & (x > end) & (x < profile.window.length - end)
    x = x[rows]
    y = profile.absorbance[rows] @ LUMA
    apart = x[:, None] - x[None]
    luma = light.change @ LUMA
    if not luma.any():
        return np.zeros(len(SHIFTS)), np.zeros(len(SHIFTS))
    depth = float(luma.std())
    noise = COARSE_NOISE**2 + (COARSE_SHARE * depth) ** 2
    slow = COARSE_SLOW**2 + (COARSE_SLOW_SHARE * depth) ** 2
    covariance = noise * (np.eye(len(x)) + np.exp(-np.abs(apart) / COARSE_GRAIN_MM))
    covariance += slow * np.exp(-0.5 * (apart / COARSE_SLOW_MM) ** 2)
    lines = [
        line_shape(x - mark.position - off, mark.width, DEFAULT_BLUR_MM)
        for mark in (layout.marks.indicator, layout.marks.reference)
        for off in (-0.25, 0.0, 0.25)
    ]
    inverse = np.linalg.inv(covariance)
    known = np.stack([np.ones_like(x), x - x.mean(), *lines], axis=1)
    weighted = inverse @ known
    inner = known.T @ weighted + np.eye(known.shape[1])
    projected = inverse - weighted @ np.linalg.solve(inner, weighted.T)
    moved = np.stack([np.interp(x + shift, light.position_mm, luma) for shift in SHIFTS], axis=1)
    by = projected @ moved
    return by.T @ y, np.einsum("ij,ij->j", moved, by)


def _shade(light: _Light, profile: Profile, tilt: float, place: _Place) -> Shade:
    """The light as it lies on the membrane, and all that is unsure of it."""
    at = profile.position_mm + place.shift_mm
    change = place.share * np.stack(
        [np.interp(at, light.position_mm, light.change[:, c]) for c in range(3)], axis=1
    )
    luma = change @ LUMA
    slope = np.gradient(luma, ROW_MM)
    modes = [
        place.shift_se * slope,
        place.share_se / place.share * luma,
        SHARPNESS_MM2 / 2 * np.gradient(slope, ROW_MM),
        *(np.interp(at, light.position_mm, mode) for mode in light.modes),
    ]
    return Shade(plastic=True, change=change, tilt=tilt, modes=np.stack(modes))
