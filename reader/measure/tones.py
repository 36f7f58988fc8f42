"""How bright the membranes are, and whether a file still has all levels of brightness: a filter, or a screen's few
bits, leaves gaps between them."""

from collections.abc import Sequence

import cv2
import numpy as np

from reader.measure.strip import Strip
from reader.numbers.median import median
from reader.photo.light import encode
from reader.photo.open import Photo

TONES = 256
"""Codes of an 8-bit file."""
SHARE_LEFT_OUT = 0.05
"""The darkest and the brightest share of the pixels are sparse in every picture."""
NEAR_CODES = 12.0
"""Codes so near are held against one another, 1 sigma."""
EMPTY_SHARE = 0.1
"""A code is empty if it holds less than so large a share of what the codes near it hold on average."""
GAP_CODES = 3
"""So many empty codes in a row are a gap: a curve that only stretches tones leaves one or two."""
MAX_GAPS = 0.35
"""Share of the codes that may lie in gaps: rendered originals have at most a tenth, a plain plate in flat light, of a
few tones by itself, a third (measured)."""
STEP_PX = 2
"""Of so many pixels one is counted, both ways."""


def tone_step(photo: Photo, strips: Sequence[Strip]) -> float:
    """Codes from one level of green to the next about the windows of a plate: 1 where no levels are missing."""
    corners = np.concatenate([strip.corners_px for strip in strips])
    low = np.maximum(np.floor(corners.min(axis=0)).astype(int), 0)
    high = np.ceil(corners.max(axis=0)).astype(int) + 1
    green = photo.pixels[low[1] : high[1] : STEP_PX, low[0] : high[0] : STEP_PX, 1]
    if green.dtype == np.uint16:
        green = (green >> 8).astype(np.uint8)
    counts = np.bincount(green.ravel(), minlength=TONES).astype(np.float64)
    below = np.cumsum(counts) / max(counts.sum(), 1)
    first, last = np.searchsorted(below, [SHARE_LEFT_OUT, 1 - SHARE_LEFT_OUT])
    near = np.asarray(cv2.GaussianBlur(counts[None], (0, 0), NEAR_CODES)).ravel()
    empty = (counts < EMPTY_SHARE * near)[first : last + 1]
    edges = np.flatnonzero(np.diff(np.concatenate([[0], empty.astype(int), [0]])))
    gaps = edges[1::2] - edges[::2]
    wide = gaps[gaps >= GAP_CODES]
    return 1.0 + float(wide.mean()) if int(wide.sum()) > MAX_GAPS * len(empty) else 1.0


def membrane_tone(strips: Sequence[Strip]) -> float:
    """Median encoded brightness of the membranes' green, 0..1."""
    seen = np.concatenate([strip.linear[::2, ::2, 1][strip.valid[::2, ::2]] for strip in strips])
    if not len(seen):
        return 0.0
    return float(encode(np.array([[[median(seen)] * 3]], np.float32))[0, 0, 0]) / 255
