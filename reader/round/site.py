"""A site in one file: tanks, sample points, plate lots, zone and follow-up plan, read from TOML into typed values.

The site gives names, dates and intervals; what a departure is called and does stands in the procedure and the rules.
"""

import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Annotated, Any, ClassVar, Final, Self

from pydantic import (
    AfterValidator,
    Field,
    PrivateAttr,
    ValidationError,
    ValidatorFunctionWrapHandler,
    model_validator,
)
from pydantic_core import InitErrorDetails, PydanticCustomError

from reader.errors import LinecallError, SettingsError
from reader.round.plan import FollowUpRow, PlanAction, plan_problems
from reader.settings.toml_file import Problem, contradiction
from reader.settings.values import ONE_LINE, Label, SettingsFile, load_layout, load_settings_file
from reader.words import Grade, closest, did_you_mean, shown
from reader.words.clock import Zone, load_zone
from reader.words.fields import Frozen
from reader.words.sayings import Sayings

INTERVAL_MAX_DAYS: Final = 3660.0  # ten years; beyond it the number is in another unit
VOLUME_MAX_L: Final = 1e9  # a million cubic metres, more than the largest tank farm's tank
POINTS_MAX: Final = 2000

SAYS: Final = Sayings(
    "site",
    {
        "no_point": "site {site} has no sample point {point}; it has {points}",
        "no_point_but": 'site {site} has no sample point {point}; did you mean "{meant}"?',
        "no_lot": "site {site} has no plate lot {lot}; enter it as a table [[lot]] in the site file",
        "no_lot_but": 'site {site} has no plate lot {lot}; did you mean "{meant}"?',
    },
)
"""What a site does not have."""
_SHORT: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,15}")


def _short_id(text: str) -> str:
    if not _SHORT.fullmatch(text):
        problem = f"is {shown(text)}, but must be 1 to 16 letters, digits and hyphens, to fit on a label"
        raise contradiction(Problem(path=(), text=problem))
    return text


ShortId = Annotated[str, AfterValidator(_short_id)]
"""An id short enough for a label: up to 16 letters (without accents), digits and hyphens."""
Line = Annotated[str, Field(min_length=1, max_length=200, pattern=ONE_LINE)]
Days = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=INTERVAL_MAX_DAYS)]


def _day(text: str) -> str:
    return _dated(text, r"\d{4}-\d\d-\d\d", "a date, such as '2026-10-05'")


def _printed(text: str) -> str:
    return _dated(text, r"\d{4}-\d\d(-\d\d)?", "a date or a month, such as '2027-03-31' or '2027-03'")


def _dated(text: str, pattern: str, expected: str) -> str:
    try:
        if re.fullmatch(pattern, text, re.ASCII):
            date.fromisoformat(text if len(text) > 7 else f"{text}-01")
            return text
    except ValueError:
        pass
    raise contradiction(Problem(path=(), text=f"is {shown(text)}, but must be {expected}"))


Day = Annotated[str, AfterValidator(_day)]
Printed = Annotated[str, AfterValidator(_printed)]


class Intervals(Frozen):
    """Days from a reading to the next one that is due, by the reading's grade; None: what stands above it says it."""

    negligible: Days | None = Field(
        default=None, description="days to the next test after a negligible grade"
    )
    moderate: Days | None = Field(default=None, description="days to the next test after a moderate grade")
    heavy: Days | None = Field(default=None, description="days to the next test after a heavy grade")
    invalid: Days | None = Field(default=None, description="days to the next test after an invalid plate")
    undecided: Days | None = Field(default=None, description="days to the next test after an undecided grade")

    def of(self, grade: Grade) -> float | None:
        """Days after a grade; None where this table does not say."""
        found: float | None = getattr(self, grade)
        return found


class Tank(Frozen):
    """A tank: what it holds, how much, and who answers for it."""

    id: ShortId = Field(description="the tank's short id, such as T1")
    name: Label = Field(description="what the tank is called")
    fuel: Label = Field(description="what it holds, such as marine diesel")
    volume_l: float = Field(
        strict=True, allow_inf_nan=False, gt=0, le=VOLUME_MAX_L, description="how much it holds, litres"
    )
    responsible: Label = Field(description="who answers for it")
    note: Line | None = Field(default=None, description="anything else that should be known")


