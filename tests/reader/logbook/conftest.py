"""Logbooks to test with: in SQLite, and in PostgreSQL where a server is named."""

from collections.abc import Iterator
from pathlib import Path
from uuid import uuid4

import pytest
from sqlalchemy import create_engine, text

from tests.conftest import POSTGRESQL
from tests.reader.logbook.samples import Place


@pytest.fixture(params=["sqlite", "postgresql"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Place]:
    """Where a logbook may be begun: a file, or a schema of its own on the server."""
    if request.param == "sqlite":
        yield Place(where=str(tmp_path / "log.db"), photos=str(tmp_path / "log.db.photos"))
        return
    assert POSTGRESQL is not None
    schema = f"test_{uuid4().hex}"
    engine = create_engine(POSTGRESQL.replace("postgresql://", "postgresql+psycopg://"))
    with engine.begin() as connection:
        connection.execute(text(f"CREATE SCHEMA {schema}"))
    mark = "&" if "?" in POSTGRESQL else "?"
    yield Place(where=f"{POSTGRESQL}{mark}options=-csearch_path%3D{schema}", photos=str(tmp_path / "photos"))
    with engine.begin() as connection:
        connection.execute(text(f"DROP SCHEMA {schema} CASCADE"))
    engine.dispose()
