"""Hostile inputs: files, settings, stores, names, zips and labels, damaged or forged, given to their commands.

    python -m tests.bench.hostile --n 10000 --seed 1

Each input is made from a whole one by a seeded change and given to a command in a process of its own. A command may
refuse, and say so in a line; it must not end in an internal error or a traceback, hang, take a gigabyte, or leave a
file of a store open to others.
"""

import argparse
import hashlib
import json
import os
import random
import re
import shutil
import signal
import sqlite3
import stat
import sys
import tempfile
import time
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass
from importlib import import_module
from io import BytesIO
from pathlib import Path
from typing import Any

from tests.bench.commands import begin_logbook, linecall, make_paper
from tests.bench.memory import peak_bytes

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo_images"
SECONDS_MAX = 30
MEMORY_MAX = 1_000_000_000
FAULT = re.compile(r"Traceback \(most recent|internal error", re.IGNORECASE)
WORDS: tuple[Any, ...] = (
    *(None, "", "x", "null", -1, 0, 2**62, 1e308, True, [], {}, [[]], {"a": {}}, "\x00", "a\nb", "\u202egpj", "\ud800"),
    *("=1+1", "../../x", "/etc/passwd", "9" * 400, "2026-13-45T99:99", "0001-01-01T00:00:00+14:00", "{}", "[1]"),
    b"\xff\xfe",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True)
class Result:
    """What became of one input. problem : None where the command did as it must."""

    kind: str
    command: tuple[str, ...]
    status: int
    seconds: float
    memory: float
    said: str
    problem: str | None


Attempt = tuple[tuple[str, ...], Callable[[], None]]


# --- changes ------------------------------------------------------------------------------------------------------


def changed_bytes(data: bytes, random_: random.Random) -> bytes:
    """Bytes with some flipped, cut out, doubled, zeroed or put in."""
    made = bytearray(data)
    for _ in range(random_.choice((1, 1, 2, 5, 40))):
        if not made:
            break
        at, n = random_.randrange(len(made)), random_.choice((1, 2, 4, 64, 5000))
        match random_.randrange(6):
            case 0:
                made[at] ^= 1 << random_.randrange(8)
            case 1:
                del made[at : at + n]
            case 2:
                made[at:at] = made[at : at + n]
            case 3:
                made[at : at + n] = bytes(min(n, len(made) - at))
            case 4:
                made[at:at] = random_.randbytes(n)
            case _:
                del made[at:]
    return bytes(made)


def changed_value(value: Any, random_: random.Random) -> Any:
    """JSON with one of its parts taken out, doubled or replaced, at any depth."""
    if isinstance(value, dict) and value and random_.random() < 0.9:
        name = random_.choice(list(value))
        match random_.randrange(6):
            case 0:
                return {key: inside for key, inside in value.items() if key != name}
            case 1:
                return value | {name: _word(random_)}
            case _:
                return value | {name: changed_value(value[name], random_)}
    if isinstance(value, list) and value and random_.random() < 0.9:
        at = random_.randrange(len(value))
        match random_.randrange(5):
            case 0:
                return value[:at] + value[at + 1 :]
            case 1:
                return [*value, value[at]]
            case _:
                return [*value[:at], changed_value(value[at], random_), *value[at + 1 :]]
    return _word(random_)


def _word(random_: random.Random) -> Any:
    word = random_.choice(WORDS)
    return word.decode("latin-1") if isinstance(word, bytes) else word


def _json(value: Any) -> bytes:
    return json.dumps(value, allow_nan=True).encode("utf-8")


def changed_text(text: str, random_: random.Random) -> str:
    """A text of lines with one or two changed."""
    lines = text.split("\n")
    for _ in range(random_.choice((1, 1, 2))):
        at = random_.randrange(len(lines))
        name, equals, _ = lines[at].partition("=")
        match random_.randrange(6):
            case 0:
                del lines[at]
                lines = lines or [""]
            case 1:
                lines.insert(at, lines[at])
            case 2 if equals:
                odd = ("nan", "-1", "1e999", "[]", "{}", "true", "0x", '"""', "9" * 300)
                lines[at] = f"{name}= {random_.choice(odd)}"
            case 3 if equals:
                lines[at] = f"{name}= {json.dumps(str(_word(random_)))}"
            case 4:
                lines[at] += str(_word(random_))
            case _:
                lines[at] = lines[at][: random_.randrange(len(lines[at]) + 1)]
    return "\n".join(lines)


