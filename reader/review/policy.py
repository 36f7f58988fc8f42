"""Who may decide on a reading, how many must agree, and what no one may change: a site's policy, as data."""

from itertools import pairwise
from pathlib import Path
from typing import ClassVar, Final, Literal, Self

from pydantic import Field, model_validator

from reader.settings.toml_file import Problem, contradiction
from reader.settings.values import Label, SettingsFile, load_settings_file
from reader.words import Call
from reader.words.fields import Frozen
from reader.words.names import Role

READERS_MAX: Final = 9

DecisionEffect = Literal["keeps_grade", "settles_doubt", "towards_release", "changes_grade"]
Closed = Literal["refused", "late", "early", "not_seen"]


class Readers(Frozen):
    """How many readers must make the same call, and whether only blind ones count."""

    number: int = Field(strict=True, ge=1, le=READERS_MAX, description="how many readers must agree")
    blind: bool = Field(strict=True, description="whether only those count who decided blind")

    def __str__(self) -> str:
        """Such as `2 blind readers`."""
        return f"{self.number} {'blind ' if self.blind else ''}reader{'s' * (self.number > 1)}"


class ReadersByEffect(Frozen):
    """Readers needed, by what a call does to the grade."""

    keeps_grade: Readers = Field(description="for a call that leaves the possible grades as they are")
    settles_doubt: Readers = Field(description="for a call after which fewer of the possible grades remain")
    towards_release: Readers = Field(
        description="for a call that rules out a graver grade than one that remains"
    )
    changes_grade: Readers = Field(description="for a call that brings a grade which was not possible before")

    def of(self, effect: DecisionEffect) -> Readers:
        """Readers needed for a call with this effect on the grade."""
        found: Readers = getattr(self, effect)
        return found

    @model_validator(mode="after")
    def _grow_with_the_effect(self) -> Self:
        order = ("keeps_grade", "settles_doubt", "towards_release", "changes_grade")
        for less, more in pairwise(order):
            small, large = getattr(self, less), getattr(self, more)
            if large.number < small.number or (small.blind and not large.blind):
                text = f"asks for {large}, but {less} for {small}; what does more to a grade cannot need less"
                raise contradiction(Problem(path=(more,), text=text))
        return self


class Policy(SettingsFile):
    """What a site asks of its reviewers."""

    kind: ClassVar[str] = "policy"
    policy: Label = Field(description="the policy's name")
    own_readings: bool = Field(
        strict=True, description="whether the technician may decide on their own reading"
    )
    may_review: tuple[Role, ...] = Field(min_length=1, description="the roles whose people may review")
    may_replace: tuple[Call, ...] = Field(min_length=1, description="linecall's calls that may be replaced")
    closed_to_review: tuple[Closed, ...] = Field(description="what no reviewer may decide on")
    disagreement: Literal["third reader", "stays doubtful"] = Field(
        description="what follows where two readers disagree"
    )
    readers: ReadersByEffect = Field(description="the tables [readers.*]")

    @model_validator(mode="after")
    def _keeps_a_refusal(self) -> Self:
        if "refused" not in self.closed_to_review:
            text = 'must list "refused": a photo without a verdict has no mark to decide'
            raise contradiction(Problem(path=("closed_to_review",), text=text))
        return self


def load_policy(source: str | Path = "standard") -> Policy:
    """Read a bundled policy by its name, or a TOML file by its path; raises SettingsError."""
    return load_settings_file(Policy, source)
