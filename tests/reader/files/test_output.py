"""Files whole or not at all, also on a full disk, in a locked folder, and when killed half-way."""

import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from reader.errors import OutputError
from reader.files.output import check_folder, free_name, write_whole


@pytest.mark.posix
def test_files_are_written_with_their_folders_and_the_users_permissions(tmp_path: Path) -> None:
    first, second = tmp_path / "new" / "deep" / "a.json", tmp_path / "new" / "b.jpg"
    before = os.umask(0o027)
    try:
        assert write_whole({first: b"one", second: b""}) == (first, second)
    finally:
        os.umask(before)
    assert (first.read_bytes(), second.read_bytes()) == (b"one", b"")
    assert first.stat().st_mode & 0o777 == 0o640
    assert sorted(path.name for path in tmp_path.rglob("*")) == ["a.json", "b.jpg", "deep", "new"]


def test_the_same_bytes_again_are_no_overwriting(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    write_whole({path: b"one"})
    os.utime(path, (1, 1))
    write_whole({path: b"one"})
    assert path.stat().st_mtime == 1


def test_something_else_is_not_overwritten_and_nothing_is_written_beside_it(tmp_path: Path) -> None:
    path, other = tmp_path / "a.json", tmp_path / "b.jpg"
    path.write_bytes(b"mine")
    expected = r"a\.json: exists and holds something else; write elsewhere or give --force"
    with pytest.raises(OutputError, match=expected):
        write_whole({other: b"two", path: b"one"})
    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [("a.json", b"mine")]


def test_force_overwrites_a_file_but_no_folder(tmp_path: Path) -> None:
    path, folder = tmp_path / "a.json", tmp_path / "b.json"
    path.write_bytes(b"mine")
    folder.mkdir()
    write_whole({path: b"one"}, force=True)
    assert path.read_bytes() == b"one"
    with pytest.raises(OutputError, match="exists and is no file"):
        write_whole({folder: b"one"}, force=True)


def test_a_file_that_appears_while_ours_is_being_written_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.json"
    sync = os.fsync

    def sync_while_another_program_writes(handle: int) -> None:
        sync(handle)
        path.write_bytes(b"theirs")

    monkeypatch.setattr(os, "fsync", sync_while_another_program_writes)
    with pytest.raises(OutputError, match="another program has just written it"):
        write_whole({path: b"ours"})
    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [("a.json", b"theirs")]


def test_a_file_system_without_hard_links_is_written_to_as_well(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_links(self: Path, target: Path) -> None:
        raise PermissionError(1, "Operation not permitted")  # what Linux says on FAT

    monkeypatch.setattr(Path, "hardlink_to", no_links)
    write_whole({tmp_path / "a.json": b"one"})
    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [("a.json", b"one")]


@pytest.mark.posix
def test_a_disk_that_fills_up_leaves_nothing_half_written(tmp_path: Path) -> None:
    """The limit on a file's size stops a write half-way, as a full disk does."""
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)  # as Python sets it at its start
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, hard))
    try:
        expected = r"b\.jpg: cannot be written \(file too large\); write to another folder"
        with pytest.raises(OutputError, match=expected):
            write_whole({tmp_path / "a.json": b"whole", tmp_path / "b.jpg": b"x" * 200_000})
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_is_told_what_helps(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(handle: int) -> None:
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match=r"cannot be written \(no space left on device\); free some space"):
        write_whole({tmp_path / "a.json": b"one"})
    assert list(tmp_path.iterdir()) == []


@pytest.mark.posix
def test_a_kill_half_way_leaves_no_file_under_a_final_name(tmp_path: Path, root: Path) -> None:
    script = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "from reader.files import output\n"
        "def kill(handle): os.kill(os.getpid(), signal.SIGKILL)\n"
        "output.os.fsync = kill\n"
        "folder = Path(sys.argv[1])\n"
        "output.write_whole({folder / 'a.json': b'x' * 100_000, folder / 'b.jpg': b'y'})\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path)], env=os.environ | {"PYTHONPATH": str(root)}, check=False
    )
    assert run.returncode == -signal.SIGKILL
    left = [path.name for path in tmp_path.iterdir()]
    assert len(left) == 1
    assert left[0].startswith(".linecall-")
    write_whole({tmp_path / "a.json": b"one"})  # and what it left is in nobody's way
    assert (tmp_path / "a.json").read_bytes() == b"one"


@pytest.fixture
def locked_folder() -> Iterator[Path]:
    """A folder that may be looked into, not written into; the superuser, whom nothing stops, steps down."""
    superuser = os.geteuid() == 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o555)
        if superuser:
            os.seteuid(65534)  # nobody, by long custom
        try:
            yield folder
        finally:
            if superuser:
                os.seteuid(0)
            folder.chmod(0o755)


@pytest.mark.posix
def test_a_locked_folder_is_one_clear_line(locked_folder: Path) -> None:
    with pytest.raises(OutputError) as caught:
        write_whole({locked_folder / "a.json": b"one"})
    assert str(caught.value) == (
        f"{locked_folder / 'a.json'}: cannot be written (permission denied); write to another folder"
    )
    with pytest.raises(OutputError, match="permission denied"):
        check_folder(locked_folder)
    with pytest.raises(OutputError, match="permission denied"):
        check_folder(locked_folder / "new")


def test_a_folder_that_is_fine_is_made_and_left_empty(tmp_path: Path) -> None:
    check_folder(tmp_path / "new" / "deep")
    assert [path.name for path in tmp_path.rglob("*")] == ["new", "deep"]
    assert list((tmp_path / "new" / "deep").iterdir()) == []


def test_a_folder_below_a_file_is_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(OutputError, match=r"cannot be written \(.*\); write to another folder"):
        write_whole({tmp_path / "file" / "a.json": b"one"})


@pytest.mark.posix
def test_a_free_name_is_the_first_that_is_free_or_holds_the_same(tmp_path: Path) -> None:
    path = tmp_path / "summary.csv"
    assert free_name(path, b"one") == path
    path.write_bytes(b"one")
    assert free_name(path, b"one") == path
    assert free_name(path, b"two") == tmp_path / "summary-2.csv"
    (tmp_path / "summary-2.csv").symlink_to(tmp_path / "nowhere")
    (tmp_path / "summary-3.csv").write_bytes(b"two")
    assert free_name(path, b"two") == tmp_path / "summary-3.csv"
    assert free_name(path, b"three") == tmp_path / "summary-4.csv"


@pytest.mark.posix
def test_a_file_whose_passing_name_is_swept_away_as_it_is_made_is_made_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from reader.files import output

    modes = output._private_modes
    turns: list[Path] = []

    def swept(folder: Path) -> tuple[int, int]:
        if not turns:
            turns.append(folder)
            output.sweep(folder)
        return modes(folder)

    monkeypatch.setattr(output, "_private_modes", swept)
    write_whole({tmp_path / "photo": b"whole"}, private=True)
    assert turns
    assert (tmp_path / "photo").read_bytes() == b"whole"
    assert (tmp_path / "photo").stat().st_mode & 0o077 == 0