# --- kinds of input -----------------------------------------------------------------------------------------------


def _write(path: Path, data: bytes) -> None:
    path.write_bytes(data)


def pictures(random_: random.Random) -> Attempt:
    """A photo's file that was damaged."""
    source = random_.choice(sorted(Path("pictures").iterdir()))
    path = Path(f"photo{source.suffix}")
    data = changed_bytes(source.read_bytes(), random_)
    more = random_.choice(((), ("--json",), ("-L", "log.db", "--operator", "A. Lind")))
    return ("read", str(path), "--out", "out", *more), lambda: _write(path, data)


def settings(random_: random.Random) -> Attempt:
    """A settings file of any kind that was changed."""
    kind = random_.choice(
        ("layouts", "rules", "thresholds", "texts", "policy", "consensus", "strength", "costs", "quiz")
    )
    source = random_.choice(sorted((ROOT / "reader/data" / kind).glob("*.toml")))
    if random_.random() < 0.2:
        data = changed_bytes(source.read_bytes(), random_)
    else:
        data = changed_text(source.read_text("utf-8"), random_).encode("utf-8", "replace")
    small = str(Path("pictures/strip.jpg"))
    command: tuple[str, ...] = {
        "layouts": random_.choice((("layout", "check", "own.toml"), ("layout", "draw", "own.toml", "--output", "d.png"),
                                   ("read", small, "--layout", "own.toml", "--out", "out"))),
        "rules": ("read", small, "--rules", "own.toml", "--out", "out"),
        "thresholds": ("read", small, "--thresholds", "own.toml", "--out", "out"),
        "texts": ("read", small, "--texts", "own.toml", "--out", "out"),
        "policy": ("review", "list", "-L", "log.db", "--policy", "own.toml"),
        "consensus": ("library", "standard", "-l", "library", "--consensus", "own.toml"),
        "strength": ("library", "standard", "-l", "library", "--strength", "own.toml"),
        "costs": ("library", "fit-thresholds", "-l", "library", "--costs", "own.toml", "-o", "t.toml"),
        "quiz": ("quiz", "make", "-l", "library", "--trainee", "A", "--items", "6", "--mix", "own.toml",
                 "-o", "p.html"),
    }[kind]  # fmt: skip
    return command, lambda: _write(Path("own.toml"), data)


_LOGBOOK_COMMANDS = (
    ("logbook", "list"), ("logbook", "show", "ID"), ("logbook", "verify"), ("logbook", "seal"), ("logbook", "rebuild"),
    ("logbook", "export", "--format", "csv"), ("logbook", "export", "--format", "jsonl"),
    ("logbook", "export", "--format", "zip", "-o", "case.zip"), ("review", "list"),
    ("review", "sheet", "ID", "-o", "sheet.html"), ("logbook", "reread", "ID"),
    ("logbook", "correct", "ID", "--field", "tank", "--value", "T9", "--by", "A. Lind", "--reason", "slip"),
    ("review", "decide", "ID", "--window", "1", "--mark", "indicator", "--call", "absent", "--by", "B. Moreau",
     "--reason", "seen"),
    ("review", "withdraw", "ID", "--by", "B. Moreau", "--reason", "slip"),
    ("people", "list"), ("people", "add", "C. Haddad"), ("logbook", "settings"), ("call-anew",),
)  # fmt: skip
_LIBRARY_COMMANDS = (
    ("library", "list"), ("library", "show", "EXAMPLE"), ("library", "coverage"), ("library", "standard"),
    ("library", "sheet", "-o", "contact.html"), ("library", "export", "handed-on"),
    ("quiz", "make", "--trainee", "Z", "--items", "6", "-o", "paper.html"), ("quiz", "mark", "answers.json"),
    ("library", "list", "--grade", "heavy"),
)  # fmt: skip


