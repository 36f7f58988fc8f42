"""Light against published points, Sharma's pairs, scikit-image and LittleCMS."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from PIL import Image, ImageCms
from skimage import color

from fixtures.pictures import P3_TO_XYZ, icc_profile
from reader.photo.light import (
    LIGHT_FLOOR,
    absorbance,
    colour_difference,
    decode_srgb,
    encode,
    encode_srgb,
    linear,
    linear_to_lab,
    srgb_to_lab,
)


@pytest.fixture
def random_pixels() -> np.ndarray:
    return np.random.default_rng(5).integers(0, 256, (40, 30, 3)).astype(np.uint8)


# IEC 61966-2-1, decoding formula; codes 10 and 11 straddle its joint (by hand and with colour-science)
@pytest.mark.parametrize(
    ("code", "light"),
    [
        *((0, 0.0), (1, 0.0003035), (10, 0.0030353), (11, 0.0033465), (50, 0.0318960), (64, 0.0512695)),
        *((100, 0.1274377), (128, 0.2158605), (188, 0.5028865), (200, 0.5775804), (230, 0.7912979)),
        *((250, 0.9559734), (254, 0.9911021), (255, 1.0)),
    ],
)
def test_the_srgb_curve_meets_the_standards_points(code: int, light: float) -> None:
    assert decode_srgb(code / 255) == pytest.approx(light, abs=5e-8)
    assert encode_srgb(light) * 255 == pytest.approx(code, abs=5e-4)
    assert linear(np.full((2, 2, 3), code, np.uint8))[0, 0, 0] == pytest.approx(light, abs=1e-7)


@pytest.mark.parametrize(("light", "code"), [(0.5, 0.7353570), (0.18, 0.4613561), (0.2140411, 0.5)])
def test_half_and_middle_grey_encode_as_published(light: float, code: float) -> None:
    assert encode_srgb(light) == pytest.approx(code, abs=5e-8)


def test_every_8_and_16_bit_code_survives_the_round_trip() -> None:
    for dtype in (np.uint8, np.uint16):
        codes = np.arange(np.iinfo(dtype).max + 1).astype(dtype)
        pixels = np.stack([codes, codes[::-1], codes], axis=-1)[None]
        assert_allclose(encode(linear(pixels), dtype=dtype).astype(int), pixels, atol=0)


def test_8_and_16_bit_and_floating_pixels_hold_the_same_light(random_pixels: np.ndarray) -> None:
    light = linear(random_pixels)
    assert light.dtype == np.float32
    assert_allclose(linear(random_pixels.astype(np.uint16) * 257), light, atol=1e-7)
    assert_allclose(linear(random_pixels / 255), light, atol=1e-7)
    assert_allclose(linear(random_pixels[3, 4]), light[3, 4], atol=1e-7)


def test_blue_green_red_pixels_become_red_green_blue_light() -> None:
    light = linear(np.array([[[0, 128, 255]]], np.uint8))
    assert_allclose(light, [[[1, 0.2158605, 0]]], atol=1e-6)


def test_pixels_stay_as_they_were_and_may_be_read_only(random_pixels: np.ndarray) -> None:
    before = random_pixels.copy()
    random_pixels.setflags(write=False)
    linear(random_pixels, "display-p3")
    assert (random_pixels == before).all()


def test_integers_other_than_8_and_16_bit_are_a_programming_error() -> None:
    with pytest.raises(TypeError, match="int64; expected uint8, uint16"):
        linear(np.zeros((2, 2, 3), np.int64))


def test_light_agrees_with_scikit_image(random_pixels: np.ndarray) -> None:
    # scikit-image decodes inside rgb2xyz; with the inverse of its own 4-digit matrix the light comes back
    theirs = color.rgb2xyz(random_pixels[..., ::-1]) @ np.linalg.inv(color.colorconv.xyz_from_rgb).T
    assert_allclose(linear(random_pixels), theirs, atol=1e-6)


# Computed with colour-science 0.4.7 from the IEC 61966-2-1 primaries in 7 digits, D65; h by atan2
@pytest.mark.parametrize(
    ("rgb", "lab"),
    [
        ((255, 0, 0), (53.2408, 80.0925, 67.2032)),
        ((0, 255, 0), (87.7347, -86.1827, 83.1793)),
        ((0, 0, 255), (32.2970, 79.1875, -107.8602)),
        ((0, 255, 255), (91.1132, -48.0875, -14.1312)),
        ((200, 60, 60), (46.765, 55.087, 32.324)),
        ((60, 80, 190), (38.576, 28.963, -60.179)),
        ((128, 128, 128), (53.585, 0, 0)),
        ((119, 119, 119), (50.0344, 0, 0)),
        ((230, 180, 190), (77.9844, 19.5987, 1.8942)),
        ((245, 240, 241), (95.1962, 1.8440, 0.1107)),
        ((200, 200, 200), (80.604, 0, 0)),
        ((40, 40, 40), (16.114, 0, 0)),
        ((255, 255, 255), (100, 0, 0)),
        ((0, 0, 0), (0, 0, 0)),
    ],
)
def test_lab_meets_the_published_values(rgb: tuple[int, ...], lab: tuple[float, ...]) -> None:
    assert_allclose(srgb_to_lab(rgb), lab, atol=6e-4)
    assert_allclose(srgb_to_lab(np.array(rgb) / 255), lab, atol=6e-4)


def test_lab_agrees_with_scikit_image(random_pixels: np.ndarray) -> None:
    rgb = random_pixels[..., ::-1]
    # scikit-image has the standard's 4-digit matrix, which alone is good for 0.03
    assert_allclose(srgb_to_lab(rgb), color.rgb2lab(rgb), atol=0.03)


@pytest.mark.parametrize(("light", "lightness"), [(216 / 24389, 8.0), (0.1841865, 50.0), (1.0, 100.0)])
def test_lightness_has_its_joint_and_middle_where_cie_15_puts_them(light: float, lightness: float) -> None:
    assert linear_to_lab([light] * 3)[0] == pytest.approx(lightness, abs=1e-5)


# Sharma, Wu & Dalal, Color Res. Appl. 30 (2005) 21, table 1 (pair 14 sits on a hue discontinuity: left out)
SHARMA = [
    ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
    ((50, 3.1571, -77.2803), (50, 0, -82.7485), 2.8615),
    ((50, -1.3802, -84.2814), (50, 0, -82.7485), 1.0000),
    ((50, 0, 0), (50, -1, 2), 2.3669),
    ((50, 2.49, -0.001), (50, -2.49, 0.0009), 7.1792),
    ((50, 2.49, -0.001), (50, -2.49, 0.0011), 7.2195),
    ((50, -0.001, 2.49), (50, 0.0009, -2.49), 4.8045),
    ((50, -0.001, 2.49), (50, 0.0011, -2.49), 4.7461),
    ((50, 2.5, 0), (50, 0, -2.5), 4.3065),
    ((50, 2.5, 0), (73, 25, -18), 27.1492),
    ((50, 2.5, 0), (61, -5, 29), 22.8977),
    ((50, 2.5, 0), (56, -27, -3), 31.9030),
    ((50, 2.5, 0), (58, 24, 15), 19.4535),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((22.7233, 20.0904, -46.694), (23.0331, 14.973, -42.5619), 2.0373),
    ((90.8027, -2.0831, 1.441), (91.1528, -1.6435, 0.0447), 1.4441),
    ((6.7747, -0.2908, -2.4247), (5.8714, -0.0985, -2.2286), 0.6377),
    ((2.0776, 0.0795, -1.135), (0.9033, -0.0636, -0.5514), 0.9082),
]


@pytest.mark.parametrize(("lab_1", "lab_2", "difference"), SHARMA)
def test_colour_difference_meets_sharmas_pairs_in_both_orders(
    lab_1: tuple[float, ...], lab_2: tuple[float, ...], difference: float
) -> None:
    assert colour_difference(lab_1, lab_2) == pytest.approx(difference, abs=1e-4)
    assert colour_difference(lab_2, lab_1) == pytest.approx(difference, abs=1e-4)


def ciede2000(lab_1: NDArray[np.float64], lab_2: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(color.deltaE_ciede2000(lab_1, lab_2), np.float64)  # type: ignore[no-untyped-call]


def test_colour_difference_agrees_with_scikit_image() -> None:
    rng = np.random.default_rng(8)
    lab_1, lab_2 = rng.uniform((0, -100, -100), (100, 100, 100), (2, 5000, 3))
    assert_allclose(colour_difference(lab_1, lab_2), ciede2000(lab_1, lab_2), atol=1e-6)
    near = lab_1 + rng.normal(0, 0.5, lab_1.shape)
    assert_allclose(colour_difference(lab_1, near), ciede2000(lab_1, near), atol=1e-6)
    assert (colour_difference(lab_1, lab_1) == 0).all()


# SMPTE EG 432-1 chromaticities with the D65 white, solved in the tests' own helper
def test_display_p3_light_is_expressed_in_srgb_primaries(random_pixels: np.ndarray) -> None:
    light = linear(random_pixels, "display-p3")
    xyz = decode_srgb(random_pixels[..., ::-1] / 255) @ P3_TO_XYZ.T
    assert_allclose(light @ color.colorconv.xyz_from_rgb.T, xyz, atol=1e-4)


def test_display_p3_colours_outside_srgb_keep_their_values() -> None:
    red = linear(np.array([[[0, 0, 255]]], np.uint8), "display-p3")[0, 0]
    assert_allclose(red, np.linalg.inv(color.colorconv.xyz_from_rgb) @ P3_TO_XYZ[:, 0], atol=5e-4)
    assert red[0] > 1.2
    assert red[1] < -0.04


def test_greys_are_the_same_light_in_both_encodings() -> None:
    greys = np.repeat(np.arange(256, dtype=np.uint8)[None, :, None], 3, axis=2)
    assert_allclose(linear(greys, "display-p3"), linear(greys), atol=1e-6)


def test_display_p3_agrees_with_littlecms_inside_srgb() -> None:
    rng = np.random.default_rng(2)
    bgr = rng.integers(90, 200, (20, 20, 3)).astype(np.uint8)  # dull enough to lie inside sRGB
    theirs = ImageCms.profileToProfile(
        Image.fromarray(np.ascontiguousarray(bgr[..., ::-1])),
        ImageCms.ImageCmsProfile(icc_profile("display-p3")),
        ImageCms.createProfile("sRGB"),
    )
    assert theirs is not None
    ours = encode(linear(bgr, "display-p3"))[..., ::-1]
    assert np.abs(ours.astype(int) - np.asarray(theirs)).max() <= 1


def test_absorbance_is_the_decadic_logarithm_of_the_light_lost() -> None:
    assert_allclose(absorbance([1.0, 0.1, 0.5, 2.0], 1.0), [0, 1, np.log10(2), -np.log10(2)], atol=1e-12)
    assert_allclose(
        absorbance(np.full((4, 3), 0.2), np.array([0.4, 0.2, 0.1])), [[np.log10(2), 0, -np.log10(2)]] * 4
    )


def test_absorbance_of_no_light_is_finite_and_the_same_as_at_the_floor() -> None:
    dark = absorbance([0.0, -0.2, LIGHT_FLOOR, LIGHT_FLOOR / 9], 1.0)
    assert_allclose(dark, -np.log10(LIGHT_FLOOR))
    assert absorbance(0.0, 0.0) == 0
