"""Plates nobody has seen, through the whole reading: no layout that loads may bring it down or out of bounds.

`python -m tests.bench.layouts` tries many more. What the photos show is drawn, not photographed: it validates no call.
"""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from cli.main import main
from fixtures.plates import readable_scene
from fixtures.random_layouts import fits_card, random_layout, write_layout
from fixtures.scene import photograph, save
from reader import read_plate
from reader.decide.call import call_marks
from reader.errors import PhotoRefusedError
from reader.locate.camera import Camera
from reader.locate.plate import PlatePose
from reader.measure.fitness import check_covers, check_sharpness, check_strips
from reader.measure.mark import WindowFit, measure_marks
from reader.measure.profile import extract_profile
from reader.measure.shade import find_shades, level_strip
from reader.measure.strip import RECESS_MM, cut_strips, membrane_mm_to_px, window_to_plate
from reader.measure.surround import cut_surrounds
from reader.measure.tones import membrane_tone
from reader.numbers.geometry import apply
from reader.photo.open import Photo
from reader.settings.values import Layout, load_thresholds
from tests.bench.layouts import Outcome, out_of_bounds, read_random

SIZE = (1600, 1200)
EASY, OTHERS = range(1, 9), range(101, 107)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("layouts")


@pytest.fixture(scope="module")
def outcomes(folder: Path) -> list[Outcome]:
    easy = [read_random(seed, folder, level="easy", card=seed % 2 == 0, size=SIZE) for seed in EASY]
    others = [
        read_random(
            seed,
            folder,
            level=("medium", "hard")[seed % 2],
            card=seed % 4 < 2,
            mouldable=seed % 4 > 0,
            size=SIZE,
        )
        for seed in OTHERS
    ]
    return easy + others


def test_no_layout_brings_the_reading_down(outcomes: list[Outcome]) -> None:
    assert [outcome.crash for outcome in outcomes if outcome.crash] == []


def test_what_is_not_read_is_refused_with_a_reason_and_a_remedy(outcomes: list[Outcome]) -> None:
    for outcome in outcomes:
        assert outcome.verdict is not None
        if outcome.verdict.status == "refused":
            assert outcome.verdict.reason
            assert outcome.verdict.remedy
    assert sum(outcome.verdict is not None and outcome.verdict.status == "read" for outcome in outcomes) > 9


def test_every_share_lies_between_nothing_and_all_and_every_verdict_loads_again(
    outcomes: list[Outcome],
) -> None:
    assert [outcome.broken for outcome in outcomes if outcome.broken] == []


def test_no_line_is_made_up_or_missed_on_easy_photos(outcomes: list[Outcome]) -> None:
    easy = outcomes[: len(EASY)]
    assert [outcome.wrong for outcome in easy if outcome.wrong] == []
    assert np.median([outcome.off_mm for outcome in easy if outcome.off_mm is not None]) < 0.25
    strong = [call for outcome in easy for _, kind, call in outcome.calls if kind == "strong"]
    assert strong.count("present") > 0.8 * len(strong)


@pytest.mark.parametrize("seed", [9])
def test_two_photos_of_any_plate_are_read_as_one(seed: int, folder: Path) -> None:
    layout = random_layout(seed)
    scene = replace(readable_scene(layout, seed, size=SIZE), orientation=None)
    other = replace(
        scene, seed=seed + 500, camera=replace(scene.camera, azimuth_deg=scene.camera.azimuth_deg + 90)
    )
    paths = [
        save(photograph(shot), folder / f"{name}-{seed}") for name, shot in (("one", scene), ("other", other))
    ]
    verdict = read_plate(paths, layout=write_layout(layout, folder / f"pair-{seed}.toml"))
    assert verdict.status == "read", verdict.reason
    assert list(out_of_bounds(verdict)) == []
    for window in verdict.windows:
        assert sum(window.indicator.weights) == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize(("seed", "mouldable"), [(3, True), (4, True), (5, False)])
