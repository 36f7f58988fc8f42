"""What holds for a command: an option, else a variable, else the site's `linecall.toml`, else what linecall brings.

The file is named by an option or a variable, or lies beside the logbook; it is never looked for in the working folder
or beside a photo, where anybody may have put one.
"""

import os
import stat
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple

import click

from cli.variables import LIBRARY_VARIABLE, LOGBOOK_VARIABLE, SETTINGS_VARIABLE, SITE_VARIABLE

if TYPE_CHECKING:
    from reader.settings.defaults import DefaultsFile

FILE_NAME = "linecall.toml"
Source = Literal["option", "variable", "file", "bundled"]
Value = str | tuple[str, ...] | None


class Key(NamedTuple):
    """A setting: what holds where nobody says anything, the variable that may say it, and what it is."""

    bundled: Value
    variable: str | None
    text: str


KEYS: Mapping[str, Key] = {
    "layout": Key("auto", None, "make of plate; auto tries all that linecall brings"),
    "rules": Key("two-tier", None, "grading rules"),
    "thresholds": Key("standard", None, "limits for calling a mark"),
    "texts": Key("standard", None, "next-step texts"),
    "zone": Key(
        None, "LINECALL_ZONE", "zone of a camera that writes no offset; else the rules', else this machine's"
    ),
    "policy": Key("standard", "LINECALL_POLICY", "who may decide, and how many must agree"),
    "consensus": Key(None, None, "rule of consensus of reports; else the library's"),
    "costs": Key("standard", None, "what a missed contamination, a false alarm and a doubt cost"),
    "control": Key(None, None, "limits and rules of a control chart that begins; else standard"),
    "mix": Key("even", None, "what a quiz is made of, and what passes"),
    "logbook": Key(None, LOGBOOK_VARIABLE, "the logbook: a file, or a postgresql:// URL"),
    "photos": Key(
        None, "LINECALL_PHOTOS", "where the logbook's photos lie; else where they lay when it was begun"
    ),
    "library": Key(None, LIBRARY_VARIABLE, "the library's folder"),
    "read_by": Key((), None, "settings files of your own that kept photos were read by"),
    "site": Key(None, SITE_VARIABLE, "the file that describes the site"),
}
"""Every key of `linecall.toml`, in the order in which `linecall settings` shows them."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Held:
    """What holds for a key, and where that comes from: `place` is the variable, or the file with its line."""

    key: str
    value: Value
    source: Source
    place: str = ""


class Choices:
    """What a command line, the environment and the site's file choose; the file is read when it is first needed."""

    def __init__(
        self, options: Mapping[str, Value], settings: Path | None, photos: Sequence[Path] = ()
    ) -> None:
        """Take what the command line says, by key, the file of defaults that it names, and photos or their folders."""
        self._photos = photos
        self._options = options
        self._settings = settings

    @cached_property
    def file(self) -> "DefaultsFile | None":
        """The site's file of defaults; raises SettingsError where it is broken, or others may write to its folder."""
        path = self._named_file() or self._file_beside_the_logbook()
        if path is None:
            return None
        from reader.settings.defaults import load_defaults

        return load_defaults(path)

    def _named_file(self) -> Path | None:
        named = self._settings or os.environ.get(SETTINGS_VARIABLE)
        return Path(named) if named else None

    def _file_beside_the_logbook(self) -> Path | None:
        logbook = self._options.get("logbook") or os.environ.get(LOGBOOK_VARIABLE)
        if not isinstance(logbook, str) or "://" in logbook:
            return None
        path = Path(logbook).parent / FILE_NAME
        if not os.path.lexists(path):
            return None
        _check_own(path, self._photos)
        return path

    def of(self, key: str) -> Held:
        """What holds for a key."""
        known = KEYS[key]
        if key in self._options:
            return Held(key=key, value=self._options[key], source="option")
        if known.variable and (value := os.environ.get(known.variable)):
            return Held(key=key, value=value, source="variable", place=known.variable)
        file = self.file
        if file is not None and key in file.values and (key != "photos" or self._is_of_the_logbook()):
            place = f"{file.path}, line {file.lines[key]}"
            return Held(key=key, value=file.values[key], source="file", place=place)
        return Held(key=key, value=known.bundled, source="bundled")

    def _is_of_the_logbook(self) -> bool:
        """Whether the file speaks of the logbook in use: photos of one logbook are not to go to another's place."""
        assert self.file is not None
        logbook = self.of("logbook").value
        named = self.file.values.get("logbook")
        if not isinstance(logbook, str):
            return True
        if named is not None:
            return logbook == named or _same_place(logbook, str(named))
        return "://" not in logbook and _same_place(str(Path(logbook).parent), str(self.file.path.parent))

    def typed(self, keys: Sequence[str]) -> list[str]:
        """What the command line says of some keys, and the file that it names, as options to be typed again."""
        named = ["--settings", str(self._settings)] if self._settings else []
        said = (("--set", f"{key}={self._options[key]}") for key in keys if self._options.get(key))
        return [*named, *(token for pair in said for token in pair)]

    def all(self) -> Iterator[Held]:
        """What holds for every key."""
        return map(self.of, KEYS)

    def own_files(self) -> tuple[Path, ...]:
        """Files of the site's own that kept photos may have been read by: those named so, and those in use now."""
        named = self.of("read_by").value or ()
        in_use = (self.of(key).value for key in ("layout", "rules", "thresholds", "texts"))
        files = [*named, *(str(value) for value in in_use if str(value).lower().endswith(".toml"))]
        return tuple(dict.fromkeys(map(Path, files)))


