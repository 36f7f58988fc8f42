"""The verdict: its model, its JSON schema, its canonical bytes, and the way back from a file.

Every number is rounded when the model takes it, so the value in memory and the value in the file are one.
What could not be measured is None with a flag beside it, never 0 and never NaN.
"""

import json
from collections import Counter
from pathlib import Path
from typing import Annotated, Any, Final, Literal, NoReturn, Self

from pydantic import (
    Field,
    ValidationError,
    model_validator,
)
from pydantic_core import ErrorDetails

from reader.errors import LinecallError
from reader.files.bundled import DATA
from reader.files.plain import read_plain
from reader.verdict.statement import Stated
from reader.words import Call, Cause, Grade, MarkName, SettledGrade, Tier, did_you_mean
from reader.words.fields import (
    Absorbance,
    AbsorbanceError,
    Degrees,
    Figure,
    Frozen,
    MatrixRow,
    Millimetres,
    MillimetresError,
    Minutes,
    Moment,
    Quad,
    Sentence,
    Sha256,
    Share,
    Text,
    writable,
)
from reader.words.ids import ID_PATTERN

SCHEMA_VERSION: Final = 1
SCHEMA_DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"
SCHEMA_ID: Final = "urn:linecall:verdict:1"
SCHEMA_FILE: Final = DATA / "verdict.schema.json"

LINE_LENGTH: Final = 110  # characters; what fits into a line of the pretty form stays on one
VERDICT_BYTES_MAX: Final = 4_000_000  # a verdict of twelve windows has about 20,000


class SoftwareRecord(Frozen):
    """What wrote the verdict."""

    name: Literal["linecall"] = "linecall"
    version: Sentence


class PhotoRecord(Frozen):
    """Which file was read; never the place it was taken at, nor a serial number.

    `width` and `height` are those of the upright photo, px; None where the file could not be decoded.
    `captured_at` is the camera's claim; without a known offset it is local time and no instant.
    """

    name: Text
    sha256: Sha256 | None
    width: Annotated[int, Field(gt=0)] | None = None
    height: Annotated[int, Field(gt=0)] | None = None
    captured_at: Moment | None = None
    captured_offset_known: bool = False
    encoding: Text | None = None
    chroma_subsampling: Text | None = None
    jpeg_quality: Annotated[int, Field(ge=1, le=100)] | None = None
    chroma_quality: Annotated[int, Field(ge=1, le=100)] | None = None
    lossy: bool | None = None
    flags: tuple[Text, ...] = ()

    @model_validator(mode="after")
    def _offset_agrees(self) -> Self:
        known = self.captured_at is not None and self.captured_at.tzinfo is not None
        if known != self.captured_offset_known:
            raise ValueError("captured_offset_known must be true exactly where captured_at has an offset")
        return self


class SettingsRecord(Frozen):
    """Which rules, thresholds or texts were used; `own_file` true: somebody's own, not one that linecall brings."""

    name: Sentence
    revision: int
    sha256: Sha256
    own_file: bool = Field(
        default=False, exclude_if=lambda own: not own
    )  # so earlier verdicts keep their bytes

    def __str__(self) -> str:
        """Such as `two-tier revision 1`, or `ours revision 2, own file 1a2b3c4d5e6f`."""
        return f"{self.name} revision {self.revision}" + f", own file {self.sha256[:12]}" * self.own_file


class LayoutRecord(SettingsRecord):
    """Which layout was used, and whether it was named or found by trying all bundled ones."""

    title: Text = ""
    chosen: Literal["named", "auto"]
    assay: Literal["competitive", "sandwich"]


class ReadingAgeRecord(Frozen):
    """Minutes from the drops to the photo, against the layout's range; `sentence` says it in words.

    `zone`: in which a time without an offset was read, and `zone_source` who says so: the camera, `--zone`, the
    rules, the site, or the machine that read the photo; None where every time had its offset, or none was needed.
    """

    minutes: Minutes | None
    status: Literal["in_range", "early", "late", "unknown", "contradictory"]
    source: Literal["drops_at", "stated", "none"]
    drops_at: Moment | None = None
    zone: Text | None = None
    zone_source: Literal["camera", "option", "rules", "site", "machine"] | None = None
    range_minutes: tuple[Minutes, Minutes] | None = None
    sentence: Sentence

    @model_validator(mode="after")
    def _unknown_has_no_minutes(self) -> Self:
        if (self.minutes is None) != (self.status in {"unknown", "contradictory"}):
            raise ValueError("minutes must be null exactly where status is unknown or contradictory")
        return self


