"""Settings files that a library keeps in itself, so that it can be computed anew wherever it is."""

from functools import lru_cache
from pathlib import Path
from typing import Final, TypeVar, cast

from sqlalchemy import Connection, insert, select

from reader.errors import LinecallError
from reader.library.consensus import ConsensusRule
from reader.library.strength import StrengthLimits
from reader.library.tables import files
from reader.settings.values import Layout, Rules, SettingsFile, load_settings_file, parse_settings

File = TypeVar("File", bound=SettingsFile)

COMPUTED_BY: Final[dict[str, tuple[type[SettingsFile], str]]] = {
    "consensus": (ConsensusRule, "majority"),
    "rules": (Rules, "two-tier"),
    "strength": (StrengthLimits, "standard"),
}
"""What the library's lists are computed by, each with the bundled file that a new library starts with."""


def read_file(model: type[File], source: str | Path) -> tuple[File, bytes]:
    """A settings file, bundled by its name or any by its path, with its bytes. Raises SettingsError."""
    value = load_settings_file(model, source)
    return value, value.data


def load_file(model: type[File], data: bytes) -> File:
    """A settings file that was kept. Raises LinecallError if this linecall does not take it."""
    return cast(File, _loaded(model, data))


@lru_cache(maxsize=32)  # each example that is added asks for the same few
def _loaded(model: type[SettingsFile], data: bytes) -> SettingsFile:
    try:
        return parse_settings(model, data)
    except ValueError as error:
        raise LinecallError(
            f"a {model.kind} file that the library keeps cannot be read by this version; update linecall"
        ) from error


def keep_file(connection: Connection, value: SettingsFile, data: bytes) -> None:
    """Keep a file, once."""
    if connection.scalar(select(files.c.sha256).where(files.c.sha256 == value.sha256)) is None:
        connection.execute(
            insert(files).values(sha256=value.sha256, kind=value.kind, name=value.name, data=data)
        )


def kept_file(connection: Connection, model: type[File], sha256: str) -> File:
    """A kept file by its hash. Raises LinecallError if it is not there."""
    data = connection.scalar(select(files.c.data).where(files.c.sha256 == sha256, files.c.kind == model.kind))
    if data is None:
        raise LinecallError(
            f"the library lacks the {model.kind} file {sha256[:12]}; restore it from a backup"
        )
    return load_file(model, data)


def kept_layout(connection: Connection, sha256: str) -> Layout:
    """The layout of some examples."""
    return kept_file(connection, Layout, sha256)
