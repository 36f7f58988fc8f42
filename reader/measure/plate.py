"""Measure the plate: the order of measuring, once, with all that may refuse the photo on the way."""

from dataclasses import dataclass

from reader.locate.plate import PlatePose
from reader.measure.fitness import check_covers, check_pose, check_sharpness, check_strips, chroma_floor
from reader.measure.glare import check_glare, find_veils
from reader.measure.mark import WindowFit, measure_marks
from reader.measure.profile import extract_profile
from reader.measure.shade import find_shades, level_strip
from reader.measure.shake import check_shake
from reader.measure.strip import Strip, cut_strips
from reader.measure.surround import cut_surrounds
from reader.measure.survival import check_survival
from reader.measure.tones import membrane_tone
from reader.photo.open import Photo
from reader.settings.values import Thresholds


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PlateMeasurement:
    """What a plate's windows show, in the layout's order: the strips, the light taken out, and what was fitted to
    them.
    """

    strips: tuple[Strip, ...]
    fits: tuple[WindowFit, ...]


def measure_plate(photo: Photo, pose: PlatePose, thresholds: Thresholds) -> PlateMeasurement:
    """Measure all marks of a plate that lies where the pose has it.

    Raises PhotoRefusedError where the picture is not fit for it.
    """
    layout = pose.layout
    check_pose(pose, thresholds)
    strips = cut_strips(photo, pose)
    check_strips(strips)
    check_glare(photo, pose, strips)
    seen = [extract_profile(strip) for strip in strips]
    survival = check_survival(photo, strips, layout)
    veils = find_veils(strips, layout)
    losses = [
        (*flags, *(("veiled",) if veiled else ()), *pose.notes)
        for flags, veiled in zip(survival.flags, veils, strict=True)
    ]
    shades = find_shades(cut_surrounds(photo, pose, strips), seen, layout)
    strips = tuple(level_strip(strip, shade) for strip, shade in zip(strips, shades, strict=True))
    profiles = [
        profile if shade.is_level else extract_profile(strip)
        for profile, shade, strip in zip(seen, shades, strips, strict=True)
    ]
    check_covers(seen, layout)  # before the shake, for whose smear a pen's edges would be taken
    check_shake(photo, pose, strips, profiles, thresholds)
    check_sharpness(strips, layout, thresholds)
    fits = measure_marks(
        profiles,
        layout,
        shades,
        losses,
        chroma_floor=chroma_floor(photo.chroma),
        tone=membrane_tone(strips),
        rounding=survival.rounding,
    )
    return PlateMeasurement(strips=strips, fits=fits)
