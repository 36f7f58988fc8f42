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

from reader.measure.line_shape import LUMA, line_shape
from reader.measure.profile import ROW_MM, Profile
from reader.measure.strip import Strip
from reader.measure.surround import BEYOND_MM, Surround
from reader.numbers.arrays import BoolArray, FloatArray
from reader.numbers.median import median, medians
from reader.settings.values import Layout

TILTS = np.tan(np.radians(np.arange(-30, 30.1, 2)))
"""Slopes of a shadow's edge against the marks that are tried, mm along for each mm across."""
FINE_TILTS = np.tan(np.radians(np.arange(-2, 2.1, 0.25)))
"""Slopes tried about the best of these, as far as STRAIGHTEST."""
STRAIGHTEST = math.tan(math.radians(12))
"""Within this the edge may pass for a line, and its slope must be known well."""
TILT_SD = 0.15
"""Spread of that slope among shadows along the marks; level plastic has no direction and stays at 0."""
LANE_WEIGHT = 0.2
"""Of the rows of a lane so large a share is independent (texture and blur tie neighbours together)."""
ODD_SD = 4.0
"""A lane's row so many robust standard deviations off its side's is print, dirt or a scratch."""
ROWS_SEEN = 0.6
"""A side of the plastic counts if so large a share of its rows is seen at all,"""
LANES_MIN = 1.0
"""and so many lanes are seen on average."""
SCALES_MM = (0.5, 1.0, 2.0, 4.0)
"""Changes of light that are tried: a Matern process (smoothness 3/2) of such scale; and none."""
POWERS = tuple(10.0 ** np.arange(-1.0, 5.1, 0.5))
"""Their variances, over that of what the sides do not share."""
SLOW = 2
"""Cosine terms that a straight line takes up."""
TEXTURE_SD = 0.0007
"""Unevenness of clean plastic, luma absorbance, that is taken for granted where one side alone is seen. Common
practice, no source: mould texture and reflections of the room, half of what membranes have."""
AGREED_SD = 0.0002
"""The same where the two sides seem to agree still better: a tenth of a code, by which averages of 8-bit pixels are
off."""
SHIFT_MAX_MM = 2.6
"""The furthest shift of a shadow between the depths that is tried; a light 45 degrees from above makes it 1.5 mm."""
SHIFT_SD_MM = 1.0
"""Spread of such shifts among lights."""
SHARE = 1.1
"""How many times as deep a shadow usually is on the membrane as on the plastic: the recess sees less of the sky, and
plastic mirrors some of it."""
SHARE_SD = 0.15
"""Spread of that share."""
SHARES = np.arange(0.7, 1.55, 0.1)
"""Shares tried."""
WINDOW_SHIFT_SD_MM = 0.12
"""Spread of a single window's shift about the plate's: its own place in its opening, lens distortion."""
SHARPNESS_MM2 = 0.04
"""By how much the variance of a shadow's edge may differ between the depths, 1 sigma: penumbra, blur, tilt."""
MODES = 12
"""Modes kept of what the plastic's own texture leaves unsure."""
LEVEL = 5e-4
"""A change of light below this, in absorbance, is not taken out; it stays among what is unsure."""
COARSE_NOISE = 0.003
"""Noise of a membrane's profile while shifts are sought, luma absorbance, 1 sigma,"""
COARSE_SHARE = 0.05
"""and so large a share of the light's own change besides: the surfaces do not see all of the room alike."""
COARSE_GRAIN_MM = 0.3
"""Correlation length of half of that noise."""
COARSE_SLOW = 0.016
"""Slow baseline of a membrane's profile meanwhile, luma absorbance, 1 sigma,"""
COARSE_SLOW_SHARE = 0.3
"""and so large a share of the light's own change besides."""
COARSE_SLOW_MM = 4.0
"""Correlation length of that baseline."""
COARSE_LINE_SHARE = 0.08
"""By so large a share of its height a strong line's shape may differ from the usual one, 1 sigma."""
LINE_OFFSETS_MM = np.linspace(-0.4, 0.4, 5)
"""Places of a line about its printed one that are tried meanwhile."""
LINE_SD = 0.1
"""Height that a line may have, luma absorbance, 1 sigma: by which it must earn that it is there (Occam's factor)."""
ROWS_MIN = 12
"""Fewer rows say nothing of a shift."""
LIKELY = 1e-3
"""Shifts less likely than this, against the likeliest, are left out."""
KNOWN_SHIFT_MM = 0.15
"""A shift is known if its spread is below this; else it may be that a line on the membrane is the shadow itself."""
HARDLY_LESS = 0.05
"""Shifts from this chance on, against the likeliest, are hardly less likely."""
SHIFT_MODES = 5
"""Modes kept of what an unsure shift leaves unsure."""
SHIFT_FLOOR_MM = 0.04
"""A shift is never known better: rows are 0.19 mm apart."""
SHARE_FLOOR = 0.04
"""A share is never known better: no two surfaces see all of the room alike."""
END_MM = 2.2
"""Left out at the membrane's ends while shifts are sought, as the rim's own shadow lies there,"""
END_SHARE = 0.15
"""but no more than so large a share of its length."""
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
    absorbance, 1 sigma each: what is unsure of it. others : (m, n) luma absorbance, other changes that are hardly less
    likely, where the membrane does not tell where its shadow lies; none where it does.
    """

    plastic: bool | None
    change: FloatArray
    tilt: float
    modes: FloatArray
    others: FloatArray

    @property
    def is_level(self) -> bool:
        """Whether there is nothing to divide a strip by."""
        return not self.change.any()


def flat_shade(n: int, *, plastic: bool | None) -> Shade:
    """No change of light along a window of n rows: plastic was seen and is level; False: none was seen, so that
    nothing is known of the light; None: nobody looked, and the strip is all there is."""
    return Shade(
        plastic=plastic, change=np.zeros((n, 3)), tilt=0.0, modes=np.zeros((0, n)), others=np.zeros((0, n))
    )


def find_shades(
    surrounds: Sequence[Surround], profiles: Sequence[Profile], layout: Layout
) -> tuple[Shade, ...]:
    """Find the change of light along every window, in order. profiles : of the strips as photographed."""
    found: list[Shade] = [flat_shade(len(profile.position_mm), plastic=False) for profile in profiles]
    for members in _same_flow(surrounds):
        group = [surrounds[k] for k in members]
        tilt = _find_tilt(group)
        changes = [_plastic_change(surround, tilt) for surround in group]
        noise = _learn_unshared(changes)
        lights = [None if change is None else _light(change, noise) for change in changes]
        places = _fit_shift(lights, [profiles[k] for k in members], layout)
        for k, light in zip(members, lights, strict=True):
            if light is not None:
                found[k] = _shade(light, profiles[k], tilt, places[surrounds[k].window.id])
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


def _move_rows(values: FloatArray, rows: FloatArray) -> FloatArray:
    """Lanes (k, n, ...) at moved rows (k, n), linear between rows, ends repeated."""
    n = values.shape[1]
    low = np.clip(np.floor(rows).astype(int), 0, n - 2)
    share = np.clip(rows - low, 0.0, 1.0).reshape(*rows.shape, *(1,) * (values.ndim - 2))
    lane = np.arange(len(values))[:, None]
    return np.asarray(values[lane, low] * (1 - share) + values[lane, low + 1] * share)


def _remove_line(values: FloatArray) -> FloatArray:
    """Lanes (..., n) without their own straight line."""
    n = values.shape[-1]
    t = np.linspace(-1.0, 1.0, n)
    slope = (values @ t) / float(t @ t)
    return np.asarray(values - values.mean(axis=-1, keepdims=True) - slope[..., None] * t)


def _find_tilt(group: Sequence[Surround]) -> float:
    """The slope along which the plastic of these windows changes alike: there its lanes' mean keeps most."""
    sides = []
    for surround in group:
        whole = surround.seen.mean(axis=1) > ROWS_SEEN
        if whole.sum() >= 2:
            luma = _remove_line(_fill_gaps(surround.absorbance[whole] @ LUMA, surround.seen[whole]))
            sides.append((luma, surround.across_mm[whole]))
    best = float(TILTS[int(np.argmax(_rate_tilts(sides, TILTS)))])
    if abs(best) > STRAIGHTEST:
        return best
    near = best + FINE_TILTS
    return float(near[int(np.argmax(_rate_tilts(sides, near)))])


