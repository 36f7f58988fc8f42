"""What the command loads when it runs; who may import whom is held by the contracts in pyproject.toml."""

import os
import subprocess
import sys
from pathlib import Path

from tests.demo import readable_photo

# What a reading may import besides the standard library, and what those bring with them.
READING = {"reader", "cli", "click", "cv2", "numpy", "pydantic", "simplejpeg"}
# What is built on a slow package's own classes may import it; nobody may import that before it is needed.
BUILT_ON = {"reader.report.pdf": {"reportlab"}}
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


<<<<<<< HEAD
=======
def test_the_reader_never_imports_the_command_line(root: Path) -> None:
    for name, tree in modules(root, "reader").items():
        assert not [found for found in imports_of(tree) if found.partition(".")[0] in {"cli", "click"}], name


def test_the_reader_prints_nothing(root: Path) -> None:
    for name, tree in modules(root, "reader").items():
        calls = [node.func for node in ast.walk(tree) if isinstance(node, ast.Call)]
        assert "print" not in [call.id for call in calls if isinstance(call, ast.Name)], name


def test_no_module_needs_one_that_needs_it(root: Path) -> None:
    for package in ("reader", "cli"):
        trees = modules(root, package)
        graph = {
            name: {
                target
                for found in imports_of(tree)
                for target in (found, found.rpartition(".")[0])
                if target in trees and target not in {name, package}
            }
            for name, tree in trees.items()
            if name != package
        }
        assert any(graph.values())
        TopologicalSorter(graph).prepare()  # raises CycleError


def test_slow_packages_are_imported_inside_the_functions_that_need_them(root: Path) -> None:
    for package in ("reader", "cli"):
        for name, tree in modules(root, package).items():
            early = set(imports_of(tree, only_at_import=True))
            assert not {found.partition(".")[0] for found in early} & SLOW - BUILT_ON.get(name, set()), name
            assert not [found for found in early if found.startswith(tuple(BUILT_ON))], name


>>>>>>> 3b4d807 (Measure what a point's history and a year's report cost; a command for reports)
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
