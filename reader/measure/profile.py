"""A strip -> its profile: absorbance along the flow, robust over the breadth, with what its spread says of noise."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.measure.strip import DARK, STRIP_PX_PER_MM, Strip
from reader.numbers.arrays import FloatArray
from reader.numbers.median import median, medians
from reader.settings.values import Window

BIN_ALONG_PX = 3
"""Strip samples a bin along the flow: five bins over a 1 mm line."""
BIN_ACROSS_PX = 2
"""And across it: about one bin over a hair that runs along the flow."""
ROW_MM = BIN_ALONG_PX / STRIP_PX_PER_MM
"""Length of a profile's row along the flow."""
LANE_MM = 0.5
"""Breadth of a lane: wide against the blur, so that lanes are nearly independent of each other."""
NEUTRAL = np.array([0.25, 0.5, 0.25])
"""Weights of the channels where foreign bodies are sought: they are neutral, and green is sharpest in a mosaic."""
OUTLIER_SD = 4.0
"""A sample (or a small patch) so many robust standard deviations off its row's range is foreign (1 in 16,000)."""
LANE_SHARE = 0.5
"""Share of a lane's bins that must be clean for the lane to count."""
ROW_SHARE = 0.25
"""Share of a row's bins that must be clean for the row to count."""
PATCH_MM = 0.4
"""Side of the patch over which a weak but extended foreign body is sought."""
ENVELOPE_MM = 0.3
"""A line may lie this far up or down the flow in another part of the breadth (slant) and is not foreign there."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Profile:
    """One window's absorbance along the flow, RGB.

    position_mm : (n,) from the membrane's upstream end. absorbance, standard_error : (n, 3), 1 sigma.
    valid : (n,) bool; where False the numbers are interpolated and carry no weight.
    lanes : (n_lanes, n, 3) the same, lane by lane across the breadth, foreign bodies and all: they show how much of the
    breadth a line crosses; lane_valid : (n_lanes, n).
    lane_mm : (n_lanes,) each lane's middle, from the left edge looking along the flow.
    foreign_fraction : share of the seen membrane that was left out as hair, speck or smear.
    """

    window: Window
    position_mm: FloatArray
    absorbance: FloatArray
    standard_error: FloatArray
    valid: NDArray[np.bool_]
    lanes: FloatArray
    lane_valid: NDArray[np.bool_]
    lane_mm: FloatArray
    foreign_fraction: float


def extract_profile(strip: Strip) -> Profile:
    """Average absorbance over the breadth, streaks levelled and foreign bodies left out."""
    light, seen = _bin(strip)
    absorbance = -np.log10(np.maximum(light, DARK)).astype(np.float64)
    clean = seen & ~_find_foreign(absorbance @ NEUTRAL, seen, strip.px_per_mm)
    return _average(strip, _level_columns(absorbance, clean), clean, seen)


def _bin(strip: Strip) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """The strip's light averaged over bins, (n, m, 3), and the bins of which every sample is valid."""
    n, m = strip.valid.shape[0] // BIN_ALONG_PX, strip.valid.shape[1] // BIN_ACROSS_PX
    whole = slice(0, n * BIN_ALONG_PX), slice(0, m * BIN_ACROSS_PX)
    light = cv2.resize(np.ascontiguousarray(strip.linear[whole]), (m, n), interpolation=cv2.INTER_AREA)
    rows = np.logical_and.reduce([strip.valid[whole][k::BIN_ALONG_PX] for k in range(BIN_ALONG_PX)])
    seen = np.logical_and.reduce([rows[:, k::BIN_ACROSS_PX] for k in range(BIN_ACROSS_PX)])
    return np.asarray(light, np.float32), np.asarray(seen)


def _find_foreign(tone: FloatArray, seen: NDArray[np.bool_], px_per_mm: float) -> NDArray[np.bool_]:
    """Bins that no line, streak or shading explains: hair, specks, the ends of smears."""
    if not seen.any():
        return np.zeros_like(seen)
    rows, columns = seen.any(axis=1), seen.any(axis=0)
    box = np.ix_(rows, columns)
    foreign = np.zeros_like(seen)
    foreign[box] = _find_foreign_inside(tone[box], seen[box], px_per_mm)
    return foreign


