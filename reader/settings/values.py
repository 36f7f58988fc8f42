"""What a site may change, read from TOML into typed values: layouts, rules, thresholds, texts.

Every value checks itself: what a file says must hold together before anything is read by it. All errors are
SettingsError, with the file, the line and the field.
"""

import hashlib
import math
import re
import tomllib
from collections.abc import Iterator
from functools import cache, lru_cache
from pathlib import Path
from typing import Annotated, ClassVar, Final, Literal, Self, TypeVar, cast, get_args

from pydantic import (
    AfterValidator,
    Field,
    PrivateAttr,
    field_validator,
    model_validator,
)

from reader.errors import LinecallError, SettingsError
from reader.files.bundled import DATA
from reader.settings.amounts import named_amount
from reader.settings.toml_file import Problem, contradiction, read_toml
from reader.words import (
    Dye,
    Finding,
    Format,
    MarkName,
    ReferenceCall,
    SettledGrade,
    Tier,
    did_you_mean,
    shown,
)
from reader.words.clock import load_zone
from reader.words.fields import Frozen

LENGTH_MAX_MM: Final = 1000.0  # no plate fits a photo's foreground beyond that; the number is in another unit
OUTLINE_MIN_MM: Final = 5.0  # smaller than any membrane; the number is in another unit
WINDOW_MIN_MM: Final = (
    6.0,
    2.0,
)  # length, breadth: of less, nothing is left between two edges' blur and shadow
FLOW_TOLERANCE: Final = 0.01  # a direction written with two decimals is off by less
READING_AGE_MAX_MIN: Final = 1440.0  # a day; beyond it the number is in another unit

Corner = Literal["top-left", "top-right", "bottom-right", "bottom-left"]

TIERS: Final[tuple[Tier, ...]] = ("lower", "upper")

Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Length = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=LENGTH_MAX_MM)]
StrictShare = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=1)]
ONE_LINE: Final = r"^[^\x00-\x1f\x7f]*\S[^\x00-\x1f\x7f]*$"  # something visible, no control characters
Label = Annotated[str, Field(min_length=1, max_length=80, pattern=ONE_LINE)]


def _name_no_amount(text: str) -> str:
    """Refuse a dose: treatment follows the approved procedure, and is worked out by those licensed for it."""
    amount = named_amount(text)
    if amount is not None:
        found = f'names an amount with a unit, "{amount}"'
        raise contradiction(
            Problem(path=(), text=f"{found}, but no text may name a dose; refer to the approved procedure")
        )
    return text


SiteSentence = Annotated[
    str, Field(min_length=1, max_length=200, pattern=ONE_LINE), AfterValidator(_name_no_amount)
]
PointMm = tuple[Number, Number]


class SettingsFile(Frozen):
    """What every settings file has: its name under the key of its kind, a revision, a title, a hash."""

    kind: ClassVar[str]
    revision: int = Field(strict=True, ge=1, description="the revision, which grows with each change")
    title: SiteSentence = Field(description="what it is, in a few words")
    _data: bytes = PrivateAttr(default=b"")
    _sha256: str = PrivateAttr(default="")

    @property
    def name(self) -> str:
        """The name that the file gives itself."""
        return str(getattr(self, self.kind))

    @property
    def sha256(self) -> str:
        """Hex SHA-256 of the file's bytes; empty for a value that was not read from a file."""
        return self._sha256

    @property
    def data(self) -> bytes:
        """The file's bytes; empty for a value that was not read from a file."""
        return self._data

    @property
    def own_file(self) -> bool:
        """Whether this is a file of somebody's own, and none that comes with linecall or came with an earlier one."""
        return bool(self._sha256) and is_own_file(self.kind, self.name, self._sha256)

    @model_validator(mode="before")
    @classmethod
    def _is_of_its_kind(cls, table: object) -> object:
        if isinstance(table, dict) and cls.kind not in table:
            other = next((kind for kind in _KINDS if kind in table), None)
            if other is not None:
                text = f"has the key {other}, so it is a {other} file, but a {cls.kind} file is needed"
                raise contradiction(Problem(path=(), text=text))
        return table


# --------------------------------------------------------------------------------------------- layouts


