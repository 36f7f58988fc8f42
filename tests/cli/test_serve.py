"""`linecall serve` as it is started: from nothing, once at a time, closed to the network unless asked."""

import json
import os
import re
import shutil
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
    environment = {name: value for name, value in os.environ.items() if not name.startswith("LINECALL_")} | {
        "HOME": str(home)
    }
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
        try:
            said = ""
            for line in server.stdout:
                said += line
                if "Ctrl-C" in line or "--link" in line:
                    break
            wait_for(port)
            yield said, port
            server.send_signal(signal.SIGINT)
            server.wait(30)
        finally:
            if server.poll() is None:
                server.send_signal(signal.SIGABRT)  # says where it hangs


def wait_for(port: int) -> None:
    """Wait until a station answers."""
    deadline = time.monotonic() + 30
    while True:
        try:
            urllib.request.urlopen(f"http://127.0.0.1:{port}/health", timeout=10).close()
        except OSError:
            assert time.monotonic() < deadline
            time.sleep(0.05)
        else:
            return


def pairs(port: int, secret: str) -> int:
    """The status of signing in by a link."""
    address = f"http://127.0.0.1:{port}"
    body = json.dumps({"secret": secret}).encode()
    request = urllib.request.Request(f"{address}/pair", body, {"Origin": address}, method="POST")
    with urllib.request.urlopen(request) as answer:
        return int(answer.status)


@pytest.mark.posix
def test_from_nothing_a_logbook_and_a_site_with_one_point_begin(tmp_path: Path) -> None:
    with serving(tmp_path, "--keeper", "Ada North") as (said, port):
        assert re.search(rf"http://127\.0\.0\.1:{port}/#\S{{40,}}", said)
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/health") as answer:
            assert json.load(answer)["status"] == "ok"
        link = CliRunner(env={"HOME": str(tmp_path)}).invoke(main, ["serve", "--link", "--port", str(port)])
        assert re.fullmatch(rf"http://127\.0\.0\.1:{port}/#\S{{40,}}\n", link.output)
        assert pairs(port, link.output.partition("#")[2].strip()) == 200
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
    assert [path.name for path in own.rglob("*") if path.stat().st_mode & 0o077] == []


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


def test_where_what_is_printed_is_kept_no_link_is_printed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("JOURNAL_STREAM", "8:1")
    with serving(tmp_path, "--keeper", "Ada North") as (said, _):
        assert "#" not in said
        assert "--link" in said


@pytest.mark.parametrize("name", ["linecall.service", "Containerfile"])
def test_the_guide_shows_what_the_wheel_brings_word_for_word(name: str) -> None:
    from reader.files.bundled import DATA
    from reader.guide import topic

    text = (DATA / "install" / name).read_text(encoding="utf-8").rstrip("\n")
    assert f"\n{text}\n```" in topic("serving").text


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="no systemd here")
def test_systemd_takes_the_unit(tmp_path: Path) -> None:
    from reader.files.bundled import DATA

    unit = tmp_path / "linecall.service"
    text = (DATA / "install" / "linecall.service").read_text(encoding="utf-8")
    unit.write_text(
        text.replace("/opt/linecall/bin/linecall", "/bin/true").replace("User=linecall", "User=root")
    )
    done = subprocess.run(["systemd-analyze", "verify", unit], capture_output=True, text=True, check=False)
    assert "linecall.service" not in done.stderr, done.stderr
    assert done.returncode == 0
