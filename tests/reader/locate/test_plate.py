import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from fixtures.plates import readable_scene, refusal_scene
from fixtures.scene import Scene, photograph
from reader.errors import PhotoRefusedError
from reader.locate.outline import box_corners, window_corners
from reader.locate.plate import PlatePose, find_plate
from reader.numbers.geometry import apply
from reader.photo.open import Photo, open_photo
from reader.settings.values import Layout, bundled_layouts, load_layout

SIZE = (1600, 1200)
UNSEEN = tuple(sorted((Path(__file__).resolve().parents[3] / "fixtures" / "layouts").glob("*.toml")))
LAYOUTS = (*bundled_layouts(), *(load_layout(path) for path in UNSEEN))


def as_photo(pixels: NDArray[Any], name: str = "test.jpg") -> Photo:
    return Photo(name=name, pixels=np.ascontiguousarray(pixels), sha256="0" * 64)


def shoot(scene: Scene) -> tuple[Photo, dict[str, Any]]:
    taken = photograph(replace(scene, orientation=None))
    return as_photo(taken.pixels[..., ::-1]), taken.truth


def window_error_mm(pose: PlatePose, truth: NDArray[np.float64]) -> float:
    """Largest distance of any membrane corner, taken to the top face, from its true place."""
    corners = np.concatenate([window_corners(w) for w in pose.layout.window])
    found = apply(np.linalg.inv(truth), apply(pose.mm_to_px, corners))
    return float(np.linalg.norm(found - corners, axis=1).max())


def refusal_code(photo: Photo, layouts: tuple[Layout, ...] = LAYOUTS) -> str:
    with pytest.raises(PhotoRefusedError) as refused:
        find_plate(photo, layouts)
    return refused.value.code


@pytest.mark.parametrize("card", [False, True])
@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda x: x.layout)
def test_every_layout_is_found_among_all_and_the_right_way_up(layout: Layout, *, card: bool) -> None:
    photo, truth = shoot(readable_scene(layout, 11, card=card, size=SIZE))
    pose = find_plate(photo, LAYOUTS)
    assert pose.layout is layout
    assert pose.on_card is card
    assert window_error_mm(pose, np.array(truth["homography_top"])) < 1.0
    assert pose.camera_mm[2] > 50


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_rolling_the_photo_rolls_the_pose(turns: int) -> None:
    layout = LAYOUTS[0]
    photo, _ = shoot(readable_scene(layout, 12, size=SIZE))
    upright = find_plate(photo, LAYOUTS)
    rolled = find_plate(as_photo(np.rot90(photo.pixels, turns)), LAYOUTS)
    corners = rolled.corners_px
    for k in range(turns, 0, -1):
        # A quarter turn anticlockwise takes (x, y) to (y, width - 1 - x); undo it.
        height = (SIZE if k % 2 == 0 else SIZE[::-1])[1]
        corners = np.stack([height - 1 - corners[:, 1], corners[:, 0]], axis=1)
    assert np.abs(corners - upright.corners_px).max() < 0.5 * upright.px_per_mm
    assert rolled.layout is upright.layout
    assert rolled.px_per_mm == pytest.approx(upright.px_per_mm, rel=0.01)


def test_a_darker_photo_gives_the_same_place() -> None:
    photo, _ = shoot(readable_scene(LAYOUTS[0], 13, size=SIZE))
    bright = find_plate(photo, LAYOUTS)
    dark = find_plate(as_photo((photo.pixels * 0.5).astype(np.uint8)), LAYOUTS)
    assert np.abs(dark.corners_px - bright.corners_px).max() < 0.4 * bright.px_per_mm


def test_a_plate_that_hardly_stands_out_is_not_sure_of_its_place() -> None:
    photo, _ = shoot(readable_scene(LAYOUTS[0], 13, size=SIZE))
    clear = find_plate(photo, LAYOUTS)
    assert clear.notes == ()
    faint = find_plate(as_photo(np.rint(128 + 0.1 * (photo.pixels - 128.0)).astype(np.uint8)), LAYOUTS)
    assert faint.notes == ("place_unsure",)


def test_black_bars_round_a_picture_change_nothing() -> None:
    photo, _ = shoot(readable_scene(LAYOUTS[0], 13, size=SIZE))
    bare = find_plate(photo, LAYOUTS)
    barred = np.pad(photo.pixels, ((300, 340), (90, 80), (0, 0)))
    found = find_plate(as_photo(barred), LAYOUTS)
    assert np.abs(found.corners_px - (90, 300) - bare.corners_px).max() < 0.05 * bare.px_per_mm
    np.testing.assert_allclose(found.camera.project(np.zeros((1, 2))), found.corners_px[:1], atol=5.0)


def test_a_black_table_is_no_bar() -> None:
    photo, _ = shoot(readable_scene(LAYOUTS[0], 13, size=SIZE))
    corners = find_plate(photo, LAYOUTS).corners_px
    cloth = np.zeros_like(photo.pixels)
    area = cv2.fillConvexPoly(np.zeros(cloth.shape[:2], np.uint8), np.rint(corners).astype(np.int32), 1)
    cloth[area > 0] = photo.pixels[area > 0]
    found = find_plate(as_photo(cloth), LAYOUTS)
    assert np.abs(found.corners_px - corners).max() < 12.0


