"""Several photos as one: the statistics against published figures, the calls against simulated truth."""

import json
import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fixtures.strips import SimulatedStrip, as_strip
from fixtures.verdicts import example_verdict, refused_verdict
from reader.anew.combine import (
    SHARED_MAX,
    PlatePhoto,
    check_contradictions,
    check_set,
    combine_heights,
    combine_photos,
    combined_fits,
    membrane_correlation,
    random_effects,
)
from reader.decide.call import MarkCall, call_marks
from reader.errors import PhotoRefusedError
from reader.measure.mark import MarkMeasurement, WindowFit, measure_marks
from reader.measure.profile import extract_profile
from reader.read import read_plate
from reader.settings.values import load_layout, load_thresholds
from reader.verdict.model import LayoutRecord, Verdict

COMB = load_layout("comb")
THRESHOLDS = load_thresholds("standard")
INDICATOR_MM = COMB.marks.indicator.position

# -- the random effect --------------------------------------------------------------------------------------


# Nine methods' results for one reference material and their variances: Kacker, Metrologia 41 (2004) 132. His table 1
# (p. 135, first row) gives DerSimonian and Laird's between-method deviation as 0.5359; for the same data the metafor
# package for R (method "DL") gives these figures for it, the mean and its standard error.
KACKER = (
    (61.00, 61.40, 62.21, 62.30, 62.34, 62.60, 62.70, 62.84, 65.90),
    (0.2025, 1.2100, 0.0900, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225),
)


def test_mean_error_and_between_variance_agree_with_a_published_comparison_of_nine_methods() -> None:
    found = random_effects(*KACKER)
    assert math.sqrt(found.between) == pytest.approx(0.5359, abs=1e-3)
    assert found.between == pytest.approx(0.288049246973751, rel=1e-9)
    assert found.mean == pytest.approx(62.3901386044504, rel=1e-9)
    assert found.standard_error == pytest.approx(0.245749668040304, rel=1e-9)


def test_measurements_that_agree_are_a_plain_weighted_mean() -> None:
    # Worked by hand: weights 4 and 1, so the mean is 0.8 x 2 + 0.2 x 2.5, its variance 1 / 5; Q = 0.2 is below 1.
    found = random_effects([2.0, 2.5], [0.25, 1.0])
    assert (found.mean, found.standard_error, found.between) == pytest.approx((2.1, math.sqrt(0.2), 0.0))
    assert found.weights == pytest.approx((0.8, 0.2))


def test_two_that_disagree_are_weighted_alike_with_half_their_difference_as_error() -> None:
    # Two values: between = d^2 / 2 - (v1 + v2) / 2, so for a large d the standard error is d / 2.
    found = random_effects([0.0, 1.0], [1e-6, 4e-6])
    assert found.between == pytest.approx(0.5 - 2.5e-6)
    assert found.weights == pytest.approx((0.5, 0.5), abs=1e-5)
    assert found.standard_error == pytest.approx(0.5, rel=1e-4)


def test_the_order_of_photos_does_not_matter() -> None:
    values, variances = KACKER
    there, back = random_effects(values, variances), random_effects(values[::-1], variances[::-1])
    assert (there.mean, there.between) == pytest.approx((back.mean, back.between))
    assert there.weights == pytest.approx(back.weights[::-1])


@pytest.mark.parametrize(("apart", "low", "high"), [(1.5, 0.0, 0.25), (2.5, 0.2, 0.6), (5.0, 0.99, 1.0)])
def test_a_variance_between_photos_counts_as_far_as_it_is_likely(
    apart: float, low: float, high: float
) -> None:
    heights, variances = [0.0, apart * math.sqrt(2)], [1.0, 1.0]
    share = combine_heights(heights, variances).between / random_effects(heights, variances).between
    assert low <= share <= high


# -- marks as measurements ----------------------------------------------------------------------------------


