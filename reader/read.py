"""The order of the reading, once: photo -> plate -> strips -> profiles -> marks -> calls -> grade -> verdict.

Several photos of one plate go the same way up to their marks, which are combined and called as one photo's.
Here, and only here, a refusal becomes a verdict.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time
from pathlib import Path

from reader.anew.combine import (
    PlatePhoto,
    check_contradictions,
    check_set,
    combine_photos,
    combined_fits,
)
from reader.decide.age import plate_expiry, reading_age
from reader.decide.call import call_marks
from reader.decide.grade import grade_plate
from reader.errors import LinecallError, PhotoRefusedError
from reader.locate.plate import PlatePose, find_plate
from reader.measure.plate import measure_plate
from reader.measure.shake import check_picture
from reader.photo.open import Photo, open_photo
from reader.photo.original import advise, mark_copy
from reader.photo.source import PhotoInput, PhotoSource, photo_source
from reader.settings.read_settings import ReadSettings, load_settings
from reader.settings.values import Layout
from reader.verdict.evidence import Evidence, Reading, WindowEvidence
from reader.verdict.model import PhotoRecord, Verdict
from reader.verdict.records import Measured, Several, photo_record, read_verdict, refused_verdict
from reader.verdict.statement import RunTie, Stated
from reader.words.clock import Zone


@dataclass(frozen=True, kw_only=True, slots=True)
class Tied:
    """What a label beside the plate says about its photo: the run, and what that says. zone : of the run's site."""

    drops_at: datetime
    statement: Stated
    run: RunTie
    zone: Zone


LookForLabel = Callable[[Photo, PlatePose], Tied | None]
"""What looks beside a plate that was found for a label; it may raise LinecallError, which stops the reading."""


def read_photo(
    photo: PhotoInput,
    *,
    layout: str | Path = "auto",
    rules: str | Path = "two-tier",
    thresholds: str | Path = "standard",
    texts: str | Path = "standard",
    zone: str | None = None,
    settings: ReadSettings | None = None,
    name: str | None = None,
    drops_at: datetime | time | None = None,
    reading_age_min: float | None = None,
    statement: Stated | None = None,
) -> Verdict:
    """Read one photo of one plate.

    Parameters
    ----------
    photo : path, bytes, binary file, or array (H, W, 3) of uint8 or uint16
        An array is red, green and blue, sRGB-encoded and upright; it has no capture time, so state the reading age.
        `open_photo` says which name and hash each form has in the verdict.
    layout : str or Path
        "auto" (all bundled layouts are tried), a bundled name, or a TOML file.
    rules, thresholds, texts : str or Path
        A bundled name, or a TOML file.
    zone : str, optional
        Of a camera that writes no offset, such as "Europe/Lisbon"; else that of the rules, else this machine's.
    settings : ReadSettings, optional
        All of these as `load_settings` gave them, loaded once and used for many photos; they are then not given
        one by one.
    name : str, optional
        What the photo is called in the verdict; by default the file's own name, and "photo" for what has none.
    drops_at : datetime or time, optional
        When the drops were put into the wells; a time of day stands for the last one before the photo.
    reading_age_min : float, optional
        Minutes from the drops to the photo; it is taken before `drops_at`.
    statement : Stated, optional
        What is stated about the sample and the plate, its expiry among it.

    Returns
    -------
    Verdict
        A photo that cannot be read gives a verdict of status "refused" with reason and remedy.

    Raises
    ------
    SettingsError
        For a broken settings file.
    LinecallError
        For a reading age, a zone or an array that cannot be one, and settings given twice.

    Examples
    --------
    >>> verdict = read_photo("demo_images/north-tank-drain.jpg", reading_age_min=20)
    >>> verdict.status, verdict.grade
    ('read', 'moderate')
    >>> read_photo("no-such-photo.jpg").refusal
    'unreadable'
    """
    used = _settings(settings, layout, rules, thresholds, texts, zone)
    return examine(
        photo, used, name=name, drops_at=drops_at, reading_age_min=reading_age_min, statement=statement
    ).verdict


