"""The processes that read photos: a queue before them, at most one for each core, each with its own limit of memory.

A thread for each process takes what is due off the queue and stays with it until the reading is in the logbook, so
waiting costs the server nothing. A process that dies costs what it was doing one retry, alone: nothing else is read
meanwhile, since most die for want of memory.
"""

import os
import queue
import threading
import time
from collections.abc import Callable, Hashable
from concurrent.futures import Executor, Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from functools import partial
from typing import Any, Final, ParamSpec, TypeVar

from reader.errors import LinecallError
from reader.run.batch import Outcome, Work, attempt
from reader.run.jobs import Job
from reader.run.pool import begin_processes, new_executor, process_context
from reader.settings.read_settings import ReadSettings
from reader.station import in_process
from reader.station.says import SAYS

MEMORY_MAX: Final = 1536 * 2**20
"""Bytes of private memory of one reading process: what the largest photo takes, and the program itself."""
QUEUE_MAX: Final = 200
"""Readings that may wait; with more the phones keep their photos and ask again."""
QUEUE_WAIT_S: Final = 1.0
READINGS_EACH: Final = 500
"""Readings after which a process is replaced by a new one, so that what leaks in years stays small."""
NICENESS: Final = 10
"""Readings stand back behind the server: who waits for a page waits for nothing else."""


Given = ParamSpec("Given")
Found = TypeVar("Found")


class BusyError(LinecallError):
    """So much waits that nothing more is taken."""


class KilledError(LinecallError):
    """A process was killed twice over the same work."""


class Readers:
    """Threads and processes that read photos; they begin with the first one, or when they are told to."""

    def __init__(self, workers: int | None = None, *, memory_bytes: int | None = MEMORY_MAX) -> None:
        """workers : at most the cores of this machine, which are the default."""
        cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
        self.workers = max(1, min(workers or cores, cores))
        self._memory_bytes = memory_bytes
        self._due: queue.SimpleQueue[tuple[Hashable, Callable[[Process], Any]] | None] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._asked: dict[Hashable, Future[Any]] = {}
        self._threads: list[threading.Thread] = []
        self._turns = Turns()
        self._closed = False

    @property
    def busy(self) -> int:
        """Readings that are under way or wait."""
        return len(self._asked)

    def ask(self, key: Hashable, work: Callable[["Process"], Any]) -> Future[Any]:
        """Have work done by a thread with a process; of two that ask the same at once, both get the one result.

        Raises BusyError.
        """
        with self._lock:
            if self._closed:
                raise BusyError(SAYS("stopping"))
            if key in self._asked:
                return self._asked[key]
            if len(self._asked) >= QUEUE_MAX:
                raise BusyError(SAYS("queue", n=QUEUE_MAX))
            found: Future[Any] = Future()
            found.set_running_or_notify_cancel()  # nobody who leaves takes a reading with them
            self._asked[key] = found
            if len(self._threads) < self.workers:
                self._add_thread(None)
        self._due.put((key, work))
        return found

    def wait_for(self, key: Hashable, what: Callable[[], Found]) -> Found:
        """Have something done by a process in its turn, however long the queue is; not for a request, which waits."""
        while len(self._asked) >= QUEUE_MAX and not self._closed:
            time.sleep(QUEUE_WAIT_S)
        found: Future[Found] = self.ask(key, lambda process: process.do(what))
        return found.result()

    def get_ready(self, settings: ReadSettings) -> None:
        """Begin all processes and have everything loaded in them, aside, so that the first photo waits for nothing."""
        begin_processes()
        with self._lock:
            while not self._closed and len(self._threads) < self.workers:
                self._add_thread(settings)

    def _add_thread(self, settings: ReadSettings | None) -> None:
        thread = threading.Thread(target=self._run, args=(settings,), name="reading", daemon=True)
        self._threads.append(thread)
        thread.start()

    def close(self) -> None:
        """Let what is under way be finished, and end; what waits is given up: its photos are kept."""
        with self._lock:
            self._closed = True
        while True:
            try:
                one = self._due.get_nowait()
            except queue.Empty:
                break
            if one is not None:
                self._settle(
                    one[0], error=BusyError("the station was stopped; the photo is kept, send it again")
                )
        for _ in self._threads:
            self._due.put(None)
        for thread in self._threads:
            thread.join()

    def _run(self, settings: ReadSettings | None) -> None:
        process = Process(self._memory_bytes, self._turns)
        try:
            if settings is not None:
                process.get_ready(settings)
            while (one := self._due.get()) is not None:
                key, work = one
                try:
                    result = work(process)
                except BaseException as error:
                    self._settle(key, error=error)
                else:
                    self._settle(key, result=result)
        finally:
            process.end()

    def _settle(self, key: Hashable, *, result: Any = None, error: BaseException | None = None) -> None:
        with self._lock:
            found = self._asked.pop(key)
        if error is None:
            found.set_result(result)
        else:
            found.set_exception(error)


