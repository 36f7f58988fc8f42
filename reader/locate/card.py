"""The photo card: its markers give the first pose of everything that lies on it, and the camera's focal length."""

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.locate.camera import Camera
from reader.locate.known_points import first_camera, fit_points
from reader.locate.priors import Priors
from reader.locate.view import ReducedCopy
from reader.numbers.geometry import Points, apply, homography_between

CARD_SIZE_MM = (210.0, 148.0)
"""Photo card, A5 landscape; places on it are millimetres from the sheet's top-left corner, x right, y down."""
MARKER_CENTRES_MM = ((16.0, 16.0), (194.0, 16.0), (194.0, 132.0), (16.0, 132.0))
"""Middles of the markers, by their ids."""
MARKER_SIDE_MM = 18.0
"""Side of a marker, its black border included."""
PLATE_CENTRE_MM = (105.0, 74.0)
"""Middle of the printed silhouette that shows where the plate lies."""
WRONG_BITS = 2
"""Of a marker's 36 bits at most 2 may be wrong: more and clutter passes (the AprilTag detector's own limit)."""
MARKER_TOLERANCE_MM = 4.0
"""Corners of a printed marker fall within this of their place, mm, or the sheet is not the card; a sheet curls."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class CardPose:
    """Where the card lies: the camera in CARD millimetres and full-size px, ids seen, rms of marker corners, mm."""

    camera: Camera
    ids: tuple[int, ...]
    residual_mm: float


@lru_cache(maxsize=1)
def _make_detector() -> cv2.aruco.ArucoDetector:
    """Reads the card's four markers only."""
    whole = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    four = cv2.aruco.Dictionary(whole.bytesList[: len(MARKER_CENTRES_MM)], whole.markerSize, WRONG_BITS)
    settings = cv2.aruco.DetectorParameters()
    settings.errorCorrectionRate = 1.0
    settings.adaptiveThreshWinSizeMin = 13
    settings.adaptiveThreshWinSizeMax = 33
    settings.adaptiveThreshWinSizeStep = 20
    settings.minMarkerPerimeterRate = 0.06
    settings.maxMarkerPerimeterRate = 1.0
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    settings.cornerRefinementWinSize = 4
    return cv2.aruco.ArucoDetector(four, settings)


def find_markers(grey: NDArray[np.uint8]) -> dict[int, Points]:
    """The card's markers in a grey picture: id to corners (4, 2) px, clockwise from its own top-left.

    A marker that is seen twice is left out: two cards, or one of them is no marker.
    """
    corners, ids, _ = _make_detector().detectMarkers(grey)
    if ids is None:
        return {}
    numbers = [int(i) for i in np.ravel(ids)]
    return {
        i: np.asarray(c, np.float64).reshape(4, 2)
        for i, c in zip(numbers, corners, strict=True)
        if numbers.count(i) == 1
    }


def marker_corners_mm(marker: int) -> Points:
    """Corners (4, 2) of a marker on the card, mm, in the order in which it is found."""
    half = MARKER_SIDE_MM / 2
    x, y = MARKER_CENTRES_MM[marker]
    return np.array([[x - half, y - half], [x + half, y - half], [x + half, y + half], [x - half, y + half]])


def find_card(copy: ReducedCopy, priors: Priors) -> CardPose | None:
    """The card's pose from at least two of its markers, or None.

    Markers that do not lie where the others put them (another order, another handedness, another sheet) are left
    out.
    """
    found = find_markers(copy.grey)
    # One of them may be a copy or a misreading; with more at odds the sheet is not the card.
    enough = max(2, len(found) - 1)
    while len(found) >= enough:
        ids = tuple(sorted(found))
        source = np.concatenate([marker_corners_mm(i) for i in ids])
        target = copy.to_full(np.concatenate([found[i] for i in ids]))
        h = homography_between(source, target)
        camera = None if h is None else first_camera(h, priors)
        fitted = None if camera is None else fit_points(camera, source, target, priors)
        if fitted is not None:
            camera, miss_mm = fitted
            worst = miss_mm.reshape(-1, 4).max(axis=1)
            if worst.max() < MARKER_TOLERANCE_MM:
                return CardPose(camera=camera, ids=ids, residual_mm=float(np.sqrt(np.mean(miss_mm**2))))
        if len(found) == enough:
            return None
        found = _leave_out_worst(found)
    return None


def _leave_out_worst(found: dict[int, Points]) -> dict[int, Points]:
    """Leave out the marker whose absence makes the others agree best."""
    best: dict[int, Points] = {}
    least = np.inf
    for left_out in found:
        rest = {i: c for i, c in found.items() if i != left_out}
        source = np.concatenate([marker_corners_mm(i) for i in rest])
        target = np.concatenate(list(rest.values()))
        h = homography_between(target, source)
        if h is None:
            continue
        miss = float(np.abs(apply(h, target) - source).max())
        if miss < least:
            best, least = rest, miss
    return best
