"""What tests of commands share."""

import os
from pathlib import Path

import pytest


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of its own, and none of our variables from outside."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    for name in [name for name in os.environ if name.startswith("LINECALL_")]:
        monkeypatch.delenv(name)
    return tmp_path
