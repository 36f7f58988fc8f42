"""Photos on their way: pieces at an offset into the station's folder, resumed after any cut, whole once the hash fits.

A photo is named by its SHA-256, so what arrives cannot be another one. It lies in `uploads/RUN/SHA256` until its
reading is in the logbook, which keeps its own copy.
"""

import errno
import os
import re
import shutil
import threading
from contextlib import suppress
from pathlib import Path
from typing import Final

from reader.errors import LinecallError, OutputError
from reader.files.output import PRIVATE_FILE, make_private_folder
from reader.files.plain import sha256_of
from reader.round.record import find_run
from reader.round.run import Run
from reader.station.desk import Desk
from reader.station.says import SAYS
from reader.store.kept_files import sync_folder
from reader.words import shown
from reader.words.ids import ID_PATTERN
from reader.words.sayings import Said

PIECE_MAX: Final = 256 * 2**10
"""Bytes of one piece: proxies let it through, and a cut costs a phone at the edge of a network a second."""
PHOTO_MAX: Final = 64 * 2**20
"""Bytes of a photo: a phone's file of 108 megapixels has 40 million (from memory)."""
PHOTOS_MAX: Final = 20
"""Photos of one run, unfinished ones included: a doubt is settled by two or three."""
ROOM_FOR_A_RUN: Final = 500 * 2**20
"""Bytes that must be free for a new run: ten photos of the largest size that is usual, and what is made of them."""
ROOM_FOR_EACH_OPEN: Final = 50 * 2**20
"""Bytes more for each run that is under way: two usual photos, here and in the logbook, and their pictures."""

OPEN_COUNTED: Final = 500
FOLDER: Final = "uploads"
PART: Final = ".part"
_SHA256: Final = re.compile(r"[0-9a-f]{64}")
_RUN: Final = re.compile(ID_PATTERN)
_WRITING: Final = threading.Lock()  # one piece at a time: two pages may send the same photo


class UploadError(LinecallError):
    """A piece that is not taken. status : as HTTP has it; next_offset : from where the photo is to be sent on."""

    def __init__(self, sentence: str | Said, *, status: int, next_offset: int | None = None) -> None:
        super().__init__(sentence)
        self.status = status
        self.next_offset = next_offset


def free_bytes(desk: Desk) -> int:
    """What is free on the fullest disk that a run writes to: the station's, the logbook's, its photos'."""
    return min(shutil.disk_usage(place).free for place in (desk.folder, *desk.logbook.kept_at()))


def has_room(desk: Desk) -> bool:
    """Whether a new run may begin: what those under way still need is left to them, and they always go on."""
    under_way = sum(1 for row in desk.logbook.runs(is_open=True, limit=OPEN_COUNTED) if row.reading is None)
    return free_bytes(desk) >= ROOM_FOR_A_RUN + ROOM_FOR_EACH_OPEN * under_way


def store_piece(desk: Desk, run_id: str, sha: str, at: int, data: bytes) -> int:
    """Keep a piece of a run's photo at byte `at`; the offset from which to send on.

    A piece that is there already, or in part, is taken again. Raises UploadError: 404 for a run that there is not; 409
    with the offset to send from for a gap, and for bytes other than those held; 413 for too much; 507 for a full disk.
    """
    folder = _folder(desk, run_id, sha)
    if len(data) > PIECE_MAX:
        raise UploadError(
            f"a piece has {len(data):,} bytes, but at most {PIECE_MAX:,} are taken; send the photo in smaller pieces",
            status=413,
        )
    if at < 0 or at + len(data) > PHOTO_MAX:
        raise UploadError(
            f"the piece at {at:,} ends beyond {PHOTO_MAX:,} bytes, the most that a photo may have", status=413
        )
    run = _run(desk, run_id)
    with _WRITING:
        whole, part = folder / sha, folder / f"{sha}{PART}"
        if whole.exists():
            return _compared(whole, at, data, is_whole=True)
        if not part.exists():
            kept = _kept_size(desk, run, sha)
            if kept is not None:
                return kept
            if run.ended is not None:
                raise UploadError(SAYS(f"{run.ended}_before", run=run.id), status=409)
            if at > 0:
                raise UploadError(f"bytes 0 to {at:,} have not been sent yet", status=409, next_offset=0)
            _begin(folder, part)
        return _appended(part, at, data)


def offset_of(desk: Desk, run_id: str, sha: str) -> int:
    """From where a photo is to be sent on: 0 for one that is not here yet. Raises UploadError."""
    folder = _folder(desk, run_id, sha)
    for path in (folder / sha, folder / f"{sha}{PART}"):
        if path.exists():
            return path.stat().st_size
    return _kept_size(desk, _run(desk, run_id), sha) or 0


def finished(desk: Desk, run_id: str, sha: str, size: int | None = None) -> Path:
    """The whole photo of a run, on the disk for good. size : its bytes, where the sender says so.

    Raises UploadError: 404 where nothing of it is here; 409 with the offset to send from where part of it is missing,
    and with offset 0 where what is here has another hash, which is then dropped.
    """
    folder = _folder(desk, run_id, sha)
    whole, part = folder / sha, folder / f"{sha}{PART}"
    with _WRITING:
        if whole.exists():
            return whole
        if part.exists():
            here = part.stat().st_size
            if size is not None and here < size:
                raise UploadError(
                    f"{here:,} of {size:,} bytes are here; send the rest", status=409, next_offset=here
                )
            return _finish(part, whole, sha)
        run = _run(desk, run_id)
        if _kept_size(desk, run, sha) is None:
            raise UploadError(
                f"photo {sha[:12]} of run {run.id} has not been sent", status=404, next_offset=0
            )
        _make(folder)
        part.write_bytes(desk.logbook.photo_bytes(sha))  # sent again after it was read, for another reading
        return _finish(part, whole, sha)


