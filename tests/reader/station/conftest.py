"""A station, and a real browser where one is found: a desk's, and a phone's."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.conftest import CHROMEDRIVER, CHROMIUM
from tests.reader.review.browser import Browser
from tests.reader.station.phone import Phone, Served, close_up, served, write_camera


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """A browser without a window, with nothing remembered and nothing fetched by itself."""
    assert CHROMIUM is not None
    assert CHROMEDRIVER is not None
    with Browser(Path(CHROMIUM), Path(CHROMEDRIVER), profile=tmp_path_factory.mktemp("browser")) as started:
        yield started


@pytest.fixture(scope="session")
def camera(tmp_path_factory: pytest.TempPathFactory, root: Path) -> Path:
    """What a phone's camera sees: two plates for a second, then one as it should be for two, and so on."""
    path = tmp_path_factory.mktemp("camera") / "camera.y4m"
    write_camera(
        {root / "demo_images" / "south-tank-drain.jpg": 1, close_up(root, path.with_name("close.png")): 2},
        path,
    )
    return path


@pytest.fixture(scope="session")
def handset(tmp_path_factory: pytest.TempPathFactory, camera: Path) -> Iterator[Phone]:
    """A phone that all tests share."""
    assert CHROMIUM is not None
    assert CHROMEDRIVER is not None
    profile = tmp_path_factory.mktemp("phone")
    with Phone(Path(CHROMIUM), Path(CHROMEDRIVER), profile=profile, camera=camera) as phone:
        yield phone


@pytest.fixture
def phone(handset: Phone) -> Phone:
    """The phone, with nothing on it of the test before."""
    handset.begin()
    return handset


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Served]:
    """A new station on loopback."""
    with served(tmp_path) as station:
        yield station
