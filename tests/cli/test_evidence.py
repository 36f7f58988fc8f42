"""What is kept stays whole, stays its owner's, and stays what it was: each door by its command."""

import base64
import csv
import hashlib
import json
import os
import re
import shutil
import signal
import socket
import sqlite3
import stat
import subprocess
import sys
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from io import StringIO
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from cli.main import main
from reader.library.quiz.records import Key
from reader.logbook import Logbook
from tests.bench.commands import make_paper
from tests.reader.library.quiz.quiz_library import answers_of, invented_library
from tests.reader.logbook.samples import AT, add

DEMO = Path(__file__).parents[2] / "demo_images"


pytestmark = pytest.mark.usefixtures("here")


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


@pytest.mark.posix
def test_a_logbook_and_its_photos_are_their_owners_alone(here: Path, no_umask: None) -> None:
    book = here / "book"
    book.mkdir(mode=0o700)
    read = run(
        "read", DEMO / "north-tank-drain.jpg", "--out", "out", "-L", "book/log.db", "--operator", "A. Lind"
    )
    assert read.exit_code == 0, read.output
    assert len(list(book.rglob("*"))) >= 4
    assert open_to_others(book) == []


@pytest.mark.posix
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


@pytest.mark.posix
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
from reader.files.output import open_whole
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


@pytest.mark.posix
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
import atexit
from pathlib import Path
from tests.bench.memory import peak_bytes
atexit.register(lambda: Path("peak").write_text(str(peak_bytes())))
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
    return done.returncode, done.stdout, int(Path("peak").read_text()) / 1e6


@pytest.mark.linux
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


@pytest.mark.posix
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


@pytest.mark.linux
def test_a_huge_file_is_refused_in_little_memory(here: Path) -> None:
    with (here / "huge.jpg").open("wb") as file:
        file.truncate(2**30)
    status, said, memory = measured("read", "huge.jpg", "--out", "out")
    assert status == 4, said
    assert memory < 200


@pytest.mark.linux
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


@pytest.mark.linux
@pytest.mark.parametrize("form", ["png", "webp", "tif", "deep.png", "see-through.png", "turned.jpg"])
def test_no_picture_within_the_limits_takes_a_gigabyte(here: Path, form: str) -> None:
    path = here / f"large.{form}"
    _write_picture(path, 6000)
    status, said, memory = measured("read", path.name, "--out", "out")
    assert status == 4, said
    assert "no plate" in said
    assert memory < 1000


@pytest.mark.linux
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


# --- what checking a logbook finds --------------------------------------------------------------------------------


@pytest.fixture
def book(here: Path) -> Path:
    """A logbook of forty readings of which every other one waits for a reviewer."""
    with Logbook.open("log.db") as logbook:
        for number in range(1, 41):
            calls = ("present", "doubtful" if number % 2 else "absent")
            add(logbook, here, number, calls=calls, at=AT + timedelta(minutes=number))
    return here / "log.db"


def changed(book: Path, *statements: str) -> None:
    with closing(sqlite3.connect(book)) as connection, connection:
        for statement in statements:
            connection.execute(statement)
        connection.commit()
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def verify(*more: object) -> Result:
    return run("logbook", "verify", "-L", "log.db", *more)


def test_index_pages_that_were_overwritten_are_found(book: Path) -> None:
    changed(book)
    with closing(sqlite3.connect(book)) as connection:
        size = connection.execute("PRAGMA page_size").fetchone()[0]
        root = connection.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = 'linecall_waiting'"
        ).fetchone()[0]
    with book.open("r+b") as file:
        file.seek((root - 1) * size)
        file.write(
            bytes([10, 0, 0, 0, 0, size >> 8, size & 255, 0])
        )  # an index page without entries (SQLite file format, 1.6)
    checked = verify()
    assert checked.exit_code == 1, checked.output
    assert "the logbook's file is damaged" in checked.output
    assert "restore it from a backup" in checked.output


@pytest.mark.parametrize(
    "statement",
    [
        "CREATE TRIGGER lost BEFORE INSERT ON linecall_event BEGIN SELECT RAISE(IGNORE); END",
        "CREATE VIEW lists AS SELECT * FROM linecall_reading",
        "CREATE TABLE other (a TEXT)",
    ],
)
def test_what_another_program_has_put_into_the_file_is_found(book: Path, statement: str) -> None:
    changed(book, statement)
    checked = verify()
    assert checked.exit_code == 1
    assert "another program has put it there" in checked.output


