"""The order of the reading, once: photo -> plate -> strips -> profiles -> marks -> calls -> grade -> verdict.

Several photos of one plate go the same way up to their marks, which are combined and called as one photo's.
Here, and only here, a refusal becomes a verdict.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time
from functools import cache
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from reader.anew.combine import (
    CombinedMarks,
    PhotoSet,
    PlatePhoto,
    check_contradictions,
    check_set,
    combine_photos,
    combined_fits,
)
from reader.anew.grade_anew import age_of, departures_of
from reader.decide.call import MarkCall, call_marks
from reader.decide.grade import Departure, Expiry, ReadingAge, grade_plate, next_step, reading_age
from reader.errors import LinecallError, PhotoRefusedError
from reader.files.plain import sha256_of
from reader.locate.plate import PlatePose, find_plate
from reader.measure.fitness import (
    blur_mm,
    check_covers,
    check_pose,
    check_sharpness,
    check_strips,
    chroma_floor,
)
from reader.measure.glare import check_glare, find_veils
from reader.measure.mark import MarkMeasurement, WindowFit, measure_marks
from reader.measure.profile import extract_profile
from reader.measure.shade import find_shades, level_strip
from reader.measure.shake import check_picture, check_shake
from reader.measure.strip import Strip, cut_strips
from reader.measure.surround import cut_surrounds
from reader.measure.survival import check_survival
from reader.numbers.median import median
from reader.photo.light import encode
from reader.photo.open import Photo, open_photo
from reader.photo.original import advise, mark_copy
from reader.settings.values import (
    IndicatorMark,
    Layout,
    Rules,
    SettingsFile,
    Texts,
    Thresholds,
    bundled_layouts,
    load_layout,
    load_rules,
    load_texts,
    load_thresholds,
)
from reader.verdict.evidence import Evidence, WindowEvidence
from reader.verdict.model import (
    DepartureRecord,
    ExpiryRecord,
    LayoutRecord,
    Mark,
    PhotoRecord,
    PivotalMark,
    PoseRecord,
    QualityRecord,
    ReadingAgeRecord,
    SettingsRecord,
    SoftwareRecord,
    Verdict,
    WindowRecord,
)
from reader.verdict.second_photo import second_photo
from reader.verdict.statement import Stated
from reader.verdict.succession import reading_id
from reader.version import VERSION
from reader.words import MarkKey
from reader.words.clock import MACHINE, Zone, load_zone
from reader.words.fields import Quad


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class ReadSettings:
    """What a photo is read by: the layouts that the plate may have, the site's rules, thresholds and texts, and the
    zone of a camera that writes no offset."""

    layouts: tuple[Layout, ...]
    layout_named: bool
    rules: Rules
    thresholds: Thresholds
    texts: Texts
    zone: Zone = MACHINE

    def files_of(self, verdict: Verdict) -> tuple[SettingsFile, ...]:
        """The files that a verdict names, and those of the layouts tried where it was refused and names none."""
        named = verdict.layout.sha256 if verdict.layout else None
        layouts = (layout for layout in self.layouts if named in (None, layout.sha256))
        return (*layouts, self.rules, self.thresholds, self.texts)


@dataclass(frozen=True, kw_only=True, slots=True)
class RunTie:
    """The run whose plate a photo shows: its id, what went otherwise in it, and when it says the photo was taken."""

    id: str
    departures: tuple[Departure, ...] = ()
    photo_at: datetime | None = None


def run_tie(verdict: Verdict) -> RunTie | None:
    """The run of a verdict and what went otherwise in it; None where it has none."""
    return None if verdict.run is None else RunTie(id=verdict.run, departures=departures_of(verdict))


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Reading:
    """A verdict and what it rests on; evidence is None where the file could not be opened."""

    verdict: Verdict
    evidence: Evidence | None


def load_settings(
    layout: str | Path = "auto",
    rules: str | Path = "two-tier",
    thresholds: str | Path = "standard",
    texts: str | Path = "standard",
    zone: str | None = None,
) -> ReadSettings:
    """Load settings by bundled name or path; layout "auto" stands for all bundled ones.

    zone : of a camera that writes no offset, by its name or offset; else that of the rules, else this machine's.
    Raises SettingsError, and LinecallError for a zone that is none.
    """
    named = layout != "auto"
    by_rules = load_rules(rules)
    place = MACHINE
    if zone is not None:
        place = load_zone(zone, "option")
    elif by_rules.camera_zone is not None:
        place = load_zone(by_rules.camera_zone, "rules")
    return ReadSettings(
        layouts=(load_layout(layout),) if named else bundled_layouts(),
        layout_named=named,
        rules=by_rules,
        thresholds=load_thresholds(thresholds),
        texts=load_texts(texts),
        zone=place,
    )


def read_photo(
    path: str | Path,
    *,
    layout: str | Path = "auto",
    rules: str | Path = "two-tier",
    thresholds: str | Path = "standard",
    texts: str | Path = "standard",
    zone: str | None = None,
    drops_at: datetime | time | None = None,
    reading_age_min: float | None = None,
    statement: Stated | None = None,
) -> Verdict:
    """Read one photo of one plate.

    layout : "auto" (all bundled layouts are tried), a bundled name, or a TOML file. drops_at : when the drops were
    put into the wells, a time of day standing for the last one before the photo; or reading_age_min : minutes from
    then to the photo. zone : of a camera that writes no offset, such as "Europe/Lisbon"; else the rules', else this
    machine's. statement : what is stated about the sample and the plate, its expiry among it. A photo that cannot
    be read gives a verdict of status "refused" with reason and remedy. Raises SettingsError for broken settings
    files and LinecallError for a reading age or zone that is none.
    """
    settings = load_settings(layout, rules, thresholds, texts, zone)
    return examine(
        Path(path), settings, drops_at=drops_at, reading_age_min=reading_age_min, statement=statement
    ).verdict


def read_plate(
    paths: Sequence[str | Path],
    *,
    layout: str | Path = "auto",
    rules: str | Path = "two-tier",
    thresholds: str | Path = "standard",
    texts: str | Path = "standard",
    zone: str | None = None,
    drops_at: datetime | time | None = None,
    reading_age_min: float | None = None,
    statement: Stated | None = None,
) -> Verdict:
    """Read several photos of one plate, taken minutes apart from other angles or in other light, as one.

    The arguments are those of `read_photo`; a reading_age_min holds for every photo. The verdict keeps each
    photo's own in `readings`. A photo that is refused by itself, or lies outside the reading time while others
    do not, is left out with a warning. Photos that are not two and more of one plate give a verdict of status
    "refused".
    """
    settings = load_settings(layout, rules, thresholds, texts, zone)
    photos = [Path(path) for path in paths]
    return examine_plate(
        photos, settings, drops_at=drops_at, reading_age_min=reading_age_min, statement=statement
    ).verdict


def examine(
    path: Path,
    settings: ReadSettings,
    *,
    drops_at: datetime | time | None = None,
    reading_age_min: float | None = None,
    statement: Stated | None = None,
    run: RunTie | None = None,
    now: datetime | None = None,
) -> Reading:
    """Read one photo and keep the evidence; never raises for a bad photo.

    run : the run whose plate it shows. now : a capture time after it is not believed; the present by default. A photo
    that was read before is judged as of then, or a clock that ran ahead would be believed once enough time has passed.
    """
    return _examine(path, settings, _given(drops_at, reading_age_min, statement, run, now))[0]


def examine_plate(
    paths: Sequence[Path],
    settings: ReadSettings,
    *,
    drops_at: datetime | time | None = None,
    reading_age_min: float | None = None,
    statement: Stated | None = None,
    run: RunTie | None = None,
    now: datetime | None = None,
) -> Reading:
    """Read several photos of one plate as one, with the evidence of the first photo used; see `read_plate`.

    now : as for `examine`. Raises LinecallError if there is no photo at all.
    """
    if not paths:
        raise LinecallError("no photo was given; two and more of one plate are needed")
    given = _given(drops_at, reading_age_min, statement, run, now)
    first, shown = _examine(paths[0], settings, given)
    readings, photos = [first.verdict], [_plate_photo(shown)]
    for path in paths[1:]:  # one photo's pixels at a time, besides the first one's
        reading, measured = _examine(path, settings, given)
        readings.append(reading.verdict)
        photos.append(_plate_photo(measured))
    try:
        together = check_set(readings, age_stated=reading_age_min is not None)
        used = [photo for k in together.used if (photo := photos[k]) is not None]
        disagreement = check_contradictions(used, settings.thresholds)
    except PhotoRefusedError as refusal:
        verdict = _refused(first.verdict.photo, settings, given, refusal, readings)
        return Reading(verdict=verdict, evidence=first.evidence and Evidence(photo=first.evidence.photo))
    if together.used[0] != 0:
        shown = _examine(paths[together.used[0]], settings, given)[1]
    assert shown is not None, "a photo that was used can be measured"
    together = replace(together, warnings=(*together.warnings, *disagreement.warnings))
    odd = [k for k in together.used if _is_contradictory(readings[k])]
    if odd and shown.age.status != "contradictory":
        other = age_of(readings[odd[0]], shown.pose.layout)
        shown = replace(
            shown, age=replace(other, sentence=f"{readings[odd[0]].photo.name}: {other.sentence}")
        )
    return _conclude(shown, settings, given, together, combine_photos(used, disagreement.alone))


def _is_contradictory(verdict: Verdict) -> bool:
    return verdict.reading_age is not None and verdict.reading_age.status == "contradictory"


@dataclass(frozen=True, kw_only=True, slots=True)
class _Given:
    """What is given besides the photo: when the drops were put in or how long ago, what is stated, and the present."""

    drops_at: datetime | time | None
    reading_age_min: float | None
    statement: Stated
    run: RunTie | None
    now: datetime

    @property
    def departures(self) -> tuple[Departure, ...]:
        """What went otherwise before the photo, as far as a run says."""
        return () if self.run is None else self.run.departures


def _given(
    drops_at: datetime | time | None,
    reading_age_min: float | None,
    statement: Stated | None,
    run: RunTie | None,
    now: datetime | None,
) -> _Given:
    return _Given(
        drops_at=drops_at,
        reading_age_min=reading_age_min,
        statement=statement or Stated(),
        run=run,
        now=now or datetime.now(UTC),
    )


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Measured:
    """One photo up to its own calls."""

    photo: Photo
    pose: PlatePose
    strips: tuple[Strip, ...]
    fits: tuple[WindowFit, ...]
    calls: tuple[MarkCall, ...]
    age: ReadingAge


def _examine(path: Path, settings: ReadSettings, given: _Given) -> tuple[Reading, _Measured | None]:
    """One photo's reading, and what it measured unless it was refused."""
    photo: Photo | None = None
    try:
        photo = mark_copy(open_photo(path))
        measured = _measure(photo, settings, given)
    except PhotoRefusedError as refusal:
        if photo is None:
            record = PhotoRecord(name=path.name, sha256=_sha256(path))
            return Reading(verdict=_refused(record, settings, given, refusal), evidence=None), None
        verdict = _refused(_photo_record(photo), settings, given, advise(photo, refusal))
        return Reading(verdict=verdict, evidence=Evidence(photo=photo)), None
    return _conclude(measured, settings, given), measured