class Outline(Frozen):
    """The plate seen from above, mm."""

    width: Length = Field(ge=OUTLINE_MIN_MM, description="the plate's size from left to right, mm")
    height: Length = Field(ge=OUTLINE_MIN_MM, description="the plate's size from top to bottom, mm")
    corner_radius: Number = Field(
        ge=0, le=LENGTH_MAX_MM, description="rounding of the other three corners, mm"
    )
    thickness: Length = Field(description="the plate's height over the table, mm")
    cut_corner: Corner = Field(description="the one corner that is cut off at 45 degrees")
    cut_leg: Length = Field(description="what the cut takes off either edge, mm")


class Assay(Frozen):
    """What a mark means, and when the plate may be read (minutes from the drops)."""

    format: Format = Field(
        description="what a mark that forms says: below cutoff (competitive) or above (sandwich)"
    )
    reading_age: tuple[Number, Number] = Field(
        description="first and last minute after the drops, such as [15, 30]"
    )

    @field_validator("reading_age")
    @classmethod
    def _is_a_range(cls, value: tuple[float, float]) -> tuple[float, float]:
        first, last = value
        if not 0 <= first < last <= READING_AGE_MAX_MIN:
            raise contradiction(
                Problem(
                    path=(),
                    text=f"is {shown(value)}, but must be two rising numbers of minutes from 0 to "
                    f"{READING_AGE_MAX_MIN:g}, such as [15, 30]",
                )
            )
        return value


class IndicatorMark(Frozen):
    """Where the line that answers lies: mm from the window's upstream end to the centre line."""

    position: Length = Field(description="from the window's upstream end to the mark's centre line, mm")
    width: Length = Field(description="the mark's size along the flow, mm")
    colour: Dye = Field(description="the dye of the developed mark")


class ReferenceMark(IndicatorMark):
    """The line that shows that the window worked."""

    undeveloped_colour: Dye | None = Field(
        default=None, description="the dye that the mark shows until the sample has run past it"
    )


class Marks(Frozen):
    """The marks of every window of the layout."""

    indicator: IndicatorMark = Field(description="the table [marks.indicator]")
    reference: ReferenceMark = Field(description="the table [marks.reference]")

    @property
    def both(self) -> tuple[IndicatorMark, ReferenceMark]:
        """Indicator and reference."""
        return self.indicator, self.reference


class Window(Frozen):
    """One opening over one membrane; `flow` is the unit vector from the sample end, any direction, y down."""

    id: Label = Field(description="the window's own short name, in quotes")
    analyte: Label = Field(description="what the window looks for")
    tier: Tier = Field(description="which cutoff of its analyte the window answers for")
    centre: PointMm = Field(description="the window's middle, [x, y] in mm from the plate's top-left")
    length: Length = Field(ge=WINDOW_MIN_MM[0], description="the window's size along the flow, mm")
    breadth: Length = Field(ge=WINDOW_MIN_MM[1], description="the window's size across the flow, mm")
    flow: PointMm = Field(description="the direction away from the well, [x, y] of length 1, y down")
    well: PointMm = Field(description="the sample well's middle, [x, y] in mm from the plate's top-left")

    @field_validator("flow")
    @classmethod
    def _is_a_direction(cls, value: tuple[float, float]) -> tuple[float, float]:
        x, y = value
        size = math.hypot(x, y)
        if abs(size - 1) > FLOW_TOLERANCE:
            unit = (f"{x / size:.4g}", f"{y / size:.4g}") if 0 < size < math.inf else ("0", "-1")
            text = (
                f"is {shown(value)}, of length {size:.4g}, but must have length 1; write [{', '.join(unit)}]"
            )
            raise contradiction(Problem(path=(), text=text))
        return x / size, y / size

    @property
    def corners(self) -> tuple[PointMm, PointMm, PointMm, PointMm]:
        """Upstream left and right, downstream right and left, looking along the flow; plate mm."""
        (x, y), (along_x, along_y) = self.centre, self.flow
        half, side = self.length / 2, self.breadth / 2
        right_x, right_y = -along_y, along_x  # y is down, so right of the flow is a clockwise quarter turn
        return tuple(  # type: ignore[return-value]
            (x + a * half * along_x + b * side * right_x, y + a * half * along_y + b * side * right_y)
            for a, b in ((-1, -1), (-1, 1), (1, 1), (1, -1))
        )


