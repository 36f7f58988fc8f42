from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import optimize

from fixtures.strips import SimulatedStrip, as_strip, ideal_dprime, srgb_slope
from reader.decide.call import call_marks
from reader.measure.line_shape import DYE, LUMA, line_shape
from reader.measure.mark import MarkMeasurement, WindowFit, measure_marks
from reader.measure.profile import Profile, extract_profile
from reader.settings.values import Layout, load_layout, load_thresholds
from reader.words import Call

COMB = load_layout("comb")
PAPER = (
    SimulatedStrip(seed=21, px_per_mm=16.0)
    .with_baseline(0.02, -0.03, 0.02)
    .with_blur(0.2)
    .with_noise(sd_code=1.0)
    .with_mark("reference", position_mm=13.0, height=0.35)
)
FAINT = PAPER.with_mark("indicator", position_mm=6.0, height=0.01)


def profiles(simulated: SimulatedStrip, first: int = 0, layout: Layout = COMB) -> list[Profile]:
    """One profile a window, each from a draw of its own."""
    return [
        extract_profile(as_strip(simulated, window, draw=first + k)) for k, window in enumerate(layout.window)
    ]


@cache
def fits(simulated: SimulatedStrip, plates: int = 1) -> tuple[WindowFit, ...]:
    found: list[WindowFit] = []
    for plate in range(plates):
        found += measure_marks(profiles(simulated, first=6 * plate), COMB)
    return tuple(found)


def heights(simulated: SimulatedStrip, plates: int) -> tuple[np.ndarray, np.ndarray]:
    marks = [fit.indicator for fit in fits(simulated, plates)]
    return np.array([m.height for m in marks]), np.array([m.standard_error for m in marks])


def one(simulated: SimulatedStrip) -> MarkMeasurement:
    return fits(simulated)[0].indicator


def test_heights_come_back_without_bias() -> None:
    found, _ = heights(FAINT, 6)
    assert found.mean() == pytest.approx(FAINT.peak("indicator"), rel=0.04)
    blank, _ = heights(PAPER, 6)
    assert abs(blank.mean()) < 0.0002


@pytest.mark.parametrize("height", [0.0, 0.003])
def test_the_error_of_a_height_agrees_with_its_standard_error(height: float) -> None:
    simulated = FAINT.with_height("indicator", height)
    found, error = heights(simulated, 10)
    truth = simulated.peak("indicator")
    chi_square = np.sum(((found - truth) / error) ** 2)
    # 60 heights: 99.9 % of chi-square with 60 degrees of freedom lie within 31.7 to 99.6 (SciPy); the errors are
    # themselves estimates from some 40 blanks a plate, which widens that by a few per cent
    assert 30 < chi_square < 105


def test_the_detector_has_four_fifths_of_the_ideal_observers_sensitivity() -> None:
    """d' of found heights against ideal observers (matched filter, Green & Swets 1966).

    One sees all three channels, knows place, shape and noise, and estimates a cubic baseline and the other mark's
    height, as any reader must. The other sees luma alone, as JPEG leaves it of a faint line, and knows the baseline.
    """
    with_line, _ = heights(FAINT, 10)
    without, _ = heights(PAPER, 10)
    found = (with_line.mean() - without.mean()) / np.sqrt((with_line.var(ddof=1) + without.var(ddof=1)) / 2)
    height = FAINT.mark("indicator").height
    colour_ideal = height * FAINT.ideal_sensitivity("indicator", baseline_degree=3)
    light = FAINT.noise_free.render().astype(np.float64)
    sd = 1.0 / 255 / srgb_slope(light) / (np.log(10) * light)  # of absorbance, for a noise of one code
    sd_luma = float(np.sqrt((sd**2) @ LUMA**2).mean())
    spectrum = np.array(FAINT.mark("indicator").spectrum)
    shape = np.repeat(FAINT.mark_shape("indicator"), light.shape[1])
    luma_ideal = ideal_dprime(height * float(LUMA @ spectrum), shape, sd_luma)
    assert found >= 0.8 * colour_ideal
    assert found >= 0.8 * luma_ideal
    assert found <= 1.05 * luma_ideal  # more than ideal would mean that the two are not of one scale


