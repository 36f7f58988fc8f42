"""Results on disk: each file whole or not at all, and nothing overwritten with something else unasked."""

import errno
import os
import re
import shutil
import stat
import time
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO

from reader.errors import OutputError

try:
    import fcntl
except ImportError:  # Windows, where a file that is open cannot be deleted
    fcntl = None  # type: ignore[assignment]

PRIVATE_FILE = 0o600
PRIVATE_FOLDER = 0o700
FOR_A_GROUP = stat.S_ISGID | stat.S_IWGRP  # a folder so marked says that a group shares what is put into it
_NO_HARD_LINKS = {errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK, errno.EXDEV}
PASSING_NAME = re.compile(r"\.linecall-[0-9a-f]{16}\.part")
STALE_S = 86_400  # where files cannot be locked, a passing file of that age belongs to no run that lives


def write_whole(
    files: Mapping[Path, bytes], *, force: bool = False, private: bool = False, staging: Path | None = None
) -> tuple[Path, ...]:
    """Write files that belong together, creating their folders; returns the paths, which now hold the bytes.

    All are complete on the disk, under passing names, before the first gets its own name, so a full disk or a
    kill leaves nothing half-written. A file that already holds the same bytes is left alone. What runs that were
    killed have left under passing names is deleted.

    force : overwrite a file that holds something else. private : files and new folders that only their owner may
    look into, whatever the umask (`make_private_folder`). staging : the folder of the passing names, on the same
    disk as the files; without one, each file's own.
    Raises OutputError, with nothing changed, if a file holds something else or any cannot be written.
    """
    with ExitStack() as stack:
        staged: dict[Path, _Part] = {}
        for path, data in files.items():
            folder = staging or path.parent
            sweep(folder)
            if not _already_holds(path, data, force=force):
                with _one_clear_line(path):
                    for needed in (folder, path.parent):
                        _make_folder(needed, private=private)
                    staged[path] = stack.enter_context(_passing_file(folder, private=private))
                    staged[path].fill(data)
        for path, part in staged.items():
            with _one_clear_line(path):
                part.give_name(path, force=force)
    return tuple(files)


def make_private_folder(folder: Path) -> None:
    """Create a folder, and those above it, that only its owner may look into, whatever the umask.

    In a folder that is marked as shared by a group (setgid, writable by it) the group may look too. One that is
    there stays as it is. Raises OSError.
    """
    new = [one for one in (folder, *folder.parents) if not one.exists()]
    for one in reversed(new):
        with suppress(FileExistsError):  # another process was quicker
            one.mkdir(mode=PRIVATE_FOLDER)
            one.chmod(_private_modes(one.parent)[1])
    if not folder.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, "a file is there", str(folder))


def create_private_file(path: Path) -> int:
    """Create a file that only its owner may read, or the group that shares its folder; returns its descriptor."""
    handle = os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR | getattr(os, "O_BINARY", 0), PRIVATE_FILE)
    by = handle if os.chmod in os.supports_fd else path  # whoever sweeps may have taken its name away
    os.chmod(by, _private_modes(path.parent)[0])
    return handle


def _private_modes(folder: Path) -> tuple[int, int]:
    """Modes of a file and of a folder inside a folder."""
    if folder.stat().st_mode & FOR_A_GROUP == FOR_A_GROUP:
        return PRIVATE_FILE | 0o060, PRIVATE_FOLDER | 0o070 | stat.S_ISGID
    return PRIVATE_FILE, PRIVATE_FOLDER


def _make_folder(folder: Path, *, private: bool) -> None:
    if private:
        make_private_folder(folder)
    else:
        folder.mkdir(parents=True, exist_ok=True)


def sweep(folder: Path) -> None:
    """Delete in a folder what killed runs have left under passing names; what a run that lives writes is locked."""
    with suppress(OSError):
        for entry in os.scandir(folder):
            if PASSING_NAME.fullmatch(entry.name) and not entry.is_symlink():
                with suppress(OSError):
                    _delete_stale(Path(entry.path), folder=entry.is_dir())


