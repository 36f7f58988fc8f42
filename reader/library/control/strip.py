"""The control strip that a site keeps: what is measured on each photo of it, and the chart that its photos make.

A photo counts with one number: the mean height of the same marks on every photo, whatever they are called there.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import sqrt
from statistics import fmean
from typing import Any, Final, Literal, TypeVar

from pydantic import BaseModel, Field, ValidationError

from reader.errors import LinecallError
from reader.library.control.rules import (
    ControlRules,
    Limits,
    RunRule,
    Side,
    limits_of,
    moving_ranges,
    signals,
)
from reader.library.examples import MARKS, ExamplePhoto
from reader.verdict.model import Mark, PhotoRecord, SettingsRecord, Verdict
from reader.verdict.statement import Name, Note
from reader.words import Call, MarkKey, MarkName, did_you_mean
from reader.words.fields import AwareMoment, Frozen, Id
from reader.words.sayings import Said, Sayings

TimeSource = Literal["photo", "photo, offset assumed", "stated", "unknown"]
"""Where a point's time is from; of a photo without an offset, the computer's was taken; unknown: when it was added."""
ChartState = Literal["in control", "out of control", "too few photos", "no spread"]

FUTURE_MAX: Final = timedelta(
    days=1
)  # a camera set to another time zone is up to 26 h ahead, usually far less
VALUES_TOLD: Final = 5  # in the sentence on a rule
DECIMALS: Final = 5  # of heights on a chart; its sigma may be some 0.0001


class ControlError(LinecallError):
    """There is no such chart or point, or it cannot be so; nothing was changed."""


class NotChartedError(ControlError):
    """A photo that the chart cannot take; nothing was changed."""


class MarkHeight(Frozen):
    """What one photo shows of one mark; absorbance, 1 sigma."""

    window: str
    mark: MarkName
    height: float
    standard_error: float | None
    call: Call

    @property
    def key(self) -> MarkKey:
        """Which mark."""
        return self.window, self.mark


class Conditions(Frozen):
    """What a photo was measured by, as far as its verdict knows; a change of it may be what a chart shows."""

    linecall: str
    layout: SettingsRecord
    thresholds: SettingsRecord
    camera: str

    def unlike(self, other: "Conditions") -> tuple[str, ...]:
        """What is not as in the other, in words."""
        mine, theirs = self._words(), other._words()
        return tuple(
            f"{what} {words}, before {theirs[what]}" for what, words in mine.items() if words != theirs[what]
        )

    def _words(self) -> dict[str, str]:
        settings = {"layout": self.layout, "thresholds": self.thresholds}
        return {
            "linecall": self.linecall,
            **{
                kind: f"{one.name} revision {one.revision} ({one.sha256[:12]})"
                for kind, one in settings.items()
            },
            "photo": self.camera,
        }


class SetAside(Frozen):
    """A point that counts no longer: who has said so, when and why."""

    at: AwareMoment
    by: Name
    reason: Note


class ControlPoint(Frozen):
    """One photo of the strip. baseline : the id of the one that it was added to."""

    id: Id
    baseline: Id
    photo: ExamplePhoto
    taken_at: AwareMoment
    taken_from: TimeSource
    added_at: AwareMoment
    by: Name | None = None
    note: Note | None = None
    heights: tuple[MarkHeight, ...] = Field(min_length=1)
    made: Conditions
    set_aside: SetAside | None = None

    @property
    def value(self) -> float:
        """The number that is charted: the marks' mean height, absorbance."""
        return fmean(one.height for one in self.heights)

    @property
    def standard_error(self) -> float | None:
        """Of the value, as if the marks' errors were independent; None where one is not known."""
        errors = [one.standard_error for one in self.heights if one.standard_error is not None]
        if len(errors) < len(self.heights):
            return None
        return sqrt(sum(error**2 for error in errors)) / len(errors)

    @property
    def not_present(self) -> tuple[MarkHeight, ...]:
        """Marks that are measured but not called present: they count all the same."""
        return tuple(one for one in self.heights if one.call != "present")


class Baseline(Frozen):
    """Where a chart, or a new part of it, begins: by what, with which marks of which layout, and why."""

    id: Id
    strip: Name
    begun_at: AwareMoment
    by: Name | None = None
    reason: Note | None = None
    layout: SettingsRecord
    marks: tuple[MarkKey, ...] = Field(min_length=1)
    control: SettingsRecord


Model = TypeVar("Model", bound=BaseModel)


def checked(model: type[Model], **fields: Any) -> Model:
    """A model of what was typed. Raises ControlError, one line, if a field cannot be so."""
    try:
        return model(**fields)
    except ValidationError as error:
        details = error.errors(include_url=False)[0]
        where, found = ".".join(map(str, details["loc"])), repr(details["input"])
        shown = found if len(found) <= 60 else f"{found[:57]}..."
        message = details["msg"].removeprefix("Value error, ")
        raise ControlError(
            f"{where.replace('_', ' ')} is {shown}: {message[:1].lower()}{message[1:]}"
        ) from None


