"""Workers of a Dask scheduler do what processes of this machine do; what is wrong with them is said at once."""

import ctypes
import os
import platform
import re
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest
from click.testing import CliRunner

from cli.main import main
from reader.errors import LinecallError
from reader.run.batch import Outcome, read_and_write, read_many
from reader.run.cluster import Cluster, ClusterError
from reader.run.hand_out import hand_out, in_order
from reader.run.jobs import Order, plan_jobs
from reader.run.pool import OwnProcesses
from reader.settings.read_settings import load_settings
from tests.conftest import ROOT
from tests.dask_cluster import LocalCluster, local_cluster
from tests.reader.run.pool_work import read_by_name

pytestmark = [pytest.mark.slow, pytest.mark.posix]


@pytest.fixture(scope="module")
def shared_cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LocalCluster]:
    with local_cluster(tmp_path_factory.mktemp("dask"), allowed_failures=1) as found:
        yield found


@pytest.fixture
def cluster(shared_cluster: LocalCluster) -> LocalCluster:
    """A cluster of two workers, whatever an earlier test has done to them."""
    shared_cluster.wait_for_workers(2)
    return shared_cluster


def files_named(folder: Path, names: list[str]) -> list[Path]:
    folder.mkdir(exist_ok=True)
    for name in names:
        (folder / name).touch()
    return [folder / name for name in names]


def test_the_same_photos_give_the_same_bytes_as_processes_of_this_machine(
    cluster: LocalCluster, root: Path, tmp_path: Path
) -> None:
    photos = sorted((root / "demo_images").glob("*tank*.jpg"))[:3]
    work = partial(read_and_write, order=Order(settings=load_settings(), reading_age_min=20))
    with OwnProcesses(2) as hands:
        here = list(in_order(read_many(plan_jobs(photos, tmp_path / "here"), work, hands)))
    with Cluster(cluster.address) as hands:
        there = list(in_order(read_many(plan_jobs(photos, tmp_path / "there"), work, hands)))
    assert [one.verdict for one in here] == [one.verdict for one in there]
    for one, other in zip(here, there, strict=True):
        assert other.problem is None
        assert len(one.written) == len(other.written) == 2
        assert [Path(str(path)).read_bytes() for path in one.written] == [
            Path(str(path)).read_bytes() for path in other.written
        ]


def test_a_photo_that_kills_its_worker_is_blamed_and_the_rest_go_on(
    cluster: LocalCluster, tmp_path: Path
) -> None:
    names = ["a", "kill-1", "b", "fault", *(f"photo-{k}" for k in range(8))]
    jobs = plan_jobs(files_named(tmp_path / "photos", names), None)
    with Cluster(cluster.address) as hands:
        found = list(in_order(read_many(jobs, written_here, hands)))
    assert [one.job.photo.name for one in found] == names
    assert "killed twice, the second time while nothing else was read" in (found[1].problem or "")
    assert "internal error (ZeroDivisionError: a fault)" in (found[3].problem or "")
    assert {one.job.photo.name for one in found if one.problem} == {"kill-1", "fault"}


def written_here(job: object) -> Outcome:
    """As `read_by_name`, with its photo for a result."""
    outcome = read_by_name(job)  # type: ignore[arg-type]
    return Outcome(job=outcome.job, verdict=outcome.verdict)


def count_a_run(name: str, folder: Path) -> str:
    """Leave a mark of its own, and take a moment."""
    time.sleep(0.05)
    with (folder / name).open("a") as file:
        file.write("done\n")
    return name


@pytest.mark.posix
def test_workers_killed_now_and_then_lose_no_job_and_give_none_twice(
    cluster: LocalCluster, tmp_path: Path
) -> None:
    names = [f"{k:03}" for k in range(100)]
    over, killed = threading.Event(), list[list[int]]()

    def kill() -> None:
        while not over.wait(0.5):
            pids = cluster.worker_pids()
            if len(pids) == 2:  # it takes seconds until a killed one has been replaced
                os.kill(pids[len(killed) % 2], signal.SIGKILL)
                killed.append(pids)

    with Cluster(cluster.address) as hands:
        killer = threading.Thread(target=kill)
        killer.start()
        try:
            work = partial(count_a_run, folder=tmp_path)
            found = list(hand_out(names, work, hands, at_once=lambda: hands.at_once, blame=str.upper))
        finally:
            over.set()
            killer.join()
    assert sorted(name for _, name in found) == names
    assert sorted(index for index, _ in found) == list(range(len(names)))
    assert killed