def _rate_tilts(sides: Sequence[tuple[FloatArray, FloatArray]], tilts: FloatArray) -> FloatArray:
    """Log likelihood (t,) of each tilt, by the absolute deviations of lanes (k, n) from each other along it."""
    support = -0.5 * (tilts / TILT_SD) ** 2
    for luma, x in sides:
        rows = tilts[:, None] * x / ROW_MM
        whole = np.floor(rows).astype(np.intp)
        beyond = int(np.abs(whole).max()) + 1
        ends = np.pad(luma, ((0, 0), (beyond, beyond)), mode="edge")
        inner = range(luma.shape[1])[INNER]
        stretches = np.lib.stride_tricks.sliding_window_view(ends, len(inner), axis=1)
        lane, first = np.arange(len(luma)), whole + inner.start + beyond
        start = stretches[lane, first]
        moved = start + (rows - whole)[..., None] * (stretches[lane, first + 1] - start)
        middle = medians(np.ascontiguousarray(moved.transpose(0, 2, 1)))
        stray = _remove_line(moved - middle[:, None])
        unlike = np.abs(stray).sum(axis=(1, 2))  # a print on two lanes has no say
        noise = 1.4826 * median(np.abs(stray[int(np.argmin(unlike))])) + 1e-4
        support -= LANE_WEIGHT * unlike / noise
    return support


