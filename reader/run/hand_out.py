"""One driver for the same work on many things, whoever does it: jobs go out to an executor, outcomes come back.

`hand_out(jobs, work, executor, at_once=8)` yields `(index of the job, outcome)` as outcomes come in. Jobs are taken
from any iterable when there is room for them, so neither jobs nor outcomes are held whole, however many there are.
"""

from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable, Generator, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, CancelledError, Executor, Future, wait
from typing import Any, Final, TypeVar

Job = TypeVar("Job")
Done = TypeVar("Done")

LOST: Final[tuple[type[BaseException], ...]] = (BrokenExecutor, CancelledError)
"""What a future raises whose worker died with the job, in any executor."""
AHEAD: Final = 8
"""Times `at_once` by which jobs may be ahead of the oldest that is not done: whoever puts outcomes into the order of
their jobs holds no more than these."""


class Hands(Executor, ABC):
    """An executor that knows how many jobs keep it busy. near : whether its workers see the files of this machine."""

    near: bool = True

    @property
    @abstractmethod
    def at_once(self) -> int:
        """How many jobs it should have at a time, now."""


class Here(Hands):
    """This very process, which does each job as it is handed over; it starts no thread and no process."""

    at_once = 1

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Do the work now."""
        done: Future[Any] = Future()
        try:
            done.set_result(fn(*args, **kwargs))
        except Exception as error:
            done.set_exception(error)
        return done


def hand_out(
    jobs: Iterable[Job],
    work: Callable[[Job], Done],
    executor: Executor,
    *,
    at_once: int | Callable[[], int],
    blame: Callable[[Job], Done],
) -> Generator[tuple[int, Done], None, None]:
    """Have an executor do the work for every job; yields (index of the job, outcome) as they come in.

    jobs : taken one by one, as there is room. work : what is done with each; picklable where the executor asks for it.
    An exception out of it is raised here, and ends the run: what must not stop the others is to become an outcome.
    at_once : how many jobs the executor has at a time; a function, where that changes with its workers.
    A job whose worker died with it is tried once more, alone, while the executor does nothing else: the culprit may
    have been another job, or want of memory. `blame` gives the outcome of one whose worker dies again. A closed
    generator hands out no more; the executor is its owner's, to be shut down.
    """
    remaining: Iterator[tuple[int, Job]] = iter(enumerate(jobs))
    running: dict[Future[Done], tuple[int, Job]] = {}  # the oldest first
    suspects: deque[tuple[int, Job]] = deque()
    alone: int | None = None  # index of the job that is tried again

    def has_room() -> bool:
        n = max(1, at_once if isinstance(at_once, int) else at_once())
        return len(running) < n and (not running or newest - next(iter(running.values()))[0] < AHEAD * n)

    newest, more, finished = -1, True, list[tuple[int, Done]]()
    try:
        while True:
            if suspects and not running:
                alone, job = suspects.popleft()
                running[executor.submit(work, job)] = alone, job
            while more and not suspects and alone is None and has_room():
                following = next(remaining, None)
                if following is None:
                    more = False
                else:
                    newest, job = following
                    running[executor.submit(work, job)] = following
            yield from finished
            if not running:
                return
            finished = []
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                index, job = running.pop(future)
                try:
                    finished.append((index, future.result()))
                except LOST:
                    if index == alone:
                        finished.append((index, blame(job)))
                    else:
                        suspects.append((index, job))
                if index == alone:
                    alone = None
    finally:
        for future in running:
            future.cancel()


def in_order(arriving: Iterable[tuple[int, Done]]) -> Iterator[Done]:
    """Outcomes in the order of their jobs, each as soon as all before it are there."""
    early: dict[int, Done] = {}
    due = 0
    for index, outcome in arriving:
        early[index] = outcome
        while due in early:
            yield early.pop(due)
            due += 1
