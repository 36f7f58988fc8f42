"""What runs on a worker of another machine: it makes sure that it is the same linecall, then does the job.

Work and jobs arrive as bytes and are unpacked only once that is sure, so that another version says so instead of
failing somewhere inside.
"""

import hashlib
import pickle
import socket
from collections.abc import Callable
from dataclasses import asdict, dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any, Final

from reader.errors import LinecallError
from reader.version import VERSION

READER: Final = Path(__file__).parents[1]

M_TRIM_THRESHOLD: Final = -1  # malloc.h of glibc
M_MMAP_THRESHOLD: Final = -3
MMAPPED_FROM: Final = 32 * 2**20  # bytes; glibc's own most, which it reaches as a process frees large blocks
KEPT_MAX: Final = 2 * MMAPPED_FROM  # bytes; as glibc sets it then


class UnlikeWorkerError(LinecallError):
    """A worker runs another linecall, or other libraries, than whoever hands out the work."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Likeness:
    """What must be the same everywhere for the same photo to give the same digits.

    code : SHA-256 of linecall's own modules and bundled settings, which tells two checkouts of one version apart.
    """

    linecall: str
    code: str
    numpy: str
    opencv: str
    simplejpeg: str


@cache
def likeness() -> Likeness:
    """Of this process."""
    import cv2
    import numpy as np
    import simplejpeg  # type: ignore[import-untyped]

    return Likeness(
        linecall=VERSION,
        code=_code_sha256(),
        numpy=np.__version__,
        opencv=cv2.__version__,
        simplejpeg=simplejpeg.__version__,
    )


def _code_sha256() -> str:
    digest = hashlib.sha256()
    files = [*READER.rglob("*.py"), *READER.rglob("data/**/*.toml")]
    for path in sorted(files, key=lambda path: path.relative_to(READER).as_posix()):
        content = path.read_bytes().replace(b"\r\n", b"\n")
        digest.update(f"{path.relative_to(READER).as_posix()} {len(content)}\n".encode())
        digest.update(content)
    return digest.hexdigest()


def check(wanted: Likeness, dask_worker: Any) -> str | None:
    """What is otherwise on a worker than is wanted, in a sentence that names it; None if nothing."""
    own = asdict(likeness())
    otherwise = {name: value for name, value in asdict(wanted).items() if value != own[name]}
    if len(otherwise) > 1:
        otherwise.pop("code", None)  # follows from the version
    if not otherwise:
        return None
    what = ", ".join(
        f"other code under the same version, {VERSION}"
        if name == "code"
        else f"{name} {own[name]}, not {value}"
        for name, value in otherwise.items()
    )
    where = f"the worker {dask_worker.address} on {socket.gethostname()}"
    return f"{where} runs {what}; install there what is installed here, and start it again"


def do(wanted: Likeness, work: bytes, job: bytes) -> Any:
    """Do a job. Raises UnlikeWorkerError, and whatever the work raises."""
    problem = _problem(wanted)
    if problem is not None:
        raise UnlikeWorkerError(problem)
    return _unpacked(work)(pickle.loads(job))


@lru_cache(maxsize=1)
def _problem(wanted: Likeness) -> str | None:
    from distributed import get_worker

    return check(wanted, get_worker())


@lru_cache(maxsize=2)
def _unpacked(work: bytes) -> Callable[[Any], Any]:
    import cv2

    cv2.setNumThreads(1)  # the jobs of a worker share its cores already
    _keep_freed_memory()
    found: Callable[[Any], Any] = pickle.loads(work)
    return found


def _keep_freed_memory() -> None:
    """Let this process use again what it has freed, as one that Dask did not start does of itself.

    Dask starts workers with MALLOC_TRIM_THRESHOLD_ at 64 kB: every picture's memory then comes from the system page by
    page and goes back to it, which costs a reading a fifth of its time. Only glibc has mallopt(3).
    """
    import ctypes

    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (AttributeError, TypeError, OSError):  # another C library, or Windows
        return
    mallopt(M_MMAP_THRESHOLD, MMAPPED_FROM)
    mallopt(M_TRIM_THRESHOLD, KEPT_MAX)
