"""The processes that read photos: a queue before them, at most one for each core, each with its own limit of memory.

A thread for each process takes what is due off the queue and stays with it until the reading is in the logbook, so
waiting costs the server nothing. A process that dies costs the photo that it was reading one retry, alone: nothing
else is read meanwhile, since most die for want of memory.
"""

import os
import queue
import threading
from collections.abc import Callable, Hashable
from concurrent.futures import Executor, Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import Any, Final

from reader.errors import LinecallError
from reader.run.batch import Outcome, Work
from reader.run.jobs import Job
from reader.run.pool import hand_over, new_executor, process_context

MEMORY_MAX: Final = 1536 * 2**20
"""Bytes of private memory of one reading process: what the largest photo takes, and the program itself."""
QUEUE_MAX: Final = 200
"""Readings that may wait; with more the phones keep their photos and ask again."""
READINGS_EACH: Final = 500
"""Readings after which a process is replaced by a new one, so that what leaks in years stays small."""


NICENESS: Final = 10
"""Readings stand back behind the server: who waits for a page waits for nothing else."""


class BusyError(LinecallError):
    """So much waits that nothing more is taken."""


class Readers:
    """Threads and processes that read photos; they begin with the first one."""

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
                raise BusyError("the station is being stopped; the photo is kept, send it again")
            if key in self._asked:
                return self._asked[key]
            if len(self._asked) >= QUEUE_MAX:
                raise BusyError(
                    f"{QUEUE_MAX} readings wait already; the photo is kept, ask again in a minute"
                )
            found: Future[Any] = Future()
            found.set_running_or_notify_cancel()  # nobody who leaves takes a reading with them
            self._asked[key] = found
            if len(self._threads) < self.workers:
                thread = threading.Thread(target=self._run, name="reading", daemon=True)
                self._threads.append(thread)
                thread.start()
        self._due.put((key, work))
        return found

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

    def _run(self) -> None:
        process = Process(self._memory_bytes, self._turns)
        try:
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
    """A process that reads one photo after the other; a thread's own."""

    def __init__(self, memory_bytes: int | None, turns: Turns) -> None:
        self._memory_bytes = memory_bytes
        self._turns = turns
        self._executor: Executor | None = None
        self._readings = 0

    def do(self, work: Work, job: Job) -> Outcome:
        """Do the work in the process; once more, alone, where it dies of it. Never raises for a photo."""
        with self._turns.beside_others():
            outcome = self._attempt(work, job)
        if outcome is None:
            with self._turns.alone():
                outcome = self._attempt(work, job)
        return outcome or Outcome(
            job=job,
            problem=f"{job.photo.name}: the process that read it was killed twice, the second time while nothing else "
            "was read, perhaps for want of memory; send a smaller photo",
        )

    def _attempt(self, work: Work, job: Job) -> Outcome | None:
        if self._readings >= READINGS_EACH:
            self.end()
        if self._executor is None:
            self._executor, self._readings = (
                new_executor(process_context(), memory_bytes=self._memory_bytes, niceness=NICENESS),
                0,
            )
        self._readings += 1
        try:
            return hand_over(self._executor, work, job).result()
        except BrokenProcessPool:
            self.end()
            return None

    def end(self) -> None:
        """Let the process end."""
        if self._executor is not None:
            self._executor.shutdown(wait=True, cancel_futures=True)
            self._executor = None
