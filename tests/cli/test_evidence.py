"""What is kept stays whole, stays its owner's, and stays what it was: each door by its command."""

import json
import os
import signal
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from cli.main import main
from reader.library.quiz import Key
from reader.logbook import Logbook
from tests.reader.library.quiz_library import answers_of, invented_library
from tests.reader.logbook.samples import AT, add

DEMO = Path(__file__).parents[2] / "demo_images"


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of its own, and no variables from outside."""
    monkeypatch.chdir(tmp_path)
    for name in ("LINECALL_LOGBOOK", "LINECALL_PHOTOS", "LINECALL_OPERATOR"):
        monkeypatch.delenv(name, raising=False)
    return tmp_path


@pytest.fixture
def no_umask() -> Iterator[None]:
    before = os.umask(0)
    yield
    os.umask(before)


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def open_to_others(folder: Path) -> list[str]:
    """Files and folders that anybody but their owner may look into."""
    return [
        f"{path.name} {path.stat().st_mode & 0o777:o}"
        for path in sorted([folder, *folder.rglob("*")])
        if path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO)
    ]


# --- whose the files are -----------------------------------------------------------------------------------


def test_a_logbook_and_its_photos_are_their_owners_alone(here: Path, no_umask: None) -> None:
    book = here / "book"
    book.mkdir(mode=0o700)
    read = run(
        "read", DEMO / "north-tank-drain.jpg", "--out", "out", "-L", "book/log.db", "--operator", "A. Lind"
    )
    assert read.exit_code == 0, read.output
    assert len(list(book.rglob("*"))) >= 4
    assert open_to_others(book) == []


def test_a_library_its_photos_and_its_quiz_keys_are_their_owners_alone(here: Path, no_umask: None) -> None:
    added = run("library", "add", DEMO / "teaching", "--labels", DEMO / "teaching/labels.csv", "-l", "site")
    assert added.exit_code == 0, added.output
    made = run("quiz", "make", "-l", "site", "--trainee", "D. Ruiz", "--items", 6, "--seed", 7, "--mix", "faint",
               "-o", "paper.html")  # fmt: skip
    assert made.exit_code == 0, made.output
    key = json.loads(next((here / "site" / "quizzes").glob("*.key.json")).read_bytes())
    (here / "answers.json").write_text(json.dumps(answers_of(_key(key))), encoding="utf-8")
    assert run("quiz", "mark", "answers.json", "-l", "site").exit_code in {0, 3}
    assert len(list((here / "site" / "quizzes").iterdir())) >= 3
    assert open_to_others(here / "site") == []


def _key(whole: object) -> Key:
    return Key.model_validate(whole)


def test_a_folder_that_a_group_shares_stays_shared(here: Path) -> None:
    """Common practice on Unix, no source: setgid on a folder says that what is put into it is the group's."""
    shared = here / "shared"
    shared.mkdir()
    shared.chmod(0o2770)
    with Logbook.open(shared / "log.db") as book:
        add(book, here, 1, at=AT)
    kept = next(path for path in (shared / "log.db.photos").rglob("*") if path.is_file())
    assert (shared / "log.db").stat().st_mode & 0o777 == 0o660
    assert kept.stat().st_mode & 0o777 == 0o660
    assert kept.parent.stat().st_mode & 0o7777 == 0o2770


# --- what killed runs leave -----------------------------------------------------------------------------------

_HALF = """
import sys, time
from pathlib import Path
from reader.output import open_whole
with open_whole(Path(sys.argv[1]) / "never.bin") as file:
    file.write(b"half")
    file.flush()
    print("open", flush=True)
    time.sleep(60)
"""


@pytest.fixture
def half_way(here: Path) -> Iterator["subprocess.Popen[str]"]:
    """A program that is in the middle of writing into the folder `out`."""
    program = [sys.executable, "-c", _HALF, "out"]
    with subprocess.Popen(
        program, stdout=subprocess.PIPE, text=True, env=os.environ | {"PYTHONPATH": _ROOT}
    ) as half:
        assert half.stdout is not None
        assert half.stdout.readline() == "open\n"
        yield half
        half.kill()


_ROOT = str(Path(__file__).parents[2])


def test_what_a_killed_run_left_is_gone_after_the_next(here: Path, half_way: "subprocess.Popen[str]") -> None:
    half_way.send_signal(signal.SIGKILL)
    half_way.wait()
    assert len(list((here / "out").glob(".linecall-*.part"))) == 1
    assert run("read", DEMO / "north-tank-drain.jpg", "--out", "out").exit_code == 0
    assert list((here / "out").glob(".*")) == []


def test_what_a_running_program_writes_is_left_alone(here: Path, half_way: "subprocess.Popen[str]") -> None:
    assert run("read", DEMO / "north-tank-drain.jpg", "--out", "out").exit_code == 0
    assert half_way.poll() is None
    assert len(list((here / "out").glob(".linecall-*.part"))) == 1


def test_files_of_others_with_such_an_ending_are_left_alone(here: Path) -> None:
    (here / "out").mkdir()
    names = {"movie.part", ".linecall-notes.part", ".hidden.part"}
    for name in names:
        (here / "out" / name).write_bytes(b"mine")
        os.utime(here / "out" / name, (1, 1))
    assert run("read", DEMO / "north-tank-drain.jpg", "--out", "out").exit_code == 0
    assert names <= {path.name for path in (here / "out").iterdir()}