# --- measuring --------------------------------------------------------------------------------------------------


def mark_words(key: MarkKey) -> str:
    """Such as `1 indicator`."""
    return " ".join(key)


def parse_marks(text: str) -> tuple[MarkKey, ...]:
    """Marks as they are typed, such as `1 indicator, 1 reference`. Raises ControlError."""
    found: list[MarkKey] = []
    for part in text.split(","):
        window, _, mark = part.strip().rpartition(" ")
        named = next((known for known in MARKS if known == mark), None)
        if named is None or not window.strip():
            raise ControlError(
                f"{part.strip()!r} is no mark; write its window and indicator or reference, such as "
                "--marks '1 indicator,1 reference'"
            )
        if (window.strip(), named) in found:
            raise ControlError(f"mark {part.strip()!r} is named twice; name each once")
        found.append((window.strip(), named))
    return tuple(found)


def present_marks(verdict: Verdict) -> tuple[MarkKey, ...]:
    """Every mark that is called present. Raises NotChartedError if there is none."""
    found = tuple(key for key, mark in _marks(verdict).items() if mark.call == "present")
    if not found:
        raise NotChartedError(
            f"{verdict.photo.name}: no mark is called present, so there is none to follow; "
            "photograph a strip with lines, or name marks with --marks"
        )
    return found


def measure(verdict: Verdict, marks: Sequence[MarkKey], layout: str) -> tuple[MarkHeight, ...]:
    """The heights of a chart's marks on a photo that was read.

    Raises NotChartedError if the plate is of another layout, or one of the marks has no height.
    """
    name, there = verdict.photo.name, _marks(verdict)
    if verdict.layout is None:
        raise NotChartedError(f"{name}: refused: {verdict.reason}; {verdict.remedy}")
    if verdict.layout.name != layout:
        raise NotChartedError(
            f"{name}: shows a plate of layout {verdict.layout.name}, but the strip is of layout {layout}; "
            "photograph the strip itself, or name its chart with --strip"
        )
    found = []
    for window, which in marks:
        mark, words = there.get((window, which)), mark_words((window, which))
        if mark is None:
            raise NotChartedError(
                f"{name}: has no mark {words}{did_you_mean(words, list(map(mark_words, there)))}"
            )
        if mark.height is None:
            raise NotChartedError(
                f"{name}: mark {words} has no height ({', '.join(mark.flags)}), and the chart follows the same "
                "marks on every photo; photograph the strip again with every window in view"
            )
        found.append(
            MarkHeight(
                window=window,
                mark=which,
                height=mark.height,
                standard_error=mark.standard_error,
                call=mark.call,
            )
        )
    return tuple(found)


def _marks(verdict: Verdict) -> dict[MarkKey, Mark]:
    return {(window.id, mark): getattr(window, mark) for window in verdict.windows for mark in MARKS}


def conditions(verdict: Verdict) -> Conditions:
    """What a photo that was read was measured by."""
    assert verdict.layout is not None, "a plate that was read has a layout"
    assert verdict.thresholds is not None, "a plate that was read has thresholds"
    layout = verdict.layout
    return Conditions(
        linecall=verdict.software.version,
        layout=SettingsRecord(name=layout.name, revision=layout.revision, sha256=layout.sha256),
        thresholds=verdict.thresholds,
        camera=_camera_words(verdict.photo),
    )


def _camera_words(photo: PhotoRecord) -> str:
    """What a verdict knows of the camera: its pictures' size, encoding and quality, and no more."""
    long, short = sorted((photo.width or 0, photo.height or 0), reverse=True)
    told = [f"{long} x {short} px", photo.encoding or "", photo.chroma_subsampling or ""]
    if photo.jpeg_quality is not None:
        told.append(f"JPEG quality {photo.jpeg_quality}")
    return ", ".join(filter(None, told))


def time_taken(photo: PhotoRecord, *, stated: datetime | None, now: datetime) -> tuple[datetime, TimeSource]:
    """When a photo was taken, and where that is from; a time without an offset has this computer's.

    Raises NotChartedError if it lies in the future.
    """
    source: TimeSource = "unknown"
    at = now
    try:
        if stated is not None:
            at, source = stated if stated.tzinfo else stated.astimezone(), "stated"
        elif photo.captured_at is not None and photo.captured_offset_known:
            at, source = photo.captured_at, "photo"
        elif photo.captured_at is not None:
            at, source = photo.captured_at.astimezone(), "photo, offset assumed"
    except (ValueError, OverflowError, OSError):  # years that this computer's calendar does not reach
        raise NotChartedError(
            f"{photo.name}: was taken at {stated or photo.captured_at}, which is no time of a photo; give it with --at"
        ) from None
    if at - now > FUTURE_MAX:
        raise NotChartedError(
            f"{photo.name}: was taken at {moment_words(at)}, which is still to come; set the camera's clock, and "
            "give the true time with --at"
        )
    return at.replace(microsecond=0), source


