"""The stages' values become the verdict's records: what was read of a photo, or why it was refused."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from reader.decide.call import MarkCall
from reader.decide.grade import Grade, next_step
from reader.decide.records import ExpiryRecord, ReadingAgeRecord
from reader.errors import PhotoRefusedError
from reader.locate.plate import PlatePose
from reader.measure.fitness import blur_mm
from reader.measure.mark import MarkMeasurement, WindowFit
from reader.measure.strip import Strip
from reader.photo.open import Photo
from reader.settings.read_settings import ReadSettings
from reader.settings.values import IndicatorMark, Layout, SettingsFile
from reader.verdict.model import (
    LayoutRecord,
    Mark,
    PhotoRecord,
    PoseRecord,
    QualityRecord,
    ReasonRecord,
    SettingsRecord,
    SoftwareRecord,
    Verdict,
    WindowRecord,
)
from reader.verdict.second_photo import second_photo
from reader.verdict.statement import RunTie, Stated
from reader.verdict.succession import reading_id
from reader.version import VERSION
from reader.words import MarkKey
from reader.words.fields import Quad


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Measured:
    """One photo up to its marks' calls, and what is known of the plate's age and expiry."""

    photo: Photo
    pose: PlatePose
    strips: tuple[Strip, ...]
    fits: tuple[WindowFit, ...]
    calls: tuple[MarkCall, ...]
    age: ReadingAgeRecord
    expiry: ExpiryRecord | None
    run: RunTie | None = None


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Several:
    """What a verdict on several photos has besides: each photo's own, what speaks against the set, and by mark the
    spread between photos (1 sigma, None where one speaks alone) and their weights; empty for a single photo."""

    readings: tuple[Verdict, ...] = ()
    warnings: tuple[str, ...] = ()
    between_sd: Mapping[MarkKey, float | None] = field(default_factory=dict)
    weights: Mapping[MarkKey, tuple[float, ...]] = field(default_factory=dict)


def read_verdict(
    measured: Measured,
    grade: Grade,
    settings: ReadSettings,
    statement: Stated,
    several: Several | None = None,
) -> Verdict:
    """The verdict on a plate that was read; measured : of the photo that is shown, with the calls that were graded."""
    layout, strips, fits, age = measured.pose.layout, measured.strips, measured.fits, measured.age
    called = {(call.window, call.mark): call for call in measured.calls}
    together = several or Several()
    windows = tuple(
        _window_record(strip, fit, layout, called, together) for strip, fit in zip(strips, fits, strict=True)
    )
    step = next_step(grade, settings.texts)
    if several is None and grade.pivotal:
        photo = measured.photo
        step = second_photo(windows, grade.pivotal, age, photo.captured_at, photo.notes) + step
    return _with_id(
        Verdict(
            software=_software(),
            photo=photo_record(measured.photo),
            status="read",
            grade=grade.grade,
            possible_grades=grade.possible_grades,
            pivotal=grade.pivotal,
            cause=grade.cause,
            rule=grade.rule,
            warnings=(*together.warnings, *grade.warnings),
            next_step=step,
            statement=_said(statement),
            reading_age=age,
            expiry=measured.expiry,
            **_of_run(measured.run),
            layout=_layout_record(layout, settings),
            rules=_settings_record(settings.rules),
            thresholds=_settings_record(settings.thresholds),
            texts=_settings_record(settings.texts),
            pose=_pose_record(measured.pose),
            quality=QualityRecord(
                px_per_mm=float(np.median([strip.native_px_per_mm for strip in strips])),
                blur_mm=blur_mm(float(np.median([strip.edge_share for strip in strips]))),
                noise=float(np.median([fit.indicator.blank_sd for fit in fits])),
                clipped_fraction=float(np.mean([strip.clipped_fraction for strip in strips])),
                hidden_fraction=float(np.mean([strip.hidden_fraction for strip in strips])),
            ),
            windows=windows,
            readings=together.readings,
        )
    )


def refused_verdict(
    photo: PhotoRecord,
    refusal: PhotoRefusedError,
    settings: ReadSettings,
    statement: Stated,
    readings: Sequence[Verdict] = (),
    run: RunTie | None = None,
) -> Verdict:
    """The verdict on a photo, or a set of photos with a verdict each, that cannot be read."""
    return _with_id(
        Verdict(
            software=_software(),
            photo=photo,
            status="refused",
            refusal=refusal.code,
            refusal_values=refusal.values,
            reason=refusal.reason,
            remedy=refusal.remedy,
            next_step=settings.texts.next_step.refused,
            statement=_said(statement),
            **_of_run(run),
            looked_for=_settings_record(settings.layouts[0]) if settings.layout_named else None,
            rules=_settings_record(settings.rules),
            thresholds=_settings_record(settings.thresholds),
            texts=_settings_record(settings.texts),
            readings=tuple(readings),
        )
    )


def _of_run(run: RunTie | None) -> dict[str, Any]:
    return {} if run is None else {"run": run.id, "departures": run.departures}


def _with_id(verdict: Verdict) -> Verdict:
    return verdict.model_copy(update={"id": reading_id(verdict)})


def _window_record(
    strip: Strip, fit: WindowFit, layout: Layout, called: Mapping[MarkKey, MarkCall], several: Several
) -> WindowRecord:
    window = strip.window

    def record(measured: MarkMeasurement, place: IndicatorMark) -> Mark:
        key = measured.window, measured.mark
        call = called[key]
        return Mark(
            call=call.call,
            limit_of_blank=call.limit_of_blank,
            limit_of_detection=call.limit_of_detection,
            expected_mm=place.position,
            expected_width_mm=place.width,
            **measured.measured,
            between_sd=several.between_sd.get(key),
            weights=several.weights.get(key, ()),
            reasons=tuple(reason.sentence for reason in call.reasons),
            reason_codes=tuple(
                ReasonRecord(code=reason.code, values=dict(reason.values)) for reason in call.reasons
            ),
        )

    return WindowRecord(
        id=window.id,
        analyte=window.analyte,
        tier=window.tier,
        length_mm=window.length,
        breadth_mm=window.breadth,
        corners_px=_quad(strip.corners_px),
        quality=QualityRecord(
            px_per_mm=strip.native_px_per_mm,
            blur_mm=blur_mm(strip.edge_share),
            noise=fit.indicator.blank_sd,
            clipped_fraction=strip.clipped_fraction,
            hidden_fraction=strip.hidden_fraction,
        ),
        reference=record(fit.reference, layout.marks.reference),
        indicator=record(fit.indicator, layout.marks.indicator),
    )


@cache
def _software() -> SoftwareRecord:
    return SoftwareRecord(version=VERSION)


def photo_record(photo: Photo) -> PhotoRecord:
    """What the verdict says of a photo that was opened."""
    return PhotoRecord(
        name=photo.name,
        sha256=photo.sha256,
        width=photo.width,
        height=photo.height,
        captured_at=photo.captured_at,
        captured_offset_known=photo.captured_at is not None and photo.captured_at.tzinfo is not None,
        encoding=photo.encoding,
        chroma_subsampling=photo.chroma.subsampling,
        jpeg_quality=photo.chroma.jpeg_quality,
        chroma_quality=photo.chroma.chroma_quality,
        lossy=photo.chroma.lossy,
        flags=photo.notes,
    )


def _settings_record(settings: SettingsFile) -> SettingsRecord:
    return SettingsRecord(
        name=settings.name, revision=settings.revision, sha256=settings.sha256, own_file=settings.own_file
    )


def _layout_record(layout: Layout, settings: ReadSettings) -> LayoutRecord:
    chosen: Literal["named", "auto"] = "named" if settings.layout_named else "auto"
    return LayoutRecord(
        name=layout.name,
        revision=layout.revision,
        sha256=layout.sha256,
        own_file=layout.own_file,
        title=layout.title,
        chosen=chosen,
        assay=layout.assay.format,
    )


def _said(statement: Stated) -> Stated | None:
    """What was stated; None where nothing was."""
    return statement if statement != Stated() else None


def _pose_record(pose: PlatePose) -> PoseRecord:
    rows = [tuple(float(v) for v in row) for row in pose.mm_to_px]
    return PoseRecord(
        corners_px=_quad(pose.corners_px),
        mm_to_px=(rows[0], rows[1], rows[2]),  # type: ignore[arg-type]
        px_per_mm=pose.px_per_mm,
        residual_mm=pose.residual_mm,
        orientation_margin=pose.orientation_margin,
        on_card=pose.on_card,
        tilt_deg=pose.camera.tilt(),
        flags=pose.notes,
    )


def _quad(corners: NDArray[np.float64]) -> Quad:
    a, b, c, d = ((float(x), float(y)) for x, y in corners)
    return a, b, c, d