def test_guards_that_were_taken_out_are_said(book: Path) -> None:
    changed(book, "DROP TRIGGER linecall_no_update", "DROP INDEX linecall_waiting")
    checked = verify()
    assert checked.exit_code == 0
    assert "has taken out of the logbook's file: linecall_no_update, linecall_waiting" in checked.output


@pytest.mark.parametrize("place", ["copy", "", "s3://somewhere/photos", "file:///tmp/elsewhere"])
def test_another_place_of_the_photos_than_when_they_were_logged_is_found(here: Path, place: str) -> None:
    with Logbook.open("log.db", photos=str(here / "photos")) as logbook:
        add(logbook, here, 1)
    shutil.copytree(here / "photos", here / "copy")
    shutil.copytree(here / "photos", here / "log.db.photos")
    changed(here / "log.db", f"UPDATE linecall_logbook SET value = '{place}' WHERE name = 'photos'")
    checked = verify()
    assert checked.exit_code == 1
    assert "another place" in checked.output


def _photos(book: Path) -> list[Path]:
    return sorted(path for path in book.with_name("log.db.photos").rglob("*") if path.is_file())


def exchange_for_pipe(one: Path, other: Path) -> None:
    del other
    one.unlink()
    os.mkfifo(one)


@pytest.mark.posix
@pytest.mark.parametrize(
    ("edit", "told"),
    [
        (lambda one, other: one.write_bytes(b"other"), "altered"),
        (lambda one, other: one.write_bytes(one.read_bytes() + b"x"), "altered"),
        (lambda one, other: one.write_bytes(one.read_bytes()[:-1]), "altered"),
        (lambda one, other: one.unlink(), "missing"),
        (lambda one, other: one.write_bytes(other.read_bytes()), "altered"),
        (lambda one, other: one.rename(one.with_name(other.name)), "missing"),
        (lambda one, other: (one.unlink(), one.mkdir()), "folder"),
        (exchange_for_pipe, "no plain file"),
        (lambda one, other: (one.rename("away"), one.symlink_to(Path("away").resolve())), "leads out"),
        (lambda one, other: shutil.rmtree(one.parents[1]), "missing"),
    ],
)
def test_an_edit_of_a_kept_photo_is_found(
    book: Path, edit: Callable[[Path, Path], object], told: str
) -> None:
    one, other = _photos(book)[:2]
    edit(one, other)
    checked = verify()
    assert checked.exit_code == 1
    assert told in checked.output


def test_photos_that_no_event_names_are_looked_at_too(book: Path) -> None:
    folder = book.with_name("log.db.photos")
    data = b"a photo of a run that was stopped"
    digest = hashlib.sha256(data).hexdigest()
    (folder / digest[:2]).mkdir(exist_ok=True)
    (folder / digest[:2] / digest).write_bytes(data)
    (folder / "notes.txt").write_text("mine")
    checked = verify()
    assert checked.exit_code == 0
    assert "1 photo lies in" in checked.output
    assert "notes.txt" in checked.output
    (folder / digest[:2] / digest).write_bytes(b"something else")
    assert verify().exit_code == 1


def test_without_a_seal_it_is_said_that_all_may_have_been_written_anew(book: Path) -> None:
    assert "this whole logbook may have been written anew" in verify().output
    assert run("logbook", "export", "--format", "zip", "-o", "case.zip", "-L", "log.db").exit_code == 0
    checked = run("logbook", "verify", "case.zip")
    assert checked.exit_code == 0
    assert "this whole zip may have been written anew" in checked.output
    seal = run("logbook", "seal", "-L", "log.db").output.strip()
    assert "anew" not in run("logbook", "verify", "case.zip", "--seal", seal).output


