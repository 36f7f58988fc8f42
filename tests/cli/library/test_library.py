"""`linecall library` on the command line."""

import csv
import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli.library.group import COMMANDS
from cli.main import main
from cli.options import FAILED, GRADED, REFUSED, WRONG_USAGE
from reader.library import Library
from reader.library.coverage import CLASSES
from reader.library.examples import ROLES
from reader.library.strength import STRENGTHS
from reader.logbook import Logbook, Statement
from reader.read import read_photo
from reader.words import CALLS_OF
from tests.demo import readable_photo
from tests.reader.library.quiz.quiz_library import invented_library
from tests.test_imports import loaded_by


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["library", *map(str, arguments)])


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("library")
    invented_library(folder, 30).close()
    return folder


def label_file(path: Path, photo: str, *, call: str = "present", grader: str = "R. Aalto") -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(["photo", "grader", "role", "graded_at", "window", "mark", "call"])
        table.writerow([photo, grader, "expert", "2026-05-04T14:30+02:00", "1", "indicator", call])
    return path


def test_a_photo_is_added_listed_shown_and_handed_on(root: Path, tmp_path: Path) -> None:
    photo, where = readable_photo(root), tmp_path / "library"
    labels = label_file(tmp_path / "labels.csv", photo.name)
    added = run("add", photo, "-l", where, "--labels", labels, "--light", "Desk Lamp")
    assert added.exit_code == GRADED, added.output
    assert "1 photo: 1 added; 1 new grading; " in added.stdout
    listed = run("list", "-l", where, "--light", "desk  lamp")
    assert photo.name in listed.stdout
    assert listed.stdout.endswith("1 example\n")
    shown = run("show", photo.name, "-l", where, "--photo", tmp_path / "again.jpg")
    assert "R. Aalto, expert, 2026-05-04 14:30+02:00" in shown.stdout
    assert "one grader has called it, 2 are needed" in shown.stdout
    assert (tmp_path / "again.jpg").read_bytes() == photo.read_bytes()
    exported = run("export", tmp_path / "out", "-l", where)
    assert exported.stdout.startswith("1 example, 1 grading; ")
    imported = run("import", tmp_path / "out", "-l", tmp_path / "other")
    assert imported.stdout.startswith("1 example added, 0 were there; 1 new grading; ")
    assert run("list", "-l", tmp_path / "other").stdout == run("list", "-l", where).stdout


def test_a_label_file_is_written_blank_filled_in_and_added(root: Path, tmp_path: Path) -> None:
    photo, file = readable_photo(root), tmp_path / "labels.csv"
    made = run("labels", photo, "--grader", "R. Aalto", "--role", "expert", "-o", file)
    assert made.exit_code == GRADED, made.output
    verdict = read_photo(photo)
    with file.open(newline="", encoding="utf-8-sig") as opened:
        rows = list(csv.DictReader(opened))
    assert len(rows) == 2 * len(verdict.windows)
    assert {(row["photo"], row["grader"], row["call"]) for row in rows} == {(photo.name, "R. Aalto", "")}
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace("indicator,\n", "indicator,absent\n"), encoding="utf-8")
    added = run(
        "add", photo, "--labels", file, "--graded-at", "2026-05-04T14:30+02:00", "-l", tmp_path / "library"
    )
    assert added.exit_code == GRADED, added.output
    assert "1 new grading" in added.stdout
    assert run("labels", photo, "-o", file).exit_code == FAILED


def test_a_dry_run_makes_no_library(root: Path, tmp_path: Path) -> None:
    done = run("add", readable_photo(root), "-l", tmp_path / "library", "--dry-run")
    assert done.exit_code == GRADED
    assert "1 added" in done.stdout
    assert "dry run" in done.stdout
    assert not (tmp_path / "library").exists()


def test_json_tells_what_became_of_each_photo(root: Path, tmp_path: Path) -> None:
    text = tmp_path / "note.jpg"
    text.write_text("no picture", encoding="utf-8")
    done = run("add", readable_photo(root), text, "-l", tmp_path / "library", "--json")
    first, second = map(json.loads, done.stdout.splitlines())
    assert (first["fate"], second["fate"]) == ("added", "refused")
    assert done.exit_code == REFUSED


def test_wrong_labels_are_all_told_and_nothing_is_begun(root: Path, tmp_path: Path) -> None:
    photo = readable_photo(root)
    labels = label_file(tmp_path / "labels.csv", photo.name, call="yes")
    with labels.open("a", encoding="utf-8") as file:
        file.write(f"{photo.name},r.aalto,expert,2026-05-04T14:30+02:00,2,indicator,present\n")
        file.write(f"{photo.name},R. Aalto,expert,2026-05-04T14:30+02:00,2,indicator,present\n")
    done = run("add", photo, "-l", tmp_path / "library", "--labels", labels)
    assert done.exit_code == WRONG_USAGE
    first, second = done.stderr.splitlines()
    assert "row 2, column call: is 'yes'" in first
    assert "row 4, column grader: graders 'R. Aalto' and 'r.aalto' differ only in what looks alike" in second
    assert not (tmp_path / "library").exists()