# --- the chart --------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, slots=True)
class Broken:
    """A rule that a point breaks: `at` and `beyond` are places in the part's points, `rule` its number, from 1."""

    at: int
    rule: int
    side: Side
    beyond: tuple[int, ...]
    sentence: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Part:
    """A chart from one baseline to the next.

    points : in the order they were taken, also those set aside. resting : places of those that the limits rest on,
    or will. limits : None while there are too few. ranges : by place, of points that count and have one before them.
    jumps : places whose range is beyond its limit.
    """

    baseline: Baseline
    rules: ControlRules
    points: tuple[ControlPoint, ...]
    resting: tuple[int, ...]
    limits: Limits | None
    ranges: Mapping[int, float]
    broken: tuple[Broken, ...]
    jumps: tuple[int, ...]

    @property
    def counting(self) -> tuple[int, ...]:
        """Places of the points that were not set aside."""
        return _counting(self.points)

    @property
    def state(self) -> ChartState:
        """How it stands with the last point that counts."""
        if self.limits is None:
            return "too few photos"
        if self.limits.flat:
            return "no spread"
        return "out of control" if self.broken_at(self.counting[-1]) else "in control"

    def broken_at(self, place: int) -> tuple[Broken, ...]:
        """The rules that one point breaks."""
        return tuple(one for one in self.broken if one.at == place)


@dataclass(frozen=True, kw_only=True, slots=True)
class ControlChart:
    """All parts of a strip's chart that have points, and the last one in any case."""

    strip: str
    parts: tuple[Part, ...]

    @property
    def now(self) -> Part:
        """The part that the next photo comes to."""
        return self.parts[-1]

    def signals(self, added: Sequence[str]) -> tuple[Broken, ...]:
        """Rules broken by the last point that counts, or by points that were just added.

        Those that the limits rest on are judged by limits of their own making, so they are told in `resting`.
        """
        part = self.now
        places = {place for place, point in enumerate(part.points) if point.id in added} - set(part.resting)
        return tuple(one for one in part.broken if one.at in places or one.at == part.counting[-1])

    def resting(self, added: Sequence[str]) -> tuple[Broken, ...]:
        """Rules broken by other points that the limits rest on: told with those, and where nothing was added."""
        part, signals = self.now, self.signals(added)
        rests = {part.points[place].id for place in part.resting}
        if added and not rests.intersection(added):
            return ()
        return tuple(one for one in part.broken if one.at in part.resting and one not in signals)

    def jumps(self, added: Sequence[str]) -> tuple[int, ...]:
        """Places of points just added whose moving range is beyond its limit and that break no rule."""
        part = self.now
        return tuple(
            place for place in part.jumps if part.points[place].id in added and not part.broken_at(place)
        )

    def state_with(self, added: Sequence[str]) -> ChartState:
        """How it stands, also with points that were just added."""
        return "out of control" if self.signals(added) else self.now.state


def control_chart(
    strip: str, baselines: Sequence[tuple[Baseline, ControlRules]], points: Sequence[ControlPoint]
) -> ControlChart:
    """The chart of a strip. baselines, points : in the order they were added."""
    parts = [
        part_of(baseline, rules, [point for point in points if point.baseline == baseline.id])
        for baseline, rules in baselines
    ]
    return ControlChart(strip=strip, parts=tuple(part for part in parts if part.points or part is parts[-1]))


def part_of(baseline: Baseline, rules: ControlRules, points: Sequence[ControlPoint]) -> Part:
    """One part of a chart. points : in the order they were added.

    The limits rest on the first that were added and count, so that a photo added late does not move them.
    """
    ordered = tuple(sorted(points, key=lambda point: point.taken_at))  # stable: equal times stay as added
    counting = _counting(ordered)
    first = [point.id for point in points if point.set_aside is None][: rules.baseline]
    resting = tuple(place for place in counting if ordered[place].id in first)
    values = [ordered[place].value for place in counting]
    ranges = dict(zip(counting[1:], moving_ranges(values), strict=True)) if counting else {}
    limits = None
    if len(resting) == rules.baseline:
        limits = limits_of([ordered[place].value for place in resting])
    usable = limits is not None and not limits.flat
    return Part(
        baseline=baseline,
        rules=rules,
        points=ordered,
        resting=resting,
        limits=limits,
        ranges=ranges,
        broken=_broken(ordered, counting, limits, rules.rule) if limits and usable else (),
        jumps=tuple(place for place, moved in ranges.items() if moved > limits.range_upper)
        if limits and usable
        else (),
    )


