"""Files kept byte for byte, each under its SHA-256, in a folder or at any fsspec URL."""

import hashlib
import os
import re
import tempfile
from collections.abc import Iterator, Set
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, Final, Protocol, cast

from reader.errors import LinecallError, OutputError
from reader.files.output import PASSING_NAME, write_whole
from reader.files.plain import open_plain, read_at_most
from reader.words import counted

_DIGEST: Final = re.compile(r"[0-9a-f]{64}")
CHUNK_BYTES: Final = 1 << 20  # read at a time


class FileStore(Protocol):
    """Files by their hash."""

    def put(self, sha256: str, data: bytes) -> None:
        """Keep a file, whole and on the disk before this returns. Raises OutputError, LinecallError."""

    def open(self, sha256: str) -> IO[bytes] | None:
        """Open a file; None if it is not there. Raises LinecallError if the place cannot be reached."""

    def try_to_put(self) -> None:
        """Try whether a file could be put, leaving nothing. Raises OutputError, LinecallError."""

    @property
    def folder(self) -> Path | None:
        """Where it is on this machine; None for a place elsewhere."""


def check_file(store: FileStore, sha256: str, *, what: str = "photo") -> str | None:
    """What is wrong with a kept file: missing, or no longer the bytes of its name; None if nothing is."""
    try:
        file = _open(store, sha256)
    except OutputError:  # the place is out of reach, which says nothing about the file
        raise
    except LinecallError as error:
        return f"{what} {sha256}: {error}"
    if file is None:
        return f"{what} {sha256} is missing"
    with file:
        try:
            found = _hash_of(file)
        except OSError as error:
            return f"{what} {sha256} cannot be read ({error.strerror or error})"
    if found == sha256:
        return None
    return f"{what} {sha256} has been altered: its bytes now have the hash {found}"


def has_file(store: FileStore, sha256: str) -> bool:
    """Whether a kept file is there at all; its bytes are not looked at."""
    file = _open(store, sha256)
    if file is None:
        return False
    file.close()
    return True


def read_file(store: FileStore, sha256: str, *, what: str = "photo", where: str) -> bytes:
    """Bytes of a kept file. Raises LinecallError if it is missing, cannot be read or has been altered.

    what, where : what errors call the file and its place, such as "photo" and "the logbook's photos".
    """
    file = _open(store, sha256)
    if file is None:
        raise LinecallError(f"{what} {sha256} is missing from {where}; restore it from a backup")
    with file:
        try:
            data = read_at_most(file)
        except OSError as error:
            raise LinecallError(
                f"{what} {sha256} cannot be read from {where} ({error.strerror or error}); "
                "check the disk, or restore it from a backup"
            ) from error
    if hashlib.sha256(data).hexdigest() != sha256:
        raise LinecallError(f"{what} {sha256} has been altered in {where}; restore it from a backup")
    return data


def _open(store: FileStore, sha256: str) -> IO[bytes] | None:
    return store.open(sha256) if _DIGEST.fullmatch(sha256) else None  # never a path out of the store


def _hash_of(file: IO[bytes]) -> str:
    digest = hashlib.sha256()
    while chunk := file.read(CHUNK_BYTES):
        digest.update(chunk)
    return digest.hexdigest()