class Layout(SettingsFile):
    """One make of plate, mm, seen from above and upright: origin top-left of the outline, y down."""

    kind: ClassVar[str] = "layout"
    layout: Label = Field(description="the layout's name")
    outline: Outline = Field(description="the table [outline]")
    assay: Assay = Field(description="the table [assay]")
    marks: Marks = Field(description="the tables [marks.indicator] and [marks.reference]")
    window: tuple[Window, ...] = Field(
        min_length=1, max_length=64, description="one table [[window]] for each window"
    )

    @model_validator(mode="after")
    def _holds_together(self) -> Self:
        problems = [*_outline_problems(self), *_mark_problems(self), *_window_problems(self)]
        if problems:
            raise contradiction(*problems)
        return self


def _outline_problems(layout: Layout) -> Iterator[Problem]:
    outline = layout.outline
    side, radius, leg = min(outline.width, outline.height), outline.corner_radius, outline.cut_leg
    if radius > side / 2:
        text = f"is {radius} mm, but with a shorter side of {side} mm it can be {side / 2:g} mm at most"
        yield Problem(path=("outline", "corner_radius"), text=text)
        return
    # A rounded corner lacks as much as a cut with a leg of (2 - sqrt 2) radius: no photo shows a smaller one.
    least, most = (2 - math.sqrt(2)) * radius, side - radius
    if not least < leg <= most:
        yield Problem(
            path=("outline", "cut_leg"),
            text=f"is {leg} mm, but with a shorter side of {side} mm and corners rounded by {radius} mm, a "
            f"cut that shows which way up the plate is takes more than {least:.2f} and at most {most:g} mm",
        )


def _mark_problems(layout: Layout) -> Iterator[Problem]:
    indicator, reference = layout.marks.indicator, layout.marks.reference
    shortest = min(range(len(layout.window)), key=lambda index: layout.window[index].length)
    length = layout.window[shortest].length
    for name, mark in (("indicator", indicator), ("reference", reference)):
        if not mark.width <= mark.position <= length - mark.width:
            yield Problem(
                path=("marks", name, "position"),
                text=f"is {mark.position} mm, but window[{shortest}] is {length} mm long and a mark of "
                f"{mark.width} mm needs as much membrane on either side; measure from the upstream end",
            )
    apart = abs(indicator.position - reference.position)
    needed = (indicator.width + reference.width) / 2
    if apart <= needed:
        yield Problem(
            path=("marks", "reference", "position"),
            text=f"is {reference.position} mm, but the indicator mark at {indicator.position} mm overlaps "
            f"it; their centre lines must be more than {needed} mm apart",
        )
    if reference.undeveloped_colour == reference.colour:
        yield Problem(
            path=("marks", "reference", "undeveloped_colour"),
            text=f"is {shown(reference.colour)}, but that is the developed mark's colour too; "
            "leave the key out where the starting dye cannot be told from the mark",
        )


def _window_problems(layout: Layout) -> Iterator[Problem]:
    seen: dict[str, int] = {}
    for index, window in enumerate(layout.window):
        first = seen.setdefault(window.id, index)
        if first != index:
            yield Problem(
                path=("window", index, "id"),
                text=f"is {shown(window.id)}, but window[{first}] has that id; give each window its own",
            )
        problem = _place_problem(layout.outline, index, window) or _well_problem(layout, index, window)
        if problem is not None:
            yield problem
        for other in range(index):
            if _overlap(window.corners, layout.window[other].corners):
                yield Problem(
                    path=("window", index, "centre"),
                    text=f"is {shown(window.centre)}, but there the window overlaps window[{other}]; "
                    "check the centre, length, breadth and flow of both",
                )
                break


def _place_problem(outline: Outline, index: int, window: Window) -> Problem | None:
    centre = _outside(outline, window.centre)
    if centre is not None:
        axis, text = centre
        return Problem(path=("window", index, "centre", *axis), text=text)
    for corner in window.corners:
        if _outside(outline, corner) is not None:
            return Problem(
                path=("window", index, "centre"),
                text=f"is {shown(window.centre)}, but there the window's corner at ({corner[0]:.1f}, "
                f"{corner[1]:.1f}) mm leaves the outline of {outline.width} x {outline.height} mm; "
                "check centre, length (along the flow) and breadth (across it)",
            )
    return None


