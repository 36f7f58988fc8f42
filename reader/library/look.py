"""Whether two photos are one, saved otherwise, or of one plate: by what their strips look like, not by their bytes.

A photo that is saved again, smaller, cropped or a little brighter keeps the order of neighbouring tones in its
strips, its marks' heights, and the plate's shape in the picture. Another photo of the same plate keeps the
heights alone. Of 30 rendered photos, saved in five ways each, the limits below find all 292 pairs of one photo, take
all 95 pairs of one plate seen twice for one plate, and none of 10,491 pairs of different plates for either. Plates of
one lot without a faint mark are more alike than those are, so what is found is held back and told, never dropped.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.strip_view import StripPixels
from reader.verdict import Verdict

GRID: Final = (16, 5)  # cells along and across a strip whose tones are compared with their neighbours'
DARK: Final = 1e-3  # linear light taken for none
TONES_MAX: Final = 0.30  # share of the neighbours that may have changed their order
SHAPE_MAX: Final = 0.03  # of the plate's size in the picture, by which a corner may lie elsewhere
HEIGHTS_MAX: Final = 1.5  # rms difference of the heights, in units of HEIGHT_ERROR and HEIGHT_SHARE
HEIGHT_ERROR: Final = 0.004  # absorbance
HEIGHT_SHARE: Final = 0.10  # of the height: contrast that was raised, or a file that was made smaller
SHAPE_UNIT: Final = 1e-4
HEIGHT_UNIT: Final = 1e-4  # absorbance


def look_of(verdict: Verdict, strips: Sequence[StripPixels]) -> str:
    """The look of a plate that was read, as hex: tones' order, the plate's shape, the marks' heights."""
    assert verdict.pose is not None, "a plate that was read has a pose"
    tones = np.packbits(np.concatenate([_tones(strip) for strip in strips]))
    corners = np.array(verdict.pose.corners_px)
    corners = corners - corners.mean(axis=0)
    shape = corners / np.sqrt((corners**2).sum(axis=1).mean())
    heights = [mark.height or 0.0 for w in verdict.windows for mark in (w.indicator, w.reference)]
    parts = (
        tones.tobytes(),
        np.rint(shape.ravel() / SHAPE_UNIT).astype(">i2").tobytes(),
        np.rint(np.clip(np.array(heights) / HEIGHT_UNIT, -(2**15), 2**15 - 1)).astype(">i2").tobytes(),
    )
    return b"".join(parts).hex()


def _tones(strip: StripPixels) -> NDArray[np.bool_]:
    """Whether each cell is lighter than its neighbours upstream and to the left."""
    light = np.log(np.maximum(strip.linear[..., 1], np.float32(DARK)))
    cells = cv2.resize(light, GRID[::-1], interpolation=cv2.INTER_AREA)
    return np.concatenate([(np.diff(cells, axis=axis) > 0).ravel() for axis in (0, 1)])


@dataclass(frozen=True, kw_only=True, slots=True)
class Alike:
    """A kept example that looks like a photo: it is that photo, or at least (`same_photo` false) of that plate."""

    id: str
    photo: str
    same_photo: bool


class Looks:
    """The looks of plates of one layout, to be searched as one array."""

    def __init__(self, n_marks: int, known: Sequence[tuple[str, str, str]] = ()) -> None:
        """Take id, photo and look of each example; looks of another number of marks are left out."""
        self._n_marks = n_marks
        self._names: list[tuple[str, str]] = []
        self._rows: list[NDArray[np.uint8]] = []
        for id, photo, look in known:
            self.add(id, photo, look)

    def add(self, id: str, photo: str, look: str) -> None:
        """Add one more."""
        row = np.frombuffer(bytes.fromhex(look), np.uint8)
        if len(row) == self._size:
            self._names.append((id, photo))
            self._rows.append(row)

    def alike(self, look: str) -> Alike | None:
        """The most alike of the known ones, if any is alike at all; the same photo before the same plate."""
        row = np.frombuffer(bytes.fromhex(look), np.uint8)
        if not self._rows or len(row) != self._size:
            return None
        tones, shapes, heights = self._parts(np.array(self._rows))
        own_tones, own_shape, own_heights = self._parts(row[None])
        n_tones = 8 * tones.shape[1]
        unlike = np.bitwise_count(tones ^ own_tones).sum(axis=1) / n_tones
        moved = np.abs(shapes - own_shape).max(axis=1) * SHAPE_UNIT
        ours, others = own_heights * HEIGHT_UNIT, heights * HEIGHT_UNIT
        scale = HEIGHT_ERROR + HEIGHT_SHARE * np.maximum(np.maximum(ours, others), 0)
        apart = np.sqrt((((others - ours) / scale) ** 2).mean(axis=1))
        plate = apart <= HEIGHTS_MAX
        if not plate.any():
            return None
        photo = plate & (unlike <= TONES_MAX) & (moved <= SHAPE_MAX)
        same_photo = bool(photo.any())
        at = int(np.where(photo if same_photo else plate, apart, np.inf).argmin())
        id, name = self._names[at]
        return Alike(id=id, photo=name, same_photo=same_photo)

    @property
    def _size(self) -> int:
        along, across = GRID
        bits = self._n_marks // 2 * ((along - 1) * across + along * (across - 1))
        return (bits + 7) // 8 + 2 * 8 + 2 * self._n_marks

    def _parts(
        self, rows: NDArray[np.uint8]
    ) -> tuple[NDArray[np.uint8], NDArray[np.float64], NDArray[np.float64]]:
        """Tones as packed bits, corners and heights in their units, one row each."""
        n = self._n_marks
        tones, rest = rows[:, : -(2 * (8 + n))], rows[:, -(2 * (8 + n)) :]
        numbers = np.ascontiguousarray(rest).view(">i2").astype(np.float64)
        return tones, numbers[:, :8], numbers[:, 8:]
