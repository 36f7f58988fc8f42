"""Whether a faint line would have survived in this file: a quiet picture is no proof that nothing is there.

Phones smooth dim pictures, compress them, and bend bright tones towards white. Each takes faint lines away and leaves a
tight error behind. What every picture of a membrane has is grain: light comes in photons, and paper has texture. Where
the grain is finer than light itself allows, something has taken it, and may have taken a line with it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.measure.line_shape import LUMA
from reader.measure.strip import Strip
from reader.measure.tones import tone_step
from reader.numbers.geometry import apply
from reader.numbers.median import median
from reader.photo.light import encode
from reader.photo.open import ChromaInfo, Photo, Pixels
from reader.photo.tags import quantisation_step
from reader.settings.values import Layout

MIN_GRAIN_CODES = 0.35
"""Grain, 8-bit codes (1 sigma) of luma at the file's own pixels, below which it was smoothed away. Photon transfer
(EMVA 1288): a phone's pixel holds 6,000 to 10,000 electrons (common practice, no source); eight frames merged give
60,000, so shot noise at a membrane's half of full light is 0.6 % of it: half a code on the sRGB curve. Paper texture
comes on top."""
MIN_OWN_GRAIN = 0.3
"""The same for one window alone, whose fewer pixels tell it less surely: blown out while its neighbours are not."""
GRAIN_BLOCK_PX = 5
"""A pixel that differs from the median of so large a square about it by a code shows grain."""
INSIDE_MM = 0.8
"""Grain is sought so far inside a membrane's sides,"""
ENDS_MM = 1.5
"""so far inside its ends,"""
BESIDE_MARK_MM = 0.9
"""and so far beside its marks' places."""
MIN_PIXELS = 60
"""A stretch of fewer pixels tells nothing."""
SHOULDER_CODE = 236.0
"""Membranes from this 8-bit code of luma on lie on the shoulder of a camera's tone curve, where heights shrink: 84 % of
full light. Common practice, no source; it moves down with the picture's white level."""
PLATEAU_SHARE = 0.003
"""A picture's white level is a plateau, blown out and then dimmed, if so large a share of its pixels lies within two
codes of its brightest,"""
PLATEAU_RATIO = 4.0
"""and so many times as many as in the two codes below."""
LUMA_STEP = 14.0
"""Quantisation step of low luma frequencies at quality 50 (ITU-T T.81, table K.1: 10 to 16)."""
DC_STEP = 16.0
"""The same of a block's mean, which its coefficient holds times the block's side (ITU-T T.81, table K.1)."""
BLOCK_PX = 8
"""Side of a block (ITU-T T.81)."""
LINE_CODES = 1.9
"""What a line of contrast 0.03 takes off luma, 8-bit codes, on a membrane of usual brightness: of 180 codes, with a
tone curve's exponent of 1 / 2.2 and three quarters of the dye's drop."""
BLOCK_GAIN = 8.0
"""A line one block long has its strongest coefficient at half of that times its codes; half a step rounds it away."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Survival:
    """What this file has done to faint lines, by window: codes of `refusals.FLAGS` that hold there.

    rounding : what rounding alone may have made of a blank, codes of luma, 1 sigma: no height is known better.
    """

    flags: tuple[tuple[str, ...], ...]
    rounding: float


def check_survival(photo: Photo, strips: Sequence[Strip], layout: Layout) -> Survival:
    """Find by each window what may have taken a faint line from it: `smoothed`, `near_white`,
    `compressed`, `few_tones`."""
    found = [_grain_share(photo, strip, layout) for strip in strips]
    n_pixels = sum(n for n, _ in found)
    share = sum(n * value for n, value in found) / n_pixels if n_pixels else 0.0
    grain = grain_codes(share)
    quiet = [grain < MIN_GRAIN_CODES or (n > 0 and grain_codes(own) < MIN_OWN_GRAIN) for n, own in found]
    compressed = _is_compressed(photo.chroma)
    step = tone_step(photo, strips)
    shoulder = SHOULDER_CODE * highlights(photo)[0] / 255
    return Survival(
        flags=tuple(
            tuple(
                code
                for code, holds in (
                    ("smoothed", smoothed),
                    ("near_white", _tone(strip) > shoulder),
                    ("compressed", compressed),
                    ("few_tones", step > 1),
                )
                if holds
            )
            for strip, smoothed in zip(strips, quiet, strict=True)
        ),
        rounding=math.hypot(
            rounding_codes(step, grain if step == 1 else 0.0), _block_codes(photo.chroma, strips)
        ),
    )


def rounding_codes(step: float, grain: float) -> float:
    """What rounding to levels a step apart leaves of a mean, codes, 1 sigma: a level's half where no grain blurs it.

    Gaussian dither of sigma g takes the error's first harmonic down by exp(-2 pi^2 g^2 / step^2) (Widrow & Kollar,
    Quantization Noise, 2008).
    """
    return step / math.sqrt(12) * math.exp(-2 * (math.pi * grain / step) ** 2)


def _block_codes(chroma: ChromaInfo, strips: Sequence[Strip]) -> float:
    """What the rounding of JPEG's block means leaves of a line's mean over the breadth, codes, 1 sigma."""
    if chroma.jpeg_quality is None:
        return 0.0
    step = quantisation_step(DC_STEP, chroma.jpeg_quality) / BLOCK_PX
    breadth_px = float(np.median([strip.window.breadth * strip.native_px_per_mm for strip in strips]))
    return step / math.sqrt(12 * max(1.0, breadth_px / BLOCK_PX))


def grain_codes(share: float) -> float:
    """Grain, 1 sigma in codes, of which a share of pixels rounds to another code than their neighbours' median."""
    if share >= 1:
        return float("inf")
    return 0.5 / NormalDist().inv_cdf(1 - max(share, 1e-9) / 2)


