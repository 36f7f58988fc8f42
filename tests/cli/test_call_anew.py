"""`linecall call-anew`: what is printed, written and returned; nothing else is changed."""

import csv
import hashlib
import json
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from fsspec.implementations.memory import MemoryFileSystem  # type: ignore[import-untyped]

from cli.main import main
from fixtures.graded import graded_examples, measured_verdict
from fixtures.verdicts import refused_verdict
from reader.files.bundled import DATA
from reader.library import Library
from reader.logbook import Logbook, Statement
from reader.settings.values import load_layout
from reader.verdict.model import Verdict, to_bytes
from reader.words import MarkKey, MarkName
from tests.reader.logbook.samples import AT, photo

pytestmark = pytest.mark.usefixtures("here")

COMB = load_layout("comb")
MARKS: tuple[MarkName, ...] = ("indicator", "reference")
DOUBTFUL_IF_STRICT = (
    0.0083  # between the limits of blank at 1 % and 0.1 % false calls a plate (test_call_archive)
)
STRICT = ("--set", "thresholds=strict.toml")


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["call-anew", *arguments])


def plate(indicator: float = 0.2, *, photo: int = 1) -> Verdict:
    """A plate of lines, the indicator of window 1 of this height."""
    heights: dict[MarkKey, float] = {(window.id, mark): 0.2 for window in COMB.window for mark in MARKS}
    heights["1", "indicator"] = indicator
    return measured_verdict(COMB, heights, name=f"p{photo}.jpg", sha256=f"{photo:064x}", witnessed=True)


@pytest.fixture(autouse=True)
def strict(here: Path) -> None:
    text = (DATA / "thresholds" / "standard.toml").read_text()
    text = text.replace('thresholds = "standard"', 'thresholds = "strict"')
    Path("strict.toml").write_text(
        text.replace("false_calls_per_plate = 0.01", "false_calls_per_plate = 0.001")
    )


@pytest.fixture
def archive(here: Path) -> Path:
    """Two plates, one of which changes by stricter limits, a refused photo, and something else."""
    folder = Path("archive")
    (folder / "2026").mkdir(parents=True)
    (folder / "a.verdict.json").write_bytes(to_bytes(plate(photo=1)))
    (folder / "2026" / "b.verdict.json").write_bytes(to_bytes(plate(DOUBTFUL_IF_STRICT, photo=2)))
    (folder / "2026" / "c.verdict.json").write_bytes(to_bytes(refused_verdict()))
    (folder / "package.json").write_text("{}")
    return folder


def rows_of(path: str) -> Sequence[dict[str, str]]:
    with Path(path).open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def report(*arguments: str) -> dict[str, Any]:
    told = json.loads(run(*arguments, "--json").stdout)
    assert isinstance(told, dict)
    return told


def test_by_what_the_verdicts_were_written_by_nothing_changes(archive: Path) -> None:
    result = run(str(archive))
    assert result.exit_code == 0, result.output
    assert "3 verdicts, by thresholds standard revision 1 and rules two-tier revision 2\n" in result.stdout
    assert "2 as before, 1 refused before and after, 1 no verdicts and passed over\n" in result.stdout
    assert "nothing is applied" in result.stdout
    assert result.stderr == ""


def test_stricter_limits_show_what_would_change_and_write_it(archive: Path) -> None:
    before = {path: path.read_bytes() for path in archive.rglob("*.json")}
    result = run(str(archive), *STRICT, "-o", "changes.csv")
    assert result.exit_code == 3
    assert "1 as before, 1 changed, 1 refused before and after" in result.stdout
    lines = [line.split() for line in result.stdout.splitlines()]
    assert ["grade", "before", "negligible", "after", "undecided"] in lines
    assert ["negligible", "1", "1"] in lines
    assert ["indicator", "before", "present", "after", "doubtful"] in lines
    assert ["present", "11", "1"] in lines
    (row,) = rows_of("changes.csv")
    assert row["verdict"] == "archive/2026/b.verdict.json"
    assert (row["grade before"], row["grade after"]) == ("negligible", "undecided")
    assert row["marks"] == "1 indicator: present, doubtful"
    assert {path: path.read_bytes() for path in archive.rglob("*.json")} == before


