"""Light against published points, Sharma's pairs, scikit-image and LittleCMS."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from PIL import Image, ImageCms
from skimage import color

from fixtures.pictures import P3_TO_XYZ, icc_profile
from reader.photo.light import (
    decode_srgb,
    encode,
    encode_srgb,
    linear,
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
