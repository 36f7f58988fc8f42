"""An example's strips as one picture, in linear light: what was measured, at a size that can be kept."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.draw.ink import Image
from reader.draw.strip_view import (
    StripPixels,
    blurred,
    level_strip,
    natural,
    rows_without_marks,
    stretched,
    upright,
)
from reader.errors import LinecallError
from reader.numbers.arrays import SingleArray
from reader.verdict.model import WindowRecord

PX_PER_MM: Final = 8.0  # of a kept strip: eight pixels over a 1 mm mark, half of what is measured
WHITE: Final = 65535  # of the picture: linear light 1


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class KeptStrip:
    """A window's strip, upstream end first: linear (n_along, n_across, 3) RGB, 0..1; valid (n_along, n_across)."""

    linear: SingleArray
    valid: NDArray[np.bool_]
    px_per_mm: float = PX_PER_MM


def strips_png(strips: Sequence[StripPixels]) -> bytes:
    """All strips of a plate side by side: PNG, 16 bits, RGBA, linear light, alpha 0 where a strip is not valid.

    Each strip stands upright as photographed, upstream end at the top; shorter and narrower ones are padded
    with transparent black, on the right and at the bottom.
    """
    kept = [_reduced(strip) for strip in strips]
    height, width = (max(strip.valid.shape[axis] for strip in kept) for axis in (0, 1))
    picture = np.zeros((height, width * len(kept), 4), np.uint16)
    for index, strip in enumerate(kept):
        n_along, n_across = strip.valid.shape
        place = picture[:n_along, index * width : index * width + n_across]
        place[..., :3] = np.rint(np.clip(strip.linear[..., ::-1], 0, 1) * WHITE)
        place[..., 3] = np.where(strip.valid, WHITE, 0)
    # Noise does not repeat itself: without a search for what does, the file is smaller, and written far sooner.
    written, data = cv2.imencode(
        ".png", picture, [cv2.IMWRITE_PNG_STRATEGY, cv2.IMWRITE_PNG_STRATEGY_HUFFMAN_ONLY]
    )
    assert written, "OpenCV writes 16-bit PNG"
    return data.tobytes()


def load_strips(data: bytes, windows: Sequence[WindowRecord]) -> dict[str, KeptStrip]:
    """Strips by window, of a picture that `strips_png` wrote. Raises LinecallError for another picture."""
    picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    if picture is None or picture.dtype != np.uint16 or picture.ndim != 3 or picture.shape[2] != 4:
        raise LinecallError("the strips' picture is damaged; restore the library from a backup")
    width = picture.shape[1] // len(windows)
    found = {}
    for index, window in enumerate(windows):
        n_along, n_across = _size(window, picture.shape[0], width)
        place = picture[:n_along, index * width : index * width + n_across]
        found[window.id] = KeptStrip(
            linear=(place[..., 2::-1] / np.float32(WHITE)).astype(np.float32), valid=place[..., 3] > 0
        )
    return found


def _size(window: WindowRecord, height: int, width: int) -> tuple[int, int]:
    """Pixels along and across of a window's strip."""
    if window.length_mm is None or window.breadth_mm is None:
        return height, width
    return (
        min(height, max(1, round(window.length_mm * PX_PER_MM))),
        min(width, max(1, round(window.breadth_mm * PX_PER_MM))),
    )


def _reduced(strip: StripPixels) -> KeptStrip:
    factor = PX_PER_MM / strip.px_per_mm
    n_along, n_across = (max(1, round(n * factor)) for n in strip.valid.shape)
    linear = cv2.resize(strip.linear, (n_across, n_along), interpolation=cv2.INTER_AREA)
    share = cv2.resize(strip.valid.astype(np.float32), (n_across, n_along), interpolation=cv2.INTER_AREA)
    return KeptStrip(linear=np.asarray(linear, np.float32), valid=np.asarray(share > 0.5))


def as_photographed(strip: KeptStrip) -> Image:
    """A strip as it looks, (n_along, n_across, 3) BGR, flow upwards."""
    return natural(strip.linear)


def raise_contrast(window: WindowRecord, strip: KeptStrip) -> Image:
    """A strip levelled and stretched so that a faint line shows, as the annotated image has it."""
    return upright(stretched(blurred(level_strip(strip, rows_without_marks(window, strip)))))