class ExpiryRecord(Frozen):
    """The plate's expiry as stated (a date, or a month to its end), held against a day; `sentence` says it."""

    stated: Sentence
    status: Literal["in_date", "expired", "implausible"]
    held_against: Annotated[str, Field(pattern=r"^\d{4}-\d\d-\d\d$")]
    sentence: Sentence


class DepartureRecord(Frozen):
    """Something done otherwise than the procedure says, before the photo; `effect`: what the procedure says it does."""

    code: Sentence
    effect: Literal["warning", "invalid"]
    sentence: Sentence


class PoseRecord(Frozen):
    """Where the plate lies in the upright photo.

    `corners_px`: the outline's bounding box, plate order top-left, top-right, bottom-right, bottom-left.
    `mm_to_px`: homography of the plate's top face. `residual_mm`: rms of the edge fit.
    """

    corners_px: Quad
    mm_to_px: tuple[MatrixRow, MatrixRow, MatrixRow]
    px_per_mm: Figure
    residual_mm: MillimetresError | None
    orientation_margin: Figure | None
    on_card: bool
    tilt_deg: Degrees | None = None
    flags: tuple[Text, ...] = ()


class QualityRecord(Frozen):
    """How good the picture is, of the plate or of one window.

    `blur_mm`: sigma of the edge spread. `noise`: standard deviation of absorbance a pixel, along the dye's
    direction. Fractions are of the membrane's pixels.
    """

    px_per_mm: Figure | None = None
    blur_mm: MillimetresError | None = None
    noise: AbsorbanceError | None = None
    clipped_fraction: Share | None = None
    hidden_fraction: Share | None = None


class DecisionRecord(Frozen):
    """What one reader called a mark, and why; `blind`: without seeing linecall's call or another reader's."""

    by: Sentence
    call: Call
    reason: Sentence
    at: Moment
    blind: bool


class Mark(Frozen):
    """One mark: its call, what was measured, and why.

    `height`, its `standard_error` (1 sigma) and the two limits are absorbance along the dye's direction;
    `blank_mean` and `blank_sd` are mean and spread of this window's heights where no line is, `blank_n` how many
    places they rest on.
    Places are mm from the window's upstream end. `span` is the share of the breadth that the line crosses;
    `dye_angle_deg` the angle between the line's colour and the dye's, None where the file's chroma is too
    poor to tell. What tells dye from light: `plastic`, whether the plastic beside the window was seen (None: nobody
    looked); `shade_height`, what the change of light that it shows would have added to the height and was taken out;
    `shade_reach`, what it may yet add;
    `dye_evidence`, `which_dye_evidence` and `line_evidence`, natural logarithms of likelihood ratios: the dye's colour
    over a neutral shadow's, one dye over the mark's other, a line over an edge. Of several photos of one plate,
    `weights` are their shares in the height, in the order of
    `readings`, and `between_sd` is its spread between them beyond their own errors (1 sigma), None where one
    photo alone speaks. Where readers have decided on the mark, `first_call` is linecall's own call and
    `decisions` are theirs, also one that was outvoted; none while they disagree.
    """

    call: Call
    height: Absorbance | None
    standard_error: AbsorbanceError | None
    limit_of_blank: Absorbance | None
    limit_of_detection: Absorbance | None
    blank_mean: Absorbance | None = None
    blank_sd: AbsorbanceError | None = None
    blank_n: Figure | None = None
    dye: Text | None = None
    expected_mm: Millimetres | None = None
    expected_width_mm: Millimetres | None = None
    position_mm: Millimetres | None = None
    position_mm_se: MillimetresError | None = None
    width_mm: Millimetres | None = None
    straightness_mm: MillimetresError | None = None
    span: Share | None = None
    dye_angle_deg: Degrees | None = None
    dye_angle_deg_se: Annotated[Degrees, Field(ge=0)] | None = None
    plastic: bool | None = None
    shade_height: Absorbance | None = None
    shade_reach: AbsorbanceError | None = None
    dye_evidence: Figure | None = None
    which_dye_evidence: Figure | None = None
    line_evidence: Figure | None = None
    between_sd: AbsorbanceError | None = None
    weights: tuple[Share, ...] = ()
    flags: tuple[Text, ...] = ()
    reasons: tuple[Sentence, ...] = ()
    first_call: Call | None = None
    decisions: tuple[DecisionRecord, ...] = ()

    @property
    def decided_by(self) -> tuple[str, ...]:
        """Names of the readers whose call the mark has; none where it is linecall's own."""
        return tuple(decision.by for decision in self.decisions if decision.call == self.call)

    @model_validator(mode="after")
    def _decided_is_told_apart(self) -> Self:
        if self.decisions and (self.first_call is None or not self.decided_by):
            raise ValueError("a mark with decisions needs first_call, and one decision that gives its call")
        if self.first_call is None or self.decisions or self.call == "doubtful":
            return self
        raise ValueError("a mark with first_call needs the decisions that replaced it, or the call doubtful")

    @model_validator(mode="after")
    def _unmeasured_is_flagged(self) -> Self:
        if self.height is None and not self.flags:
            raise ValueError("a mark without a height needs a flag that says why")
        return self


