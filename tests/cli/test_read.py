"""`linecall read`: what is printed where, what is written, and the exit status."""

import csv
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner, Result

from cli.main import main
from fixtures.verdicts import example_verdict, refused_verdict
from reader.run.batch import attempt
from reader.verdict.model import Verdict, load_verdict, to_bytes
from tests.demo import readable_photo


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of its own, with a photo in it that nobody looks into."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    Path("a.jpg").write_bytes(b"photo")
    return tmp_path


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["read", *arguments])


@pytest.fixture
def reading(monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[dict[str, object]]]:
    """Fix what one photo is read as; gives the list of what the reader was then asked."""

    def fix(verdict: Verdict, evidence: object = "evidence") -> list[dict[str, object]]:
        asked: list[dict[str, object]] = []

        def examine(path: Path, settings: object, **ages: object) -> SimpleNamespace:
            asked.append({"path": path, "settings": settings} | ages)
            return SimpleNamespace(verdict=verdict, evidence=evidence)

        monkeypatch.setattr("reader.read.examine", examine)
        monkeypatch.setattr("reader.draw.annotate.annotated_jpeg", lambda verdict, evidence: b"image")
        return asked

    return fix


Reading = Callable[..., list[dict[str, object]]]


def test_a_grade_is_said_with_its_reason_calls_and_next_step(reading: Reading) -> None:
    reading(example_verdict(("present", "absent", "present"), grade="heavy", warnings=("Look at window 2.",)))
    result = run("a.jpg")
    assert result.exit_code == 0
    assert result.stderr == ""
    assert result.stdout.splitlines() == [
        "a.jpg   HEAVY   layout comb",
        "  sample   taken 2026-05-04 09:08 UTC+02:00",
        "  why      all marks present, however faint",
        "  windows  1  bacteria  lower   indicator present      reference present",
        "           2  bacteria  upper   indicator absent       reference present",
        "           3  yeast     lower   indicator present      reference present",
        "  age      Read 21.5 minutes after the drops, within 15 to 30.",
        "  warning  Look at window 2.",
        "  next     Record the reading and release by the normal procedure.",
        "  written  a.verdict.json",
        "           a.annotated.jpg",
    ]


def test_an_undecided_reading_says_between_what_and_which_mark_decides(reading: Reading) -> None:
    reading(example_verdict(("present", "present", "doubtful"), grade="undecided"))
    result = run("a.jpg")
    assert result.exit_code == 3
    assert "a.jpg   UNDECIDED" in result.stdout
    assert (
        "  why      the indicator of window 3 (yeast, lower) is doubtful and decides: negligible or moderate\n"
        in result.stdout
    )
    assert "3  yeast     lower   indicator doubtful     reference present      decides" in result.stdout


def test_a_refusal_is_one_line_that_says_what_to_do(reading: Reading) -> None:
    reading(refused_verdict(), None)
    result = run("a.jpg")
    assert result.exit_code == 4
    assert result.stdout == ""
    assert result.stderr == (
        "a.jpg: refused: glare covers windows 2 and 3; move the lamp to the side until its reflection leaves "
        "the plate, then photograph again\n"
    )
    assert load_verdict(Path("a.verdict.json")) == refused_verdict()


def test_json_is_the_verdict_on_one_line_and_nothing_else(reading: Reading) -> None:
    verdict = example_verdict(("doubtful",), grade="undecided")
    reading(verdict)
    result = run("a.jpg", "--json")
    assert result.exit_code == 3
    assert result.stdout_bytes == to_bytes(verdict, one_line=True)
    assert result.stderr == ""


def test_quiet_prints_nothing_but_problems(reading: Reading) -> None:
    reading(example_verdict())
    assert run("a.jpg", "--quiet").output == ""
    assert Path("a.verdict.json").exists()


def test_results_go_where_out_says_and_are_written_once(reading: Reading) -> None:
    reading(example_verdict())
    assert run("a.jpg", "--out", "new/folder").exit_code == 0
    assert sorted(path.name for path in Path("new/folder").iterdir()) == ["a.annotated.jpg", "a.verdict.json"]
    assert run("a.jpg", "--out", "new/folder").exit_code == 0  # the same bytes again are fine


def test_another_verdict_is_kept_unless_forced(reading: Reading) -> None:
    reading(example_verdict())
    Path("a.verdict.json").write_bytes(b"{}")
    result = run("a.jpg")
    assert result.exit_code == 1
    assert "NEGLIGIBLE" in result.stdout  # it was read, after all
    assert (
        result.stderr == "a.verdict.json: exists and holds something else; write elsewhere or give --force\n"
    )
    assert Path("a.verdict.json").read_bytes() == b"{}"
    assert not Path("a.annotated.jpg").exists()
    assert run("a.jpg", "--force").exit_code == 0
    assert Path("a.verdict.json").read_bytes() == to_bytes(example_verdict())


