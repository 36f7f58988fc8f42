"""The verdict: its model, its JSON schema, its canonical bytes, and the way back from a file.

Every number is rounded when the model takes it, so the value in memory and the value in the file are one.
What could not be measured is None with a flag beside it, never 0 and never NaN.
"""

import json
import os
from collections import Counter
from pathlib import Path
from typing import Annotated, Any, Final, Literal, NoReturn, Self, get_args

from pydantic import (
    Field,
    ValidationError,
    model_validator,
)
from pydantic_core import ErrorDetails

from reader.decide.records import DepartureRecord, ExpiryRecord, PivotalMark, ReadingAgeRecord
from reader.errors import LinecallError
from reader.files.bundled import DATA
from reader.files.plain import read_plain
from reader.verdict.statement import RunTie, Stated
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


class NoVerdictError(LinecallError):
    """JSON of something else than a verdict."""


class SoftwareRecord(Frozen):
    """What wrote the verdict."""

    name: Literal["linecall"] = Field(default="linecall", description="always linecall")
    version: Sentence = Field(description="its version")


class PhotoRecord(Frozen):
    """Which photo was read; never the place it was taken at, nor a serial number.

    An array of pixels has no file: it has the name that it was given, no capture time, and no tags.
    """

    name: Text = Field(description="the file's name, without its folder")
    sha256: Sha256 | None = Field(
        description=(
            "SHA-256 of the file's bytes; of an array of pixels, of the same pixels as a binary PPM; null "
            "where it could not be read"
        )
    )
    width: Annotated[int, Field(gt=0)] | None = Field(
        default=None, description="width of the upright photo, px; null where the file could not be decoded"
    )
    height: Annotated[int, Field(gt=0)] | None = Field(
        default=None, description="height of the upright photo, px; null where the file could not be decoded"
    )
    captured_at: Moment | None = Field(
        default=None,
        description="when the camera says that it took the photo; without an offset it is local time and no instant",
    )
    captured_offset_known: bool = Field(
        default=False, description="whether captured_at has its offset from UTC"
    )
    encoding: Text | None = Field(default=None, description="tone curve of the pixels as they were measured")
    chroma_subsampling: Text | None = Field(
        default=None, description="J:a:b notation; null where the file does not tell"
    )
    jpeg_quality: Annotated[int, Field(ge=1, le=100)] | None = Field(
        default=None, description="quality, 1 to 100, whose IJG luminance table is nearest to the file's"
    )
    chroma_quality: Annotated[int, Field(ge=1, le=100)] | None = Field(
        default=None, description="quality, 1 to 100, whose IJG chrominance table is nearest to the file's"
    )
    lossy: bool | None = Field(
        default=None,
        description="whether this file's own compression loses anything; an earlier one is not known",
    )
    flags: tuple[Text, ...] = Field(default=(), description="codes of what was noticed about the file")

    @model_validator(mode="after")
    def _offset_agrees(self) -> Self:
        known = self.captured_at is not None and self.captured_at.tzinfo is not None
        if known != self.captured_offset_known:
            raise ValueError("captured_offset_known must be true exactly where captured_at has an offset")
        return self


class SettingsRecord(Frozen):
    """Which rules, thresholds or texts were used."""

    name: Sentence = Field(description="the name that the file gives itself")
    revision: int = Field(description="the revision that the file gives itself")
    sha256: Sha256 = Field(description="SHA-256 of the file's bytes")
    own_file: bool = Field(
        default=False,
        exclude_if=lambda own: not own,  # so that earlier verdicts keep their bytes
        description="true for somebody's own file; left out for one that comes with linecall",
    )

    def __str__(self) -> str:
        """Such as `two-tier revision 1`, or `ours revision 2, own file 1a2b3c4d5e6f`."""
        return f"{self.name} revision {self.revision}" + f", own file {self.sha256[:12]}" * self.own_file


class LayoutRecord(SettingsRecord):
    """Which layout was used, and whether it was named or found by trying all bundled ones."""

    title: Text = Field(default="", description="the layout's title")
    chosen: Literal["named", "auto"] = Field(
        description="named: by whoever had it read; auto: found by trying all bundled layouts"
    )
    assay: Literal["competitive", "sandwich"] = Field(
        description="competitive: a line that forms says that the analyte is below the cutoff; sandwich: above it"
    )