def _well_problem(layout: Layout, index: int, window: Window) -> Problem | None:
    outside = _outside(layout.outline, window.well)
    if outside is not None:
        axis, text = outside
        return Problem(path=("window", index, "well", *axis), text=text)
    for other, rival in enumerate(layout.window):
        if _within(rival, window.well):
            return Problem(
                path=("window", index, "well"),
                text=f"is {shown(window.well)}, but that lies in window[{other}]; "
                "give the middle of the well that the sample is dropped into",
            )
    if _along(window, window.well) >= 0:
        return Problem(
            path=("window", index, "flow"),
            text=f"is {shown(_plain(window.flow))}, but the well at {shown(window.well)} lies downstream; "
            "flow points away from the well",
        )
    return None


def _plain(vector: PointMm) -> PointMm:
    return round(vector[0], 4) + 0.0, round(vector[1], 4) + 0.0


def _along(window: Window, point: PointMm) -> float:
    (x, y), (along_x, along_y) = window.centre, window.flow
    return (point[0] - x) * along_x + (point[1] - y) * along_y


def _within(window: Window, point: PointMm) -> bool:
    (x, y), (along_x, along_y) = window.centre, window.flow
    across = (point[0] - x) * -along_y + (point[1] - y) * along_x
    return abs(_along(window, point)) < window.length / 2 and abs(across) < window.breadth / 2


def _outside(outline: Outline, point: PointMm) -> tuple[tuple[int, ...], str] | None:
    """Why a point is not on the plate: the axis, where one alone is to blame, and the sentence's rest."""
    x, y = point
    for axis, size, wide, left in ((0, outline.width, "wide", "left"), (1, outline.height, "high", "top")):
        if not 0 <= point[axis] <= size:
            found = f"is {point[axis]} mm, but the outline is {size} mm {wide}"
            return (axis,), f"{found}; measure from the plate's {left} edge"
    for corner in get_args(Corner):
        from_side = outline.width - x if corner.endswith("right") else x
        from_end = outline.height - y if corner.startswith("bottom") else y
        radius = outline.corner_radius
        if corner == outline.cut_corner:
            if from_side + from_end < outline.cut_leg:
                return (), f"is {shown(point)}, but the {corner} corner is cut off there"
        elif max(from_side, from_end) < radius and math.hypot(radius - from_side, radius - from_end) > radius:
            return (), f"is {shown(point)}, but the {corner} corner is rounded off there"
    return None


def _overlap(one: tuple[PointMm, ...], other: tuple[PointMm, ...]) -> bool:
    """Whether two rectangles share area: no edge of either separates them (separating axis theorem)."""
    for corners in (one, other):
        for (x0, y0), (x1, y1) in ((corners[0], corners[1]), (corners[1], corners[2])):
            axis = (x1 - x0, y1 - y0)
            ours = [x * axis[0] + y * axis[1] for x, y in one]
            theirs = [x * axis[0] + y * axis[1] for x, y in other]
            slack = 1e-9 * math.hypot(*axis) * LENGTH_MAX_MM  # windows may touch
            if max(ours) <= min(theirs) + slack or max(theirs) <= min(ours) + slack:
                return False
    return True


# ----------------------------------------------------------------------------------------------- rules

AT_LEAST_MAX: Final = 64
NAMED_IN_ROWS: Final = ("analytes", "windows")
TALLIES_MAX: Final = 5000  # of one rules file; the bundled rules have 24

Tally = tuple[int, ...]
Danger = Literal[
    "negligible with an upper finding", "negligible with a failed reference", "never heavy", "never invalid"
]
"""What rules may do only if they say that they mean it: each could let contaminated fuel go."""


