"""A strip -> its profile: absorbance along the flow, robust over the breadth, with what its spread says of noise."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.settings import Window
from reader.strip import Strip

FloatArray = NDArray[np.float64]

BIN_PX = 2
"""Strip samples a profile bin: 8 bins a millimetre, eight over a 1 mm line."""
LANE_MM = 0.5
"""Breadth of a lane: wide against the blur, so that lanes are nearly independent of each other."""
LUMA = np.array([0.25, 0.5, 0.25])
"""Weights of the channels where foreign bodies are sought: they are neutral, and green is sharpest in a mosaic."""
OUTLIER_SD = 4.0
"""A sample (or a small patch) so many robust standard deviations off its row's range is foreign: 1 in 16,000."""
PATCH_MM = 0.4
"""Side of the patch over which a weak but extended foreign body is sought."""
ENVELOPE_MM = 0.3
"""A line may lie this far up or down the flow in another part of the breadth (slant) and is not foreign there."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Profile:
    """One window's absorbance along the flow, RGB.

    position_mm : (n,) from the membrane's upstream end. absorbance, standard_error : (n, 3), 1 sigma.
    valid : (n,) bool; where False the numbers are interpolated and carry no weight.
    lanes : (n_lanes, n, 3) the same, lane by lane across the breadth; lane_valid : (n_lanes, n).
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
    absorbance = -np.log10(np.maximum(strip.linear, 1e-4)).astype(np.float64)
    clean = strip.valid & ~_foreign(absorbance @ LUMA, strip.valid, strip.px_per_mm)
    level = _level_columns(absorbance, clean)
    return _average(strip, level, clean)


def _row_mean(values: FloatArray, mask: NDArray[np.bool_]) -> FloatArray:
    """Mean over the breadth of (n, m) or (n, m, c) where mask (n, m); rows without any sample give NaN."""
    weight = mask if values.ndim == 2 else mask[..., None]
    with np.errstate(invalid="ignore"):
        return np.asarray((values * weight).sum(axis=1) / weight.sum(axis=1))


def _foreign(tone: FloatArray, valid: NDArray[np.bool_], px_per_mm: float) -> NDArray[np.bool_]:
    """Samples that no line, streak or shading explains: hair, specks, the ends of smears."""
    if not valid.any():
        return np.zeros_like(valid)
    masked = np.where(valid, tone, np.nan)
    column = _nan_median(masked, axis=0)
    row = _nan_median(masked - column, axis=1)
    column = _nan_median(masked - row[:, None], axis=0)
    levelled = tone - column
    reach = 2 * round(ENVELOPE_MM * px_per_mm) + 1
    known = np.where(np.isfinite(row), row, np.nanmedian(row))[:, None].astype(np.float32)
    kernel = np.ones((reach, 1), np.uint8)
    above = levelled - cv2.dilate(known, kernel)
    below = levelled - cv2.erode(known, kernel)
    excess = np.where(above > 0, above, np.where(below < 0, below, 0.0))
    residual = levelled - known
    patch = round(PATCH_MM * px_per_mm)
    odd = np.abs(excess) > OUTLIER_SD * _spread(residual[valid])
    smooth_residual = cv2.blur(np.where(valid, residual, 0.0), (patch, patch))
    smooth_excess = cv2.blur(np.where(valid, excess, 0.0), (patch, patch))
    odd |= np.abs(smooth_excess) > OUTLIER_SD * _spread(smooth_residual[valid])
    grown = cv2.dilate((odd & valid).astype(np.uint8), np.ones((3, 3), np.uint8))
    return np.asarray(grown > 0)


def _nan_median(values: FloatArray, axis: int) -> FloatArray:
    """np.nanmedian that answers 0 for an empty row or column instead of warning."""
    empty = np.isnan(values).all(axis=axis, keepdims=True)
    return np.asarray(np.nanmedian(np.where(empty, 0.0, values), axis=axis))


def _spread(values: FloatArray) -> float:
    """Robust standard deviation: 1.4826 times the median absolute deviation."""
    return float(1.482602 * np.median(np.abs(values - np.median(values)))) + 1e-6


