"""The settings files that readings and reviews were made by, kept byte for byte as events of the chain.

An event of kind `settings` holds `files`: of each its `kind`, `name`, `revision`, `sha256` and `text`. A file is kept
once, before the first event that names its hash. It is TOML, so its bytes are UTF-8 and JSON carries them whole.
"""

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

from reader.errors import LinecallError
from reader.logbook.events import Event
from reader.settings.values import SettingsFile

KIND: Final = "settings"


@dataclass(frozen=True, kw_only=True, slots=True)
class KeptFile:
    """A settings file as it was used."""

    kind: str
    name: str
    revision: int
    sha256: str
    data: bytes


def as_payload(files: Sequence[SettingsFile]) -> dict[str, Any]:
    """The payload that keeps files."""
    return {
        "files": [
            {
                "kind": file.kind,
                "name": file.name,
                "revision": file.revision,
                "sha256": file.sha256,
                "text": file.data.decode("utf-8"),
            }
            for file in files
        ]
    }


def kept_files(events: Iterable[Event]) -> dict[str, KeptFile]:
    """Files by their hash. Raises LinecallError where one is not what its hash says."""
    kept = {}
    for event in events:
        for told in event.payload["files"]:
            file = KeptFile(
                kind=told["kind"],
                name=told["name"],
                revision=told["revision"],
                sha256=told["sha256"],
                data=told["text"].encode("utf-8"),
            )
            if hashlib.sha256(file.data).hexdigest() != file.sha256:
                raise LinecallError(
                    f"event {event.seq} keeps a {file.kind} file that is not what its hash says; "
                    "linecall logbook verify says more"
                )
            kept[file.sha256] = file
    return kept


def not_kept(files: Iterable[SettingsFile], events: Iterable[Event]) -> list[SettingsFile]:
    """Those that are read from files and not kept yet, each once."""
    kept = kept_files(events)
    due = {file.sha256: file for file in files if file.data and file.sha256 not in kept}
    return list(due.values())
