"""Processes of this machine that may die one at a time."""

import gc
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future
from concurrent.futures.process import BrokenProcessPool, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_all_start_methods, get_context, parent_process
from multiprocessing.context import BaseContext
from typing import Any, Final

from reader.run.hand_out import Hands

OBJECTS_MADE: Final = 20_000
"""Objects that a process makes between looks for garbage; after every 700, as Python has it, they take a tenth of what
calling a verdict anew takes."""


class OwnProcesses(Hands):
    """At most so many processes, each with an executor to itself.

    One that dies (killed, out of memory, a crash in a decoder) costs the job that it had, whose future raises
    BrokenProcessPool, and is replaced. `submit` waits while all are at work.
    """

    def __init__(self, processes: int) -> None:
        """processes : how many there are at most; they begin with the jobs that need them."""
        self._processes = processes
        self._context = process_context()
        self._free = threading.Semaphore(processes)
        self._all: set[Executor] = set()
        self._idle: deque[Executor] = deque()
        self._dead: deque[Executor] = deque()

    @property
    def at_once(self) -> int:
        """A job for each."""
        return self._processes

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Have a process call the function; both must be picklable."""
        self._free.acquire()
        self._bury()
        try:
            while True:
                executor = self._idle.pop() if self._idle else self._begin()
                try:
                    with _interrupts_held():
                        future = executor.submit(fn, *args, **kwargs)
                    break
                except BrokenProcessPool:  # it died after handing over its last outcome
                    self._dead.append(executor)
        except BaseException:
            self._free.release()
            raise
        future.add_done_callback(lambda done: self._take_back(executor, done))
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Let what is under way be finished, and end."""
        # Waited for: Python's own end trips over one that is still ending.
        for executor in self._all:
            executor.shutdown(wait=wait, cancel_futures=cancel_futures)

    def _begin(self) -> Executor:
        begin_processes()
        executor = new_executor(self._context)
        self._all.add(executor)
        return executor

    def _take_back(self, executor: Executor, done: Future[Any]) -> None:
        died = not done.cancelled() and isinstance(done.exception(), BrokenProcessPool)
        (self._dead if died else self._idle).append(executor)
        self._free.release()

    def _bury(self) -> None:
        while self._dead:
            executor = self._dead.pop()
            executor.shutdown(wait=True)
            self._all.discard(executor)


def process_context() -> BaseContext:
    """Processes forked from a clean one that has imported the reader; started anew where that is unknown."""
    if "forkserver" not in get_all_start_methods():
        return get_context("spawn")
    context = get_context("forkserver")
    context.set_forkserver_preload(["reader.read", "reader.draw.annotate"])
    return context


def begin_processes() -> None:
    """From the main thread: begin the clean process, where there is none yet, out of reach of a Ctrl-C."""
    context = process_context()
    if context.get_start_method() == "forkserver":
        from multiprocessing import forkserver, resource_tracker

        resource_tracker.ensure_running()  # else begun by the other, which then lets signals in
        with _interrupts_held():
            forkserver.ensure_running()


def new_executor(context: BaseContext, *, memory_bytes: int | None = None, niceness: int = 0) -> Executor:
    """A process of its own.

    memory_bytes : the most that it may hold, where the system can limit it. niceness : by how much it stands back
    behind others that want a core, as nice(1) has it.
    """
    return ProcessPoolExecutor(
        1, mp_context=context, initializer=_prepare_worker, initargs=(memory_bytes, niceness)
    )


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """In the main thread, a Ctrl-C comes at the end of this, and not at all to a process that is begun in it."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _: came.append(number))  # other threads let it in
    masked = None
    if hasattr(signal, "pthread_sigmask"):  # not on Windows
        masked = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})  # as a child begins
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
        if masked is not None:
            signal.pthread_sigmask(signal.SIG_SETMASK, masked)
        if came:
            signal.raise_signal(signal.SIGINT)


def _prepare_worker(memory_bytes: int | None, niceness: int) -> None:
    """Leave Ctrl-C to the parent, which lets the photo at hand be finished; outlive no parent; one core."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_die_with_parent, daemon=True).start()
    if memory_bytes is not None:
        _limit_memory(memory_bytes)
    if niceness and hasattr(os, "nice"):
        os.nice(niceness)
    gc.freeze()  # what is imported stays; looking through it again and again takes a tenth of short work
    gc.set_threshold(OBJECTS_MADE)
    import cv2

    cv2.setNumThreads(1)


def _limit_memory(memory_bytes: int) -> None:
    """Let the system refuse more private memory (Linux: setrlimit(2), RLIMIT_DATA); elsewhere nothing is limited."""
    try:
        import resource
    except ImportError:  # Windows
        return
    resource.setrlimit(resource.RLIMIT_DATA, (memory_bytes, resource.getrlimit(resource.RLIMIT_DATA)[1]))


def _die_with_parent() -> None:
    """A killed parent closes no queue, and its processes would wait for work for ever."""
    parent = parent_process()
    assert parent is not None
    parent.join()
    os._exit(1)