def read_plate(
    photos: Sequence[PhotoInput],
    *,
    layout: str | Path = "auto",
    rules: str | Path = "two-tier",
    thresholds: str | Path = "standard",
    texts: str | Path = "standard",
    zone: str | None = None,
    settings: ReadSettings | None = None,
    drops_at: datetime | time | None = None,
    reading_age_min: float | None = None,
    statement: Stated | None = None,
) -> Verdict:
    """Read several photos of one plate, taken minutes apart from other angles or in other light, as one.

    Parameters
    ----------
    photos : sequence of photos
        In any form that `read_photo` takes; what has no name is called "photo 1", "photo 2" and so on, by its place.
    layout, rules, thresholds, texts, zone, settings, drops_at, statement
        As for `read_photo`.
    reading_age_min : float, optional
        Minutes from the drops to every photo.

    Returns
    -------
    Verdict
        It keeps each photo's own in `readings`. A photo that is refused by itself, or lies outside the reading time
        while others do not, is left out with a warning. Photos that are not two and more of one plate give a verdict
        of status "refused".

    Raises
    ------
    SettingsError
        For a broken settings file.
    LinecallError
        As `read_photo` does, and if there is no photo at all.

    Examples
    --------
    >>> read_plate(["no-such-photo.jpg"]).refusal
    'one_photo'
    """
    used = _settings(settings, layout, rules, thresholds, texts, zone)
    return examine_plate(
        photos, used, drops_at=drops_at, reading_age_min=reading_age_min, statement=statement
    ).verdict


def examine(
    photo: PhotoInput,
    settings: ReadSettings,
    *,
    name: str | None = None,
    drops_at: datetime | time | None = None,
    reading_age_min: float | None = None,
    statement: Stated | None = None,
    run: RunTie | None = None,
    label: LookForLabel | None = None,
    now: datetime | None = None,
) -> Reading:
    """Read one photo and keep the evidence.

    Parameters
    ----------
    photo, name, drops_at, reading_age_min, statement
        As for `read_photo`.
    settings : ReadSettings
        As `load_settings` gives them.
    run : RunTie, optional
        The run whose plate it shows.
    label : function, optional
        Looks for a label beside the plate, which may tie the photo to a run instead.
    now : datetime, optional
        With its offset; a capture time after it is not believed. The present by default. A photo that was read before
        is judged as of then, or a clock that ran ahead would be believed once enough time has passed.

    Returns
    -------
    Reading
        The verdict, and its evidence: the upright photo, and for each window the strip (`strip.linear`, linear light)
        and the curves of the fit (`curves.absorbance`, `baseline`, `fit`, along `position_mm`), as arrays.

    Raises
    ------
    LinecallError
        For a reading age or an array that cannot be one; never for a bad photo.

    Examples
    --------
    >>> reading = examine("demo_images/north-tank-drain.jpg", load_settings(layout="comb"), reading_age_min=20)
    >>> window = reading.evidence.windows[0]
    >>> window.strip.linear.shape[2], len(window.curves.fit) == len(window.curves.position_mm)
    (3, True)
    """
    given = _given(drops_at, reading_age_min, statement, run, now, label)
    return _examine(photo_source(photo, name), settings, given)[0]


