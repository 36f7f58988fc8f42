"""Worker processes: every job has an outcome, whatever becomes of the process that does it."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from reader.run import pool
from reader.run.batch import Outcome, read_many
from reader.run.hand_out import in_order
from reader.run.jobs import Job, plan_jobs
from reader.run.pool import OwnProcesses
from tests.reader.run.pool_work import read_by_name


def jobs_named(names: Iterable[str]) -> tuple[Job, ...]:
    return plan_jobs([Path(name) for name in names], None)


def outcomes_of(names: Iterable[str], workers: int) -> list[Outcome]:
    with OwnProcesses(workers) as hands:
        return list(in_order(read_many(jobs_named(names), read_by_name, hands)))


def process_of(outcome: Outcome) -> str:
    return outcome.written[0].name.rpartition(" ")[2]


def test_every_job_has_its_outcome_in_the_order_of_the_jobs() -> None:
    names = [f"slow-{i}" if i % 7 == 0 else f"photo-{i}" for i in range(30)]
    outcomes = outcomes_of(names, 2)
    assert [outcome.job.photo.name for outcome in outcomes] == names
    assert all(outcome.written and outcome.problem is None for outcome in outcomes)
    assert len({process_of(outcome) for outcome in outcomes}) == 2
    assert str(os.getpid()) not in {process_of(outcome) for outcome in outcomes}


def test_outcomes_come_in_as_they_are_ready() -> None:
    with OwnProcesses(2) as hands:
        arrived = [index for index, _ in read_many(jobs_named(["slow", "a", "b"]), read_by_name, hands)]
    assert arrived == [1, 2, 0]


@pytest.mark.parametrize("workers", [1, 2, 3])
def test_processes_that_die_cost_their_own_photos_only(workers: int) -> None:
    names = ["a", "kill-1", "b", "c", "exit-2", "kill-3", "d", "e", "f"]
    outcomes = outcomes_of(names, workers)
    failed = [outcome.job.photo.name for outcome in outcomes if outcome.problem]
    assert failed == ["kill-1", "exit-2", "kill-3"]
    assert [name for name in names if name not in failed] == [
        outcome.job.photo.name for outcome in outcomes if outcome.written
    ]
    assert outcomes[1].problem == (
        "kill-1: the process that read it was killed twice, the second time while nothing else was read, perhaps for "
        "want of memory; try a smaller copy of the photo"
    )


def test_an_exception_becomes_the_photos_problem_in_one_line() -> None:
    fault, fine = outcomes_of(["fault", "fine"], 1)
    assert fault.problem == (
        "fault: internal error (ZeroDivisionError: a fault); set LINECALL_DEBUG=1 for the traceback"
    )
    assert fault.details is not None
    assert "read_by_name" in fault.details
    assert fine.problem is None


def test_more_workers_than_jobs_start_no_idle_process() -> None:
    outcomes = outcomes_of(["slow-1", "slow-2"], 50)
    assert len({process_of(outcome) for outcome in outcomes}) == 2


def test_giving_up_half_way_finishes_the_photos_at_hand_and_starts_no_more() -> None:
    jobs = jobs_named(["a", *(f"slow-{i}" for i in range(40))])
    with OwnProcesses(2) as hands:
        steps = read_many(jobs, read_by_name, hands)
        next(steps)
        began = time.monotonic()
        steps.close()
    assert time.monotonic() - began < 5


SCRIPT = """
from pathlib import Path
from cli.main import one_line_errors
from reader.run.jobs import plan_jobs
from reader.run.batch import read_many
from reader.run.pool import OwnProcesses
from tests.reader.run.pool_work import read_by_name

if __name__ == "__main__":
    with one_line_errors(), OwnProcesses(2) as hands:
        jobs = plan_jobs([Path(f"slow-{i}") for i in range(100)], None)
        for _, outcome in read_many(jobs, read_by_name, hands):
            print(outcome.written[0].name, flush=True)
"""


@pytest.fixture
def long_run(root: Path) -> Iterator[subprocess.Popen[str]]:
    """A run of 15 seconds that has finished its first photo, with a process group to itself."""
    run = subprocess.Popen(
        [sys.executable, "-c", SCRIPT],
        cwd=root,
        env=os.environ | {"PYTHONPATH": str(root)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    yield run
    run.kill()
    run.communicate()


@pytest.mark.posix
def test_ctrl_c_ends_a_run_with_one_line_and_no_traceback(long_run: subprocess.Popen[str]) -> None:
    assert long_run.stdout is not None
    long_run.stdout.readline()
    os.killpg(long_run.pid, signal.SIGINT)  # as a terminal does: to the workers too
    output, problems = long_run.communicate(timeout=30)
    assert problems == "stopped\n"
    assert long_run.returncode == 130
    assert len(output.splitlines()) < 50


@pytest.mark.parametrize("other_thread", [False, True])
@pytest.mark.posix
def test_ctrl_c_while_a_job_is_handed_over_comes_right_after(
    other_thread: bool, monkeypatch: pytest.MonkeyPatch, our_interrupts: None
) -> None:
    handed_over = []

    class Slow(ThreadPoolExecutor):
        def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
            if other_thread:
                from_another_thread(lambda: os.kill(os.getpid(), signal.SIGINT))
            else:
                signal.pthread_kill(threading.get_ident(), signal.SIGINT)
            time.sleep(0.05)
            future = super().submit(fn, *args, **kwargs)
            handed_over.append(future)
            return future

    monkeypatch.setattr(pool, "new_executor", lambda _: Slow(1))
    with OwnProcesses(1) as hands, pytest.raises(KeyboardInterrupt):
        hands.submit(os.getpid)
    assert [future.result() for future in handed_over] == [os.getpid()]


def from_another_thread(what: Callable[[], None]) -> None:
    thread = threading.Thread(target=what)
    thread.start()
    thread.join()


@pytest.fixture
def our_interrupts() -> Iterator[None]:
    """Ctrl-C as in a terminal, however the tests were started."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.posix
def test_no_process_outlives_a_killed_parent(long_run: subprocess.Popen[str]) -> None:
    assert long_run.stdout is not None
    worker = int(long_run.stdout.readline().rpartition(" ")[2])
    assert is_alive(worker)
    long_run.kill()
    deadline = time.monotonic() + 20
    while is_alive(worker) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not is_alive(worker)


def is_alive(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True


def test_200_photos_with_20_bad_ones_have_200_outcomes() -> None:
    kinds = ["kill", "exit", "fault", "refuse"]
    names = [f"{kinds[i // 10 % 4]}-{i}" if i % 10 == 3 else f"photo-{i}" for i in range(200)]
    outcomes = outcomes_of(names, 2)
    assert [outcome.job.photo.name for outcome in outcomes] == names
    bad = [outcome.job.photo.name for outcome in outcomes if not outcome.written]
    assert bad == [name for name in names if not name.startswith("photo")]
    assert len(bad) == 20