def _measure(photo: Photo, settings: ReadSettings, given: _Given) -> _Measured:
    pose = _find_plate(photo, settings.layouts)
    layout = pose.layout
    check_pose(pose, settings.thresholds)
    strips = cut_strips(photo, pose)
    check_strips(strips)
    check_glare(photo, pose, strips)
    seen = [extract_profile(strip) for strip in strips]
    survival = check_survival(photo, strips, layout)
    lost = [
        (*flags, "veiled") if veiled else flags
        for flags, veiled in zip(survival.flags, find_veils(strips, layout), strict=True)
    ]
    shades = find_shades(cut_surrounds(photo, pose, strips), seen, layout)
    strips = tuple(level_strip(strip, shade) for strip, shade in zip(strips, shades, strict=True))
    profiles = [
        profile if shade.is_level else extract_profile(strip)
        for profile, shade, strip in zip(seen, shades, strips, strict=True)
    ]
    check_shake(photo, pose, strips, profiles, settings.thresholds)
    check_sharpness(strips, layout, settings.thresholds)
    check_covers(seen, layout)
    fits = measure_marks(
        profiles,
        layout,
        shades,
        [(*flags, *pose.notes) for flags in lost],
        chroma_floor=chroma_floor(photo.chroma),
        tone=membrane_tone(strips),
        rounding=survival.rounding,
    )
    age = reading_age(
        layout,
        stated_minutes=given.reading_age_min,
        drops_at=given.drops_at,
        captured_at=photo.captured_at,
        now=given.now,
        zone=settings.zone,
        plate_expiry=given.statement.plate_expiry,
        departures=given.departures,
        photo_at=None if given.run is None else given.run.photo_at,
    )
    return _Measured(
        photo=photo,
        pose=pose,
        strips=strips,
        fits=fits,
        calls=call_marks(fits, layout, settings.thresholds),
        age=age,
    )