class Turns:
    """Readings side by side, or one alone."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._reading = 0
        self._alone = False

    @contextmanager
    def beside_others(self) -> Any:
        """Wait until nobody reads alone."""
        with self._changed:
            self._changed.wait_for(lambda: not self._alone)
            self._reading += 1
        try:
            yield
        finally:
            with self._changed:
                self._reading -= 1
                self._changed.notify_all()

    @contextmanager
    def alone(self) -> Any:
        """Wait until nobody reads, and let nobody begin."""
        with self._changed:
            self._changed.wait_for(lambda: not self._alone)
            self._alone = True
            self._changed.wait_for(lambda: self._reading == 0)
        try:
            yield
        finally:
            with self._changed:
                self._alone = False
                self._changed.notify_all()


class Process:
    """A process that does one thing after the other; a thread's own."""

    def __init__(self, memory_bytes: int | None = MEMORY_MAX, turns: Turns | None = None) -> None:
        """It begins with the first thing to do. turns : with other processes, that share the machine's memory."""
        self._memory_bytes = memory_bytes
        self._turns = turns or Turns()
        self._executor: Executor | None = None
        self._done = 0

    def read(self, work: Work, job: Job) -> Outcome:
        """Read photos in the process. Never raises for a photo."""
        try:
            return self.do(attempt, work, job)
        except KilledError as error:
            return Outcome(job=job, problem=f"{job.photo.name}: {error}; send a smaller photo")

    def do(self, what: Callable[Given, Found], *given: Given.args, **named: Given.kwargs) -> Found:
        """Do something in the process; once more, alone, where it dies of it. Raises KilledError."""
        with suppress(BrokenProcessPool), self._turns.beside_others():
            return self._attempt(partial(what, *given, **named))
        try:
            with self._turns.alone():
                return self._attempt(partial(what, *given, **named))
        except BrokenProcessPool:
            raise KilledError(
                "the process that read it was killed twice, the second time while nothing else was read, perhaps for "
                "want of memory"
            ) from None

    def follow(self, what: Callable[[], Found]) -> Future[Found]:
        """Have something done in the process as it is now, while the server goes on; never again where that fails."""
        try:
            return self._submit(what)
        except BrokenProcessPool as error:
            failed: Future[Found] = Future()
            failed.set_exception(error)
            return failed

    def get_ready(self, settings: ReadSettings) -> None:
        """Begin, with everything loaded; where that fails the first photo will tell."""
        with suppress(BrokenProcessPool, LinecallError), self._turns.beside_others():
            self._attempt(partial(in_process.get_ready, settings))

    def _attempt(self, what: Callable[[], Found]) -> Found:
        if self._done >= READINGS_EACH:
            self.end()
        self._done += 1
        try:
            return self._submit(what).result()
        except BrokenProcessPool:
            self.end()
            raise

    def _submit(self, what: Callable[[], Found]) -> Future[Found]:
        if self._executor is None:
            self._executor = new_executor(
                process_context(), memory_bytes=self._memory_bytes, niceness=NICENESS
            )
        return self._executor.submit(what)

    def end(self) -> None:
        """Let the process end."""
        if self._executor is not None:
            self._executor.shutdown(wait=True, cancel_futures=True)
            self._executor, self._done = None, 0
