"""Look for a bottle's label beside a plate that was found.

Only the strip about the plate is looked at: first coarsely, for places as busy as a QR code of black on white; then
each of the few busiest is seen from straight above, in millimetres, where a code has one known size.
"""

from functools import cache
from typing import Final

import cv2
import numpy as np
import numpy.typing as npt

from reader.locate.plate import PlatePose
from reader.photo.open import Photo

BESIDE_MM: Final = 45.0  # about the plate; a label lies no farther from its edge
COARSE_PX_PER_MM: Final = 3.0
BUSY_MM: Final = 8.0  # side of a square that a code of 10 mm fills
FINE_MM: Final = (
    1.2  # what is narrower is fine: a code's modules of 0.5 mm, but not a card marker's cells of 2.5 mm
)
PATCH_MM: Final = (
    20.0  # seen about a busy place: room for a code of 10 mm anyhow turned, not quite in the middle
)
FINE_PX_PER_MM: Final = 8.0  # 3.8 px for each of the 21 modules that 10 mm hold
PLACES: Final = 2
SHARPENING: Final = 2.0  # of an unsharp mask, against the blur of lens and file
SHARPENING_PX: Final = 2.0
LEAST_CONTRAST: Final = (
    0.12  # of the full scale, between neighbours; the faintest print of black on white has more
)

Grey = npt.NDArray[np.uint8]


def codes_beside(photo: Photo, pose: PlatePose) -> tuple[str, ...]:
    """What the QR codes beside the plate say, each text once."""
    coarse, corner, step = _about(photo, pose)
    patches = [_seen_from_above(photo, pose, centre) for centre in _busy_places(coarse, pose, corner, step)]
    found = [text for patch in patches if (text := _decoded(patch))]
    if patches and not found:
        larger = cv2.resize(patches[0], None, fx=1.5, fy=1.5, interpolation=cv2.INTER_CUBIC)
        found = [_decoded(np.asarray(larger, np.uint8))]
    return tuple(dict.fromkeys(filter(None, found)))


def _about(photo: Photo, pose: PlatePose) -> tuple[Grey, npt.NDArray[np.float64], int]:
    """Every so many pixels' green about the plate, the first one's place, and how many."""
    width, height = pose.layout.outline.width, pose.layout.outline.height
    box = np.array(
        [
            [[-BESIDE_MM, -BESIDE_MM], [width + BESIDE_MM, -BESIDE_MM]],
            [[-BESIDE_MM, height + BESIDE_MM], [width + BESIDE_MM, height + BESIDE_MM]],
        ]
    ).reshape(-1, 1, 2)
    seen = cv2.perspectiveTransform(box, pose.mm_to_px)[:, 0]
    left, top = np.maximum(np.floor(seen.min(axis=0)), 0).astype(int)
    right, bottom = np.minimum(np.ceil(seen.max(axis=0)), [photo.width, photo.height]).astype(int)
    step = max(1, int(pose.px_per_mm / COARSE_PX_PER_MM))
    return _bytes(photo.pixels[top:bottom:step, left:right:step, 1]), np.array([left, top], float), step


def _bytes(pixels: npt.NDArray[np.generic]) -> Grey:
    if pixels.dtype == np.uint16:
        return np.asarray(pixels >> 8, np.uint8)  # type: ignore[operator]
    return np.ascontiguousarray(pixels, np.uint8)


def _busy_places(
    coarse: Grey, pose: PlatePose, corner: npt.NDArray[np.float64], step: int
) -> list[npt.NDArray[np.float64]]:
    """Places beside the plate, in mm, that are as busy as a code, the busiest first."""
    scale = pose.px_per_mm / step
    window = max(3, round(BUSY_MM * scale))
    if min(coarse.shape) <= window:
        return []
    reach = cv2.getStructuringElement(cv2.MORPH_RECT, (max(3, round(FINE_MM * scale)),) * 2)
    without_dark = cv2.morphologyEx(coarse, cv2.MORPH_CLOSE, reach)
    contrast = cv2.subtract(without_dark, cv2.morphologyEx(coarse, cv2.MORPH_OPEN, reach))
    outline = cv2.perspectiveTransform(_outline_mm(pose), pose.mm_to_px)[:, 0]
    cv2.fillConvexPoly(contrast, np.round((outline - corner) / step).astype(np.int32), 0)
    busy = cv2.blur(contrast, (window, window), borderType=cv2.BORDER_CONSTANT)
    places = []
    for _ in range(PLACES):
        _, most, _, (x, y) = cv2.minMaxLoc(busy)
        if most < 255 * LEAST_CONTRAST:
            break
        px = np.array([[[x * step, y * step]]], float) + corner
        places.append(cv2.perspectiveTransform(px, np.linalg.inv(pose.mm_to_px))[0, 0])
        cv2.rectangle(busy, (x - window, y - window), (x + window, y + window), 0, cv2.FILLED)
    return places


def _outline_mm(pose: PlatePose) -> npt.NDArray[np.float64]:
    width, height = pose.layout.outline.width, pose.layout.outline.height
    return np.array([[[0.0, 0.0]], [[width, 0.0]], [[width, height]], [[0.0, height]]])


def _seen_from_above(photo: Photo, pose: PlatePose, centre_mm: npt.NDArray[np.float64]) -> Grey:
    """The patch about a place, at a fixed scale."""
    side = round(PATCH_MM * FINE_PX_PER_MM)
    first = centre_mm - PATCH_MM / 2
    to_mm = np.array([[1 / FINE_PX_PER_MM, 0, first[0]], [0, 1 / FINE_PX_PER_MM, first[1]], [0, 0, 1]])
    to_px = pose.mm_to_px @ to_mm
    corners = cv2.perspectiveTransform(
        np.array([[[0.0, 0.0]], [[side, 0.0]], [[side, side]], [[0.0, side]]]), to_px
    )[:, 0]
    left, top = np.maximum(np.floor(corners.min(axis=0)).astype(int) - 2, 0)
    right, bottom = np.ceil(corners.max(axis=0)).astype(int) + 3
    part = _bytes(photo.pixels[top:bottom, left:right, 1])
    if min(part.shape) < 2:
        return np.zeros((1, 1), np.uint8)
    shift = np.array([[1, 0, -left], [0, 1, -top], [0, 0, 1]], float)
    seen = cv2.warpPerspective(
        part,
        shift @ to_px,
        (side, side),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.asarray(seen, np.uint8)


@cache
def _detector() -> cv2.QRCodeDetector:
    return cv2.QRCodeDetector()


def _decoded(patch: Grey) -> str:
    blurred = cv2.GaussianBlur(patch, (0, 0), SHARPENING_PX)
    sharp = cv2.addWeighted(patch, 1 + SHARPENING, blurred, -SHARPENING, 0)
    text, _, _ = _detector().detectAndDecode(sharp)
    return text