def test_the_joint_fit_agrees_with_scipys_on_the_same_data() -> None:
    """Heights of a plain least-squares fit (SciPy, polynomial baseline, both lines at once) within its own errors."""
    strong = PAPER.with_mark("indicator", position_mm=6.1, height=0.08)
    for profile, fit in zip(profiles(strong), fits(strong), strict=True):
        x, y = profile.position_mm, profile.absorbance @ LUMA

        def model(
            x: np.ndarray, a: float, b: float, c: float, d: float, h: float, p: float, k: float, q: float
        ) -> np.ndarray:
            t = x / 9 - 1
            lines = h * line_shape(x - p, 1.0, 0.23) + k * line_shape(x - q, 1.0, 0.23)
            return a + b * t + c * t**2 + d * t**3 + lines

        inside = (x > 0.7) & (x < 17.3)
        found, covariance = optimize.curve_fit(
            model, x[inside], y[inside], p0=(0.2, 0, 0, 0, 0.05, 6, 0.2, 13)
        )
        scale = float(LUMA @ DYE["red"])
        assert fit.indicator.height is not None
        assert fit.indicator.height * scale == pytest.approx(
            found[4], abs=3 * np.sqrt(covariance[4, 4]) + 0.02 * found[4]
        )
        assert fit.indicator.position_mm == pytest.approx(found[5], abs=0.05)
        assert fit.reference.position_mm == pytest.approx(found[7], abs=0.05)


def test_the_baseline_agrees_with_pybaselines_between_the_lines() -> None:
    from pybaselines import Baseline

    for profile, fit in zip(profiles(FAINT), fits(FAINT), strict=True):
        x, y = profile.position_mm, fit.absorbance
        away = fit.used & (np.abs(x - 6) > 1.5) & (np.abs(x - 13) > 1.5)
        smooth, _ = Baseline(x).arpls(y, lam=2e2)
        noise = np.std(y[away] - fit.baseline[away])
        assert np.abs(fit.baseline[away] - smooth[away]).mean() < 1.5 * noise


@pytest.mark.parametrize(
    "spoiled",
    [
        PAPER.with_wetting(front_mm=8.0, step=0.03),
        PAPER.with_tint(0.0, 0.02, 0.015),
        PAPER.with_light_gradient(along=0.3, across=0.2),
        PAPER.with_sheen(at_mm=(2.5, 9.0), radii_mm=(2.0, 3.0), brightness=0.03),
        PAPER.with_shadow(depth=0.4, at_mm=(2.5, 9.5), softness_mm=2.0),
        PAPER.with_hair((0.5, 3.0), (2.5, 6.0), (4.5, 9.0)),
        PAPER.with_smear(across_mm=1.5, along_mm=(5.0, 9.0)),
    ],
    ids=["wetting", "tint", "gradient", "sheen", "soft shadow", "hair", "smear"],
)
def test_what_is_no_line_makes_none(spoiled: SimulatedStrip) -> None:
    for fit in fits(spoiled):
        assert fit.indicator.height is not None
        assert (
            abs(fit.indicator.height)
            < 3.5 * (fit.indicator.blank_sd + abs(fit.indicator.blank_mean)) + 0.0005
        )


def test_a_displaced_line_is_found_at_its_place() -> None:
    moved = PAPER.with_mark("indicator", position_mm=6.3, height=0.05)
    for fit in fits(moved):
        assert fit.indicator.position_mm == pytest.approx(6.3, abs=0.06)
        assert fit.indicator.position_mm_se is not None
        assert fit.indicator.position_mm_se < 0.05


@pytest.mark.parametrize("off_mm", [-0.7, 0.6, 0.8, 0.9])
def test_no_line_is_called_absent_in_a_window_that_lies_off_its_place(off_mm: float) -> None:
    # The reference line's flank is met at the end of its search, half a millimetre off, a faint line not at all.
    off = (
        PAPER.without_mark("reference")
        .with_mark("reference", position_mm=13.0 + off_mm, height=0.35)
        .with_mark("indicator", position_mm=6.0 + off_mm, height=0.012)
    )
    calls = call_marks(fits(off), COMB, load_thresholds())
    called = {call.call for call in calls if call.mark == "indicator"}
    assert "absent" not in called
    assert all("window_off" in fit.indicator.flags for fit in fits(off))
    assert not any("window_off" in fit.indicator.flags for fit in fits(PAPER))


def test_a_lines_looks_are_those_it_was_made_with() -> None:
    broad = one(PAPER.with_mark("indicator", position_mm=6.0, height=0.1, width_mm=1.6))
    assert broad.width_mm == pytest.approx(1.6, abs=0.25)
    straight = one(PAPER.with_mark("indicator", position_mm=6.0, height=0.1))
    bent = one(PAPER.with_mark("indicator", position_mm=6.0, height=0.1, bow_mm=0.6))
    assert straight.straightness_mm is not None
    assert bent.straightness_mm is not None
    assert straight.straightness_mm < 0.08 < bent.straightness_mm
    assert straight.span == 1.0