class PoseRecord(Frozen):
    """Where the plate lies in the upright photo."""

    corners_px: Quad = Field(
        description=(
            "corners of the outline's bounding box in the upright photo, px: the plate's top-left, top-right, "
            "bottom-right, bottom-left"
        )
    )
    mm_to_px: tuple[MatrixRow, MatrixRow, MatrixRow] = Field(
        description="homography from plate millimetres, in the plane of the top face, to pixels of the upright photo"
    )
    px_per_mm: Figure = Field(description="pixels a millimetre, on average over the plate")
    residual_mm: MillimetresError | None = Field(
        description="rms distance of the plate's edges from where the fit has them, mm"
    )
    orientation_margin: Figure | None = Field(
        description="by how much this way up fits better than the next best way up or layout"
    )
    on_card: bool = Field(description="whether the photo card's markers gave the camera")
    tilt_deg: Degrees | None = Field(
        default=None, description="angle between the camera's axis and the plate's normal, degrees"
    )
    flags: tuple[Text, ...] = Field(default=(), description="codes of what makes the place unsure")


class QualityRecord(Frozen):
    """How good the picture is, of the plate or of one window."""

    px_per_mm: Figure | None = Field(default=None, description="pixels of the photo a millimetre")
    blur_mm: MillimetresError | None = Field(default=None, description="sigma of the edge spread, mm")
    noise: AbsorbanceError | None = Field(
        default=None,
        description="standard deviation of the heights of lines fitted where none is, in the indicator's absorbance",
    )
    clipped_fraction: Share | None = Field(
        default=None, description="share of the membrane's pixels that are blown out"
    )
    hidden_fraction: Share | None = Field(
        default=None, description="share of the membrane's pixels that are not seen"
    )


class DecisionRecord(Frozen):
    """What one reader called a mark, and why."""

    by: Sentence = Field(description="who decided")
    call: Call = Field(description="what the reader called the mark")
    reason: Sentence = Field(description="why, in the reader's words")
    at: Moment = Field(description="when")
    blind: bool = Field(
        description="whether it was decided without seeing linecall's call or another reader's"
    )


class ReasonRecord(Frozen):
    """A reason as a code and its values, from which another language can make its own sentence."""

    code: Text = Field(description="stable code of the reason")
    values: dict[Text, Absorbance | Text] = Field(
        default={}, description="numbers, and names of flags and dyes, that the sentence names"
    )


