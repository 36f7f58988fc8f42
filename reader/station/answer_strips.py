"""The pictures of an answer: each window cut out of the photo, enlarged, as photographed and with contrast raised.

They show what was read and measure nothing: the verdict says where each membrane lies in the photo, so the photo alone
is needed, and it is in the logbook.
"""

import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.draw.ink import Image
from reader.draw.strip_view import blurred, level_strip, natural, rows_without_marks, stretched, upright
from reader.photo.light import linear
from reader.photo.open import Photo
from reader.verdict.model import Mark, WindowRecord

PX_PER_MM: Final = 20.0
SIDE_MAX: Final = 1200  # px; a plate's window has some hundred
REDUCE: Final = 4  # columns made one for levelling: 0.2 mm, well below what is blurred
KEPT: Final = 40  # readings whose pictures are held, 0.2 MB each
GAP: Final = 12
TICK: Final = 26
WHITE: Final = 255
QUALITY: Final = 92


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Cut:
    """A membrane seen straight from above, as `strip_view` takes strips."""

    linear: NDArray[np.float32]
    valid: NDArray[np.bool_]
    px_per_mm: float


def strip_pictures(photo: Photo, windows: Sequence[WindowRecord]) -> tuple[bytes, ...]:
    """A JPEG for each window: left as photographed, right with contrast raised, ticks where marks belong."""
    found = []
    for window in windows:
        cut = _cut(photo, window)
        levelled = level_strip(cut, rows_without_marks(window, cut), reduce=REDUCE, columns=True)
        picture = _beside(natural(cut.linear), upright(stretched(_full(blurred(levelled), cut))), window)
        done, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
        assert done, "a picture of some hundred pixels can be encoded"
        found.append(data.tobytes())
    return tuple(found)


class Drawn:
    """Pictures of the answers that were asked for last; those of others are drawn again from their photos."""

    def __init__(self) -> None:
        """None yet."""
        self._lock = threading.Lock()
        self._pictures: OrderedDict[str, tuple[bytes, ...]] = OrderedDict()

    def keep(self, reading: str, pictures: tuple[bytes, ...]) -> None:
        """Hold a reading's pictures, and let go of those that nobody has asked for longest."""
        with self._lock:
            self._pictures[reading] = pictures
            while len(self._pictures) > KEPT:
                self._pictures.popitem(last=False)

    def find(self, reading: str) -> tuple[bytes, ...] | None:
        """The pictures of a reading, one for each window; None where they are to be drawn."""
        with self._lock:
            found = self._pictures.get(reading)
            if found is not None:
                self._pictures.move_to_end(reading)
            return found


def _full(over: NDArray[np.float32], cut: _Cut) -> NDArray[np.float32]:
    return np.asarray(cv2.resize(over, cut.linear.shape[1::-1]), np.float32)


def _cut(photo: Photo, window: WindowRecord) -> _Cut:
    corners = np.asarray(window.corners_px, np.float32)
    along, across = window.length_mm, window.breadth_mm
    if along is None or across is None:
        across, along = (float(np.linalg.norm(corners[0] - corners[k])) / PX_PER_MM for k in (1, 3))
    scale = min(PX_PER_MM, SIDE_MAX / max(along, across))
    width, length = (max(8, round(side * scale)) for side in (across, along))
    target = np.array([(0, 0), (width, 0), (width, length), (0, length)], np.float32)
    view = cv2.getPerspectiveTransform(corners, target)
    pixels = cv2.warpPerspective(
        photo.pixels, view, (width, length), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE
    )
    return _Cut(
        linear=linear(pixels, photo.encoding), valid=np.ones((length, width), np.bool_), px_per_mm=scale
    )


def _beside(left: Image, right: Image, window: WindowRecord) -> Image:
    """Both pictures on white, with a tick beside them at each mark's place."""
    height, width = left.shape[:2]
    sheet = np.full((height, 2 * width + GAP + TICK, 3), WHITE, np.uint8)
    sheet[:, TICK : TICK + width] = left
    sheet[:, TICK + width + GAP :] = right
    for mark in (window.reference, window.indicator):
        row = _row(mark, window, height)
        if row is not None:
            points = np.array([(2, row - 9), (TICK - 4, row), (2, row + 9)], np.int32)
            cv2.fillPoly(sheet, [points], (0, 0, 0), lineType=cv2.LINE_AA)
    return sheet


def _row(mark: Mark, window: WindowRecord, height: int) -> int | None:
    """The picture's row at which a mark was found or belongs; the upstream end is the picture's last."""
    place = mark.expected_mm if mark.position_mm is None else mark.position_mm
    if place is None or window.length_mm is None:
        return None
    return round(height * (1 - place / window.length_mm))