class WindowRecord(Frozen):
    """One window with its two marks.

    `corners_px`: the membrane's corners in the upright photo, looking along the flow: upstream left, upstream
    right, downstream right, downstream left.
    """

    id: Sentence
    analyte: Text
    tier: Tier
    length_mm: Millimetres | None = None
    breadth_mm: Millimetres | None = None
    corners_px: Quad
    quality: QualityRecord = QualityRecord()
    flags: tuple[Text, ...] = ()
    reference: Mark
    indicator: Mark

    @model_validator(mode="after")
    def _indicator_has_no_starting_dye(self) -> Self:
        if self.indicator.call == "undeveloped":
            raise ValueError("indicator.call is undeveloped, but only a reference mark has a starting dye")
        return self


class PivotalMark(Frozen):
    """A doubtful mark whose call would change the grade."""

    window: Sentence
    mark: MarkName


class OpenDecision(Frozen):
    """A mark that readers have decided on but not settled: what is missing; never what they called it.

    `readers` count so far towards `needed`; 0 of them where they disagree.
    """

    window: Sentence
    mark: MarkName
    readers: Annotated[int, Field(ge=0)]
    needed: Annotated[int, Field(ge=1)]
    blind: bool
    disagree: bool
    sentence: Sentence


class ReviewRecord(Frozen):
    """What a review has changed: the grade before it, under which policy, by whom, and what is still open."""

    first_grade: Grade
    first_possible_grades: tuple[SettledGrade, ...]
    policy: SettingsRecord
    readers: tuple[Sentence, ...]
    open: tuple[OpenDecision, ...] = ()


