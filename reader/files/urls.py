"""Files at URLs of any kind that fsspec takes: listed by pages, read whole, written whole or not at all.

What may be a secret in a URL, a user with a password or a query, is used and never shown.
"""

import os
import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from io import BytesIO
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final, TypeAlias
from urllib.parse import unquote, urlsplit

from reader.errors import LinecallError, OutputError
from reader.files.plain import LIMIT

_URL: Final = re.compile(
    r"(?P<scheme>[A-Za-z][A-Za-z0-9+.-]+)://(?:(?P<user>[^/@]*)@)?(?P<path>.*?)(?P<query>\?[^/?]*=.*)?",
    re.DOTALL,
)
_WEB: Final = ("http", "https")
OBJECT_STORES: Final = frozenset(("s3", "s3a", "gs", "gcs", "abfs", "abfss", "az", "adl", "memory"))
"""Where an object appears whole, with one call, and a name is no place that others can look into before."""
OPTIONS: Final[Mapping[str, Mapping[str, Any]]] = {
    scheme: {
        "use_listings_cache": False,  # what others write is seen at once, and no listing is held
        "config_kwargs": {"connect_timeout": 10, "read_timeout": 60},
    }
    for scheme in ("s3", "s3a")
}
PROBE: Final = ".linecall-may-write"
PAGE: Final = 1000  # keys, the most that S3 lists at a time


@dataclass(frozen=True, kw_only=True, slots=True, repr=False)
class Url:
    """A file or folder at a URL, with the parts of a path that are asked for; `str` and `repr` show no secret.

    path : the bucket or host, and the name in it. user, query : what may be secret.
    """

    scheme: str
    path: str
    user: str = ""
    query: str = ""

    @property
    def full(self) -> str:
        """The URL with all that it takes to open it."""
        return f"{self.scheme}://{self.user and f'{self.user}@'}{self.path}{self.query}"

    def __str__(self) -> str:
        """The URL without what may be secret."""
        return f"{self.scheme}://{self.path}"

    __repr__ = __str__

    @property
    def name(self) -> str:
        """What follows the last slash."""
        return self.path.rstrip("/").rpartition("/")[2]

    @property
    def suffix(self) -> str:
        """Of its name, such as `.jpg`."""
        return Path(self.name).suffix

    @property
    def stem(self) -> str:
        """Its name without the suffix."""
        return Path(self.name).stem

    @property
    def parent(self) -> "Url":
        """The folder that it lies in."""
        return replace(self, path=self.path.rstrip("/").rpartition("/")[0])

    def __truediv__(self, name: str) -> "Url":
        """A file or folder below this one."""
        return replace(self, path=f"{self.path.rstrip('/')}/{name}")

    def below(self, folder: "Url") -> str:
        """Its name as seen from a folder above it."""
        return self.path.removeprefix(folder.path.rstrip("/")).lstrip("/")


Place: TypeAlias = Path | Url


def is_url(text: str) -> bool:
    """Whether a text is a URL, and not a path of this machine."""
    return bool(re.match(r"[A-Za-z][A-Za-z0-9+.-]+://", text))


def place_of(text: str) -> Place:
    """A path, or a URL; `file://` is a path of this machine. Raises LinecallError for a chain of URLs."""
    if not is_url(text):
        return Path(text)
    found = _URL.fullmatch(text)
    assert found is not None, "it begins like one"
    scheme = found["scheme"].lower()
    if scheme in ("file", "local"):
        return Path(unquote(urlsplit(text).path))
    url = Url(scheme=scheme, path=found["path"], user=found["user"] or "", query=found["query"] or "")
    if "::" in text:
        raise LinecallError(f"{url}: is a chain of URLs; name one file, or one folder")
    return url


def without_secrets(text: str, url: Url) -> str:
    """What a library says, without the URL's secrets and anything that looks like some."""
    for secret in (url.query.lstrip("?"), url.user, *url.user.split(":", 1)):
        if len(secret) > 2:
            text = text.replace(secret, "...")
    return re.sub(r"(\w://)[^/@\s]*@", r"\1", re.sub(r"\?[^\s'\"]*=[^\s'\"]*", "", text))


# --- reading ------------------------------------------------------------------------------------------------


class Fetched(BytesIO):
    """A file at a URL, with its bytes as they were when they were fetched, once."""

    def __init__(self, url: Url) -> None:
        """Fetch it. Raises LinecallError."""
        super().__init__(read_url(url))
        self.name = url.name


