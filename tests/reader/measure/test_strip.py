from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from fixtures.plates import readable_scene
from fixtures.scene import photograph
from reader.locate.camera import camera_from
from reader.locate.plate import PlatePose, find_plate
from reader.measure.strip import STRIP_PX_PER_MM, cut_strips, membrane_mm_to_px, window_to_plate
from reader.numbers.geometry import apply
from reader.photo.open import Photo
from reader.settings.values import Layout, load_layout

SIZE = (1600, 1200)


def pose_of(layout: Layout, mm_to_px: np.ndarray, focal: float = 1500.0) -> PlatePose:
    centre = (np.array(SIZE) - 1) / 2
    camera = camera_from(mm_to_px, focal=focal, centre=centre)
    assert camera is not None
    width, height = layout.outline.width, layout.outline.height
    return PlatePose(
        layout=layout,
        mm_to_px=mm_to_px,
        corners_px=apply(mm_to_px, [[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]]),
        px_per_mm=10.0,
        residual_mm=0.05,
        orientation_margin=1.0,
        camera_mm=camera.position_mm(),
        rim_mm=0.5,
        camera=camera,
        on_card=False,
    )


def photo_of(pixels: np.ndarray) -> Photo:
    return Photo(name="drawn.png", pixels=pixels, sha256="0" * 64)


def from_above(px_per_mm: float = 10.0, shift: tuple[float, float] = (200.0, 250.0)) -> np.ndarray:
    return np.array([[px_per_mm, 0, shift[0]], [0, px_per_mm, shift[1]], [0, 0, 1.0]])


def drawn(layout: Layout, pose: PlatePose, depth: float, mark_mm: float = 4.0) -> np.ndarray:
    """A plate drawn flat: grey face, white membranes at a depth, in each a lopsided pair of dark lines."""
    pixels = np.full((SIZE[1], SIZE[0], 3), 60, np.uint8)
    to_px = membrane_mm_to_px(pose, depth)
    fine = 4  # bits of sub-pixel precision
    for window in layout.window:
        local = to_px @ window_to_plate(window)

        def fill(
            rectangle: list[tuple[float, float]], colour: tuple[int, ...], local: np.ndarray = local
        ) -> None:
            points = np.round(apply(local, rectangle) * 2**fine).astype(np.int32)
            cv2.fillConvexPoly(pixels, points, colour, cv2.LINE_AA, fine)

        b, n = window.breadth, window.length
        fill([(0, 0), (b, 0), (b, n), (0, n)], (230, 230, 230))
        fill(
            [(0, mark_mm - 0.5), (b, mark_mm - 0.5), (b, mark_mm + 0.5), (0, mark_mm + 0.5)], (120, 120, 120)
        )
        fill([(0, 12.0), (b / 2, 12.0), (b / 2, 12.5), (0, 12.5)], (120, 120, 120))
    return pixels


@pytest.mark.parametrize("name", ["comb", "strip"])
def test_a_strip_runs_upstream_first_and_is_not_mirrored(name: str) -> None:
    layout = load_layout(name)
    pose = pose_of(layout, from_above())
    for strip in cut_strips(photo_of(drawn(layout, pose, depth=1.5)), pose):
        profile = strip.linear[..., 1].mean(axis=1)
        middle = (np.argmin(profile) + 0.5) / strip.px_per_mm
        assert middle == pytest.approx(4.0, abs=0.6)
        row = round(12.25 * strip.px_per_mm)
        left, right = np.split(strip.linear[row, 8:-8, 1], 2)
        assert left.mean() < right.mean() - 0.2


