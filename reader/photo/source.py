"""What a photo may come as: a path, bytes, a binary file, or an array of pixels."""

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from reader.errors import LinecallError
from reader.files.plain import LIMIT, read_at_most, sha256_of

PhotoInput: TypeAlias = str | os.PathLike[str] | bytes | bytearray | memoryview | IO[bytes] | NDArray[Any]
"""A path; a file's bytes; a binary file open for reading; or an array (H, W, 3) of uint8 or uint16, sRGB, upright."""

UNNAMED: Final = "photo"


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PhotoSource:
    """A photo before it is decoded, and what it is called in the verdict."""

    name: str
    content: Path | bytes | NDArray[Any]

    def sha256(self) -> str | None:
        """Hash of the file or the array; None where it cannot be read, or is empty.

        An array has no file: its hash is that of the same pixels as a binary portable pixmap (Netpbm's PPM, `P6`),
        which any picture program can write and anybody can hash.
        """
        if isinstance(self.content, bytes):
            return hashlib.sha256(self.content).hexdigest() if self.content else None
        if isinstance(self.content, np.ndarray):
            return _sha256_as_pixmap(self.content)
        try:
            return sha256_of(self.content)
        except OSError:
            return None


def photo_source(photo: PhotoInput, name: str | None = None, *, unnamed: str = UNNAMED) -> PhotoSource:
    """Take a photo in whatever form it comes; a binary file is read from where it stands.

    name : what it is called in the verdict; by default the file's own name, and `unnamed` for what has none.
    Raises LinecallError for an array of another shape or type, a file that cannot be read or gives text, and whatever
    else is no photo.
    """
    if isinstance(photo, str | os.PathLike):
        path = Path(photo)
        return PhotoSource(name=name or path.name, content=path)
    if isinstance(photo, np.ndarray):
        return PhotoSource(name=name or unnamed, content=_checked(photo))
    if isinstance(photo, bytes | bytearray | memoryview):
        return PhotoSource(name=name or unnamed, content=bytes(photo))
    if not hasattr(photo, "read"):
        raise LinecallError(
            f"a photo is a path, bytes, a binary file or an array of pixels, but this is of type {type(photo).__name__}"
        )
    own = getattr(photo, "name", None)
    name = name or (Path(own).name if isinstance(own, str) else unnamed)
    try:
        data = bytes(memoryview(read_at_most(photo, LIMIT)))  # no text
    except (OSError, TypeError, ValueError) as error:
        raise LinecallError(
            f"{name}: the file cannot be read as bytes: {error}; open it in binary mode, for reading"
        ) from error
    return PhotoSource(name=name, content=bytes(data))


def _checked(pixels: NDArray[Any]) -> NDArray[Any]:
    if pixels.ndim == 3 and pixels.shape[2] == 3 and pixels.dtype in (np.uint8, np.uint16):
        return pixels
    raise LinecallError(
        f"an array of shape {pixels.shape} and type {pixels.dtype} is no photo; give one of shape (height, width, 3) "
        "and type uint8 or uint16: red, green and blue, sRGB-encoded, upright"
    )


def _sha256_as_pixmap(pixels: NDArray[Any]) -> str:
    """Hash of a portable pixmap (netpbm, ppm(5)): a header, then rows of RGB, 16 bits with the high byte first."""
    height, width, _ = pixels.shape
    digest = hashlib.sha256(f"P6\n{width} {height}\n{np.iinfo(pixels.dtype).max}\n".encode("ascii"))
    for row in pixels:
        digest.update(row.astype(pixels.dtype.newbyteorder(">")).tobytes())
    return digest.hexdigest()
