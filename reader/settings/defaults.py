"""A site's file of defaults, `linecall.toml`: what holds where a command line does not say otherwise.

It names settings files, places and a zone, and never a person: who reads or decides is said each time, or by a
variable of the person's own.
"""

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Final, Literal, get_args

from pydantic import Field, model_validator

from reader.errors import SettingsError
from reader.files.plain import read_plain
from reader.settings.toml_file import FILE_BYTES_MAX, Problem, contradiction, lines_of, read_toml
from reader.settings.values import ONE_LINE
from reader.words.fields import Frozen

FILE_NAME: Final = "linecall.toml"
OwnKind = Literal["layout", "rules", "thresholds", "texts"]
"""Kinds of settings files that a reading is made by."""
OWN_KINDS: Final[tuple[OwnKind, ...]] = get_args(OwnKind)
_NAMED_OR_FILE: Final = frozenset((*OWN_KINDS, "policy", "consensus", "costs", "control", "mix"))
_PLACES: Final = frozenset(("photos", "logbook", "library", "site", "read_by"))
_PEOPLE: Final = ("operator", "by", "reviewer", "technician", "grader", "trainer", "trainee", "name")

Line = Annotated[str, Field(min_length=1, max_length=1000, pattern=ONE_LINE)]


class Defaults(Frozen):
    """What the file may say; every key may be left out."""

    layout: Line | None = Field(
        default=None, description="the make of plate: auto, a bundled name, or a .toml file"
    )
    rules: Line | None = Field(default=None, description="the grading rules: a bundled name, or a .toml file")
    thresholds: Line | None = Field(
        default=None, description="the limits for calling a mark: a bundled name, or a .toml file"
    )
    texts: Line | None = Field(
        default=None, description="the next-step texts: a bundled name, or a .toml file"
    )
    zone: Line | None = Field(
        default=None,
        description="the zone of a camera that writes no offset, such as 'Europe/Lisbon' or '+02:00'",
    )
    policy: Line | None = Field(
        default=None, description="who may decide, and how many must agree: a bundled name, or a .toml file"
    )
    consensus: Line | None = Field(
        default=None, description="the rule of consensus of reports: a bundled name, or a .toml file"
    )
    costs: Line | None = Field(
        default=None, description="what errors and doubts cost: a bundled name, or a .toml file"
    )
    control: Line | None = Field(
        default=None, description="the limits and rules of a control chart: a bundled name, or a .toml file"
    )
    mix: Line | None = Field(
        default=None,
        description="what a quiz is made of, and what passes: a bundled name, or a .toml file",
    )
    logbook: Line | None = Field(default=None, description="the logbook: a file, or a postgresql:// URL")
    photos: Line | None = Field(default=None, description="where the logbook's photos lie: a folder or URL")
    library: Line | None = Field(default=None, description="the library's folder")
    read_by: tuple[Line, ...] = Field(
        default=(), description="settings files of your own that kept photos were read by: a list of files"
    )
    site: Line | None = Field(default=None, description="the file that describes the site: a .toml file")

    @model_validator(mode="before")
    @classmethod
    def _names_nobody(cls, table: object) -> object:
        if isinstance(table, dict):
            named = [key for key in _PEOPLE if key in table]
            if named:
                text = "names a person, but a file of defaults serves everybody; say it on the command line"
                raise contradiction(*(Problem(path=(key,), text=text) for key in named))
        return table


@dataclass(frozen=True, kw_only=True, slots=True)
class DefaultsFile:
    """A file of defaults as it was read.

    values : key to value, of the keys that the file has; paths are resolved against the file's folder.
    lines : key to the number of its line.
    """

    path: Path
    values: dict[str, str | tuple[str, ...]]
    lines: dict[str, int]


def load_defaults(path: Path) -> DefaultsFile:
    """Read a file of defaults; raises SettingsError, with file, line and field."""
    said, data = read_toml(path, Defaults)
    lines = lines_of(data.decode("utf-8-sig"))
    values = {
        key: _resolved(key, value, path.parent)
        for key, value in said.model_dump(exclude_unset=True).items()
        if value
    }
    return DefaultsFile(path=path, values=values, lines={key: lines.get((key,), 0) for key in values})


def _resolved(key: str, value: str | tuple[str, ...], folder: Path) -> str | tuple[str, ...]:
    """The value, with a path as seen from the file's folder, for the file may be named from anywhere."""
    if isinstance(value, tuple):
        return tuple(str(folder / one) for one in value)
    a_file = key in _PLACES and "://" not in value
    own = key in _NAMED_OR_FILE and (Path(value).suffix.lower() == ".toml" or Path(value).name != value)
    return str(folder / value) if a_file or own else value


def kind_of(path: Path) -> OwnKind:
    """The kind of a settings file that photos are read by, told by the key of its name; raises SettingsError."""
    try:
        table = tomllib.loads(read_plain(path, limit=FILE_BYTES_MAX).decode("utf-8-sig"))
    except FileNotFoundError:
        raise SettingsError(f"{path}: there is no such file") from None
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read: {error.strerror or error}") from None
    except (ValueError, RecursionError):
        raise SettingsError(f"{path}: is no TOML file; give a layout, rules, thresholds or texts") from None
    found = next((kind for kind in OWN_KINDS if isinstance(table.get(kind), str)), None)
    if found is None:
        raise SettingsError(
            f"{path}: is none of {', '.join(OWN_KINDS)}; the file's first key says what it is"
        )
    return found