class Row(Frozen):
    """One rule: so many marks of a kind make this grade. A row that counts nothing fits every plate.

    Reference marks are counted by their `call`, indicator marks by their `finding`: a mark that is present
    says below cutoff in a competitive assay and above cutoff in a sandwich assay, so that one rules file is
    right for both.
    """

    grade: SettledGrade = Field(description="the grade that this row gives")
    because: SiteSentence = Field(description="what is seen, in words, as the verdict gives it")
    mark: MarkName | None = Field(default=None, description="which marks are counted")
    tier: Tier | None = Field(default=None, description="the windows whose marks are counted; without it all")
    call: tuple[ReferenceCall, ...] | None = Field(
        default=None, min_length=1, description="the calls of a reference mark that count, such as ['absent']"
    )
    finding: Finding | None = Field(default=None, description="the finding of an indicator mark that counts")
    at_least: int = Field(
        default=1, strict=True, ge=1, le=AT_LEAST_MAX, description="how many such marks the row needs"
    )

    @model_validator(mode="after")
    def _counts_one_thing(self) -> Self:
        problem = None
        if self.mark is None:
            extra = sorted(self.model_fields_set & {"tier", "call", "finding", "at_least"})
            if extra:
                text = 'counts nothing without mark; add mark = "indicator" or "reference"'
                problem = Problem(path=(extra[0],), text=text)
        elif self.mark == "reference":
            if self.finding is not None:
                text = "is for indicator marks; count reference marks by call"
                problem = Problem(path=("finding",), text=text)
            elif self.call is None:
                text = 'is missing; say which calls count, such as ["absent"]'
                problem = Problem(path=("call",), text=text)
        elif self.call is not None:
            text = (
                'is for reference marks; count indicator marks by finding ("above cutoff" or "below cutoff")'
            )
            problem = Problem(path=("call",), text=text)
        elif self.finding is None:
            text = 'is missing; write finding = "above cutoff" or "below cutoff"'
            problem = Problem(path=("finding",), text=text)
        if problem is not None:
            raise contradiction(problem)
        return self

    @field_validator("because")
    @classmethod
    def _names_what_is_known(cls, value: str) -> str:
        unknown = [name for name in re.findall(r"\{([^}]*)\}?|\}", value) if name not in NAMED_IN_ROWS]
        if unknown or value.count("{") != value.count("}"):
            text = f"is {shown(value)}, but of words in braces only {{analytes}} and {{windows}} are known"
            raise contradiction(Problem(path=(), text=text))
        return value

    def in_words(self, analytes: str, windows: str) -> str:
        """What is seen, with the names of what the row counts; put behind it where the row has no place for them."""
        if "{" in self.because:
            return self.because.replace("{analytes}", analytes).replace("{windows}", windows)
        return (
            f"{self.because} ({analytes or windows})" if self.mark is not None and windows else self.because
        )

    def counts(self, mark: MarkName, tier: Tier, outcome: ReferenceCall | Finding) -> bool:
        """Whether the row counts a mark of this tier with this call (reference) or finding (indicator)."""
        if self.mark != mark or (self.tier is not None and self.tier != tier):
            return False
        return outcome in (self.call or ()) if mark == "reference" else outcome == self.finding


class Rules(SettingsFile):
    """Which calls make which grade: rows tried from the top, the first that fits decides."""

    kind: ClassVar[str] = "rules"
    rules: Label = Field(description="the rules' name")
    reading_age: Literal["may be unknown", "must be known"] = Field(
        default="may be unknown", description="whether a plate of unknown reading age gets a grade"
    )
    expired_plate: Literal["invalid", "warning"] = Field(
        default="invalid", description="what a plate past its expiry is: invalid, or graded with a warning"
    )
    departure: Literal["invalid", "warning"] = Field(
        default="invalid",
        description="what a departure that the procedure calls invalid does: invalid, or graded with a warning",
    )
    camera_zone: Label | None = Field(
        default=None, description="zone of cameras that write no offset, such as 'Europe/Lisbon' or '+02:00'"
    )
    deliberately: tuple[Danger, ...] = Field(
        default=(), description="what these rules do that others may not, in words, such as ['never heavy']"
    )
    row: tuple[Row, ...] = Field(min_length=1, max_length=64, description="one table [[row]] for each rule")

    @field_validator("camera_zone")
    @classmethod
    def _is_a_zone(cls, value: str | None) -> str | None:
        if value is not None:
            try:
                load_zone(value, "rules")
            except LinecallError as error:
                raise contradiction(Problem(path=(), text=f"cannot be so: {error}")) from None
        return value

    @property
    def nothing(self) -> Tally:
        """The tally of no marks."""
        return (0,) * len(self.row)

    def add(self, tally: Tally, mark: MarkName, tier: Tier, outcome: ReferenceCall | Finding) -> Tally:
        """The tally with one more mark: each row's count of marks, kept no higher than the row needs."""
        return tuple(
            [
                count + 1 if count < row.at_least and row.counts(mark, tier, outcome) else count
                for row, count in zip(self.row, tally, strict=True)
            ]
        )

    def deciding(self, tally: Tally) -> int | None:
        """Index of the first row that fits the tally."""
        for index, (row, count) in enumerate(zip(self.row, tally, strict=True)):
            if row.mark is None or count >= row.at_least:
                return index
        return None

    @model_validator(mode="after")
    def _decide_every_plate(self) -> Self:
        problems = list(_rule_problems(self))
        if problems:
            raise contradiction(*problems)
        return self


