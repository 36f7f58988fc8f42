"""Where the photos lie: byte for byte, each under its SHA-256, in a folder or at any fsspec URL."""

import hashlib
import os
import re
from collections.abc import Iterator, Set
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, Final, Protocol, cast

from reader.errors import LinecallError, OutputError
from reader.files.output import PASSING_NAME, write_whole
from reader.files.plain import open_plain, read_at_most

_DIGEST: Final = re.compile(r"[0-9a-f]{64}")
PIECE: Final = 1 << 20  # bytes read at a time


class PhotoStore(Protocol):
    """Photos by their hash."""

    def put(self, sha256: str, data: bytes) -> None:
        """Keep a photo, whole and on the disk before this returns. Raises OutputError, LinecallError."""

    def open(self, sha256: str) -> IO[bytes] | None:
        """Open a photo; None if it is not there. Raises LinecallError if the place cannot be reached."""


def place_record(location: str) -> str:
    """Keep a place in an event: a hash, for its URL may hold a password and exports go to others."""
    return hashlib.sha256(location.encode("utf-8", "replace")).hexdigest()


def is_local(location: str) -> bool:
    """Whether photos there can be reached without opening a connection."""
    if location.startswith("file://"):
        return not location.startswith("file:////") and location[7:8] in {"/", ""}
    network_share = os.name == "nt" and location.replace("\\", "/").startswith("//")
    return "://" not in location and "::" not in location and not network_share


def photo_store(location: str, *, named: bool = True) -> PhotoStore:
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


def check_photo(store: PhotoStore, sha256: str) -> str | None:
    """What is wrong with a kept photo: missing, or no longer the bytes of its name; None if nothing is."""
    try:
        file = _open(store, sha256)
    except OutputError:  # the place is out of reach, which says nothing about the photo
        raise
    except LinecallError as error:
        return f"photo {sha256}: {error}"
    if file is None:
        return f"photo {sha256} is missing"
    with file:
        try:
            found = _hash_of(file)
        except OSError as error:
            return f"photo {sha256} cannot be read ({error.strerror or error})"
    return (
        None if found == sha256 else f"photo {sha256} has been altered: its bytes now have the hash {found}"
    )


def _open(store: PhotoStore, sha256: str) -> IO[bytes] | None:
    return store.open(sha256) if _DIGEST.fullmatch(sha256) else None  # never a path out of the store


def _hash_of(file: IO[bytes]) -> str:
    digest = hashlib.sha256()
    while piece := file.read(PIECE):
        digest.update(piece)
    return digest.hexdigest()


def read_photo_bytes(store: PhotoStore, sha256: str) -> bytes:
    """Bytes of a kept photo. Raises LinecallError if it is missing, cannot be read or has been altered."""
    file = _open(store, sha256)
    if file is None:
        raise LinecallError(f"photo {sha256} is missing from the logbook's photos; restore it from a backup")
    with file:
        try:
            data = read_at_most(file)
        except OSError as error:
            raise LinecallError(
                f"photo {sha256} cannot be read from the logbook's photos ({error.strerror or error}); "
                "check the disk, or restore it from a backup"
            ) from error
    if hashlib.sha256(data).hexdigest() != sha256:
        raise LinecallError(
            f"photo {sha256} has been altered in the logbook's photos; restore it from a backup"
        )
    return data


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

    def _error(self) -> LinecallError:
        return OutputError(
            f"the logbook names a place on the network for its photos, {self._location[:200]}; no connection was "
            "opened: if that is their place, name it with --logbook-photos, or with the variable LINECALL_PHOTOS"
        )


class FolderStore:
    """Photos in a folder: `<first two digits>/<sha256>`."""

    def __init__(self, folder: Path) -> None:
        """Take the folder; it is created with the first photo."""
        self._folder = folder

    def _path(self, sha256: str) -> Path:
        return self._folder / sha256[:2] / sha256

    def put(self, sha256: str, data: bytes) -> None:
        """Write and sync the file, then its folders' entries."""
        path = self._path(sha256)
        new_folders = [folder for folder in (path.parent, self._folder) if not folder.is_dir()]
        try:
            write_whole({path: data}, private=True, staging=self._folder)
        except OutputError as error:
            if path.is_file() and check_photo(self, sha256):
                raise LinecallError(
                    f"{path}: the photo kept here has been altered; restore it from a backup"
                ) from error
            raise
        for folder in (path.parent, *(made.parent for made in new_folders)):
            _sync_folder(folder)

    def open(self, sha256: str) -> IO[bytes] | None:
        """Open the file."""
        path = self._path(sha256)
        try:
            return open_plain(path, within=self._folder)
        except FileNotFoundError:
            return None
        except OSError as error:
            raise LinecallError(f"{path}: cannot be read ({error.strerror or error})") from error

    def strays(self, named: Set[str]) -> tuple[str | None, list[str]]:
        """What lies in the folder besides the photos `named`: a problem, such as an altered photo, and notes."""
        unnamed = others = 0
        example = ""
        for path in self._entries():
            if path.name in named and path == self._path(path.name):
                continue
            if path == self._path(path.name) and _DIGEST.fullmatch(path.name):
                problem = check_photo(self, path.name)
                if problem is not None:
                    return f"{problem}; no event names it", []
                unnamed += 1
            elif not PASSING_NAME.fullmatch(path.name):
                others, example = others + 1, str(path)
        notes = []
        if unnamed:
            verb = "photo lies" if unnamed == 1 else "photos lie"
            notes.append(
                f"{unnamed} {verb} in {self._folder} that no event names, as a run that was stopped leaves"
            )
        if others:
            verb = "file lies" if others == 1 else "files lie"
            notes.append(
                f"{others} {verb} in {self._folder} that linecall did not put there, such as {example}"
            )
        return None, notes

    def _entries(self) -> Iterator[Path]:
        """Everything below the folder but the folders themselves; links are not followed."""
        for folder, below, files in os.walk(self._folder):
            links = [name for name in below if os.path.islink(os.path.join(folder, name))]
            yield from (Path(folder, name) for name in (*links, *files))


def _sync_folder(folder: Path) -> None:
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
    """Photos at a URL of any kind that fsspec takes."""

    def __init__(self, url: str) -> None:
        """Find the file system of the URL."""
        import fsspec  # type: ignore[import-untyped]

        self._url = url
        try:
            self._fs, self._root = cast(tuple[Any, str], fsspec.url_to_fs(url))
        except (ValueError, ImportError) as error:
            raise LinecallError(f"{url}: photos cannot be kept there: {error}") from error

    def _path(self, sha256: str) -> str:
        return f"{self._root.rstrip('/')}/{sha256[:2]}/{sha256}"

    def put(self, sha256: str, data: bytes) -> None:
        """Write under a passing name, look at what has arrived, then give it its own name."""
        path = self._path(sha256)
        with self._one_clear_line(path):
            if self._fs.exists(path):
                if hashlib.sha256(self._fs.cat_file(path)).hexdigest() != sha256:
                    raise LinecallError(
                        f"{self._url}: photo {sha256} has been altered here; restore it from a backup"
                    )
                return
            part = f"{path}.{os.urandom(8).hex()}.part"
            self._fs.makedirs(path.rpartition("/")[0], exist_ok=True)
            try:
                self._fs.pipe_file(part, data)
                if self._fs.cat_file(part) != data:
                    raise OutputError(f"{self._url}: photo {sha256} did not arrive whole; try again")
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
