"""Whether a file could have shown a faint line."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from reader.measure.strip import Strip
from reader.measure.survival import check_survival, grain_codes, rounding_codes
from reader.photo.open import ChromaInfo, Photo
from reader.settings.values import load_layout

LAYOUT = load_layout("comb")
SCALE = 12.0


def photo_of(codes: np.ndarray, quality: int | None = None) -> Photo:
    return Photo(
        name="window.png",
        pixels=np.repeat(codes[..., None], 3, axis=2),
        sha256="",
        chroma=ChromaInfo(jpeg_quality=quality, lossy=quality is not None),
    )


def membrane(code: float = 185.0, grain: float = 0.6, seed: int = 0) -> np.ndarray:
    """A window's membrane as a phone's pixels: light that falls off a little, and grain."""
    n, m = round(18 * SCALE) + 40, round(5 * SCALE) + 40
    slope = np.linspace(-4, 4, n)[:, None]
    noise = np.random.default_rng(seed).normal(0, grain, (n, m))
    return np.clip(np.rint(code + slope + noise), 0, 255).astype(np.uint8)


def strip_of(photo: Photo) -> Strip:
    from reader.photo.light import linear

    light = linear(photo.pixels[20:-20, 20:-20])
    corners = np.array([[20, 20], [80, 20], [80, 236], [20, 236]], dtype=np.float64)
    return Strip(
        window=LAYOUT.window[0],
        linear=light,
        valid=np.ones(light.shape[:2], dtype=bool),
        px_per_mm=SCALE,
        native_px_per_mm=SCALE,
        corners_px=corners,
        mm_to_px=np.array([[SCALE, 0, 20], [0, SCALE, 20], [0, 0, 1]]),
        to_plate=np.eye(3),
        hidden_fraction=0.0,
        clipped_fraction=0.0,
        edge_step=1.0,
        edge_share=1.0,
    )


def flags(codes: np.ndarray, quality: int | None = None) -> tuple[str, ...]:
    photo = photo_of(codes, quality)
    return check_survival(photo, [strip_of(photo)], LAYOUT).flags[0]


@pytest.mark.parametrize("grain", [0.5, 0.8, 2.0])
def test_a_sharp_well_lit_original_keeps_its_lines(grain: float) -> None:
    assert flags(membrane(grain=grain), 88) == ()


@pytest.mark.parametrize("strength", [3, 6, 10, 25])
def test_a_membrane_smoothed_as_phones_do_it_is_known(strength: int) -> None:
    smooth = cv2.fastNlMeansDenoising(membrane(grain=1.0), None, strength, 7, 21)
    assert flags(smooth) == ("smoothed",)


def test_grain_follows_from_how_many_pixels_round_to_another_code() -> None:
    """Normal noise of 0.5 codes leaves its code in 2 Phi(1) - 1 = 68.3 % of pixels (any table of the normal law)."""
    assert grain_codes(1 - 0.6827) == pytest.approx(0.5, abs=0.001)


def test_a_membrane_on_the_shoulder_is_known_wherever_the_white_level_lies() -> None:
    assert "near_white" in flags(membrane(code=244.0))
    dimmed = np.minimum(membrane(code=222.0, grain=1.0), 230)
    dimmed[:18] = dimmed[-18:] = 230  # the plate about it, blown out and then dimmed
    dimmed[:, :18] = dimmed[:, -18:] = 230
    assert "near_white" in flags(dimmed)
    assert "near_white" not in flags(membrane(code=210.0))


def test_hard_compression_is_known_by_its_quality() -> None:
    assert "compressed" in flags(membrane(), 30)
    assert "compressed" not in flags(membrane(), 60)


def shaded(span: float = 60.0) -> np.ndarray:
    """A membrane under light that falls off, so that many codes are used."""
    codes = membrane(grain=1.0).astype(np.float64)
    return codes + np.linspace(-span / 2, span / 2, codes.shape[1])


@pytest.mark.parametrize("levels", [8, 16])
def test_a_picture_of_few_levels_is_known(levels: int) -> None:
    step = 255 / (levels - 1)
    assert "few_tones" in flags(np.rint(np.rint(shaded() / step) * step).astype(np.uint8))


def test_a_stretched_picture_keeps_its_levels() -> None:
    """A filter that doubles the contrast leaves every second code empty, and every line twice as strong."""
    assert "few_tones" not in flags(np.rint(shaded()).astype(np.uint8))
    assert "few_tones" not in flags(np.clip(np.rint(shaded()) * 2 - 185, 0, 255).astype(np.uint8))


@pytest.mark.parametrize(("step", "grain"), [(1.0, 0.0), (1.0, 0.2), (1.0, 0.4), (8.0, 0.0), (8.0, 2.0)])
def test_rounding_is_never_less_than_what_means_of_rounded_pixels_stray_by(step: float, grain: float) -> None:
    """Uniform for no grain, step / sqrt(12) (any textbook of quantisation noise); simulated with grain."""
    random = np.random.default_rng(7)
    level = random.uniform(100, 180, 300)
    pixels = level[:, None] + random.normal(0, grain, (300, 4000)) if grain else level[:, None]
    stray = (np.rint(pixels / step) * step).mean(axis=1) - level
    assert 0.95 * stray.std() - 0.01 <= rounding_codes(step, grain) <= 1.35 * stray.std() + 0.02


def test_a_harder_compression_leaves_more_of_a_block_s_rounding() -> None:
    photo = photo_of(membrane())
    kept = [
        check_survival(photo_of(membrane(), quality), [strip_of(photo)], LAYOUT).rounding
        for quality in (95, 75, 30)
    ]
    assert kept[0] < 0.05 < kept[1] < 0.2 < kept[2]


def test_one_window_blown_out_beside_others_that_are_not_is_known() -> None:
    """Cut off at a code and dimmed: its grain is gone, its neighbours' is there."""
    whole = np.concatenate([membrane(code=200.0, grain=0.8), membrane(code=246.0, grain=0.8)], axis=1)
    photo = photo_of(np.minimum(whole, 238))
    left = strip_of(photo)
    across = np.array([[1.0, 0, 100], [0, 1, 0], [0, 0, 1]])
    right = replace(left, corners_px=np.add(left.corners_px, [100.0, 0.0]), mm_to_px=across @ left.mm_to_px)
    kept, lost = check_survival(photo, [left, right], LAYOUT).flags
    assert "smoothed" not in kept
    assert "smoothed" in lost