@pytest.mark.parametrize("depth", [0.8, 1.5, 2.2])
def test_membranes_below_the_face_are_found_by_their_own_edges_at_a_slant(depth: float) -> None:
    layout = load_layout("comb")
    slant = np.array([[8.0, 0.6, 300.0], [-0.5, 6.4, 420.0], [0.0006, 0.0016, 1.0]])
    pose = pose_of(layout, slant)
    true = membrane_mm_to_px(pose, depth)
    for strip in cut_strips(photo_of(drawn(layout, pose, depth)), pose):
        window = strip.window
        corners = [[0.0, 0.0], [window.breadth, 0.0], [window.breadth, window.length], [0.0, window.length]]
        expected = apply(true @ window_to_plate(window), corners)
        off_mm = np.linalg.norm(strip.corners_px - expected, axis=1) / strip.native_px_per_mm
        assert off_mm.max() < 0.3


def along_flow_mm(photo: Photo, pose: PlatePose, true_mm_to_px: np.ndarray) -> float:
    """How far downstream of its true place the only window was cut, at its middle."""
    strip = cut_strips(photo, pose)[0]
    window = strip.window
    middle = [window.breadth / 2, window.length / 2]
    to_window = np.linalg.inv(true_mm_to_px @ window_to_plate(window))
    return float((apply(to_window, apply(strip.mm_to_px, middle)) - middle)[1])


def test_a_single_window_keeps_its_place_along_the_flow() -> None:
    # A 1 mm line is sought within half a millimetre, and a mark's own place strays by 0.15 mm.
    layout = load_layout("strip")
    off = []
    for seed in range(300, 308):
        taken = photograph(replace(readable_scene(layout, seed, size=(1200, 900)), orientation=None))
        photo = photo_of(np.ascontiguousarray(taken.pixels[..., ::-1]))
        pose = find_plate(photo, [layout])
        off.append(along_flow_mm(photo, pose, np.array(taken.truth["homography_membrane"])))
    assert np.abs(off).max() < 0.3
    assert np.sqrt(np.mean(np.square(off))) < 0.1


@pytest.mark.parametrize("off_mm", [-0.3, 0.0, 0.3])
def test_a_rim_that_shows_more_than_the_membrane_is_not_taken_for_it(off_mm: float) -> None:
    # Light along the flow: the upstream wall and the membrane's beginning lie in one shadow.
    layout = load_layout("strip")
    pose = pose_of(layout, from_above(14.0))
    window = layout.window[0]
    x, y = np.meshgrid(np.arange(SIZE[0]), np.arange(SIZE[1]))

    def at_depth(depth: float) -> np.ndarray:
        to_window = np.linalg.inv(membrane_mm_to_px(pose, depth) @ window_to_plate(window))
        return np.moveaxis(apply(to_window, np.stack([x, y], axis=-1)), -1, 0)

    u, v = at_depth(0.0)
    opening = (u > -0.6) & (u < window.breadth + 0.6) & (v > -0.6) & (v < window.length + 0.6)
    u, v = at_depth(1.5)
    membrane = (u > 0) & (u < window.breadth) & (v > 0) & (v < window.length)
    grey = np.full(x.shape, 190.0)
    grey[opening] = np.where(v < window.length / 2, 110.0, 178.0)[opening]
    grey[membrane] = np.interp(v, [0.9, 1.7], [112.0, 186.0])[membrane]
    noisy = cv2.GaussianBlur(grey, (0, 0), 1.5) + np.random.default_rng(1).normal(0, 1.5, grey.shape)
    pixels = np.repeat(noisy.round().astype(np.uint8)[..., None], 3, axis=2)
    found = pose_of(layout, pose.mm_to_px @ np.array([[1, 0, off_mm], [0, 1, 0], [0, 0, 1.0]]))
    off = along_flow_mm(photo_of(pixels), found, membrane_mm_to_px(pose, 1.5))
    assert abs(off) < 0.12


def test_the_parallax_of_a_recess_is_the_published_one() -> None:
    # shift = h tan t (check: 5 mm at 20 degrees 1.820 mm, 4.5 mm at 30 degrees 2.598 mm; geometry)
    layout = load_layout("comb")
    for h, tilt, shift in ((5.0, 20.0, 1.820), (4.5, 30.0, 2.598)):
        pose = pose_of(layout, from_above())
        distance = 1e6  # so far that all rays are parallel
        away = distance * np.tan(np.radians(tilt))
        pose = PlatePose(
            **{name: getattr(pose, name) for name in pose.__slots__ if name != "camera_mm"},
            camera_mm=np.array([away, 0.0, distance]),
        )
        seen = apply(membrane_mm_to_px(pose, h), [[50.0, 30.0]])
        assert_allclose((seen - apply(pose.mm_to_px, [[50.0, 30.0]]))[0, 0] / 10, shift, atol=2e-3)


