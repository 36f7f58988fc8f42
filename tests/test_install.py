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


def test_a_station_goes_on_through_a_later_version_and_back_from_a_folder_of_wheels_alone(
    wheel: Path, commands: Path, tmp_path: Path
) -> None:
    (tmp_path / "wheels").mkdir()
    own = wheel.name.split("-")[1]
    for version in (own, "99.0"):
        rewritten(wheel, tmp_path / "wheels" / wheel.name.replace(own, version), own, version)
    pip = (
        sys.executable,
        "-m",
        "pip",
        "--python",
        commands / "python",
        "install",
        "-q",
        "--no-index",
        "--no-deps",
    )
    book, add = tmp_path / "book.sqlite", ("people", "add", "--role", "keeper")
    begin = f"from reader.logbook import Logbook; Logbook.open({str(book)!r}).close()"
    run(commands / "python", "-c", begin, cwd=tmp_path)
    for person, version in (("Ada North", own), ("Ben South", "99.0"), ("Cleo West", own)):
        run(*pip, "--find-links", tmp_path / "wheels", f"linecall=={version}", cwd=tmp_path)
        assert run(commands / "linecall", "--version", cwd=tmp_path).stdout == f"linecall {version}\n"
        run(commands / "linecall", *add, person, "--logbook", book, cwd=tmp_path)
    listed = run(commands / "linecall", "people", "list", "--logbook", book, cwd=tmp_path).stdout
    assert all(name in listed for name in ("Ada North", "Ben South", "Cleo West"))
    assert "holds" in run(commands / "linecall", "logbook", "verify", "--logbook", book, cwd=tmp_path).stdout


def rewritten(wheel: Path, into: Path, own: str, version: str) -> None:
    """The wheel under another version; pip compares no hash of a wheel's own list while it installs."""
    with zipfile.ZipFile(wheel) as source, zipfile.ZipFile(into, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            data = source.read(name)
            if name == "reader/version.py" or name.endswith(".dist-info/METADATA"):
                data = data.replace(own.encode(), version.encode(), 1)
            if name.endswith(".dist-info/RECORD"):
                data = data.replace(
                    f"linecall-{own}.dist-info".encode(), f"linecall-{version}.dist-info".encode()
                )
            target.writestr(name.replace(f"linecall-{own}.dist-info", f"linecall-{version}.dist-info"), data)