_Plate = tuple[Tally, bool, bool]
"""What rules count on a plate; whether an upper-tier indicator is above its cutoff; whether a reference failed."""

REFERENCE_CALLS: Final[tuple[ReferenceCall, ...]] = ("present", "absent", "undeveloped")
FINDINGS: Final[tuple[Finding, ...]] = ("below cutoff", "above cutoff")


def _rule_problems(rules: Rules) -> Iterator[Problem]:
    """Walk every tally that any plate can give, growing plates window by window until nothing new comes."""
    kinds = [(tier, call, finding) for tier in TIERS for call in REFERENCE_CALLS for finding in FINDINGS]
    reached: dict[_Plate, str] = {}
    used: set[int] = set()
    dangers: dict[Danger, str] = {}
    newest: dict[_Plate, tuple[str, ...]] = {(rules.nothing, False, False): ()}
    while newest:
        grown: dict[_Plate, tuple[str, ...]] = {}
        for (tally, upper, failed), windows in newest.items():
            for tier, call, finding in kinds:
                after = (
                    rules.add(rules.add(tally, "reference", tier, call), "indicator", tier, finding),
                    upper or (tier, finding) == ("upper", "above cutoff"),
                    failed or call != "present",
                )
                if after in reached or after in grown:
                    continue
                grown[after] = (*windows, f"{tier} window: reference {call}, indicator {finding}")
        for plate, windows in grown.items():
            tally, upper, failed = plate
            reached[plate] = "; ".join(windows)
            index = rules.deciding(tally)
            if index is None:
                yield Problem(
                    path=("row",),
                    text=f"has no row for a plate of this kind ({reached[plate]}); "
                    "add a last row with grade and because alone, for all other plates",
                )
                return
            used.add(index)
            if rules.row[index].grade == "negligible" and upper:
                dangers.setdefault("negligible with an upper finding", reached[plate])
            if rules.row[index].grade == "negligible" and failed:
                dangers.setdefault("negligible with a failed reference", reached[plate])
        if len({tally for tally, _, _ in reached}) > TALLIES_MAX:
            yield Problem(
                path=("row",),
                text=f"makes more than {TALLIES_MAX} counts to tell apart; use fewer rows, smaller numbers",
            )
            return
        newest = grown
    for index in range(len(rules.row)):
        if index not in used:
            yield Problem(
                path=("row", index),
                text="never decides: the rows above it fit every plate that it fits; move it up or remove it",
            )
    given = {rules.row[index].grade for index in used}
    if "heavy" not in given:
        dangers["never heavy"] = "whatever the plate shows"
    if "invalid" not in given:
        dangers["never invalid"] = "whatever the plate shows"
    yield from _undeclared(rules, dangers)


def _undeclared(rules: Rules, dangers: dict[Danger, str]) -> Iterator[Problem]:
    """What the rules do that they do not say in words, and what they say and do not do."""
    for danger, example in dangers.items():
        if danger not in rules.deliberately:
            yield Problem(
                path=("row",),
                text=f"can let contaminated fuel go: {danger} ({example}); change the rows, or write "
                f'deliberately = ["{danger}"] if that is meant',
            )
    for index, said in enumerate(rules.deliberately):
        if said not in dangers:
            yield Problem(
                path=("deliberately", index), text=f"is {shown(said)}, but no plate shows that; remove it"
            )


# ------------------------------------------------------------------------------------ thresholds, texts