def _delete_stale(path: Path, *, folder: bool) -> None:
    delete = shutil.rmtree if folder else os.unlink
    if fcntl is None:
        if time.time() - path.stat().st_mtime > STALE_S:
            delete(path)
        return
    handle = os.open(path, os.O_NOFOLLOW | os.O_NONBLOCK | (os.O_RDONLY if folder else os.O_RDWR))
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        delete(path)
    finally:
        os.close(handle)


@contextmanager
def new_folder(folder: Path) -> Iterator[Path]:
    """Folder to fill under a passing name, which gets its own only once the block has ended well.

    Raises OutputError, with nothing changed, if there is one of that name or it cannot be written.
    """
    if os.path.lexists(folder):
        raise OutputError(f"{folder}: exists; write into a new folder")
    with _one_clear_line(folder):
        folder.parent.mkdir(parents=True, exist_ok=True)
        sweep(folder.parent)
        part, handle = _create_passing_folder(folder.parent)
        try:
            yield part
            part.rename(folder)
        finally:
            if handle is not None:
                os.close(handle)
            shutil.rmtree(part, ignore_errors=True)


def check_folder(folder: Path) -> None:
    """Make sure, before long work, that results can be written into a folder; creates it.

    Raises OutputError if it cannot be created or written into.
    """
    with _one_clear_line(folder):
        folder.mkdir(parents=True, exist_ok=True)
        sweep(folder)
        with _passing_file(folder) as probe:
            probe.fill(b"linecall")


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


def _passing_name() -> str:
    return f".linecall-{os.urandom(8).hex()}.part"


@dataclass(frozen=True, slots=True)
class _Part:
    """A file under its passing name; open, and locked where that can be, until it is given its own."""

    path: Path
    file: IO[bytes]

    def fill(self, data: bytes) -> None:
        """Write all of it."""
        self.file.write(data)
        self.settle()

    def settle(self) -> None:
        """Bring what was written to the disk."""
        self.file.flush()
        os.fsync(self.file.fileno())

    def give_name(self, path: Path, *, force: bool) -> None:
        """Give the file its own name, which must be free unless force."""
        if fcntl is None:
            self.file.close()  # Windows renames no file that is open
        _give_name(self.path, path, force=force)


@contextmanager
def _passing_file(folder: Path, *, private: bool = False) -> Iterator[_Part]:
    path, handle = _create_passing(folder, private=private)
    try:
        with os.fdopen(handle, "wb") as file:
            yield _Part(path, file)
    finally:
        path.unlink(missing_ok=True)


def _create_passing(folder: Path, *, private: bool) -> tuple[Path, int]:
    while True:
        path = folder / _passing_name()
        if private:
            handle = create_private_file(path)
        else:
            handle = os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR | getattr(os, "O_BINARY", 0), 0o666)
        if _locked(handle):
            return path, handle


def _create_passing_folder(parent: Path) -> tuple[Path, int | None]:
    while True:
        path = parent / _passing_name()
        path.mkdir()
        if fcntl is None:
            return path, None
        handle = os.open(path, os.O_RDONLY)
        if _locked(handle):
            return path, handle


def _locked(handle: int) -> bool:
    """Lock what was just created, as far as the disk knows locks; False if it was swept away before, and closed."""
    if fcntl is None:
        return True
    with suppress(OSError):
        fcntl.flock(handle, fcntl.LOCK_EX)
    if os.fstat(handle).st_nlink:
        return True
    os.close(handle)
    return False


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

    It holds what a store holds, and is its owner's alone like that, whatever the umask. Raises OutputError, with
    nothing changed, if there is such a file and not `force`, or it cannot be written.
    """
    with _one_clear_line(path):
        if os.path.lexists(path) and not force:
            raise OutputError(f"{path}: exists; write elsewhere or give --force")
        path.parent.mkdir(parents=True, exist_ok=True)
        sweep(path.parent)
        with _passing_file(path.parent, private=True) as part:
            yield part.file
            part.settle()
            part.give_name(path, force=force)