def examine_plate(
    photos: Sequence[PhotoInput],
    settings: ReadSettings,
    *,
    drops_at: datetime | time | None = None,
    reading_age_min: float | None = None,
    statement: Stated | None = None,
    run: RunTie | None = None,
    label: LookForLabel | None = None,
    now: datetime | None = None,
) -> Reading:
    """Read several photos of one plate as one, with the evidence of the first photo used.

    Parameters
    ----------
    photos
        As for `read_plate`.
    settings, drops_at, reading_age_min, statement, run, label, now
        As for `examine`.

    Returns
    -------
    Reading
        The verdict on all photos, and the evidence of the first one used.

    Raises
    ------
    LinecallError
        As `examine` does, and if there is no photo at all.

    Examples
    --------
    >>> one = "demo_images/north-tank-drain.jpg"
    >>> examine_plate([one, one], load_settings()).verdict.refusal
    'same_photo'
    """
    if not photos:
        raise LinecallError("no photo was given; two and more of one plate are needed")
    given = _given(drops_at, reading_age_min, statement, run, now, label)
    sources = [photo_source(photo, unnamed=f"photo {k}") for k, photo in enumerate(photos, 1)]
    given, settings = _tied_by_any(sources, settings, given)
    first, shown = _examine(sources[0], settings, given)
    readings, plates = [first.verdict], [_plate_photo(shown)]
    for source in sources[1:]:  # one photo's pixels at a time, besides the first one's
        reading, measured = _examine(source, settings, given)
        readings.append(reading.verdict)
        plates.append(_plate_photo(measured))
    try:
        together = check_set(readings, age_stated=reading_age_min is not None)
        used = [plate for k in together.used if (plate := plates[k]) is not None]
        disagreement = check_contradictions(used, settings.thresholds)
    except PhotoRefusedError as refusal:
        verdict = refused_verdict(
            first.verdict.photo, refusal, settings, given.statement, readings, given.run
        )
        return Reading(verdict=verdict, evidence=first.evidence and Evidence(photo=first.evidence.photo))
    if together.used[0] != 0:
        shown = _examine(sources[together.used[0]], settings, given)[1]
    assert shown is not None, "a photo that was used can be measured"
    odd = next((readings[k] for k in together.used if _is_contradictory(readings[k])), None)
    if odd is not None and shown.age.status != "contradictory":
        shown = _with_times_of(odd, shown)
    combined = combine_photos(used, disagreement.alone)
    several = Several(
        readings=together.readings,
        warnings=(*together.warnings, *disagreement.warnings),
        between_sd={key: mark.between_sd for key, mark in combined.items()},
        weights=together.weights(combined),
    )
    fits = combined_fits(shown.fits, combined)
    calls = call_marks(fits, shown.pose.layout, settings.thresholds)
    verdict = _graded(replace(shown, fits=fits, calls=calls), settings, given, several)
    return Reading(verdict=verdict, evidence=_evidence(shown))


def _settings(
    settings: ReadSettings | None,
    layout: str | Path,
    rules: str | Path,
    thresholds: str | Path,
    texts: str | Path,
    zone: str | None,
) -> ReadSettings:
    one_by_one = (layout, rules, thresholds, texts, zone)
    if settings is None:
        return load_settings(*one_by_one)
    if one_by_one != ("auto", "two-tier", "standard", "standard", None):
        raise LinecallError(
            "settings were given, and layout, rules, thresholds, texts or zone besides; give one or the other"
        )
    return settings


def _is_contradictory(verdict: Verdict) -> bool:
    return verdict.reading_age is not None and verdict.reading_age.status == "contradictory"


def _with_times_of(reading: Verdict, shown: Measured) -> Measured:
    """The same with the contradictory times of another photo, which is named."""
    age = reading.reading_age
    assert age is not None, "a contradictory age is one"
    told = age.model_copy(update={"sentence": f"{reading.photo.name}: {age.sentence}"})
    return replace(shown, age=told, expiry=reading.expiry)


@dataclass(frozen=True, kw_only=True, slots=True)
class _Given:
    """What is given besides the photo: when the drops were put in or how long ago, what is stated, and the present."""

    drops_at: datetime | time | None
    reading_age_min: float | None
    statement: Stated
    run: RunTie | None
    now: datetime
    label: LookForLabel | None = None

    def tied(self, photo: Photo, pose: PlatePose, zone: Zone) -> "tuple[_Given, Zone]":
        """The same with what the label beside the plate says, and the zone; a label is looked for once."""
        said = None if self.label is None else self.label(photo, pose)
        if said is None:
            return self, zone
        tied = replace(
            self,
            drops_at=said.drops_at,
            reading_age_min=None,
            statement=said.statement,
            run=said.run,
            label=None,
        )
        return tied, said.zone


def _given(
    drops_at: datetime | time | None,
    reading_age_min: float | None,
    statement: Stated | None,
    run: RunTie | None,
    now: datetime | None,
    label: LookForLabel | None,
) -> _Given:
    return _Given(
        drops_at=drops_at,
        reading_age_min=reading_age_min,
        statement=statement or Stated(),
        run=run,
        now=now or datetime.now(UTC),
        label=label,
    )


