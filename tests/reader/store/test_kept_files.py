"""Where photos lie: byte for byte, whole or not at all, in a folder or at a URL."""

import errno
import hashlib
import os
from collections.abc import Iterator
from contextlib import closing
from io import BytesIO
from pathlib import Path
from typing import Any

import fsspec  # type: ignore[import-untyped]
import pytest

from reader.errors import LinecallError, OutputError
from reader.logbook import Logbook
from reader.logbook.events import Event, make_event
from reader.logbook.photos import photo_store
from reader.store.kept_files import FileStore, check_file, read_file
from tests.reader.logbook.samples import add, photo

DATA = bytes(range(256)) * 300 + b"\r\n\x00"
DIGEST = hashlib.sha256(DATA).hexdigest()


@pytest.fixture(params=["folder", "file", "memory", "local"])
def location(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """A folder, and URLs: `local` goes through fsspec all the way, to a real disk."""
    urls = {
        "file": f"file://{tmp_path}/photos",
        "memory": "memory://photos",
        "local": f"local://{tmp_path}/photos",
    }
    yield urls.get(request.param, str(tmp_path / "photos"))
    if request.param == "memory":
        fsspec.filesystem("memory").store.clear()


@pytest.fixture
def store(location: str) -> FileStore:
    """Photos at each kind of place."""
    return photo_store(location)


def alter(location: str, data: bytes | None) -> None:
    """Change a kept photo, or take it away."""
    fs, root = fsspec.url_to_fs(location)
    path = f"{root}/{DIGEST[:2]}/{DIGEST}"
    if data is None:
        fs.rm_file(path)
    else:
        fs.pipe_file(path, data)


def test_a_photo_comes_back_byte_for_byte_and_is_kept_once(store: FileStore, location: str) -> None:
    store.put(DIGEST, DATA)
    store.put(DIGEST, DATA)
    assert read_file(store, DIGEST, where="the logbook's photos") == DATA
    assert check_file(store, DIGEST) is None
    fs, root = fsspec.url_to_fs(location)
    assert [path.rpartition("/")[2] for path in fs.find(root)] == [DIGEST]


def test_an_altered_photo_is_told_and_never_written_over(store: FileStore, location: str) -> None:
    store.put(DIGEST, DATA)
    alter(location, DATA[:-1])
    assert "has been altered" in str(check_file(store, DIGEST))
    with pytest.raises(LinecallError, match="has been altered"):
        read_file(store, DIGEST, where="the logbook's photos")
    with pytest.raises(LinecallError, match="has been altered"):
        store.put(DIGEST, DATA)


def test_a_missing_photo_is_told(store: FileStore, location: str) -> None:
    store.put(DIGEST, DATA)
    alter(location, None)
    for digest in (DIGEST, "0" * 64):
        assert "is missing" in str(check_file(store, digest))
        with pytest.raises(LinecallError, match="is missing"):
            read_file(store, digest, where="the logbook's photos")


def test_a_photo_on_a_failing_disk_is_told(store: FileStore, monkeypatch: pytest.MonkeyPatch) -> None:
    class Failing(BytesIO):
        def read(self, size: int | None = -1, /) -> bytes:
            raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(type(store), "open", lambda self, sha256: Failing())
    with pytest.raises(LinecallError, match=r"cannot be read .*; check the disk, or restore it"):
        read_file(store, DIGEST, where="the logbook's photos")


def test_a_hash_that_is_none_leads_nowhere(store: FileStore) -> None:
    for digest in ("../../etc/passwd", "", "x" * 64):
        assert "is missing" in str(check_file(store, digest))


def test_a_place_that_cannot_be_is_told(tmp_path: Path) -> None:
    with pytest.raises(LinecallError, match="photos cannot be kept there"):
        photo_store("nonsense://somewhere")
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="cannot be written"):
        photo_store(str(tmp_path / "file")).put(DIGEST, DATA)
    with pytest.raises(OutputError, match="cannot be reached"):
        photo_store(f"local://{tmp_path}/file").put(DIGEST, DATA)


def test_a_logbook_keeps_its_photos_at_a_url(tmp_path: Path) -> None:
    url = f"local://{tmp_path}/bucket"
    with Logbook.open(tmp_path / "log.db", photos=url) as logbook:
        id = add(logbook, tmp_path)
    with Logbook.open(tmp_path / "log.db", photos=url) as logbook:
        digest = logbook.reading(id).photos[0].sha256
        assert logbook.photo_bytes(digest) == photo(tmp_path).read_bytes()
        assert logbook.verify().photos == 1
    assert (tmp_path / "bucket" / digest[:2] / digest).is_file()


def test_nothing_is_left_of_a_photo_that_did_not_arrive_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from fsspec.implementations.local import LocalFileSystem  # type: ignore[import-untyped]

    real = LocalFileSystem.pipe_file
    monkeypatch.setattr(LocalFileSystem, "pipe_file", lambda self, path, value: real(self, path, value[:-1]))
    with pytest.raises(OutputError, match="did not arrive whole"):
        photo_store(f"local://{tmp_path}/bucket").put(DIGEST, DATA)
    assert [name for _, _, files in os.walk(tmp_path) for name in files] == []


def test_a_photo_is_on_the_disk_before_the_event_that_names_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = []

    def watched(**fields: Any) -> tuple[Event, str]:
        digest = fields["payload"]["photos"][0]["sha256"]
        seen.append((tmp_path / "log.db.photos" / digest[:2] / digest).read_bytes())
        return make_event(**fields)

    monkeypatch.setattr("reader.logbook.store.make_event", watched)
    with closing(Logbook.open(tmp_path / "log.db")) as logbook:
        add(logbook, tmp_path)
    assert seen == [photo(tmp_path).read_bytes()]