class FolderStore:
    """Files in a folder: `<first two digits>/<sha256>`."""

    def __init__(self, folder: Path, *, what: str = "photo") -> None:
        """Take the folder, which is created with the first file. what : what errors call a file."""
        self._folder = folder
        self._what = what

    def _path(self, sha256: str) -> Path:
        return self._folder / sha256[:2] / sha256

    @property
    def folder(self) -> Path | None:
        """The folder."""
        return self._folder

    def try_to_put(self) -> None:
        """Write into the folder, or where it would be begun, a file without a name."""
        place = what_exists_of(self._folder)
        try:
            with tempfile.TemporaryFile(dir=place) as probe:
                probe.write(b"linecall")
        except OSError as error:
            raise OutputError(f"{place}: a {self._what} cannot be kept here ({error.strerror})") from error

    def put(self, sha256: str, data: bytes) -> None:
        """Write and sync the file, then its folders' entries."""
        path = self._path(sha256)
        new_folders = [folder for folder in (path.parent, self._folder) if not folder.is_dir()]
        try:
            write_whole({path: data}, private=True, staging=self._folder)
        except OutputError as error:
            if path.is_file() and check_file(self, sha256):
                raise LinecallError(
                    f"{path}: the {self._what} kept here has been altered; restore it from a backup"
                ) from error
            raise
        for folder in (path.parent, *(made.parent for made in new_folders)):
            sync_folder(folder)

    def open(self, sha256: str) -> IO[bytes] | None:
        """Open the file."""
        path = self._path(sha256)
        try:
            return open_plain(path, within=self._folder)
        except FileNotFoundError:
            return None
        except OSError as error:
            raise LinecallError(f"{path}: cannot be read ({error.strerror or error})") from error

    def strays(self, named: Set[str], *, by: str) -> tuple[str | None, list[str]]:
        """What lies in the folder besides the files `named` by `by`: a problem, such as an altered file, and notes."""
        unnamed = others = 0
        example = ""
        for path in self._entries():
            if path.name in named and path == self._path(path.name):
                continue
            if path == self._path(path.name) and _DIGEST.fullmatch(path.name):
                problem = check_file(self, path.name, what=self._what)
                if problem is not None:
                    return f"{problem}; no {by} names it", []
                unnamed += 1
            elif not PASSING_NAME.fullmatch(path.name):
                others, example = others + 1, str(path)
        notes = []
        if unnamed:
            verb = "lies" if unnamed == 1 else "lie"
            notes.append(
                f"{counted(unnamed, self._what)} {verb} in {self._folder} that no {by} names, "
                "as a run that was stopped leaves"
            )
        if others:
            verb = "lies" if others == 1 else "lie"
            notes.append(
                f"{counted(others, 'file')} {verb} in {self._folder} that linecall did not put there, such as {example}"
            )
        return None, notes

    def _entries(self) -> Iterator[Path]:
        """Everything below the folder but the folders themselves; links are not followed."""
        for folder, below, files in os.walk(self._folder):
            links = [name for name in below if os.path.islink(os.path.join(folder, name))]
            yield from (Path(folder, name) for name in (*links, *files))


def what_exists_of(path: Path) -> Path:
    """The path, or where it is not there yet the nearest folder above it that is."""
    return next(place for place in (path, *path.absolute().parents) if place.exists())


def sync_folder(folder: Path) -> None:
    """Make a file's name as lasting as its bytes; not every system lets a folder be synced."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError:
        pass
    finally:
        os.close(handle)


class UrlStore:
    """Files at a URL of any kind that fsspec takes."""

    def __init__(self, url: str, *, what: str = "photo") -> None:
        """Find the file system of the URL. what : what errors call a file."""
        import fsspec  # type: ignore[import-untyped]

        self._url, self._what = url, what
        try:
            self._fs, self._root = cast(tuple[Any, str], fsspec.url_to_fs(url))
        except (ValueError, ImportError) as error:
            raise LinecallError(f"{url}: {what}s cannot be kept there: {error}") from error

    def _path(self, sha256: str) -> str:
        return f"{self._root.rstrip('/')}/{sha256[:2]}/{sha256}"

    def put(self, sha256: str, data: bytes) -> None:
        """Write under a passing name, look at what has arrived, then give it its own name."""
        path = self._path(sha256)
        with self._one_clear_line(path):
            if self._fs.exists(path):
                if hashlib.sha256(self._fs.cat_file(path)).hexdigest() != sha256:
                    raise LinecallError(
                        f"{self._url}: {self._what} {sha256} has been altered here; restore it from a backup"
                    )
                return
            part = f"{path}.{os.urandom(8).hex()}.part"
            self._fs.makedirs(path.rpartition("/")[0], exist_ok=True)
            try:
                self._fs.pipe_file(part, data)
                if self._fs.cat_file(part) != data:
                    raise OutputError(f"{self._url}: {self._what} {sha256} did not arrive whole; try again")
                self._fs.mv(part, path)
            finally:
                if self._fs.exists(part):
                    self._fs.rm_file(part)

    def open(self, sha256: str) -> IO[bytes] | None:
        """Open the object."""
        with self._one_clear_line(sha256):
            try:
                return cast(IO[bytes], self._fs.open(self._path(sha256), "rb"))
            except FileNotFoundError:
                return None

    @property
    def folder(self) -> Path | None:
        """None: it is elsewhere."""
        return None

    def try_to_put(self) -> None:
        """Ask for the place: most kinds have no way to write without leaving something."""
        with self._one_clear_line("the place"):
            self._fs.exists(self._root)

    @contextmanager
    def _one_clear_line(self, what: str) -> Iterator[None]:
        """Turn what the many file systems raise into one error; they share no base below Exception."""
        try:
            yield
        except LinecallError:
            raise
        except Exception as error:
            found = str(error).strip().partition("\n")[0] or type(error).__name__
            raise OutputError(
                f"{self._url}: {what} cannot be reached ({found}); check the place and try again"
            ) from error