def _examine(source: PhotoSource, settings: ReadSettings, given: _Given) -> tuple[Reading, Measured | None]:
    """One photo's reading, and what it measured unless it was refused."""
    photo: Photo | None = None
    try:
        photo = mark_copy(open_photo(source))
        pose = _find_plate(photo, settings.layouts)
        given, zone = given.tied(photo, pose, settings.zone)
        measured = _measure(photo, pose, replace(settings, zone=zone), given)
    except PhotoRefusedError as refusal:
        if photo is None:
            record = PhotoRecord(name=source.name, sha256=source.sha256())
            verdict = refused_verdict(record, refusal, settings, given.statement, run=given.run)
            return Reading(verdict=verdict, evidence=None), None
        verdict = refused_verdict(
            photo_record(photo), advise(photo, refusal), settings, given.statement, run=given.run
        )
        return Reading(verdict=verdict, evidence=Evidence(photo=photo)), None
    return Reading(verdict=_graded(measured, settings, given), evidence=_evidence(measured)), measured


def _tied_by_any(
    sources: Sequence[PhotoSource], settings: ReadSettings, given: _Given
) -> tuple[_Given, ReadSettings]:
    """What the label in any of a plate's photos adds to what is given; raises LinecallError where two contradict."""
    if given.label is None:
        return given, settings
    found = given
    for source in sources:
        try:
            photo = open_photo(source)
            tied, zone = given.tied(photo, _find_plate(photo, settings.layouts), settings.zone)
        except PhotoRefusedError:
            continue  # told when its turn to be read comes
        if tied is given:
            continue
        if found is not given and found.run != tied.run:
            raise LinecallError(
                f"{source.name}: shows another label than the photos before it; read one plate at a time"
            )
        found, settings = tied, replace(settings, zone=zone)
    return replace(found, label=None), settings


def _measure(photo: Photo, pose: PlatePose, settings: ReadSettings, given: _Given) -> Measured:
    marks = measure_plate(photo, pose, settings.thresholds)
    age = reading_age(
        pose.layout,
        stated_minutes=given.reading_age_min,
        drops_at=given.drops_at,
        captured_at=photo.captured_at,
        now=given.now,
        zone=settings.zone,
        photo_at=None if given.run is None else given.run.photo_at,
    )
    return Measured(
        photo=photo,
        pose=pose,
        strips=marks.strips,
        fits=marks.fits,
        calls=call_marks(marks.fits, pose.layout, settings.thresholds),
        age=age,
        expiry=plate_expiry(
            given.statement.plate_expiry,
            age,
            captured_at=photo.captured_at,
            now=given.now,
            zone=settings.zone,
        ),
        run=given.run,
    )


def _find_plate(photo: Photo, layouts: Sequence[Layout]) -> PlatePose:
    """Find the plate; where there is none to be found, say so if all of the picture is shaken or blurred."""
    try:
        return find_plate(photo, layouts)
    except PhotoRefusedError as refusal:
        if refusal.code == "no_plate":
            check_picture(photo)
        raise


def _plate_photo(measured: Measured | None) -> PlatePhoto | None:
    if measured is None:
        return None
    return PlatePhoto(
        name=measured.photo.name, layout=measured.pose.layout, fits=measured.fits, calls=measured.calls
    )


def _graded(
    measured: Measured, settings: ReadSettings, given: _Given, several: Several | None = None
) -> Verdict:
    departures = () if given.run is None else given.run.departures
    grade = grade_plate(
        measured.calls, measured.pose.layout, settings.rules, measured.age, measured.expiry, departures
    )
    return read_verdict(measured, grade, settings, given.statement, several)


def _evidence(measured: Measured) -> Evidence:
    windows = tuple(
        WindowEvidence(strip=strip, curves=fit)
        for strip, fit in zip(measured.strips, measured.fits, strict=True)
    )
    return Evidence(photo=measured.photo, windows=windows)