def _level_columns(absorbance: FloatArray, clean: NDArray[np.bool_]) -> FloatArray:
    """Take each column's own offset and slope (streaks, shading across the breadth) off, per channel.

    Columns keep the strip's mean tone, so that what is averaged does not depend on which columns a row has left.
    """
    n = absorbance.shape[0]
    along = np.linspace(-1.0, 1.0, n)
    levelled = absorbance.copy()
    for _ in range(2):
        row = _row_mean(levelled, clean)
        row = np.where(np.isfinite(row), row, np.nanmedian(row, axis=0) if np.isfinite(row).any() else 0.0)
        weight = clean.astype(np.float64)
        s0 = weight.sum(axis=0) + 1e-9
        s1 = along @ weight
        s2 = (along**2) @ weight + 1e-9
        residual = (levelled - row[:, None]) * weight[..., None]
        r0 = residual.sum(axis=0)
        r1 = np.tensordot(along, residual, axes=(0, 0))
        det = s0 * s2 - s1**2
        usable = (s0 > n / 4) & (det > 1e-6 * s0 * s2)
        det = np.where(usable, det, 1.0)
        offset = np.where(usable[:, None], (s2[:, None] * r0 - s1[:, None] * r1) / det[:, None], r0 / s0[:, None])
        slope = np.where(usable[:, None], (s0[:, None] * r1 - s1[:, None] * r0) / det[:, None], 0.0)
        levelled -= offset[None] + along[:, None, None] * slope[None]
    return levelled


def _average(strip: Strip, levelled: FloatArray, clean: NDArray[np.bool_]) -> Profile:
    n_bins = levelled.shape[0] // BIN_PX
    n_lanes = max(3, round(strip.window.breadth / LANE_MM))
    edges = np.linspace(0, levelled.shape[1], n_lanes + 1).round().astype(int)
    rows = slice(0, n_bins * BIN_PX)
    weight = clean[rows].reshape(n_bins, BIN_PX, -1).astype(np.float64)
    total = levelled[rows].reshape(n_bins, BIN_PX, levelled.shape[1], 3)
    total = np.einsum("brjc,brj->bjc", total, weight)
    count = weight.sum(axis=1)
    lane_count = np.add.reduceat(count, edges[:-1], axis=1)
    lane_total = np.add.reduceat(total, edges[:-1], axis=1)
    full = BIN_PX * np.diff(edges)
    lane_valid = lane_count >= 0.5 * full
    lanes = lane_total / np.maximum(lane_count, 1)[..., None]
    share = count.sum(axis=1) / max(1, BIN_PX * levelled.shape[1])
    valid = (share >= 0.25) & (lane_valid.sum(axis=1) >= 2)
    mean = total.sum(axis=1) / np.maximum(count.sum(axis=1), 1)[:, None]
    spread = np.where(lane_valid[..., None], lanes - mean[:, None], 0.0)
    n_used = lane_valid.sum(axis=1)
    degrees = np.maximum(n_used - 1, 1).sum()
    error = np.sqrt((spread**2).sum(axis=(0, 1)) / degrees)
    standard_error = error[None] / np.sqrt(np.maximum(n_used, 1))[:, None]
    position = (np.arange(n_bins) + 0.5) * BIN_PX / strip.px_per_mm
    if valid.any():
        for c in range(3):
            mean[:, c] = np.where(valid, mean[:, c], np.interp(position, position[valid], mean[valid, c]))
    foreign = strip.valid & ~clean
    profile = Profile(
        window=strip.window,
        position_mm=position,
        absorbance=mean,
        standard_error=standard_error,
        valid=valid,
        lanes=lanes.transpose(1, 0, 2),
        lane_valid=lane_valid.T,
        lane_mm=(edges[:-1] + edges[1:]) / 2 / strip.px_per_mm,
        foreign_fraction=float(foreign.sum() / max(1, strip.valid.sum())),
    )
    for array in (profile.position_mm, profile.absorbance, profile.standard_error, profile.valid, profile.lanes):
        array.setflags(write=False)
    return profile
