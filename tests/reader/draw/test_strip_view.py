"""Strips as pictures, also those of which little is left to level them by."""

import numpy as np
import pytest

from fixtures.strips import SimulatedStrip, as_strip
from reader.draw.strip_view import LIGHT, blurred, level_strip, stretched
from reader.settings.values import load_layout

SHADED = (
    SimulatedStrip(seed=3, px_per_mm=16.0)
    .with_baseline(0.02, -0.05, 0.03)
    .with_texture(0.003)
    .with_noise(sd_code=1.0)
)
STRIP = as_strip(SHADED, load_layout("comb").window[0])
ROWS = np.arange(STRIP.valid.shape[0])


def test_a_membranes_shading_is_levelled() -> None:
    shown = stretched(blurred(level_strip(STRIP, ROWS >= 0))).astype(float)
    # sRGB (IEC 61966-2-1) of linear 0.6 is code 203
    assert np.median(shown) == pytest.approx(255 * (1.055 * LIGHT ** (1 / 2.4) - 0.055), abs=3)
    assert np.quantile(np.abs(shown - np.median(shown)), 0.95) < 25


@pytest.mark.parametrize("rows", [slice(0, 2), slice(100, 120), slice(-30, None)])
def test_a_few_blank_rows_together_send_the_levelling_nowhere(rows: slice) -> None:
    blank = np.zeros(ROWS.shape, bool)
    blank[rows] = True
    levelled = level_strip(STRIP, blank)
    assert np.abs(levelled.over).max() < 0.3
    stretched(blurred(levelled))


def test_what_is_far_brighter_than_the_membrane_is_white() -> None:
    over = np.full((4, 4, 3), -5.0, np.float32)
    assert (stretched(over) == 255).all()