def test_a_clock_that_runs_backwards_is_an_event(here: Path) -> None:
    with Logbook.open("log.db") as logbook:
        add(logbook, here, 1, at=datetime(2199, 1, 1, 12, tzinfo=UTC))
    known = run("people", "add", "A. Lind", "-L", "log.db")
    assert known.exit_code == 0, known.output
    read = run("read", DEMO / "north-tank-drain.jpg", "--out", "out", "-L", "log.db", "--operator", "A. Lind")
    assert read.exit_code == 0, read.output
    lines = run("logbook", "export", "--format", "jsonl", "-L", "log.db").output.splitlines()
    kinds = [json.loads(line)["kind"] for line in lines]
    assert kinds[:2] == ["reading", "clock"]
    assert kinds.count("clock") == 1
    assert kinds[-1] == "reading"
    told = json.loads(lines[1])["payload"]
    assert told["before"] == "2199-01-01T12:00:00+00:00"
    checked = verify()
    assert checked.exit_code == 0
    assert "the clock ran backwards before event 2" in checked.output


# --- no connection by opening a file ------------------------------------------------------------------------------


def test_a_place_on_the_network_that_only_the_file_names_is_not_connected_to(book: Path) -> None:
    known = run("people", "add", "A. Lind", "-L", "log.db")
    assert known.exit_code == 0, known.output
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.2)
        port = server.getsockname()[1]
        for url in (f"http://127.0.0.1:{port}/photos", f"simplecache::http://127.0.0.1:{port}/photos"):
            changed(book, f"UPDATE linecall_logbook SET value = '{url}' WHERE name = 'photos'")
            id = run("logbook", "list", "-L", "log.db").output.splitlines()[1].split()[0]
            for command in (
                ("show", id),
                ("verify",),
                ("export", id, "--format", "zip", "-o", "case.zip"),
                ("reread", id),
            ):
                result = run("logbook", *command, "-L", "log.db")
                assert "Traceback" not in result.output
            exported = run("logbook", "export", id, "--format", "zip", "-o", "case.zip", "-L", "log.db")
            assert exported.exit_code == 1
            assert "no connection was opened" in exported.output
            assert "--logbook-photos" in exported.output
            read = run(
                "read", DEMO / "north-tank-drain.jpg", "--out", "out", "-L", "log.db", "--operator", "A. Lind"
            )
            assert read.exit_code == 1
            assert "no connection was opened" in read.output
        with pytest.raises(TimeoutError):
            server.accept()


