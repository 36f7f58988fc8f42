"""Photos in pieces: resumed after any cut, never mixed up, never outside their folder, and never lost."""

import errno
import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from reader.round import record
from reader.station import uploads
from reader.station.desk import Desk
from reader.station.uploads import PHOTOS_MAX, PIECE_MAX, UploadError, finished, offset_of, store_piece
from tests.reader.station.depots import BEN, depot, developed

DATA = os.urandom(3 * PIECE_MAX + 1234)
SHA = hashlib.sha256(DATA).hexdigest()


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    with depot(tmp_path) as made:
        yield made


@pytest.fixture
def run(desk: Desk) -> str:
    return developed(desk)


def send(desk: Desk, run: str, data: bytes = DATA, *, name: str | None = None, at: int = 0) -> int:
    name = name or hashlib.sha256(data).hexdigest()
    while at < len(data):
        at = store_piece(desk, run, name, at, data[at : at + PIECE_MAX])
    return at


def test_a_photo_in_pieces_is_whole_at_the_end(desk: Desk, run: str) -> None:
    assert offset_of(desk, run, SHA) == 0
    assert send(desk, run) == len(DATA)
    assert offset_of(desk, run, SHA) == len(DATA)
    assert finished(desk, run, SHA).read_bytes() == DATA
    assert finished(desk, run, SHA).stat().st_mode & 0o077 == 0


@pytest.mark.parametrize("cut", [1, PIECE_MAX - 1, PIECE_MAX, 2 * PIECE_MAX + 5, len(DATA) - 1])
def test_a_cut_at_any_byte_is_resumed_from_there(desk: Desk, run: str, cut: int) -> None:
    send(desk, run, DATA[:cut], name=SHA)
    assert offset_of(desk, run, SHA) == cut
    assert send(desk, run, at=cut) == len(DATA)
    assert finished(desk, run, SHA).read_bytes() == DATA


