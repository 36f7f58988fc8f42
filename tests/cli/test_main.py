"""The group of commands: its help, its guesses, and errors that end as one line and an exit status."""

import os
import subprocess
import sys
from importlib import import_module
from importlib.metadata import version
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from cli import main as cli_main
from cli.main import COMMANDS, main
from reader.errors import LinecallError, OutputError, SettingsError


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, arguments)


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> dict[str, BaseException]:
    """A command `fail` that raises what is put into the dictionary under "error"."""
    raised: dict[str, BaseException] = {}

    @click.command()
    def fail() -> None:
        raise raised["error"]

    module = type(sys)("cli.fail")
    module.fail = fail  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "cli.fail", module)
    monkeypatch.setitem(cli_main.COMMANDS, "fail", ("fail", "Fail."))
    return raised


def test_help_lists_every_command_and_says_what_comes_first() -> None:
    result = run("--help")
    assert result.exit_code == 0
    assert all(name in result.stdout for name in COMMANDS)
    assert "Local procedures" in result.stdout
    assert "does not certify fuel" in result.stdout


@pytest.mark.parametrize("name", COMMANDS)
def test_the_listed_help_of_a_command_is_its_own(name: str) -> None:
    module, short_help = COMMANDS[name]
    place, _, attribute = module.partition(":")
    command = getattr(import_module(f"cli.{place}"), attribute or place)
    assert command.name == name
    assert command.get_short_help_str(limit=200) == short_help
    assert run(name, "--help").exit_code == 0


def test_version_is_that_of_the_distribution() -> None:
    assert run("--version").stdout == f"linecall {version('linecall')}\n"


def test_no_command_at_all_shows_the_help_and_is_wrong_usage() -> None:
    result = run()
    assert result.exit_code == 2
    assert "Usage: linecall" in result.output


@pytest.mark.parametrize(
    ("typed", "hint"), [("raed", "did you mean read?"), ("wash", "the commands are read, card, ")]
)
def test_a_mistyped_command_gets_a_hint(typed: str, hint: str) -> None:
    result = run(typed)
    assert result.exit_code == 2
    assert f"there is no command '{typed}'; {hint}" in result.stderr
    assert result.stdout == ""


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (SettingsError("comb.toml: line 3: no"), 2),
        (LinecallError("a and b would both be written to c"), 2),
        (OutputError("c: cannot be written (no space left on device); free some space"), 1),
    ],
)
def test_an_error_of_ours_is_its_own_line_and_status(
    failing: dict[str, BaseException], error: LinecallError, status: int
) -> None:
    failing["error"] = error
    result = run("fail")
    assert (result.stdout, result.stderr, result.exit_code) == ("", f"{error}\n", status)


def test_a_fault_is_one_line_that_blames_nobody(failing: dict[str, BaseException]) -> None:
    failing["error"] = ZeroDivisionError("division\nby zero")
    result = run("fail")
    assert result.exit_code == 70  # EX_SOFTWARE of sysexits.h
    assert result.stderr == (
        "linecall: internal error (ZeroDivisionError: division); set LINECALL_DEBUG=1 for the traceback\n"
    )


def test_a_fault_shows_its_traceback_when_asked_to(
    failing: dict[str, BaseException], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LINECALL_DEBUG", "1")
    failing["error"] = ZeroDivisionError("division")
    assert "Traceback (most recent call last)" in run("fail").stderr


def test_ctrl_c_is_one_line_and_the_shells_status(failing: dict[str, BaseException]) -> None:
    failing["error"] = KeyboardInterrupt()
    result = run("fail")
    assert result.stderr.strip() == "stopped"
    assert result.exit_code == 130


def test_an_error_cannot_steer_the_terminal(failing: dict[str, BaseException]) -> None:
    failing["error"] = SettingsError("\x1b[2J\x07evil\r\nname \udcff")
    assert run("fail").stderr == "\N{REPLACEMENT CHARACTER}[2J\N{REPLACEMENT CHARACTER}evil name ?\n"


def test_a_reader_that_goes_away_is_no_error_worth_a_word(root: Path) -> None:
    script = (
        "import os, click\n"
        "from cli.main import one_line_errors\n"
        "with one_line_errors():\n"
        "    for _ in range(100_000): click.echo('x' * 100)\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", script],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": str(root)},
    )
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.readline()
    process.stdout.close()
    assert process.stderr.read() == b""
    process.stderr.close()
    assert process.wait(timeout=30) == 1
