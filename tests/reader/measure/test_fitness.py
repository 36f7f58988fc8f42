from dataclasses import replace
from math import erf, sqrt
from typing import Any

import numpy as np
import pytest

from fixtures.strips import SimulatedStrip, as_strip
from reader.errors import PhotoRefusedError
from reader.measure.fitness import blur_mm, check_covers, check_sharpness, check_strips, chroma_floor
from reader.measure.profile import Profile, extract_profile
from reader.measure.strip import Strip
from reader.photo.open import ChromaInfo
from reader.settings.values import load_layout, load_thresholds
from reader.words import windows_named as named

COMB = load_layout("comb")
PAPER = SimulatedStrip(seed=5, px_per_mm=16.0).with_noise(sd_code=1.0)
STRIPS = [as_strip(PAPER, window) for window in COMB.window]


def refusal(strips: list[Strip]) -> PhotoRefusedError:
    with pytest.raises(PhotoRefusedError) as caught:
        check(strips)
    return caught.value


def check(strips: list[Strip]) -> None:
    check_strips(strips)
    check_sharpness(strips, COMB, load_thresholds())


def with_(strips: list[Strip], at: tuple[int, ...], **fields: Any) -> list[Strip]:
    return [replace(strip, **fields) if k in at else strip for k, strip in enumerate(strips)]


def test_strips_that_can_be_seen_pass() -> None:
    check_strips(STRIPS)
    check_sharpness(STRIPS, COMB, load_thresholds())
    check_covers([extract_profile(strip) for strip in STRIPS], COMB)


def test_glare_names_its_windows_and_says_to_move_the_lamp() -> None:
    found = refusal(with_(STRIPS, (1, 2), clipped_fraction=0.5))
    assert found.code == "glare"
    assert "windows 2 and 3" in found.reason
    assert "move the lamp" in found.remedy


def test_a_plate_blown_out_is_overexposed() -> None:
    assert refusal(with_(STRIPS, (0, 1, 2, 3), clipped_fraction=0.9)).code == "overexposed"


def test_a_window_behind_its_rim_is_hidden() -> None:
    found = refusal(with_(STRIPS, (4,), hidden_fraction=0.7))
    assert (found.code, "window 5" in found.reason) == ("window_hidden", True)


def test_a_window_without_edges_is_covered_and_a_plate_without_edges_blurred() -> None:
    assert refusal(with_(STRIPS, (0,), edge_step=0.02)).code == "window_hidden"
    assert refusal(with_(STRIPS, (0, 1, 2, 3, 4, 5), edge_step=0.02)).code == "blurred"
    assert refusal(with_(STRIPS, (0, 1, 2, 3, 4, 5), edge_share=0.3)).code == "blurred"


def test_the_blur_of_an_edge_is_that_of_a_gaussian() -> None:
    for sigma in (0.1, 0.2, 0.37, 0.6):
        assert blur_mm(erf(0.25 / (sigma * sqrt(2)))) == pytest.approx(sigma, rel=1e-6)


@pytest.mark.parametrize("absorbance", [(0.8, 0.8, 0.8), (0.0, 0.25, 0.2)], ids=["dark pen", "finger"])
def test_something_laid_over_a_window_is_told(absorbance: tuple[float, float, float]) -> None:
    profiles = [extract_profile(strip) for strip in STRIPS]
    over = np.where(np.abs(profiles[3].position_mm[:, None] - 9) < 3, np.array(absorbance), 0.0)
    fields = {name: getattr(profiles[3], name) for name in profiles[3].__slots__ if name != "absorbance"}
    profiles[3] = Profile(**fields, absorbance=profiles[3].absorbance + over)
    with pytest.raises(PhotoRefusedError, match="window 4") as caught:
        check_covers(profiles, COMB)
    assert caught.value.code == "window_hidden"


def test_a_shadow_of_half_the_light_is_no_cover() -> None:
    shaded = PAPER.with_shadow(depth=0.5, at_mm=(2.5, 9.0), softness_mm=0.3)
    profiles = [extract_profile(as_strip(shaded, window)) for window in COMB.window]
    check_covers(profiles, COMB)


def test_windows_are_named_in_words() -> None:
    assert named(["2"]) == "window 2"
    assert named(["2", "3", "5"]) == "windows 2, 3 and 5"


def test_a_coarser_file_carries_less_chroma() -> None:
    floors = [chroma_floor(ChromaInfo(lossy=True, jpeg_quality=quality)) for quality in (95, 85, 70, 50)]
    assert floors == sorted(floors)
    assert chroma_floor(ChromaInfo(lossy=False)) <= floors[0]
    # IJG: quality 50 takes the tables of ITU-T T.81 as they are, 25 doubles them
    low, lower = (chroma_floor(ChromaInfo(lossy=True, jpeg_quality=quality)) for quality in (50, 25))
    assert lower == pytest.approx(2 * low)


@pytest.mark.parametrize("short", [(2,), (0, 1, 2, 3, 4, 5)])
def test_windows_with_no_stretch_beside_their_marks_are_not_called_covered(short: tuple[int, ...]) -> None:
    profiles = [extract_profile(strip) for strip in STRIPS]
    for k in short:
        fields = {name: getattr(profiles[k], name) for name in profiles[k].__slots__ if name != "valid"}
        profiles[k] = Profile(**fields, valid=np.zeros_like(profiles[k].valid))
    check_covers(profiles, COMB)
