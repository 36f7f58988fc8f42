"""The built distribution, installed alone into a fresh virtual environment, away from this checkout."""

import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

from tests.demo import readable_photo


def run(*command: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(list(map(str, command)), cwd=cwd, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done


@pytest.fixture(scope="module")
def wheel(root: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Built from a copy of what the repository tracks, so that no build folder is left in the checkout."""
    source, target = tmp_path_factory.mktemp("source"), tmp_path_factory.mktemp("wheel")
    wanted = ("reader", "cli", "pyproject.toml", "README.md", "LICENSE")
    for name in run("git", "ls-files", *wanted, cwd=root).stdout.split():
        (source / name).parent.mkdir(parents=True, exist_ok=True)
        (source / name).write_bytes((root / name).read_bytes())
    run(sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", target, source, cwd=target)
    (built,) = target.glob("linecall-*.whl")
    return built


@pytest.fixture(scope="module")
def commands(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Commands of a fresh environment that holds the wheel and borrows this one's dependencies."""
    place = tmp_path_factory.mktemp("fresh") / "venv"
    venv.create(place, with_pip=False)
    bin_folder = Path(sysconfig.get_path("scripts", "venv", {"base": str(place)}))
    python = bin_folder / "python"
    run(sys.executable, "-m", "pip", "--python", python, "install", "-q", "--no-deps", wheel, cwd=place)
    site = run(
        python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", cwd=place
    ).stdout.strip()
    Path(site, "borrowed.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    return bin_folder


def test_the_wheel_holds_the_code_its_data_and_nothing_else(root: Path, wheel: Path) -> None:
    tracked = set(run("git", "ls-files", "reader", "cli", cwd=root).stdout.split())
    with zipfile.ZipFile(wheel) as archive:
        packed = {name for name in archive.namelist() if ".dist-info/" not in name}
        assert any(name.endswith("licenses/LICENSE") for name in archive.namelist())
    assert packed == tracked


def test_the_installed_command_runs_away_from_the_checkout(
    root: Path, commands: Path, tmp_path: Path
) -> None:
    assert run(commands / "linecall", "--version", cwd=tmp_path).stdout.startswith("linecall ")
    run(commands / "linecall", "card", cwd=tmp_path)
    assert (tmp_path / "card.pdf").read_bytes().startswith(b"%PDF-")
    where = run(
        commands / "python", "-c", "import cli, reader; print(cli.__file__, reader.__file__)", cwd=tmp_path
    )
    assert str(root) not in where.stdout
    run(commands / "linecall", "read", readable_photo(root), "--out", tmp_path / "out", cwd=tmp_path)
    assert sorted(path.suffixes[0] for path in (tmp_path / "out").iterdir()) == [".annotated", ".verdict"]


def test_a_typed_verdict_is_two_lines_of_python_away(root: Path, commands: Path, tmp_path: Path) -> None:
    code = f"from reader import read_photo\nprint(read_photo({str(readable_photo(root))!r}).grade)"
    grade = run(commands / "python", "-c", code, cwd=tmp_path).stdout.strip()
    assert grade in {"negligible", "moderate", "heavy", "invalid", "undecided"}
