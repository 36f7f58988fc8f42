"""Which verdicts an archive has: files, folders of them, files with one on each line. Nothing is held whole."""

import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from io import BufferedReader, RawIOBase
from pathlib import Path
from typing import IO, Final, cast

from reader.errors import LinecallError
from reader.files.plain import open_plain
from reader.files.urls import Place, Url, files_at, open_url
from reader.run.call_archive import Kept
from reader.verdict.model import VERDICT_BYTES_MAX

LINES_SUFFIX: Final = ".jsonl"
FOUND_SUFFIXES: Final = (".json", LINES_SUFFIX)
"""What is looked for in folders; a file that is named may be called otherwise."""


def verdicts_in(sources: Iterable[Place]) -> Iterator[Kept]:
    """Each verdict of some files and folders, in the order given; of a folder in the order that the disk gives.

    A folder stands for the .json and .jsonl files in it and in the folders below, hidden ones and links to folders left
    out. A URL stands for what `files_at` finds there. A .jsonl file has a verdict on each line, as `linecall read
    --json` prints them.
    """
    for source in sources:
        if isinstance(source, Url):
            yield from _at_url(source)
        elif source.is_dir():
            yield from _below(source)
        else:
            yield from _in_file(source, found=False)


def _below(folder: Path) -> Iterator[Kept]:
    waiting = [folder]
    while waiting:
        folder = waiting.pop()
        folders = []
        try:
            with os.scandir(folder) as entries:
                for entry in entries:
                    if entry.name.startswith("."):
                        continue
                    if entry.is_dir(follow_symlinks=False):
                        folders.append(entry.name)
                    elif entry.name.lower().endswith(FOUND_SUFFIXES):
                        yield from _in_file(folder / entry.name, found=True)
        except OSError as error:
            yield Kept(name=str(folder), source=f"cannot be looked into: {error.strerror or error}")
        waiting += [folder / name for name in sorted(folders, reverse=True)]


def _at_url(url: Url) -> Iterator[Kept]:
    try:
        for file in files_at(url):
            found = file != url
            if not found or (file.suffix.lower() in FOUND_SUFFIXES and not file.name.startswith(".")):
                yield from _in_file(file, found=found)
    except LinecallError as error:
        yield Kept(name=str(url), source=str(error).removeprefix(f"{url}: "))


def _in_file(place: Place, *, found: bool) -> Iterator[Kept]:
    if place.suffix.lower() != LINES_SUFFIX:
        yield Kept(name=str(place), source=place, found=found)
        return
    try:
        with _opened(place) as file:
            for number, line in enumerate(iter(lambda: file.readline(VERDICT_BYTES_MAX + 1), b""), 1):
                name = f"{place}, line {number}"
                if len(line) > VERDICT_BYTES_MAX:
                    why = f"a line of more than {VERDICT_BYTES_MAX} bytes, which no verdict has; the rest is left out"
                    yield Kept(name=name, source=why)
                    return
                if line.strip():
                    yield Kept(name=name, source=line, found=found)
    except OSError as error:
        yield Kept(name=str(place), source=f"cannot be read: {error.strerror or error}")
    except LinecallError as error:
        yield Kept(name=str(place), source=str(error).removeprefix(f"{place}: "))


@contextmanager
def _opened(place: Place) -> Iterator[IO[bytes]]:
    """A file to be read line by line, buffered."""
    if isinstance(place, Url):
        with open_url(place) as file:
            yield file
    else:
        with BufferedReader(cast(RawIOBase, open_plain(place))) as lines:
            yield lines
