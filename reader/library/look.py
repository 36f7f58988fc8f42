"""Whether two photos are one, saved otherwise, or of one plate: by what their strips look like, not by their bytes.

A photo that is saved again, smaller, cropped, turned or a little brighter keeps the plate's shape in the picture, the
colour of its light, its marks' heights and, nearly, the order of neighbouring tones in its strips: one sum of squares
holds all four against what saving changes. If both files say when they were taken, that must agree. Another photo of
the same plate keeps the heights alone, and so do plates of one lot without a faint mark: no more than a hint.

Of drawn photos without a time: 620 copies of strips and combs (JPEG at quality 60 to 95, half or three quarters of the
size, cropped, turned, 10 % lighter or darker) of which the limits below find 617; 2 of 536 pairs of one plate taken
twice pass for one photo, and none of 20,044 pairs of different plates. A third of those pairs of strips, which have two
marks each, are as high as each other: so what is found is held back and told, and what is said of plates wins.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.draw.strip_view import StripPixels
from reader.verdict.model import Verdict

GRID: Final = (16, 5)  # cells along and across a strip whose tones are compared with their neighbours'
DARK: Final = 1e-3  # linear light taken for none
TONES: Final = 0.35  # share of the neighbours that may have changed their order, at most
SHAPE: Final = 0.012  # of the plate's size in the picture, by which a corner may lie elsewhere
COLOUR: Final = 0.02  # log10 of the ratio of red or blue to green: coarse chroma of a small file
HEIGHTS: Final = 1.5  # rms difference of the heights, in units of HEIGHT_ERROR and HEIGHT_SHARE
SAME_PHOTO: Final = 2.0  # sum of squares of the four, each over its length above (see the rates at the head)
HEIGHT_ERROR: Final = 0.004  # absorbance
HEIGHT_SHARE: Final = 0.10  # of the height: contrast that was raised, or a file that was made smaller
SHAPE_UNIT: Final = 1e-4
HEIGHT_UNIT: Final = 1e-4  # absorbance
COLOUR_UNIT: Final = 1e-4  # log10 of a ratio
N_COLOURS: Final = 2
N_CORNERS: Final = 8  # numbers of a shape
UNKNOWN: Final = 0  # when a photo was taken that does not say so


def look_of(verdict: Verdict, strips: Sequence[StripPixels]) -> str:
    """The look of a plate that was read, as hex: tones' order, plate's shape, marks' heights, colour, and time."""
    assert verdict.pose is not None, "a plate that was read has a pose"
    tones = np.packbits(np.concatenate([_tones(strip) for strip in strips]))
    corners = np.array(verdict.pose.corners_px)
    corners = corners - corners.mean(axis=0)
    shape = corners / np.sqrt((corners**2).sum(axis=1).mean())
    heights = [mark.height or 0.0 for w in verdict.windows for mark in (w.indicator, w.reference)]
    numbers = np.concatenate(
        [shape.ravel() / SHAPE_UNIT, np.array(heights) / HEIGHT_UNIT, _colour(strips) / COLOUR_UNIT]
    )
    whole = np.rint(np.clip(numbers, -(2**15), 2**15 - 1)).astype(">i2")
    parts = (tones.tobytes(), whole.tobytes(), _taken(verdict).to_bytes(8, "big", signed=True))
    return b"".join(parts).hex()


def _taken(verdict: Verdict) -> int:
    """Seconds on the camera's own clock; a copy may have lost its offset from UTC, so that is left out."""
    at = verdict.photo.captured_at
    return UNKNOWN if at is None else int(at.replace(tzinfo=UTC).timestamp())


def _colour(strips: Sequence[StripPixels]) -> NDArray[np.float64]:
    """How much redder and bluer than green the strips are, (2,): log10 of the medians of the ratios."""
    light = np.concatenate([strip.linear[strip.valid] for strip in strips])
    logs = np.median(np.log10(np.maximum(light, np.float32(DARK))), axis=0)
    return np.array([logs[0] - logs[1], logs[2] - logs[1]], np.float64)


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

    def alike(self, look: str) -> Iterator[Alike]:
        """The known ones that are alike: those that are the same photo, then those that may show the same plate.

        The most alike of each come first.
        """
        row = np.frombuffer(bytes.fromhex(look), np.uint8)
        if not self._rows or len(row) != self._size:
            return
        known, own = self._parts(np.array(self._rows)), self._parts(row[None])
        apart = _heights_apart(known.heights, own.heights)
        score = (
            (_tones_apart(known.tones, own.tones) / TONES) ** 2
            + (_shapes_apart(known.shapes, own.shapes) / SHAPE) ** 2
            + (apart / HEIGHTS) ** 2
            + (np.abs(known.colours - own.colours).max(axis=1) / COLOUR) ** 2
        )
        other_time = (known.taken != own.taken) & (known.taken != UNKNOWN) & (own.taken != UNKNOWN)
        photo = (score <= SAME_PHOTO) & ~other_time
        for same_photo, mask, order in ((True, photo, score), (False, ~photo & (apart <= HEIGHTS), apart)):
            found = np.flatnonzero(mask)
            for at in found[np.argsort(order[found], kind="stable")]:
                id, name = self._names[at]
                yield Alike(id=id, photo=name, same_photo=same_photo)

    @property
    def _n_tone_bytes(self) -> int:
        along, across = GRID
        return (self._n_marks // 2 * ((along - 1) * across + along * (across - 1)) + 7) // 8

    @property
    def _size(self) -> int:
        return self._n_tone_bytes + 2 * (N_CORNERS + self._n_marks + N_COLOURS) + 8

    def _parts(self, rows: NDArray[np.uint8]) -> "_Parts":
        n_tones = self._n_tone_bytes
        numbers = np.ascontiguousarray(rows[:, n_tones:-8]).view(">i2").astype(np.float64)
        shapes, heights, colours = np.split(numbers, (N_CORNERS, N_CORNERS + self._n_marks), axis=1)
        return _Parts(
            tones=rows[:, :n_tones],
            shapes=shapes * SHAPE_UNIT,
            heights=heights * HEIGHT_UNIT,
            colours=colours * COLOUR_UNIT,
            taken=np.ascontiguousarray(rows[:, -8:]).view(">i8")[:, 0],
        )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Parts:
    """Looks taken apart, one row each: tones as packed bits, the rest in its own units."""

    tones: NDArray[np.uint8]
    shapes: NDArray[np.float64]
    heights: NDArray[np.float64]
    colours: NDArray[np.float64]
    taken: NDArray[np.int64]


def _tones_apart(known: NDArray[np.uint8], own: NDArray[np.uint8]) -> NDArray[np.float64]:
    """Share of neighbours whose order is another one."""
    return np.asarray(np.bitwise_count(known ^ own).sum(axis=1) / (8 * known.shape[1]))


def _shapes_apart(known: NDArray[np.float64], own: NDArray[np.float64]) -> NDArray[np.float64]:
    """How far the corner lies that is furthest off; a picture may have been turned by quarters."""
    x, y = own.reshape(-1, 2).T
    turns = ((x, y), (-y, x), (-x, -y), (y, -x))
    return np.asarray(
        np.min([np.abs(known - np.column_stack(turn).ravel()).max(axis=1) for turn in turns], axis=0)
    )


def _heights_apart(known: NDArray[np.float64], own: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rms difference, in units of what saving and measuring again may change."""
    scale = HEIGHT_ERROR + HEIGHT_SHARE * np.maximum(np.maximum(own, known), 0)
    return np.asarray(np.sqrt((((known - own) / scale) ** 2).mean(axis=1)))
