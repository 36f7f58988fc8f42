"""The change of light along a window, from the plastic beside it."""

import math

import numpy as np
import pytest

from fixtures.strips import SimulatedStrip, as_strip
from reader.decide.call import call_marks
from reader.measure.line_shape import LUMA
from reader.measure.mark import WindowFit, measure_marks
from reader.measure.profile import ROW_MM, extract_profile
from reader.measure.shade import Shade, find_shades, flat_shade, level_strip
from reader.measure.surround import BEYOND_MM, Surround
from reader.settings.values import Layout, load_layout, load_thresholds

LAYOUT = load_layout("comb")
WINDOW = LAYOUT.window[0]
PAPER = (
    SimulatedStrip(seed=3, px_per_mm=16.0)
    .with_mark("reference", position_mm=13.0, height=0.3)
    .with_texture(0.003)
    .with_noise(sd_code=1.0)
    .with_blur(0.15)
)


def plastic(depth: float, at_mm: float, sigma_mm: float, *, tilt: float = 0.0, seed: int = 1) -> Surround:
    """Lanes on both sides of a window under a shadow's edge; downstream of it the light is weaker by `depth`."""
    n = int(WINDOW.length / ROW_MM) + 2 * round(BEYOND_MM / ROW_MM)
    position = (np.arange(n, dtype=np.float64) + 0.5) * ROW_MM - round(BEYOND_MM / ROW_MM) * ROW_MM
    beside = WINDOW.breadth / 2 + 1.2 + (np.arange(8) + 0.5) * 3 * ROW_MM
    across = np.concatenate([-beside[::-1], beside])
    edge = at_mm + tilt * across
    shade = np.vectorize(lambda v: 0.5 * (1 + math.erf(v / math.sqrt(2) / sigma_mm)))(
        position - edge[:, None]
    )
    grain = np.random.default_rng(seed).normal(0, 0.001, (len(across), n, 3))
    return Surround(
        window=WINDOW,
        position_mm=position,
        across_mm=across,
        absorbance=(-np.log10(1 - depth * shade))[..., None] + grain,
        seen=np.ones((len(across), n), dtype=bool),
    )


def read(strip: SimulatedStrip, beside: Surround | None) -> tuple[WindowFit, Shade]:
    """The marks of one strip, measured with the plastic beside it or without."""
    cut = as_strip(strip, WINDOW)
    profile = extract_profile(cut)
    if beside is None:
        shade = flat_shade(len(profile.position_mm), plastic=False)
    else:
        (shade,) = find_shades([beside], [profile], LAYOUT)
    fits = measure_marks(
        [extract_profile(level_strip(cut, shade))], LAYOUT, [shade], chroma_floor=0.5, tone=0.8
    )
    return fits[0], shade


def call(fit: WindowFit, layout: Layout = LAYOUT) -> str:
    return call_marks([fit], layout, load_thresholds())[0].call


@pytest.mark.parametrize("depth", [0.05, 0.1, 0.2, 0.3, 0.5])
@pytest.mark.parametrize("offset", [-0.8, 0.0, 0.8])
def test_the_edge_of_a_shadow_at_the_marks_place_is_no_line(depth: float, offset: float) -> None:
    """The membrane lies deeper, so the edge on the plastic is shifted against the one on the membrane."""
    shaded = PAPER.with_shadow(depth=depth, at_mm=(2.5, 6.0 + offset), softness_mm=0.5)
    fit, _ = read(shaded, plastic(depth, 6.0 + offset + 0.6, 0.5))
    assert call(fit) != "present"
    assert fit.indicator.height is not None
    assert abs(fit.indicator.height) < 3 * fit.indicator.standard_error + 0.003  # type: ignore[operator]


@pytest.mark.parametrize("depth", [0.05, 0.2, 0.5])
def test_a_line_under_the_edge_of_a_shadow_stays_a_line(depth: float) -> None:
    shaded = PAPER.with_mark("indicator", position_mm=6.0, height=0.06).with_shadow(
        depth=depth, at_mm=(2.5, 5.8), softness_mm=0.5
    )
    fit, _ = read(shaded, plastic(depth, 6.4, 0.5))
    assert call(fit) == "present"
    assert fit.indicator.height == pytest.approx(shaded.peak("indicator"), abs=0.012)


def test_the_shift_between_plastic_and_membrane_and_the_tilt_are_found() -> None:
    shaded = PAPER.with_shadow(depth=0.3, at_mm=(2.5, 7.0), softness_mm=0.4, angle_deg=0.0)
    _, shade = read(shaded, plastic(0.3, 8.0, 0.4))
    steepest = (np.argmax(np.gradient(shade.change @ LUMA)) + 0.5) * ROW_MM
    assert steepest == pytest.approx(7.0, abs=0.25)
    assert shade.tilt == pytest.approx(0.0, abs=0.02)
    _, tilted = read(shaded, plastic(0.3, 8.0, 0.4, tilt=0.1))
    assert tilted.tilt == pytest.approx(0.1, abs=0.02)


def test_level_plastic_takes_nothing_from_a_line() -> None:
    line = PAPER.with_mark("indicator", position_mm=6.0, height=0.02)
    level, shade = read(line, plastic(0.0, 6.0, 0.5))
    (known,) = measure_marks(
        [extract_profile(as_strip(line, WINDOW))],
        LAYOUT,
        [flat_shade(96, plastic=True)],
        chroma_floor=0.5,
        tone=0.8,
    )
    assert shade.is_level
    assert level.indicator.height == pytest.approx(known.indicator.height, abs=5e-4)
    assert level.indicator.standard_error == pytest.approx(known.indicator.standard_error, rel=0.15)
    assert call(level) == "present"


def test_a_print_on_one_side_of_a_window_is_no_light() -> None:
    """A tick at the mark's place, as makers print them."""
    beside = plastic(0.0, 6.0, 0.5)
    ticked = beside.absorbance.copy()
    ticked[9:11, (beside.position_mm > 5.7) & (beside.position_mm < 6.3)] += 0.5
    line = PAPER.with_mark("indicator", position_mm=6.0, height=0.02)
    fit, _ = read(
        line,
        Surround(
            window=WINDOW,
            position_mm=beside.position_mm,
            across_mm=beside.across_mm,
            absorbance=ticked,
            seen=beside.seen,
        ),
    )
    assert call(fit) == "present"


def test_without_plastic_a_line_whose_colour_the_file_does_not_carry_is_doubtful() -> None:
    line = PAPER.with_mark("indicator", position_mm=6.0, height=0.03)
    cut = as_strip(line, WINDOW)
    profile = extract_profile(cut)
    (grey,) = measure_marks([profile], LAYOUT, [flat_shade(96, plastic=False)], chroma_floor=20.0, tone=0.8)
    assert call(grey) == "doubtful"
    (coloured,) = measure_marks(
        [profile], LAYOUT, [flat_shade(96, plastic=False)], chroma_floor=0.5, tone=0.8
    )
    assert call(coloured) == "present"