def choices_of(ctx: click.Context | None = None) -> Choices:
    """What holds for the command that runs."""
    found = (ctx or click.get_current_context()).obj
    assert isinstance(found, Choices), "every command of ours settles what holds for it"
    return found


def site_file(ctx: click.Context | None = None) -> Path | None:
    """The file that describes the site, where `linecall.toml` or `--set site=FILE` names one."""
    value = choices_of(ctx).of("site").value
    return Path(str(value)) if value else None


def own_files_by_kind(ctx: click.Context | None = None) -> dict[str, list[Path]]:
    """Files of the site's own that kept photos may have been read by, for each kind; raises SettingsError."""
    from reader.settings.defaults import OWN_KINDS, kind_of

    found: dict[str, list[Path]] = {kind: [] for kind in OWN_KINDS}
    for path in choices_of(ctx).own_files():
        found[kind_of(path)].append(path)
    return found


def changes_of(typed: Sequence[str]) -> dict[str, Value]:
    """Settings as `--set KEY=VALUE` gives them; raises click.BadParameter."""
    found: dict[str, Value] = {}
    for text in typed:
        key, equals, value = text.partition("=")
        key = key.strip().replace("-", "_")
        if key not in KEYS:
            from difflib import get_close_matches

            close = get_close_matches(key, KEYS, n=1)
            hint = f"did you mean {close[0]}?" if close else f"the keys are {', '.join(KEYS)}"
            raise click.BadParameter(f"there is no setting {key!r}; {hint}", param_hint="--set")
        if not equals or not value.strip():
            raise click.BadParameter(f"{text!r} gives no value; write {key}=VALUE", param_hint="--set")
        before = found.get(key, ())
        found[key] = (*before, value) if key == "read_by" and isinstance(before, tuple) else value
    return found


def _same_place(one: str, other: str) -> bool:
    return os.path.realpath(one) == os.path.realpath(other)


def _check_own(path: Path, photos: Sequence[Path]) -> None:
    """Raise SettingsError where somebody else may have put a file there that nobody has named."""
    folder = Path(os.path.realpath(path.parent))
    why = None
    if any(Path(os.path.realpath(photo)) in (folder, *_inside(folder, photo)) for photo in photos):
        why = "it lies among the photos, which others send"
    elif os.name != "nt":  # rights are kept otherwise there, and cannot be told by mode
        real = Path(os.path.realpath(path))
        places = (real, folder, real.parent)
        open_ones = [place for place in places if _is_open_to_others(place)]
        open_ones += [place for place in (*folder.parents, *real.parent.parents) if _may_be_moved(place)]
        if open_ones:
            why = f"others may write to {open_ones[0]}"
    if why is not None:
        from reader.errors import SettingsError

        raise SettingsError(
            f"{path}: {why}, so the file is not taken unless you name it: give --settings FILE, or the variable "
            f"{SETTINGS_VARIABLE}; or move the file, or the logbook"
        )


def _inside(folder: Path, photo: Path) -> tuple[Path, ...]:
    """The photo itself, if it lies in the folder."""
    real = Path(os.path.realpath(photo))
    return (real,) if real.parent == folder and not real.is_dir() else ()


def _is_open_to_others(place: Path) -> bool:
    """Whether anybody but this user and the system's administrator may write; a user's own group is the user."""
    try:
        found = place.stat()
    except OSError:
        return False  # reading it will say more
    strangers = found.st_uid not in (os.geteuid(), 0)
    by_group = bool(found.st_mode & stat.S_IWGRP) and found.st_gid != found.st_uid
    return strangers or by_group or bool(found.st_mode & stat.S_IWOTH)


def _may_be_moved(folder: Path) -> bool:
    """Whether anybody may put another folder in the place of one in this folder."""
    mode = folder.stat().st_mode
    return bool(mode & stat.S_IWOTH) and not mode & stat.S_ISVTX
