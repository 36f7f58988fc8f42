"""Results on disk: each file whole or not at all, and nothing overwritten with something else unasked."""

import errno
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from reader.errors import OutputError

_NO_HARD_LINKS = {errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EXDEV}


def write_whole(files: Mapping[Path, bytes], *, force: bool = False) -> tuple[Path, ...]:
    """Write files that belong together, creating their folders; returns the paths, which now hold the bytes.

    All are complete on the disk, under passing names in their own folders, before the first gets its own
    name, so a full disk or a kill leaves nothing half-written. A file that already holds the same bytes is
    left alone.

    force : overwrite a file that holds something else.
    Raises OutputError, with nothing changed, if a file holds something else or any cannot be written.
    """
    staged: dict[Path, Path] = {}
    try:
        for path, data in files.items():
            if not _already_holds(path, data, force=force):
                with _one_clear_line(path):
                    path.parent.mkdir(parents=True, exist_ok=True)
                    staged[path] = _passing_name(path.parent)
                    _write_through(staged[path], data)
        for path, part in staged.items():
            with _one_clear_line(path):
                _give_name(part, path, force=force)
    finally:
        for part in staged.values():
            part.unlink(missing_ok=True)
    return tuple(files)


def check_folder(folder: Path) -> None:
    """Make sure, before long work, that results can be written into a folder; creates it.

    Raises OutputError if it cannot be created or written into.
    """
    with _one_clear_line(folder):
        folder.mkdir(parents=True, exist_ok=True)
        probe = _passing_name(folder)
        try:
            _write_through(probe, b"linecall")
        finally:
            probe.unlink(missing_ok=True)


def free_name(path: Path, data: bytes) -> Path:
    """The path, or `<stem>-2<suffix>`, `-3` and so on: the first that is free or holds these bytes."""
    number, candidate = 1, path
    while os.path.lexists(candidate) and not _holds(candidate, data):
        number += 1
        candidate = path.with_name(f"{path.stem}-{number}{path.suffix}")
    return candidate


def _holds(path: Path, data: bytes) -> bool:
    return path.is_file() and path.stat().st_size == len(data) and path.read_bytes() == data


def _already_holds(path: Path, data: bytes, *, force: bool) -> bool:
    with _one_clear_line(path):
        if not os.path.lexists(path):
            return False
        if _holds(path, data):
            return True
        if not path.is_file():
            raise OutputError(f"{path}: exists and is no file; move it away or write elsewhere")
        if not force:
            raise OutputError(f"{path}: exists and holds something else; write elsewhere or give --force")
        return False


def _passing_name(folder: Path) -> Path:
    return folder / f".linecall-{os.urandom(8).hex()}.part"


def _write_through(path: Path, data: bytes) -> None:
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _give_name(part: Path, path: Path, *, force: bool) -> None:
    if force:
        part.replace(path)
        return
    try:
        path.hardlink_to(part)  # unlike a rename, this fails where the name has been taken meanwhile
    except FileExistsError:
        raise OutputError(
            f"{path}: another program has just written it; look at it before giving --force"
        ) from None
    except OSError as error:
        if error.errno not in _NO_HARD_LINKS:
            raise
        part.replace(path)  # memory cards (FAT) know no links


@contextmanager
def _one_clear_line(path: Path) -> Iterator[None]:
    """Turn any OSError inside into an OutputError that names the path and says what to do."""
    try:
        yield
    except OSError as error:
        remedy = (
            "free some space" if error.errno in {errno.ENOSPC, errno.EDQUOT} else "write to another folder"
        )
        found = (error.strerror or str(error)).lower()
        raise OutputError(f"{path}: cannot be written ({found}); {remedy}") from error


@contextmanager
def open_whole(path: Path, *, force: bool = False) -> Iterator[IO[bytes]]:
    """File to write piece by piece, which gets its name, creating its folder, only once it is complete on the disk.

    Raises OutputError, with nothing changed, if there is such a file and not `force`, or it cannot be written.
    """
    with _one_clear_line(path):
        if os.path.lexists(path) and not force:
            raise OutputError(f"{path}: exists; write elsewhere or give --force")
        path.parent.mkdir(parents=True, exist_ok=True)
        part = _passing_name(path.parent)
        try:
            with part.open("xb") as file:
                yield file
                file.flush()
                os.fsync(file.fileno())
            _give_name(part, path, force=force)
        finally:
            part.unlink(missing_ok=True)