def test_every_command_that_takes_a_layout_takes_any(
    seed: int, mouldable: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    layout = random_layout(seed, mouldable=mouldable)
    write_layout(layout, Path("own.toml"))
    scene = readable_scene(layout, seed, card=fits_card(layout), size=SIZE)
    save(photograph(scene), Path("plate"))

    def run(*arguments: str) -> int:
        result = CliRunner().invoke(main, list(arguments))
        assert "internal error" not in result.output, result.output
        return result.exit_code

    assert run("layout", "check", "own.toml") == 0
    assert run("layout", "show", "own.toml") == 0
    assert run("layout", "draw", "own.toml") == 0
    assert run("layout", "draw", "own.toml", "--on", "plate.jpg") in (0, 4)
    assert run("card", "--layout", "own.toml") == (0 if fits_card(layout) else 2)
    assert run("read", "plate.jpg", "--layout", "own.toml") in (0, 3, 4)
    pictures = list(Path().glob("plate.*.png")) + list(Path().glob("plate.*.jpg"))
    assert pictures


# ---- any pixels under any layout


def lying(layout: Layout, rng: np.random.Generator) -> PlatePose:
    """A plate as a camera sees it, in some turn and at some slant."""
    tilt, way, roll = np.radians(rng.uniform(0, 50)), rng.uniform(0, 2 * np.pi), rng.uniform(0, 2 * np.pi)
    slant = np.array([np.cos(way), np.sin(way), 0]) * tilt
    rotation = cv2.Rodrigues(slant)[0] @ cv2.Rodrigues(np.array([0, 0, roll]))[0]
    box = np.array([(0, 0), (1, 0), (1, 1), (0, 1)]) * (layout.outline.width, layout.outline.height)
    distance = rng.uniform(150, 400)
    camera = Camera(
        rotation=rotation,
        shift=np.array([0, 0, distance]) - rotation[:, :2] @ box.mean(axis=0),
        focal=distance * rng.uniform(5, 12),
        centre=(np.array(SIZE) - 1) / 2,
    )
    mm_to_px = camera.plane()
    return PlatePose(
        layout=layout,
        mm_to_px=mm_to_px,
        corners_px=apply(mm_to_px, box),
        px_per_mm=10.0,
        residual_mm=0.05,
        orientation_margin=1.0,
        camera_mm=camera.position_mm(),
        rim_mm=0.5,
        camera=camera,
        on_card=False,
    )


def drawn(pose: PlatePose, rng: np.random.Generator) -> Photo:
    """Membranes with some marks on a flat face, blurred and noisy as it comes; or nothing but noise or one tone."""
    pixels = np.full((SIZE[1], SIZE[0], 3), rng.integers(256), np.uint8)
    kind = rng.choice(["tone", "noise", "plate"], p=[0.1, 0.1, 0.8])
    if kind == "noise":
        pixels = rng.integers(0, 256, pixels.shape).astype(np.uint8)
    if kind == "plate":
        light = rng.integers(20, 256)
        marks = pose.layout.marks
        for window in pose.layout.window:
            to_px = membrane_mm_to_px(pose, RECESS_MM) @ window_to_plate(window)
            bars = [(0.0, window.length, 1.0)]
            bars += [
                (mark.position - mark.width / 2, mark.position + mark.width / 2, rng.uniform(0.3, 1))
                for mark in (marks.indicator, marks.reference)
            ]
            for start, stop, share in bars:
                corners = [(0, start), (window.breadth, start), (window.breadth, stop), (0, stop)]
                tone = (light * share, light * share**0.7, light * share**0.2)
                cv2.fillConvexPoly(
                    pixels, np.rint(apply(to_px, corners) * 16).astype(np.int32), tone, cv2.LINE_AA, 4
                )
        pixels = np.asarray(cv2.GaussianBlur(pixels, (0, 0), rng.uniform(0.3, 3)), np.uint8)
        noise = rng.normal(0, rng.choice([0.0, 1.0, 8.0]) + 1e-9, pixels.shape)
        pixels = np.clip(np.rint(pixels + noise), 0, 255).astype(np.uint8)
    return Photo(name="drawn.png", pixels=np.asarray(pixels, np.uint8), sha256="0" * 64)


def measured(photo: Photo, pose: PlatePose, floor: float) -> tuple[WindowFit, ...]:
    """The reading from a known place on, up to the measurements; raises PhotoRefusedError."""
    strips = cut_strips(photo, pose)
    for strip in strips:
        for share in (strip.hidden_fraction, strip.clipped_fraction, strip.edge_share):
            assert 0.0 <= share <= 1.0
    check_strips(strips)
    check_sharpness(strips, pose.layout, load_thresholds())
    profiles = [extract_profile(strip) for strip in strips]
    check_covers(profiles, pose.layout)
    shades = find_shades(cut_surrounds(photo, pose, strips), profiles, pose.layout)
    strips = tuple(level_strip(strip, shade) for strip, shade in zip(strips, shades, strict=True))
    profiles = [extract_profile(strip) for strip in strips]
    return measure_marks(profiles, pose.layout, shades, chroma_floor=floor, tone=membrane_tone(strips))


@given(seed=st.integers(0, 10**6), mouldable=st.booleans())
@settings(max_examples=25, deadline=None, derandomize=True)
def test_any_picture_of_any_layout_is_measured_within_bounds_or_refused(seed: int, mouldable: bool) -> None:
    rng = np.random.default_rng(seed)
    layout = random_layout(seed, mouldable=mouldable)
    pose = lying(layout, rng)
    try:
        fits = measured(drawn(pose, rng), pose, float(rng.uniform(0.5, 10)))
    except PhotoRefusedError:
        return
    for fit in fits:
        for mark in (fit.indicator, fit.reference):
            assert mark.span is None or 0.0 <= mark.span <= 1.0
            assert np.isfinite([mark.blank_mean, mark.blank_sd, mark.blank_n]).all()
            if mark.height is not None:
                assert mark.standard_error is not None
                assert np.isfinite([mark.height, mark.standard_error]).all()
    assert len(call_marks(fits, layout, load_thresholds())) == 2 * len(layout.window)