def test_a_piece_that_was_acknowledged_into_the_void_is_taken_again(desk: Desk, run: str) -> None:
    store_piece(desk, run, SHA, 0, DATA[:PIECE_MAX])
    assert store_piece(desk, run, SHA, 0, DATA[:PIECE_MAX]) == PIECE_MAX
    assert (
        store_piece(desk, run, SHA, PIECE_MAX // 2, DATA[PIECE_MAX // 2 :][:PIECE_MAX]) == PIECE_MAX * 3 // 2
    )
    send(desk, run, at=offset_of(desk, run, SHA))
    assert send(desk, run) == len(DATA), "a whole photo that is sent again is taken again"
    assert finished(desk, run, SHA).read_bytes() == DATA


def test_a_gap_is_refused_with_the_offset_to_go_on_from(desk: Desk, run: str) -> None:
    store_piece(desk, run, SHA, 0, DATA[:100])
    with pytest.raises(UploadError, match="have not been sent") as error:
        store_piece(desk, run, SHA, 200, DATA[200:300])
    assert (error.value.status, error.value.next_offset) == (409, 100)


def test_what_is_not_whole_yet_is_not_taken_for_a_photo_and_not_dropped_either(desk: Desk, run: str) -> None:
    send(desk, run, DATA[:1000], name=SHA)
    with pytest.raises(UploadError, match="send the rest") as error:
        finished(desk, run, SHA, len(DATA))
    assert (error.value.status, error.value.next_offset) == (409, 1000)
    send(desk, run, at=1000)
    assert finished(desk, run, SHA, len(DATA)).read_bytes() == DATA


def test_other_bytes_under_a_photos_name_are_refused_and_it_stays(desk: Desk, run: str) -> None:
    send(desk, run)
    whole = finished(desk, run, SHA)
    changed = bytes([DATA[0] ^ 1]) + DATA[1:]
    with pytest.raises(UploadError, match="not its bytes") as error:
        store_piece(desk, run, SHA, 0, changed[:PIECE_MAX])
    assert error.value.status == 409
    with pytest.raises(UploadError):
        store_piece(desk, run, SHA, len(DATA), b"more")
    assert whole.read_bytes() == DATA


def test_other_bytes_of_an_unfinished_photo_are_refused_and_the_right_ones_then_taken(
    desk: Desk, run: str
) -> None:
    store_piece(desk, run, SHA, 0, b"x" * 100)
    with pytest.raises(UploadError) as error:
        store_piece(desk, run, SHA, 0, DATA[:100])
    assert (error.value.status, error.value.next_offset) == (409, 0)
    send(desk, run)
    assert finished(desk, run, SHA).read_bytes() == DATA


def test_a_photo_whose_hash_is_wrong_is_dropped_and_sent_anew(desk: Desk, run: str) -> None:
    send(desk, run, DATA[:-1] + b"x", name=SHA)
    with pytest.raises(UploadError, match="have the hash") as error:
        finished(desk, run, SHA)
    assert (error.value.status, error.value.next_offset) == (409, 0)
    send(desk, run)
    assert finished(desk, run, SHA).read_bytes() == DATA


@pytest.mark.parametrize(
    "name", ["../" * 3 + "x", SHA.upper(), SHA + "/..", SHA[:-1], "", ".", SHA + "\n", "\0" * 64]
)
def test_a_name_that_is_no_hash_reaches_no_file(desk: Desk, run: str, name: str) -> None:
    for ask in (lambda: store_piece(desk, run, name, 0, b"x"), lambda: finished(desk, run, name)):
        with pytest.raises(UploadError) as error:
            ask()
        assert error.value.status == 404


@pytest.mark.parametrize("run_id", ["../../etc", "00000000", "", "..", "0000000/", "abcdefgh\0"])
def test_a_run_that_there_is_not_takes_no_photo(desk: Desk, run_id: str) -> None:
    with pytest.raises(UploadError) as error:
        store_piece(desk, run_id, SHA, 0, b"x")
    assert error.value.status == 404
    assert not list(desk.folder.glob("uploads/*"))


def test_too_large_too_far_and_too_many_are_refused(
    desk: Desk, run: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    for at, data in ((0, b"x" * (PIECE_MAX + 1)), (uploads.PHOTO_MAX, b"x"), (-1, b"x"), (10**30, b"x")):
        with pytest.raises(UploadError) as error:
            store_piece(desk, run, SHA, at, data)
        assert error.value.status == 413
    for number in range(PHOTOS_MAX):
        store_piece(desk, run, hashlib.sha256(bytes([number])).hexdigest(), 0, b"x")
    with pytest.raises(UploadError, match="no more are taken") as error:
        store_piece(desk, run, SHA, 0, b"x")
    assert error.value.status == 413


def test_a_run_that_is_over_takes_no_new_photo_and_what_was_sent_for_it_goes(desk: Desk, run: str) -> None:
    send(desk, run)
    record.abandon(desk.runs_by(BEN), run, reason="spilt")
    other = hashlib.sha256(b"other").hexdigest()
    with pytest.raises(UploadError, match="abandoned") as error:
        store_piece(desk, run, other, 0, b"other")
    assert error.value.status == 409
    uploads.sweep(desk)
    assert not list((desk.folder / "uploads").iterdir())


@pytest.mark.posix
def test_a_full_disk_is_said_and_the_photo_goes_on_from_where_it_was(
    desk: Desk, run: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    import resource
    import signal

    send(desk, run, DATA[:1000], name=SHA)
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    monkeypatch.setattr("errno.ENOSPC", errno.EFBIG)  # which a limit of size gives in the disk's stead
    old = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (2000, before[1]))
    try:
        with pytest.raises(UploadError, match="disk is full") as error:
            store_piece(desk, run, SHA, 1000, DATA[1000:5000])
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, old)
    assert (error.value.status, error.value.next_offset) == (507, 1000)
    assert offset_of(desk, run, SHA) == 1000
    send(desk, run, at=1000)
    assert finished(desk, run, SHA).read_bytes() == DATA