class Verdict(Frozen):
    """All that is said about one plate; a refused photo has one too, without windows and without a grade.

    `id` is derived from the photos, what was stated and the settings: the same reading has the same.
    `cause` says what leaves a grade undecided: doubtful marks, of which `pivotal` names those that decide, or the
    time (contradictory, not known though the rules ask for it, or early), which no mark can settle.
    `run` is the run whose plate it is, and `departures` what went otherwise in it; neither is there without a run.
    Read from several photos, it holds each photo's own verdict in `readings`, in the order given, those that
    were refused or left out included; `photo` and all places in pixels are then those of the first one used.
    """

    schema_version: Literal[1] = SCHEMA_VERSION
    id: Annotated[str, Field(pattern=f"^{ID_PATTERN}$")] | None = None
    software: SoftwareRecord
    photo: PhotoRecord
    status: Literal["read", "refused"]
    refusal: Sentence | None = None
    reason: Sentence | None = None
    remedy: Sentence | None = None
    grade: Grade | None = None
    possible_grades: tuple[SettledGrade, ...] = ()
    pivotal: tuple[PivotalMark, ...] = ()
    cause: Cause | None = None
    rule: Sentence | None = None
    warnings: tuple[Sentence, ...] = ()
    next_step: Sentence
    statement: Stated | None = None
    reading_age: ReadingAgeRecord | None = None
    expiry: ExpiryRecord | None = None
    run: Annotated[str, Field(pattern=f"^{ID_PATTERN}$")] | None = Field(
        default=None, exclude_if=lambda run: run is None
    )
    departures: tuple[DepartureRecord, ...] = Field(default=(), exclude_if=lambda told: not told)
    layout: LayoutRecord | None = None
    rules: SettingsRecord | None = None
    thresholds: SettingsRecord | None = None
    texts: SettingsRecord | None = None
    pose: PoseRecord | None = None
    quality: QualityRecord | None = None
    windows: tuple[WindowRecord, ...] = ()
    review: ReviewRecord | None = None
    readings: tuple["Verdict", ...] = ()

    @property
    def own_files(self) -> str:
        """The settings files of somebody's own that it rests on: `own file: rules ours 1a2b3c4d5e6f`; else empty."""
        records = [(kind, getattr(self, kind)) for kind in ("layout", "rules", "thresholds", "texts")]
        if self.review is not None:
            records.append(("policy", self.review.policy))
        own = [f"{kind} {one.name} {one.sha256[:12]}" for kind, one in records if one and one.own_file]
        return f"own file{'s' * (len(own) > 1)}: {', '.join(own)}" if own else ""

    @model_validator(mode="after")
    def _is_consistent(self) -> Self:
        self._check_readings()
        if self.status == "refused":
            self._check_refused()
        else:
            self._check_read()
        return self

    def _check_readings(self) -> None:
        if any(reading.readings for reading in self.readings):
            raise ValueError("readings are those of single photos and must have no readings of their own")
        for window in self.windows:
            for mark in (window.reference, window.indicator):
                if len(mark.weights) != len(self.readings):
                    raise ValueError(
                        f"a mark of window {window.id!r} has {len(mark.weights)} weights, but there are "
                        f"{len(self.readings)} readings"
                    )

    def _check_refused(self) -> None:
        for name in ("refusal", "reason", "remedy"):
            if getattr(self, name) is None:
                raise ValueError(f"status is refused, so {name} must be given")
        for name in ("grade", "rule", "review"):
            if getattr(self, name) is not None:
                raise ValueError(f"status is refused, so {name} must be null")
        for name in ("possible_grades", "pivotal", "windows"):
            if getattr(self, name):
                raise ValueError(f"status is refused, so {name} must be empty")

    def _check_read(self) -> None:
        for name in ("grade", "rule", "layout", "rules", "thresholds", "pose", "reading_age"):
            if getattr(self, name) is None:
                raise ValueError(f"status is read, so {name} must be given")
        for name in ("refusal", "reason", "remedy"):
            if getattr(self, name) is not None:
                raise ValueError(f"status is read, so {name} must be null")
        if self.photo.sha256 is None or self.photo.width is None or self.photo.height is None:
            raise ValueError("status is read, so photo.sha256, photo.width and photo.height must be given")
        if not self.windows or not self.possible_grades:
            raise ValueError("status is read, so windows and possible_grades must not be empty")
        for name, values in (
            ("windows", [window.id for window in self.windows]),
            ("possible_grades", list(self.possible_grades)),
            ("pivotal", [(pivot.window, pivot.mark) for pivot in self.pivotal]),
        ):
            twice = [value for value, count in Counter(values).items() if count > 1]
            if twice:
                raise ValueError(f"{name} names {twice[0]!r} twice")
        if self.grade != "undecided" and self.possible_grades != (self.grade,):
            raise ValueError(f"grade is {self.grade}, so possible_grades must be that grade and no other")
        if self.grade == "undecided" and len(self.possible_grades) < 2:
            raise ValueError("grade is undecided, so possible_grades must name two and more")
        if self.cause is not None and self.grade != "undecided":
            raise ValueError(f"grade is {self.grade}, so cause must be null")
        if self.cause == "time" and self.pivotal:
            raise ValueError("cause is time, so pivotal must be empty")
        by_id = {window.id: window for window in self.windows}
        for pivot in self.pivotal:
            if pivot.window not in by_id:
                raise ValueError(f"pivotal names window {pivot.window!r}, which windows does not have")
            if getattr(by_id[pivot.window], pivot.mark).call != "doubtful":
                raise ValueError(
                    f"pivotal names the {pivot.mark} of window {pivot.window!r}, which is not doubtful"
                )


def to_bytes(verdict: Verdict, *, one_line: bool = False) -> bytes:
    """Write a verdict as JSON: UTF-8, fields in declared order, one newline at the end; alike every time.

    The pretty form keeps what fits into a line on one line; `one_line` is for `--json`.
    """
    value = verdict.model_dump(mode="json")
    text = _dumps(value) if one_line else _pretty(value, indent=0, taken=0)
    return (text + "\n").encode("utf-8")


def _dumps(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(", ", ": "))


def _pretty(value: object, *, indent: int, taken: int) -> str:
    """JSON text of `value` when `taken` characters of its line are used already."""
    flat = _dumps(value)
    fits = indent > 0 and indent + taken + len(flat) < LINE_LENGTH
    if fits or not value or not isinstance(value, dict | list):
        return flat
    pad = "\n" + " " * (indent + 1)
    if isinstance(value, dict):
        opening, closing, labels = "{", "}", [_dumps(key) + ": " for key in value]
    else:
        opening, closing, labels = "[", "]", [""] * len(value)
    items = value.values() if isinstance(value, dict) else value
    texts = [
        label + _pretty(item, indent=indent + 1, taken=len(label))
        for label, item in zip(labels, items, strict=True)
    ]
    return opening + pad + ("," + pad).join(texts) + "\n" + " " * indent + closing