def test_an_export_that_was_killed_leaves_nothing_once_the_next_has_run(here: Path) -> None:
    invented_library(here / "library", 4).close()
    left = here / ".linecall-0123456789abcdef.part"
    (left / "photos").mkdir(parents=True)
    (left / "photos" / "a.jpg").write_bytes(b"half")
    exported = run("library", "export", "handed-on", "-l", "library")
    assert exported.exit_code == 0, exported.output
    assert not left.exists()


# --- files that are none, and files that are huge ---------------------------------------------------------------

_LINECALL = """
import atexit, re
from pathlib import Path
def keep_peak():
    Path("peak").write_text(re.search("VmHWM: *\\t *([0-9]+)", Path("/proc/self/status").read_text())[1])
atexit.register(keep_peak)
from cli.main import main
main()
"""


def measured(*arguments: object, seconds: float = 30) -> tuple[int, str, float]:
    """Exit status, what was printed, and peak memory in MB of a command in a process of its own."""
    Path("peak").unlink(missing_ok=True)
    done = subprocess.run(
        [sys.executable, "-c", _LINECALL, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        stdin=subprocess.DEVNULL,
        text=True,
        env=os.environ | {"PYTHONPATH": _ROOT},
        timeout=seconds,
    )
    return done.returncode, done.stdout, int(Path("peak").read_text()) * 1.024e-3


@pytest.mark.parametrize(
    "command",
    [
        ("read", "PIPE", "--out", "out"),
        ("logbook", "list", "-L", "PIPE"),
        ("logbook", "verify", "PIPE"),
        ("logbook", "verify", "-L", "log.db", "--seal", "PIPE"),
        ("library", "list", "-l", "PIPE"),
        ("library", "add", "PIPE", "--labels", "PIPE", "-l", "new"),
        ("library", "import", "piped", "-l", "new"),
        ("quiz", "mark", "PIPE", "-l", "library"),
        ("library", "check-photo", "PIPE", "-l", "library", "--new", "-o", "chart.html"),
    ],
    ids=lambda command: " ".join(command[:2]),
)
def test_a_pipe_is_refused_and_never_waited_for(here: Path, command: tuple[str, ...]) -> None:
    os.mkfifo(here / "pipe.csv")
    (here / "piped").mkdir()
    os.mkfifo(here / "piped" / "SHA256SUMS")
    with Logbook.open("log.db") as book:
        add(book, here, 1)
    invented_library(here / "library", 4).close()
    status, said, _ = measured(*("pipe.csv" if word == "PIPE" else word for word in command))
    assert status in {1, 2, 4}, said
    assert "fault" not in said
    assert "Traceback" not in said


def test_a_photo_that_is_a_link_out_of_its_place_is_found(here: Path) -> None:
    with Logbook.open("log.db") as book:
        add(book, here, 1)
    kept = next(path for path in (here / "log.db.photos").rglob("*") if path.is_file())
    kept.rename(here / "elsewhere")
    kept.symlink_to(here / "elsewhere")
    checked = run("logbook", "verify", "-L", "log.db")
    assert checked.exit_code == 1
    assert "leads out of the folder" in checked.output
    for kind in ("export", "show"):
        assert "Traceback" not in run("logbook", kind, "-L", "log.db").output


def test_a_huge_file_is_refused_in_little_memory(here: Path) -> None:
    with (here / "huge.jpg").open("wb") as file:
        file.truncate(2**30)
    status, said, memory = measured("read", "huge.jpg", "--out", "out")
    assert status == 4, said
    assert memory < 200


def test_a_huge_file_in_a_kept_photos_place_is_found_in_little_memory(here: Path) -> None:
    with Logbook.open("log.db") as book:
        id = add(book, here, 1)
    kept = next(path for path in (here / "log.db.photos").rglob("*") if path.is_file())
    with kept.open("r+b") as file:
        file.truncate(900 * 2**20)
    for command in (("verify",), ("export", id, "--format", "zip", "-o", "case.zip"), ("reread", id)):
        status, said, memory = measured("logbook", *command, "-L", "log.db")
        assert status in {1, 2, 4}, said
        assert "altered" in said
        assert memory < 700, command


@pytest.mark.parametrize("form", ["png", "webp", "tif", "deep.png", "see-through.png", "turned.jpg"])
def test_no_picture_within_the_limits_takes_a_gigabyte(here: Path, form: str) -> None:
    path = here / f"large.{form}"
    _write_picture(path, 6000)
    status, said, memory = measured("read", path.name, "--out", "out")
    assert status == 4, said
    assert "no plate" in said
    assert memory < 1000


def test_a_picture_that_would_take_more_is_refused_before_it_is_decoded(here: Path) -> None:
    assert cv2.imwrite("grey.png", np.full((10_500, 11_000), 128, np.uint8), [cv2.IMWRITE_PNG_COMPRESSION, 1])
    status, said, memory = measured("read", "grey.png", "--out", "out")
    assert status == 4
    assert "too large" in said
    assert memory < 200


def _write_picture(path: Path, side: int) -> None:
    depth = np.uint16 if "deep" in path.name else np.uint8
    pixels = np.empty((side, side, 4 if "see-through" in path.name else 3), depth)
    pixels[:] = np.linspace(40, 220, side).astype(depth)[:, None, None] * (257 if depth is np.uint16 else 1)
    quick = [cv2.IMWRITE_PNG_COMPRESSION, 1] if path.suffix == ".png" else []
    if path.stem.endswith("turned"):
        orientation = Image.Exif()
        orientation[0x0112] = 6
        Image.fromarray(pixels).save(path, exif=orientation)
    else:
        assert cv2.imwrite(str(path), pixels, quick)