def _counting(points: Sequence[ControlPoint]) -> tuple[int, ...]:
    return tuple(place for place, point in enumerate(points) if point.set_aside is None)


def _broken(
    points: Sequence[ControlPoint], counting: Sequence[int], limits: Limits, rules: Sequence[RunRule]
) -> tuple[Broken, ...]:
    values = [points[place].value for place in counting]
    return tuple(
        Broken(
            at=counting[one.at],
            rule=rules.index(one.rule) + 1,
            side=one.side,
            beyond=tuple(counting[k] for k in one.beyond),
            sentence=_sentence(
                points[counting[one.at]], [values[k] for k in one.beyond], one.rule, one.side, limits
            ),
        )
        for one in signals(values, limits, rules)
    )


# --- words ------------------------------------------------------------------------------------------------------


def height_words(height: float) -> str:
    """Such as `0.12340`."""
    return f"{height:.{DECIMALS}f}"


def moment_words(moment: datetime) -> str:
    """Such as `2026-05-04 09:08+02:00`."""
    return moment.isoformat(sep=" ", timespec="minutes")


def rule_words(rule: RunRule) -> str:
    """What a rule says is out of control, such as `2 of 3 photos more than 2 sigma on one side of the centre`."""
    place = "on one side of the centre" if rule.of > 1 else "from the centre"
    how_far = f"more than {rule.beyond:g} sigma " if rule.beyond else ""
    if rule.of == 1:
        return f"1 photo {how_far}{place}"
    many = (
        f"{rule.of} photos in a row"
        if rule.points == rule.of
        else f"{rule.points} of {rule.of} photos in a row"
    )
    return f"{many} {how_far}{place}"


def _sentence(point: ControlPoint, beyond: Sequence[float], rule: RunRule, side: Side, limits: Limits) -> str:
    """Such as `a.jpg, 0.10120, lies 2.4 sigma below the centre, 0.12340; 2 of the last 3 lie more than 2 sigma ...`."""
    far = abs(limits.distance(point.value))
    lies = (
        f"{point.photo.name}, {height_words(point.value)}, lies {far:.1f} sigma {side} the centre, "
        f"{height_words(limits.centre)}"
    )
    if rule.of == 1:
        return f"{lies}; more than {rule.beyond:g} is out of control"
    which = "all of the last" if len(beyond) == rule.of else f"{len(beyond)} of the last"
    how_far = f"more than {rule.beyond:g} sigma " if rule.beyond else ""
    of_them = f" ({', '.join(map(height_words, beyond))})" if len(beyond) <= VALUES_TOLD else ""
    return f"{lies}; {which} {rule.of} lie {how_far}{side} it{of_them}"


def told(broken: Sequence[Broken]) -> tuple[tuple[int, str], ...]:
    """Rule and sentence for each point that breaks any: of several the first, and the numbers of the others."""
    by_point: dict[int, list[Broken]] = {}
    for one in broken:
        by_point.setdefault(one.at, []).append(one)
    found = []
    for first, *others in by_point.values():
        numbers = " and ".join(str(one.rule) for one in others)
        too = f"; rule{'s' * (len(others) > 1)} {numbers} too" if others else ""
        found.append((first.rule, first.sentence + too))
    return tuple(found)


def distance_words(limits: Limits, value: float) -> str:
    """How many sigma a value lies from the centre, such as `-1.2`."""
    return f"{round(limits.distance(value), 1) + 0.0:+.1f}"  # + 0.0: no negative zero


SAYS: Final = Sayings(
    "chart",
    {
        "too_few": "{n} of {needed} photos that the limits need; nothing is judged yet: photograph the strip "
        "again and again, each time set up anew, and add each photo",
        "no_spread": "all {needed} photos of the baseline have the height {centre}: without a moving range no limits "
        "can be drawn; take photos of the strip one by one, each set up anew, and begin anew",
        "stands": "{state}: centre {centre}, limits {lower} to {upper}, sigma {sigma}, from {n} photos",
        "in_control": "in control",
        "out_of_control": "out of control",
    },
)
"""How a chart stands."""


def state_said(part: Part, state: ChartState) -> Said:
    """How a chart stands, in a sentence."""
    limits, needed = part.limits, part.rules.baseline
    if limits is None:
        return SAYS("too_few", n=len(part.resting), needed=needed)
    centre = height_words(limits.centre)
    if state == "no spread":
        return SAYS("no_spread", needed=needed, centre=centre)
    return SAYS(
        "stands",
        state=SAYS(state.replace(" ", "_")),
        centre=centre,
        lower=height_words(limits.lower),
        upper=height_words(limits.upper),
        sigma=height_words(limits.sigma),
        n=limits.n,
    )
