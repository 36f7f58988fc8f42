"""What a quiz paper is made of and what passes it: the settings file of kind `quiz`."""

from pathlib import Path
from typing import ClassVar, Final, Self

from pydantic import ConfigDict, Field, model_validator

from reader.settings.toml_file import Problem, contradiction
from reader.settings.values import Label, SettingsFile, StrictShare, load_settings_file
from reader.words.fields import Frozen

ASKED: Final = ("strong", "weak", "faint", "very faint", "none")


class Shares(Frozen):
    """Share of a paper's plates that is drawn for each contrast class."""

    strong: StrictShare = Field(description="share of plates drawn for a strong line")
    weak: StrictShare = Field(description="share of plates drawn for a weak line")
    faint: StrictShare = Field(description="share of plates drawn for a faint line")
    very_faint: StrictShare = Field(description="share of plates drawn for a very faint line")
    none: StrictShare = Field(description="share of plates drawn for a window without a line")


class Criteria(Frozen):
    """What passes, as shares of marks."""

    agreement_min: StrictShare = Field(description="least share of marks called as the consensus has it")
    faint_missed_max: StrictShare = Field(description="largest share of faint lines called absent")
    false_calls_max: StrictShare = Field(
        description="largest share of absent or undeveloped marks called present"
    )
    doubts_max: StrictShare = Field(description="largest share of settled marks called doubtful")


class Mix(SettingsFile):
    """What a paper is made of, and what passes it."""

    model_config = ConfigDict(populate_by_name=True)
    kind: ClassVar[str] = "quiz"
    quiz: Label = Field(description="the mix's name")
    share: Shares = Field(description="the table [share]")
    criteria: Criteria = Field(alias="pass", description="the table [pass]")

    @model_validator(mode="after")
    def _adds_up(self) -> Self:
        total = sum(self.shares.values())
        if abs(total - 1) > 1e-6:
            text = f"adds up to {total:g}, but must add up to 1"
            raise contradiction(Problem(path=("share",), text=text))
        return self

    @property
    def shares(self) -> dict[str, float]:
        """Share of each contrast class."""
        return {name: float(getattr(self.share, name.replace(" ", "_"))) for name in ASKED}


def load_mix(source: str | Path = "even") -> Mix:
    """Read a bundled mix by its name, or a TOML file by its path; raises SettingsError."""
    return load_settings_file(Mix, source)