def test_processes_write_the_same_bytes_as_one(archive: Path) -> None:
    Path("all.jsonl").write_bytes(
        b"".join(to_bytes(plate(DOUBTFUL_IF_STRICT, photo=k), one_line=True) for k in range(300))
    )
    one = run("all.jsonl", *STRICT, "-o", "one.csv")
    two = run("all.jsonl", *STRICT, "-o", "two.csv", "--jobs", "2")
    assert one.stdout.replace("one.csv", "") == two.stdout.replace("two.csv", "")
    assert Path("one.csv").read_bytes() == Path("two.csv").read_bytes()
    assert len(rows_of("two.csv")) == 300


def test_what_is_left_is_said_with_the_reason_and_the_status(archive: Path) -> None:
    (archive / "cut.json").write_bytes(to_bytes(plate())[:500])
    gone = to_bytes(plate()).replace(COMB.sha256.encode(), b"0" * 64)
    for name in ("x.json", "y.json"):
        (archive / name).write_bytes(gone)
    result = run(str(archive), "-o", "changes.csv")
    assert result.exit_code == 4
    text = " ".join(result.stdout.split())
    assert "3 left as they are" in text
    assert (
        "2: layout comb revision 1 (SHA-256 000000000000) is not at hand; give its file with --read-by"
        in text
    )
    assert "1: line " in text
    assert {row["came to"] for row in rows_of("changes.csv")} == {"left"}


def test_an_own_layout_is_given_with_read_by(archive: Path) -> None:
    own = COMB.data.replace(b'layout = "comb"', b'layout = "ours"')
    Path("ours.toml").write_bytes(own)
    layout = load_layout("ours.toml")
    for path in archive.rglob("*.verdict.json"):
        path.write_bytes(path.read_bytes().replace(COMB.sha256.encode(), layout.sha256.encode()))
    assert run(str(archive)).exit_code == 4
    assert run(str(archive), "--read-by", "ours.toml").exit_code == 0


def test_json_has_what_the_tables_show(archive: Path) -> None:
    told = report(str(archive), *STRICT)
    assert told["verdicts"] == {
        "same": 1, "changed": 1, "apart": 0, "refused": 1, "left": 0, "passed over": 1,
    }  # fmt: skip
    assert told["by"]["thresholds"]["name"] == "strict"
    assert told["grades"] == [
        {"before": "negligible", "after": "negligible", "n": 1},
        {"before": "negligible", "after": "undecided", "n": 1},
    ]
    assert {"mark": "indicator", "before": "present", "after": "doubtful", "n": 1} in told["calls"]
    assert told["truth"] is None


def test_a_library_tells_what_it_does_to_both_error_rates(archive: Path) -> None:
    with Library.open("lib") as library:
        library.settings.keep_layout("comb")
        pairs = list(graded_examples(40, layouts=("comb",)))
        library.add_all(pairs)
    Path("all.jsonl").write_bytes(b"".join(example.verdict_json for example, _ in pairs))
    told = report("all.jsonl", *STRICT, "-l", "lib")["truth"]
    assert told["photos_counted"] == told["photos_known"] > 30
    wrong = next(one for one in told["errors"] if one["error"] == "not there, called present")
    # Stricter limits of blank call nothing present that laxer ones did not.
    assert wrong["after"]["hits"] <= wrong["before"]["hits"]
    assert wrong["paired"]["only_second"] == 0
    assert wrong["before"]["hits"] - wrong["after"]["hits"] == wrong["paired"]["only_first"]
    result = run("all.jsonl", *STRICT, "-l", "lib")
    text = " ".join(result.stdout.split())
    assert f"errors by the consensus of lib: {told['photos_counted']} of the" in text
    assert "contaminated or invalid, but released (missed alarm)" in text
    assert "the truth is what people agree on" in text