def fetched(places: Sequence[Place]) -> "list[Path | Fetched]":
    """What the reader opens: paths as they are, and files at URLs with their bytes. Raises LinecallError."""
    return [Fetched(place) if isinstance(place, Url) else place for place in places]


def read_url(url: Url, *, limit: int = LIMIT) -> bytes:
    """A file's bytes. Raises LinecallError if it is not there, has more than `limit` bytes or is out of reach."""
    with _one_clear_line(url, "cannot be read"):
        fs, path = _file_system(url)
        size = fs.info(path).get("size")
        if size is not None and size > limit:
            raise LinecallError(f"{url}: has {size / 1e6:,.0f} MB, more than {limit / 1e6:.3g} MB")
        data: bytes = fs.cat_file(path)
    if len(data) > limit:
        raise LinecallError(f"{url}: has more than {limit / 1e6:.3g} MB")
    return data


@contextmanager
def open_url(url: Url) -> Iterator[Any]:
    """A file to be read piece by piece, in binary; what goes wrong inside is a LinecallError too."""
    with _one_clear_line(url, "cannot be read"):
        fs, path = _file_system(url)
        with fs.open(path, "rb") as file:
            yield file


def url_exists(url: Url) -> bool:
    """Whether there is a file. Raises LinecallError where that cannot be told."""
    with _one_clear_line(url, "cannot be reached"):
        fs, path = _file_system(url)
        return bool(fs.isfile(path))


def files_at(url: Url) -> Iterator[Url]:
    """The files that a URL names: itself; those in a folder, sorted by name; or those that fit its `*` and `**`.

    They come page by page where the store lists by pages (S3); elsewhere a folder is listed as a whole.
    Raises LinecallError if there is nothing, or it is out of reach.
    """
    with _one_clear_line(url, "cannot be listed"):
        fs, path = _file_system(url)
        if "*" in path:
            names = _fitting(fs, path)
        elif path.endswith("/") or not fs.isfile(path):
            names = _in_folder(fs, path)
        else:
            yield url
            return
        empty = True
        top = path.partition("*")[0].rpartition("/")[0] if "*" in path else path.rstrip("/")
        for name in names:
            if name.startswith(f"{top}/") and ".." not in name.split("/"):  # a page of the web links anywhere
                empty = False
                yield replace(url, path=_shown_path(url, name))
        if empty:
            raise LinecallError(
                f"{url}: there is no such file, and no folder with files in it; check the name"
            )


def _shown_path(url: Url, name: str) -> str:
    """A name as the file system has it, as the path of a URL."""
    return (
        name.partition("://")[2]
        if url.scheme in _WEB
        else name.lstrip("/")
        if url.scheme == "memory"
        else name
    )


def _in_folder(fs: Any, path: str) -> Iterator[str]:
    """Names of the files in a folder, not of those in folders inside it."""
    if hasattr(fs, "call_s3"):
        yield from _s3_pages(fs, path.rstrip("/") + "/", delimiter="/")
        return
    yield from sorted(one["name"] for one in fs.ls(path.rstrip("/"), detail=True) if one["type"] == "file")


def _fitting(fs: Any, path: str) -> Iterator[str]:
    """Names that fit a pattern: `*` stands for any letters but a slash, `**` for any."""
    pattern = re.compile(
        "".join({"**": ".*", "*": "[^/]*"}.get(part, re.escape(part)) for part in re.split(r"(\*\*?)", path))
    )
    beginning = path.partition("*")[0]
    if hasattr(fs, "call_s3"):
        yield from filter(pattern.fullmatch, _s3_pages(fs, beginning))
        return
    for folder, _, files in fs.walk(beginning.rpartition("/")[0]):
        yield from filter(pattern.fullmatch, (f"{folder.rstrip('/')}/{name}" for name in sorted(files)))


def _s3_pages(fs: Any, prefix: str, **more: str) -> Iterator[str]:
    """Names of objects, sorted as S3 sorts them; a page of them is held at a time."""
    bucket, _, key = prefix.partition("/")
    token: dict[str, str] = {}
    while True:
        page = fs.call_s3("list_objects_v2", Bucket=bucket, Prefix=key, MaxKeys=PAGE, **token, **more)
        for one in page.get("Contents", ()):
            if not one["Key"].endswith("/"):  # what stands for a folder
                yield f"{bucket}/{one['Key']}"
        if not page.get("IsTruncated"):
            return
        token = {"ContinuationToken": page["NextContinuationToken"]}


