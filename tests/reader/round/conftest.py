from collections.abc import Iterator
from pathlib import Path

import pytest

from reader.round.record import Desk
from tests.reader.round.rounds import desk_in


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    made = desk_in(tmp_path)
    yield made
    made.logbook.close()
