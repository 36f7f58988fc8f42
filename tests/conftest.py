"""What all tests share."""

from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
SHARED_PHOTOS = ROOT.parent / "shared" / "photos"


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


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Deselect what needs the shared photos where there are none: nothing in the project depends on them."""
    if SHARED_PHOTOS.is_dir():
        return
    needing = [item for item in items if "shared_photos" in getattr(item, "fixturenames", ())]
    config.hook.pytest_deselected(items=needing)
    items[:] = [item for item in items if item not in needing]
