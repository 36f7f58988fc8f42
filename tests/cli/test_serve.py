"""`linecall serve` as it is started: from nothing, once at a time, closed to the network unless asked."""

import json
import os
import re
import select
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
from tests.conftest import ROOT

QUIET_S = 90  # that a command in a terminal may say nothing, on a machine that is busy


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
                if "--link" in line:
                    break
            wait_for(port)
            yield said, port
            server.send_signal(signal.SIGINT)
            server.wait(30)
        finally:
            if server.poll() is None:
                server.send_signal(signal.SIGABRT)  # says where it hangs


class Terminal:
    """A command in a terminal, with somebody before it."""

    def __init__(self, home: Path, *words: str, columns: int = 80, python: str = "pass") -> None:
        import fcntl
        import pty
        import struct
        import termios

        self.said = ""
        self.pid, self._end = pty.fork()
        if self.pid == 0:
            os.chdir(home)
            own = {name: value for name, value in os.environ.items() if not name.startswith("LINECALL_")}
            own |= {"HOME": str(home), "PYTHONPATH": str(ROOT), "TERM": "xterm"}
            script = f"{python}; from cli.main import main; main()"
            os.execve(sys.executable, [sys.executable, "-c", script, *words], own)
        fcntl.ioctl(self._end, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))

    def until(self, text: str) -> str:
        """All that it has said once it has said this."""
        deadline = time.monotonic() + 60
        while text not in self.said:
            assert time.monotonic() < deadline, self.said
            if not self._more():
                break
        assert text in self.said, self.said
        return self.said

    def types(self, text: str) -> None:
        """Type at it."""
        os.write(self._end, text.encode())

    def ends(self) -> int:
        """Its status once it has ended."""
        while self._more():
            pass
        assert "Traceback" not in self.said
        return os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])

    def _more(self) -> bool:
        ready, _, _ = select.select([self._end], [], [], QUIET_S)
        if not ready:
            os.kill(self.pid, signal.SIGKILL)
            raise AssertionError(f"nothing came for {QUIET_S} s, and it did not end:\n{self.said}")
        try:
            got = os.read(self._end, 65536)
        except OSError:  # nobody is there any more
            return False
        self.said += got.decode("utf-8", "replace").replace("\r\n", "\n")
        return bool(got)


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


def running(home: Path, *words: str, columns: int = 80) -> Terminal:
    """A station begun by Ada in a terminal, which has printed all that it prints."""
    terminal = Terminal(home, "serve", *words, columns=columns)
    terminal.until("surname): ")
    terminal.types("Ada North\n")
    terminal.until("Ctrl-C stops")
    return terminal


@pytest.mark.posix
def test_from_nothing_a_logbook_and_a_site_with_one_point_begin(tmp_path: Path) -> None:
    port = free_port()
    terminal = running(tmp_path, "--port", str(port))
    found = re.search(rf"http://127\.0\.0\.1:{port}/#(\S{{40,}})\n", terminal.said)
    assert found, terminal.said
    wait_for(port)
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/health") as answer:
        assert json.load(answer)["status"] == "ok"
    assert pairs(port, found[1]) == 200
    link = CliRunner(env={"HOME": str(tmp_path)}).invoke(main, ["serve", "--link"])
    assert re.fullmatch(rf"http://127\.0\.0\.1:{port}/#\S{{40,}}\n", link.output), (
        "no option says where it runs"
    )
    assert pairs(port, link.output.partition("#")[2].strip()) == 200
    terminal.types("\x03")
    assert terminal.ends() == 130
    assert terminal.said.endswith("^Cstopped\n") or terminal.said.endswith("\nstopped\n")
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
def test_a_name_that_is_none_is_asked_for_again(tmp_path: Path) -> None:
    terminal = Terminal(tmp_path, "serve", "--port", str(free_port()))
    terminal.until("surname): ")
    terminal.types("42\n")
    terminal.until("give the person's name")
    terminal.types("Ada North\n")
    assert "sign in as Ada North" in terminal.until("Ctrl-C stops")
    terminal.types("\x03")
    terminal.ends()


def test_where_nobody_can_be_asked_the_keeper_is_to_be_named(tmp_path: Path) -> None:
    done = CliRunner(env={"HOME": str(tmp_path)}).invoke(main, ["serve", "--port", str(free_port())])
    assert done.exit_code == 2
    assert "--keeper 'Ada North'" in done.output


@pytest.mark.posix
def test_what_was_begun_is_gone_on_with_and_a_changed_site_stays(tmp_path: Path) -> None:
    with serving(tmp_path, "--keeper", "Ada North"):
        pass
    site = tmp_path / "linecall" / "site.toml"
    changed = site.read_text().replace("Our depot", "Their depot")
    site.write_text(changed)
    terminal = Terminal(tmp_path, "serve", "--port", str(free_port()))
    assert "sign in as Ada North" in terminal.until("Ctrl-C stops")
    terminal.types("\x03")
    terminal.ends()
    assert site.read_text() == changed