@pytest.mark.parametrize("height", [0.02, 0.1])
@pytest.mark.parametrize("share", [0.4, 0.6])
def test_a_line_over_part_of_the_breadth_is_told_by_its_span_or_flagged(height: float, share: float) -> None:
    part = one(PAPER.with_mark("indicator", position_mm=6.0, height=height, span=(0.0, share)))
    short = part.span is not None and part.span < 0.7
    assert part.height is None or short or "part_of_breadth" in part.flags


def test_colour_tells_dyes_and_shadows_apart() -> None:
    red = one(PAPER.with_mark("indicator", position_mm=6.0, height=0.1))
    grey = one(PAPER.with_mark("indicator", position_mm=6.0, height=0.1, colour="neutral"))
    assert red.dye_angle_deg is not None
    assert grey.dye_angle_deg is not None
    assert (
        red.dye_angle_deg < 8 < 20 < grey.dye_angle_deg
    )  # grey is 26 degrees off red: arithmetic on the two directions
    starting = SimulatedStrip(seed=2, px_per_mm=16.0).with_noise(sd_code=1.0).with_blur(0.2)
    starting = starting.with_mark("reference", position_mm=13.0, height=0.2, colour="blue")
    assert {fit.reference.dye for fit in fits(starting)} == {"blue"}
    assert {fit.reference.dye for fit in fits(FAINT)} == {"red"}


def test_colour_is_no_evidence_where_the_file_cannot_carry_it() -> None:
    coarse = measure_marks(profiles(FAINT), COMB, chroma_floor=3.0)
    for fit in coarse:
        assert fit.indicator.dye is None
        assert fit.indicator.dye_angle_deg is None
        assert fit.reference.dye == "red"


def test_a_mark_that_is_covered_is_not_measured() -> None:
    covered = []
    for profile in profiles(FAINT):
        valid = profile.valid.copy()
        valid[np.abs(profile.position_mm - 6) < 1] = False
        fields = {name: getattr(profile, name) for name in profile.__slots__ if name != "valid"}
        covered.append(Profile(**fields, valid=valid))
    for fit in measure_marks(covered, COMB):
        assert fit.indicator.height is None
        assert fit.indicator.flags == ("not_seen",)
        assert fit.reference.height == pytest.approx(PAPER.peak("reference"), rel=0.1)


def test_a_window_without_neighbours_is_measured_with_more_caution() -> None:
    layout = load_layout("strip")
    alone = SimulatedStrip(seed=21, px_per_mm=16.0, length_mm=17.0, breadth_mm=4.5).with_noise(sd_code=0.5)
    alone = alone.with_mark("reference", position_mm=12.0, height=0.35)
    fit = measure_marks(profiles(alone, layout=layout), layout)[0]
    assert fit.indicator.height is not None
    assert fit.indicator.standard_error is not None
    assert abs(fit.indicator.height) < 0.002
    assert fit.indicator.standard_error > 0.0008
    assert fit.indicator.blank_n < 15


SUNLIT = PAPER.with_texture(0.004)


def calls_beside_a_shadow(strip: SimulatedStrip) -> list[Call]:
    """Calls of the indicator in the one window of a plate across which a shadow's edge runs, at every place of it."""
    found: list[Call] = []
    for depth, penumbra in ((0.3, 0.2), (0.3, 1.0), (0.6, 0.5)):
        for at in np.arange(3.0, 10.0, 0.9):
            shaded = strip.with_shadow(
                depth=depth, at_mm=(2.5, float(at)), angle_deg=15, softness_mm=penumbra
            )
            plate = profiles(strip)
            plate[2] = extract_profile(as_strip(shaded, COMB.window[2], draw=2))
            fitted = measure_marks(plate, COMB, chroma_floor=0.5)
            found += [
                call.call
                for call in call_marks(fitted, COMB, load_thresholds())
                if call.window == COMB.window[2].id and call.mark == "indicator"
            ]
    return found


def test_the_edge_of_a_shadow_may_make_a_doubt_but_no_line() -> None:
    assert "present" not in calls_beside_a_shadow(SUNLIT)


def test_the_edge_of_a_shadow_may_make_a_doubt_but_hides_no_line() -> None:
    assert "absent" not in calls_beside_a_shadow(SUNLIT.with_mark("indicator", position_mm=6.0, height=0.03))