class Thresholds(SettingsFile):
    """What a line must show to be called: error costs and looks. A validation run could change them."""

    kind: ClassVar[str] = "thresholds"
    thresholds: Label = Field(description="the thresholds' name")
    false_calls_per_plate: Number = Field(
        gt=0, lt=0.5, description="chance of one false call on a whole plate, such as 0.01"
    )
    faintest_line: Number = Field(
        gt=0, le=1, description="height, in absorbance, of the faintest line that must not be called absent"
    )
    missed_lines: Number = Field(
        gt=0, lt=0.5, description="chance that such a line is called absent all the same, such as 0.006"
    )
    width_ratio_min: Number = Field(gt=0, le=1, description="narrowest line, as a share of the mark's width")
    width_ratio_max: Number = Field(ge=1, le=20, description="broadest line, in widths of the mark")
    position_tolerance_mm: Length = Field(description="how far a line may lie from the mark's place, mm")
    straightness_mm: Length = Field(description="how far a line may stray from straight, rms, mm")
    span_min: StrictShare = Field(description="share of the breadth that a line must cross, 0 to 1")
    dye_angle_max_deg: Number = Field(
        gt=0, le=90, description="angle between the line's colour and the dye's, degrees"
    )
    min_px_per_mark_width: Number = Field(gt=0, le=1000, description="fewest pixels over a mark's width")
    max_blur: Number = Field(gt=0, le=10, description="largest blur (sigma), as a share of the mark's width")
    evidence: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")] | None = Field(
        default=None, description="SHA-256 of the report that these limits were proposed by, 64 hex digits"
    )


class NextSteps(Frozen):
    """What the site does next, one line for each grade, and for what else a reading may show."""

    negligible: SiteSentence = Field(description="what follows a negligible grade")
    moderate: SiteSentence = Field(description="what follows a moderate grade")
    heavy: SiteSentence = Field(description="what follows a heavy grade")
    invalid: SiteSentence = Field(description="what follows a plate that did not work")
    undecided: SiteSentence = Field(description="what follows where a doubt decides between grades")
    refused: SiteSentence = Field(description="what follows a photo that gets no verdict")
    early: SiteSentence = Field(description="what follows a photo taken before the reading range")
    late: SiteSentence = Field(description="what follows a photo taken after the reading range")
    implausible: SiteSentence = Field(
        description="what follows where an analyte's tiers contradict each other"
    )
    times: SiteSentence = Field(  # files of before it was asked for have none
        default="No statement on the fuel: find the right times and read the photo again with them, "
        "else repeat with a new plate; do not release on it.",
        description="what follows where the times contradict each other, or lack though the rules ask for them",
    )


class Texts(SettingsFile):
    """What the site wants said beside a grade: its own procedure, never a dose and never a certificate."""

    kind: ClassVar[str] = "texts"
    texts: Label = Field(description="the texts' name")
    next_step: NextSteps = Field(description="the table [next_step]")


# --------------------------------------------------------------------------------------------- loading

File = TypeVar("File", bound=SettingsFile)

# Of bundled files as earlier versions of linecall brought them; a file that is changed leaves its hash here.
FORMER: Final[dict[tuple[str, str], tuple[str, ...]]] = {
    ("thresholds", "standard"): (
        "350ea568eb2bac88eb1c744c7214ddc1d2fd3d75e249b2d803b0e4553e47f77b",
        "fb5f156cd18300b063b8ab9e8410f73f19a70589b0f49eb50bfd97085deacde0",
        "96c16fcfe5b3a2fe6b06654eca86f9ea2c0bfe3e75aeb67c88e06d3213f96848",
        "fd772c90e3758c3404c6b9f291717fc04865927baa9d946ad168f6a2a52bbdc7",
    ),
    ("texts", "standard"): (
        "0f68d49f4e9b800860bd088252db4d3655c99641291b676f424ca7cdbd842361",
        "9a041cbfcef6203b7a071aeaaed5812a371c39cbdf27c9e91c48b7384f784dca",
    ),
    ("rules", "two-tier"): ("e072d2338231d742c4a15db8508735f314b5a6a80dfab16a3e0fd53e42191ee1",),
    ("policy", "standard"): ("44816b0bd5a733b5511c4c5f701e17d91c9b77b1ccaa0d9b7ad6f992ac60868f",),
    ("control", "standard"): ("7794c01b2948a296021fff3e9f73a318830b13e17289fddf9c36a0de7865f101",),
    ("quiz", "even"): ("a99f822e42638ad45a427bcd76e6619e7924a19cac84b0a185efca41efc9e0d2",),
    ("quiz", "faint"): ("d9eb07b26bfb14de14d5cb1605713acbc2dc17775a628b0196c6dfb135850d6a",),
}
_KINDS: Final = (
    "layout",
    "rules",
    "thresholds",
    "texts",
    "policy",
    "consensus",
    "strength",
    "quiz",
    "costs",
    "control",
    "site",
    "procedure",
)