@contextmanager
def on_this_machine(places: Sequence[Place]) -> Iterator[list[Path]]:
    """The same files as paths; those at URLs are fetched, and gone afterwards."""
    with ExitStack() as stack:
        paths: list[Path] = []
        for place in places:
            if isinstance(place, Url):
                path = Path(stack.enter_context(TemporaryDirectory(prefix="linecall-")), place.name)
                path.write_bytes(read_url(place))
                paths.append(path)
            else:
                paths.append(place)
        yield paths


# --- writing ------------------------------------------------------------------------------------------------


def write_url(url: Url, data: bytes, *, force: bool = False) -> None:
    """Write a file whole or not at all; one that holds these bytes already is left alone.

    An object store shows an object once it has all of it; elsewhere it is written under a passing name and renamed.
    force : overwrite a file that holds something else. Raises OutputError.
    """
    with _one_clear_line(url, "cannot be written", OutputError):
        fs, path = _file_system(url)
        if not force and holds_this(url, data):
            return
        if url.scheme in OBJECT_STORES:
            fs.pipe_file(path, data)
            return
        with _passing(fs, path) as part:
            fs.pipe_file(part, data)


def check_writable(folder: Url) -> None:
    """Make sure, before long work, that results can be written there. Raises OutputError."""
    with _one_clear_line(folder, "cannot be written", OutputError):
        fs, path = _file_system(folder)
        if folder.scheme not in OBJECT_STORES:  # which would make a bucket of a mistyped name
            fs.makedirs(path, exist_ok=True)
        probe = f"{path.rstrip('/')}/{PROBE}"
        fs.pipe_file(probe, b"linecall")
        with suppress(Exception):  # whoever may write need not be allowed to delete
            fs.rm_file(probe)


def holds_this(url: Url, data: bytes) -> bool:
    """Whether a file holds these bytes; False where there is none. Raises OutputError if it holds others."""
    with _one_clear_line(url, "cannot be reached", OutputError):
        fs, path = _file_system(url)
        if not fs.isfile(path):
            return False
        if fs.cat_file(path) == data:
            return True
    raise OutputError(f"{url}: exists and holds something else; write elsewhere or give --force")


def upload(file: Path, url: Url) -> None:
    """Write a file of this machine, however large, whole or not at all. Raises OutputError."""
    with _one_clear_line(url, "cannot be written", OutputError):
        fs, path = _file_system(url)
        if url.scheme in OBJECT_STORES:
            fs.put_file(str(file), path)
            return
        with _passing(fs, path) as part:
            fs.put_file(str(file), part)


@contextmanager
def _passing(fs: Any, path: str) -> Iterator[str]:
    part = f"{path}.{os.urandom(8).hex()}.part"
    fs.makedirs(path.rpartition("/")[0], exist_ok=True)
    try:
        yield part
        fs.mv(part, path)
    except BaseException:
        with suppress(Exception):
            fs.rm_file(part)
        raise


# --- file systems -------------------------------------------------------------------------------------------


def _file_system(url: Url) -> tuple[Any, str]:
    import fsspec  # type: ignore[import-untyped]

    try:
        fs, path = fsspec.url_to_fs(url.full, **OPTIONS.get(url.scheme, {}))
    except ImportError as error:
        how = "pip install 'linecall[cluster]'" if url.scheme in OPTIONS else str(error)
        raise LinecallError(f"{url}: {url.scheme}:// needs a package that is not installed: {how}") from None
    except ValueError as error:
        raise LinecallError(f"{url}: {without_secrets(str(error), url)}") from None
    return fs, path


@contextmanager
def _one_clear_line(url: Url, what: str, kind: type[LinecallError] = LinecallError) -> Iterator[None]:
    """Turn what the many file systems raise into one error; they share no base below Exception."""
    try:
        yield
    except LinecallError:
        raise
    except Exception as error:
        found = _found(error, url)
    else:
        return
    raise kind(f"{url}: {what} ({found})")  # without its cause, whose traceback may hold a secret


def _found(error: Exception, url: Url) -> str:
    """What went wrong, and what to do about it."""
    cause: BaseException = error
    while cause.__cause__ is not None:
        cause = cause.__cause__
    names = {type(one).__name__ for one in (error, cause)}
    line = without_secrets(" ".join((str(error).strip() or type(error).__name__).split()), url)[:200]
    if names & {"NoCredentialsError", "PartialCredentialsError", "NoAuthTokenError"}:
        return f"{line}; give this process the store's credentials, in its environment or its own files"
    if isinstance(error, PermissionError) or "403" in line:
        return f"access denied: {line}; check the credentials, and what they allow"
    if isinstance(error, FileNotFoundError):
        return "there is no such file, folder or bucket; check the name"
    return f"{line}; check the place and try again"
