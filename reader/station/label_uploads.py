"""Photos that come in pieces, each in a folder of its own until it is whole."""

import json
import re
import shutil
import time
from pathlib import Path
from typing import Final

from reader.files.output import make_private_folder
from reader.words.ids import ID_PATTERN, new_id

SIZE_MAX: Final = 80 * 2**20
"""Bytes of one photo: the largest phones' originals have some 30 MB."""
ABOUT: Final = ".about.json"  # no photo's name here begins with a point
STALE_S: Final = 24 * 3600.0
"""After so many seconds what was begun and never came whole is thrown away."""


class UploadError(Exception):
    """What cannot be taken, by the code of the text that says so."""


class Uploads:
    """Photos on their way, in the station's folder."""

    def __init__(self, folder: Path) -> None:
        """Take the station's folder."""
        self._folder = folder / "label-uploads"

    def begin(self, name: str, size: int) -> str:
        """Make room for a photo of so many bytes; its id. Raises UploadError."""
        if not 0 < size <= SIZE_MAX:
            raise UploadError("photo.too_large")
        make_private_folder(self._folder)
        self._throw_stale_away()
        id = new_id()
        make_private_folder(self._folder / id)
        file = _plain_name(name)
        (self._folder / id / ABOUT).write_text(json.dumps({"name": file, "size": size}))
        (self._folder / id / file).touch(mode=0o600)
        return id

    def put(self, id: str, at: int, data: bytes) -> int:
        """Keep a piece that begins at byte `at`; where the next one begins. A piece that is there may come again."""
        path, size = self._find(id)
        there = path.stat().st_size
        if not 0 <= at <= there or at + len(data) > size:
            raise UploadError("photo.wrong_piece")
        try:
            with path.open("r+b") as file:
                file.seek(at)
                file.write(data)
        except OSError:
            raise UploadError("photo.no_room") from None
        return max(there, at + len(data))

    def whole(self, id: str) -> Path:
        """The file of a photo of which every piece is there. Raises UploadError."""
        path, size = self._find(id)
        if path.stat().st_size != size:
            raise UploadError("photo.not_whole")
        return path

    def remove(self, id: str) -> None:
        """Throw a photo away: it is kept elsewhere, or refused."""
        shutil.rmtree(self._find(id)[0].parent)

    def _find(self, id: str) -> tuple[Path, int]:
        if not re.fullmatch(ID_PATTERN, id):
            raise UploadError("photo.unknown")
        try:
            about = json.loads((self._folder / id / ABOUT).read_bytes())
        except (OSError, ValueError):
            raise UploadError("photo.unknown") from None
        return self._folder / id / about["name"], int(about["size"])

    def _throw_stale_away(self) -> None:
        for folder in self._folder.iterdir():
            if time.time() - folder.stat().st_mtime > STALE_S:
                shutil.rmtree(folder, ignore_errors=True)


def _plain_name(name: str) -> str:
    """A file's name without anything that a file system or a page could take for something else."""
    plain = re.sub(r"[^A-Za-z0-9._-]+", "_", name.replace("\\", "/").rpartition("/")[2])[-80:].lstrip("._-")
    return plain or "photo"
