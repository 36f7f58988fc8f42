"""Install, update and take back a station from folders of wheels, without the internet.

    python -m tests.bench.offline

Fills a folder with wheels by `pip download` (the one step with a network), then installs from it alone, in a network
of its own without a way out where the system allows that: this version, a next one, and this one again, with the same
logbook. Says what each did, and fails where a station is not well or an event has changed.
"""

import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import urllib.request
import venv
from pathlib import Path

from tests.bench.station import ROOT, Server, depot

WANTED = ("reader", "cli", "pyproject.toml", "README.md", "LICENSE")


def run(*command: str | Path, cwd: Path, alone: bool = False) -> str:
    """Run a command; alone : without a network, where this user may have one of their own."""
    words = [*map(str, command)]
    if (
        alone
        and shutil.which("unshare")
        and not subprocess.run(["unshare", "-n", "true"], check=False).returncode
    ):
        words = ["unshare", "-n", *words]
    done = subprocess.run(words, cwd=cwd, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(f"{' '.join(words)}\n{done.stdout}{done.stderr}")
    return done.stdout


def build(version: str, folder: Path) -> Path:
    """A wheel of what the repository tracks, under a version."""
    source = Path(tempfile.mkdtemp(dir=folder.parent))
    for name in run("git", "ls-files", *WANTED, cwd=ROOT).split():
        (source / name).parent.mkdir(parents=True, exist_ok=True)
        (source / name).write_bytes((ROOT / name).read_bytes())
    place = source / "reader" / "version.py"
    place.write_text(re.sub(r'VERSION = "[^"]*"', f'VERSION = "{version}"', place.read_text()))
    run(sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", folder, source, cwd=folder)
    return next(folder.glob(f"linecall-{version}-*.whl"))


def station_of(bin_folder: Path, folder: Path) -> tuple[str, int]:
    """Serve once with what is installed: its version, and how many events the logbook has."""
    server = Server(folder, command=(str(bin_folder / "linecall"), "serve"))
    server.start()
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{server.port}/health", timeout=60) as answer:
            found = json.load(answer)
        assert found["status"] == "ok", found
    finally:
        server.stop()
    told = run(bin_folder / "linecall", "logbook", "verify", "-L", "book.sqlite", cwd=folder)
    assert "holds" in told, told
    return found["version"], found["events"]


def main() -> None:
    """Do all of it in a folder that is deleted at the end."""
    os.environ.pop("PYTHONPATH", None)  # what is installed is tried, not this checkout
    top = Path(tempfile.mkdtemp(prefix="linecall-offline-"))
    try:
        wheels, place, own = top / "wheels", top / "venv", top / "own"
        wheels.mkdir()
        own.mkdir()
        now, later = build("0.1.0", wheels), build("0.1.1", wheels)
        run(sys.executable, "-m", "pip", "download", "-q", "-d", wheels, f"{now}[serve]", cwd=wheels)
        print(
            f"{len(list(wheels.iterdir()))} files, {sum(p.stat().st_size for p in wheels.iterdir()) / 1e6:.0f} MB"
        )
        venv.create(place, with_pip=True)
        depot(own, 1)
        pip = (place / "bin" / "python", "-m", "pip", "install", "-q", "--no-index", "--find-links", wheels)
        for what, version in (("installed", "0.1.0"), ("updated", "0.1.1"), ("taken back", "0.1.0")):
            run(*pip, f"linecall[serve]=={version}", cwd=top, alone=True)
            found, events = station_of(place / "bin", own)
            assert found == version, found
            print(f"{what}: {found}, {events} events, all holds")
        assert later.exists()
        copies = sorted(path.name for path in own.rglob("*.before-*"))
        print(f"copies kept: {copies}")
    finally:
        shutil.rmtree(top, ignore_errors=True)


if __name__ == "__main__":
    main()
