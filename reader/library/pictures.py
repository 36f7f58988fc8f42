"""Photos and strips of a library, each in a folder under its hash."""

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

from reader.files.plain import read_at_most
from reader.library.errors import LibraryError
from reader.library.examples import Example
from reader.store.kept_files import FolderStore, check_photo

if TYPE_CHECKING:
    from reader.library.strips import KeptStrip


class Pictures:
    """Photos, byte for byte, and pictures of strips."""

    def __init__(self, folder: Path) -> None:
        """Take the library's folder; `Library.pictures` is for everyone else."""
        self._photos = FolderStore(folder / "photos")
        self._strips = FolderStore(folder / "strips")

    def keep_photo(self, data: bytes) -> str:
        """Keep a photo, byte for byte; returns its hash. Raises OutputError."""
        return _put(self._photos, data)

    def keep_strips(self, data: bytes) -> str:
        """Keep a picture of strips; returns its hash. Raises OutputError."""
        return _put(self._strips, data)

    def photo_bytes(self, sha256: str) -> bytes:
        """A photo, byte for byte. Raises LibraryError if it is gone or has been altered."""
        return self._bytes(self._photos, sha256, "photo")

    def photo_problem(self, sha256: str) -> str | None:
        """What is wrong with a photo: gone, or altered; None if nothing is."""
        return check_photo(self._photos, sha256)

    def strips_bytes(self, sha256: str) -> bytes:
        """The picture of an example's strips. Raises LibraryError if it is gone or has been altered."""
        return self._bytes(self._strips, sha256, "picture of strips")

    def strips(self, example: Example) -> "dict[str, KeptStrip]":
        """An example's strips by window. Raises LibraryError if they are gone or have been altered."""
        if example.strips_sha256 is None:
            raise LibraryError(f"example {example.id}: was added without its strips")
        from reader.library.strips import load_strips  # loads OpenCV, which lists do not need

        return load_strips(self.strips_bytes(example.strips_sha256), example.verdict.windows)

    @staticmethod
    def _bytes(store: FolderStore, sha256: str, what: str) -> bytes:
        file = store.open(sha256)
        if file is None:
            raise LibraryError(
                f"{what} {sha256[:12]} is gone from the library's folder; restore it from a backup"
            )
        with file:
            data = read_at_most(file)
        if hashlib.sha256(data).hexdigest() != sha256:
            raise LibraryError(
                f"{what} {sha256[:12]} has been altered in the library's folder; restore it from a backup"
            )
        return data


def _put(store: FolderStore, data: bytes) -> str:
    digest = hashlib.sha256(data).hexdigest()
    store.put(digest, data)
    return digest
