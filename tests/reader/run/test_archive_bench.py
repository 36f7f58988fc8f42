"""A sample of the bench of archives, and the sums that it does on paper."""

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import pytest

from tests.bench.archive import MEMORY_MAX, bent, bytes_moved, invented, one_run, rate_on, stricter
from tests.bench.reading import MEGABYTE


def test_some_hundred_verdicts_go_through_two_processes_as_a_million_do(tmp_path: Path) -> None:
    lines = tmp_path / "archive.jsonl"
    lines.write_bytes(b"".join(map(invented, range(60))))
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as own:  # whose memory is the client's alone
        run = own.submit(one_run, lines, 400, 2).result()
    assert run["n"] == 400
    assert 0 < run["changed"] < 400
    assert run["steps"][-1][0] == 400
    assert run["peak"] / MEGABYTE < MEMORY_MAX
    sent, back = bytes_moved(lines, stricter(tmp_path))
    assert len(invented(0)) < sent < 1.1 * len(invented(0))
    assert back < 0.1 * sent


def test_rates_on_paper() -> None:
    # 0.96 ms of a worker and 0.04 ms of the client: 1 ms of two cores is 2,000 a second, of ten 10,000; the client
    # alone does 25,000, which 25 cores reach.
    for cores, rate in ((2, 2_000), (10, 10_000), (25, 25_000), (100, 25_000)):
        assert rate_on(cores, 0.04, 0.96) == pytest.approx(rate)


def test_a_straight_line_is_not_bent_and_one_that_grows_with_the_square_is() -> None:
    straight = [(n, 2.0 * n, 0) for n in range(1, 11)]
    assert bent(straight) == pytest.approx(0, abs=1e-12)
    # n squared from 1 to 10 strays most at both ends: the line fitted to it is 11 n - 22, 12 below at n = 1.
    assert bent([(n, float(n * n), 0) for n in range(1, 11)]) == pytest.approx(12 / 100)