def _find_plate(photo: Photo, layouts: Sequence[Layout]) -> PlatePose:
    """Find the plate; where there is none to be found, say so if all of the picture is shaken or blurred."""
    try:
        return find_plate(photo, layouts)
    except PhotoRefusedError as refusal:
        if refusal.code == "no_plate":
            check_picture(photo)
        raise


def _plate_photo(measured: _Measured | None) -> PlatePhoto | None:
    if measured is None:
        return None
    return PlatePhoto(
        name=measured.photo.name, layout=measured.pose.layout, fits=measured.fits, calls=measured.calls
    )


def _conclude(
    measured: _Measured,
    settings: ReadSettings,
    given: _Given,
    together: PhotoSet | None = None,
    combined: CombinedMarks | None = None,
) -> Reading:
    """Grade a photo, or a set of which it is the one shown, and write the verdict."""
    layout = measured.pose.layout
    if together is None or combined is None:
        verdict = _verdict(measured, settings, given)
    else:
        fits = combined_fits(measured.fits, combined)
        calls = call_marks(fits, layout, settings.thresholds)
        verdict = _verdict(replace(measured, fits=fits, calls=calls), settings, given, together, combined)
    windows = tuple(
        WindowEvidence(strip=strip, curves=fit)
        for strip, fit in zip(measured.strips, measured.fits, strict=True)
    )
    return Reading(verdict=verdict, evidence=Evidence(photo=measured.photo, windows=windows))