def load_layout(source: str | Path) -> Layout:
    """Read a bundled layout by its name, or a TOML file by its path; raises SettingsError."""
    return load_settings_file(Layout, source)


def load_rules(source: str | Path = "two-tier") -> Rules:
    """Read bundled rules by their name, or a TOML file by its path; raises SettingsError."""
    return load_settings_file(Rules, source)


def load_thresholds(source: str | Path = "standard") -> Thresholds:
    """Read bundled thresholds by their name, or a TOML file by its path; raises SettingsError."""
    return load_settings_file(Thresholds, source)


def load_texts(source: str | Path = "standard") -> Texts:
    """Read bundled texts by their name, or a TOML file by its path; raises SettingsError."""
    return load_settings_file(Texts, source)


def bundled_layouts() -> tuple[Layout, ...]:
    """All layouts that come with linecall, by name."""
    return tuple(load_settings_file(Layout, name) for name in bundled_names("layout"))


def bundled_names(kind: str) -> list[str]:
    """Names of the bundled files of a kind: layout, rules, thresholds, texts or policy."""
    return sorted(path.stem for path in _folder(kind).glob("*.toml"))


def settings_path(kind: str, source: str | Path) -> Path:
    """The file that a bundled name or a path stands for; raises SettingsError where a name is not bundled."""
    path = Path(source)
    if isinstance(source, Path) or path.suffix.lower() == ".toml" or path.name != source:
        return path
    names = bundled_names(kind)
    if source not in names:
        remedy = did_you_mean(source, names) or "; give the path of a file of your own, ending in .toml"
        raise SettingsError(f"{kind} {shown(source)} is not one of {', '.join(names)}{remedy}")
    return _folder(kind) / f"{source}.toml"


def _folder(kind: str) -> Path:
    return DATA / ("layouts" if kind == "layout" else kind)


def load_settings_file(model: type[File], source: str | Path, *, any_name: bool = False) -> File:
    """Read a bundled file of the model's kind by its name, or any by its path; raises SettingsError.

    any_name : take a file of somebody's own that has a bundled one's name, too; for what is then compared by its hash.
    """
    path = settings_path(model.kind, source)
    value, data = read_toml(path, model)
    _remember(value, data)
    if not any_name and value.own_file:
        _check_own_name(value, path)
    return value


def parse_settings(model: type[File], data: bytes) -> File:
    """A settings file from bytes that were kept. Raises ValueError where this linecall does not take them."""
    return cast(File, _parsed(model, data))


@lru_cache(maxsize=32)
def _parsed(model: type[SettingsFile], data: bytes) -> SettingsFile:
    """The model of kept bytes; frozen, so that one serves all who ask for the same bytes again."""
    value = model.model_validate(tomllib.loads(data.decode("utf-8-sig")))
    _remember(value, data)
    return value


def _remember(value: SettingsFile, data: bytes) -> None:
    value._data = data
    value._sha256 = hashlib.sha256(data).hexdigest()


def _check_own_name(value: SettingsFile, path: Path) -> None:
    """Raise SettingsError where a file that says something else has, or seems to have, the name of a bundled one."""
    from reader.words.names import folded  # looks letters up in a large table

    for name in bundled_names(value.kind):
        if folded(name) != folded(value.name):
            continue
        if value.model_dump() != load_settings_file(type(value), name).model_dump():
            raise SettingsError(
                f"{path}: {value.kind} is {shown(value.name)}, but that name is kept for the file that linecall "
                f"brings, and this one says something else (SHA-256 {value.sha256[:12]}); give it a name of its own"
            )


def is_own_file(kind: str, name: str, sha256: str) -> bool:
    """Whether a file of this hash is none that comes with linecall under that name, or came with an earlier one."""
    return sha256 not in (*_bundled_hashes(kind, name), *FORMER.get((kind, name), ()))


@cache
def _bundled_hashes(kind: str, name: str) -> tuple[str, ...]:
    path = _folder(kind) / f"{name}.toml"
    if name not in bundled_names(kind):  # also keeps a name from leading elsewhere
        return ()
    return (hashlib.sha256(path.read_bytes()).hexdigest(),)