def test_a_strip_has_its_scale_and_keeps_linear_light() -> None:
    layout = load_layout("strip")
    pose = pose_of(layout, from_above(14.0))
    strip = cut_strips(photo_of(drawn(layout, pose, depth=1.5)), pose)[0]
    assert strip.linear.shape == (round(17.0 * STRIP_PX_PER_MM), round(4.5 * STRIP_PX_PER_MM), 3)
    # sRGB code 230 is linear .7912979 (IEC 61966-2-1)
    assert np.median(strip.linear) == pytest.approx(0.7913, abs=0.002)
    assert strip.native_px_per_mm == pytest.approx(14.0, rel=0.02)
    assert strip.hidden_fraction < 0.1
    assert strip.clipped_fraction == 0.0
    assert not strip.linear.flags.writeable


def test_blown_out_light_is_not_valid() -> None:
    layout = load_layout("strip")
    pose = pose_of(layout, from_above())
    pixels = drawn(layout, pose, depth=1.5)
    pixels[pixels == 230] = 255
    strip = cut_strips(photo_of(pixels), pose)[0]
    assert strip.clipped_fraction > 0.8
    assert strip.valid.mean() < 0.2


def one_window(length: float, breadth: float) -> Layout:
    """The strip layout with another size of window, its marks where they fit."""
    layout = load_layout("strip")
    window = layout.window[0].model_copy(update={"length": length, "breadth": breadth})
    return layout.model_copy(update={"window": (window,)})


@given(length=st.floats(8, 30), breadth=st.floats(2, 8), tilt=st.floats(-0.9, 0.9))
@settings(max_examples=25, deadline=None, derandomize=True)
def test_what_the_rim_hides_is_a_share_of_any_window(length: float, breadth: float, tilt: float) -> None:
    layout = one_window(length, breadth)
    pose = pose_of(layout, from_above())
    aside = np.array([44.0 + 150.0 * np.tan(tilt), 11.0, 150.0])
    pose = replace(pose, camera_mm=aside)
    (strip,) = cut_strips(photo_of(np.full((SIZE[1], SIZE[0], 3), 200, np.uint8)), pose)
    assert 0.0 <= strip.hidden_fraction <= 1.0
    assert 0.0 <= strip.clipped_fraction <= 1.0
    assert 0.0 <= strip.edge_share <= 1.0


@given(length=st.floats(8, 30), breadth=st.floats(2, 8))
@settings(max_examples=25, deadline=None, derandomize=True)
def test_nothing_is_hidden_from_straight_above(length: float, breadth: float) -> None:
    layout = one_window(length, breadth)
    pose = replace(pose_of(layout, from_above()), camera_mm=np.array([44.0, 11.0, 1e6]))
    (strip,) = cut_strips(photo_of(drawn(layout, pose, depth=1.5)), pose)
    assert strip.hidden_fraction == 0.0


@pytest.mark.parametrize(
    ("shift", "code"), [((200.0, 250.0), 3), ((-500.0, 250.0), 230)], ids=["black", "cut off"]
)
def test_a_membrane_too_dark_or_beyond_the_frame_is_hidden(shift: tuple[float, float], code: int) -> None:
    layout = load_layout("strip")
    pose = pose_of(layout, from_above(shift=shift))
    pixels = drawn(layout, pose, depth=1.5)
    pixels[pixels == 230] = code
    (strip,) = cut_strips(photo_of(pixels), pose)
    assert 0.5 < strip.hidden_fraction <= 1.0
    assert strip.valid.mean() < 0.5