def _grain_share(photo: Photo, strip: Strip, layout: Layout) -> tuple[int, float]:
    """How many of the photo's pixels lie on blank membrane, and which share of them shows grain."""
    length, breadth = strip.window.length, strip.window.breadth
    marks = sorted(layout.marks.both, key=lambda mark: mark.position)
    ends = [ENDS_MM]
    for mark in marks:
        ends += [
            mark.position - mark.width / 2 - BESIDE_MARK_MM,
            mark.position + mark.width / 2 + BESIDE_MARK_MM,
        ]
    ends.append(length - ENDS_MM)
    pixels, grainy = 0, 0
    for low, high in zip(ends[::2], ends[1::2], strict=True):
        if high <= low:
            continue
        corners = [
            [INSIDE_MM, low],
            [breadth - INSIDE_MM, low],
            [breadth - INSIDE_MM, high],
            [INSIDE_MM, high],
        ]
        n, k = _grainy(photo, apply(strip.mm_to_px, np.array(corners)))
        pixels, grainy = pixels + n, grainy + k
    return pixels, grainy / pixels if pixels else 0.0


def _grainy(photo: Photo, corners: NDArray[np.float64]) -> tuple[int, int]:
    """Pixels inside a quadrilateral of the photo, and those that differ from their neighbours' median by a code."""
    low = np.maximum(np.floor(corners.min(axis=0)).astype(int) - GRAIN_BLOCK_PX, 0)
    high = np.minimum(
        np.ceil(corners.max(axis=0)).astype(int) + GRAIN_BLOCK_PX + 1, (photo.width, photo.height)
    )
    if (high - low).min() < GRAIN_BLOCK_PX:
        return 0, 0
    luma = luma_codes(photo.pixels[low[1] : high[1], low[0] : high[0]])
    mask = np.zeros(luma.shape, np.uint8)
    cv2.fillConvexPoly(mask, np.rint(corners - low).astype(np.int32), (1,))
    inside = mask > 0
    if int(inside.sum()) < MIN_PIXELS:
        return 0, 0
    median = cv2.medianBlur(luma, GRAIN_BLOCK_PX)
    return int(inside.sum()), int((luma[inside] != median[inside]).sum())


def luma_codes(pixels: Pixels) -> NDArray[np.uint8]:
    """Encoded BGR pixels -> luma in 8-bit codes."""
    luma = cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY)  # weights of ITU-R BT.601
    return np.asarray(np.rint(luma / 257) if luma.dtype == np.uint16 else luma, np.uint8)


def _tone(strip: Strip) -> float:
    """Median luma of a membrane in 8-bit codes; clipped samples count."""
    light = [[[median(strip.linear[::2, ::2, channel]) for channel in range(3)]]]
    return float(encode(np.array(light, np.float32))[0, 0].astype(np.float64) @ LUMA[::-1])


def highlights(photo: Photo) -> tuple[float, int]:
    """The picture's white level, and its brightest code but for a few odd pixels, both 8-bit codes of luma.

    The white level is 255, or the plateau at which the highlights were cut off.
    """
    counts = _tones(photo)
    top = int(np.flatnonzero(np.cumsum(counts[::-1])[::-1] > 1e-4 * counts.sum()).max(initial=0))
    if top < 8:
        return 255.0, top
    plateau, below = counts[top - 2 : top + 3].sum(), counts[top - 5 : top - 2].sum()
    is_plateau = plateau > PLATEAU_SHARE * counts.sum() and plateau > PLATEAU_RATIO * below
    return (float(top) if is_plateau else 255.0), top


def _tones(photo: Photo) -> NDArray[np.int64]:
    """How many of the picture's pixels, some of them taken, have each luma code: (256,)."""
    step = max(1, min(photo.width, photo.height) // 500)
    rows = luma_codes(photo.pixels[:: 2 * step])  # whole rows: single pixels cost as much to fetch
    return np.bincount(rows[:, :: max(1, step // 2)].ravel(), minlength=256)


def _is_compressed(chroma: ChromaInfo) -> bool:
    """Whether this file's quantisation rounds a line away that counts."""
    quality = chroma.jpeg_quality
    if quality is None:
        return False
    return quantisation_step(LUMA_STEP, quality) > BLOCK_GAIN * LINE_CODES
