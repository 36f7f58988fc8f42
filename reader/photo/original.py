"""Whether a file is the camera's own, or was shrunk, copied from a screen or sent through a messenger.

Then the advice changes: the pixels that a plate lacks were there, and coming closer brings no lost ones back.
"""

from dataclasses import replace

import numpy as np

from reader.errors import PhotoRefusedError
from reader.photo.open import Photo, Pixels
from reader.refusals import COPY

FLAG = "not_original"
"""The flag of a copy."""
CAMERA_PX = 3_000_000
"""Phones' cameras save no fewer pixels (5 megapixels and more since 2010; common practice, no source)."""
CAMERA_QUALITY = 75
"""And no lower JPEG quality on the IJG scale (85 to 97, some 75 to 80; common practice, no source)."""
SCREEN_SHAPE = 1.9
"""Cameras' pictures are up to 16 : 9 = 1.78 times as long as wide, phones' screens 2 times and more."""
SIZE_TOLERANCE = 0.02
"""Encoders pad a picture's sides to whole blocks; its tags may give either size."""
BAR_SHARE = 0.04
"""A bar is at least so large a part of the picture's length."""
BAR_CODES = 2
"""A bar is of one colour: its 8-bit codes differ by no more from their median."""
BORDER_PX = 16
"""One block of JPEG's halved colour."""
BORDER_SHARE = 0.7
"""So far behind a bar's straight border so large a share of pixels is of another colour. A blown-out table ends
raggedly."""
MOST_COLUMNS = 400
"""So many pixels of a line are looked at."""
PIXELS_LACK = frozenset(
    {"too_few_pixels", "too_small", "blurred", "no_plate", "which_way_up", "which_layout"}
)
"""Refusals for what a copy may have lost."""


def mark_copy(photo: Photo) -> Photo:
    """The photo, noted as `not_original` where its file is not the camera's own."""
    return replace(photo, notes=(*photo.notes, FLAG)) if is_copy(photo) else photo


def is_copy(photo: Photo) -> bool:
    """Whether a file shows that it was shrunk, copied from a screen or saved anew.

    Bars of one colour, or tags that give another size, tell by themselves. Else a file with a camera's data is taken
    for the camera's; one without is a copy if it is smaller, longer or harder compressed than cameras save pictures.
    That the data are missing proves nothing.
    """
    sides = sorted((photo.width, photo.height))
    if content(photo) != (slice(0, photo.height), slice(0, photo.width)):
        return True
    if photo.tagged_size is not None:
        tagged = sorted(photo.tagged_size)
        return any(abs(a - b) > SIZE_TOLERANCE * b for a, b in zip(sides, tagged, strict=True))
    if photo.captured_at is not None:
        return False
    quality = photo.chroma.jpeg_quality
    return (
        sides[1] > SCREEN_SHAPE * sides[0]
        or sides[0] * sides[1] < CAMERA_PX
        or (quality is not None and quality < CAMERA_QUALITY)
    )


def content(photo: Photo) -> tuple[slice, slice]:
    """Rows and columns of the picture itself, without bars of one colour that a screen or an app laid about it."""
    rows = _cut_bars(photo.pixels)
    return rows, _cut_bars(photo.pixels[rows].transpose(1, 0, 2))


def advise(photo: Photo, refusal: PhotoRefusedError) -> PhotoRefusedError:
    """The refusal with the advice that helps: what a copy has lost, its original may still have."""
    if FLAG not in photo.notes or refusal.code not in PIXELS_LACK:
        return refusal
    reason = f"{refusal.reason}; {COPY.reason}"
    return PhotoRefusedError(
        refusal.code, reason, f"{COPY.remedy}; if there is none, {refusal.remedy}", refusal.values
    )


def _cut_bars(lines: Pixels) -> slice:
    """The lines (n, m, 3) between a bar at either end."""
    thin = lines[:, :: max(1, lines.shape[1] // MOST_COLUMNS)]
    if lines.dtype == np.uint16:
        thin = thin >> 8
    first, last = _bar(thin), _bar(thin[::-1])
    return slice(first, len(lines) - last) if first + last < len(lines) else slice(0, len(lines))


def _bar(lines: Pixels) -> int:
    """How many lines a bar has at the beginning; 0 where there is none."""
    colour = np.median(lines[0], axis=0)
    is_plain = np.abs(lines[0] - colour).max() <= BAR_CODES
    if not is_plain:
        return 0
    off = np.abs(lines - colour.astype(np.float32)).max(axis=2)
    other = np.flatnonzero(off.max(axis=1) > BAR_CODES)
    if len(other) == 0 or other[0] < BAR_SHARE * len(lines):
        return 0
    behind = off[min(other[0] + BORDER_PX, len(lines) - 1)]
    return int(other[0]) if (behind > 2 * BAR_CODES).mean() > BORDER_SHARE else 0