def test_a_folder_for_results_that_cannot_be_made_is_told_before_anything_is_read(reading: Reading) -> None:
    asked = reading(example_verdict())
    result = run("a.jpg", "--out", "a.jpg/out")
    assert result.exit_code == 1
    assert len(result.stderr.splitlines()) == 1
    assert "a.jpg/out: cannot be written" in result.stderr
    assert asked == []


@pytest.mark.parametrize(
    ("typed", "moment"),
    [
        ("2026-05-04T09:08:07+02:00", datetime(2026, 5, 4, 9, 8, 7, tzinfo=timezone(timedelta(hours=2)))),
        ("2026-05-04 09:08 +02:00", datetime(2026, 5, 4, 9, 8, tzinfo=timezone(timedelta(hours=2)))),
        ("2026-05-04t07:08:07z", datetime(2026, 5, 4, 7, 8, 7, tzinfo=UTC)),
        ("2026-05-04 09:08", datetime(2026, 5, 4, 9, 8)),
    ],
)
def test_a_time_is_passed_on_as_it_was_given_offset_or_none(
    reading: Reading, typed: str, moment: datetime
) -> None:
    asked = reading(example_verdict())
    assert run("a.jpg", "--drops-at", typed).exit_code == 0
    assert asked[0]["drops_at"] == moment
    assert asked[0]["reading_age_min"] is None


def test_a_reading_age_is_passed_on(reading: Reading) -> None:
    asked = reading(example_verdict())
    assert run("a.jpg", "--reading-age", "17.5").exit_code == 0
    assert (asked[0]["drops_at"], asked[0]["reading_age_min"]) == (None, 17.5)


def test_named_settings_reach_the_reader(reading: Reading, root: Path) -> None:
    asked = reading(example_verdict())
    own = root / "reader" / "data" / "layouts" / "strip.toml"
    assert run("a.jpg", "--layout", str(own), "--rules", "two-tier").exit_code == 0
    assert [layout.name for layout in asked[0]["settings"].layouts] == ["strip"]  # type: ignore[attr-defined]
    assert run("a.jpg").exit_code == 0
    names = {layout.name for layout in asked[1]["settings"].layouts}  # type: ignore[attr-defined]
    assert names >= {"comb", "strip"}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((), "Missing argument 'PHOTO...'"),
        (("a.jpg", "--drops-at", "25:08"), "'25:08' is no time of day; write it such as 07:36"),
        (("a.jpg", "--drops-at", "2026-05-04"), "is no time"),
        (("a.jpg", "--drops-at", "2026-13-04T09:08"), "is no time"),
        (("a.jpg", "--drops-at", "2026-05-04T25:08"), "is no time"),
        (("a.jpg", "--reading-age", "-1"), "-1.0 is no number of minutes, 0 or more"),
        (("a.jpg", "--reading-age", "nan"), "nan is no number of minutes"),
        (("a.jpg", "--reading-age", "soon"), "'soon' is not a valid float"),
        (("a.jpg", "--reading-age", "20", "--drops-at", "2026-05-04T09:08"), "say the same thing; give one"),
        (("a.jpg", "--jobs", "0"), "0 is not in the range"),
        (("a.jpg", "--out", "a.jpg"), "is a file"),
        (("a.jpg", "--josn"), "No such option"),
        (("a.jpg", "--layout", "nolayout"), "nolayout"),
        (("a.jpg", "--rules", "norules"), "norules"),
        (("a.jpg", "--thresholds", "gone.toml"), "gone.toml"),
        (("a.jpg", "--texts", "gone.toml"), "gone.toml"),
    ],
)
def test_wrong_usage_is_told_with_status_2_and_no_photo_is_read(
    reading: Reading, arguments: tuple[str, ...], said: str
) -> None:
    asked = reading(example_verdict())
    result = run(*arguments)
    assert result.exit_code == 2
    assert said in result.stderr
    assert "Traceback" not in result.output
    assert asked == []
    assert os.listdir() == ["a.jpg"]


def test_a_broken_layout_file_is_one_line_with_status_2(reading: Reading) -> None:
    reading(example_verdict())
    Path("mine.toml").write_text('layout = "mine"\nrevision = 1\ntitle = \n', encoding="utf-8")
    result = run("a.jpg", "--layout", "mine.toml")
    assert result.exit_code == 2
    assert result.stdout == ""
    assert len(result.stderr.splitlines()) == 1
    assert result.stderr.startswith("mine.toml, line 3")


def test_two_photos_for_one_name_are_told_before_anything_is_read(reading: Reading) -> None:
    reading(example_verdict())
    Path("b").mkdir()
    shutil.copy("a.jpg", "b/a.jpg")
    result = run("a.jpg", "b/a.jpg", "--out", "out")
    assert result.exit_code == 2
    assert result.stderr.startswith("a.jpg and b/a.jpg would both be written to out/a.jpg.verdict.json; ")
    assert not Path("out").exists()


