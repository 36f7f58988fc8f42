"""The shared options: few, of one meaning each, before a command's name or after it; and spellings of before."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from cli.main import main
from cli.options import INTERRUPTED, SHARED, WRONG_USAGE, SharedOption
from cli.variables import VARIABLES
from tests.demo import readable_photo

pytestmark = pytest.mark.usefixtures("here")

MOST = 144
LINECALL = (sys.executable, "-c", "from cli.main import main; main(prog_name='linecall')")


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, arguments)


def commands(
    command: click.Command = main, context: click.Context | None = None
) -> Iterator[tuple[click.Context, click.Command]]:
    context = context or click.Context(main, info_name="linecall")
    yield context, command
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            inner = command.get_command(context, name)
            assert inner is not None
            yield from commands(inner, click.Context(inner, info_name=name, parent=context))


def options() -> Iterator[tuple[click.Command, click.Option]]:
    for _, command in commands():
        for option in command.params:
            if isinstance(option, click.Option):
                yield command, option


def test_there_are_few_options_to_learn() -> None:
    assert len([option for _, option in options() if not option.hidden]) <= MOST


def test_every_hidden_option_is_explained_by_another_commands_help() -> None:
    told = {
        (context.command_path, flag)
        for context, command in commands()
        for option in command.params
        if isinstance(option, click.Option) and not option.hidden
        for flag in option.opts
    }
    for command, option in options():
        if isinstance(option, SharedOption):
            assert (option.place, option.opts[-1]) in told, (command.name, option.name)
        elif option.hidden:
            assert option.opts == ["--before"], (command.name, option.name)


def test_a_short_option_has_one_meaning() -> None:
    meanings: dict[str, set[str]] = {}
    for _, option in options():
        short = [flag for flag in option.opts if len(flag) == 2]
        for flag in short:
            meanings.setdefault(flag, set()).add(max(option.opts, key=len))
    assert meanings == {"-L": {"--logbook"}, "-l": {"--library"}, "-o": {"--out"}}


def test_a_shared_option_is_written_one_way_and_stands_in_every_help_that_takes_it() -> None:
    for context, command in commands():
        text = " ".join(command.get_help(context).split())
        for option in command.params:
            if isinstance(option, SharedOption):
                assert option.shown in text, (context.command_path, option.name)
                assert f"explained by {option.place} --help" in text


def test_every_list_has_the_same_pages_and_filters() -> None:
    taken = {
        context.command_path: {option.name for option in command.params if isinstance(option, click.Option)}
        for context, command in commands()
    }
    for name in ("linecall logbook list", "linecall review list", "linecall library list"):
        assert {"limit", "page"} <= taken[name], name
    by = {"tank", "sample_point", "sample_phase", "plate_lot", "operator", "layout", "grade", "since"}
    for name in ("linecall logbook list", "linecall logbook reread", "linecall review list"):
        assert by <= taken[name], name


def test_an_option_may_stand_before_the_command() -> None:
    before = run("-L", "none.db", "logbook", "list")
    assert before.exit_code == WRONG_USAGE
    assert before.stderr == run("logbook", "list", "-L", "none.db").stderr
    assert "none.db" in before.stderr


def test_the_option_after_the_command_goes_before_the_one_in_front() -> None:
    assert "there.db" in run("-L", "none.db", "logbook", "list", "-L", "there.db").stderr


@pytest.mark.parametrize("flag", ["--json", "--force", "--library=x", "-o=x", "--limit=3", "--by=A. Lind"])
def test_an_option_that_a_command_has_no_use_for_is_not_swallowed(flag: str) -> None:
    for arguments in ((flag, "layout", "list"), ("layout", "list", flag)):
        assert run(*arguments).exit_code == WRONG_USAGE, arguments


@pytest.mark.parametrize(
    ("old", "today"),
    [
        (("card", "--output", "x.pdf"), ("card", "-o", "x.pdf")),
        (("card", "--output=x.pdf"), ("card", "--out", "x.pdf")),
        (("read", "IMG.jpg", "--rules", "none.toml"), ("read", "IMG.jpg", "--set", "rules=none.toml")),
        (("read", "IMG.jpg", "--texts=none.toml"), ("read", "IMG.jpg", "--set", "texts=none.toml")),
        (
            ("review", "draw", "x", "-L", "x.db", "--rules", "none.toml"),
            ("review", "draw", "x", "-L", "x.db", "--read-by", "none.toml"),
        ),
        (
            ("logbook", "reread", "-L", "x.db", "--layout", "none.toml"),
            ("logbook", "reread", "-L", "x.db", "--read-by", "none.toml"),
        ),
    ],
)
def test_a_spelling_of_before_does_the_same_and_says_how_it_is_written_today(
    old: tuple[str, ...], today: tuple[str, ...]
) -> None:
    before, after = run(*old), run(*today)
    assert before.exit_code == after.exit_code
    first, _, rest = before.stderr.partition("\n")
    assert "is an old spelling, which the next release drops; write " in first
    assert (before.stdout, rest) == (after.stdout, after.stderr)
    assert "old spelling" not in after.output


def test_every_variable_that_is_read_is_in_the_table(root: Path) -> None:
    import re

    named = {
        name
        for package in ("cli", "reader")
        for path in (root / package).rglob("*.py")
        for name in re.findall(r"\b_?LINECALL_[A-Z]+\b", path.read_text(encoding="utf-8"))
    }
    assert named - set(VARIABLES) == set()
    assert {name for name in VARIABLES if "LINECALL" in name} <= named


# --- completion ---------------------------------------------------------------------------------------------


def completed(root: Path, *words: str) -> list[str]:
    done = subprocess.run(
        LINECALL,
        env=os.environ
        | {"_LINECALL_COMPLETE": "bash_complete", "COMP_WORDS": " ".join(words), "PYTHONPATH": str(root)}
        | {"COMP_CWORD": str(len(words) - 1)},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.stderr == ""
    return [line.partition(",")[2] for line in done.stdout.splitlines()]


def test_tab_completes_commands_options_and_choices(root: Path) -> None:
    assert completed(root, "linecall", "re") == ["read", "review", "report"]
    assert completed(root, "linecall", "library", "co") == ["coverage"]
    assert "--out" in completed(root, "linecall", "read", "--o")
    assert completed(root, "linecall", "read", "--drops") == ["--drops-at"]
    assert completed(root, "linecall", "card", "--paper", "a") == ["a5", "a4"]
    assert "--tier" in completed(root, "linecall", "library", "sheet", "--ti")


def test_the_shells_script_is_printed(root: Path) -> None:
    for shell in ("zsh", "fish"):
        environment = os.environ | {"_LINECALL_COMPLETE": f"{shell}_source", "PYTHONPATH": str(root)}
        done = subprocess.run(
            LINECALL, env=environment, capture_output=True, text=True, check=True, timeout=60
        )
        assert "_LINECALL_COMPLETE" in done.stdout


# --- terminals of other encodings ---------------------------------------------------------------------------


@pytest.mark.parametrize("encoding", ["cp1252", "cp850", "ascii"])
def test_a_terminal_that_lacks_letters_gets_others_and_no_traceback(root: Path, encoding: str) -> None:
    name = "\u03a9 \u2192 \u9e7f.jpg"
    Path(name).write_bytes(readable_photo(root).read_bytes())
    environment = os.environ | {"PYTHONIOENCODING": encoding, "PYTHONPATH": str(root)}
    for arguments in ([name, "-o", "out"], [name, "-o", "out", "--json"], ["nothing \u9e7f.jpg"]):
        done = subprocess.run(
            [*LINECALL, "read", *arguments], env=environment, capture_output=True, timeout=120
        )
        assert b"Traceback" not in done.stderr, done.stderr
        assert b"internal" not in done.stderr
        assert done.returncode == (WRONG_USAGE if arguments[0] != name else 0)
        if "--json" in arguments:
            assert name in done.stdout.decode("utf-8")  # what a program reads is UTF-8 always


# --- being stopped ------------------------------------------------------------------------------------------


def test_ctrl_c_says_what_is_done_and_what_is_not(root: Path) -> None:
    Path("photos").mkdir()
    data = readable_photo(root).read_bytes()
    for number in range(30):
        Path(f"photos/{number:02}.jpg").write_bytes(data)
    process = subprocess.Popen(
        [*LINECALL, "read", "photos", "-o", "out"],
        env=os.environ | {"PYTHONPATH": str(root)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    until = time.monotonic() + 60
    while len(list(Path().glob("out/*.verdict.json"))) < 2 and time.monotonic() < until:
        time.sleep(0.05)
    os.killpg(process.pid, signal.SIGINT)
    _, said = process.communicate(timeout=60)
    assert process.returncode == INTERRUPTED, said
    line = said.strip().splitlines()[-1]
    assert line.startswith("stopped: ")
    assert " of 30 readings " in line
    done = int(line.split()[1])
    assert done <= len(list(Path().glob("out/*.verdict.json"))) < 30


def test_the_words_of_shared_options_are_there() -> None:
    text = " ".join(run("--help").stdout.split())
    for option in SHARED.values():
        assert option.flags[-1] in text


def test_only_what_can_be_written_to_a_url_takes_one() -> None:
    done = run("card", "--out", "s3://bucket/card.pdf")
    assert done.exit_code == WRONG_USAGE
    assert "s3://bucket/card.pdf is a URL, but this is written on this machine only" in done.stderr
    assert not list(Path().iterdir())
