"""Files that come from outside: plain files only, with a limit to what is read into memory."""

import errno
import hashlib
import os
import stat
from pathlib import Path
from typing import IO, Final

LIMIT: Final = 256 * 2**20
"""Bytes of any file that is read as a whole; the largest photo that is read has no more."""


def open_plain(path: Path, *, within: Path | None = None) -> IO[bytes]:
    """Open a plain file for reading.

    within : a folder that links must not lead out of. Raises OSError, its `strerror` a sentence for the user: also
    for a pipe, which would hang, a device, and a name that no file can have.
    """
    try:
        _check_plain(path, os.stat(path))
        if within is not None and not path.resolve().is_relative_to(within.resolve()):
            raise OSError(errno.EINVAL, "it is a link that leads out of the folder", str(path))
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    except ValueError:
        raise OSError(errno.EINVAL, "its name is not a valid one", str(path)) from None
    try:
        _check_plain(path, os.fstat(handle))  # it may have been exchanged meanwhile
        return os.fdopen(handle, "rb", buffering=0)
    except BaseException:
        os.close(handle)
        raise


def _check_plain(path: Path, status: os.stat_result) -> None:
    if stat.S_ISDIR(status.st_mode):
        raise IsADirectoryError(errno.EISDIR, "it is a folder", str(path))
    if not stat.S_ISREG(status.st_mode):
        raise OSError(errno.EINVAL, "it is no plain file", str(path))


def read_plain(path: Path, *, limit: int = LIMIT, within: Path | None = None) -> bytes:
    """Read a plain file of at most `limit` bytes. Raises OSError as `open_plain` does, and for a longer one."""
    with open_plain(path, within=within) as file:
        if os.fstat(file.fileno()).st_size > limit:
            raise OSError(errno.EFBIG, f"it has more than {limit / 1e6:.3g} MB", str(path))
        data = read_at_most(file, limit)
    if len(data) > limit:
        raise OSError(errno.EFBIG, f"it has more than {limit / 1e6:.3g} MB", str(path))
    return data


def read_at_most(file: IO[bytes], limit: int = LIMIT) -> bytes:
    """Read a file's first `limit` bytes, and one more where it is longer."""
    pieces, left = [], limit + 1
    while left and (piece := file.read(left)):
        pieces.append(piece)
        left -= len(piece)
    return pieces[0] if len(pieces) == 1 else b"".join(pieces)


def sha256_of(path: Path, *, within: Path | None = None) -> str:
    """Hash of a plain file, read piece by piece. Raises OSError as `open_plain` does."""
    with open_plain(path, within=within) as file:
        return hashlib.file_digest(file, "sha256").hexdigest()  # type: ignore[arg-type]
