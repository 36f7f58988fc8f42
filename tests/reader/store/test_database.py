"""A database's files, which SQLite makes and takes away beside the one that was named."""

import threading
from pathlib import Path

from reader.store.database import Database


def test_a_file_that_goes_away_as_it_is_looked_at_is_no_reason_to_refuse(tmp_path: Path) -> None:
    path, over = tmp_path / "list.sqlite", threading.Event()
    beside = Path(f"{path}-shm")

    def comes_and_goes() -> None:
        while not over.is_set():
            beside.touch()
            beside.unlink()

    other = threading.Thread(target=comes_and_goes)
    other.start()
    try:
        for _ in range(3000):
            Database(path, read_only=False, timeout_s=1, holds="list").close()
    finally:
        over.set()
        other.join()
