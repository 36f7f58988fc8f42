"""A logbook is begun anew from a zip that `linecall logbook export` or a station wrote: the same events and photos.

What lay beside the logbook of a station comes back beside the new one.
"""

import json
import zipfile
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from reader.errors import LinecallError
from reader.files.output import write_whole
from reader.logbook.chain import Report
from reader.logbook.events import load_event
from reader.logbook.export import (
    BESIDE,
    OWN,
    HeadOfZip,
    chain_lines,
    heads_of_zip,
    incoming_of_zip,
    photo_names,
    verify_zip,
)
from reader.logbook.photos import place_record
from reader.logbook.store import Logbook


@dataclass(frozen=True, kw_only=True, slots=True)
class Restored:
    """What came back: the new logbook as checked, the files put beside it, and a line for each that was not held."""

    report: Report
    files: tuple[Path, ...]
    not_held: tuple[str, ...]


def restore_zip(path: Path, logbook: Logbook, *, progress: Callable[[int], None] | None = None) -> Restored:
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
        photos = photo_names(archive)
        if found.photos_left_out or found.photos < len(photos):
            raise LinecallError(
                f"{path}: lacks photos or has them changed, so is no backup; export all readings, without "
                "--strip-metadata"
            )
        for digest, name in photos.items():
            logbook.put_photo(digest, archive.read(name))
        files = _beside(archive, path, logbook)
        write_whole(files, private=True)  # before the events: whoever was cut off here can begin again
        own, *others = heads_of_zip(archive)
        if _lay_beside(archive, own):
            logbook.remember_no_place()
        with closing(chain_lines(archive, own.member)) as events:
            logbook.take_over(events, incoming_of_zip(archive, others))
        not_held = json.loads(archive.read("export.json")).get("not_beside", ())
    return Restored(report=logbook.verify(progress), files=tuple(files), not_held=tuple(map(str, not_held)))


def _beside(archive: zipfile.ZipFile, path: Path, logbook: Logbook) -> dict[Path, bytes]:
    """What lay beside the logbook, by where it goes: all in one folder beside the zip where the logbook is a server."""
    if "://" in logbook.name:
        folder = own = path.with_name(f"{path.name}.{OWN}")
    else:
        folder, own = Path(logbook.name).absolute().parent, Path(f"{logbook.name}.{OWN}").absolute()
    found = {}
    for member in archive.namelist():
        name = member.removeprefix(BESIDE)
        if name != member:
            inside = name.removeprefix(f"{OWN}/")
            found[folder / name if inside == name else own / inside] = archive.read(member)
    return found


def _lay_beside(archive: zipfile.ZipFile, own: HeadOfZip) -> bool:
    """Whether the photos lay beside the logbook, as a file's do, rather than in a place that was named."""
    with closing(chain_lines(archive, own.member)) as events:
        payloads = (load_event(seq, *stored).payload for seq, stored in enumerate(events, 1))
        return next((one["place"] == place_record("") for one in payloads if "place" in one), False)