def test_a_window_that_is_not_there_fails_its_photo(root: Path, tmp_path: Path) -> None:
    photo = readable_photo(root)
    labels = label_file(tmp_path / "labels.csv", photo.name)
    labels.write_text(labels.read_text(encoding="utf-8").replace(",1,", ",77,"), encoding="utf-8")
    done = run("add", photo, "-l", tmp_path / "library", "--labels", labels)
    assert done.exit_code == FAILED
    assert "row 2, column window: is '77'" in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_readings_of_the_logbook_are_added_once(root: Path, tmp_path: Path) -> None:
    from datetime import UTC, datetime

    photo, where = readable_photo(root), tmp_path / "library"
    with Logbook.open(tmp_path / "book.sqlite") as book:
        at = datetime(2026, 5, 4, tzinfo=UTC)
        reading = book.add_reading(read_photo(photo), [photo], Statement.of(operator="T. Castel"), at=at)
    for expected in ("1 added", "1 there already"):
        done = run("add", "-L", tmp_path / "book.sqlite", "--reading", "all", "-l", where)
        assert done.exit_code == GRADED, done.output
        assert expected in done.stdout
    assert f"logbook reading {reading}" in run("show", photo.name, "-l", where).stdout


@pytest.mark.parametrize(
    ("arguments", "problem"),
    [
        (("add",), "give photos or a folder, or --labels of photos that are there, or --reading"),
        (("add", "x.jpg", "--grader", "R. Aalto"), "say whose labels they are; give --labels too"),
        (("add", "x.jpg", "--light", " "), "expected a tag of 1 to 40 characters without |"),
        (("add", "--reading", "all"), "name the logbook with --logbook PATH|URL"),
        (("add", "x.jpg", "--labels", "none.csv"), "none.csv: cannot be read"),
        (("list", "-l", "nowhere"), "nowhere: holds no library; linecall library add begins one"),
        (("show", "nothing"), "has no example 'nothing'"),
        (("list", "--class", "pale"), "'pale' is not one of 'strong', 'weak'"),
        (("sheet", "--light", "moon"), "no mark fits the filters"),
        (
            ("standard", "--consensus", "majorty"),
            'is not one of majority, panel, two-of-three-experts; did you mean "majority"?',
        ),
        (("import", "."), "is no exported library"),
        (("lits",), "there is no command 'lits'; did you mean list?"),
    ],
)
def test_wrong_usage_is_one_clear_line(
    library: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], problem: str
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LINECALL_LIBRARY", str(library))
    monkeypatch.delenv("LINECALL_LOGBOOK", raising=False)
    done = run(*arguments)
    assert done.exit_code == WRONG_USAGE
    assert problem in done.stderr
    assert done.stdout == ""
    assert "Traceback" not in done.output


def test_a_list_is_paged(library: Path) -> None:
    first = run("list", "-l", library, "--limit", 20).stdout.splitlines()
    assert first[-1] == "30 examples; older ones: --page 2"
    second = run("list", "-l", library, "--limit", 20, "--page", 2).stdout.splitlines()
    assert run("list", "-l", library, "--before", first[-2].split()[0]).stdout.splitlines() == second
    ids = [line.split()[0] for line in first[1:-1] + second[1:-1]]
    assert len(set(ids)) == len(ids) == 30


def test_coverage_names_ten_photos_and_marks_what_is_thin(library: Path) -> None:
    text = run("coverage", "-l", library).stdout
    assert [f"next {number} " in text for number in (1, 10, 11)] == [True, True, False]
    assert "*" in text
    assert "fit to ask in a quiz: strong " in text
    whole = json.loads(run("coverage", "-l", library, "--json").stdout)
    assert len(whole["next_photos"]) == len(whole["sentences"]) == 10
    assert {cell["strength"] for cell in whole["cells"]} == set(CLASSES)


def test_the_standard_is_shown_and_changed(tmp_path: Path) -> None:
    invented_library(tmp_path, 10).close()
    assert "majority  revision 1" in run("standard", "-l", tmp_path).stdout
    changed = run("standard", "-l", tmp_path, "--consensus", "two-of-three-experts")
    assert "consensus two-of-three-experts: 10 of 10 examples changed" in changed.stdout
    with Library.open(tmp_path, read_only=True) as library:
        assert {row.settled for row in library.examples()} == {0}


def test_a_contact_sheet_is_not_overwritten_unasked(library: Path, tmp_path: Path) -> None:
    page = tmp_path / "s.html"
    assert run("sheet", "-l", library, "-o", page).exit_code == GRADED
    assert run("sheet", "-l", library, "-o", page).exit_code == GRADED
    page.write_text("mine", encoding="utf-8")
    done = run("sheet", "-l", library, "-o", page)
    assert (done.exit_code, page.read_text(encoding="utf-8")) == (FAILED, "mine")
    assert run("sheet", "-l", library, "-o", page, "--force").exit_code == GRADED


def test_the_words_of_the_options_are_those_of_the_library() -> None:
    from cli import options
    from cli.library import add as library_add

    assert options.STRENGTHS == STRENGTHS
    assert set(options.CALLS) == {call for calls in CALLS_OF.values() for call in calls}
    assert library_add.ROLES == ROLES


def test_every_command_of_the_group_is_there_and_helps() -> None:
    for name in COMMANDS:
        done = run(name, "--help")
        assert done.exit_code == 0, done.output
        assert done.stdout.startswith(f"Usage: linecall library {name}")


def test_the_groups_help_imports_no_command(tmp_path: Path) -> None:
    loaded = loaded_by("library", "--help", cwd=tmp_path)
    assert not [name for name in loaded if name.partition(".")[0] in {"reader", "sqlalchemy", "numpy", "cv2"}]


def test_what_nobody_named_the_plate_of_is_told_in_one_line(root: Path, tmp_path: Path) -> None:
    teaching = root / "demo_images" / "teaching"
    done = run(
        "add", *(teaching / f"plate-{name}.jpg" for name in ("02", "02b", "03", "03b")), "-l", tmp_path
    )
    assert done.exit_code == 0
    told = [line for line in done.stdout.splitlines() if "as high as" in line]
    assert len(told) == 1
    assert "label them" in told[0]