def test_a_place_on_the_network_that_is_named_is_used(here: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = f"local://{here}/bucket"
    with Logbook.open("log.db", photos=place) as logbook:
        add(logbook, here, 1)
    assert "no connection was opened" in verify().output
    assert verify("--logbook-photos", place).exit_code == 0
    monkeypatch.setenv("LINECALL_PHOTOS", place)
    assert verify().exit_code == 0


# --- texts, tables and pages --------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["texts", "rules"])
def test_a_site_text_that_names_a_dose_is_refused(here: Path, kind: str) -> None:
    bundled = {"texts": "standard", "rules": "two-tier"}[kind]
    text = (DEMO.parent / f"reader/data/{kind}/{bundled}.toml").read_text(encoding="utf-8")
    ours = text.replace('heavy = "', 'heavy = "Add 200 ml of biocide: ').replace(
        'because = "', 'because = "270 ppm, ', 1
    )
    (here / "ours.toml").write_text(ours, encoding="utf-8")
    read = run("read", DEMO / "north-tank-drain.jpg", "--out", "out", f"--{kind}", "ours.toml")
    assert read.exit_code == 2
    assert "names an amount with a unit" in read.output
    assert ("200 ml" if kind == "texts" else "270 ppm") in read.output


FORMULA = re.compile(r"^[\s'\u200b]*[=+\-@\uff1d\uff0b\uff0d\uff20]|^[\t\r\n]")


def computed(table: bytes | str) -> list[str]:
    """Cells that a spreadsheet would compute."""
    text = table.decode("utf-8") if isinstance(table, bytes) else table
    cells = (cell for row in csv.reader(StringIO(text, newline="")) for cell in row)
    return [cell for cell in cells if FORMULA.match(cell) and not cell.startswith("'") and not _number(cell)]


def _number(cell: str) -> bool:
    try:
        return bool(cell) and float(cell) is not None
    except ValueError:
        return False


HOSTILE = ("=1+1", "+cmd", "-2+3", "@SUM(A1)", "\t=1", "\uff1d1+1", " =1+1", "\u200b=1")


def test_no_text_of_a_logbooks_table_is_computed(here: Path) -> None:
    with Logbook.open("log.db") as logbook:
        for number, text in enumerate(HOSTILE, start=1):
            add(logbook, here, number, operator=f"={number}", tank=text, sample_point=text, plate_lot=text)
    table = run("logbook", "export", "--format", "csv", "-L", "log.db").output
    assert len(table.splitlines()) == len(HOSTILE) + 1
    assert computed(table) == []


def test_no_text_of_a_summary_is_computed(here: Path) -> None:
    layout = (DEMO.parent / "reader/data/layouts/comb.toml").read_text(encoding="utf-8")
    (here / "ours.toml").write_text(layout.replace('layout = "comb"', 'layout = "=1+1"'), encoding="utf-8")
    for name in ("=a.jpg", "+b.jpg"):
        shutil.copy(DEMO / "north-tank-drain.jpg", here / name)
    (here / "@c.jpg").write_bytes(b"no picture")
    run("read", "./=a.jpg", "./+b.jpg", "./@c.jpg", "--layout", "ours.toml", "--out", "=out")
    table = next((here / "=out").glob("summary*.csv")).read_bytes()
    assert b"1+1" in table
    assert computed(table) == []


def test_no_text_of_a_librarys_tables_is_computed_and_labels_come_back_as_they_were(here: Path) -> None:
    (here / "photos").mkdir()
    shutil.copy(DEMO / "teaching/plate-01.jpg", here / "photos/=plate.jpg")
    made = run("library", "labels", "photos", "--grader", "+D. Ruiz", "--role", "expert", "-o", "labels.csv")
    assert made.exit_code == 0, made.output
    table = (here / "labels.csv").read_bytes().decode("utf-8-sig")
    assert computed(table) == []
    filled = "\r\n".join(line + "present" if line.endswith(",") else line for line in table.split("\r\n"))
    (here / "labels.csv").write_text(filled, encoding="utf-8", newline="")
    said = ("--labels", "labels.csv", "--graded-at", "2026-05-04T12:00Z")
    added = run("library", "add", "photos", *said, "-l", "site")
    assert added.exit_code == 0, added.output
    assert run("library", "export", "handed-on", "-l", "site").exit_code == 0
    assert '"+D. Ruiz"' in (here / "handed-on/examples.jsonl").read_text(encoding="utf-8")
    assert computed((here / "handed-on/marks.csv").read_bytes()) == []


class _Page(HTMLParser):
    """What a page says about itself, in the order it says it."""

    def __init__(self) -> None:
        super().__init__()
        self.policy = ""
        self.loose: list[str] = []
        self.hashed: list[tuple[str, str]] = []
        self._inside: str | None = None

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        given = dict(attributes)
        if (given.get("http-equiv") or "").lower() == "content-security-policy":
            assert not self.hashed
            self.policy = given["content"] or ""
        self.loose += [f"{tag} {name}" for name in given if name == "style" or name.startswith("on")]
        for name in ("src", "href"):
            address = given.get(name) or "data:"
            if not address.startswith(("data:", "#", "mailto:")):
                self.loose.append(f"{tag} {address}")
        self._inside = tag if tag in {"style", "script"} and given.get("type") != "application/json" else None

    def handle_data(self, data: str) -> None:
        if self._inside:
            digest = base64.b64encode(hashlib.sha256(data.encode()).digest()).decode()
            self.hashed.append((self._inside, digest))

    def handle_endtag(self, tag: str) -> None:
        self._inside = None


def _pages(here: Path) -> dict[str, Path]:
    invented_library(here / "library", 40).close()
    make_paper("paper.html")
    key = Key.model_validate_json(next((here / "library/quizzes").glob("*.key.json")).read_bytes())
    (here / "answers.json").write_text(json.dumps(answers_of(key)), encoding="utf-8")
    run("quiz", "mark", "answers.json", "-l", "library", "-o", "feedback.html")
    run("library", "sheet", "-l", "library", "-o", "contact.html")
    run("library", "agree", "-l", "library", "-o", "agreement.html")
    run("library", "validate", "-l", "library", "-o", "validation.html")
    run(
        "library", "check-photo", DEMO / "teaching/plate-01.jpg", "-l", "library", "--new", "-o", "chart.html"
    )
    run("read", DEMO / "rescue-boat-tank-1.jpg", "--out", "out", "-L", "log.db", "--operator", "A. Lind")
    id = run("review", "list", "-L", "log.db").output.splitlines()[2].split()[0]
    run("review", "sheet", id, "-L", "log.db", "-o", "sheet.html")
    return {path.stem: path for path in here.glob("*.html")}


def test_every_page_runs_and_loads_nothing_but_its_own(here: Path) -> None:
    pages = _pages(here)
    assert set(pages) >= {"paper", "feedback", "contact", "agreement", "validation", "chart", "sheet"}
    for name, path in pages.items():
        page = _Page()
        page.feed(path.read_text(encoding="utf-8"))
        assert page.policy.startswith("default-src 'none'"), name
        assert "unsafe" not in page.policy, name
        assert page.loose == [], name
        assert page.hashed, name
        for kind, digest in page.hashed:
            part = next(one for one in page.policy.split("; ") if one.startswith(f"{kind}-src"))
            assert digest in part, (name, kind)


def test_what_was_acknowledged_before_a_kill_is_kept_and_nothing_is_half_written() -> None:
    told = bench("kills", "--n", "2", "--seed", "5")
    assert told.count("2 kills") == 4, told
    assert [line for line in told.splitlines() if "killed after" in line] == []


# --- what is damaged or forged ------------------------------------------------------------------------------------


def bench(name: str, *options: str) -> str:
    """What a bench prints, run as it is by hand: in a process that has started no others."""
    program = [sys.executable, "-m", f"tests.bench.{name}", *options]
    done = subprocess.run(program, cwd=_ROOT, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_hostile_inputs_end_in_one_line_each() -> None:
    told = bench("hostile", "--n", "60", "--seed", "3")
    assert told.endswith("\n0 problems\n"), told


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ("UPDATE linecall_reading SET at = 'noon'", "the list's row of reading"),
        ("UPDATE linecall_reading SET rank = 77", "the list's row of reading"),
        ("DROP TABLE linecall_reading", "damaged"),
    ],
)
def test_what_is_damaged_in_a_logbook_is_named(book: Path, statement: str, told: str) -> None:
    changed(book, statement)
    listed = run("logbook", "list", "-L", "log.db")
    assert listed.exit_code in {1, 2}
    assert len(listed.output.strip().splitlines()) == 1
    assert told in listed.output


