"""Which verdicts an archive has: found lazily, in folders below too, and on lines."""

import os
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import pytest
from fsspec.implementations.memory import MemoryFileSystem  # type: ignore[import-untyped]

from reader.files.urls import place_of
from reader.run.archive import verdicts_in
from reader.run.call_archive import Kept
from reader.verdict.model import VERDICT_BYTES_MAX


def named(*sources: Path) -> list[Kept]:
    return list(verdicts_in(sources))


def test_a_folder_stands_for_the_json_in_it_and_below(tmp_path: Path) -> None:
    for name in ("b.verdict.json", "a.JSON", "notes.txt", ".hidden.json", "deep/er/c.json", ".git/d.json"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("{}")
    found = named(tmp_path)
    assert {one.source for one in found} == {
        tmp_path / "b.verdict.json",
        tmp_path / "a.JSON",
        tmp_path / "deep" / "er" / "c.json",
    }
    assert all(one.found for one in found)


def test_a_file_is_taken_whatever_its_name_is_and_whether_it_is_there_or_not(tmp_path: Path) -> None:
    (one,) = named(tmp_path / "verdict.txt")
    assert one == Kept(name=str(tmp_path / "verdict.txt"), source=tmp_path / "verdict.txt")


def test_links_that_lead_in_a_circle_are_not_followed(tmp_path: Path) -> None:
    (tmp_path / "a.json").write_text("{}")
    (tmp_path / "again").symlink_to(tmp_path, target_is_directory=True)
    assert len(named(tmp_path)) == 1


def test_lines_of_a_file_are_verdicts_of_their_own_and_empty_ones_none(tmp_path: Path) -> None:
    path = tmp_path / "all.jsonl"
    path.write_bytes(b'{"a": 1}\n\n  \r\n{"b": 2}')
    assert named(path) == [
        Kept(name=f"{path}, line 1", source=b'{"a": 1}\n'),
        Kept(name=f"{path}, line 4", source=b'{"b": 2}'),
    ]


def test_a_line_without_end_is_not_read_into_memory(tmp_path: Path) -> None:
    path = tmp_path / "all.jsonl"
    path.write_bytes(b"{}\n" + b"x" * (3 * VERDICT_BYTES_MAX))
    first, second = named(path)
    assert first.source == b"{}\n"
    assert isinstance(second.source, str)
    assert "a line of more than" in second.source


def test_a_file_of_lines_that_is_not_there_or_a_pipe_is_said(tmp_path: Path) -> None:
    (gone,) = named(tmp_path / "none.jsonl")
    assert isinstance(gone.source, str)
    assert "No such file" in gone.source
    os.mkfifo(tmp_path / "pipe.jsonl")
    (pipe,) = named(tmp_path / "pipe.jsonl")
    assert isinstance(pipe.source, str)
    assert "no plain file" in pipe.source


def test_a_folder_that_cannot_be_looked_into_is_said_and_the_others_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("a/1.json", "locked/2.json", "z/3.json"):
        (tmp_path / name).parent.mkdir()
        (tmp_path / name).write_text("{}")
    scandir = os.scandir

    def guarded(folder: Path) -> AbstractContextManager[Iterator[os.DirEntry[str]]]:
        if folder.name == "locked":
            raise PermissionError(13, "Permission denied", str(folder))
        return scandir(str(folder))

    monkeypatch.setattr("reader.run.archive.os.scandir", guarded)
    found = named(tmp_path)
    assert [Path(one.name).name for one in found] == ["1.json", "locked", "3.json"]
    assert found[1].source == "cannot be looked into: Permission denied"


def test_a_folder_of_a_million_files_is_not_listed_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given = 0

    class Entry:
        name = "a.json"

        def is_dir(self, *, follow_symlinks: bool) -> bool:
            return False

    @contextmanager
    def scandir(_folder: Path) -> Iterator[Iterator[Entry]]:
        def entries() -> Iterator[Entry]:
            nonlocal given
            for _ in range(1_000_000):
                given += 1
                yield Entry()

        yield entries()

    monkeypatch.setattr("reader.run.archive.os.scandir", scandir)
    found = verdicts_in([tmp_path])
    for _ in range(10):
        next(found)
    assert given == 10


def test_files_at_a_url_are_found_as_in_a_folder(tmp_path: Path) -> None:
    fs = MemoryFileSystem()
    for name in ("b/2.json", "b/notes.txt", "b/.h.json", "a.jsonl"):
        fs.pipe_file(f"/archive/{name}", b'{"a": 1}\n{"b": 2}')
    try:
        found = list(verdicts_in([place_of("memory://archive"), place_of("memory://archive/b/**")]))
        (named_one,) = verdicts_in([place_of("memory://archive/b/notes.txt")])
        (missing,) = verdicts_in([place_of("memory://nothing")])
    finally:
        fs.rm("/archive", recursive=True)
    assert {(one.name, isinstance(one.source, bytes)) for one in found} == {
        ("memory://archive/a.jsonl, line 1", True),
        ("memory://archive/a.jsonl, line 2", True),
        ("memory://archive/b/2.json", False),
    }
    assert (named_one.name, named_one.found) == ("memory://archive/b/notes.txt", False)
    assert isinstance(missing.source, str)
    assert "there is no such file" in missing.source
