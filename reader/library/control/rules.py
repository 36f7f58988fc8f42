"""Statistics of an individuals control chart: limits from a baseline, and rules that a drift breaks.

Pure functions of values in the order they were taken; what the values are, others know.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from statistics import fmean
from typing import Annotated, ClassVar, Final, Literal, Self

from pydantic import Field, model_validator

from reader.settings.toml_file import Problem, contradiction
from reader.settings.values import Label, Number, SettingsFile, load_settings_file
from reader.words.fields import Frozen

# Of the range of two values, as tables print them (NIST/SEMATECH e-Handbook 6.3.2), so that others get the same limits.
D2: Final = 1.128  # mean range in sigma; 2 / sqrt(pi)
D4: Final = 3.267  # upper limit of a range over the mean range; 1 + 3 d3 / d2
LIMIT_SIGMA: Final = 3.0  # from the centre to the control limits
FLAT: Final = 1e-9  # share of the centre below which a mean range is rounding, not spread

BASELINE_MIN: Final = 5
BASELINE_MAX: Final = 1000
RUN_MAX: Final = 25
BEYOND_MAX: Final = 6.0

Side = Literal["above", "below"]
Advice = Annotated[str, Field(min_length=1, max_length=400, pattern=r"^[^\x00-\x1f\x7f]*$")]


class RunRule(Frozen):
    """What is out of control: so many of so many values in a row, beyond so many sigma on one side."""

    points: int = Field(strict=True, ge=1, le=RUN_MAX, description="fewest photos that lie beyond")
    of: int = Field(strict=True, ge=1, le=RUN_MAX, description="of how many in a row")
    beyond: Number = Field(ge=0, le=BEYOND_MAX, description="sigma from the centre, all on one side")

    @model_validator(mode="after")
    def _can_be_broken(self) -> Self:
        if self.points > self.of:
            text = f"is {self.points}, but of is {self.of}; so many can never lie beyond"
            raise contradiction(Problem(path=("points",), text=text))
        return self


class AdviceTexts(Frozen):
    """What is to be done about what the chart shows."""

    signal: Advice = Field(description="what to do about a photo that breaks a rule")
    baseline: Advice = Field(description="what to do about one that the limits rest on")
    jump: Advice = Field(description="what to do about a moving range beyond its limit")


class ControlRules(SettingsFile):
    """How many photos make the limits, and which rules are in force."""

    kind: ClassVar[str] = "control"
    control: Label = Field(description="the rules' name")
    baseline: int = Field(
        strict=True, ge=BASELINE_MIN, le=BASELINE_MAX, description="photos that the limits are computed from"
    )
    rule: tuple[RunRule, ...] = Field(min_length=1, max_length=12, description="the rules, each a [[rule]]")
    advice: AdviceTexts = Field(description="the table [advice]")


def load_control(source: str | Path = "standard") -> ControlRules:
    """Read bundled rules by their name, or a TOML file by its path; raises SettingsError."""
    return load_settings_file(ControlRules, source)


@dataclass(frozen=True, kw_only=True, slots=True)
class Limits:
    """Limits of a chart, from `n` values: their mean and their mean moving range, in the values' own unit."""

    n: int
    centre: float
    mean_range: float

    @property
    def sigma(self) -> float:
        """Standard deviation from one value to the next, by the mean moving range."""
        return self.mean_range / D2

    @property
    def upper(self) -> float:
        """Upper control limit."""
        return self.centre + LIMIT_SIGMA * self.sigma

    @property
    def lower(self) -> float:
        """Lower control limit."""
        return self.centre - LIMIT_SIGMA * self.sigma

    @property
    def range_upper(self) -> float:
        """Upper limit of the moving ranges."""
        return D4 * self.mean_range

    @property
    def flat(self) -> bool:
        """Whether the values were all alike, so that no limits can be drawn."""
        return self.mean_range <= FLAT * abs(self.centre)

    def distance(self, value: float) -> float:
        """How many sigma a value lies above the centre; negative below."""
        return (value - self.centre) / self.sigma


@dataclass(frozen=True, kw_only=True, slots=True)
class Signal:
    """A rule that the value at `at` breaks; `beyond` are the places of all that lie beyond, `at` the last of them."""

    at: int
    rule: RunRule
    side: Side
    beyond: tuple[int, ...]


def moving_ranges(values: Sequence[float]) -> tuple[float, ...]:
    """Difference of each value from the one before, without its sign; one fewer than there are values."""
    return tuple(abs(second - first) for first, second in pairwise(values))


def limits_of(values: Sequence[float]) -> Limits:
    """Limits of the values of a baseline, in the order they were taken. Raises ValueError for fewer than two."""
    if len(values) < 2:
        raise ValueError(f"{len(values)} values have no moving range; two at least are needed")
    return Limits(n=len(values), centre=fmean(values), mean_range=fmean(moving_ranges(values)))


def signals(values: Sequence[float], limits: Limits, rules: Sequence[RunRule]) -> tuple[Signal, ...]:
    """Rules that values break, in order; a value breaks a rule only if it lies beyond itself.

    A value on a bound is not beyond it. limits : not flat.
    """
    distances = [limits.distance(value) for value in values]
    found = []
    for at, distance in enumerate(distances):
        side: Side = "above" if distance > 0 else "below"
        sign = 1 if side == "above" else -1
        for rule in rules:
            if sign * distance <= rule.beyond:
                continue
            first = max(0, at - rule.of + 1)
            beyond = tuple(k for k in range(first, at + 1) if sign * distances[k] > rule.beyond)
            if len(beyond) >= rule.points:
                found.append(Signal(at=at, rule=rule, side=side, beyond=beyond))
    return tuple(found)
