"""A station, and a real browser where one is found."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.conftest import CHROMEDRIVER, CHROMIUM
from tests.reader.review.browser import Browser


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """A browser without a window, with nothing remembered and nothing fetched by itself."""
    assert CHROMIUM is not None
    assert CHROMEDRIVER is not None
    with Browser(Path(CHROMIUM), Path(CHROMEDRIVER), profile=tmp_path_factory.mktemp("browser")) as started:
        yield started