@pytest.mark.parametrize("name", ["photos", "statement", "summary", "verdict"])
def test_a_forged_event_without_one_of_its_parts_is_named(book: Path, name: str) -> None:
    with closing(sqlite3.connect(book)) as connection, connection:
        connection.execute("DROP TRIGGER linecall_no_update")
        body = json.loads(connection.execute("SELECT body FROM linecall_event WHERE seq = 40").fetchone()[0])
        del body["payload"][name]
        text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        digest = hashlib.sha256(text.encode()).hexdigest()
        connection.execute("UPDATE linecall_event SET body = ?, hash = ? WHERE seq = 40", (text, digest))
    shown = run("logbook", "show", body["id"], "-L", "log.db")
    assert shown.exit_code in {1, 2}
    assert "event 40 of the logbook is damaged" in shown.output
    assert name in shown.output
    assert len(shown.output.strip().splitlines()) == 1


@pytest.mark.parametrize(
    ("statement", "told"),
    [
        ("UPDATE library_grading SET calls = '[]'", "grading"),
        ("UPDATE library_grading SET at = ''", "grading"),
        ("UPDATE library_verdict SET json = x'00'", "damaged"),
        ("DELETE FROM library_about WHERE name = 'consensus'", "damaged"),
        ("UPDATE library_file SET data = x'ff'", "file"),
    ],
)
def test_what_is_damaged_in_a_library_is_said(here: Path, statement: str, told: str) -> None:
    with invented_library(here / "library", 6) as library:
        id = next(iter(library.examples())).id
    with closing(sqlite3.connect(here / "library/library.sqlite")) as connection, connection:
        connection.execute(statement)
    for command in (("show", id), ("standard",), ("export", "handed-on")):
        done = run("library", *command, "-l", "library")
        assert "fault" not in done.output
        assert "Traceback" not in done.output
    assert run("library", "export", "handed-on-2", "-l", "library").exit_code in {1, 2}
    assert told in run("library", "export", "handed-on-3", "-l", "library").output