class Mark(Frozen):
    """One mark: its call, what was measured, and why.

    Places are mm from the window's upstream end. `plastic`, `shade_height`, `shade_reach` and the three logarithms of
    likelihood ratios tell dye from light. `weights` and `between_sd` are of several photos of one plate. Where readers
    have decided on the mark, `first_call` is linecall's own call and `decisions` are theirs; while they disagree there
    are none.
    """

    call: Call = Field(
        description="present, absent, doubtful; of a reference mark also undeveloped: still its starting dye"
    )
    height: Absorbance | None = Field(
        description=(
            "peak absorbance over the baseline, along the dye's direction; noise makes it negative; null where "
            "the place was not seen"
        )
    )
    standard_error: AbsorbanceError | None = Field(
        description="standard error of height, 1 sigma, absorbance"
    )
    limit_of_blank: Absorbance | None = Field(
        description="height that a place without a line seldom exceeds (CLSI EP17; Currie's critical level), absorbance"
    )
    limit_of_detection: Absorbance | None = Field(
        description="height that is seldom missed (Currie's detection limit), absorbance"
    )
    blank_mean: Absorbance | None = Field(
        default=None, description="mean of the heights that this window shows where no line is, absorbance"
    )
    blank_sd: AbsorbanceError | None = Field(
        default=None, description="standard deviation of those heights, absorbance"
    )
    blank_n: Figure | None = Field(default=None, description="degrees of freedom behind blank_sd")
    dye: Text | None = Field(
        default=None, description="the dye whose colour the line has; null where the file cannot carry it"
    )
    expected_mm: Millimetres | None = Field(
        default=None, description="where the layout has the mark, mm from the window's upstream end"
    )
    expected_width_mm: Millimetres | None = Field(default=None, description="how broad the layout has it, mm")
    position_mm: Millimetres | None = Field(
        default=None, description="where the line was found, mm from the window's upstream end"
    )
    position_mm_se: MillimetresError | None = Field(
        default=None, description="standard error of position_mm, 1 sigma, mm"
    )
    width_mm: Millimetres | None = Field(
        default=None, description="full width at half height, mm; null where the line is too faint to tell"
    )
    straightness_mm: MillimetresError | None = Field(
        default=None, description="rms distance of the line from a straight one, mm"
    )
    span: Share | None = Field(
        default=None, description="share of the window's breadth that the line crosses"
    )
    dye_angle_deg: Degrees | None = Field(
        default=None,
        description=(
            "angle between the line's colour and the dye's in absorbance space, degrees; null where the file's "
            "chroma is too poor to tell"
        ),
    )
    dye_angle_deg_se: Annotated[Degrees, Field(ge=0)] | None = Field(
        default=None, description="standard error of dye_angle_deg, 1 sigma, degrees"
    )
    plastic: bool | None = Field(
        default=None, description="whether the plastic beside the window was seen; null where nobody looked"
    )
    shade_height: Absorbance | None = Field(
        default=None,
        description=(
            "what the change of light that the plastic shows would have added to height, and was taken out, "
            "absorbance"
        ),
    )
    shade_reach: AbsorbanceError | None = Field(
        default=None, description="what such a change of light may yet add to height, absorbance"
    )
    dye_evidence: Figure | None = Field(
        default=None,
        description="natural logarithm of the likelihood ratio of the dye's colour over a neutral shadow's",
    )
    which_dye_evidence: Figure | None = Field(
        default=None,
        description="natural logarithm of the likelihood ratio of this dye over the mark's other dye",
    )
    line_evidence: Figure | None = Field(
        default=None, description="natural logarithm of the likelihood ratio of a line over an edge"
    )
    between_sd: AbsorbanceError | None = Field(
        default=None,
        description=(
            "spread of height between photos of one plate beyond their own errors, 1 sigma, absorbance; null "
            "where one photo alone speaks"
        ),
    )
    weights: tuple[Share, ...] = Field(
        default=(), description="shares of the photos of one plate in height, in the order of readings"
    )
    flags: tuple[Text, ...] = Field(default=(), description="codes of what was noticed about the mark")
    reasons: tuple[Sentence, ...] = Field(default=(), description="why it has its call, a sentence each")
    reason_codes: tuple[ReasonRecord, ...] = Field(
        default=(),
        exclude_if=lambda codes: not codes,  # so that earlier verdicts keep their bytes
        description="the same reasons as codes with their values; left out by earlier versions",
    )
    first_call: Call | None = Field(
        default=None, description="linecall's own call, where readers have decided on the mark"
    )
    decisions: tuple[DecisionRecord, ...] = Field(
        default=(), description="what readers decided, also one that was outvoted"
    )

    @property
    def decided_by(self) -> tuple[str, ...]:
        """Names of the readers whose call the mark has; none where it is linecall's own."""
        return tuple(decision.by for decision in self.decisions if decision.call == self.call)

    def as_row(self) -> dict[str, Any]:
        """Its fields as values of single cells, lists of texts joined by "; "."""
        listed = {"flags": self.flags, "reasons": self.reasons, "decided_by": self.decided_by}
        left_out = {"weights", "reason_codes", "decisions"}
        plain = {name: value for name, value in self if name not in left_out | listed.keys()}
        return plain | {name: "; ".join(texts) for name, texts in listed.items()}

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
    """One window with its two marks."""

    id: Sentence = Field(description="the window's id in the layout")
    analyte: Text = Field(description="what the window answers for")
    tier: Tier = Field(description="which cutoff of its analyte the window answers for")
    length_mm: Millimetres | None = Field(
        default=None, description="length of the opening along the flow, mm"
    )
    breadth_mm: Millimetres | None = Field(
        default=None, description="breadth of the opening across the flow, mm"
    )
    corners_px: Quad = Field(
        description=(
            "the membrane's corners in the upright photo, px, looking along the flow: upstream left, upstream "
            "right, downstream right, downstream left"
        )
    )
    quality: QualityRecord = Field(default=QualityRecord(), description="how good the picture is here")
    flags: tuple[Text, ...] = Field(default=(), description="codes of what was noticed about the window")
    reference: Mark = Field(description="the mark that shows that the window worked")
    indicator: Mark = Field(description="the mark that answers for the analyte")

    @model_validator(mode="after")
    def _indicator_has_no_starting_dye(self) -> Self:
        if self.indicator.call == "undeveloped":
            raise ValueError("indicator.call is undeveloped, but only a reference mark has a starting dye")
        return self