def test_a_window_too_short_for_blanks_still_shows_its_strong_lines_and_excludes_nothing() -> None:
    table = COMB.model_dump()
    table["marks"]["indicator"] |= {"position": 2.9, "width": 1.3}
    table["marks"]["reference"] |= {"position": 5.7, "width": 1.3}
    table["window"] = [window | {"length": 8.7} for window in table["window"]]
    short = Layout.model_validate(table)
    paper = (
        SimulatedStrip(seed=4, px_per_mm=16.0, length_mm=8.7)
        .with_baseline(0.02, -0.03, 0.02)
        .with_noise(sd_code=1.0)
    )
    paper = paper.with_mark("reference", position_mm=5.7, height=0.3, width_mm=1.3)
    for height, due in ((0.15, {"present"}), (0.0, {"doubtful"})):
        strip = (
            paper.with_mark("indicator", position_mm=2.9, height=height, width_mm=1.3) if height else paper
        )
        calls = call_marks(measure_marks(profiles(strip, layout=short), short), short, load_thresholds())
        assert {call.call for call in calls if call.mark == "reference"} == {"present"}
        assert {call.call for call in calls if call.mark == "indicator"} == due


def test_few_blanks_side_by_side_that_share_a_bias_set_no_limit_below_the_heights_own_errors() -> None:
    table = COMB.model_dump()
    table["marks"]["indicator"] |= {"position": 5.57, "width": 1.33}
    table["marks"]["reference"] |= {"position": 8.46, "width": 1.14}
    table["window"] = [window | {"length": 10.4} for window in table["window"]]
    short = Layout.model_validate(table)
    for seed in range(8):
        paper = SimulatedStrip(seed=seed, px_per_mm=16.0, length_mm=10.4).with_baseline(0.02, 0.0, 0.03)
        paper = paper.with_texture(0.003).with_noise(sd_code=1.0).with_blur(0.2)
        plate = profiles(
            paper.with_mark("reference", position_mm=8.46, height=0.3, width_mm=1.14), layout=short
        )
        unseen = [
            replace(profile, valid=profile.valid & (profile.position_mm > 1.2)) for profile in plate[1:]
        ]
        found = measure_marks([plate[0], *unseen], short)
        for fit, call in zip(found, call_marks(found, short, load_thresholds())[::2], strict=True):
            assert call.limit_of_blank is not None
            assert fit.indicator.standard_error is not None
            assert call.limit_of_blank > 2 * fit.indicator.standard_error


def test_a_membrane_without_any_grain_still_has_a_finite_error() -> None:
    """Plateaus of a filtered picture: every blank is alike to the last bit."""
    layout = load_layout("comb")
    strips = [as_strip(SimulatedStrip(px_per_mm=14.0), window) for window in layout.window]
    flat = [replace(strip, linear=np.full_like(strip.linear, 0.5)) for strip in strips]
    fits = measure_marks([extract_profile(strip) for strip in flat], layout)
    assert all(np.isfinite(fit.indicator.blank_sd) and fit.indicator.blank_sd > 0 for fit in fits)


def test_no_height_is_known_better_than_the_files_rounding() -> None:
    layout = load_layout("comb")
    strips = [as_strip(SimulatedStrip(px_per_mm=14.0).with_seed(k), w) for k, w in enumerate(layout.window)]
    fits = measure_marks([extract_profile(s) for s in strips], layout, tone=0.7, rounding=0.29)
    # A third of a code of 180, by the slope of a tone curve of exponent 1 / 2.2, in absorbance of luma.
    least = 0.29 / (0.7 * 255 * np.log(10) / 2.2)
    errors = [fit.indicator.standard_error for fit in fits]
    assert all(error is not None and error * float(LUMA @ DYE["red"]) >= 0.99 * least for error in errors)
    limits = [fit.indicator.blank_mean + 3 * fit.indicator.blank_sd for fit in fits]
    assert all(limit * float(LUMA @ DYE["red"]) > 2 * least for limit in limits)


def test_an_odd_window_does_not_widen_the_limits_of_the_others() -> None:
    layout = load_layout("comb")
    usual = SimulatedStrip(px_per_mm=14.0).with_texture(0.003)
    rough = SimulatedStrip(px_per_mm=14.0).with_texture(0.02)

    def spreads(first: SimulatedStrip) -> list[float]:
        kinds = [first, *[usual] * 5]
        strips = [
            as_strip(kind.with_seed(k), w)
            for k, (kind, w) in enumerate(zip(kinds, layout.window, strict=True))
        ]
        return [fit.indicator.blank_sd for fit in measure_marks([extract_profile(s) for s in strips], layout)]

    alone, beside = spreads(usual), spreads(rough)
    assert np.median(np.array(beside[1:]) / np.array(alone[1:])) < 1.6
    assert beside[0] > 2.5 * alone[0]
