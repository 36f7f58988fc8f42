"""Lamps mirrored over a mark's place, below clipping too.

A lamp's image lays a veil of light over the membrane (ISO 9358: veiling glare; ISO 18844: flare). Where it is several
times the membrane's own light the tone curve bends both into the same near-white, and a line is gone without a single
pixel clipped. A plate that is bright all over and evenly lit has no place far brighter than its other membranes.
"""

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.locate.plate import PlatePose
from reader.measure.line_shape import LUMA
from reader.measure.strip import Strip
from reader.measure.survival import SHOULDER_CODE, highlights, luma_codes
from reader.numbers.geometry import apply
from reader.numbers.median import median, quantile
from reader.photo.light import decode_srgb
from reader.photo.open import Photo
from reader.refusals import refuse
from reader.settings.values import IndicatorMark, Layout, Window

Light = NDArray[np.float32]

SMOOTH_MM = 0.4
"""Grain is averaged over so much of a membrane."""
SIDES_MM = 0.8
"""Left out along a membrane's sides: shadow and rim."""
BESIDE_MARK_MM = 0.3
"""A mark's place is this much wider than the mark, each side."""
PLATES_QUANTILE = 0.25
"""The membranes' own light: this quantile of all windows' light, so that lamps over most of them leave it as it is."""
PLASTIC_STEP_MM = 1.0
"""Plastic is looked at on a grid of such steps,"""
BESIDE_MM = (1.5, 3.0)
"""from so far beside a window to so far."""
BRIGHTER = 1.2
"""A place under a lamp is so many times as bright as the membranes' own light; uneven light alone reaches 1.1 where it
is near white (simulated)."""
PLASTIC_BRIGHTER = 1.4
"""Or the plastic beside it is so many times as bright as the plate's; over a whole plate light is more uneven."""
VEILED_LIGHT = 1.3
"""Under a veil a mark's place is so many times as bright as the membranes' own light: from r = 0.3 on."""
VEILED_FRAME = 0.7
"""And its window's frame keeps no more than this share of the others' contrast: from r = 0.3 on too, with frames of
45 % of a membrane's light."""
LOWEST_WHITE = 160
"""No picture's white level is taken to lie below this 8-bit code."""
FLAT_CODES = 5
"""And so near to the picture's brightest luma code: there the tone curve has become flat."""


def check_glare(photo: Photo, pose: PlatePose, strips: Sequence[Strip]) -> None:
    """Refuse a plate on which a lamp's mirror image hides the place of a mark."""
    lights, places = _lights(strips, pose.layout)
    if max(places) < _light(SHOULDER_CODE * LOWEST_WHITE / 255):
        return
    white, brightest = highlights(photo)
    flat = _light(max(SHOULDER_CODE * white / 255, brightest - FLAT_CODES))
    if max(places) < flat:
        return
    own = _own_light(lights)
    lamp = (places > BRIGHTER * own) | (_plastic(photo, pose) > PLASTIC_BRIGHTER)
    lost = [strip.window.id for strip, here in zip(strips, lamp & (places > flat), strict=True) if here]
    if lost:
        refuse("glare", windows=lost)


def find_veils(strips: Sequence[Strip], layout: Layout) -> tuple[bool, ...]:
    """Whether a veil of light lies over a window: its marks' places are bright and its frame has lost contrast.

    Light that is only stronger leaves a frame its contrast; a veil of r times the membrane's own light takes it from
    -log10(d) to -log10((d + r) / (1 + r)), d being the frame's share of light, and a line's height falls alike.
    """
    lights, places = _lights(strips, layout)
    frames = np.array([strip.edge_step for strip in strips])
    veiled = (places > VEILED_LIGHT * _own_light(lights)) & (frames < VEILED_FRAME * np.median(frames))
    return tuple(veiled.tolist())


def _lights(strips: Sequence[Strip], layout: Layout) -> tuple[list[Light], NDArray[np.float64]]:
    """The membranes' light, and that of each window's brighter mark's place (n windows,)."""
    lights = [_smooth(strip) for strip in strips]
    marks = layout.marks.both
    places = [
        max(_place(light, strip, mark) for mark in marks) for light, strip in zip(lights, strips, strict=True)
    ]
    return lights, np.array(places)


def _own_light(lights: Sequence[Light]) -> float:
    """The membranes' own light."""
    return quantile(np.concatenate([light[::3, ::3].ravel() for light in lights]), PLATES_QUANTILE)


def _smooth(strip: Strip) -> Light:
    """A membrane's luma without its sides, grain averaged, linear light."""
    side, size = round(SIDES_MM * strip.px_per_mm), max(1, round(SMOOTH_MM * strip.px_per_mm))
    inside = strip.linear[:, side : strip.linear.shape[1] - side]
    return np.asarray(cv2.blur(cv2.transform(inside, LUMA[None]), (size, size)), np.float32)


def _place(light: Light, strip: Strip, mark: IndicatorMark) -> float:
    """Median light on a mark's place."""
    reach = mark.width / 2 + BESIDE_MARK_MM
    low, high = ((mark.position + way * reach) * strip.px_per_mm for way in (-1, 1))
    return median(light[max(0, round(low)) : round(high)])


def _plastic(photo: Photo, pose: PlatePose) -> NDArray[np.float64]:
    """Light of the plastic beside each window in shares of the plate's usual (n windows,)."""
    outline, near, far = pose.layout.outline, *BESIDE_MM
    x, y = np.meshgrid(
        np.arange(near, outline.width - near, PLASTIC_STEP_MM),
        np.arange(near, outline.height - near, PLASTIC_STEP_MM),
    )
    points = np.stack([x.ravel(), y.ravel()], axis=1)
    off = np.stack([_off_window(points, window) for window in pose.layout.window])
    plain = off.min(axis=0) > near
    points, off = points[plain], off[:, plain]
    at = np.clip(np.rint(apply(pose.mm_to_px, points)), 0, (photo.width - 1, photo.height - 1)).astype(int)
    light = decode_srgb(luma_codes(photo.pixels[at[:, 1], at[:, 0]][:, None])[:, 0] / 255)
    usual = max(median(light), 1e-6)
    return np.array([median(light[o < far]) / usual if (o < far).any() else 1.0 for o in off])


def _off_window(points: NDArray[np.float64], window: Window) -> NDArray[np.float64]:
    """How far points (n, 2) of a plate lie outside a window, mm."""
    along = (points - np.array(window.centre)) @ np.array(window.flow)
    across = (points - np.array(window.centre)) @ np.array((-window.flow[1], window.flow[0]))
    return np.asarray(np.maximum(np.abs(along) - window.length / 2, np.abs(across) - window.breadth / 2))


def _light(code: float) -> float:
    """Linear light of an 8-bit code of the sRGB curve."""
    return float(decode_srgb(code / 255))
