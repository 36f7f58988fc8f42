"""A Dask scheduler and its workers as processes of this machine, for tests and benches."""

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
START_S = 60


class LocalCluster:
    """`address` of the scheduler; each worker process stands under a nanny, which starts another where it dies."""

    def __init__(self, folder: Path, *, allowed_failures: int = 3) -> None:
        self.folder = folder
        self.allowed_failures = allowed_failures
        self.processes: list[subprocess.Popen[bytes]] = []
        self.address = ""

    def start(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        file = self.folder / "scheduler.json"
        self.scheduler = self._run(
            "dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(file)
        )
        deadline = time.monotonic() + START_S
        while not file.exists() or not file.read_text(encoding="utf-8").strip():
            assert time.monotonic() < deadline, "the scheduler does not start"
            time.sleep(0.05)
        self.address = str(json.loads(file.read_text(encoding="utf-8"))["address"])

    def add_workers(self, n: int, *options: str, path: Path = ROOT) -> None:
        """Start worker processes; path : where they find linecall."""
        with self._client() as client:
            before = len(client.nthreads())
            options = ("--nworkers", str(n), *(options or ("--nthreads", "1")))
            self._run("dask_worker", self.address, "--host", "127.0.0.1", *options, path=path)
            client.wait_for_workers(before + n, timeout=START_S)

    def wait_for_workers(self, n: int) -> None:
        """Until so many are there."""
        with self._client() as client:
            client.wait_for_workers(n, timeout=START_S)

    def worker_pids(self) -> list[int]:
        """The processes that work now, as the scheduler knows them."""
        with self._client() as client:
            return sorted(client.run(os.getpid).values())

    def _client(self) -> Any:
        from distributed import Client

        return Client(self.address, set_as_default=False, timeout=START_S)  # type: ignore[no-untyped-call]

    def stop(self) -> None:
        for process in self.processes:
            process.kill()  # a worker ends with its nanny
        for process in self.processes:
            process.wait()

    def _run(self, module: str, *options: str, path: Path = ROOT) -> subprocess.Popen[bytes]:
        environment = {name: value for name, value in os.environ.items() if not name.startswith("LINECALL_")}
        environment |= {"PYTHONPATH": str(path)}
        # Workers that one job may take with it before Dask gives it up; 3, as Dask has it, take a minute.
        environment |= {"DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": str(self.allowed_failures)}
        with (self.folder / f"{module}.log").open("ab") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", f"distributed.cli.{module}", "--no-dashboard", *options],
                cwd=self.folder,
                env=environment,
                stdout=log,
                stderr=log,
            )
        self.processes.append(process)
        return process


@contextmanager
def local_cluster(folder: Path, workers: int = 2, *, allowed_failures: int = 3) -> Iterator[LocalCluster]:
    """A scheduler with workers of one thread each."""
    cluster = LocalCluster(folder, allowed_failures=allowed_failures)
    try:
        cluster.start()
        if workers:
            cluster.add_workers(workers)
        yield cluster
    finally:
        cluster.stop()