def _logbook_command(random_: random.Random) -> tuple[str, ...]:
    id = Path("id").read_text()
    return (*(id if word == "ID" else word for word in random_.choice(_LOGBOOK_COMMANDS)), "-L", "log.db")


def _library_command(random_: random.Random) -> tuple[str, ...]:
    id = Path("example").read_text()
    return (
        *(id if word == "EXAMPLE" else word for word in random_.choice(_LIBRARY_COMMANDS)),
        "-l",
        "library",
    )


def _change_rows(path: Path, random_: random.Random) -> None:
    """A value of a row, a row, or a table of an SQLite file, as another program may change it."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        names = [
            row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        ]
        for name in names:
            connection.execute(f'DROP TRIGGER "{name}"')
        tables = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table' "
                                                       "AND name NOT LIKE 'sqlite%'")]  # fmt: skip
        table = random_.choice(tables)
        column = random_.choice([row[1] for row in connection.execute(f'PRAGMA table_info("{table}")')])
        word = random_.choice((*WORDS, b"\xff\xfe"))
        word = json.dumps(word) if isinstance(word, list | dict) else word
        try:
            match random_.randrange(10):
                case 0:
                    connection.execute(f'DELETE FROM "{table}" WHERE rowid % 2 = {random_.randrange(2)}')
                case 1:
                    connection.execute(f'DROP TABLE "{table}"')
                case 2:
                    connection.execute(f'ALTER TABLE "{table}" RENAME COLUMN "{column}" TO "other"')
                case _:
                    connection.execute(f'UPDATE "{table}" SET "{column}" = ?', (word,))
        except (sqlite3.Error, UnicodeEncodeError, OverflowError):
            connection.execute(f'DELETE FROM "{table}"')


def _damage(path: Path, random_: random.Random) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.execute("PRAGMA journal_mode = DELETE")
    path.write_bytes(changed_bytes(path.read_bytes(), random_))


def _forge(path: Path, random_: random.Random) -> None:
    """An event's payload changed, and every hash after it made anew."""
    with closing(sqlite3.connect(path)) as connection, connection:
        for name in ("linecall_no_update", "linecall_no_delete"):
            connection.execute(f"DROP TRIGGER {name}")
        rows = connection.execute("SELECT seq, body FROM linecall_event ORDER BY seq").fetchall()
        target, previous = random_.randrange(len(rows)), "0" * 64
        for number, (seq, body) in enumerate(rows):
            event = json.loads(body)
            if number == target:
                event["payload"] = changed_value(event["payload"], random_)
            event["previous"] = previous
            made = json.dumps(event, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
            made = made.encode("utf-8", "replace").decode()
            previous = hashlib.sha256(made.encode()).hexdigest()
            connection.execute(
                "UPDATE linecall_event SET body = ?, hash = ? WHERE seq = ?", (made, previous, seq)
            )


def logbooks(random_: random.Random) -> Attempt:
    """A logbook whose file was damaged, whose rows were changed, or whose events were forged with their hashes."""
    change = random_.choice((_damage, _change_rows, _forge, _forge))
    seed = random_.random()
    return _logbook_command(random_), lambda: change(Path("log.db"), random.Random(seed))


def libraries(random_: random.Random) -> Attempt:
    """A library whose file was damaged, whose rows were changed, or whose kept files were."""
    seed = random_.random()

    def kept(path: Path, own: random.Random) -> None:
        file = own.choice(sorted(one for one in path.parent.rglob("*") if one.is_file() and one != path))
        data = file.read_bytes()
        if file.suffix == ".json" and own.random() < 0.7:
            file.write_bytes(_json(changed_value(json.loads(data), own)))
        else:
            file.write_bytes(changed_bytes(data, own))

    change = random_.choice((_damage, _change_rows, _change_rows, kept))
    return _library_command(random_), lambda: change(Path("library/library.sqlite"), random.Random(seed))


def imports(random_: random.Random) -> Attempt:
    """An exported library that was changed, most often with its hashes."""
    seed = random_.random()

    def change() -> None:
        own, folder = random.Random(seed), Path("exported")
        file = own.choice([folder / "examples.jsonl"] * 3 + [folder / "settings.json"] * 2 + [folder / "SHA256SUMS"]
                          + sorted((folder / "settings").iterdir()))  # fmt: skip
        data = file.read_bytes()
        if file.suffix == ".jsonl" and own.random() < 0.8:
            lines = data.splitlines()
            at = own.randrange(len(lines))
            lines[at] = _json(changed_value(json.loads(lines[at]), own))
            data = b"\n".join(lines) + b"\n"
        elif file.suffix == ".json" and own.random() < 0.8:
            data = _json(changed_value(json.loads(data), own))
        else:
            data = changed_bytes(data, own)
        file.write_bytes(data)
        if own.random() < 0.9 and file.name != "SHA256SUMS":
            listed = folder / "SHA256SUMS"
            name = file.relative_to(folder).as_posix()
            rows = [row for row in listed.read_text().splitlines() if not row.endswith(f"  {name}")]
            listed.write_text("\n".join([*rows, f"{hashlib.sha256(data).hexdigest()}  {name}"]) + "\n")

    return ("library", "import", "exported", "-l", "new"), change


def zips(random_: random.Random) -> Attempt:
    """An export of a logbook that was damaged, or packed anew with something changed in it."""
    whole = Path("case.zip").read_bytes()
    if random_.random() < 0.5:
        data = changed_bytes(whole, random_)
    else:
        made = BytesIO()
        with zipfile.ZipFile(BytesIO(whole)) as before, zipfile.ZipFile(made, "w") as after:
            names = before.namelist()
            target = random_.choice(names)
            for name in names:
                content = before.read(name)
                if name == target:
                    if name.endswith(".json"):
                        content = _json(changed_value(json.loads(content), random_))
                    elif name.endswith(".jsonl"):
                        content = b"".join(
                            _json(changed_value(json.loads(line), random_)) + b"\n"
                            for line in content.splitlines()
                        )
                    else:
                        name = random_.choice(
                            (name, "../" + name, "/etc/x", name + "\u202e", "photos/" + "0" * 64)
                        )
                        content = changed_bytes(content, random_)
                after.writestr(name, content)
        data = made.getvalue()
    return ("logbook", "verify", "odd.zip"), lambda: _write(Path("odd.zip"), data)


def labels(random_: random.Random) -> Attempt:
    """A label file that was changed."""
    if random_.random() < 0.2:
        data = changed_bytes(Path("labels.csv").read_bytes(), random_)
    elif random_.random() < 0.6:
        data = changed_text(Path("labels.csv").read_text("utf-8"), random_).encode("utf-8", "replace")
    else:
        data = _json(changed_value(json.loads(Path("labels.json").read_text()), random_))
    name = "own.json" if data[:1] in b"[{" else "own.csv"
    return ("library", "add", "pictures/strip.jpg", "--labels", name, "-l", "new"), lambda: _write(
        Path(name), data
    )


def answers(random_: random.Random) -> Attempt:
    """A file of answers, of decisions, or of seals that was changed."""
    value = changed_value(json.loads(Path("answers.json").read_text()), random_)
    if random_.random() < 0.6 and isinstance(value, dict):
        body = {name: part for name, part in value.items() if name != "hash"}
        text = json.dumps(body, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        value = body | {"hash": hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()}
    data = changed_bytes(_json(value), random_) if random_.random() < 0.2 else _json(value)
    command = random_.choice((("quiz", "mark", "own.json", "-l", "library"),) * 4
                             + (("logbook", "verify", "-L", "log.db", "--seal", "own.json"),))  # fmt: skip
    return command, lambda: _write(Path("own.json"), data)


def names(random_: random.Random) -> Attempt:
    """Names and values on the command line, and names of files, that no form foresees."""
    texts = [word for word in WORDS if isinstance(word, str) and not {"\0", "\ud800"} & set(word)]
    texts += ["\udcff"]  # what a byte that is no UTF-8 becomes
    texts += [
        "-",
        "--",
        "a" * 5000,
        " ",
        "\t",
        ".",
        "..",
        "//",
        "\u0000".strip("\0") or "o",
        "CON",
        "a/b",
        "s3://x/y",
        "::",
    ]
    odd = [random_.choice(texts) for _ in range(8)]
    id = Path("id").read_text()
    choices = (
        ("read", f"./{odd[0][:80]}.jpg", "--out", "out", "-L", "log.db", "--operator", odd[1], "--tank", odd[2],
         "--note", odd[3], "--plate-lot", odd[4]),
        ("logbook", "show", odd[0], "-L", "log.db"), ("logbook", "list", "-L", odd[0]),
        ("logbook", "list", "-L", "log.db", "--tank", odd[0], "--since", odd[1]),
        ("logbook", "correct", id, "--field", random_.choice((odd[0], "tank")), "--value", odd[1], "--by", odd[2],
         "--reason", odd[3], "-L", "log.db"),
        ("logbook", "verify", "-L", "log.db", "--seal", odd[0]),
        ("logbook", "verify", "-L", "log.db", "--logbook-photos", odd[0]),
        ("review", "decide", id, "--window", odd[0], "--mark", "indicator", "--call", "absent", "--by", odd[1],
         "--reason", odd[2], "-L", "log.db"),
        ("review", "decide", id, "--window", odd[0], "--mark", "indicator", "--call", "absent", "--by", "B. Moreau",
         "--reason", odd[2], "-L", "log.db"),
        ("logbook", "correct", id, "--field", "tank", "--value", odd[1], "--by", "A. Lind", "--reason", odd[3],
         "-L", "log.db"),
        ("people", "add", odd[0], "-L", "log.db"), ("people", "retire", odd[0], "--by", "A. Lind", "--reason", odd[1],
         "-L", "log.db"),
        ("library", "show", odd[0], "-l", "library"), ("library", "list", "-l", odd[0]),
        ("library", "list", "-l", "library", "--plate", odd[0], "--graded-by", odd[1]),
        ("quiz", "make", "-l", "library", "--trainee", odd[0], "--items", "6", "-o", f"{odd[1][:80]}.html"),
        ("layout", "show", odd[0]), ("card", "--layout", odd[0], "--output", "card.pdf"),
        ("read", odd[0], "--out", odd[1][:80]),
    )  # fmt: skip
    command = tuple(word.replace("\0", "") for word in random_.choice(choices))

    def change() -> None:
        if command[0] == "read":
            with suppress(OSError, ValueError):
                shutil.copy("pictures/strip.jpg", command[1])

    return command, change


def verdicts(random_: random.Random) -> Attempt:
    """A kept verdict that was changed."""
    source = random_.choice(sorted(Path("archive").glob("*.verdict.json")))
    if random_.random() < 0.2:
        data = changed_bytes(source.read_bytes(), random_)
    else:
        data = _json(changed_value(json.loads(source.read_bytes()), random_))
    name = random_.choice(("archive/own.json", "archive/own.jsonl"))
    more = random_.choice(((), ("-l", "library"), ("-o", "changes.csv"), ("--json",)))
    return ("call-anew", "archive", *more), lambda: _write(Path(name), data)


KINDS: dict[str, tuple[float, Callable[[random.Random], Attempt]]] = {
    "pictures": (1.5, pictures),
    "settings": (2.0, settings),
    "logbooks": (2.0, logbooks),
    "libraries": (1.5, libraries),
    "imports": (1.0, imports),
    "zips": (1.0, zips),
    "labels": (1.0, labels),
    "answers": (0.8, answers),
    "names": (1.2, names),
    "verdicts": (1.0, verdicts),
}


# --- running ------------------------------------------------------------------------------------------------------


def make_whole(folder: Path) -> None:
    """Fill a folder with one whole example of everything that is changed."""
    from tests.reader.library.quiz.quiz_library import answers_of, invented_library

    before = Path.cwd()
    os.chdir(folder)
    try:
        import cv2

        Path("pictures").mkdir()
        demo = cv2.imread(str(DEMO / "rescue-boat-tank-1.jpg"))
        assert demo is not None
        small = cv2.resize(demo, None, fx=0.5, fy=0.5)
        for suffix in (".png", ".webp", ".tif"):
            cv2.imwrite(f"pictures/plate{suffix}", cv2.resize(small, (320, 240)))
        shutil.copy(DEMO / "teaching/plate-01.jpg", "pictures/strip.jpg")
        shutil.copy(DEMO / "rescue-boat-tank-1.jpg", "pictures/plate.jpg")
        waiting = begin_logbook(
            str(DEMO / "rescue-boat-tank-1.jpg"), str(DEMO / "north-tank-drain.jpg"), out="out"
        )
        Path("id").write_text(waiting)
        linecall("logbook", "correct", waiting, "--field", "tank", "--value", "T7", "--by", "A. Lind", "--reason",
                 "slip", "-L", "log.db")  # fmt: skip
        linecall("logbook", "export", "--format", "zip", "-o", "case.zip", "-L", "log.db")
        library = invented_library(Path("library"), 40)
        Path("example").write_text(next(iter(library.examples())).id)
        library.close()
        linecall("library", "export", "exported", "-l", "library")
        make_paper("paper.html")
        from reader.library.quiz.records import Key

        key = Key.model_validate_json(next(Path("library/quizzes").glob("*.key.json")).read_bytes())
        Path("answers.json").write_text(json.dumps(answers_of(key)), encoding="utf-8")
        linecall(
            "library",
            "labels",
            "pictures/strip.jpg",
            "--grader",
            "R. Aalto",
            "--role",
            "expert",
            "-o",
            "labels.csv",
        )
        rows = Path("labels.csv").read_text().replace(",expert,,", ",expert,2026-05-04T12:00Z,").splitlines()
        Path("labels.csv").write_text(
            "\n".join(row + "present" if row.endswith(",") else row for row in rows)
        )
        head, *cells = [line.split(",") for line in Path("labels.csv").read_text().splitlines()]
        Path("labels.json").write_text(json.dumps([dict(zip(head, row, strict=True)) for row in cells]))
        Path("archive").mkdir()
        for verdict in Path("out").glob("*.verdict.json"):
            verdict.rename(Path("archive", verdict.name))
        shutil.rmtree("out")
    finally:
        os.chdir(before)


def attempt(whole: Path, work: Path, kind: str, seed: str) -> Result:
    """Make one input and give it to its command, in a process of its own."""
    shutil.rmtree(work, ignore_errors=True)
    shutil.copytree(whole, work)
    said = work.with_suffix(".said")
    began = time.monotonic()
    random_ = random.Random(seed)
    os.chdir(work)
    command, change = KINDS[kind][1](random_)
    child = os.fork()
    if child == 0:
        _run(command, change, said)
    status = _wait(child, began)
    text = said.read_text("utf-8", "replace") if said.exists() else ""
    peak = re.search(r"^PEAK (\d+)$", text, re.MULTILINE)
    memory = float(peak[1]) if peak else 0.0
    seconds = time.monotonic() - began
    return Result(kind=kind, command=command, status=status, seconds=seconds, memory=memory, said=text,
                  problem=_problem(status, text, seconds, memory, work))  # fmt: skip


def _run(command: tuple[str, ...], change: Callable[[], None], said: Path) -> None:
    """In the child: change, run, leave. The peak of memory counts from here on."""
    code = 99
    try:
        os.setpgid(0, 0)
        handle = os.open(said, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600)
        os.dup2(handle, 1)
        os.dup2(handle, 2)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        sys.stdout, sys.stderr = (
            os.fdopen(number, "w", closefd=False, errors="backslashreplace") for number in (1, 2)
        )
        os.umask(0)
        try:
            change()
        except Exception as error:
            print(f"the change cannot be made: {error!r}")
            os._exit(0)
        from cli.main import main

        try:
            main(list(command))
        except SystemExit as stop:
            code = stop.code if isinstance(stop.code, int) else 98
        sys.stdout.flush()
        sys.stderr.flush()
        os.write(1, b"\nPEAK %d\n" % peak_bytes())
    except BaseException:
        import traceback

        traceback.print_exc()
        sys.stderr.flush()
    finally:
        os._exit(code)


def _wait(child: int, began: float) -> int:
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        if time.monotonic() - began > SECONDS_MAX:
            os.killpg(child, signal.SIGKILL)
            os.waitpid(child, 0)
            return -signal.SIGKILL
        time.sleep(0.003)


def _problem(status: int, said: str, seconds: float, memory: float, work: Path) -> str | None:
    if status == -signal.SIGKILL:
        return "hung"
    if status < 0 or status not in {0, 1, 2, 3, 4, 5}:
        return f"status {status}"
    if FAULT.search(said):
        return "internal error"
    if memory > MEMORY_MAX:
        return f"{memory / 1e6:.0f} MB"
    stores = [work / "log.db", work / "log.db.photos", work / "library", work / "new"]
    for path in (one for store in stores for one in (store, *store.rglob("*"))):
        if path.exists() and not path.is_symlink() and path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
            return f"{path.relative_to(work)} is open to others"
    return None


def inputs(n: int, seed: int) -> Iterator[tuple[str, str]]:
    """Kind and seed of each of n inputs."""
    random_ = random.Random(seed)
    kinds, weights = list(KINDS), [weight for weight, _ in KINDS.values()]
    for number in range(n):
        yield random_.choices(kinds, weights)[0], f"{seed}-{number}"


def run(n: int, seed: int, *, first: int = 0) -> Iterator[Result]:
    """Give n hostile inputs to their commands."""
    for name in ("LINECALL_LOGBOOK", "LINECALL_PHOTOS", "LINECALL_OPERATOR", "LINECALL_LIBRARY"):
        os.environ.pop(name, None)
    for module in ("cli.library.add", "cli.library.look", "cli.logbook", "cli.quiz", "cli.read", "cli.review",
                   "reader.library.add", "reader.logbook.reread", "reader.review.sheet"):  # fmt: skip
        import_module(module)  # which each child would do anew

    before, umask = Path.cwd(), os.umask(0o077)
    home = Path("/dev/shm") if Path("/dev/shm").is_dir() else None
    try:
        with tempfile.TemporaryDirectory(prefix="linecall-", dir=home) as folder:
            whole = Path(folder, "whole")
            whole.mkdir()
            make_whole(whole)
            for number, (kind, own) in enumerate(inputs(n, seed)):
                if number >= first:
                    yield attempt(whole, Path(folder, "work"), kind, own)
    finally:
        os.chdir(before)
        os.umask(umask)


def main() -> None:
    """Print what became of the inputs, by kind."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--n", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0)
    given = parser.parse_args()
    counts: Counter[tuple[str, str]] = Counter()
    seconds: Counter[str] = Counter()
    peak: Counter[str] = Counter()
    for number, result in enumerate(run(given.n, given.seed, first=given.first), start=given.first):
        counts[result.kind, "inputs"] += 1
        counts[result.kind, f"status {result.status}"] += 1
        seconds[result.kind] = max(seconds[result.kind], round(result.seconds))
        peak[result.kind] = max(peak[result.kind], round(result.memory / 1e6))
        if result.problem is not None:
            counts[result.kind, "PROBLEM"] += 1
            print(f"{number} {result.kind}: {result.problem}: {' '.join(result.command)[:200]!r}")
            print(
                "   ",
                " | ".join(result.said.strip().splitlines()[-4:])[:600].encode("ascii", "replace").decode(),
                flush=True,
            )
        if number % 500 == 499:
            print(f"{number + 1} inputs", flush=True)
    for kind in KINDS:
        told = ", ".join(f"{name} {count}" for (of, name), count in sorted(counts.items()) if of == kind)
        print(f"{kind}: {told}; longest {seconds[kind]} s, most {peak[kind]} MB")
    print(f"{sum(n for (_, name), n in counts.items() if name == 'PROBLEM')} problems")


if __name__ == "__main__":
    main()