def bad_files() -> dict[str, str]:
    """Files that are no photos, and a word of the line that each gets."""
    files = {
        "empty.jpg": b"",
        "text.png": b"not a picture at all\n" * 20,
        "cut.jpg": bytes.fromhex("ffd8ffe000104a46494600010100000100010000") + b"\x00" * 100,
        "zeros.heic": b"\x00" * 5000,
    }
    for name, data in files.items():
        Path("photos", name).write_bytes(data)
    return {f"photos/{name}": "refused" for name in files}


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_one_bad_file_never_stops_the_rest(root: Path, jobs: str) -> None:
    Path("photos").mkdir()
    Path("photos/nothing").mkdir()
    shutil.copy(readable_photo(root), "photos/good.jpg")
    bad = bad_files() | {"photos/nothing": "refused", "a.jpg": "refused"}
    result = run("photos", "photos/nothing", "a.jpg", "--out", "out", "--jobs", jobs, "--json")
    assert result.exit_code == 4
    problems = result.stderr.splitlines()
    assert len(problems) == len(bad)
    assert all(line.partition(": ")[0] in bad and ": refused: " in line for line in problems)
    verdicts = [json.loads(line) for line in result.stdout.splitlines()]
    names = [
        *sorted(name[7:] for name in [*bad, "photos/good.jpg"] if name.startswith("photos/") and "." in name)
    ]
    assert [verdict["photo"]["name"] for verdict in verdicts] == [*names, "nothing", "a.jpg"]
    assert [verdict["photo"]["name"] for verdict in verdicts if verdict["status"] == "read"] == ["good.jpg"]
    written = {path.name for path in Path("out").iterdir()}
    assert {"good.verdict.json", "good.annotated.jpg", "text.verdict.json", "summary.csv"} <= written
    assert "nothing.verdict.json" not in written
    with Path("out/summary.csv").open(encoding="utf-8-sig", newline="") as file:
        assert [row["status"] for row in csv.DictReader(file)].count("refused") == len(bad)


RESULTS = {
    "ok": (0, example_verdict()),
    "undecided": (3, example_verdict(("doubtful",), grade="undecided")),
    "invalid": (5, example_verdict(grade="invalid")),
    "refused": (4, refused_verdict()),
    "fault": (70, None),
}


@pytest.mark.parametrize(
    "names",
    [("ok",), ("undecided",), ("invalid",), ("refused",), ("fault",), ("ok", "undecided"), ("undecided", "invalid"),
     ("invalid", "refused"), ("refused", "fault"), ("ok", "undecided", "invalid", "refused")],
)  # fmt: skip
def test_the_exit_status_is_that_of_the_worst_photo(
    monkeypatch: pytest.MonkeyPatch, names: tuple[str, ...]
) -> None:
    def examine(path: Path, settings: object, **given: object) -> SimpleNamespace:
        verdict = RESULTS[path.stem][1]
        if verdict is None:
            raise ZeroDivisionError("a fault")
        return SimpleNamespace(verdict=verdict, evidence=None)

    monkeypatch.setattr("reader.read.examine", examine)
    monkeypatch.setattr(
        "reader.run.batch.read_many",
        lambda plan, work, hands: ((k, attempt(work, job)) for k, job in enumerate(plan)),
    )
    for name in names:
        Path(f"{name}.jpg").write_bytes(b"photo")
    assert run(*(f"{name}.jpg" for name in names)).exit_code == RESULTS[names[-1]][0]
    if "fault" not in names:
        Path("new").mkdir()
        Path("new/summary.csv").mkdir()
        for name in names:
            Path(f"new/{name}.verdict.json").write_bytes(b"other")
        assert run(*(f"{name}.jpg" for name in names), "--out", "new").exit_code == 1


def test_a_mistyped_path_is_wrong_usage_and_nothing_is_read(reading: Reading) -> None:
    asked = reading(example_verdict())
    Path("IMG_0412.jpg").write_bytes(b"photo")
    for wrong, said in (
        ("IMG_0421.jpg", 'IMG_0421.jpg: there is no such file or folder; did you mean "IMG_0412.jpg"?'),
        ("nowhere/x.jpg", "nowhere/x.jpg: there is no such file or folder; check its name"),
        ("a.jpg/x.jpg", "there is no such file or folder"),
    ):
        result = run("a.jpg", wrong)
        assert (result.exit_code, asked) == (2, [])
        assert said in result.stderr