def membrane_tone(strips: Sequence[Strip]) -> float:
    """Median encoded brightness of the membranes' green, 0..1."""
    seen = np.concatenate([strip.linear[::2, ::2, 1][strip.valid[::2, ::2]] for strip in strips])
    if not len(seen):
        return 0.0
    return float(encode(np.array([[[median(seen)] * 3]], np.float32))[0, 0, 0]) / 255


# --- the verdict -----------------------------------------------------------------------------------------------------


def _verdict(
    measured: _Measured,
    settings: ReadSettings,
    given: _Given,
    together: PhotoSet | None = None,
    combined: CombinedMarks | None = None,
) -> Verdict:
    layout, strips, fits, age = measured.pose.layout, measured.strips, measured.fits, measured.age
    grade = grade_plate(measured.calls, layout, settings.rules, age)
    called = {(call.window, call.mark): call for call in measured.calls}
    weights = {} if together is None or combined is None else together.weights(combined)
    windows = tuple(
        _window_record(strip, fit, layout, called, combined or {}, weights)
        for strip, fit in zip(strips, fits, strict=True)
    )
    step = next_step(grade, settings.texts)
    if together is None and grade.pivotal:
        step = (
            second_photo(windows, grade.pivotal, age, measured.photo.captured_at, measured.photo.notes) + step
        )
    verdict = Verdict(
        software=_software(),
        photo=_photo_record(measured.photo),
        status="read",
        grade=grade.grade,
        possible_grades=grade.possible_grades,
        pivotal=tuple(PivotalMark(window=pivot.window, mark=pivot.mark) for pivot in grade.pivotal),
        cause=grade.cause,
        rule=grade.rule,
        warnings=grade.warnings if together is None else (*together.warnings, *grade.warnings),
        next_step=step,
        statement=_said(given),
        reading_age=_reading_age_record(age),
        expiry=_expiry_record(age.expiry),
        run=None if given.run is None else given.run.id,
        departures=_departure_records(given),
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
        readings=() if together is None else together.readings,
    )
    return verdict.model_copy(update={"id": reading_id(verdict)})


