"""The shapes of a layout's drawing, and of a layout laid over a photo of known truth."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from fixtures.plates import readable_scene
from fixtures.random_layouts import random_layout
from fixtures.scene import photograph, save
from reader.draw.annotate import Plan
from reader.draw.ink import VERMILLION, Disc, PhotoView, Text, text_width
from reader.draw.ink import Path as Line
from reader.draw.layout_drawing import draw_fit, draw_layout, encode_picture, plan_fit, plan_layout
from reader.errors import OutputError
from reader.locate.plate import find_plate
from reader.photo.open import Photo, open_photo
from reader.settings.values import Layout, load_layout

Taken = tuple[Photo, Layout, dict[str, Any]]


@pytest.fixture(params=["comb", "strip", "cross", "quad"])
def layout(request: pytest.FixtureRequest, unseen_layouts: tuple[Path, ...]) -> Layout:
    own = {path.stem: path for path in unseen_layouts}
    return load_layout(own.get(request.param, request.param))


def words(sheet: Plan) -> str:
    return "\n".join(shape.text for shape in sheet.shapes if isinstance(shape, Text))


def plate_edge(sheet: Plan) -> np.ndarray:
    """The outline: of all closed lines the one that spans most."""
    closed = [np.array(shape.points) for shape in sheet.shapes if isinstance(shape, Line) and shape.closed]
    return max(closed, key=lambda points: float(np.prod(np.ptp(points, axis=0))))


def test_the_plate_is_drawn_to_one_scale_with_its_cut_corner(layout: Layout) -> None:
    edge = plate_edge(plan_layout(layout))
    size = np.ptp(edge, axis=0)
    scale = size / (layout.outline.width, layout.outline.height)
    assert scale[0] == pytest.approx(scale[1], rel=0.01)
    box = {
        "top-left": edge.min(axis=0),
        "top-right": (edge[:, 0].max(), edge[:, 1].min()),
        "bottom-right": edge.max(axis=0),
        "bottom-left": (edge[:, 0].min(), edge[:, 1].max()),
    }
    gap = {name: float(np.hypot(*(edge - at).T).min() / scale[0]) for name, at in box.items()}
    # by hand: a cut at 45 degrees passes its corner at leg / sqrt 2, a rounding at (sqrt 2 - 1) radius
    assert gap.pop(layout.outline.cut_corner) == pytest.approx(layout.outline.cut_leg / 2**0.5, abs=0.3)
    assert list(gap.values()) == pytest.approx([(2**0.5 - 1) * layout.outline.corner_radius] * 3, abs=0.3)


def test_every_well_lies_at_its_place(layout: Layout) -> None:
    sheet = plan_layout(layout)
    edge = plate_edge(sheet)
    scale = np.ptp(edge[:, 0]) / layout.outline.width
    drawn = [(np.array(s.at) - edge.min(axis=0)) / scale for s in sheet.shapes if isinstance(s, Disc)]
    wells = sorted({window.well for window in layout.window})
    assert np.array(drawn) == pytest.approx(np.array(wells), abs=0.05)


def test_every_number_and_word_of_a_layout_stands_on_its_drawing(layout: Layout) -> None:
    text = words(plan_layout(layout))
    outline, marks = layout.outline, layout.marks
    for number in (outline.width, outline.height, marks.indicator.position, marks.reference.position):
        assert f"{number:g} mm" in text
    for number in (outline.cut_leg, outline.corner_radius, outline.thickness, *layout.assay.reading_age):
        assert f"{number:g} m" in text or f"{number:g} to" in text
    for word in (layout.title, layout.name, layout.assay.format, outline.cut_corner, marks.indicator.colour):
        assert word in text
    for window in layout.window:
        for word in (window.id, window.analyte, window.tier, f"{window.length:g} x {window.breadth:g}"):
            assert word in text


def test_all_shapes_lie_on_the_sheet(layout: Layout) -> None:
    sheet = plan_layout(layout)
    for shape in sheet.shapes:
        if isinstance(shape, Line):
            points = np.array(shape.points)
            assert (points >= 0).all()
            assert (points <= (sheet.width, sheet.height)).all()
    picture = draw_layout(layout)
    assert picture.shape == (sheet.height, sheet.width, 3)
    for rim in (picture[:8], picture[-8:], picture[:, :8], picture[:, -8:]):
        assert (rim == 255).all()


@pytest.mark.parametrize("seed", range(30))
def test_no_word_of_any_layout_is_cut_off_and_the_marks_names_lie_apart(seed: int) -> None:
    sheet = plan_layout(random_layout(seed, mouldable=seed % 2 == 0))
    for shape in sheet.shapes:
        if isinstance(shape, Text):
            x, y = shape.at
            assert x >= 0
            assert x + text_width(shape.text, shape.size, shape.weight) <= sheet.width
            assert shape.size <= y <= sheet.height
    names = [
        shape
        for shape in sheet.shapes
        if isinstance(shape, Text) and shape.text in ("indicator", "reference")
    ]
    left, right = sorted(names, key=lambda name: name.at[0])
    assert left.at[0] + text_width(left.text, left.size) < right.at[0]


def test_a_long_narrow_plate_and_many_windows_still_fit() -> None:
    table = load_layout("strip").model_dump()
    table["outline"] |= {"width": 30.0, "height": 400.0}
    table["window"] = [
        table["window"][0] | {"id": f"{n}", "centre": (20.0, 10.0 + 6 * n), "well": (6.0, 10.0 + 6 * n)}
        for n in range(60)
    ]
    sheet = plan_layout(Layout.model_validate(table))
    assert all(f"\n{n}\n" in words(sheet) for n in range(60))
    assert np.ptp(plate_edge(sheet), axis=0).max() <= 1000


@pytest.fixture(scope="module")
def taken(unseen_layouts: tuple[Path, ...], tmp_path_factory: pytest.TempPathFactory) -> Taken:
    """A photo of a plate that is not bundled, slanted, with its truth."""
    layout = load_layout(next(path for path in unseen_layouts if path.stem == "cross"))
    # the truth is in stored pixels, which an unturned photo shares with the upright one
    scene = replace(readable_scene(layout, 3, size=(1600, 1200)), orientation=None)
    shot = photograph(scene)
    return open_photo(save(shot, tmp_path_factory.mktemp("photo") / "cross")), layout, shot.truth


def test_windows_laid_over_a_photo_lie_where_they_truly_are(
    taken: Taken,
) -> None:
    photo, layout, truth = taken
    pose = find_plate(photo, [layout])
    sheet = plan_fit(photo, pose)
    (view,) = [shape for shape in sheet.shapes if isinstance(shape, PhotoView)]
    back = cv2.invertAffineTransform(np.array(view.px_to_view))
    quads = [
        np.array(shape.points)
        for shape in sheet.shapes
        if isinstance(shape, Line) and shape.closed and shape.colour == VERMILLION
    ]
    assert len(quads) == len(layout.window)
    for quad, window in zip(quads, truth["windows"], strict=True):
        px = (quad - view.low) @ back[:, :2].T + back[:, 2]
        assert np.hypot(*(px - window["corners"]).T).max() / pose.px_per_mm < 0.5


def test_the_plate_stands_upright_in_the_view_and_nothing_is_drawn_on_its_lines(
    taken: Taken,
) -> None:
    photo, layout, _ = taken
    sheet = plan_fit(photo, find_plate(photo, [layout]))
    closed = [
        np.array(s.points)
        for s in sheet.shapes
        if isinstance(s, Line) and s.closed and s.colour == VERMILLION
    ]
    ids = {s.text: np.array(s.at) for s in sheet.shapes if isinstance(s, Text) and s.text in {"1", "2", "3"}}
    assert ids["1"][0] < ids["2"][0]  # side by side on the plate, left to right
    assert ids["3"][1] > ids["1"][1]  # below them
    for line in (s for s in sheet.shapes if isinstance(s, Line) and not s.closed):
        for quad in closed:
            middle = np.mean(line.points, axis=0)
            assert (
                cv2.pointPolygonTest(quad.astype(np.float32), tuple(map(float, middle)), measureDist=False)
                < 0
            )


def test_the_fit_is_painted_from_the_photos_own_pixels(taken: Taken) -> None:
    photo, layout, _ = taken
    pose = find_plate(photo, [layout])
    sheet, picture = plan_fit(photo, pose), draw_fit(photo, pose)
    assert picture.shape == (sheet.height, sheet.width, 3)
    (view,) = [shape for shape in sheet.shapes if isinstance(shape, PhotoView)]
    # a spot of bare plate: between the windows and the well of window 3
    at = pose.camera.project(np.array([[45.0, 44.0]]))[0]
    on_sheet = np.array(view.px_to_view) @ (*at, 1.0) + view.low
    seen = photo.pixels[tuple(np.round(at).astype(int)[::-1])].astype(float)
    shown = picture[tuple(np.round(on_sheet).astype(int)[::-1])].astype(float)
    assert shown == pytest.approx(seen, abs=16)


@pytest.mark.parametrize(
    ("suffix", "start"), [(".png", b"\x89PNG"), (".JPG", b"\xff\xd8\xff"), (".jpeg", b"\xff\xd8\xff")]
)
def test_a_picture_is_written_as_its_name_says(suffix: str, start: bytes) -> None:
    assert encode_picture(np.zeros((4, 4, 3), np.uint8), suffix).startswith(start)


def test_another_kind_of_picture_is_refused() -> None:
    with pytest.raises(OutputError) as caught:
        encode_picture(np.zeros((4, 4, 3), np.uint8), ".gif")
    assert str(caught.value) == 'a drawing cannot be written as ".gif"; let its name end in .png or .jpg'
