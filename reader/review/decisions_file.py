"""Several decisions of one reader from a small TOML or JSON file.

by = "Vesna Rask"
reason = "evening light, line even over the whole breadth"

[[decision]]
window = "3"
mark = "indicator"
call = "present"
"""

from pathlib import Path
from typing import Annotated

from pydantic import BeforeValidator, Field

from reader.settings.toml_file import read_json, read_toml
from reader.words import Call, MarkName
from reader.words.fields import Frozen


def _as_text(value: object) -> object:
    """Take the number of a window for its id."""
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


class DecisionEntry(Frozen):
    """One mark, its call, and why, unless the file's own reason holds."""

    window: Annotated[str, BeforeValidator(_as_text), Field(description="the window's id")]
    mark: MarkName = Field(description="which mark of the window")
    call: Call = Field(description="what you call it")
    reason: str | None = Field(default=None, description="what you saw on this mark")


class DecisionsFile(Frozen):
    """What one reader decides on one reading; what is left out is given on the command line."""

    by: str | None = Field(default=None, description="your name")
    reason: str | None = Field(
        default=None, description="what you saw, for all marks without a reason of their own"
    )
    blind: bool | None = Field(default=None, strict=True, description="whether you decided blind")
    decision: tuple[DecisionEntry, ...] = Field(
        min_length=1, description="one table [[decision]] for each mark"
    )


def load_decisions(path: Path) -> DecisionsFile:
    """Read a file of decisions; raises SettingsError, naming the line, the field and what is expected."""
    return (
        read_json(path, DecisionsFile)
        if path.suffix.lower() == ".json"
        else read_toml(path, DecisionsFile)[0]
    )
