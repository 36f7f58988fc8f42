"""Whether a picture is fit to be read, and how far its colour is: refusals come before any call is made."""

import math
from collections.abc import Sequence

import numpy as np

from reader.locate import PlatePose
from reader.mark import WindowFit
from reader.photo import ChromaInfo
from reader.quality import refuse
from reader.settings import Layout, Thresholds
from reader.strip import Strip

HIDDEN_MAX = 0.5
"""Share of a membrane that its rim may hide (a steep view) before the window is not read."""
CLIPPED_MAX = 0.25
"""Share of a membrane that may be blown out."""
CHROMA_STEP = 21.0
"""Quantisation step of low chroma frequencies at quality 50 (ITU-T T.81, table K.2: 17 to 26)."""
UNKNOWN_CHROMA_QUALITY = 70
"""Taken where a lossy file does not tell its quality (HEIC, WebP): phones use more, messengers less."""
LOSSLESS_CHROMA_FLOOR = 0.5
"""Chroma amplitude, 8-bit codes, below which a phone's own colour noise reduction leaves nothing reliable."""


def check_pose(pose: PlatePose, thresholds: Thresholds) -> None:
    """Refuse a plate that is too small in the picture for its marks' width."""
    narrowest = min(pose.layout.marks.indicator.width, pose.layout.marks.reference.width)
    found = pose.px_per_mm * narrowest
    if found < thresholds.min_px_per_mark_width:
        refuse(
            "too_few_pixels",
            found=f"{pose.px_per_mm:.1f}",
            needed=f"{thresholds.min_px_per_mark_width / narrowest:.1f}",
            closer=f"{thresholds.min_px_per_mark_width / found:.1f}",
        )


def check_strips(strips: Sequence[Strip]) -> None:
    """Refuse a plate of which a window cannot be seen."""
    clipped = [strip.window.id for strip in strips if strip.clipped_fraction > CLIPPED_MAX]
    if len(clipped) > len(strips) / 2:
        refuse("overexposed", windows=named(clipped))
    if clipped:
        refuse("glare", windows=named(clipped))
    hidden = [strip.window.id for strip in strips if strip.hidden_fraction > HIDDEN_MAX]
    if hidden:
        refuse("window_hidden", windows=named(hidden))


def check_blur(fits: Sequence[WindowFit], layout: Layout, thresholds: Thresholds) -> None:
    """Refuse a picture whose blur smears its marks over their surroundings."""
    blur = float(np.median([fit.blur_mm for fit in fits]))
    narrowest = min(layout.marks.indicator.width, layout.marks.reference.width)
    if blur > thresholds.max_blur * narrowest:
        refuse("blurred", blur=f"{blur:.1f}", width=f"{narrowest:g}")


def named(windows: Sequence[str]) -> str:
    """Windows in words: "window 3", "windows 2 and 3"."""
    if len(windows) == 1:
        return f"window {windows[0]}"
    return f"windows {', '.join(windows[:-1])} and {windows[-1]}"


def chroma_floor(chroma: ChromaInfo) -> float:
    """Smallest chroma amplitude, in 8-bit codes, that a file carries.

    A cosine of amplitude a over an 8 x 8 block has a DCT coefficient of a x sqrt(8) x 2, which is rounded away below
    half a quantisation step; a line's energy lies in two or so of them. The step follows the IJG's scale of quality.
    """
    if not chroma.lossy:
        return LOSSLESS_CHROMA_FLOOR
    quality = chroma.chroma_quality or chroma.jpeg_quality or UNKNOWN_CHROMA_QUALITY
    percent = 5000 / quality if quality < 50 else 200 - 2 * quality
    step = max(1.0, CHROMA_STEP * percent / 100)
    return max(LOSSLESS_CHROMA_FLOOR, step / (2 * math.sqrt(8)))
