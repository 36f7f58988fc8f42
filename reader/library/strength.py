"""Contrast classes: how strong a line is, by its measured height and limits that are data."""

from itertools import pairwise
from pathlib import Path
from typing import ClassVar, Final, Literal, Self

from pydantic import Field, model_validator

from reader.settings.toml_file import Problem, contradiction
from reader.settings.values import Label, Number, SettingsFile, load_settings_file

Strength = Literal["strong", "weak", "faint", "very faint", "none", "unmeasured"]

STRENGTHS: Final[tuple[Strength, ...]] = ("strong", "weak", "faint", "very faint", "none", "unmeasured")
"""From strong to faint; `none` is lower than any line that counts, `unmeasured` has no height."""


class StrengthLimits(SettingsFile):
    """Least height, in absorbance, of each contrast class."""

    kind: ClassVar[str] = "strength"
    strength: Label = Field(description="the limits' name")
    strong: Number = Field(gt=0, le=2, description="least height of a strong line, absorbance")
    weak: Number = Field(gt=0, le=2, description="least height of a weak line, absorbance")
    faint: Number = Field(gt=0, le=2, description="least height of a faint line, absorbance")
    very_faint: Number = Field(gt=0, le=2, description="least height of a very faint line, absorbance")

    @model_validator(mode="after")
    def _fall(self) -> Self:
        names = ("strong", "weak", "faint", "very_faint")
        for higher, lower in pairwise(names):
            if getattr(self, lower) >= getattr(self, higher):
                text = f"is {getattr(self, lower)}, but must be less than {higher}, {getattr(self, higher)}"
                raise contradiction(Problem(path=(lower,), text=text))
        return self

    def of(self, height: float | None) -> Strength:
        """Contrast class of a mark of this height; None: not measured."""
        if height is None:
            return "unmeasured"
        if height >= self.faint:
            return "strong" if height >= self.strong else "weak" if height >= self.weak else "faint"
        return "very faint" if height >= self.very_faint else "none"


def load_strength(source: str | Path = "standard") -> StrengthLimits:
    """Read bundled limits by their name, or a TOML file by its path; raises SettingsError."""
    return load_settings_file(StrengthLimits, source)
