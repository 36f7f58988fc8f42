"""Hints from frames whose truth is known: rendered scenes in which one thing at a time is wrong."""

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest

from fixtures.camera import Camera
from fixtures.plates import developed_plate
from fixtures.scene import Glare, Light, Plate, Scene, Shadow, photograph, transform
from reader.settings.values import load_layout
from reader.station.hints import ALONE_MIN, FOLLOWED_MAX, Hint, Seen, find_hints, look_on

COMB = load_layout("comb")
WIDTH, HEIGHT = 800, 600
NEAR_ENOUGH = 16 * WIDTH / 4000
"""px/mm of the frame at which a photo of 4000 px has 16, as many as strips are sampled by."""


@cache
def plate(seed: int = 0) -> Plate:
    return developed_plate(COMB, np.random.default_rng(seed), defect=0.0)


def scene(
    *, seed: int = 0, scale: float = 1.15, tilt: float = 6.0, roll: float = 10.0, light: Light | None = None
) -> Scene:
    """A plate in the middle of the frame; scale : px/mm, in shares of what is near enough."""
    camera = Camera(width=WIDTH, height=HEIGHT, fov_deg=50, tilt_deg=tilt, azimuth_deg=40, roll_deg=roll)
    camera = replace(camera, distance_mm=camera.focal_px / (scale * NEAR_ENOUGH))
    return Scene(seed=seed, camera=camera, plates=(plate(seed),), light=light or Light(exposure=0.7))


def frame(shown: Scene) -> bytes:
    done, data = cv2.imencode(".jpg", photograph(shown).pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 70])
    assert done
    return data.tobytes()


def codes(hints: Sequence[Hint]) -> list[str]:
    return [one.code if one.window is None else f"{one.code} {one.window}" for one in hints]


def window_at(shown: Scene, id: str) -> tuple[float, float]:
    """Where a window's middle lies in the world, mm."""
    centre = next(window.centre for window in COMB.window if window.id == id)
    x, y = transform(shown.plates[0].placement, np.array([centre]))[0]
    return float(x), float(y)


@pytest.mark.parametrize("seed", range(6))
def test_a_frame_of_a_plate_that_can_be_read_gives_no_hint(seed: int) -> None:
    light = Light(exposure=0.5 + 0.07 * seed, azimuth_deg=60.0 * seed, gradient=(0.05, -0.05))
    good = scene(seed=seed, tilt=3.0 * seed, roll=35.0 * seed, light=light)
    assert codes(find_hints(frame(good), [COMB])) == []


@pytest.mark.parametrize(("scale", "expected"), [(0.75, ["too_far"]), (0.9, ["too_far"]), (1.1, [])])
def test_a_plate_with_too_few_pixels_is_too_far(scale: float, expected: list[str]) -> None:
    assert codes(find_hints(frame(scene(scale=scale)), [COMB])) == expected


@pytest.mark.parametrize(("tilt", "expected"), [(20.0, []), (32.0, ["tilted"]), (40.0, ["tilted"])])
def test_a_slanting_look_is_tilted(tilt: float, expected: list[str]) -> None:
    assert codes(find_hints(frame(scene(tilt=tilt)), [COMB])) == expected


def test_a_shadow_over_half_the_windows_is_said() -> None:
    shadow = Shadow(depth=0.6, at_mm=(0.0, 0.0), angle_deg=90.0, softness_mm=3.0)
    assert codes(find_hints(frame(scene(light=Light(exposure=0.7, shadow=shadow))), [COMB])) == ["shadow"]


@pytest.mark.parametrize("id", [window.id for window in COMB.window])
def test_a_lamp_mirrored_over_a_window_is_said_with_that_window(id: str) -> None:
    glare = Glare(at_mm=window_at(scene(), id), radius_mm=2.0, brightness=1.0)
    shown = scene(light=Light(exposure=0.6, glares=(glare,)))
    assert codes(find_hints(frame(shown), [COMB])) == [f"glare {id}"]


def test_a_plate_that_leaves_the_frame_is_cut_off() -> None:
    whole = scene()
    aside = replace(whole.camera, target_mm=(COMB.outline.width * 0.45, 0.0))
    assert codes(find_hints(frame(replace(whole, camera=aside)), [COMB])) == ["cut_off"]


def test_what_is_no_plate_or_two_or_mirrored_or_dark_is_said() -> None:
    one = scene()
    assert codes(find_hints(frame(replace(one, plates=())), [COMB])) == ["no_plate"]
    assert codes(find_hints(frame(two_plates()), [COMB])) == ["two_plates"]
    assert codes(find_hints(frame(replace(one, mirrored=True)), [COMB])) == ["mirrored"]
    assert codes(find_hints(frame(scene(light=Light(exposure=0.012))), [COMB])) == ["dark"]


def two_plates() -> Scene:
    one = scene(scale=0.8)
    second = replace(plate(1), at_mm=(0.0, COMB.outline.height + 6.0))
    first = replace(one.plates[0], at_mm=(0.0, -6.0))
    return replace(one, plates=(first, second))


# --- frame after frame ------------------------------------------------------------------------------------------


def watched(frames: Sequence[bytes]) -> list[list[str]]:
    """The hints of a camera's frames, one after the other."""
    seen: Seen | None = None
    found = []
    for one in frames:
        hints, seen = look_on(one, [COMB], seen)
        found.append(codes(hints))
    return found


def test_a_camera_that_is_moved_gets_the_hints_of_each_frame_by_itself() -> None:
    shown = [
        scene(tilt=4.0 + 4.0 * step, roll=10.0 + 2.0 * step, scale=1.3 - 0.06 * step) for step in range(8)
    ]
    frames = [frame(one) for one in shown]
    assert watched(frames) == [codes(find_hints(one, [COMB])) for one in frames]
    assert watched(frames)[0] == []
    assert watched(frames)[-1] == ["too_far", "tilted"]


def test_what_changes_beside_a_plate_that_is_followed_is_said_at_once_and_a_second_plate_soon() -> None:
    good = frame(scene())
    glare = Glare(at_mm=window_at(scene(), "2"), radius_mm=2.0, brightness=1.0)
    lit = frame(scene(light=Light(exposure=0.7, glares=(glare,))))
    gone = frame(replace(scene(), plates=()))
    assert watched([good, good, lit, good, gone]) == [[], [], ["glare 2"], [], ["no_plate"]]
    both = two_plates()
    one = frame(replace(both, plates=both.plates[:1]))
    after = watched([one, *[frame(both)] * (FOLLOWED_MAX + 1)])
    assert after[0] == ["too_far"]
    assert after[-1] == ["two_plates"]


def test_a_second_plate_that_a_frame_misses_is_not_forgotten_and_one_that_is_taken_away_soon() -> None:
    both = two_plates()
    two, one = frame(both), frame(replace(both, plates=both.plates[:1]))
    missed = watched([two, *[one] * (ALONE_MIN - 1), two, *[one] * ALONE_MIN, one])
    assert missed == [["two_plates"]] * (2 * ALONE_MIN) + [["too_far"]] * 2