def _window_record(
    strip: Strip,
    fit: WindowFit,
    layout: Layout,
    called: Mapping[MarkKey, MarkCall],
    combined: CombinedMarks,
    weights: Mapping[MarkKey, tuple[float, ...]],
) -> WindowRecord:
    window = strip.window

    def record(measured: MarkMeasurement, place: IndicatorMark) -> Mark:
        key = measured.window, measured.mark
        between = combined[key].between_sd if key in combined else None
        return _mark_record(measured, called[key], place, between, weights.get(key, ()))

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


def _mark_record(
    measured: MarkMeasurement,
    call: MarkCall,
    place: IndicatorMark,
    between_sd: float | None,
    weights: tuple[float, ...],
) -> Mark:
    return Mark(
        call=call.call,
        height=measured.height,
        standard_error=measured.standard_error,
        limit_of_blank=call.limit_of_blank,
        limit_of_detection=call.limit_of_detection,
        blank_mean=measured.blank_mean,
        blank_sd=measured.blank_sd,
        blank_n=measured.blank_n,
        dye=measured.dye,
        expected_mm=place.position,
        expected_width_mm=place.width,
        position_mm=measured.position_mm,
        position_mm_se=measured.position_se,
        width_mm=measured.width_mm,
        straightness_mm=measured.straightness_mm,
        span=measured.span,
        dye_angle_deg=measured.dye_angle,
        dye_angle_deg_se=measured.dye_angle_se,
        plastic=measured.plastic,
        shade_height=measured.shade_height,
        shade_reach=measured.shade_reach,
        dye_evidence=measured.dye_evidence,
        which_dye_evidence=measured.which_dye_evidence,
        line_evidence=measured.line_evidence,
        between_sd=between_sd,
        weights=weights,
        flags=measured.flags,
        reasons=call.reasons,
    )


def _refused(
    photo: PhotoRecord,
    settings: ReadSettings,
    given: _Given,
    refusal: PhotoRefusedError,
    readings: Sequence[Verdict] = (),
) -> Verdict:
    verdict = Verdict(
        software=_software(),
        photo=photo,
        status="refused",
        refusal=refusal.code,
        reason=refusal.reason,
        remedy=refusal.remedy,
        next_step=settings.texts.next_step.refused,
        statement=_said(given),
        run=None if given.run is None else given.run.id,
        departures=_departure_records(given),
        rules=_settings_record(settings.rules),
        thresholds=_settings_record(settings.thresholds),
        texts=_settings_record(settings.texts),
        readings=tuple(readings),
    )
    return verdict.model_copy(update={"id": reading_id(verdict)})


def _sha256(path: Path) -> str | None:
    """Hash of a file that could not be opened as a photo; None where it cannot be read or is no plain file."""
    try:
        return sha256_of(path)
    except OSError:
        return None


@cache
def _software() -> SoftwareRecord:
    return SoftwareRecord(version=VERSION)


def _photo_record(photo: Photo) -> PhotoRecord:
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


def _said(given: _Given) -> Stated | None:
    """What was stated; None where nothing was."""
    return given.statement if given.statement != Stated() else None


def _departure_records(given: _Given) -> tuple[DepartureRecord, ...]:
    return tuple(
        DepartureRecord(code=one.code, effect=one.effect, sentence=one.sentence) for one in given.departures
    )


def _expiry_record(expiry: Expiry | None) -> ExpiryRecord | None:
    if expiry is None:
        return None
    return ExpiryRecord(
        stated=expiry.stated,
        status=expiry.status,
        held_against=expiry.held_against.isoformat(),
        sentence=expiry.sentence,
    )


def _reading_age_record(age: ReadingAge) -> ReadingAgeRecord:
    return ReadingAgeRecord(
        minutes=age.minutes,
        status=age.status,
        source=age.source,
        drops_at=age.drops_at,
        zone=age.zone,
        zone_source=age.zone_source,
        range_minutes=age.range_minutes,
        sentence=age.sentence,
    )


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