# --- what is handed on --------------------------------------------------------------------------------------------


def _phone_photo(path: Path) -> bytes:
    """A demo photo with what phones write into theirs; returns its bytes."""
    block = Image.Exif()
    block[0x013B] = "SN-4711-0815"
    block.get_ifd(0x8769)[0xA431] = "SN-4711-0815"
    block.get_ifd(0x8825)[2] = (54.0, 19.0, 30.7)
    with Image.open(DEMO / "teaching/plate-01.jpg") as image:
        image.save(path, exif=block, quality=95)
    return path.read_bytes()


def test_a_zip_says_what_photos_carry_and_can_do_without_it(here: Path) -> None:
    data = _phone_photo(here / "phone.jpg")
    run("read", "phone.jpg", "--out", "out", "-L", "log.db", "--operator", "A. Lind")
    whole = run("logbook", "export", "--format", "zip", "-o", "whole.zip", "-L", "log.db")
    assert "position and serial number" in whole.output
    done = run("logbook", "export", "--format", "zip", "-o", "bare.zip", "-L", "log.db", "--strip-metadata")
    assert done.exit_code == 0, done.output
    with zipfile.ZipFile("bare.zip") as archive:
        manifest = json.loads(archive.read("export.json"))
        photo = next(name for name in archive.namelist() if name.startswith("photos/"))
        content, readme = archive.read(photo), archive.read("README.txt").decode()
    with zipfile.ZipFile("whole.zip") as archive:
        assert "serial number" in archive.read("README.txt").decode()
    assert b"SN-4711-0815" in data
    assert b"SN-4711-0815" not in content
    assert "without what the phone wrote" in readme
    original, picture = (hashlib.sha256(one).hexdigest() for one in (data, content))
    assert manifest["stripped"] == {original: picture}
    checked = run("logbook", "verify", "bare.zip")
    assert checked.exit_code == 0, checked.output
    assert "without the camera's metadata" in checked.output


def test_a_photo_in_a_bare_zip_that_was_altered_is_found(here: Path) -> None:
    _phone_photo(here / "phone.jpg")
    run("read", "phone.jpg", "--out", "out", "-L", "log.db", "--operator", "A. Lind")
    run("logbook", "export", "--format", "zip", "-o", "bare.zip", "-L", "log.db", "--strip-metadata")
    with zipfile.ZipFile("bare.zip") as before, zipfile.ZipFile("odd.zip", "w") as after:
        for name in before.namelist():
            data = before.read(name)
            after.writestr(name, data[:-9] + b"x" + data[-8:] if name.startswith("photos/") else data)
    checked = run("logbook", "verify", "odd.zip")
    assert checked.exit_code == 1
    assert "has been altered" in checked.output


def test_a_library_is_handed_on_without_positions_and_read_back(here: Path) -> None:
    data = _phone_photo(here / "phone.jpg")
    (here / "labels.csv").write_text(
        "photo,grader,role,graded_at,window,mark,call\n"
        "phone.jpg,R. Aalto,expert,2026-05-04T12:00Z,1,indicator,present\n"
    )
    added = run("library", "add", "phone.jpg", "--labels", "labels.csv", "-l", "site")
    assert added.exit_code == 0, added.output
    assert "position and serial number" in run("library", "export", "whole", "-l", "site").output
    done = run("library", "export", "bare", "-l", "site", "--strip-metadata")
    assert done.exit_code == 0, done.output
    files = [path for path in (here / "bare").rglob("*") if path.is_file()]
    assert not [path for path in files if b"SN-4711-0815" in path.read_bytes()]
    stripped = json.loads((here / "bare/stripped.json").read_bytes())
    photo = next((here / "bare/photos").iterdir()).read_bytes()
    assert stripped == {hashlib.sha256(data).hexdigest(): hashlib.sha256(photo).hexdigest()}
    assert "serial number" in (here / "whole/DATASHEET.md").read_text()
    back = run("library", "import", "bare", "-l", "other")
    assert back.exit_code == 0, back.output
    assert "1 example added" in back.output
