from collections.abc import Callable

import numpy as np
import pytest
from numpy.testing import assert_allclose

from fixtures.strips import SimulatedStrip, as_strip
from reader.measure.profile import extract_profile
from reader.settings.values import load_layout

WINDOW = load_layout("comb").window[0]
PLAIN = SimulatedStrip(seed=11, px_per_mm=16.0).with_noise(sd_code=1.0).with_blur(0.15)
LINED = PLAIN.with_mark("indicator", position_mm=6.0, height=0.05)


def with_a_hair(strip: SimulatedStrip) -> SimulatedStrip:
    return strip.with_hair((0.3, 7.5), (2.5, 5.5), (4.7, 8.0))


def with_a_speck(strip: SimulatedStrip) -> SimulatedStrip:
    return strip.with_speck(at_mm=(2.0, 6.1))


def with_a_smear(strip: SimulatedStrip) -> SimulatedStrip:
    return strip.with_smear(across_mm=1.5, along_mm=(5.0, 9.0))


FOREIGN = [with_a_hair, with_a_speck, with_a_smear, SimulatedStrip.with_streaks]


def height_at(simulated: SimulatedStrip, place: float = 6.0) -> float:
    """Green absorbance at a place over the mean of 1.5 to 3 mm on both sides."""
    profile = extract_profile(as_strip(simulated, WINDOW))
    away = np.abs(profile.position_mm - place)
    green = profile.absorbance[:, 1]
    return float(green[away < 0.2].mean() - green[(away > 1.5) & (away < 3)].mean())


def test_absorbance_is_minus_log10_of_the_light() -> None:
    flat = SimulatedStrip(seed=1, px_per_mm=16.0, membrane=(0.5, 0.2, 0.1))
    profile = extract_profile(as_strip(flat, WINDOW))
    # A(.5) = .301030, A(.2) = .698970, A(.1) = 1 (definition; tabled values)
    assert_allclose(
        profile.absorbance, np.tile([0.30103, 0.69897, 1.0], (len(profile.position_mm), 1)), atol=1e-5
    )


def test_a_line_keeps_its_height() -> None:
    assert height_at(LINED) == pytest.approx(LINED.peak("indicator"), rel=0.05)


@pytest.mark.parametrize("spoil", FOREIGN)
def test_a_foreign_body_leaves_the_line_its_height(spoil: Callable[[SimulatedStrip], SimulatedStrip]) -> None:
    assert height_at(spoil(LINED)) == pytest.approx(height_at(LINED), rel=0.1)


def test_shading_across_the_breadth_leaves_the_line_its_height() -> None:
    assert height_at(LINED.with_light_gradient(across=0.4)) == pytest.approx(height_at(LINED), rel=0.1)


@pytest.mark.parametrize("spoil", FOREIGN)
def test_a_foreign_body_makes_no_line(spoil: Callable[[SimulatedStrip], SimulatedStrip]) -> None:
    profile = extract_profile(as_strip(spoil(PLAIN), WINDOW))
    inside = (profile.position_mm > 1) & (profile.position_mm < 17)
    assert np.abs(profile.absorbance[inside, 1] - np.median(profile.absorbance[inside, 1])).max() < 0.006


def test_a_hair_is_counted_as_foreign() -> None:
    clean = extract_profile(as_strip(PLAIN, WINDOW))
    hairy = extract_profile(as_strip(with_a_hair(PLAIN), WINDOW))
    assert hairy.foreign_fraction > clean.foreign_fraction + 0.005
    assert clean.foreign_fraction < 0.01


def test_the_standard_error_is_that_of_the_noise() -> None:
    wide = SimulatedStrip(seed=4, px_per_mm=16.0).with_noise(sd_code=2.0)
    profile = extract_profile(as_strip(wide, WINDOW))
    found = profile.absorbance[8:-8] - profile.absorbance[8:-8].mean(axis=0)
    assert_allclose(profile.standard_error[8:-8].mean(axis=0), found.std(axis=0), rtol=0.25)


def test_a_lane_that_is_covered_is_told_and_leaves_the_mean_alone() -> None:
    strip = as_strip(LINED, WINDOW)
    valid = strip.valid.copy()
    valid[:, :30] = False
    covered = extract_profile(
        type(strip)(
            **{name: getattr(strip, name) for name in strip.__slots__ if name != "valid"}, valid=valid
        )
    )
    whole = extract_profile(strip)
    assert not covered.lane_valid[:3].any()
    assert covered.valid.all()
    assert np.abs((covered.absorbance - whole.absorbance)[:, 1]).max() < 0.01
