"""Where a logbook's photos are kept: a folder or a URL, and what an event records of the place."""

import hashlib
import os
import re
from pathlib import Path
from typing import IO

from reader.errors import LinecallError, OutputError
from reader.store.kept_files import FileStore, FolderStore, UrlStore


def place_record(location: str) -> str:
    """A place as an event keeps it: a hash, for its URL may hold a password and exports go to others."""
    return hashlib.sha256(location.encode("utf-8", "replace")).hexdigest()


def is_local(location: str) -> bool:
    """Whether photos there can be reached without opening a connection."""
    if location.startswith("file://"):
        return not location.startswith("file:////") and location[7:8] in {"/", ""}
    network_share = os.name == "nt" and location.replace("\\", "/").startswith("//")
    return "://" not in location and "::" not in location and not network_share


def photo_store(location: str, *, named: bool = True) -> FileStore:
    """Store at a folder or URL; one that is not `named` by the user must be on this machine, or is a `ClosedStore`.

    Raises LinecallError for a URL that fsspec does not take.
    """
    if not named and not is_local(location):
        return ClosedStore(location)
    if "://" not in location:
        return FolderStore(Path(location))
    if location.startswith("file://"):
        from urllib.parse import unquote, urlsplit

        return FolderStore(Path(unquote(urlsplit(location).path)))
    return UrlStore(location)


class ClosedStore:
    """Photos at a place that only the logbook's file names: to open a file must not open a connection."""

    def __init__(self, location: str) -> None:
        """Take the place, for the error."""
        self._location = re.sub(r"//[^/@]*@", "//", location)  # what may be a password is not shown

    def put(self, sha256: str, data: bytes) -> None:
        """Refuse."""
        raise self._error()

    def open(self, sha256: str) -> IO[bytes] | None:
        """Refuse."""
        raise self._error()

    def try_to_put(self) -> None:
        """Refuse."""
        raise self._error()

    @property
    def folder(self) -> Path | None:
        """None: it is elsewhere."""
        return None

    def _error(self) -> LinecallError:
        return OutputError(
            f"the logbook names a place on the network for its photos, {self._location[:200]}; no connection was "
            "opened: if that is their place, name it with --logbook-photos, or with the variable LINECALL_PHOTOS"
        )
