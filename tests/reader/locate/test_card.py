import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from reader.locate.camera import Camera
from reader.locate.card import (
    CARD_SIZE_MM,
    MARKER_CENTRES_MM,
    MARKER_SIDE_MM,
    CardPose,
    find_card,
    find_markers,
    marker_corners_mm,
)
from reader.locate.priors import Priors
from reader.locate.view import reduce_photo

PER_MM = 8
Grey = NDArray[np.uint8]


def draw_card(
    ids: tuple[int, ...] = (0, 1, 2, 3), *, leave_out: tuple[int, ...] = (), wrong_bits: int = 0
) -> Grey:
    """The card as printed, from the markers of the ArUco module of OpenCV itself; ids in the order of the
    places.
    """
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    sheet = np.full((round(CARD_SIZE_MM[1] * PER_MM), round(CARD_SIZE_MM[0] * PER_MM)), 250, np.uint8)
    side = round(MARKER_SIDE_MM * PER_MM) // 8 * 8
    for place, (marker, (x, y)) in enumerate(zip(ids, MARKER_CENTRES_MM, strict=True)):
        if place in leave_out:
            continue
        picture = np.array(cv2.aruco.generateImageMarker(family, marker, side))
        cell = side // 8
        for k in range(wrong_bits):
            bit = picture[cell : 2 * cell, (1 + k) * cell : (2 + k) * cell]
            bit[:] = 255 - bit
        top, left = round(y * PER_MM - side / 2), round(x * PER_MM - side / 2)
        sheet[top : top + side, left : left + side] = picture
    return sheet


def photograph(sheet: Grey, corners: NDArray[np.float64], *, blur: float = 1.0) -> Grey:
    h, w = sheet.shape
    m = cv2.getPerspectiveTransform(
        np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32), corners.astype(np.float32)
    )
    table = cv2.warpPerspective(sheet, m, (1200, 900), flags=cv2.INTER_AREA, borderValue=(90.0,))
    return np.asarray(cv2.GaussianBlur(table, (0, 0), blur), np.uint8)


def camera_at(turn: tuple[float, float, float]) -> Camera:
    """A camera over the card's middle, turned by a rotation vector in radians."""
    rotation = np.asarray(cv2.Rodrigues(np.array(turn))[0], np.float64)
    return Camera(
        rotation=rotation,
        shift=np.array([0.0, 0.0, 330.0]) - rotation[:, :2] @ [105.0, 74.0],
        focal=1250.0,
        centre=np.array([599.5, 449.5]),
    )


def corners_seen(camera: Camera) -> NDArray[np.float64]:
    width, height = CARD_SIZE_MM
    return camera.project(np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]]))


FLAT = corners_seen(camera_at((0.1, -0.05, 0.04)))


def found(picture: Grey) -> CardPose | None:
    priors = Priors(focal=(np.log(1200), 0.3), centre=np.array([599.5, 449.5]))
    return find_card(reduce_photo(np.asarray(cv2.cvtColor(picture, cv2.COLOR_GRAY2BGR), np.uint8)), priors)


@pytest.mark.parametrize("turn", [(0.1, -0.05, 0.04), (0.35, -0.2, 0.5), (-0.7, 0.2, 3.0)])
def test_the_card_is_found_where_it_lies(turn: tuple[float, float, float]) -> None:
    camera = camera_at(turn)
    card = found(photograph(draw_card(), corners_seen(camera)))
    assert card is not None
    assert card.ids == (0, 1, 2, 3)
    points = np.array([[105.0, 74.0], [30.0, 110.0], [180.0, 40.0]])
    # A quarter of a millimetre is 1 px here; the corners of the drawn markers are whole pixels of the sheet.
    assert np.abs(card.camera.project(points) - camera.project(points)).max() < 1.0
    assert card.camera.tilt() == pytest.approx(camera.tilt(), abs=0.7)


def test_the_focal_length_comes_from_the_markers_where_the_card_lies_aslant() -> None:
    card = found(photograph(draw_card(), corners_seen(camera_at((0.5, -0.2, 0.5)))))
    assert card is not None
    assert card.camera.focal == pytest.approx(1250, rel=0.04)


@pytest.mark.parametrize("turns", range(4))
def test_the_card_is_found_at_any_quarter_turn(turns: int) -> None:
    picture = np.ascontiguousarray(np.rot90(photograph(draw_card(), FLAT), turns))
    assert set(find_markers(picture)) == {0, 1, 2, 3}


@pytest.mark.parametrize("leave_out", [(0,), (1, 3), (0, 1)])
def test_two_or_three_markers_are_enough(leave_out: tuple[int, ...]) -> None:
    card = found(photograph(draw_card(leave_out=leave_out), FLAT))
    assert card is not None
    assert card.ids == tuple(i for i in range(4) if i not in leave_out)


def test_one_marker_is_not_enough() -> None:
    assert found(photograph(draw_card(leave_out=(0, 1, 2)), FLAT)) is None


def test_markers_in_another_order_are_no_card() -> None:
    assert found(photograph(draw_card((2, 1, 0, 3)), FLAT)) is None
    assert found(photograph(draw_card((1, 0, 3, 2)), FLAT)) is None


def test_a_mirrored_card_does_not_decode() -> None:
    assert find_markers(np.ascontiguousarray(photograph(draw_card(), FLAT)[:, ::-1])) == {}


def test_other_ids_of_the_family_are_ignored() -> None:
    assert find_markers(photograph(draw_card((4, 5, 6, 7)), FLAT)) == {}


# The AprilTag detector never accepts more than two corrected bits; OpenCV's own default would accept three.
@pytest.mark.parametrize(("wrong", "seen"), [(0, True), (2, True), (3, False), (4, False)])
def test_at_most_two_bits_are_corrected(wrong: int, *, seen: bool) -> None:
    assert bool(find_markers(photograph(draw_card(wrong_bits=wrong), FLAT))) == seen


def test_marker_corners_go_clockwise_from_the_top_left() -> None:
    assert marker_corners_mm(1).tolist() == [[185, 7], [203, 7], [203, 25], [185, 25]]
