"""`linecall serve` as it is started: from nothing, once at a time, closed to the network unless asked."""

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

from cli.main import main


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def serving(home: Path, *options: str, port: int | None = None) -> Iterator[tuple[str, int]]:
    """A station that runs: what it printed, and its port."""
    port = port or free_port()
    environment = {k: v for k, v in os.environ.items() if not k.startswith("LINECALL_")} | {"HOME": str(home)}
    command = [
        sys.executable,
        "-c",
        "from cli.main import main; main()",
        "serve",
        "--port",
        str(port),
        *options,
    ]
    with subprocess.Popen(
        command, cwd=home, env=environment | {"PYTHONPATH": os.getcwd()}, stdout=subprocess.PIPE, text=True
    ) as server:
        assert server.stdout is not None
        said = ""
        for line in server.stdout:
            said += line
            if "Ctrl-C" in line:
                break
        deadline = time.monotonic() + 30
        while True:
            try:
                socket.create_connection(("127.0.0.1", port), 1).close()
                break
            except OSError:
                assert time.monotonic() < deadline, said
                time.sleep(0.05)
        try:
            yield said, port
        finally:
            server.send_signal(signal.SIGINT)
            server.wait(30)


@pytest.mark.posix
def test_from_nothing_a_logbook_and_a_site_with_one_point_begin(tmp_path: Path) -> None:
    with serving(tmp_path, "--keeper", "Ada North") as (said, port):
        assert re.search(rf"http://127\.0\.0\.1:{port}/#\S{{40,}}", said)
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/health") as answer:
            assert json.load(answer)["status"] == "ok"
        again = CliRunner(env={"HOME": str(tmp_path)}).invoke(main, ["serve", "--keeper", "Ada North"])
        assert again.exit_code != 0
        assert "runs here already" in again.output
    own = tmp_path / "linecall"
    assert (own / "site.toml").exists()
    done = CliRunner().invoke(main, ["site", "check", str(own / "site.toml")])
    assert done.exit_code == 0, done.output
    assert "1 tank, 1 sample point" in done.output
    done = CliRunner(env={"LINECALL_LOGBOOK": str(own / "logbook.sqlite")}).invoke(main, ["people", "list"])
    assert "Ada North" in done.output
    begun = CliRunner().invoke(
        main,
        ["run", "begin", "T1-drain", "--phase", "fuel", "--lot", "CB-2604", "--by", "Ada North"],
        env={"LINECALL_LOGBOOK": str(own / "logbook.sqlite")},
    )
    assert begun.exit_code == 0, begun.output
    assert all(path.stat().st_mode & 0o077 == 0 for path in own.rglob("*"))


@pytest.mark.posix
def test_what_was_begun_is_gone_on_with_and_a_changed_site_stays(tmp_path: Path) -> None:
    with serving(tmp_path, "--keeper", "Ada North"):
        pass
    site = tmp_path / "linecall" / "site.toml"
    changed = site.read_text().replace("Our depot", "Their depot")
    site.write_text(changed)
    with serving(tmp_path) as (said, _):
        assert "sign in as Ada North" in said
    assert site.read_text() == changed


def test_the_network_is_opened_by_a_certificate_or_in_so_many_words(here: Path) -> None:
    done = CliRunner().invoke(main, ["serve", "--host", "0.0.0.0", "--keeper", "Ada North"])
    assert done.exit_code == 2
    assert "--plain-http" in done.output