class SamplePoint(Frozen):
    """Where a tank is sampled, how, and how often."""

    id: ShortId = Field(description="the point's short id, such as T1-drain")
    tank: ShortId = Field(description="id of its tank")
    name: Label = Field(description="what the point is called")
    where: Line = Field(description="where the sample is drawn, such as the lowest point")
    how: Line = Field(description="how it is drawn")
    responsible: Label | None = Field(
        default=None, description="who answers for it, if not for the whole tank"
    )
    interval_days: Intervals = Field(
        default=Intervals(), description="a table of days by grade, where other than the site's"
    )
    note: Line | None = Field(default=None, description="anything else that should be known")


class PlateLot(Frozen):
    """A lot of plates: their layout, until when they may be used, and since when they are recalled, if they are."""

    id: Label = Field(description="the lot as it is printed on the plates")
    layout: Label = Field(description="the plates' layout: a bundled name, or a TOML file beside the site's")
    expiry: Printed = Field(description="the expiry as it is printed, such as '2027-03' or '2027-03-31'")
    recalled: Day | None = Field(
        default=None, description="since when the lot is recalled, such as '2026-10-05'"
    )
    recall_reason: Line | None = Field(default=None, description="why it is recalled")

    def last_day(self) -> date:
        """The last day on which the plates may be used."""
        if len(self.expiry) > 7:
            return date.fromisoformat(self.expiry)
        year, month = int(self.expiry[:4]), int(self.expiry[5:])
        return date(year + month // 12, month % 12 + 1, 1) - timedelta(days=1)

    def is_expired_on(self, day: date) -> bool:
        """Whether a plate may no longer be used on a day, of the site's zone."""
        return day > self.last_day()

    def is_recalled_on(self, day: date) -> bool:
        """Whether the lot is recalled on a day, of the site's zone."""
        return self.recalled is not None and day >= date.fromisoformat(self.recalled)


class Site(SettingsFile):
    """All that a depot says about itself; `linecall.toml` points to its file."""

    kind: ClassVar[str] = "site"
    site: ShortId = Field(description="the site's short name, which stands on its labels")
    zone: Label = Field(description="the site's time zone, such as 'Europe/Lisbon'")
    picture: Label | None = Field(
        default=None, description="picture file for reports, beside the site's file"
    )
    procedure: Label = Field(
        default="standard", description="the procedure: a bundled name, or a TOML file beside the site's"
    )
    interval_days: Intervals = Field(description="the table [interval_days]: days to the next test, by grade")
    tank: tuple[Tank, ...] = Field(
        min_length=1, max_length=POINTS_MAX, description="one table [[tank]] for each tank"
    )
    point: tuple[SamplePoint, ...] = Field(
        min_length=1, max_length=POINTS_MAX, description="one table [[point]] for each sample point"
    )
    lot: tuple[PlateLot, ...] = Field(
        default=(), max_length=POINTS_MAX, description="one table [[lot]] for each lot of plates"
    )
    action: tuple[PlanAction, ...] = Field(
        default=(),
        max_length=200,
        description="one table [[action]] for each follow-up that the plan may ask for",
    )
    follow: tuple[FollowUpRow, ...] = Field(
        default=(), max_length=200, description="one table [[follow]] for each row of the follow-up plan"
    )
    _folder: Path = PrivateAttr(default=Path())

    @property
    def folder(self) -> Path:
        """Where the site's file is, and the files that it names."""
        return self._folder

    @property
    def place(self) -> Zone:
        """The site's time zone."""
        return load_zone(self.zone, "site")

    def tank_of(self, point: SamplePoint) -> Tank:
        """The tank of a sample point."""
        return next(tank for tank in self.tank if tank.id == point.tank)

    def find_point(self, point: str) -> SamplePoint:
        """A sample point by its id. Raises LinecallError with what was perhaps meant."""
        wanted = point.strip().lower()
        known = {one.id.lower(): one for one in self.point}
        if wanted not in known:
            meant, points = closest(wanted, list(known)), _few([one.id for one in self.point])
            code = "no_point" if meant is None else "no_point_but"
            raise LinecallError(SAYS(code, site=self.site, point=shown(point), points=points, meant=meant))
        return known[wanted]

    def find_lot(self, lot: str) -> PlateLot:
        """A plate lot as it is printed. Raises LinecallError with what was perhaps meant."""
        wanted = lot.strip().lower()
        known = {one.id.lower(): one for one in self.lot}
        if wanted not in known:
            meant = closest(wanted, list(known))
            code = "no_lot" if meant is None else "no_lot_but"
            raise LinecallError(SAYS(code, site=self.site, lot=shown(lot), meant=meant))
        return known[wanted]

    def names(self) -> dict[tuple[str | None, str | None], str]:
        """What each point is called in lists, by tank and point as a reading states them."""
        return {
            (tank.name, point.name): f"{tank.name}, {point.name} ({point.id})"
            for point in self.point
            for tank in (self.tank_of(point),)
        }

    def stated_point(self, name: str) -> tuple[str, str] | None:
        """Tank and point as a reading of this point states them; None where no point has this id."""
        point = next((one for one in self.point if one.id.lower() == name.strip().lower()), None)
        return None if point is None else (self.tank_of(point).name, point.name)

    def responsible_for(self, point: SamplePoint) -> str:
        """Who answers for a sample point."""
        return point.responsible or self.tank_of(point).responsible

    def days_after(self, point: SamplePoint, grade: Grade) -> float:
        """Days from a reading of a point to the next one that is due."""
        own = point.interval_days.of(grade)
        days = self.interval_days.of(grade) if own is None else own
        assert days is not None, "a site that lacks an interval does not load"
        return days

    def layout_source(self, lot: PlateLot) -> str | Path:
        """What `load_layout` takes for a lot: a bundled name, or the path of a file beside the site's."""
        return self._beside(lot.layout)

    @property
    def procedure_source(self) -> str | Path:
        """What `load_procedure` takes: a bundled name, or the path of a file beside the site's."""
        return self._beside(self.procedure)

    def _beside(self, source: str) -> str | Path:
        return self._folder / source if source.lower().endswith(".toml") else source

    @model_validator(mode="wrap")
    @classmethod
    def _name_every_problem(cls, table: Any, validate: ValidatorFunctionWrapHandler) -> Self:
        """Look at fields and at what goes together in one go, so that one check names every problem."""
        together = list(_contradictions(table)) if isinstance(table, dict) else []
        try:
            value: Self = validate(table)
        except ValidationError as error:
            if not together:
                raise
            lines = [_line_error(detail) for detail in error.errors(include_url=False)]
            lines.append(InitErrorDetails(type=contradiction(*together), loc=(), input=table))
            raise ValidationError.from_exception_data(cls.__name__, lines) from None
        if together:
            raise contradiction(*together)
        return value


def _line_error(detail: Any) -> InitErrorDetails:
    kind, context = detail["type"], detail.get("ctx", {})
    if kind in ("contradiction", "value_error"):
        text = detail["msg"].removeprefix("Value error, ")
        problems = context.get("problems") or (
            Problem(path=(), text=f"is {shown(detail['input'])}, but {text}"),
        )
        kind = PydanticCustomError(
            "contradiction", "the fields contradict each other", {"problems": problems}
        )
        return InitErrorDetails(type=kind, loc=detail["loc"], input=detail["input"])
    return InitErrorDetails(type=kind, loc=detail["loc"], input=detail["input"], ctx=context)


def _few(names: Sequence[str]) -> str:
    return ", ".join(names[:8]) + ", ..." * (len(names) > 8)


# --- what goes together: on the table as it was written, whatever else is wrong with it -----------------------


def _tables(table: Mapping[str, Any], key: str) -> list[tuple[int, Mapping[str, Any]]]:
    found = table.get(key, ())
    return (
        [(at, one) for at, one in enumerate(found) if isinstance(one, dict)]
        if isinstance(found, list)
        else []
    )


def _contradictions(table: Mapping[str, Any]) -> Iterator[Problem]:
    zone = table.get("zone")
    if isinstance(zone, str):
        try:
            load_zone(zone, "rules")
        except LinecallError as error:
            yield Problem(path=("zone",), text=f"cannot be so: {error}")
    for key, what in (("tank", "tank"), ("point", "sample point"), ("lot", "plate lot")):
        yield from _twice(table, key, what)
    yield from _points(table)
    yield from _missing_intervals(table)
    for at, lot in _tables(table, "lot"):
        if lot.get("recall_reason") is not None and lot.get("recalled") is None:
            yield Problem(
                path=("lot", at, "recall_reason"), text="says why, but recalled does not say since when"
            )
    yield from plan_problems(_tables(table, "action"), _tables(table, "follow"))


def _twice(table: Mapping[str, Any], key: str, what: str) -> Iterator[Problem]:
    seen: Counter[str] = Counter()
    for at, one in _tables(table, key):
        id = one.get("id")
        if isinstance(id, str):
            seen[id.lower()] += 1
            if seen[id.lower()] == 2:
                text = f"is {shown(id)}, but another {what} has that id (capitals do not tell ids apart)"
                yield Problem(path=(key, at, "id"), text=text)


def _points(table: Mapping[str, Any]) -> Iterator[Problem]:
    tanks = {str(one.get("id")): 0 for _, one in _tables(table, "tank")}
    for at, point in _tables(table, "point"):
        tank = point.get("tank")
        if not isinstance(tank, str):
            continue
        if tank not in tanks:
            guess = did_you_mean(tank, list(tanks)) or f"; the tanks are {_few(list(tanks))}"
            yield Problem(
                path=("point", at, "tank"), text=f"is {shown(tank)}, but no [[tank]] has that id{guess}"
            )
        else:
            tanks[tank] += 1
    for at, one in _tables(table, "tank"):
        if tanks.get(str(one.get("id"))) == 0:
            text = (
                f"is {shown(str(one.get('id')))}, but no [[point]] is of that tank; enter where it is sampled"
            )
            yield Problem(path=("tank", at, "id"), text=text)


def _missing_intervals(table: Mapping[str, Any]) -> Iterator[Problem]:
    intervals = table.get("interval_days")
    if isinstance(intervals, dict):
        for grade, field in Intervals.model_fields.items():
            if grade not in intervals:
                text = f"is missing; give {field.description}"
                yield Problem(path=("interval_days", grade), text=text)


# --- loading ---------------------------------------------------------------------------------------------------


def load_site(path: str | Path) -> Site:
    """Read a site's file and see that the files it names are there.

    Raises SettingsError; a BrokenFileError among them lists every problem with its line.
    """
    path = Path(path)
    site = load_settings_file(Site, path, any_name=True)
    site._folder = path.parent
    return site


def check_named_files(site: Site, path: Path) -> tuple[str, ...]:
    """A line for each file that a site names and that is not there or broken: layouts, procedure, picture."""
    from reader.round.procedure import load_procedure
    from reader.settings.toml_file import lines_of

    lines = lines_of(site.data.decode("utf-8-sig"))
    problems = []

    def note(where: tuple[str | int, ...], label: str, problem: object) -> None:
        line = lines.get(where)
        problems.append(f"{path}{f', line {line}' if line else ''}: {label}: {problem}")

    for at, lot in enumerate(site.lot):
        try:
            load_layout(site.layout_source(lot))
        except SettingsError as error:
            note(("lot", at, "layout"), f"lot[{at}].layout", error)
    try:
        load_procedure(site.procedure_source)
    except SettingsError as error:
        note(("procedure",), "procedure", error)
    if site.picture is not None and not (site.folder / site.picture).is_file():
        note(
            ("picture",),
            "picture",
            f"{site.folder / site.picture} is not there; give its path from the site's file",
        )
    return tuple(problems)


def changed_from(before: Site, after: Site) -> tuple[str, ...]:
    """What forbids using a site's new file after the one that was used last, a sentence each."""
    if before.sha256 == after.sha256:
        return ()
    if before.name != after.name:
        return (
            f"this is site {after.name}, but the logbook's runs are of site {before.name}; "
            "give that site's file, or begin another logbook",
        )
    if after.revision <= before.revision:
        return (
            f"the site file has changed, but its revision is {after.revision} and the one used last was "
            f"{before.revision}; raise revision above {before.revision}",
        )
    return ()


def removed_points(before: Site, after: Site) -> tuple[SamplePoint, ...]:
    """Sample points that a new file no longer has."""
    known = {point.id.lower() for point in after.point}
    return tuple(point for point in before.point if point.id.lower() not in known)
