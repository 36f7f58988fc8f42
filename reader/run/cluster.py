"""Workers of a running Dask scheduler as an executor; needs the extra `linecall[cluster]`.

Dask tries a job again whose worker was lost, on others, until so many workers died of it that it gives up; that is
when the job counts as lost here. Before it works, each worker is asked whether it is the same linecall (`on_worker`).
"""

import logging
import pickle
import threading
import time
import warnings
from collections.abc import Callable, Mapping
from concurrent.futures import BrokenExecutor, Future
from functools import partial
from typing import Any, Final
from urllib.parse import urlsplit

from reader.errors import LinecallError
from reader.files.extra import needed
from reader.run import on_worker
from reader.run.hand_out import Hands

ANSWER_S: Final = 5.0
"""How long is waited for a scheduler, and then for its first worker."""
GONE_S: Final = 60.0
"""How long is waited for another worker where all are gone."""
LOOK_S: Final = 1.0
"""How often the workers are counted."""
JOBS_A_THREAD: Final = 2
"""One at work and one on its way to the worker."""


class ClusterError(LinecallError):
    """The scheduler or its workers are out of reach, or unlike this linecall: a problem of the whole run."""


class Cluster(Hands):
    """Workers of the Dask scheduler at an address, `tcp://HOST:PORT` or `tls://HOST:PORT`.

    Certificates for tls come from Dask's own configuration. Raises ClusterError if nobody answers in some seconds, no
    worker is there, or one of them is not the same linecall.
    """

    near = False

    def __init__(self, address: str, *, answer_s: float = ANSWER_S) -> None:
        """Connect, and look at every worker that is there."""
        self.address = _checked(address)
        distributed = needed("distributed", "to read on a cluster")
        _keep_quiet("distributed", "tornado", "asyncio")
        self._killed: type[BaseException] = distributed.scheduler.KilledWorker
        self._likeness = on_worker.likeness()
        self._work: tuple[Any, bytes] | None = None
        self._open: set[Future[Any]] = set()
        self._lock = threading.Lock()
        self._ended = threading.Event()
        self._client = self._connected(distributed, answer_s)
        try:
            self._executor = self._client.get_executor(pure=False)
            self._threads = self._first_workers(answer_s)
            self._check_workers()
        except BaseException:
            self._client.close()
            raise
        threading.Thread(target=self._watch, name="workers", daemon=True).start()

    @property
    def at_once(self) -> int:
        """Enough that no worker waits for its next job."""
        return max(1, self._threads) * JOBS_A_THREAD

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Have a worker call the function with one job; both must be picklable."""
        (job,) = args
        assert not kwargs, "a job has all that the work needs"
        if self._work is None or self._work[0] is not fn:
            self._work = fn, pickle.dumps(fn)
        found: Future[Any] = Future()
        found.set_running_or_notify_cancel()
        with self._lock:
            self._open.add(found)
        try:
            asked = self._executor.submit(on_worker.do, self._likeness, self._work[1], pickle.dumps(job))
        except Exception as error:
            raise ClusterError(self._gone(_first_line(error))) from error
        asked.add_done_callback(partial(self._pass_on, found))
        return found

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Give up what is not done, and leave the workers to others."""
        self._ended.set()
        self._client.close()

    def _connected(self, distributed: Any, answer_s: float) -> Any:
        """A client of the scheduler. Dask would wait for ever for a stranger who takes the call and says nothing."""
        made: Future[Any] = Future()

        def connect() -> None:
            try:
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")  # of versions, which are compared here
                    made.set_result(distributed.Client(self.address, timeout=answer_s, set_as_default=False))
            except Exception as error:  # what a stranger makes of Dask's greeting may be anything
                made.set_exception(error)

        threading.Thread(target=connect, name="connecting", daemon=True).start()
        try:
            return made.result(2 * answer_s)
        except Exception as error:
            found = "no answer in time" if isinstance(error, TimeoutError) else _first_line(error)
            raise ClusterError(
                f"{self.address}: no Dask scheduler answers there ({found}); is it running, and is this its address?"
            ) from error

    def _first_workers(self, answer_s: float) -> int:
        """How many threads the workers have together, once there is one."""
        deadline = time.monotonic() + answer_s
        while not (threads := self._count()):
            if time.monotonic() > deadline:
                raise ClusterError(
                    f"{self.address}: the scheduler has no workers; start some: dask worker {self.address} --nthreads 1"
                )
            time.sleep(0.1)
        return threads

    def _count(self) -> int:
        return sum(self._client.nthreads().values())

    def _check_workers(self) -> None:
        found: Mapping[str, Any] = self._client.run(on_worker.check, self._likeness, on_error="return")
        for address, problem in found.items():
            if isinstance(problem, Exception):
                problem = (
                    f"the worker {address} cannot begin ({_first_line(problem)}); install linecall "
                    f"{self._likeness.linecall} there"
                )
            if problem is not None:
                raise ClusterError(str(problem))

    def _pass_on(self, found: Future[Any], asked: Future[Any]) -> None:
        """What became of a job, in words that hold for any executor."""
        try:
            self._settle(found, asked.result(), None)
        except self._killed as error:
            self._settle(found, None, BrokenExecutor(_first_line(error)))
        except BaseException as error:
            self._settle(found, None, self._explained(error))

    def _explained(self, error: BaseException) -> BaseException:
        if isinstance(
            error, ImportError | AttributeError
        ):  # raised by unpacking what is sent: work raises nothing
            return ClusterError(
                f"a worker of {self.address} has another linecall, or none ({_first_line(error)})"
            )
        if self._client.status != "running" and not self._ended.is_set():
            return ClusterError(self._gone("the connection was lost"))
        return error

    def _gone(self, how: str) -> str:
        return f"{self.address}: the scheduler is out of reach ({how}); start it again"

    def _settle(self, found: Future[Any], result: Any, error: BaseException | None) -> None:
        with self._lock:
            if found not in self._open:
                return
            self._open.discard(found)
        if error is None:
            found.set_result(result)
        else:
            found.set_exception(error)

    def _watch(self) -> None:
        """Count the workers as they come and go; where all stay away, whoever waits for a job is told."""
        seen = time.monotonic()
        while not self._ended.wait(LOOK_S):
            try:
                self._threads = self._count()
            except Exception:  # the jobs themselves say that the scheduler is gone
                continue
            if self._threads or not self._open:
                seen = time.monotonic()
            elif time.monotonic() - seen > GONE_S:
                error = ClusterError(f"{self.address}: all workers are gone; start some again")
                for found in tuple(self._open):
                    self._settle(found, None, error)


def _keep_quiet(*libraries: str) -> None:
    """Let libraries log nothing, for what matters is said in our words; Dask gives many loggers levels of their own."""
    for name in (*libraries, *logging.root.manager.loggerDict):
        if name.partition(".")[0] in libraries:
            logging.getLogger(name).setLevel(logging.CRITICAL)


def _checked(address: str) -> str:
    """An address of a scheduler, else raises ClusterError."""
    try:
        parts = urlsplit(address)
        fits = parts.scheme in ("tcp", "tls") and bool(parts.hostname) and parts.port is not None
    except ValueError:
        fits = False
    if not fits or parts.path.strip("/") or parts.query or parts.username:
        raise ClusterError(
            f"{address[:80]!r} is no address of a Dask scheduler; write it such as tcp://cluster.example:8786"
        )
    return address


def _first_line(error: BaseException) -> str:
    return str(error).strip().partition("\n")[0][:200] or type(error).__name__
