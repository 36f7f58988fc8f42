"""A lamp mirrored over a mark's place is told below clipping too, and a bright plate is no lamp."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from fixtures.camera import Camera, Processing
from fixtures.scene import Glare, Light, Plate, Scene, photograph, transform
from fixtures.strips import Noise, SimulatedStrip, as_strip
from reader.errors import PhotoRefusedError
from reader.locate.plate import PlatePose, find_plate
from reader.measure.glare import check_glare, find_veils
from reader.measure.strip import Strip, cut_strips
from reader.photo.open import Photo
from reader.settings.values import Layout, load_layout

WHITE = 0.94  # the tone curve's end, 8-bit code 248: nothing in such a picture is clipped
DULL = (0.58, 0.60, 0.62)


def shown(
    layout: Layout, lamps: tuple[int, ...], *, exposure: float = 0.65, brightness: float = 2.0
) -> Photo:
    """A plate with a lamp mirrored over some windows' marks, as a camera saves it that bends white down."""
    strips = []
    for k, window in enumerate(layout.window):
        strip = SimulatedStrip(seed=k, length_mm=window.length, breadth_mm=window.breadth)
        place = layout.marks.reference
        strips.append(
            strip.with_mark("reference", position_mm=place.position, height=0.3, width_mm=place.width)
        )
    plate = Plate(layout=layout, strips=tuple(strips), shade=DULL)
    marks = (layout.marks.indicator.position + layout.marks.reference.position) / 2
    glares = []
    for k in lamps:
        window = layout.window[k]
        at = np.array(window.centre) + (marks - window.length / 2) * np.array(window.flow)
        ((x, y),) = transform(plate.placement, at[None])
        glares.append(Glare(at_mm=(float(x), float(y)), radius_mm=6.0, brightness=brightness))
    scene = Scene(
        seed=7,
        camera=Camera(width=1600, height=1200, distance_mm=170, tilt_deg=8, roll_deg=10),
        plates=(plate,),
        table="dark",
        light=Light(exposure=exposure, glares=tuple(glares)),
        processing=Processing(
            blur_px=0.6, noise=Noise(sd_code=(1.0, 1.0, 1.0)), shoulder=0.75 * WHITE, white=WHITE
        ),
    )
    pixels = photograph(scene).pixels
    return Photo(name="p.png", pixels=np.ascontiguousarray(pixels[..., ::-1]), sha256="")


@cache
def found(name: str) -> PlatePose:
    """The plate's place, found before the lamp was on."""
    return find_plate(shown(load_layout(name), ()), (load_layout(name),))


def looked_at(photo: Photo, name: str) -> None:
    check_glare(photo, found(name), cut_strips(photo, found(name)))


@pytest.mark.parametrize("lamps", [(1,), (0, 1, 3, 5)])
def test_lamps_below_white_are_named_by_their_windows(lamps: tuple[int, ...]) -> None:
    photo = shown(load_layout("comb"), lamps)
    assert photo.pixels.max() < 255
    with pytest.raises(PhotoRefusedError) as caught:
        looked_at(photo, "comb")
    assert caught.value.code == "glare"
    assert {str(k + 1) for k in lamps} <= set(caught.value.reason.replace(",", " ").split())
    assert "move the lamp or turn the plate" in caught.value.remedy


def test_a_lamp_over_the_only_window_is_told_by_the_plastic_beside_it() -> None:
    with pytest.raises(PhotoRefusedError, match="glare covers window 1"):
        looked_at(shown(load_layout("strip"), (0,)), "strip")


@pytest.mark.parametrize(("name", "exposure"), [("comb", 1.0), ("strip", 1.25)])
def test_a_plate_that_is_bright_all_over_has_no_lamp_on_it(name: str, exposure: float) -> None:
    looked_at(shown(load_layout(name), (), exposure=exposure), name)


def windows(light: float, veil: float) -> list[Strip]:
    """Six windows of which the second has so much more light and so strong a veil, in shares of a membrane's light."""
    comb, dark = load_layout("comb"), 0.45
    strips = []
    for k, window in enumerate(comb.window):
        strip = as_strip(SimulatedStrip(seed=k, px_per_mm=12.0).with_noise(sd_code=0.8), window)
        gain, added = (light, veil) if k == 1 else (1.0, 0.0)
        own = float(np.median(strip.linear))
        lit = gain * strip.linear / (2 * own) + added / 2
        frame = -np.log10((gain * dark + added) / (gain + added))
        strips.append(replace(strip, linear=lit.astype(np.float32), edge_step=float(frame)))
    return strips


@pytest.mark.parametrize("veil", [0.4, 1.0, 2.5])
def test_a_veil_takes_contrast_from_its_windows_frame(veil: float) -> None:
    assert find_veils(windows(1.0, veil), load_layout("comb")) == (False, True, False, False, False, False)


@pytest.mark.parametrize("light", [1.0, 1.5, 2.5])
def test_light_that_is_only_stronger_is_no_veil(light: float) -> None:
    assert not any(find_veils(windows(light, 0.0), load_layout("comb")))
