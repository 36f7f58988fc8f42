"""The keeper's backups: the logbook's zip with all that a burned-down station needs besides, to begin anew elsewhere.

Beside the events and photos it has the site's file and what that names, the policy, a `linecall.toml` that names both,
languages, quizzes, and who was shown which calls, lest they call blind what they saw. People are in the events.
Sign-ins and tokens stay out: one that was revoked after the backup would open again.
"""

import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import closing, suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

from reader.errors import LinecallError
from reader.files.output import make_private_folder, open_whole
from reader.files.plain import read_plain
from reader.logbook.export import OWN, write_zip
from reader.settings.defaults import FILE_NAME
from reader.station import exams, looks
from reader.station.desk import Desk
from reader.station.languages import FOLDER as LANGUAGES
from reader.station.upkeep import TIMEOUT_S
from reader.store.database import Database

FOLDER: Final = "backups"
KEPT: Final = 3
NAME: Final = re.compile(r"linecall-\d{8}-\d{6}\.zip")
SITE_FILE: Final = "site.toml"  # where a station looks for it beside its logbook
POLICY_FILE: Final = "policy.toml"
DATABASES: Final = (looks.FILE, exams.FILE)
PLACES: Final = ("site", "policy", "logbook", "photos", "library")
"""Keys of a site's `linecall.toml` that another machine has otherwise."""


@dataclass(kw_only=True, slots=True)
class Beside:
    """Files by their names beside a new logbook, and what is left out, with why."""

    files: dict[str, bytes] = field(default_factory=dict)
    left_out: list[str] = field(default_factory=list)

    def take(self, name: str, path: Path) -> bool:
        """Take a file, or say why not."""
        try:
            self.files[name] = read_plain(path)
        except OSError as error:
            self.left_out.append(f"{path} ({error.strerror or error})")
        return name in self.files


def all_of(desk: Desk) -> list[Path]:
    """The backups that lie here, the newest first."""
    folder = desk.folder / FOLDER
    found = [path for path in folder.iterdir() if NAME.fullmatch(path.name)] if folder.is_dir() else []
    return sorted(found, reverse=True)


def find(desk: Desk, name: str) -> Path | None:
    """A backup by its name; None where there is none."""
    path = desk.folder / FOLDER / name
    return path if NAME.fullmatch(name) and path.is_file() else None


def make(desk: Desk, *, at: datetime) -> Path:
    """Write a backup; the oldest beyond those kept go once it is whole. Raises LinecallError, OutputError."""
    folder = desk.folder / FOLDER
    make_private_folder(folder)
    path = folder / f"linecall-{at:%Y%m%d-%H%M%S}.zip"
    with open_whole(path, force=True) as file:
        beside = _beside_the_logbook(desk)
        write_zip(desk.logbook, file, at=at, beside=beside.files, left_out=beside.left_out)
    for old in all_of(desk)[KEPT:]:
        with suppress(FileNotFoundError):
            old.unlink()
    return path


def _beside_the_logbook(desk: Desk) -> Beside:
    """What a station needs besides its logbook."""
    found = site_files(desk)
    for name in DATABASES:
        if (desk.folder / name).is_file():
            found.files[f"{OWN}/{name}"] = _copy_of(desk.folder / name)
    return found


def site_files(desk: Desk) -> Beside:
    """The files that a site is described by, and what of them no backup can hold."""
    found = Beside()
    defaults = _own_defaults(desk, found)
    if desk.site_file is not None and found.take(SITE_FILE, desk.site_file):
        defaults["site"] = SITE_FILE
        _take_what_the_site_names(desk, found)
    defaults["policy"] = desk.policy.name
    if desk.policy.own_file:
        defaults["policy"], found.files[POLICY_FILE] = POLICY_FILE, desk.policy.data
    found.files[FILE_NAME] = "".join(
        f"{key} = {json.dumps(value, ensure_ascii=False)}\n" for key, value in defaults.items()
    ).encode("utf-8")
    for path in sorted((desk.folder / LANGUAGES).glob("*.po")):
        found.take(f"{OWN}/{LANGUAGES}/{path.name}", path)
    return found


def _take_what_the_site_names(desk: Desk, found: Beside) -> None:
    """Layouts, procedure and picture, where they lie beside the site's file, under the names that it gives them."""
    try:
        site = desk.site()
    except LinecallError as error:
        found.left_out.append(f"what the site's file names ({error})")
        return
    named = [site.procedure_source, *(site.layout_source(lot) for lot in site.lot)]
    paths = [path for path in named if isinstance(path, Path)]
    if site.picture is not None:
        paths.append(site.folder / site.picture)
    for path in dict.fromkeys(paths):
        name = path.relative_to(site.folder).as_posix() if path.is_relative_to(site.folder) else ".."
        if ".." in name.split("/"):
            found.left_out.append(f"{path} (does not lie beside the site's file)")
        else:
            found.take(name, path)


def _own_defaults(desk: Desk, found: Beside) -> dict[str, Any]:
    """What the `linecall.toml` beside the logbook says, but for places; files that it names go along."""
    if "://" in desk.logbook.name:
        return {}
    path = Path(desk.logbook.name).absolute().parent / FILE_NAME
    if not path.exists():
        return {}
    try:
        said = tomllib.loads(read_plain(path).decode("utf-8-sig"))
    except (OSError, ValueError) as error:
        found.left_out.append(f"{path} ({error})")
        return {}
    return dict(_moved(said, path.parent, found))


def _moved(said: Mapping[str, Any], folder: Path, found: Beside) -> Iterator[tuple[str, Any]]:
    def moved(value: object, name: str) -> object:
        if not (isinstance(value, str) and value.lower().endswith(".toml")):
            return value
        return name if found.take(name, folder / value) else value

    for key, value in said.items():
        if key in PLACES:
            continue
        if isinstance(value, list):
            yield key, [moved(one, f"settings/{key}-{number}.toml") for number, one in enumerate(value, 1)]
        else:
            yield key, moved(value, f"settings/{key}.toml")


def _copy_of(path: Path) -> bytes:
    """A database's file as of one moment, whoever writes to it meanwhile."""
    database = Database(path, read_only=True, timeout_s=TIMEOUT_S, holds="list")
    with closing(database), TemporaryDirectory(dir=path.parent) as folder:
        copy = Path(folder) / path.name
        database.copy_into(copy)
        return copy.read_bytes()
