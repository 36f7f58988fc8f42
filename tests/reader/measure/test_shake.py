"""Shaken photos are told by their edges and lines, by direction and in millimetres of the plate."""

from collections.abc import Callable
from math import cos, radians, sin, sqrt

import cv2
import numpy as np
import pytest

from fixtures.strips import SimulatedStrip, as_strip
from reader.errors import PhotoRefusedError
from reader.measure.profile import Profile, extract_profile
from reader.measure.shake import check_picture, edge_smear, lines_spread
from reader.photo.open import Photo
from reader.settings.values import load_layout

COMB = load_layout("comb")
BOX_SIGMA = 1 / sqrt(12)  # standard deviation of an even spread of breadth 1


def openings(turn_deg: float = 20.0, size: int = 600) -> np.ndarray:
    """Sharp dark discs and bars, turned, on a grey plate, with grain."""
    big = np.full((4 * size, 4 * size), 150.0, np.float32)
    for k in range(6):
        x, y = 4 * size * (0.2 + 0.12 * k), 4 * size * 0.3
        cv2.circle(big, (int(x), int(y)), size // 6, 60.0, -1)
        box = cv2.boxPoints(((x, 4 * size * 0.65), (size * 0.28, size * 0.75), 0.0))
        cv2.fillConvexPoly(big, box.astype(np.int32), 210.0)
    turn = cv2.getRotationMatrix2D((2 * size, 2 * size), turn_deg, 0.9)
    turned = cv2.warpAffine(big, turn, (4 * size, 4 * size), borderMode=cv2.BORDER_REPLICATE)
    small = cv2.resize(turned, (size, size), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.GaussianBlur(small, (0, 0), 0.5), np.float32)


def swept(picture: np.ndarray, length_px: float, direction_deg: float) -> np.ndarray:
    """The picture while the camera moves evenly so far."""
    total = np.zeros_like(picture)
    steps = np.linspace(-0.5, 0.5, 41) * length_px
    for s in steps:
        move = np.array([[1, 0, s * cos(radians(direction_deg))], [0, 1, s * sin(radians(direction_deg))]])
        total += cv2.warpAffine(picture, move, picture.shape[::-1], borderMode=cv2.BORDER_REPLICATE)
    return total / len(steps)


def grainy(picture: np.ndarray, seed: int = 1) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(0, 1.0, picture.shape)
    return np.asarray((picture + noise) / 255, np.float32)


@pytest.mark.parametrize("direction", [0.0, 35.0, 90.0, 140.0])
def test_a_sweep_is_measured_by_length_and_direction(direction: float) -> None:
    """An even sweep of length L spreads an edge across it with a standard deviation of L / sqrt(12)."""
    found = edge_smear(grainy(swept(openings(), 8.0, direction)))
    assert found is not None
    assert found.strongest == pytest.approx(8 * BOX_SIGMA, rel=0.3)
    assert found.weakest < 0.4 * found.strongest
    off = (np.degrees(found.direction) - direction + 90) % 180 - 90
    assert abs(off) < 12


@pytest.mark.parametrize("sigma", [0.8, 1.5, 2.5])
def test_a_lack_of_focus_is_no_sweep(sigma: float) -> None:
    """Two Gaussians follow one another with the sum of their variances."""
    found = edge_smear(grainy(cv2.GaussianBlur(openings(), (0, 0), sigma)))
    assert found is not None
    assert found.strongest == pytest.approx(sqrt(sigma**2 + 0.5**2), rel=0.3)
    assert found.strongest < 1.5 * found.weakest


def test_a_sharp_picture_with_a_soft_spot_of_light_is_no_sweep() -> None:
    y, x = np.mgrid[:600, :600]
    spot = 90 * np.exp(-((x - 250.0) ** 2 + (y - 250.0) ** 2) / (2 * 40.0**2))
    found = edge_smear(grainy(openings() + spot.astype(np.float32)))
    assert found is not None
    assert found.strongest < 0.9


def test_a_picture_without_edges_tells_nothing() -> None:
    assert edge_smear(grainy(np.full((200, 200), 120.0, np.float32))) is None


def picture(change: Callable[[np.ndarray], np.ndarray]) -> Photo:
    codes = np.clip(np.rint(255 * grainy(change(openings()))), 0, 255).astype(np.uint8)
    return Photo(name="p.png", pixels=np.repeat(codes[..., None], 3, axis=2), sha256="")


def test_a_picture_without_a_plate_is_refused_as_what_it_is() -> None:
    with pytest.raises(PhotoRefusedError) as caught:
        check_picture(picture(lambda p: swept(p, 14.0, 35.0)))
    assert caught.value.code == "shaken"
    assert "rest the phone" in caught.value.remedy
    with pytest.raises(PhotoRefusedError) as caught:
        check_picture(picture(lambda p: np.asarray(cv2.GaussianBlur(p, (0, 0), 4.0))))
    assert caught.value.code == "blurred"
    check_picture(picture(lambda p: p))


def profiles(smear_mm: float, *, height: float = 0.3) -> list[Profile]:
    """Windows whose lines are as broad as their layout says and smeared by a Gaussian of this sigma."""
    found = []
    for k, window in enumerate(COMB.window):
        strip = SimulatedStrip(seed=k, px_per_mm=16.0, length_mm=window.length, breadth_mm=window.breadth)
        for name, place in (("indicator", COMB.marks.indicator), ("reference", COMB.marks.reference)):
            strip = strip.with_mark(
                name, position_mm=place.position, height=height, width_mm=place.width, spread_mm=smear_mm
            )
        found.append(extract_profile(as_strip(strip.with_noise(sd_code=1.0), window)))
    return found


@pytest.mark.parametrize("smear", [0.05, 0.3, 0.6])
def test_the_breadth_of_all_lines_is_measured_in_widths_of_their_marks(smear: float) -> None:
    width = COMB.marks.indicator.width
    found = lines_spread(profiles(smear), COMB)
    assert found is not None
    assert found == pytest.approx(sqrt((width * BOX_SIGMA) ** 2 + smear**2) / width, rel=0.2)


def test_without_a_line_no_breadth_is_told() -> None:
    assert lines_spread(profiles(0.05, height=0.002), COMB) is None
