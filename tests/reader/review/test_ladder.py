"""Rungs of known height: what is drawn is what is said, in the window's own tone and noise."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from fixtures.strips import SimulatedStrip, as_strip
from reader.draw.strip_view import CONTRAST
from reader.measure.line_shape import DYE, line_shape
from reader.measure.mark import measure_marks
from reader.measure.profile import extract_profile
from reader.photo.light import decode_srgb
from reader.review.ladder import REACH_MM, RUNGS, TILE_PX_PER_MM, Ladder, build, contrast, dye_weights
from reader.settings.values import load_layout
from reader.verdict.evidence import WindowEvidence
from reader.verdict.model import WindowRecord
from tests.reader.review.samples import read_plate

COMB = load_layout("comb")
STRIP = (
    SimulatedStrip(seed=3, px_per_mm=16.0)
    .with_baseline(0.05, -0.03, 0.02)
    .with_blur(0.15)
    .with_mark("reference", position_mm=13.0, height=0.3)
)
NOISY = STRIP.with_noise(sd_code=1.5).with_texture(0.003)


def evidence(strip: SimulatedStrip) -> tuple[WindowRecord, WindowEvidence]:
    """The first window of a plate whose windows are all this strip, as the reader measures it."""
    strips = [as_strip(strip, window, draw=k) for k, window in enumerate(COMB.window)]
    fits = measure_marks([extract_profile(cut) for cut in strips], COMB)
    record = read_plate().windows[0]
    places = {"expected_mm": 6.0, "position_mm": None}
    indicator = record.indicator.model_copy(update=places)
    reference = record.reference.model_copy(update=places | {"expected_mm": 13.0})
    record = record.model_copy(update={"indicator": indicator, "reference": reference})
    return record, WindowEvidence(strip=strips[0], curves=fits[0])


def ladder(strip: SimulatedStrip, *, coloured_from: float = 0.0) -> Ladder:
    return build(*evidence(strip), COMB, coloured_from)


def depth(picture: np.ndarray, channel: int = 1) -> float:
    """Absorbance in the middle of a picture over that of its ends, by its encoded codes."""
    light = decode_srgb(picture[..., channel] / 255 if picture.ndim == 3 else picture / 255).mean(axis=1)
    middle, end = len(light) // 2, round(0.8 * TILE_PX_PER_MM)
    rim = np.concatenate([light[:end], light[-end:]]).mean()
    return float(np.log10(rim / light[middle - 2 : middle + 2].mean()))


def test_a_rung_takes_off_the_share_of_the_light_that_is_written_beside_it() -> None:
    # absorbance -log10(1 - share): 0.05 is 10.875 %, 0.012 is 2.725 % (worked by hand)
    assert contrast(0.05) == pytest.approx(0.10875, abs=5e-6)
    assert contrast(0.012) == pytest.approx(0.02725, abs=5e-6)


@pytest.mark.parametrize("rung", range(len(RUNGS)))
def test_a_rungs_picture_has_the_height_that_is_written_above_it(rung: int) -> None:
    # 8-bit codes of a membrane near 200 are 0.005 absorbance apart, and a rung averages a thousand of them
    tile = ladder(NOISY).rungs[rung]
    assert depth(tile.natural) == pytest.approx(RUNGS[rung], abs=0.0025)


@pytest.mark.parametrize("view", ["dye", "lightness"])
def test_pictures_of_height_alone_stretch_every_rung_alike(view: str) -> None:
    built = ladder(NOISY)
    found = [depth(getattr(tile, view)) / CONTRAST for tile in built.rungs]
    assert found == pytest.approx(RUNGS, abs=0.004)  # the 1 sigma of a faint mark in this noise is 0.002
    assert found == sorted(found)


def test_a_rung_has_the_dyes_colour_where_the_file_carries_it_and_none_where_it_does_not() -> None:
    tile = ladder(STRIP, coloured_from=0.02).rungs
    for height, rung in zip(RUNGS, tile, strict=True):
        red, green = (depth(rung.stretched, channel) for channel in (2, 1))
        if height >= 0.02:
            assert red / green == pytest.approx(DYE["red"][0], abs=0.05)
        elif height > 0:
            assert red == pytest.approx(green, rel=0.1)


def test_a_mark_and_a_rung_of_its_height_look_alike() -> None:
    strip = NOISY.with_mark("indicator", position_mm=6.0, height=0.025, spread_mm=0.1)
    built = ladder(strip)
    shown = depth(built.marks["indicator"].lightness) / CONTRAST
    assert shown == pytest.approx(strip.peak("indicator"), abs=0.004)
    assert depth(built.rungs[RUNGS.index(0.025)].lightness) / CONTRAST == pytest.approx(shown, abs=0.006)


def test_a_rungs_noise_is_the_windows_own() -> None:
    for strip in (NOISY, STRIP.with_noise(sd_code=3.0)):
        window, found = evidence(strip)
        built = build(window, found, COMB, 0.0)
        scale = TILE_PX_PER_MM / found.strip.px_per_mm
        rows = slice(8 * 16, 11 * 16)  # between the marks
        own = cv2.resize(found.strip.linear[rows], None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        rough = [_rough(-np.log10(decode_srgb(tile.natural[..., 1] / 255))) for tile in built.rungs]
        assert np.median(rough) == pytest.approx(_rough(-np.log10(own[..., 1])), rel=0.25)


def _rough(absorbance: np.ndarray) -> float:
    """Standard deviation of neighbours' differences along the lines, which no line or shading enters."""
    return float(np.diff(absorbance, axis=1).std())