def load_verdict(source: bytes | Path) -> Verdict:
    """Read a verdict that `to_bytes` wrote, from its bytes or its file.

    Raises LinecallError, naming the file, line or field, what was found and what was expected; a verdict of a
    newer schema is refused rather than read in part.
    """
    if isinstance(source, bytes):
        where, data = "verdict", source
    else:
        where = str(writable(source.name))
        try:
            data = read_plain(source, limit=VERDICT_BYTES_MAX)
        except OSError as error:
            raise LinecallError(f"{where}: cannot be read: {error.strerror or error}") from error
    if len(data) > VERDICT_BYTES_MAX:
        raise LinecallError(f"{where}: {len(data)} bytes, but no verdict has more than {VERDICT_BYTES_MAX}")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise LinecallError(f"{where}: byte {error.start} is not UTF-8, so this is no verdict") from error
    _check_schema_version(where, _parse_json(where, text))
    try:
        return Verdict.model_validate_json(text, strict=True)
    except ValidationError as error:
        details = error.errors(include_url=False)
        more = f" (and {len(details) - 1} more)" if len(details) > 1 else ""
        raise LinecallError(f"{where}: {_field_sentence(details[0])}{more}") from None


def _parse_json(where: str, text: str) -> object:
    def unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        twice = [key for key, count in Counter(key for key, _ in pairs).items() if count > 1]
        if twice:
            raise LinecallError(f"{where}: the field {_quoted(twice[0])} is there twice; keep one")
        return dict(pairs)

    def no_constant(name: str) -> NoReturn:
        raise LinecallError(f"{where}: {name} is not JSON; what was not measured is null")

    try:
        return json.loads(text, object_pairs_hook=unique, parse_constant=no_constant)
    except json.JSONDecodeError as error:
        raise LinecallError(
            f"{where}: line {error.lineno}, column {error.colno}: not JSON: {error.msg}"
        ) from error
    except (ValueError, RecursionError) as error:  # a number of thousands of digits; brackets thousands deep
        raise LinecallError(f"{where}: not JSON that a verdict could hold") from error


def _check_schema_version(where: str, value: object) -> None:
    version = value.get("schema_version") if isinstance(value, dict) else None
    if not isinstance(version, int) or isinstance(version, bool):
        raise LinecallError(f"{where}: no schema_version, so this is no verdict")
    if version > SCHEMA_VERSION:
        raise LinecallError(
            f"{where}: schema_version is {version}, but this linecall reads up to {SCHEMA_VERSION}; "
            "update linecall"
        )


def _field_sentence(details: ErrorDetails) -> str:
    """Say which field of a verdict is wrong, what was found there and what was expected."""
    field = _field_path(details["loc"])
    kind, found, message = details["type"], details["input"], details["msg"]
    if kind == "missing":
        return f"{field} is missing"
    if kind == "extra_forbidden":
        return f"{field} is no field of a verdict{did_you_mean(str(details['loc'][-1]), _FIELD_NAMES)}"
    whole = isinstance(found, dict | list | tuple)
    if kind == "value_error":
        message = str(details["ctx"]["error"])
    elif not whole:
        message = "expected " + message.removeprefix("Input should be ").removeprefix("a valid ")
    if whole:
        return f"{field}: {message}" if field else message
    return f"{field} is {_quoted(found)}, {message}"


def _field_path(location: tuple[int | str, ...]) -> str:
    path = ""
    for part in location:
        path += f"[{part}]" if isinstance(part, int) else f".{part}" if path else str(part)
    return path[:200]


def _quoted(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


_FIELD_NAMES: Final = sorted(
    {
        name
        for model in (
            SoftwareRecord,
            PhotoRecord,
            LayoutRecord,
            Stated,
            ReadingAgeRecord,
            ExpiryRecord,
            PoseRecord,
            QualityRecord,
            DecisionRecord,
            Mark,
            WindowRecord,
            PivotalMark,
            OpenDecision,
            ReviewRecord,
            Verdict,
        )
        for name in model.model_fields
    }
)


def schema() -> dict[str, Any]:
    """JSON schema (draft 2020-12) of a verdict, generated from the model."""
    return {"$schema": SCHEMA_DIALECT, "$id": SCHEMA_ID} | Verdict.model_json_schema(mode="serialization")


def schema_bytes() -> bytes:
    """Text of `reader/data/verdict.schema.json`."""
    return (json.dumps(schema(), indent=2, ensure_ascii=False) + "\n").encode("utf-8")