class OpenDecision(Frozen):
    """A mark that readers have decided on but not settled: what is missing; never what they called it."""

    window: Sentence = Field(description="the window's id")
    mark: MarkName = Field(description="which mark of the window")
    readers: Annotated[int, Field(ge=0)] = Field(
        description="how many readers count so far; 0 where they disagree"
    )
    needed: Annotated[int, Field(ge=1)] = Field(description="how many the policy asks for")
    blind: bool = Field(description="whether they must decide blind")
    disagree: bool = Field(description="whether the readers disagree")
    sentence: Sentence = Field(description="what is missing, in words")


class ReviewRecord(Frozen):
    """What a review has changed: the grade before it, under which policy, by whom, and what is still open."""

    first_grade: Grade = Field(description="the grade before the review")
    first_possible_grades: tuple[SettledGrade, ...] = Field(
        description="the possible grades before the review"
    )
    policy: SettingsRecord = Field(description="the policy under which it was reviewed")
    readers: tuple[Sentence, ...] = Field(description="who decided")
    open: tuple[OpenDecision, ...] = Field(
        default=(), description="marks that were decided on but are not settled"
    )


class Verdict(Frozen):
    """All that is said about one plate; a refused photo has one too, without windows and without a grade.

    Read from several photos, it holds each photo's own verdict in `readings`; `photo` and all places in pixels are
    then those of the first one used.
    """

    schema_version: Literal[1] = Field(
        default=SCHEMA_VERSION, description="raised with every change that older readers would misread"
    )
    id: Annotated[str, Field(pattern=f"^{ID_PATTERN}$")] | None = Field(
        default=None,
        description=(
            "derived from the photos, what was stated and the settings: the same reading has the same; null "
            "where no file could be read"
        ),
    )
    software: SoftwareRecord = Field(description="what wrote the verdict")
    photo: PhotoRecord = Field(description="the photo; of several, the first one used")
    status: Literal["read", "refused"] = Field(description="read, or refused: no grade and no windows")
    refusal: Sentence | None = Field(default=None, description="code of the refusal")
    refusal_values: dict[Text, Figure | Text | tuple[Text, ...]] = Field(
        default={},
        exclude_if=lambda values: not values,  # so that earlier verdicts keep their bytes
        description="numbers, ids and names that the reason and the remedy name; left out where there are none",
    )
    reason: Sentence | None = Field(default=None, description="why the photo was refused, in words")
    remedy: Sentence | None = Field(default=None, description="what to do about it, in words")
    grade: Grade | None = Field(
        default=None,
        description="what the calls come to; undecided exactly where there is more than one possible grade",
    )
    possible_grades: tuple[SettledGrade, ...] = Field(
        default=(), description="what all ways of settling the open marks give, mildest first, invalid last"
    )
    pivotal: tuple[PivotalMark, ...] = Field(
        default=(), description="doubtful marks whose call would change the grade"
    )
    cause: Cause | None = Field(
        default=None,
        description=(
            "what leaves the grade undecided: marks (the pivotal ones), or the time (contradictory, early, or "
            "not known though the rules ask for it), which no mark can settle"
        ),
    )
    rule: Sentence | None = Field(default=None, description="the row of the rules that decided, in words")
    warnings: tuple[Sentence, ...] = Field(
        default=(), description="what contradicts itself or was left out, a sentence each"
    )
    next_step: Sentence = Field(description="what the site wants done next, in its own words")
    statement: Stated | None = Field(
        default=None, description="what was stated about the sample and the plate; null where nothing was"
    )
    reading_age: ReadingAgeRecord | None = Field(
        default=None, description="minutes from the drops to the photo, held against the layout's range"
    )
    expiry: ExpiryRecord | None = Field(
        default=None,
        description="the plate's expiry, held against the day of use; null where it was not stated",
    )
    run: Annotated[str, Field(pattern=f"^{ID_PATTERN}$")] | None = Field(
        default=None,
        description="id of the run whose plate it is; left out without a run",
        exclude_if=lambda run: run is None,
    )
    departures: tuple[DepartureRecord, ...] = Field(
        default=(),
        description="what went otherwise in its run before the photo; left out where nothing did",
        exclude_if=lambda told: not told,
    )
    layout: LayoutRecord | None = Field(
        default=None, description="the layout that was used; null for a refused photo"
    )
    looked_for: SettingsRecord | None = Field(
        default=None,
        exclude_if=lambda layout: layout is None,  # so that earlier verdicts keep their bytes
        description="of a refused photo the layout that was named; left out where all bundled ones were tried",
    )
    rules: SettingsRecord | None = Field(default=None, description="the grading rules that were used")
    thresholds: SettingsRecord | None = Field(default=None, description="the thresholds that were used")
    texts: SettingsRecord | None = Field(
        default=None, description="the texts of the next steps that were used"
    )
    pose: PoseRecord | None = Field(default=None, description="where the plate lies in the photo")
    quality: QualityRecord | None = Field(
        default=None, description="how good the picture of the plate is: medians and means over its windows"
    )
    windows: tuple[WindowRecord, ...] = Field(default=(), description="the windows in the layout's order")
    review: ReviewRecord | None = Field(
        default=None, description="what a review has changed; null where nobody has reviewed it"
    )
    readings: tuple["Verdict", ...] = Field(
        default=(),
        description=(
            "each photo's own verdict where several photos of one plate were read as one, in the order given, "
            "those that were refused or left out included"
        ),
    )

    @property
    def own_files(self) -> str:
        """The settings files of somebody's own that it rests on: `own file: rules ours 1a2b3c4d5e6f`; else empty."""
        records = [(kind, getattr(self, kind)) for kind in ("layout", "rules", "thresholds", "texts")]
        if self.review is not None:
            records.append(("policy", self.review.policy))
        own = [f"{kind} {one.name} {one.sha256[:12]}" for kind, one in records if one and one.own_file]
        return f"own file{'s' * (len(own) > 1)}: {', '.join(own)}" if own else ""

    def rows(self) -> list[dict[str, Any]]:
        """The marks as rows of a table, which any table library takes.

        Returns
        -------
        list of dict
            One dictionary a mark, the indicator of each window first, all with the same keys in the same order:
            `photo`, `sha256`, `reading` (the verdict's id), `grade`, `window`, `analyte`, `tier`, `mark`, and the
            fields of `Mark`. Values are numbers, texts, truth values and None; the texts of a list (flags, reasons,
            those who decided) are joined by "; ". The codes of reasons, and the weights of several photos, are left
            out. A refused photo has no marks and gives no rows.

        Examples
        --------
        >>> from reader import read_photo
        >>> row = read_photo("demo_images/north-tank-drain.jpg", reading_age_min=20).rows()[0]
        >>> row["photo"], row["window"], row["mark"], row["call"]
        ('north-tank-drain.jpg', '1', 'indicator', 'absent')
        """
        return [
            {
                "photo": self.photo.name,
                "sha256": self.photo.sha256,
                "reading": self.id,
                "grade": self.grade,
                "window": window.id,
                "analyte": window.analyte,
                "tier": window.tier,
                "mark": name,
            }
            | getattr(window, name).as_row()
            for window in self.windows
            for name in get_args(MarkName)
        ]

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
        if self.refusal_values:
            raise ValueError("status is read, so refusal_values must be empty")
        if self.looked_for is not None:
            raise ValueError("status is read, so looked_for must be left out")
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