def measured(height: float, error: float = 0.002, *, window: str = "1", **changes: object) -> MarkMeasurement:
    plain = MarkMeasurement(
        window=window,
        mark="indicator",
        height=height,
        standard_error=error,
        position_mm=INDICATOR_MM,
        blank_mean=0.3 * error,
        blank_sd=1.1 * error,
        blank_n=20.0,
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def fit(
    indicator: MarkMeasurement, residual: np.ndarray, reference: MarkMeasurement | None = None
) -> WindowFit:
    x = (np.arange(144) + 0.5) / 8
    flat = np.zeros_like(x)
    strong = measured(0.3, 0.005, window=indicator.window, mark="reference", dye="red", position_mm=13.0)
    return WindowFit(
        window=indicator.window,
        indicator=indicator,
        reference=strong if reference is None else reference,
        blur_mm=0.2,
        position_mm=x,
        absorbance=residual,
        standard_error=flat + 0.001,
        baseline=flat,
        fit=flat,
        used=(x > 1) & (x < 17),
    )


def photo(name: str, heights: Sequence[float], error: float = 0.002, **changes: Any) -> PlatePhoto:
    """A photo of a plate of six windows whose indicators were measured so high."""
    rng = np.random.default_rng(len(name) + ord(name[0]))

    def of(window: str, height: float) -> MarkMeasurement:
        values: dict[str, Any] = {"height": height, "error": error, "window": window}
        return measured(**values | changes)

    fits = tuple(
        fit(of(window.id, height), rng.normal(0, 0.001, 144))
        for window, height in zip(COMB.window, heights, strict=True)
    )
    return PlatePhoto(name=name, layout=COMB, fits=fits, calls=call_marks(fits, COMB, THRESHOLDS))


def together(*photos: PlatePhoto) -> dict[str, MarkCall]:
    """The indicators' calls of all photos as one."""
    disagreement = check_contradictions(photos, THRESHOLDS)
    fits = combined_fits(photos[0].fits, combine_photos(photos, disagreement.alone))
    return {call.window: call for call in call_marks(fits, COMB, THRESHOLDS) if call.mark == "indicator"}


STRONG = [0.1, 0.12, 0.15, 0.2, 0.25]


def test_glare_in_one_photo_cannot_outvote_the_others_however_small_its_error() -> None:
    veiled = photo("a", [0.002, *STRONG], error=0.0012)
    clear = photo("b", [0.0115, *STRONG], error=0.0025)
    assert veiled.marks()["1", "indicator"][1].call == "absent"
    assert clear.marks()["1", "indicator"][1].call == "present"
    assert together(veiled, clear)["1"].call == "doubtful"


def test_a_line_in_one_photo_that_others_do_not_show_is_not_present() -> None:
    hair = photo("a", [0.0105, *STRONG])
    assert hair.marks()["1", "indicator"][1].call == "present"
    assert together(hair, photo("b", [0.001, *STRONG]))["1"].call == "doubtful"
    assert together(hair, photo("b", [0.001, *STRONG]), photo("c", [0.0, *STRONG]))["1"].call != "present"


def test_a_photo_whose_looks_speak_against_a_line_carries_no_weight_for_it() -> None:
    bent: dict[str, Any] = {"position_mm": INDICATOR_MM, "straightness_mm": 0.6, "span": 0.5, "dye": "red"}
    spoilt = photo("a", [0.03, *STRONG])
    fits = (replace(spoilt.fits[0], indicator=measured(0.03, **bent)), *spoilt.fits[1:])
    spoilt = replace(spoilt, fits=fits, calls=call_marks(fits, COMB, THRESHOLDS))
    clean = photo("b", [0.0, *STRONG])
    found = combine_photos([spoilt, clean])["1", "indicator"]
    assert found.weights == (0.0, 1.0)
    assert found.between_sd is None
    assert found.measurement == clean.fits[0].indicator
    assert together(spoilt, clean)["1"].call == "absent"


def test_a_mark_that_no_photo_shows_undisturbed_stays_doubtful() -> None:
    bright = [photo(name, [-0.02, *STRONG]) for name in "ab"]
    assert together(*bright)["1"].call == "doubtful"


def test_a_mark_that_one_photo_cannot_see_is_taken_from_the_other() -> None:
    unseen: dict[str, Any] = {"height": None, "standard_error": None, "flags": ("not_seen",)}
    hidden = photo("a", [0.1, *STRONG], **unseen)
    seen = photo("b", [0.1, *STRONG])
    found = combine_photos([hidden, seen])
    assert all(found[window.id, "indicator"].weights == (0.0, 1.0) for window in COMB.window)
    assert not combine_photos([hidden, hidden])["1", "indicator"].measurement.height
    assert combine_photos([hidden, hidden])["1", "indicator"].weights == (0.0, 0.0)


def test_what_photos_have_in_common_does_not_shrink_with_their_number() -> None:
    rng = np.random.default_rng(4)
    membrane = [rng.normal(0, 0.01, 144) for _ in COMB.window]
    plain = photo("a", [0.01, *STRONG])
    alike = replace(
        plain, fits=tuple(replace(f, absorbance=m) for f, m in zip(plain.fits, membrane, strict=True))
    )
    assert membrane_correlation([alike.fits] * 4, COMB)[0] == pytest.approx(1.0)
    error = combine_photos([alike] * 4)["1", "indicator"].measurement.standard_error
    assert error is not None
    assert 0.002 * math.sqrt(SHARED_MAX) <= error <= 0.002


# -- photos that are not of one plate -----------------------------------------------------------------------


def test_calls_that_contradict_each_other_on_several_marks_are_refused_by_name() -> None:
    one, other = (
        photo("a.jpg", [0.1, 0.1, 0.0, 0.2, 0.2, 0.2]),
        photo("b.jpg", [0.1, 0.0, 0.1, 0.2, 0.2, 0.2]),
    )
    with pytest.raises(PhotoRefusedError) as refused:
        check_contradictions([one, other], THRESHOLDS)
    assert refused.value.code == "not_one_plate"
    assert refused.value.reason == (
        "the photos contradict each other: the indicator of window 2 is present (0.1000 \u00b1 0.0020) in a.jpg "
        "but absent (0.0000 \u00b1 0.0020) in b.jpg, and so for 1 more mark"
    )
    assert "make sure that all photos show one plate" in refused.value.remedy


def test_of_three_photos_the_one_of_another_plate_is_named() -> None:
    own = [photo(name, [0.1, 0.1, 0.0, 0.2, 0.2, 0.2]) for name in ("a.jpg", "b.jpg")]
    with pytest.raises(PhotoRefusedError, match="contradict") as refused:
        check_contradictions([own[0], photo("c.jpg", [0.0, 0.0, 0.1, 0.0, 0.0, 0.2]), own[1]], THRESHOLDS)
    assert refused.value.remedy.endswith("the others agree without c.jpg")


def test_lines_of_unlike_heights_are_of_unlike_plates_even_where_all_are_present() -> None:
    with pytest.raises(PhotoRefusedError, match=r"0\.3000 \u00b1 0\.0020 high in a but 0\.1000"):
        check_contradictions([photo("a", [0.3] * 6), photo("b", [0.1] * 6)], THRESHOLDS)


def test_one_contradiction_on_a_plate_that_is_proved_one_leaves_the_mark_doubtful_and_is_said() -> None:
    one, other = photo("a", [0.04, *STRONG]), photo("b", [0.0, *STRONG])
    assert "disagree: the indicator of window 1" in check_contradictions([one, other], THRESHOLDS).warnings[0]
    assert together(one, other)["1"].call == "doubtful"


def test_two_photos_win_over_one_that_stands_alone_with_a_mark() -> None:
    hair, clean = photo("hair", [0.04, *STRONG]), [photo(name, [0.0, *STRONG]) for name in "bc"]
    disagreement = check_contradictions([clean[0], hair, clean[1]], THRESHOLDS)
    assert disagreement.alone == {(("1", "indicator"), 1)}
    assert disagreement.warnings[0].endswith("it counts without hair")
    assert together(clean[0], hair, clean[1])["1"].call == "absent"


def test_contrast_that_light_and_tone_change_is_no_contradiction() -> None:
    assert not check_contradictions([photo("a", [0.3] * 6), photo("b", [0.26] * 6)], THRESHOLDS).warnings


def at(minute: float, **changes: object) -> Verdict:
    """A verdict of a photo taken so many minutes after nine."""
    verdict = example_verdict(photo_name=f"{minute:g}.jpg")
    taken = datetime(2026, 5, 4, 9, tzinfo=UTC) + timedelta(minutes=minute)
    record = verdict.photo.model_copy(update={"captured_at": taken, "sha256": f"{round(minute * 10):064x}"})
    return verdict.model_copy(update={"photo": record} | changes)


def refusal(*readings: Verdict, age_stated: bool = False) -> PhotoRefusedError:
    with pytest.raises(PhotoRefusedError) as refused:
        check_set(readings, age_stated=age_stated)
    return refused.value


def test_photos_minutes_apart_are_a_set() -> None:
    found = check_set([at(0), at(5), at(15)], age_stated=False)
    assert found.used == (0, 1, 2)
    assert found.warnings == ()


def test_one_photo_is_no_set() -> None:
    assert refusal(at(0)).code == "one_photo"


def test_one_file_twice_is_no_second_photo() -> None:
    copy = at(0, photo=at(0).photo.model_copy(update={"name": "copy.jpg"}))
    assert refusal(at(0), at(3), copy).reason == "0.jpg and copy.jpg are one and the same file"


def test_photos_too_far_apart_for_one_reading_time_are_refused_as_such() -> None:
    found = refusal(at(0), at(16))
    assert found.code == "times_apart"
    assert "16.jpg is left out: by their clocks it was taken 16 min apart from 0.jpg" in found.reason
    assert "--reading-age" in found.remedy
    assert "20 h apart" in refusal(at(0), at(20 * 60)).reason


def test_clocks_that_differ_by_days_are_told_and_prove_nothing_about_the_plate() -> None:
    found = check_set([at(0), at(61 * 1440)], age_stated=False)
    assert found.used == (0, 1)
    assert "differ by 61 days, so one of them is not set" in found.warnings[0]


def test_a_stated_reading_age_counts_more_than_clocks() -> None:
    assert check_set([at(0), at(61 * 1440)], age_stated=True).used == (0, 1)


def test_clocks_without_an_offset_are_not_compared_with_those_that_have_one() -> None:
    local = at(600)
    taken = local.photo.captured_at
    assert taken is not None
    record = local.photo.model_copy(
        update={"captured_at": taken.replace(tzinfo=None), "captured_offset_known": False}
    )
    assert check_set([at(0), local.model_copy(update={"photo": record})], age_stated=False).used == (0, 1)


def test_of_three_photos_the_one_of_another_time_is_left_out_by_name() -> None:
    found = check_set([at(0), at(300), at(2)], age_stated=False)
    assert found.used == (0, 2)
    assert found.warnings[0].startswith(
        "300.jpg is left out: by their clocks it was taken 5 h apart from 0.jpg"
    )


def test_a_refused_photo_is_left_out_by_name_and_reason_while_two_are_left() -> None:
    found = check_set([at(0), refused_verdict(photo_name="glare.jpg"), at(4)], age_stated=False)
    assert found.used == (0, 2)
    assert found.warnings == ("glare.jpg is left out: glare covers windows 2 and 3",)


def test_with_one_photo_left_the_set_is_refused_and_the_way_on_is_said() -> None:
    found = refusal(at(0), refused_verdict(photo_name="glare.jpg"))
    assert found.code == "too_few_photos"
    assert found.reason == (
        "of 2 photos of one plate only 0.jpg is left: glare.jpg is left out: glare covers windows 2 and 3"
    )
    assert found.remedy.endswith("or read 0.jpg by itself")


def test_a_photo_outside_the_reading_time_is_left_out_while_others_are_inside() -> None:
    age = at(0).reading_age
    assert age is not None
    early = at(
        -8, reading_age=age.model_copy(update={"status": "early", "minutes": 13.5, "sentence": "too early"})
    )
    assert check_set([early, at(0), at(3)], age_stated=False).warnings == ("-8.jpg is left out: too early",)
    assert check_set([early, early.model_copy(update={"photo": at(-6).photo})], age_stated=False).used == (
        0,
        1,
    )


def test_plates_of_unlike_layouts_are_refused() -> None:
    layout = at(0).layout
    assert layout is not None
    other = at(3, layout=LayoutRecord(**(layout.model_dump() | {"name": "strip", "sha256": "e5" * 32})))
    assert refusal(at(0), other).reason == (
        "the photos show plates of different layouts: 0.jpg a comb plate, 3.jpg a strip plate"
    )


def test_photos_of_one_name_in_two_folders_are_told_by_their_number() -> None:
    later = at(400)
    namesake = later.model_copy(update={"photo": later.photo.model_copy(update={"name": "0.jpg"})})
    assert "photo 2 (0.jpg) is left out" in refusal(at(0), namesake).reason


# -- simulated plates: three photos of each, the membrane the same, the noise not ---------------------------

N_PLATES = 16


@cache
def simulated(plate: int, shot: int, texture: float = 0.003, noise: float = 3.5) -> PlatePhoto:
    """One photo of a plate whose odd windows are blank and whose even ones carry a line of 0.012."""
    profiles = []
    for k, window in enumerate(COMB.window):
        strip = (
            SimulatedStrip(seed=1000 * plate + k, px_per_mm=16.0)
            .with_baseline(0.02, -0.03, 0.02)
            .with_texture(texture)
            .with_blur(0.2)
            .with_noise(sd_code=noise, correlation_px=1.0)
            .with_mark("reference", position_mm=13.0, height=0.3)
        )
        if k % 2:
            strip = strip.with_mark("indicator", position_mm=INDICATOR_MM, height=0.012)
        profiles.append(extract_profile(as_strip(strip, window, draw=shot)))
    fits = measure_marks(profiles, COMB)
    return PlatePhoto(name=str(shot), layout=COMB, fits=fits, calls=call_marks(fits, COMB, THRESHOLDS))


def shots(plate: int, n: int) -> list[PlatePhoto]:
    return [simulated(plate, shot) for shot in range(n)]


def test_three_photos_settle_most_doubts_and_none_wrongly() -> None:
    outcomes = Counter[str]()
    for plate in range(N_PLATES):
        photos = shots(plate, 3)
        calls = together(*photos)
        for k, window in enumerate(COMB.window):
            true = "present" if k % 2 else "absent"
            for alone in photos:
                first = alone.marks()[window.id, "indicator"][1].call
                if first == "doubtful":
                    outcomes[{"doubtful": "open", true: "right"}.get(calls[window.id].call, "wrong")] += 1
                elif first == true:
                    assert calls[window.id].call in (true, "doubtful")
    assert outcomes["wrong"] == 0
    assert outcomes.total() >= 20
    assert outcomes["right"] >= 0.8 * outcomes.total()


def test_combined_heights_scatter_by_their_standard_errors_and_less_than_single_ones() -> None:
    alone, combined = [], []
    for plate in range(N_PLATES):
        photos = shots(plate, 3)
        marks = combine_photos(photos)
        for window in COMB.window[::2]:
            alone += [
                (m.height, m.standard_error) for p in photos for m in [p.marks()[window.id, "indicator"][0]]
            ]
            mark = marks[window.id, "indicator"].measurement
            combined.append((mark.height, mark.standard_error))
    single, triple = np.array(alone, float), np.array(combined, float)
    assert 0.6 < float(np.std(triple[:, 0] / triple[:, 1])) < 1.3
    assert float(triple[:, 1].mean()) < 0.9 * float(single[:, 1].mean())
    assert float(triple[:, 0].std()) < 0.8 * float(single[:, 0].std())


def test_photos_of_one_textured_membrane_correlate_where_no_line_is_and_those_of_two_do_not() -> None:
    coarse = [simulated(50, shot, texture=0.02, noise=0.5).fits for shot in range(2)]
    assert membrane_correlation(coarse, COMB)[0] > 0.7
    other = [coarse[0], simulated(51, 0, texture=0.02, noise=0.5).fits]
    assert abs(membrane_correlation(other, COMB)[0]) < 0.45


def test_simulated_photos_of_one_plate_never_contradict_each_other() -> None:
    for plate in range(N_PLATES):
        assert not check_contradictions(shots(plate, 3), THRESHOLDS).warnings


# -- rendered pairs -----------------------------------------------------------------------------------------


def test_rendered_pairs_settle_what_one_photo_leaves_open(shared_photos: Path) -> None:
    """Marks of contrast 0.02 and more, and blanks; each photo of a pair as the first one."""
    open_alone = settled = 0
    for first in sorted((shared_photos / "pairs").glob("*-a.jpg")):
        second = first.with_name(first.name.replace("-a.", "-b."))
        for pair in ((first, second), (second, first)):
            verdict = read_plate(pair, reading_age_min=20)
            assert verdict.status == "read", verdict.reason
            truth = {w["id"]: w for w in json.loads(pair[0].with_suffix(".json").read_text())["windows"]}
            for window, alone in zip(verdict.windows, verdict.readings[0].windows, strict=True):
                for name in ("indicator", "reference"):
                    true = truth[window.id][name]
                    if true["present"] and true["peak_contrast"] < 0.02:
                        continue
                    due = "present" if true["present"] else "absent"
                    call, before = getattr(window, name).call, getattr(alone, name).call
                    if before == "doubtful":
                        open_alone += 1
                        settled += call == due
                    assert call in (due, "doubtful"), (pair[0].name, window.id, name)
    assert settled >= 0.6 * open_alone  # few are left open by one photo alone