def test_a_few_photos_are_each_said_in_full_and_counted(root: Path) -> None:
    photo = readable_photo(root)
    shutil.copy(photo, "b.jpg")
    shutil.copy(photo, "c.jpg")
    result = run("a.jpg", "c.jpg", "b.jpg")
    lines = result.stdout.splitlines()
    assert [line.split()[0] for line in lines if "layout" in line] == ["c.jpg", "b.jpg"]
    assert [line for line in lines if "indicator" in line]
    assert lines[-1].startswith("3 photos: ")
    assert lines[-1].endswith(", 1 refused; summary.csv has them all")
    assert "photo" not in lines[0].split()


def test_many_photos_get_a_table_with_totals_and_a_csv_beside_them() -> None:
    Path("photos").mkdir()
    bad_files()
    for number in range(5):
        Path("photos", f"text-{number}.jpg").write_bytes(b"no photo")
    result = run("photos")
    assert result.exit_code == 4
    lines = result.stdout.splitlines()
    assert lines[0].split() == ["photo", "result", "why"]
    assert sum(" refused " in line for line in lines) == 9
    assert lines[-1] == "9 photos: 9 refused; photos/summary.csv has them all"


def test_a_second_run_gives_the_same_files_and_no_second_table() -> None:
    Path("photos").mkdir()
    bad_files()
    assert run("photos", "--out", "out").exit_code == 4
    before = {path.name: path.read_bytes() for path in Path("out").iterdir()}
    assert run("photos", "--out", "out", "--jobs", "2").exit_code == 4
    assert {path.name: path.read_bytes() for path in Path("out").iterdir()} == before


def test_a_name_that_is_not_utf8_or_steers_the_terminal_does_no_harm(root: Path) -> None:
    names = [b"\xff.jpg", b"new\nline.jpg", b"\x1b[2J.jpg"]
    for name in names:
        Path(os.fsdecode(name)).write_bytes(b"no photo")
    for options in ([], ["--json"]):
        done = subprocess.run(
            [
                sys.executable,
                "-c",
                "from cli.main import main; main()",
                "read",
                *names,
                "--out",
                "out",
                *options,
            ],
            env=os.environ | {"PYTHONPATH": str(root)},
            capture_output=True,
            check=False,
        )
        assert done.returncode == 4
        problems = done.stderr.decode("utf-8").splitlines()
        assert len(problems) == 3
        assert all("refused" in line and line.isprintable() for line in problems)


def test_colour_is_for_terminals_that_want_it(reading: Reading, monkeypatch: pytest.MonkeyPatch) -> None:
    reading(example_verdict(("absent",), grade="moderate"))
    assert "\x1b" not in run("a.jpg").output
    monkeypatch.setattr("cli.show.sys", SimpleNamespace(stdout=SimpleNamespace(isatty=lambda: True)))
    coloured = CliRunner().invoke(main, ["read", "a.jpg"], color=True).output
    assert "\x1b[33m\x1b[1mMODERATE" in coloured
    monkeypatch.setenv("NO_COLOR", "1")
    plain = CliRunner().invoke(main, ["read", "a.jpg"], color=True).output
    assert "\x1b" not in plain
    assert "MODERATE" in plain


def test_a_second_run_reads_only_what_is_missing_and_says_how_much_was_done(root: Path) -> None:
    Path("photos").mkdir()
    for name in ("north-tank-drain.jpg", "helipad-bowser.jpg"):
        shutil.copy(root / "demo_images" / name, "photos")
    first = run("photos", "--out", "out", "--reading-age", "20")
    assert "done before" not in first.stdout
    shutil.copy(root / "demo_images" / "generator-tank.jpg", "photos")
    second = run("photos", "--out", "out", "--reading-age", "20")
    assert second.stdout.splitlines()[-1].endswith(
        "; 2 of 3 were done before; out/summary-2.csv has them all"
    )
    assert second.stdout.count("\n  before   out/") == 2
    assert second.stdout.count("\n  written  out/") == 1
    with Path("out/summary-2.csv").open(encoding="utf-8-sig", newline="") as file:
        assert len(list(csv.DictReader(file))) == 3
    forced = run("photos", "--out", "out", "--reading-age", "20", "--force")
    assert "done before" not in forced.stdout


def test_what_goes_into_a_logbook_was_read_whatever_lies_in_the_folder(root: Path) -> None:
    shutil.copy(readable_photo(root), "photo.jpg")
    logbook = ("--logbook", "log.db", "--operator", "Ada North")
    run("photo.jpg", "--reading-age", "20", "--operator", "Ada North")
    path = Path("photo.verdict.json")
    forged = load_verdict(path).model_copy(update={"next_step": "Release it."})
    path.write_bytes(to_bytes(forged))
    done = run("photo.jpg", "--reading-age", "20", *logbook)
    assert "exists and holds something else" in done.stderr
    assert "Release it." not in CliRunner().invoke(main, ["logbook", "show", "all", "-L", "log.db"]).output
