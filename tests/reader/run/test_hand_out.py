"""Jobs go out to any executor, few at a time, and come back once each; who loses a worker is tried again alone."""

import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from typing import Any

import pytest

from reader.run.hand_out import AHEAD, Here, hand_out, in_order


def double(number: int) -> int:
    return 2 * number


def blamed(number: int) -> int:
    return -number


@pytest.mark.parametrize("executor", [Here, lambda: ThreadPoolExecutor(3), lambda: ProcessPoolExecutor(2)])
def test_any_executor_does_every_job_once(executor: Callable[[], Executor]) -> None:
    with executor() as hands:
        found = list(hand_out(range(40), double, hands, at_once=4, blame=blamed))
    assert sorted(found) == [(number, 2 * number) for number in range(40)]


class Mortal(Executor):
    """Threads as workers; the jobs in `deadly` take theirs with them so many times."""

    def __init__(self, deadly: dict[int, int]) -> None:
        self.threads = ThreadPoolExecutor(4)
        self.deadly = deadly
        self.under_way: set[int] = set()
        self.beside: dict[int, list[set[int]]] = {}
        self.most = 0
        self.lock = threading.Lock()

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        (number,) = args
        with self.lock:
            self.beside.setdefault(number, []).append(set(self.under_way))
            self.under_way.add(number)
            self.most = max(self.most, len(self.under_way))
        return self.threads.submit(self._do, fn, number)

    def _do(self, fn: Callable[[int], int], number: int) -> int:
        try:
            time.sleep(0.002)
            if self.deadly.get(number, 0) > 0:
                self.deadly[number] -= 1
                raise BrokenExecutor("gone")
            return fn(number)
        finally:
            with self.lock:
                self.under_way.discard(number)


def test_a_job_whose_worker_died_is_tried_again_alone_and_blamed_only_if_that_dies_too() -> None:
    executor = Mortal({3: 1, 7: 2, 8: 2})
    found = dict(hand_out(range(30), double, executor, at_once=4, blame=blamed))
    assert found == {number: 2 * number for number in range(30)} | {7: -7, 8: -8}
    for number in (3, 7, 8):
        assert len(executor.beside[number]) == 2
        assert executor.beside[number][1] == set(), "the second time nothing else was under way"
    assert executor.most <= 4


def test_neither_jobs_nor_outcomes_are_held_whole() -> None:
    taken = 0

    def jobs() -> Iterator[int]:
        nonlocal taken
        for number in range(100_000):
            taken = number
            yield number

    ahead = 0
    for done, _ in hand_out(jobs(), double, Here(), at_once=5, blame=blamed):
        ahead = max(ahead, taken - done)
    assert taken == 99_999
    assert ahead <= 10


def test_one_job_that_takes_long_does_not_let_outcomes_pile_up() -> None:
    slow = threading.Event()
    handed = 0

    def work(number: int) -> int:
        nonlocal handed
        handed = max(handed, number)
        if number == 0:
            slow.wait(10)
        elif number == 2 * AHEAD - 1:
            slow.set()
        return number

    with ThreadPoolExecutor(2) as executor:
        steps = in_order(hand_out(range(1000), work, executor, at_once=2, blame=blamed))
        assert next(steps) == 0
        assert handed <= 2 * AHEAD + 2
        assert list(steps) == list(range(1, 1000))


def test_who_stops_listening_takes_no_more_jobs() -> None:
    taken = []

    def jobs() -> Iterator[int]:
        for number in range(1000):
            taken.append(number)
            yield number

    steps = hand_out(jobs(), double, Here(), at_once=3, blame=blamed)
    next(steps)
    steps.close()
    assert len(taken) <= 6


def test_an_exception_out_of_the_work_ends_the_run() -> None:
    def work(number: int) -> int:
        if number == 5:
            raise ZeroDivisionError("a fault")
        return number

    with pytest.raises(ZeroDivisionError):
        list(hand_out(range(10), work, Here(), at_once=2, blame=blamed))


def test_a_window_that_grows_with_the_workers_is_asked_for_each_time() -> None:
    executor, room = Mortal({}), 1

    def at_once() -> int:
        nonlocal room
        room = min(3, room + 1)
        return room

    assert len(list(hand_out(range(20), double, executor, at_once=at_once, blame=blamed))) == 20
    assert executor.most == 3