def test_the_commands_take_relative_paths_and_say_where_the_results_lie(
    cluster: LocalCluster, root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("photos").mkdir()
    for name in ("north-tank-drain.jpg", "helipad-bowser.jpg"):
        shutil.copy(root / "demo_images" / name, "photos")
    options = ("--on", cluster.address)
    done = CliRunner().invoke(main, ["read", "photos", "--out", "out", "--reading-age", "20", *options])
    assert done.exit_code in (0, 3, 5), done.output
    assert f"; {tmp_path / 'out' / 'summary.csv'} has them all" in done.stdout
    assert len(list(Path("out").glob("*.verdict.json"))) == 2
    added = CliRunner().invoke(main, ["library", "add", "photos", "--library", "site", *options])
    assert added.exit_code == 0, added.output
    assert "2 photos: 2 added" in added.stdout


def test_ctrl_c_ends_a_run_in_two_lines_and_the_same_command_goes_on(
    cluster: LocalCluster, root: Path, tmp_path: Path
) -> None:
    (tmp_path / "photos").mkdir()
    for number in range(8):
        data = (root / "demo_images" / "helipad-bowser.jpg").read_bytes()
        (tmp_path / "photos" / f"{number}.jpg").write_bytes(data + bytes([number]))
    linecall = (sys.executable, "-c", "from cli.main import main; main()")
    options = ("--out", "out", "--reading-age", "20", "--on", cluster.address)
    run = subprocess.Popen(
        [*linecall, "read", "photos", *options],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    deadline = time.monotonic() + 90
    while not list((tmp_path / "out").glob("*.verdict.json")) and time.monotonic() < deadline:
        time.sleep(0.05)
    run.send_signal(signal.SIGINT)
    _, problems = run.communicate(timeout=60)
    assert run.returncode == 130, problems
    assert "Traceback" not in problems
    assert "of 8 readings" in problems
    assert "the same command reads them" in problems
    done = subprocess.run(
        [*linecall, "read", "photos", *options],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert re.search(r"8 photos: 8 negligible; [1-8] of 8 were done before; ", done.stdout), done.stdout


def test_a_file_that_a_worker_does_not_see_is_said_with_the_host(
    cluster: LocalCluster, tmp_path: Path
) -> None:
    jobs = plan_jobs([tmp_path / "elsewhere.jpg", *files_named(tmp_path / "p", ["here.jpg"])], None)
    with Cluster(cluster.address) as hands:
        gone, seen = in_order(read_many(jobs, written_here, hands))
    assert gone.problem == (
        f"{tmp_path / 'elsewhere.jpg'}: the worker on {socket.gethostname()} sees no such file; name photos by a "
        "folder that all workers see, or by a URL"
    )
    assert seen.problem is None


def test_a_result_that_does_not_arrive_on_this_machine_is_said(cluster: LocalCluster, tmp_path: Path) -> None:
    jobs = plan_jobs(files_named(tmp_path / "p", ["a.jpg"]), None)
    with Cluster(cluster.address) as hands:
        (one,) = in_order(read_many(jobs, read_by_name, hands))  # says it has written what it has not
    assert "written by a worker, but not to be seen here" in (one.problem or "")


def test_where_nobody_answers_one_line_says_so_in_seconds() -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    began = time.monotonic()
    with pytest.raises(ClusterError, match=f"tcp://127.0.0.1:{port}: no Dask scheduler answers there"):
        Cluster(f"tcp://127.0.0.1:{port}", answer_s=2)
    assert time.monotonic() - began < 10


@pytest.mark.parametrize("said", [None, b"HTTP/1.1 400 Bad Request\r\n\r\n"])
def test_a_stranger_behind_the_address_is_no_scheduler(said: bytes | None) -> None:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen()

        def answer() -> None:
            while said:
                try:
                    caller = listener.accept()[0]
                except OSError:
                    return
                caller.sendall(said)
                caller.close()

        threading.Thread(target=answer, daemon=True).start()
        with pytest.raises(ClusterError, match="no Dask scheduler answers there"):
            Cluster(f"tcp://127.0.0.1:{listener.getsockname()[1]}", answer_s=2)


@pytest.mark.parametrize(
    "address",
    ["cluster:8786", "http://cluster:8786", "tcp://cluster", "tcp://u:pw@cluster:1", "tcp://c:x", ""],
)
def test_what_is_no_address_is_said_before_anything_is_tried(address: str) -> None:
    with pytest.raises(ClusterError, match="is no address of a Dask scheduler; write it such as tcp://"):
        Cluster(address)


def test_a_scheduler_without_workers_is_said(tmp_path: Path) -> None:
    with (
        local_cluster(tmp_path, workers=0) as empty,
        pytest.raises(ClusterError, match="the scheduler has no workers"),
    ):
        Cluster(empty.address, answer_s=1)


NO_NANNY = ("--nthreads", "1", "--no-nanny")


def test_a_worker_of_another_version_is_named_at_once_or_when_it_joins(tmp_path: Path) -> None:
    other = tmp_path / "other"
    shutil.copytree(ROOT / "reader", other / "reader", ignore=shutil.ignore_patterns("__pycache__"))
    version = other / "reader" / "version.py"
    version.write_text('VERSION = "99.1"\n', encoding="utf-8")
    said = r"the worker tcp://127\.0\.0\.1:\d+ on .* runs linecall 99\.1, not .*; install there what is installed here"
    with local_cluster(tmp_path / "dask", workers=0) as mixed:
        mixed.add_workers(1, *NO_NANNY)
        with Cluster(mixed.address) as hands:
            assert list(hand_out([-1], abs, hands, at_once=8, blame=abs)) == [(0, 1)]
            mixed.add_workers(1, *NO_NANNY, path=other)
            with pytest.raises(LinecallError, match=said):
                list(hand_out(range(200), abs, hands, at_once=8, blame=abs))
        with pytest.raises(LinecallError, match=said):
            Cluster(mixed.address)


def test_a_worker_without_linecall_is_named_and_a_scheduler_that_dies_ends_the_run_in_one_line(
    tmp_path: Path,
) -> None:
    (tmp_path / "empty" / "reader").mkdir(parents=True)
    missing = "raise ModuleNotFoundError(\"No module named 'reader'\", name='reader')\n"
    (tmp_path / "empty" / "reader" / "__init__.py").write_text(missing, encoding="utf-8")
    with local_cluster(tmp_path / "dask", workers=0) as mortal:
        mortal.add_workers(1, *NO_NANNY)
        with Cluster(mortal.address) as hands:
            steps = hand_out([0.05] * 500, time.sleep, hands, at_once=4, blame=abs)
            next(steps)
            mortal.add_workers(1, *NO_NANNY, path=tmp_path / "empty")
            with pytest.raises(
                ClusterError, match=r"worker tcp://127\.0\.0\.1:\d+ cannot begin .*; install linecall"
            ):
                Cluster(mortal.address)
            mortal.scheduler.kill()
            with pytest.raises(ClusterError, match="the scheduler is out of reach"):
                list(steps)


CLUSTER = ("dask", "distributed", "pyarrow", "s3fs")
"""What linecall[cluster] brings."""


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (
            ("--on", "tcp://127.0.0.1:1"),
            "to read on a cluster, the package distributed is needed: pip install",
        ),
        (
            ("--out", "s3://bucket/out"),
            "s3://bucket/out: s3:// needs a package that is not installed: pip install",
        ),
        (("--table", "t.parquet"), "to read a table in Parquet, the package pyarrow is needed: pip install"),
        (
            ("b.jpg", "--out", "memory://out"),
            "to write a summary as Parquet, the package pyarrow is needed: pip install",
        ),
    ],
)
def test_without_the_extra_one_line_says_what_to_install(
    tmp_path: Path, arguments: tuple[str, ...], said: str
) -> None:
    done = without_the_extra(tmp_path, *arguments)
    assert done.returncode in (1, 2)
    assert [line for line in done.stderr.splitlines() if line] == [f"{said} 'linecall[cluster]'"]
    assert not list(tmp_path.rglob("*.verdict.json"))


def test_without_the_extra_nothing_else_changes(tmp_path: Path, root: Path) -> None:
    shutil.copy(root / "demo_images" / "north-tank-drain.jpg", tmp_path / "c.jpg")
    assert without_the_extra(tmp_path, "c.jpg", "--out", "out").returncode in (0, 3, 4, 5)
    assert (tmp_path / "out" / "summary.csv").exists()


def without_the_extra(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """`linecall read` of a photo where nothing of the extra can be imported."""
    script = (
        f"import sys\nsys.modules.update(dict.fromkeys({CLUSTER}))\n"
        "from cli.main import main\nmain(['read', *sys.argv[1:]])\n"
    )
    for name in ("a.jpg", "b.jpg", "t.parquet"):
        (folder / name).write_bytes(b"photo")
    photos = () if "--table" in arguments else ("a.jpg",)
    return subprocess.run(
        [sys.executable, "-c", script, *photos, *arguments],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )


class MemoryInfo(ctypes.Structure):
    """What mallinfo2(3) of glibc returns."""

    NAMES = "arena ordblks smblks hblks hblkhd usmblks fsmblks uordblks fordblks keepcost"
    _fields_ = [(name, ctypes.c_size_t) for name in NAMES.split(" ")]


def taken_from_the_system(megabytes: int) -> int:
    """Blocks that a picture's memory adds to those that come from the system, and go back to it, one by one."""
    import numpy as np

    mallinfo2 = ctypes.CDLL(None).mallinfo2
    mallinfo2.restype = MemoryInfo
    before = mallinfo2().hblks
    picture = np.ones(megabytes * 2**20, np.uint8)
    return int(mallinfo2().hblks - before) if picture.any() else 0


@pytest.mark.linux
@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="only glibc is set so by Dask")
def test_a_worker_uses_again_the_memory_that_it_has_freed(cluster: LocalCluster) -> None:
    # Dask starts its workers so that they do not, which costs a reading a fifth of its time.
    with Cluster(cluster.address) as hands:
        assert list(in_order(hand_out([20], taken_from_the_system, hands, at_once=1, blame=int))) == [0]