def test_no_two_rungs_have_the_same_noise() -> None:
    tiles = ladder(NOISY).rungs
    flat = [tile.natural[..., 1].astype(float) - tile.natural[..., 1].mean(axis=1)[:, None] for tile in tiles]
    for k, one in enumerate(flat):
        for other in flat[k + 1 :]:
            assert abs(np.corrcoef(one.ravel(), other.ravel())[0, 1]) < 0.6


def test_a_neutral_shadow_or_hair_vanishes_from_the_dyes_picture() -> None:
    shaded = STRIP.with_line(position_mm=6.0, height=0.08, colour="neutral").with_noise(sd_code=0.5)
    tile = ladder(shaded).marks["indicator"]
    assert depth(tile.lightness) / CONTRAST > 0.06
    assert abs(depth(tile.dye)) / CONTRAST < 0.01


def test_weights_find_the_dye_and_nothing_neutral_with_the_least_noise() -> None:
    rng = np.random.default_rng(5)
    mixing = np.array([[1.0, 0.2, 0.0], [0.1, 0.6, 0.0], [0.3, 0.1, 2.0]]) * 0.01
    blanks = (rng.normal(size=(4000, 3)) @ mixing.T).astype(np.float32)
    weights = dye_weights(blanks, DYE["red"])
    assert weights @ DYE["red"] == pytest.approx(1.0)
    assert weights @ np.ones(3) == pytest.approx(0.0, abs=1e-9)
    # of all unbiased weights none is less noisy (Gauss-Markov theorem): tried along the one direction left
    aside = np.cross(DYE["red"], np.ones(3))
    least = (blanks @ weights).std()
    assert all((blanks @ (weights + step * aside)).std() >= least - 2e-5 for step in (-0.5, -0.1, 0.1, 0.5))


def test_where_no_stretch_is_blank_there_is_no_ladder() -> None:
    window, found = evidence(NOISY)
    unused = replace(found.curves, used=np.zeros_like(found.curves.used))
    built = build(window, WindowEvidence(strip=found.strip, curves=unused), COMB, 0.0)
    assert built.rungs == ()
    assert built.heights == ()
    assert set(built.marks) == {"indicator", "reference"}


def test_a_mark_near_the_membranes_end_is_hatched_beyond_it() -> None:
    short = COMB.model_copy(
        update={
            "marks": COMB.marks.model_copy(
                update={"indicator": COMB.marks.indicator.model_copy(update={"position": 1.5})}
            )
        }
    )
    tile = build(*evidence(NOISY), short, 0.0).marks["indicator"]
    rows = round((REACH_MM - 1.5) * TILE_PX_PER_MM) - 2
    assert set(np.unique(tile.lightness[-rows:])) <= {150, 225}  # upstream lies at the bottom
    assert tile.natural.shape[0] == pytest.approx(2 * REACH_MM * TILE_PX_PER_MM, abs=1)


def test_the_line_drawn_is_the_one_that_the_fit_takes_marks_for() -> None:
    built = ladder(STRIP)
    _, found = evidence(STRIP)
    light = decode_srgb(built.rungs[-1].natural[..., 1] / 255).mean(axis=1)
    offset = (np.arange(len(light), dtype=np.float64) + 0.5) / TILE_PX_PER_MM - REACH_MM
    drawn = np.log10(light[0] / light) / 0.05
    assert drawn == pytest.approx(line_shape(offset, 1.0, found.curves.blur_mm), abs=0.12)