def _fill_gaps(values: FloatArray, seen: BoolArray) -> FloatArray:
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
    difference = _remove_line((sides[0] - sides[1]) @ LUMA / 2) if len(sides) == 2 else None
    mean = np.mean(sides, axis=0)
    return _Change(position_mm=surround.position_mm, mean=mean, half_difference=difference)


def _side(surround: Surround, lanes: BoolArray, tilt: float) -> FloatArray | None:
    """The mean over one side's lanes, (n, 3), along the tilt; print, dirt and scratches left out; None if unseen."""
    seen = surround.seen[lanes]
    lanes = np.flatnonzero(lanes)[seen.mean(axis=1) > ROWS_SEEN]
    if len(lanes) == 0:
        return None
    rows = np.arange(len(surround.position_mm)) + tilt * surround.across_mm[lanes][:, None] / ROW_MM
    values = _move_rows(surround.absorbance[lanes], rows)
    known = _move_rows(surround.seen[lanes].astype(np.float64), rows) > 0.99
    luma = values @ LUMA
    for _ in range(3):
        middle = _row_median(np.where(known, luma, np.nan))
        stray = np.where(known, luma - middle, 0.0)
        offset = stray.sum(axis=1) / np.maximum(known.sum(axis=1), 1)
        luma = luma - offset[:, None]
        values = values - offset[:, None, None]
        stray = np.where(known, stray - offset[:, None], 0.0)
        spread = 1.4826 * median(np.abs(stray[known])) + 1e-5 if known.any() else 1.0
        known &= np.abs(stray) < ODD_SD * spread
    count = known.sum(axis=0)
    if float(count.mean()) < LANES_MIN or float((count > 0).mean()) < ROWS_SEEN:
        return None
    mean = (values * known[..., None]).sum(axis=0) / np.maximum(count, 1)[:, None]
    return _fill_gaps(mean.T, np.tile(count > 0, (3, 1))).T


