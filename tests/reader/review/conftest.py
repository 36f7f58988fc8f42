"""A real browser for the reviewer's sheet, where one is found: Debian's chromium and chromium-driver."""

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.reader.review.browser import Browser

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Deselect what needs a browser where there is none."""
    if CHROMIUM and DRIVER:
        return
    needing = [item for item in items if "browser" in getattr(item, "fixturenames", ())]
    config.hook.pytest_deselected(items=needing)
    items[:] = [item for item in items if item not in needing]


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """A browser without a window, with nothing remembered and nothing fetched by itself."""
    assert CHROMIUM is not None
    assert DRIVER is not None
    with Browser(Path(CHROMIUM), Path(DRIVER), profile=tmp_path_factory.mktemp("browser")) as started:
        yield started