def test_sixteen_bits_give_the_same_place_as_eight() -> None:
    photo, _ = shoot(readable_scene(LAYOUTS[0], 14, size=SIZE))
    deep = as_photo(photo.pixels.astype(np.uint16) * 257)
    shallow = find_plate(photo, LAYOUTS)
    assert np.abs(find_plate(deep, LAYOUTS).corners_px - shallow.corners_px).max() < 0.2 * shallow.px_per_mm


@pytest.mark.parametrize("kind", ["two", "mirrored", "noplate"])
def test_what_must_not_be_read_is_refused_by_its_name(kind: Any) -> None:
    photo, _ = shoot(refusal_scene(LAYOUTS[0], 7, kind, size=SIZE))
    expected = {"two": "two_plates", "noplate": "no_plate"}.get(kind, kind)
    assert refusal_code(photo) == expected


@pytest.mark.parametrize("turns", range(4))
def test_a_plate_cut_by_the_frame_is_refused_as_cropped(turns: int) -> None:
    photo, _ = shoot(readable_scene(LAYOUTS[0], 12, size=SIZE))
    corners = find_plate(photo, LAYOUTS).corners_px
    # Cut an eighth of the plate off, on whichever side.
    left = round(float(corners[:, 0].min() + np.ptp(corners[:, 0]) / 8))
    assert refusal_code(as_photo(np.rot90(photo.pixels[:, left:], turns))) == "cropped"


def test_a_flipped_photo_of_a_plate_on_the_card_is_mirrored_too() -> None:
    photo, _ = shoot(readable_scene(LAYOUTS[0], 15, card=True, size=SIZE))
    assert refusal_code(as_photo(photo.pixels[:, ::-1])) == "mirrored"


def test_a_plate_of_another_make_is_not_taken_for_one_of_ours() -> None:
    comb, strip = bundled_layouts()
    photo, _ = shoot(readable_scene(comb, 16, size=SIZE))
    assert refusal_code(photo, (strip,)) == "no_plate"


@pytest.mark.parametrize("value", [0, 128, 255])
def test_an_empty_picture_holds_no_plate(value: int) -> None:
    assert refusal_code(as_photo(np.full((600, 800, 3), value, np.uint8))) == "no_plate"


def test_noise_holds_no_plate() -> None:
    noise = np.random.default_rng(3).integers(0, 256, (900, 1200, 3), dtype=np.uint8)
    assert refusal_code(as_photo(noise)) == "no_plate"


# scikit-image (BSD-3-Clause) comes with these pictures; none shows a plate.
@pytest.mark.parametrize(
    "name",
    [
        "astronaut",
        "brick",
        "camera",
        "chelsea",
        "coffee",
        "coins",
        "page",
        "text",
        "rocket",
        "grass",
        "checkerboard",
    ],
)
def test_natural_pictures_hold_no_plate(name: str) -> None:
    from skimage import data

    picture = np.asarray(getattr(data, name)())
    if picture.ndim == 2:
        picture = np.dstack([picture] * 3)
    assert refusal_code(as_photo(picture[..., 2::-1])) == "no_plate"


@pytest.mark.parametrize("size", [(40, 30), (1, 1), (700, 3)])
def test_a_tiny_picture_holds_no_plate(size: tuple[int, int]) -> None:
    assert refusal_code(as_photo(np.full((*size, 3), 200, np.uint8))) == "no_plate"


# ---- photos with truth, drawn by a path tracer that shares no code with this project


def _stored_to_upright(truth: dict[str, Any]) -> NDArray[np.float64]:
    w, h = truth["width"] - 1, truth["height"] - 1
    return {
        1: np.eye(3),
        3: np.array([[-1.0, 0, w], [0, -1, h], [0, 0, 1]]),
        6: np.array([[0.0, -1, h], [1, 0, 0], [0, 0, 1]]),
        8: np.array([[0.0, 1, 0], [-1, 0, w], [0, 0, 1]]),
    }[truth["exif_orientation"] or 1]


def test_shared_photos_are_found_and_never_the_wrong_way_up(shared_photos: Path) -> None:
    bundled = bundled_layouts()
    missed, errors, read = [], [], 0
    for path in sorted(shared_photos.glob("*.json")):
        truth = json.loads(path.read_text(encoding="utf-8"))
        photo = open_photo(shared_photos / truth["photo"])
        try:
            pose = find_plate(photo, bundled)
        except PhotoRefusedError:
            missed += [path.stem] if truth["expect"] == "read" else []
            continue
        if truth["expect"] != "read":
            assert truth["category"] not in {"noplate", "two", "cropped", "mirrored"}, path.stem
            continue
        read += 1
        assert pose.layout.layout == truth["layout"], path.stem
        top = _stored_to_upright(truth) @ np.array(truth["homography_top"])
        box = box_corners(pose.layout.outline)
        off = np.linalg.norm(apply(np.linalg.inv(top), pose.corners_px) - box, axis=1)
        assert off.max() < 3.0, path.stem
        errors.append(window_error_mm(pose, top))
    assert len(missed) <= 0.05 * (read + len(missed)), missed
    assert np.median(errors) < 0.3


def test_the_flipped_shared_photos_are_never_read(shared_photos: Path) -> None:
    for path in sorted(shared_photos.glob("*-00[1-3].json")):
        truth = json.loads(path.read_text(encoding="utf-8"))
        pixels = open_photo(shared_photos / truth["photo"]).pixels[:, ::-1]
        refusal_code(as_photo(pixels), bundled_layouts())
