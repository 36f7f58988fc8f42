"""Files at URLs: what is shown of them, what is found, and that nothing is half-written."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import fsspec  # type: ignore[import-untyped]
import pytest

from reader.errors import LinecallError, OutputError
from reader.files import urls
from reader.files.urls import Url, files_at, open_url, place_of, read_url, upload, url_exists, write_url


@pytest.fixture
def folder() -> Iterator[Url]:
    """A folder of a store in memory."""
    memory: Any = fsspec.filesystem("memory")
    yield at("memory://site/day")
    memory.store.clear()
    memory.pseudo_dirs[:] = [""]


def at(text: str) -> Url:
    place = place_of(text)
    assert isinstance(place, Url)
    return place


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("s3://bucket/a/ü 1.jpg", "s3://bucket/a/ü 1.jpg"),
        ("s3://key:secret@bucket/a.jpg", "s3://bucket/a.jpg"),
        ("https://ann:pw@host:8443/a.jpg?X-Signature=abc/def&k=v", "https://host:8443/a.jpg"),
        ("ftp://ann@host/a.jpg", "ftp://host/a.jpg"),
        ("s3://bucket/what?.jpg", "s3://bucket/what?.jpg"),
        ("S3://bucket/a@b.jpg", "s3://bucket/a@b.jpg"),
    ],
)
def test_a_url_shows_no_secret_and_keeps_it(text: str, shown: str) -> None:
    url = at(text)
    assert (str(url), repr(url), f"{url}") == (shown, shown, shown)
    assert url.full.lower() == text.lower()
    assert str(url.parent / "b.jpg") == f"{shown.rpartition('/')[0]}/b.jpg"
    assert (url / "x").full.startswith(text[:8].lower())


@pytest.mark.parametrize("text", ["a.jpg", "C:\\photos\\a.jpg", "/x/a.jpg", "x:/a.jpg", "./s3:/a"])
def test_a_path_is_no_url(text: str) -> None:
    assert place_of(text) == Path(text)


def test_a_file_url_is_a_path_of_this_machine() -> None:
    assert place_of("file:///tmp/a%20b.jpg") == Path("/tmp/a b.jpg")


@pytest.mark.parametrize(
    "text", ["simplecache::s3://b/x", "zip://x.jpg::file:///etc/x.zip", "s3://b/x::file:///etc/passwd"]
)
def test_a_chain_of_urls_is_refused(text: str) -> None:
    if urls.is_url(text):
        with pytest.raises(LinecallError, match="is a chain of URLs"):
            place_of(text)
    else:
        assert place_of(text) == Path(text)


def test_a_folder_gives_its_files_sorted_and_a_pattern_those_that_fit(folder: Url) -> None:
    for name in ("b.jpg", "a.jpg", "x/c.jpg", "x/y/d.jpg", "x/y/e.txt"):
        write_url(folder / name, name.encode())
    assert [url.below(folder) for url in files_at(folder)] == ["a.jpg", "b.jpg"]
    assert [url.below(folder) for url in files_at(at("memory://site/day/"))] == ["a.jpg", "b.jpg"]
    assert [url.below(folder) for url in files_at(folder / "*/*.jpg")] == ["x/c.jpg"]
    assert sorted(url.below(folder) for url in files_at(folder / "**.jpg")) == [
        "a.jpg",
        "b.jpg",
        "x/c.jpg",
        "x/y/d.jpg",
    ]
    assert [url.below(folder) for url in files_at(folder / "a.jpg")] == ["a.jpg"]
    assert [read_url(url) for url in files_at(folder)] == [b"a.jpg", b"b.jpg"]
    with pytest.raises(LinecallError, match="there is no such file"):
        list(files_at(folder / "none"))


def test_what_a_page_of_the_web_links_to_elsewhere_is_no_file_of_the_folder(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    class Web:
        def isfile(self, path: str) -> bool:
            return False

        def ls(self, path: str, detail: bool) -> list[dict[str, str]]:
            names = [
                "https://host/day/a.jpg",
                "https://other/day/b.jpg",
                "https://host/day/../c.jpg",
                "https://host/x.jpg",
            ]
            return [{"name": name, "type": "file"} for name in names]

    monkeypatch.setattr(urls, "_file_system", lambda url: (Web(), "https://host/day/"))
    assert list(map(str, files_at(at("https://ann:pw@host/day/")))) == ["https://host/day/a.jpg"]


def test_a_file_is_written_once_left_alone_and_overwritten_only_by_force(folder: Url) -> None:
    url = folder / "a.json"
    assert not url_exists(url)
    write_url(url, b"one")
    write_url(url, b"one")
    with pytest.raises(
        OutputError, match=r"exists and holds something else; write elsewhere or give --force"
    ):
        write_url(url, b"two")
    assert read_url(url) == b"one"
    write_url(url, b"two", force=True)
    assert read_url(url) == b"two"


class Breaking:
    """A file system that renames, and breaks in the middle of what it is told to."""

    def __init__(self, at: str) -> None:
        self.files: dict[str, bytes] = {}
        self.at = at

    def isfile(self, path: str) -> bool:
        return path in self.files

    def makedirs(self, path: str, exist_ok: bool) -> None:
        pass

    def pipe_file(self, path: str, data: bytes) -> None:
        self.files[path] = data[: len(data) // 2]
        self._break("write")
        self.files[path] = data

    def put_file(self, here: str, path: str) -> None:
        self.pipe_file(path, Path(here).read_bytes())

    def mv(self, old: str, new: str) -> None:
        self._break("rename")
        self.files[new] = self.files.pop(old)

    def rm_file(self, path: str) -> None:
        del self.files[path]

    def _break(self, what: str) -> None:
        if what == self.at:
            raise OSError("the line to ann:pw@host is cut")


@pytest.mark.parametrize("at_step", ["write", "rename", "never"])
def test_where_files_are_renamed_a_broken_line_leaves_nothing_half_written(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, at_step: str
) -> None:
    there = Breaking(at_step)
    monkeypatch.setattr(urls, "_file_system", lambda url: (there, url.path))
    url = at("sftp://ann:pw@host/out/a.json")
    (tmp_path / "big").write_bytes(b"another")

    def write_it() -> None:
        write_url(url, b"a verdict")

    def upload_it() -> None:
        upload(tmp_path / "big", url)

    for write, data in ((write_it, b"a verdict"), (upload_it, b"another")):
        there.files.clear()
        if at_step == "never":
            write()
            assert there.files == {"host/out/a.json": data}
            continue
        with pytest.raises(OutputError) as caught:
            write()
        assert str(caught.value).startswith("sftp://host/out/a.json: cannot be written (the line to ")
        assert "pw" not in str(caught.value)
        assert there.files == {}


def test_a_file_that_is_too_long_or_gone_is_said(folder: Url) -> None:
    write_url(folder / "a", b"0123456789")
    with pytest.raises(LinecallError, match="more than"):
        read_url(folder / "a", limit=9)
    with pytest.raises(LinecallError, match=r"memory://site/day/b: cannot be read \(there is no such file"):
        read_url(folder / "b")
    with pytest.raises(LinecallError, match="cannot be read"), open_url(folder / "b"):
        pass
