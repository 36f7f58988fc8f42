"""What graders agree on: computed from their calls by a rule that is data, and never typed in."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import ClassVar, Final, Protocol, Self, TypeVar, get_args

from pydantic import Field, model_validator

from reader.anew.grade_anew import Called
from reader.decide.grade import Grade as PlateGrade
from reader.decide.grade import grade_plate
from reader.decide.records import ReadingAgeRecord
from reader.library.examples import MARKS, GraderRole
from reader.settings.toml_file import Problem, contradiction
from reader.settings.values import Label, Layout, Rules, SettingsFile, load_settings_file
from reader.words import Call, Grade, MarkKey, SettledGrade
from reader.words.names import folded

GRADERS_MAX: Final = 99


class Judged(Protocol):
    """What counts of a grading; `reader.library.examples.Grading` has it."""

    @property
    def grader(self) -> str:
        """Whose it is."""

    @property
    def role(self) -> str:
        """As what they graded."""

    @property
    def at(self) -> datetime:
        """When."""

    @property
    def blind(self) -> bool | None:
        """Whether it was made without seeing another's call."""

    @property
    def calls(self) -> Mapping[MarkKey, Call]:
        """The call of each mark that they judged."""


Some = TypeVar("Some", bound=Judged)


class ConsensusRule(SettingsFile):
    """Whose calls count, how many there must be, and how many must be alike; it always takes more than half."""

    kind: ClassVar[str] = "consensus"
    consensus: Label = Field(description="the rule's name")
    roles: tuple[GraderRole, ...] = Field(
        min_length=1, description=f"whose calls count: {', '.join(get_args(GraderRole))}"
    )
    panel: tuple[Label, ...] = Field(description="names of those whose calls alone count; empty: everyone's")
    blind_only: bool = Field(
        strict=True, description="whether only calls count that were made without seeing another's"
    )
    graders: int = Field(
        strict=True, ge=1, le=GRADERS_MAX, description="fewest graders who must have called the mark"
    )
    agree: int = Field(
        strict=True, ge=1, le=GRADERS_MAX, description="fewest graders who must make the same call"
    )

    @model_validator(mode="after")
    def _can_be_reached(self) -> Self:
        if self.agree > self.graders:
            text = f"is {self.agree}, but that is more than graders, {self.graders}; raise graders to it"
            raise contradiction(Problem(path=("agree",), text=text))
        if self.panel and self.graders > len(self.panel):
            text = f"is {self.graders}, but the panel has {len(self.panel)}; no mark would ever have as many"
            raise contradiction(Problem(path=("graders",), text=text))
        for index, name in enumerate(self.panel):
            for earlier in self.panel[:index]:
                if folded(name) == folded(earlier):
                    text = f"is {name!r}, but {earlier!r} is the same person; name each once"
                    raise contradiction(Problem(path=("panel", index), text=text))
        return self

    def counts(self, grading: Judged) -> bool:
        """Whether a grading's calls count."""
        return (
            grading.role in self.roles
            and (not self.panel or folded(grading.grader) in map(folded, self.panel))
            and (grading.blind is True or not self.blind_only)
        )


def load_consensus(source: str | Path = "majority") -> ConsensusRule:
    """Read a bundled rule by its name, or a TOML file by its path; raises SettingsError."""
    return load_settings_file(ConsensusRule, source)


@dataclass(frozen=True, kw_only=True, slots=True)
class Agreed:
    """What those who count agree on about one mark: `call` is None where they do not, and `reason` says why.

    votes : calls and how many made each, the most frequent first. disputed : their calls are not all alike.
    """

    call: Call | None
    reason: str
    votes: tuple[tuple[Call, int], ...]

    @property
    def disputed(self) -> bool:
        """Whether those who count made unlike calls."""
        return len(self.votes) > 1


def newest(gradings: Iterable[Some]) -> dict[MarkKey, dict[str, Some]]:
    """By mark: of each person, by their folded name, the newest grading that calls it."""
    found: dict[MarkKey, dict[str, Some]] = {}
    for grading in sorted(gradings, key=lambda grading: grading.at):  # of one moment, the one kept later
        person = folded(grading.grader)
        for mark in grading.calls:
            found.setdefault(mark, {})[person] = grading
    return found


def agree(calls: Iterable[Call], rule: ConsensusRule) -> Agreed:
    """The consensus of those who count on one mark; one call a person."""
    votes = tuple(Counter(calls).most_common())
    n = sum(count for _, count in votes)
    if n < rule.graders:
        found = "nobody has" if n == 0 else "one grader has" if n == 1 else f"{n} graders have"
        reason = f"{found} called it, {rule.graders} are needed"
        return Agreed(call=None, reason=reason, votes=votes)
    call, most = votes[0]
    told = ", ".join(f"{count} {word}" for word, count in votes)
    if most >= rule.agree and 2 * most > n:
        return Agreed(call=call, reason=told, votes=votes)
    needed = max(rule.agree, n // 2 + 1)
    return Agreed(call=None, reason=f"they differ: {told}; {needed} alike are needed", votes=votes)


def consensus(
    gradings: Iterable[Judged], marks: Sequence[MarkKey], rule: ConsensusRule
) -> dict[MarkKey, Agreed]:
    """The consensus on each of an example's marks; of one person the newest call that counts."""
    found = newest(filter(rule.counts, gradings))
    return {
        mark: agree((grading.calls[mark] for grading in found.get(mark, {}).values()), rule) for mark in marks
    }


def grade_of_calls(calls: Mapping[MarkKey, Call | None], layout: Layout, rules: Rules) -> Grade | None:
    """The grade that calls come to; a mark without one may be anything, so the grade may be undecided.

    None where no mark has a call. The photo's reading age plays no part: it is nothing that a grader calls.
    """
    if not any(calls.values()):
        return None
    return _grade(calls, layout, rules).grade


def possible_grades(
    calls: Mapping[MarkKey, Call | None], layout: Layout, rules: Rules
) -> tuple[SettledGrade, ...]:
    """The grades that a plate may have of which some calls are known, mildest first."""
    return _grade(calls, layout, rules).possible_grades


def _grade(calls: Mapping[MarkKey, Call | None], layout: Layout, rules: Rules) -> PlateGrade:
    age = ReadingAgeRecord(
        minutes=layout.assay.reading_age[0],
        status="in_range",
        source="none",
        range_minutes=layout.assay.reading_age,
        sentence="the reading age plays no part",
    )
    marks = [
        Called(window=window.id, mark=mark, call=calls.get((window.id, mark)) or "doubtful")
        for window in layout.window
        for mark in MARKS
    ]
    return grade_plate(marks, layout, rules, age, None)
