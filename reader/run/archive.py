"""Which verdicts an archive has: files, folders of them, files with one on each line. Nothing is held whole."""

import os
from collections.abc import Iterable, Iterator
from io import BufferedReader
from pathlib import Path
from typing import Final

from reader.files.plain import open_plain
from reader.run.call_archive import Kept
from reader.verdict.model import VERDICT_BYTES_MAX

LINES_SUFFIX: Final = ".jsonl"
FOUND_SUFFIXES: Final = (".json", LINES_SUFFIX)
"""What is looked for in folders; a file that is named may be called otherwise."""


def verdicts_in(sources: Iterable[Path]) -> Iterator[Kept]:
    """Each verdict of some files and folders, in the order given; of a folder in the order that the disk gives.

    A folder stands for the .json and .jsonl files in it and in the folders below, hidden ones and links to folders left
    out. A .jsonl file has a verdict on each line, as `linecall read --json` prints them.
    """
    for source in sources:
        if source.is_dir():
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


def _in_file(path: Path, *, found: bool) -> Iterator[Kept]:
    if path.suffix.lower() != LINES_SUFFIX:
        yield Kept(name=str(path), source=path, found=found)
        return
    try:
        with BufferedReader(open_plain(path)) as file:  # type: ignore[type-var]  # a raw file, as it is unbuffered
            for number, line in enumerate(iter(lambda: file.readline(VERDICT_BYTES_MAX + 1), b""), 1):
                name = f"{path}, line {number}"
                if len(line) > VERDICT_BYTES_MAX:
                    why = f"a line of more than {VERDICT_BYTES_MAX} bytes, which no verdict has; the rest is left out"
                    yield Kept(name=name, source=why)
                    return
                if line.strip():
                    yield Kept(name=name, source=line, found=found)
    except OSError as error:
        yield Kept(name=str(path), source=f"cannot be read: {error.strerror or error}")