def load_verdict(source: str | os.PathLike[str] | bytes) -> Verdict:
    """Read a verdict that `to_bytes` wrote.

    Parameters
    ----------
    source : str, Path or bytes
        The file, or the JSON itself as bytes or as a string, which begins with "{"; any other string is a path.

    Returns
    -------
    Verdict

    Raises
    ------
    LinecallError
        Naming the file, line or field, what was found and what was expected; a verdict of a newer schema is refused
        rather than read in part.

    Examples
    --------
    >>> load_verdict('{"schema_version": 99}')
    Traceback (most recent call last):
    reader.errors.LinecallError: verdict: schema_version is 99, but this linecall reads up to 1; update linecall
    """
    where, data = "verdict", b""
    if isinstance(source, bytes):
        data = source
    elif isinstance(source, str) and source.lstrip("\ufeff \t\r\n").startswith("{"):
        data = source.encode("utf-8", "replace")
    else:
        path = Path(source)
        where = str(writable(path.name))
        try:
            data = read_plain(path, limit=VERDICT_BYTES_MAX)
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
        fields = dict(pairs)
        if len(fields) < len(pairs):
            twice = next(key for key, count in Counter(key for key, _ in pairs).items() if count > 1)
            raise LinecallError(f"{where}: the field {_quoted(twice)} is there twice; keep one")
        return fields

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
        raise NoVerdictError(f"{where}: no schema_version, so this is no verdict")
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
            ReasonRecord,
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


def run_tie(verdict: Verdict) -> RunTie | None:
    """The run of a verdict and what went otherwise in it; None where it has none."""
    return None if verdict.run is None else RunTie(id=verdict.run, departures=verdict.departures)