def let_go(desk: Desk, run_id: str, shas: tuple[str, ...]) -> None:
    """Delete photos that the logbook keeps from now on."""
    for sha in shas:
        folder = _folder(desk, run_id, sha)
        folder.joinpath(sha).unlink(missing_ok=True)
        with suppress(OSError):  # others of the run are still there
            folder.rmdir()


def sweep(desk: Desk) -> None:
    """Delete what was sent for runs that are over, or that the logbook does not have."""
    top = desk.folder / FOLDER
    if not top.is_dir():
        return
    for folder in top.iterdir():
        try:
            over = not _RUN.fullmatch(folder.name) or find_run(desk.logbook, folder.name).ended is not None
        except OutputError:  # the logbook is out of reach, and they may be all that there is of the photos
            return
        except LinecallError:
            over = True
        if over:
            shutil.rmtree(folder, ignore_errors=True)


def _folder(desk: Desk, run_id: str, sha: str) -> Path:
    """Where a run's photos lie; nothing but an id and a hash ever becomes part of a path."""
    if not _RUN.fullmatch(run_id):
        raise UploadError(f"there is no run {shown(run_id)}", status=404)
    if not _SHA256.fullmatch(sha):
        raise UploadError(
            f"{shown(sha)} names no photo; its name is the SHA-256 of its bytes, 64 digits", status=404
        )
    return desk.folder / FOLDER / run_id


def _run(desk: Desk, run_id: str) -> Run:
    try:
        return find_run(desk.logbook, run_id)
    except OutputError:  # the logbook is out of reach, which says nothing of the run
        raise
    except LinecallError as error:
        raise UploadError(error.args[0], status=404) from None


def _kept_size(desk: Desk, run: Run, sha: str) -> int | None:
    """Bytes of a photo that the logbook keeps of a reading of this run; None where it keeps none."""
    for made in run.readings:
        if sha in {photo.sha256 for photo in desk.logbook.reading(made.id).photos}:
            return len(desk.logbook.photo_bytes(sha))
    return None


def _begin(folder: Path, part: Path) -> None:
    if folder.is_dir() and sum(1 for _ in folder.iterdir()) >= PHOTOS_MAX:
        raise UploadError(SAYS("many_photos", n=PHOTOS_MAX), status=413)
    _make(folder)
    try:
        os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_WRONLY, PRIVATE_FILE))
    except OSError as error:
        raise _unwritten(error) from None


def _make(folder: Path) -> None:
    try:
        make_private_folder(folder)
    except OSError as error:
        raise _unwritten(error) from None


def _appended(part: Path, at: int, data: bytes) -> int:
    size = part.stat().st_size
    if at > size:
        raise UploadError(f"bytes {size:,} to {at:,} have not been sent yet", status=409, next_offset=size)
    _compared(part, at, data[: size - at], is_whole=False)
    new = data[size - at :]
    if not new:
        return size
    try:
        with part.open("r+b", buffering=0) as file:
            file.seek(size)
            try:
                written = 0
                while written < len(new):
                    written += file.write(new[written:])
            except OSError:
                file.truncate(size)
                raise
    except OSError as error:
        raise _unwritten(error, next_offset=size) from None
    return size + len(new)


def _compared(path: Path, at: int, data: bytes, *, is_whole: bool) -> int:
    """The size of what is here. Raises UploadError for other bytes; of an unfinished photo they are dropped."""
    size = path.stat().st_size
    with path.open("rb") as file:
        file.seek(at)
        if file.read(len(data)) == data:
            return size
    if is_whole:
        raise UploadError(
            "this photo is here already, and these are not its bytes; a changed photo is another one, with a name of "
            "its own",
            status=409,
            next_offset=size,
        )
    path.unlink()
    raise UploadError(
        "these are not the bytes that were sent before under this name, which are dropped; send the photo anew",
        status=409,
        next_offset=0,
    )


def _finish(part: Path, whole: Path, sha: str) -> Path:
    found = sha256_of(part)
    if found != sha:
        size = part.stat().st_size
        part.unlink()
        raise UploadError(
            f"the {size:,} bytes that were sent have the hash {found[:12]}, not {sha[:12]}; they are dropped: send the "
            "photo from its start",
            status=409,
            next_offset=0,
        )
    try:
        handle = os.open(part, os.O_RDWR)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
        part.rename(whole)
    except OSError as error:
        raise _unwritten(error) from None
    sync_folder(whole.parent)
    return whole


def _unwritten(error: OSError, *, next_offset: int | None = None) -> UploadError:
    if error.errno in {errno.ENOSPC, errno.EDQUOT}:
        return UploadError(
            "the station's disk is full: the photo stays on the phone; tell the keeper, then send it again",
            status=507,
            next_offset=next_offset,
        )
    return UploadError(
        f"the station cannot keep the photo ({error.strerror}); it stays on the phone: tell the keeper",
        status=507,
        next_offset=next_offset,
    )