def _find_foreign_inside(tone: FloatArray, seen: NDArray[np.bool_], px_per_mm: float) -> NDArray[np.bool_]:
    along, across = px_per_mm / BIN_ALONG_PX, px_per_mm / BIN_ACROSS_PX
    levelled = np.where(seen, tone, median(tone[seen])).astype(np.float32)
    levelled -= medians((levelled - medians(levelled)[:, None]).T.copy())
    row = medians(levelled)[:, None]
    kernel = np.ones((2 * round(ENVELOPE_MM * along) + 1, 1), np.uint8)
    above, below = levelled - cv2.dilate(row, kernel), levelled - cv2.erode(row, kernel)
    excess = np.where(seen, np.maximum(above, 0) + np.minimum(below, 0), 0)
    residual = np.where(seen, levelled - row, 0)
    odd = np.abs(excess) > OUTLIER_SD * _spread(residual[seen])
    patch = max(1, round(PATCH_MM * across)), max(1, round(PATCH_MM * along))
    odd |= np.abs(cv2.blur(excess, patch)) > OUTLIER_SD * _spread(cv2.blur(residual, patch)[seen])
    return np.asarray(cv2.dilate((odd & seen).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0)


def _spread(values: NDArray[Any]) -> float:
    """Robust standard deviation: 1.4826 times the median absolute deviation."""
    return 1.482602 * median(np.abs(values - median(values))) + 1e-6


def _level_columns(absorbance: FloatArray, clean: NDArray[np.bool_]) -> FloatArray:
    """Take each column's own offset and slope (streaks, shading across the breadth) off, per channel.

    Columns keep the strip's mean tone, so that what is averaged does not depend on which columns a row has left.
    """
    n = clean.shape[0]
    weight = clean.astype(np.float64)
    basis = np.stack([np.ones(n), np.linspace(-1.0, 1.0, n)])
    s0, s1 = basis @ weight + 1e-9
    s2 = basis[1] ** 2 @ weight + 1e-9
    det = s0 * s2 - s1**2
    usable = (s0 > n / 4) & (det > 1e-6 * s0 * s2)
    det = np.where(usable, det, 1.0)
    per_row = weight.sum(axis=1)
    channels = np.ascontiguousarray(absorbance.transpose(2, 0, 1))
    for _ in range(2):
        row = np.einsum("cij,ij->ci", channels, weight) / np.maximum(per_row, 1)
        if per_row.min() == 0:
            usual = medians(row[:, per_row > 0])[:, None] if per_row.any() else 0.0
            row = np.where(per_row > 0, row, usual)
        r0, r1 = (basis @ (channels * weight) - (basis * row[:, None]) @ weight).transpose(1, 0, 2)
        offset = np.where(usable, (s2 * r0 - s1 * r1) / det, r0 / s0)
        slope = np.where(usable, (s0 * r1 - s1 * r0) / det, 0.0)
        channels -= offset[:, None] + basis[1][:, None] * slope[:, None]
    return np.ascontiguousarray(channels.transpose(1, 2, 0))


def _average(
    strip: Strip, levelled: FloatArray, clean: NDArray[np.bool_], seen: NDArray[np.bool_]
) -> Profile:
    n, m = clean.shape
    n_lanes = max(3, round(strip.window.breadth / LANE_MM))
    edges = np.linspace(0, m, n_lanes + 1).round().astype(int)
    lanes, lane_valid, _ = _lane_means(levelled, seen, edges)
    clean_lanes, clean_valid, count = _lane_means(levelled, clean, edges)
    valid = (count.sum(axis=1) >= ROW_SHARE * m) & (clean_valid.sum(axis=1) >= 2)
    mean = (clean_lanes * count[..., None]).sum(axis=1) / np.maximum(count.sum(axis=1), 1)[:, None]
    spread = np.where(clean_valid[..., None], clean_lanes - mean[:, None], 0.0)
    n_used = np.maximum(clean_valid.sum(axis=1), 1)
    error = np.sqrt((spread**2).sum(axis=(0, 1)) / np.maximum(n_used - 1, 1).sum())
    position = (np.arange(n, dtype=np.float64) + 0.5) * BIN_ALONG_PX / strip.px_per_mm
    if valid.any():
        for c in range(3):
            mean[:, c] = np.interp(position, position[valid], mean[valid, c])
    profile = Profile(
        window=strip.window,
        position_mm=position,
        absorbance=mean,
        standard_error=error[None] / np.sqrt(n_used)[:, None],
        valid=valid,
        lanes=lanes.transpose(1, 0, 2),
        lane_valid=lane_valid.T,
        lane_mm=(edges[:-1] + edges[1:]) / 2 * BIN_ACROSS_PX / strip.px_per_mm,
        foreign_fraction=float((seen & ~clean).sum() / max(1, seen.sum())),
    )
    for array in (
        profile.position_mm,
        profile.absorbance,
        profile.standard_error,
        profile.valid,
        profile.lanes,
    ):
        array.setflags(write=False)
    return profile


def _lane_means(
    levelled: FloatArray, mask: NDArray[np.bool_], edges: NDArray[np.int_]
) -> tuple[FloatArray, NDArray[np.bool_], FloatArray]:
    """Mean over each lane's bins in the mask (n, lanes, 3), where it has enough of them, and how many (n, lanes)."""
    weight = mask.astype(np.float64)
    count = np.add.reduceat(weight, edges[:-1], axis=1)
    total = np.add.reduceat(levelled * weight[..., None], edges[:-1], axis=1)
    return total / np.maximum(count, 1)[..., None], count >= LANE_SHARE * np.diff(edges), count