def _row_median(luma: FloatArray) -> FloatArray:
    """Median over lanes (n,) of (k, n) with NaN where unseen; rows without any are drawn between the others."""
    ordered = np.sort(luma, axis=0)  # NaN come last
    count = (~np.isnan(luma)).sum(axis=0)
    rows = np.arange(len(count))
    middle = (
        ordered[np.maximum(count - 1, 0) // 2, rows] + ordered[np.minimum(count // 2, len(luma) - 1), rows]
    ) / 2
    some = count > 0
    return np.interp(rows, rows[some], middle[some]) if some.any() else np.zeros(len(rows))


# --- light against texture -------------------------------------------------------------------------------------------


@lru_cache(maxsize=16)
def _cosines(n: int) -> FloatArray:
    """The orthonormal cosine transform (DCT-II) as a matrix (n, n), one term a row."""
    k, i = np.arange(n)[:, None], np.arange(n)[None]
    matrix = np.cos(np.pi * k * (2 * i + 1) / (2 * n)) * math.sqrt(2 / n)
    matrix[0] /= math.sqrt(2)
    matrix.setflags(write=False)
    return matrix


def _learn_unshared(changes: Sequence[_Change | None]) -> dict[int, FloatArray]:
    """Power (n,) by cosine term of what a window's two sides do not share, in their mean; by number of rows.

    Smoothed over a third of an octave and over all windows of one length; never below what clean plastic has.
    """
    power: dict[int, FloatArray] = {}
    for n in {len(change.mean) for change in changes if change is not None}:
        terms = [
            (_cosines(n) @ (change.half_difference - _keep_one_sided(change.half_difference))) ** 2
            for change in changes
            if change is not None and change.half_difference is not None and len(change.mean) == n
        ]
        texture = _matern_power(n, 0.5)
        if not terms:
            power[n] = TEXTURE_SD**2 / 2 * texture
            continue
        mean = np.mean(terms, axis=0)
        below = np.concatenate([[0.0], np.cumsum(mean)])
        k = np.arange(n)
        low = np.maximum(SLOW, (k / 1.3).astype(int))
        high = np.minimum(n, np.maximum(SLOW + 3, (k * 1.3).astype(int) + 2))
        smooth = (below[high] - below[low]) / (high - low)
        power[n] = np.maximum(smooth, AGREED_SD**2 * texture)
    return power


def _keep_one_sided(half_difference: FloatArray) -> FloatArray:
    """What of the sides' difference (n,) is no texture: a shadow on one side alone, or an edge that lies askew."""
    spread = 1.4826 * median(np.abs(half_difference)) + 1e-5
    return np.asarray(half_difference - np.clip(half_difference, -ODD_SD * spread, ODD_SD * spread))


def _matern_power(n: int, scale_mm: float) -> FloatArray:
    """Power by cosine term (n,) of a Matern process of smoothness 3/2 and variance 1 (Rasmussen & Williams 2006,
    4.15), normalised over the terms."""
    frequency = np.pi * np.arange(n) / (n * ROW_MM)
    density = (3 / scale_mm**2 + frequency**2) ** -2
    return np.asarray(density * n / density.sum())


@lru_cache(maxsize=16)
def _powers_to_try(n: int) -> FloatArray:
    """Powers by cosine term (k, n) that a light may have, over the noise's: none, and every scale and strength."""
    tried = [np.zeros(n)]
    tried += [factor * _matern_power(n, scale_mm) for scale_mm in SCALES_MM for factor in POWERS]
    powers = np.stack(tried)
    powers.setflags(write=False)
    return powers


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
    uneven = _remove_line(change.mean.T).T
    terms = cosines @ uneven
    power = (terms @ LUMA) ** 2
    scale = float(noise[SLOW:].mean())
    tried = scale * _powers_to_try(n)
    total = tried + noise
    unlikely = (np.log(total) + power / total)[:, SLOW:].sum(axis=1)
    weight = np.exp(-0.5 * (unlikely - unlikely.min()))
    weight /= weight.sum()
    kept = weight @ (tried / total)
    unsure = weight @ (tried * noise / total)
    unsure[:SLOW] = 0.0
    strongest = np.argsort(unsure)[::-1][:MODES]
    modes = np.sqrt(unsure[strongest])[:, None] * cosines[strongest]
    if change.half_difference is not None:
        modes = np.concatenate([modes, _keep_one_sided(change.half_difference)[None]])
    found = cosines.T @ (kept[:, None] * terms)
    if np.abs(found).max() < LEVEL:
        modes = np.concatenate([modes, (found @ LUMA)[None]])
        return _Light(position_mm=change.position_mm, change=np.zeros((n, 3)), modes=modes)
    modes = np.concatenate([modes, ((uneven - found) @ LUMA)[None]])
    found += change.mean - uneven - change.mean.mean(axis=0)
    return _Light(position_mm=change.position_mm, change=found, modes=modes)


# --- from the top face down to the membrane --------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Place:
    """How a window's light lies on its membrane: the chances (n,) of SHIFTS along the flow, and the share of it."""

    chances: FloatArray
    share: float
    share_se: float


SHIFTS = np.arange(-SHIFT_MAX_MM, SHIFT_MAX_MM + 1e-9, 0.05)
"""Shifts tried, mm."""


def _fit_shift(
    lights: Sequence[_Light | None], profiles: Sequence[Profile], layout: Layout
) -> dict[str, _Place]:
    """One shift and one share for all windows, then each window's own shift about it; by window."""
    seen = [(light, profile) for light, profile in zip(lights, profiles, strict=True) if light is not None]
    each = [_unlikelihoods(light, profile, layout) for light, profile in seen]
    prior = ((SHARES - SHARE) / SHARE_SD)[:, None] ** 2 + (SHIFTS / SHIFT_SD_MM) ** 2
    total = sum(each, prior)
    share, share_se = _moments(_posterior(total).sum(axis=1), SHARES)
    apart = SHIFTS[:, None] - SHIFTS[None]
    near = np.exp(-0.5 * (apart / WINDOW_SHIFT_SD_MM) ** 2)
    best = int(np.argmin(np.abs(SHARES - share)))
    places = {}
    for (_, profile), unlikely in zip(seen, each, strict=True):
        by_others = near @ _posterior(total - unlikely).sum(axis=0)
        places[profile.window.id] = _Place(
            chances=_posterior(unlikely[best] - 2 * np.log(by_others + 1e-300)),
            share=share,
            share_se=math.hypot(share_se, SHARE_FLOOR),
        )
    return places


def _posterior(unlikely: FloatArray) -> FloatArray:
    """Probabilities, sum 1, of minus twice their logarithms."""
    weight = np.exp(-0.5 * (unlikely - unlikely.min()))
    return np.asarray(weight / weight.sum())


def _moments(weight: FloatArray, values: FloatArray) -> tuple[float, float]:
    """Mean and standard deviation of values by their probabilities."""
    mean = float(weight @ values)
    return mean, math.sqrt(float(weight @ (values - mean) ** 2))


def _unlikelihoods(light: _Light, profile: Profile, layout: Layout) -> FloatArray:
    """Minus twice the log likelihood (n shares, n shifts) of a membrane's profile with so much of the light taken out.

    What is left may hold a smooth baseline, and at each mark a line that absorbs: never one that gives light.
    """
    luma = light.change @ LUMA
    if not luma.any():
        return np.zeros((len(SHARES), len(SHIFTS)))
    x = profile.position_mm
    end = min(END_MM, END_SHARE * profile.window.length)
    rows = profile.valid & (x > end) & (x < profile.window.length - end)
    if rows.sum() < ROWS_MIN:
        return np.zeros((len(SHARES), len(SHIFTS)))
    x = x[rows]
    y = profile.absorbance[rows] @ LUMA
    marks = layout.marks.both
    projected = _smooth_projection(x, y, float(luma.std()), [(mark.position, mark.width) for mark in marks])
    moved = np.stack([np.interp(x + shift, light.position_mm, luma) for shift in SHIFTS])
    left = y - SHARES[:, None, None] * moved
    weighted = left @ projected
    unlikely = (left * weighted).sum(axis=2)
    for mark in marks:
        lines = line_shape(x - mark.position - LINE_OFFSETS_MM[:, None], mark.width, DEFAULT_BLUR_MM)
        power = np.einsum("ij,jk,ik->i", lines, projected, lines)
        gain = np.maximum(weighted @ lines.T, 0.0) ** 2 / np.maximum(power, 1e-12)
        unlikely -= 2 * np.logaddexp(0.0, 0.5 * (gain - np.log1p(LINE_SD**2 * power)).max(axis=2))
    return np.asarray(unlikely)


def _smooth_projection(
    x: FloatArray, y: FloatArray, depth: float, marks: Sequence[tuple[float, float]]
) -> FloatArray:
    """Inverse covariance (n, n) of a membrane's profile under a shadow of some depth, a straight line projected out.

    marks : place and width, mm; a strong line's shape differs from the model's by a share of its height.
    """
    apart = x[:, None] - x[None]
    noise = COARSE_NOISE**2 + (COARSE_SHARE * depth) ** 2
    slow = COARSE_SLOW**2 + (COARSE_SLOW_SHARE * depth) ** 2
    covariance = noise * (np.eye(len(x)) + np.exp(-np.abs(apart) / COARSE_GRAIN_MM))
    covariance += slow * np.exp(-0.5 * (apart / COARSE_SLOW_MM) ** 2)
    for place, width in marks:
        near = np.abs(x - place) < width
        height = float(y[near].max() - median(y)) if near.any() else 0.0
        shape = (
            COARSE_LINE_SHARE * max(height - depth, 0.0) * line_shape(x - place, 2 * width, DEFAULT_BLUR_MM)
        )
        covariance += np.diag(shape**2)
    inverse = np.linalg.inv(covariance)
    trend = np.stack([np.ones_like(x), x - x.mean()], axis=1)
    weighted = inverse @ trend
    return np.asarray(inverse - weighted @ np.linalg.solve(trend.T @ weighted, weighted.T))


def _shade(light: _Light, profile: Profile, tilt: float, place: _Place) -> Shade:
    """The light as it lies on the membrane, over all shifts by their chances, and all that is unsure of it."""
    likely = place.chances > LIKELY * place.chances.max()
    chances = place.chances[likely] / place.chances[likely].sum()
    at = profile.position_mm + SHIFTS[likely][:, None]
    moved = place.share * np.stack(
        [np.interp(at, light.position_mm, light.change[:, c]) for c in range(3)], axis=2
    )
    change = np.einsum("i,ijk->jk", chances, moved)
    luma = change @ LUMA
    slope = np.gradient(luma, ROW_MM)
    shift, spread = _moments(chances, SHIFTS[likely])
    known = spread < KNOWN_SHIFT_MM or not light.change.any()
    others = (moved @ LUMA)[chances > HARDLY_LESS * chances.max()]
    modes = [
        *_strongest(np.sqrt(chances)[:, None] * (moved @ LUMA - luma)),
        SHIFT_FLOOR_MM * slope,
        place.share_se / place.share * luma,
        SHARPNESS_MM2 / 2 * np.gradient(slope, ROW_MM),
        *(np.interp(profile.position_mm + shift, light.position_mm, mode) for mode in light.modes),
    ]
    return Shade(
        plastic=True, change=change, tilt=tilt, modes=np.stack(modes), others=others[:0] if known else others
    )


def _strongest(curves: FloatArray) -> FloatArray:
    """Few curves (k, n) of the same covariance as many (m, n)."""
    if not curves.any():
        return np.zeros((0, curves.shape[1]))
    _, turned = np.linalg.eigh(curves @ curves.T)
    return np.asarray(turned.T[::-1][:SHIFT_MODES] @ curves)
