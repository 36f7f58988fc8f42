"""The table of what changes: whole or not there, safe to open, the same in CSV and Parquet."""

import csv
from collections.abc import Sequence
from pathlib import Path

import pytest
from fsspec.implementations.memory import MemoryFileSystem  # type: ignore[import-untyped]

from reader.errors import OutputError
from reader.files import extra
from reader.files.extra import MissingExtraError
from reader.files.urls import Place, place_of
from reader.run.call_archive import CalledAnew, MarkAnew
from reader.run.changes_table import COLUMNS, changes_table

CHANGED = CalledAnew(
    name="=a,b.json",
    came="changed",
    photos=("a1" * 32, "b2" * 32),
    reading="3K7QD2MP",
    layout="comb",
    assay="competitive",
    before="negligible",
    after="undecided",
    possible_after=("negligible", "moderate"),
    marks=(
        MarkAnew("1", "indicator", "present", "doubtful", None),
        MarkAnew("1", "reference", "present", "present", None),
        MarkAnew("2", "indicator", "doubtful", "absent", "present"),
    ),
    own_known=False,
)
LEFT = CalledAnew(name="b.json", came="left", why="@not JSON")
SAME = CalledAnew(name="c.json", came="same", before="heavy", after="heavy")


def rows_of(path: Path) -> Sequence[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def test_a_row_a_verdict_that_changes_or_is_left(tmp_path: Path) -> None:
    path = tmp_path / "new" / "changes.csv"
    with changes_table(path) as write:
        write([CHANGED, SAME])
        write([LEFT])
    first, second = rows_of(path)
    assert tuple(first) == COLUMNS
    assert first["verdict"] == "./=a,b.json"  # no spreadsheet computes it
    assert first["photo sha256"] == f"{'a1' * 32}; {'b2' * 32}"
    assert first["marks"] == "1 indicator: present, doubtful; 2 indicator: doubtful, absent (decided present)"
    assert (first["grade before"], first["grade after"]) == ("negligible", "undecided")
    assert first["possible grades after"] == "negligible; moderate"
    assert first["own limits at hand"] == "no"
    assert (second["came to"], second["why left"]) == ("left", "'@not JSON")


def stop_in_the_middle(place: Place) -> None:
    with changes_table(place) as write:
        write([CHANGED])
        raise KeyboardInterrupt


def test_what_is_stopped_in_the_middle_leaves_no_table(tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt):
        stop_in_the_middle(tmp_path / "changes.csv")
    assert list(tmp_path.iterdir()) == []


def test_a_table_that_is_there_is_not_overwritten_unasked(tmp_path: Path) -> None:
    path = tmp_path / "changes.csv"
    path.write_text("mine")
    with pytest.raises(OutputError, match="exists"), changes_table(path):
        pass
    assert path.read_text() == "mine"
    with changes_table(path, force=True) as write:
        write([CHANGED])
    assert len(rows_of(path)) == 1


def test_without_pyarrow_parquet_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def gone(name: str) -> None:
        raise ModuleNotFoundError(name=name)

    monkeypatch.setattr(extra, "import_module", gone)
    said = pytest.raises(
        MissingExtraError, match=r"to write Parquet, the package pyarrow is needed: pip install"
    )
    with said, changes_table(tmp_path / "changes.parquet"):
        pass
    assert list(tmp_path.iterdir()) == []


def test_parquet_has_the_same_rows(tmp_path: Path) -> None:
    from pyarrow import parquet

    with changes_table(tmp_path / "changes.parquet") as write:
        for _ in range(3):
            write([CHANGED, LEFT])
    with pytest.raises(KeyboardInterrupt):
        stop_in_the_middle(tmp_path / "stopped.parquet")
    assert [path.name for path in tmp_path.iterdir()] == ["changes.parquet"]
    rows = parquet.read_table(tmp_path / "changes.parquet").to_pylist()
    assert len(rows) == 6
    assert tuple(rows[0]) == COLUMNS
    assert rows[0]["verdict"] == "=a,b.json"
    assert rows[1]["why left"] == "@not JSON"


def test_a_table_at_a_url_is_there_whole_or_not_at_all() -> None:
    fs = MemoryFileSystem()
    place = place_of("memory://tables/changes.csv")
    try:
        with pytest.raises(KeyboardInterrupt):
            stop_in_the_middle(place)
        assert not fs.exists("/tables/changes.csv")
        with changes_table(place) as write:
            write([CHANGED])
        assert fs.cat_file("/tables/changes.csv").count(b"\r\n") == 2
        with pytest.raises(OutputError, match="exists"), changes_table(place):
            pass
    finally:
        fs.rm("/tables", recursive=True)