@pytest.mark.posix
def test_a_second_start_is_refused_by_the_logbook_as_by_the_folder(tmp_path: Path) -> None:
    env = {"HOME": str(tmp_path)}
    with serving(tmp_path, "--keeper", "Ada North") as (_, port):
        for folder in ([], ["--folder", str(tmp_path / "other")]):
            again = CliRunner(env=env).invoke(main, ["serve", "--port", str(free_port()), *folder])
            assert again.exit_code == 2
            assert "runs on it already" in again.output
            assert "--link" in again.output
        (tmp_path / "same.sqlite").symlink_to(tmp_path / "linecall" / "logbook.sqlite")
        again = CliRunner(env=env).invoke(main, ["serve", "--logbook", str(tmp_path / "same.sqlite")])
        assert "runs on it already" in again.output, "also by another name of the logbook's"
        taken = CliRunner(env={"HOME": str(tmp_path / "other")}).invoke(main, ["serve", "--port", str(port)])
        assert taken.exit_code == 2
        assert "in use by another program" in taken.output
        assert "#" not in taken.output, "a link to another station would mislead"
    none = CliRunner(env=env).invoke(main, ["serve", "--link"])
    assert none.exit_code == 2
    assert "no station runs on it" in none.output


def test_the_network_is_opened_by_a_certificate_or_in_so_many_words(here: Path) -> None:
    done = CliRunner().invoke(main, ["serve", "--host", "0.0.0.0", "--keeper", "Ada North"])
    assert done.exit_code == 2
    assert "--plain-http" in done.output


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--host", "nowhere.invalid"], "no address is known by this name"),  # RFC 2606: never a name
        (["--host", "203.0.113.9"], "this machine has no such address"),  # RFC 5737: nobody's
        (["--url", "depot.example"], "https://depot.example/tests/"),
        (["--url", "https://[::1"], "https://depot.example/tests/"),
        (["--url", "https://depot.example/api/"], "is the name of a page"),
    ],
)
def test_an_address_that_cannot_be_had_is_said_in_one_line(
    tmp_path: Path, options: list[str], said: str
) -> None:
    env = {"HOME": str(tmp_path)}
    done = CliRunner(env=env).invoke(main, ["serve", "--keeper", "Ada North", "--plain-http", *options])
    assert done.exit_code == 2
    assert said in done.output
    assert "#" not in done.output


@pytest.mark.posix
@pytest.mark.parametrize("journal", [True, False])
def test_where_what_is_printed_is_kept_no_link_is_printed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, journal: bool
) -> None:
    if journal:
        monkeypatch.setenv("JOURNAL_STREAM", "8:1")
    with serving(tmp_path, "--keeper", "Ada North") as (said, _):
        assert "#" not in said
        assert "--link" in said


@pytest.mark.posix
def test_open_to_the_network_it_says_so_and_draws_the_link_where_it_fits(tmp_path: Path) -> None:
    terminal = running(tmp_path, "--host", "0.0.0.0", "--plain-http", "--port", str(free_port()), columns=60)
    assert "anybody on it can read along" in terminal.said
    drawn = [line for line in terminal.said.splitlines() if "\u2588" in line]
    assert len(drawn) > 15
    assert all("\x1b[" in line for line in drawn), "white on black, whatever colours the terminal has"
    terminal.types("\x03")
    terminal.ends()
    narrow = Terminal(
        tmp_path, "serve", "--host", "0.0.0.0", "--plain-http", "--port", str(free_port()), columns=30
    )
    narrow.until("Ctrl-C stops")
    assert "\u2588" not in narrow.said
    assert "columns wide" in narrow.said
    narrow.types("\x03")
    narrow.ends()


@pytest.mark.posix
def test_a_terminal_without_block_letters_gets_the_link_alone(tmp_path: Path) -> None:
    words = (
        "serve",
        "--host",
        "0.0.0.0",
        "--plain-http",
        "--keeper",
        "Ada North",
        "--port",
        str(free_port()),
    )
    terminal = Terminal(tmp_path, *words, python="import sys; sys.stdout.reconfigure(encoding='cp1252')")
    assert "cannot draw" in terminal.until("Ctrl-C stops")
    terminal.types("\x03")
    terminal.ends()


@pytest.mark.posix
def test_a_service_that_is_asked_to_end_ends_well(tmp_path: Path) -> None:
    port = free_port()
    terminal = running(tmp_path, "--port", str(port))
    wait_for(port)
    os.kill(terminal.pid, signal.SIGTERM)
    assert terminal.ends() == 0
    assert not list(tmp_path.rglob("running-at"))


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
    own = tmp_path / "own" / "linecall.service"
    own.parent.mkdir()
    own.write_text(text)
    score = ["systemd-analyze", "security", "--offline=true", "--threshold=20", "--no-pager", str(own)]
    done = subprocess.run(score, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"more than 2.0 of 10 stands open\n{done.stdout}"
