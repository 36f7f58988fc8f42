"""What the command loads when it runs; who may import whom is held by the contracts in pyproject.toml."""

import os
import subprocess
import sys
from pathlib import Path

from tests.demo import readable_photo

# What a reading may import besides the standard library, and what those bring with them.
READING = {"reader", "cli", "click", "cv2", "numpy", "pydantic", "simplejpeg"}
READING |= {"pydantic_core", "annotated_types", "typing_extensions", "typing_inspection", "cython_runtime"}


def loaded_by(*command: str, cwd: Path) -> set[str]:
    """Every module that is loaded once `linecall` has run a command line, whatever its exit status."""
    script = (
        "import atexit, sys\n"
        "before = set(sys.modules)\n"
        "atexit.register(lambda: print(*set(sys.modules) - before, sep='\\n', file=sys.stderr))\n"
        "from cli.main import main\n"
        "main(sys.argv[1:])\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", script, *command],
        cwd=cwd,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])},
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0, run.stderr
    return {line for line in run.stderr.splitlines() if " " not in line}


def packages(names: set[str]) -> set[str]:
    """The top names of what is not in the standard library."""
    tops = {name.partition(".")[0] for name in names}
    return {name for name in tops - set(sys.stdlib_module_names) if not name.startswith("_")}


def test_help_imports_click_and_nothing_else_that_is_slow(tmp_path: Path) -> None:
    loaded = loaded_by("--help", cwd=tmp_path)
    assert packages(loaded) == {"click", "cli"}
    assert {name for name in loaded if name.startswith("cli.")} == {
        "cli.main",
        "cli.options",
        "cli.show",
        "cli.variables",
    }


def test_reading_a_photo_imports_only_what_it_needs(root: Path, tmp_path: Path) -> None:
    loaded = loaded_by("read", str(readable_photo(root)), "--out", str(tmp_path), "--json", cwd=tmp_path)
    assert "reader.read" in loaded
    assert list(tmp_path.glob("*.annotated.jpg"))
    assert packages(loaded) <= READING
    assert "multiprocessing" not in loaded


SERVE = (
    "babel",
    "cryptography",
    "filelock",
    "multipart",
    "psutil",
    "python_multipart",
    "segno",
    "starlette",
    "uvicorn",
    "h11",
)
"""What linecall[serve] brings."""


def run_without_serve(*command: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """A command where nothing of linecall[serve] can be imported."""
    script = (
        "import sys\n"
        f"sys.modules.update(dict.fromkeys({SERVE!r}))\n"
        "from cli.main import main\n"
        "main(sys.argv[1:])\n"
    )
    environment = {name: value for name, value in os.environ.items() if not name.startswith("LINECALL_")}
    return subprocess.run(
        [sys.executable, "-c", script, *command],
        cwd=cwd,
        env=environment | {"PYTHONPATH": str(Path(__file__).parents[1]), "HOME": str(cwd)},
        capture_output=True,
        text=True,
        check=False,
    )


def test_without_what_serve_needs_all_else_works_and_serve_says_what_to_install(
    root: Path, tmp_path: Path
) -> None:
    for command in (
        ("--help",),
        ("serve", "--help"),
        ("guide", "serving"),
        ("read", str(readable_photo(root)), "--out", "out", "--logbook", "log.db", "--operator", "Ada North"),
        ("logbook", "verify", "--logbook", "log.db"),
        ("people", "list", "--logbook", "log.db"),
    ):
        done = run_without_serve(*command, cwd=tmp_path)
        assert done.returncode in {0, 3, 5}, done.stderr
    done = run_without_serve("serve", "--logbook", "log.db", "--keeper", "Ada North", cwd=tmp_path)
    assert done.returncode != 0
    assert "pip install 'linecall[serve]'" in done.stderr
    assert "Traceback" not in done.stderr
    assert not list(tmp_path.glob("*.station")), "nothing was begun"
