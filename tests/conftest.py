"""What all tests share, and what becomes of tests whose means are not here."""

import os
import shutil
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from random import Random

import pytest

ROOT = Path(__file__).resolve().parents[1]
SHARED_PHOTOS = ROOT.parent / "shared" / "photos"
POSTGRESQL = os.environ.get("LINECALL_TEST_POSTGRESQL")  # tests/reader/logbook/postgresql.sh starts a server
AXE = os.environ.get("LINECALL_TEST_AXE")  # axe.min.js of npm's axe-core, which checks pages against WCAG
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
NGINX = shutil.which("nginx") or shutil.which("nginx", path="/usr/sbin")
CHROMEDRIVER = shutil.which("chromedriver")
CERTUTIL = shutil.which("certutil")  # of libnss3-tools: tells Chromium which authority to trust
NODE = shutil.which("node")
FIREFOX = shutil.which("firefox-esr") or shutil.which("firefox")
PUPPETEER = os.environ.get(
    "LINECALL_TEST_PUPPETEER"
)  # node_modules with npm's puppeteer-core, which drives Firefox

NO_PHOTOS = "no rendered photos with truth lie beside the repository (shared/photos)"
NO_SERVER = "no PostgreSQL: LINECALL_TEST_POSTGRESQL names no server"
NO_BROWSER = "no browser: chromium and chromedriver are not on the PATH"
NO_MOUNT = "no right to mount: a disk that is really full is not tried"
NO_NGINX = "no nginx: a station behind a proxy is not tried"
NO_AXE = "no axe-core: LINECALL_TEST_AXE names no axe.min.js (npm install axe-core)"
NO_CERTUTIL = "no certutil (libnss3-tools): no browser can be told to trust an authority of a test's own"
NO_FIREFOX = (
    "no Firefox with what drives it: firefox-esr, node, LINECALL_TEST_PUPPETEER (npm install puppeteer-core)"
)
NO_POSIX = "no POSIX: they make pipes and links, change modes, send signals or bound what a process may take"
NO_LINUX = "no Linux: they read a process's peak memory from /proc"
NOT_RUN = pytest.StashKey[list[tuple[str, str]]]()  # reason and test


@pytest.fixture(scope="session")
def root() -> Path:
    """The repository's top folder."""
    return ROOT


@pytest.fixture(scope="session")
def unseen_layouts() -> tuple[Path, ...]:
    """Layouts that are not bundled with the reader: other sizes, flows, cut corners, assay format."""
    return tuple(sorted((ROOT / "fixtures" / "layouts").glob("*.toml")))


@pytest.fixture(scope="session")
def shared_photos() -> Path:
    """Photos with truth that lie beside the repository; tests that ask for them run only where they are."""
    return SHARED_PHOTOS


@pytest.fixture(scope="session")
def nginx() -> str:
    """The program."""
    assert NGINX is not None
    return NGINX


@pytest.fixture(scope="session")
def axe() -> str:
    """The script of axe-core."""
    assert AXE is not None
    return Path(AXE).read_text(encoding="utf-8")


@cache
def _may_mount() -> bool:
    """Whether this user may mount file systems, in a namespace where nobody sees it."""
    if sys.platform != "linux" or os.geteuid() or not shutil.which("unshare"):
        return False
    probe = ["unshare", "-m", "mount", "-t", "tmpfs", "tmpfs", "/mnt"]
    return subprocess.run(probe, capture_output=True, check=False).returncode == 0


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of its own, of 32 MB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=32m", "tmpfs", folder], check=True)
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Deselect what needs a thing that is not here: none of it is part of the project."""
    missing = {id(item): reasons for item in items if (reasons := list(_missing(item)))}
    config.hook.pytest_deselected(items=[item for item in items if id(item) in missing])
    config.stash[NOT_RUN] = [(missing[id(item)][0], item.nodeid) for item in items if id(item) in missing]
    items[:] = [item for item in items if id(item) not in missing]


def _missing(item: pytest.Item) -> Iterator[str]:
    """Why a test cannot run here."""
    needs = getattr(item, "fixturenames", ())
    if "shared_photos" in needs and not SHARED_PHOTOS.is_dir():
        yield NO_PHOTOS
    if {"browser", "handset"} & set(needs) and not (CHROMIUM and CHROMEDRIVER):
        yield NO_BROWSER
    if "small_disk" in needs and not _may_mount():
        yield NO_MOUNT
    if "nginx" in needs and not NGINX:
        yield NO_NGINX
    if "axe" in needs and not AXE:
        yield NO_AXE
    if "certutil" in needs and not CERTUTIL:
        yield NO_CERTUTIL
    if "firefox" in needs and not (FIREFOX and NODE and PUPPETEER):
        yield NO_FIREFOX
    if item.get_closest_marker("posix") and sys.platform == "win32":
        yield NO_POSIX
    if item.get_closest_marker("linux") and sys.platform != "linux":
        yield NO_LINUX
    parameters = item.callspec.params if hasattr(item, "callspec") else {}
    if parameters.get("place") == "postgresql" and not POSTGRESQL:
        yield NO_SERVER


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Name every test that was not run, and why."""
    not_run = config.stash.get(NOT_RUN, [])
    for reason, number in Counter(reason for reason, _ in not_run).items():
        terminalreporter.section(f"{number} not run: {reason}")
        for name, cases in Counter(test.partition("[")[0] for why, test in not_run if why == reason).items():
            terminalreporter.line(name + (f" ({cases} cases)" if cases > 1 else ""))


@pytest.fixture
def same_ids(monkeypatch: pytest.MonkeyPatch) -> None:
    """The logbook draws the same ids in each run of the tests, for those that read codes back.

    OpenCV's detector misses the code of one id in 170 at any one size (12 of 2,097 labels, rendered flawlessly).
    """
    from reader.words.ids import ID_ALPHABET, ID_LENGTH

    draw = Random(1)
    monkeypatch.setattr(
        "reader.logbook.store.new_id", lambda: "".join(draw.choices(ID_ALPHABET, k=ID_LENGTH))
    )
