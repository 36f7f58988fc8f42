"""The same work on many photos, in processes that may die one at a time."""

import os
import signal
import threading
from collections.abc import Generator, Iterable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, wait
from concurrent.futures.process import BrokenProcessPool, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_all_start_methods, get_context, parent_process
from multiprocessing.context import BaseContext

from reader.run.batch import Outcome, Work, attempt
from reader.run.jobs import Job


def read_many(jobs: Sequence[Job], work: Work, *, workers: int) -> Generator[tuple[int, Outcome], None, None]:
    """Do the work for every job in `workers` processes; yields (index of the job, outcome) as they come in.

    Every process has an executor to itself, so one that dies (killed, out of memory, a crash in a decoder)
    costs the photo it was reading, and is replaced. `work` must be picklable.
    """
    context = process_context()
    waiting = list(enumerate(jobs))[::-1]
    running: dict[Future[Outcome], tuple[int, Executor]] = {}
    # Ended at last and waited for: Python's own end trips over one that is still ending.
    idle: list[Executor] = []

    def start(executor: Executor | None = None) -> None:
        index, job = waiting.pop()
        try:
            executor = executor or new_executor(context)
            future = hand_over(executor, work, job)
        except BrokenProcessPool:  # it died after handing over its last outcome
            executor = new_executor(context)
            future = hand_over(executor, work, job)
        running[future] = index, executor

    try:
        for _ in range(min(workers, len(jobs))):
            start()
        while running:
            done, _ = wait(running, return_when=FIRST_COMPLETED)
            finished = []
            for future in done:
                index, executor = running.pop(future)
                outcome, alive = _collect(future, jobs[index])
                finished.append((index, outcome))
                if not (alive and waiting):
                    idle.append(executor)
                if waiting:
                    start(executor if alive else None)
            yield from finished
    finally:
        for executor in [*idle, *(executor for _, executor in running.values())]:
            executor.shutdown(wait=True, cancel_futures=True)


def in_order(arriving: Iterable[tuple[int, Outcome]]) -> Iterator[Outcome]:
    """Outcomes in the order of their jobs, each as soon as all before it are there."""
    early: dict[int, Outcome] = {}
    due = 0
    for index, outcome in arriving:
        early[index] = outcome
        while due in early:
            yield early.pop(due)
            due += 1


def _collect(future: Future[Outcome], job: Job) -> tuple[Outcome, bool]:
    """The outcome, and whether its process lives on."""
    try:
        return future.result(), True
    except BrokenProcessPool:
        problem = (
            f"{job.photo}: the process that read it was killed, perhaps for want of memory; "
            "try it alone, or a smaller copy of the photo"
        )
        return Outcome(job=job, problem=problem), False


def process_context() -> BaseContext:
    """Processes forked from a clean one that has imported the reader; started anew where that is unknown."""
    if "forkserver" not in get_all_start_methods():
        return get_context("spawn")
    context = get_context("forkserver")
    context.set_forkserver_preload(["reader.read", "reader.draw.annotate"])
    return context


def begin_processes() -> None:
    """From the main thread: begin the clean process now, so that Ctrl-C cannot reach it while it still imports."""
    context = process_context()
    if context.get_start_method() == "forkserver":
        from multiprocessing import forkserver

        with _interrupts_ignored():  # whoever starts threads that start processes cannot do so there
            forkserver.ensure_running()


def new_executor(context: BaseContext, *, memory_bytes: int | None = None, niceness: int = 0) -> Executor:
    """A process of its own.

    memory_bytes : the most that it may hold, where the system can limit it. niceness : by how much it stands back
    behind others that want a core, as nice(1) has it.
    """
    return ProcessPoolExecutor(
        1, mp_context=context, initializer=_prepare_worker, initargs=(memory_bytes, niceness)
    )


def hand_over(executor: Executor, work: Work, job: Job) -> Future[Outcome]:
    """Have a process do the work for a job. Raises BrokenProcessPool where it has died."""
    with _interrupts_ignored():  # a process started in here ignores Ctrl-C from its first instruction
        return executor.submit(attempt, work, job)


@contextmanager
def _interrupts_ignored() -> Iterator[None]:
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _prepare_worker(memory_bytes: int | None, niceness: int) -> None:
    """Leave Ctrl-C to the parent, which lets the photo at hand be finished; outlive no parent; one core."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_die_with_parent, daemon=True).start()
    if memory_bytes is not None:
        _limit_memory(memory_bytes)
    if niceness and hasattr(os, "nice"):
        os.nice(niceness)
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
