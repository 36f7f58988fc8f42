"""Photos and strips of a library, each in a folder under its hash."""

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING, Final

from reader.errors import LinecallError
from reader.library.errors import LibraryError
from reader.library.examples import Example
from reader.store.kept_files import FolderStore, check_file, read_file

if TYPE_CHECKING:
    from reader.library.strips import KeptStrip

STRIPS: Final = "picture of strips"  # what errors call it


class Pictures:
    """Photos, byte for byte, and pictures of strips."""

    def __init__(self, folder: Path) -> None:
        """Take the library's folder; `Library.pictures` is for everyone else."""
        self._photos = FolderStore(folder / "photos")
        self._strips = FolderStore(folder / "strips", what=STRIPS)

    def keep_photo(self, data: bytes) -> str:
        """Keep a photo, byte for byte; returns its hash. Raises OutputError."""
        return _put(self._photos, data)

    def keep_strips(self, data: bytes) -> str:
        """Keep a picture of strips; returns its hash. Raises OutputError."""
        return _put(self._strips, data)

    def photo_bytes(self, sha256: str) -> bytes:
        """A photo, byte for byte. Raises LibraryError if it is gone or has been altered."""
        return _read(self._photos, sha256, "photo")

    def photo_problem(self, sha256: str) -> str | None:
        """What is wrong with a photo: gone, or altered; None if nothing is."""
        return check_file(self._photos, sha256)

    def strips_bytes(self, sha256: str) -> bytes:
        """The picture of an example's strips. Raises LibraryError if it is gone or has been altered."""
        return _read(self._strips, sha256, STRIPS)

    def strips(self, example: Example) -> "dict[str, KeptStrip]":
        """An example's strips by window. Raises LibraryError if they are gone or have been altered."""
        if example.strips_sha256 is None:
            raise LibraryError(f"example {example.id}: was added without its strips")
        from reader.library.strips import load_strips  # loads OpenCV, which lists do not need

        return load_strips(self.strips_bytes(example.strips_sha256), example.verdict.windows)


def _read(store: FolderStore, sha256: str, what: str) -> bytes:
    try:
        return read_file(store, sha256, what=what, where="the library's folder")
    except LinecallError as error:
        raise LibraryError(str(error)) from error


def _put(store: FolderStore, data: bytes) -> str:
    digest = hashlib.sha256(data).hexdigest()
    store.put(digest, data)
    return digest