def test_without_verdicts_it_takes_the_standing_readings_of_the_logbook(here: Path) -> None:
    with Logbook.open("log.db") as book:
        for number, height in enumerate((0.2, DOUBTFUL_IF_STRICT)):
            path = photo(here, number)
            verdict = plate(height)
            of_file = verdict.photo.model_copy(
                update={"sha256": hashlib.sha256(path.read_bytes()).hexdigest()}
            )
            said = Statement.of(operator="A. Technician", tank=f"T{number}")
            book.add_reading(verdict.model_copy(update={"photo": of_file}), [path], said, at=AT)
    before = Path("log.db").read_bytes()
    result = run("-L", "log.db", *STRICT, "-o", "changes.csv")
    assert result.exit_code == 3, result.output
    (row,) = rows_of("changes.csv")
    assert row["verdict"].startswith("reading ")
    assert row["photo sha256"] == hashlib.sha256(photo(here, 1).read_bytes()).hexdigest()
    assert Path("log.db").read_bytes() == before


def test_verdicts_and_the_table_may_lie_at_urls() -> None:
    fs = MemoryFileSystem()
    for photo_number, height in enumerate((0.2, DOUBTFUL_IF_STRICT)):
        verdict = to_bytes(plate(height, photo=photo_number))
        fs.pipe_file(f"/verdicts/{photo_number}.verdict.json", verdict)
    try:
        result = run("memory://verdicts", *STRICT, "-o", "memory://tables/changes.csv")
        table = fs.cat_file("/tables/changes.csv").decode()
    finally:
        for folder in ("/verdicts", "/tables"):
            fs.rm(folder, recursive=True)
    assert result.exit_code == 3, result.output
    assert "1 as before, 1 changed" in result.stdout
    assert "written memory://tables/changes.csv" in result.stdout
    assert "memory://verdicts/1.verdict.json" in table
    assert run("memory://verdicts", "-o", "memory://tables/changes.txt").exit_code == 2


def test_where_limits_and_rules_are_both_others_it_says_that_either_may_be_why(archive: Path) -> None:
    text = (DATA / "rules" / "two-tier.toml").read_text().replace('rules = "two-tier"', 'rules = "ours"')
    Path("ours.toml").write_text(text)
    said = "written by other thresholds and other rules, so either may be why a grade changes"
    for options, both in (
        (STRICT, False),
        (("--set", "rules=ours.toml"), False),
        ((*STRICT, "--set", "rules=ours.toml"), True),
    ):
        assert (said in " ".join(run(str(archive), *options).stdout.split())) is both


def test_a_folder_without_verdicts_is_said_and_no_table_is_written(here: Path) -> None:
    Path("other").mkdir()
    Path("other/package.json").write_text("{}")
    result = run("other", "-o", "changes.csv")
    assert result.exit_code == 2
    assert "there is no verdict in what was named" in result.stderr
    assert not Path("changes.csv").exists()


def test_neither_verdicts_nor_a_logbook_says_what_to_name() -> None:
    result = run()
    assert result.exit_code == 2
    assert "name verdicts: files, folders or .jsonl files; or a logbook" in result.stderr


def test_a_verdict_that_was_tampered_with_is_told_apart(archive: Path) -> None:
    value = json.loads(to_bytes(plate(photo=3)))
    value["windows"][0]["indicator"]["height"] = 0.0
    (archive / "t.json").write_text(json.dumps(value))
    result = run(str(archive))
    text = " ".join(result.stdout.split())
    assert "2 as before, 1 told apart" in text
    assert "their own limits and rules, used today, do not give what they say" in text


def hidden(folder: Path) -> list[Path]:
    """Files that are hidden, but for those in which coverage counts."""
    return [path for path in folder.glob(".*") if not path.name.startswith(".coverage")]


def test_ctrl_c_leaves_no_table_and_says_so(here: Path) -> None:
    line = to_bytes(plate(DOUBTFUL_IF_STRICT), one_line=True)
    Path("many.jsonl").write_bytes(line * 500)
    command = [sys.executable, "-c", "from cli.main import main; main(prog_name='linecall')"]
    with subprocess.Popen(
        [*command, "call-anew", *["many.jsonl"] * 100, *STRICT, "-o", "changes.csv", "--jobs", "2"],
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        deadline = time.monotonic() + 60
        while not any(path.stat().st_size > 1000 for path in hidden(here)):
            assert time.monotonic() < deadline, "no row was written"
            time.sleep(0.05)
        process.send_signal(signal.SIGINT)
        _, told = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "verdicts were called anew; nothing was applied, and no table was written" in told
    assert not Path("changes.csv").exists()
    assert hidden(here) == []
