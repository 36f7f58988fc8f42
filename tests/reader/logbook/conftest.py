"""Logbooks to test with: in SQLite, and in PostgreSQL where a server is named."""

import os
from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import pytest
from sqlalchemy import create_engine, text

from tests.reader.logbook.samples import Place

SERVER = os.environ.get("LINECALL_TEST_POSTGRESQL")  # postgresql.sh, beside this file, starts one


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Deselect what needs a server where none is named."""
    if SERVER:
        return
    needing = [item for item in items if _place(item) == "postgresql"]
    config.hook.pytest_deselected(items=needing)
    items[:] = [item for item in items if item not in needing]


def _place(item: pytest.Item) -> object:
    """Which of `place` a test is given, None if it asks for none."""
    return (
        item.callspec.params.get("place")
        if isinstance(item, pytest.Function) and hasattr(item, "callspec")
        else None
    )


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Place]:
    """Where a logbook may be begun: a file, or a schema of its own on the server."""
    if request.param == "sqlite":
        yield Place(where=str(tmp_path / "log.db"), photos=str(tmp_path / "log.db.photos"))
        return
    assert SERVER is not None
    schema = f"test_{uuid4().hex}"
    engine = create_engine(SERVER.replace("postgresql://", "postgresql+psycopg://"))
    with engine.begin() as connection:
        connection.execute(text(f"CREATE SCHEMA {schema}"))
    mark = "&" if "?" in SERVER else "?"
    yield Place(where=f"{SERVER}{mark}options=-csearch_path%3D{schema}", photos=str(tmp_path / "photos"))
    with engine.begin() as connection:
        connection.execute(text(f"DROP SCHEMA {schema} CASCADE"))
    engine.dispose()
