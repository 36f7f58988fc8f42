"""A logbook is begun anew from a zip that `linecall logbook export` wrote: the same events, hashes and photos."""

import zipfile
from collections.abc import Callable, Generator
from contextlib import closing
from pathlib import Path

from reader.errors import LinecallError
from reader.logbook.chain import Report
from reader.logbook.events import from_line
from reader.logbook.export import PHOTO, verify_zip
from reader.logbook.store import Logbook


def restore_zip(path: Path, logbook: Logbook, *, progress: Callable[[int], None] | None = None) -> Report:
    """Put what a whole zip holds into a logbook that is still empty, and check it there.

    Raises LinecallError, with the logbook still empty, for a zip that does not hold, lacks photos or has changed ones,
    or a logbook that is not empty; for one that keeps its photos elsewhere than the zip's did, too.
    """
    if logbook.head()[0]:
        raise LinecallError(
            f"{logbook.name}: holds events already; restore into a logbook that is not there yet"
        )
    found = verify_zip(path)
    if found.problem is not None:
        raise LinecallError(f"{path}: {found.problem}; nothing was restored, take an older backup")
    with zipfile.ZipFile(path) as archive:
        photos = {match[1]: name for name in archive.namelist() if (match := PHOTO.fullmatch(name))}
        if found.photos_left_out or found.photos < len(photos):
            raise LinecallError(
                f"{path}: lacks photos or has them changed, so is no backup; export all readings, without "
                "--strip-metadata"
            )
        for digest, name in photos.items():
            logbook.put_photo(digest, archive.read(name))
        with closing(_events(archive)) as events:
            logbook.take_over(events)
    return logbook.verify(progress)


def _events(archive: zipfile.ZipFile) -> Generator[tuple[str, str], None, None]:
    with archive.open("events.jsonl") as file:
        for line in file:
            parts = from_line(line.decode("utf-8").rstrip("\n"))
            assert parts is not None, "the zip has just been checked"
            yield parts
