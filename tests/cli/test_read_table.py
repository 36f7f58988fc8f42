"""`linecall read --table`: a day's plates in one go, each with what is stated of it."""

import csv
import os
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli.main import main
from reader.verdict.model import load_verdict


@pytest.fixture(autouse=True)
def here(tmp_path: Path, root: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "day" / "photos").mkdir(parents=True)
    for name, place in (
        ("helipad-bowser", "photos/"),
        ("north-tank-drain", "photos/"),
        ("generator-tank", ""),
    ):
        data = (root / "demo_images" / f"{name}.jpg").read_bytes()
        (tmp_path / "day" / f"{place}{name}.jpg").write_bytes(data)
    (tmp_path / "outside.jpg").write_bytes(b"secret")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.delenv("LINECALL_OPERATOR", raising=False)
    return tmp_path


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["read", *arguments])


def table(*rows: str, head: str = "photo,tank,point,drops,lot,expiry") -> str:
    Path("day/day.csv").write_text("\n".join((head, *rows)) + "\n", encoding="utf-8")
    return "day/day.csv"


def test_a_days_plates_are_read_each_with_its_own_statement() -> None:
    name = table(
        "photos/helipad-bowser.jpg,Helipad,sump,20:12,L-1,2026-08",
        "photos/north-tank-drain.jpg,North,drain,,L-2,2030-01",
        ",,,,,",
        "generator-tank.jpg,Generator,,2026-05-13T16:03,,",
    )
    result = run("--table", name, "--out", "out", "--operator", "A. Lind", "-L", "log.db")
    assert result.exit_code == 5, result.output
    found = {path.name.partition(".")[0]: load_verdict(path) for path in Path("out").glob("*.json")}
    said = {key: verdict.statement for key, verdict in found.items()}
    assert [(s.tank, s.sample_point, s.plate_lot, s.plate_expiry, s.operator) for s in said.values() if s] == [
        {"helipad-bowser": ("Helipad", "sump", "L-1", "2026-08", "A. Lind"),
         "north-tank-drain": ("North", "drain", "L-2", "2030-01", "A. Lind"),
         "generator-tank": ("Generator", None, None, None, "A. Lind")}[key] for key in said
    ]  # fmt: skip
    helipad, generator = found["helipad-bowser"], found["generator-tank"]
    assert helipad.reading_age is not None
    assert (helipad.reading_age.minutes, helipad.grade) == (20.5, "invalid")  # that plate has expired
    assert generator.reading_age is not None
    assert generator.reading_age.minutes == 20.6
    with Path("out/summary.csv").open(encoding="utf-8-sig", newline="") as file:
        assert [row["tank"] for row in csv.DictReader(file)] == ["Helipad", "North", "Generator"]
    listed = CliRunner().invoke(main, ["logbook", "list", "-L", "log.db"]).stdout
    assert [line.split()[3] for line in listed.splitlines()[1:]] == ["Generator", "North", "Helipad"]


def test_photos_of_one_plate_stand_in_one_cell(root: Path) -> None:
    for number in (1, 2):
        data = (root / "demo_images" / f"rescue-boat-tank-{number}.jpg").read_bytes()
        Path(f"day/{number}.jpg").write_bytes(data)
    assert run("--table", table("1.jpg; 2.jpg,Rescue boat,,,,"), "--quiet").exit_code == 0
    verdict = load_verdict(Path("day/1.verdict.json"))
    assert (verdict.grade, len(verdict.readings)) == ("heavy", 2)


@pytest.mark.posix
@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("../outside.jpg,N,,,,", "line 2: '../outside.jpg' does not lie below the table's own folder"),
        ("{here}/day/generator-tank.jpg,N,,,,", "does not lie below the table's own folder"),
        ("link.jpg,N,,,,", "'link.jpg' does not lie below the table's own folder"),
        ("generator-tnak.jpg,N,,,,", 'there is no photo generator-tnak.jpg; did you mean "generator-tank.jpg"?'),
        ("photos,N,,,,", "there is no photo photos"),
        (";,N,,,,", "line 2: the photo is missing"),
        (",N,,,,", "line 2: the photo is missing"),
        ("generator-tank.jpg,N,,soon,,", "line 2: 'soon' is no time"),
        ("generator-tank.jpg,N,,,,soon", "line 2: plate expiry is 'soon', expected a date or a month"),
        ("generator-tank.jpg,N,,,,,,", "has 8 cells, but there are 6 columns"),
        ("generator-tank.jpg,N,,,,\ngenerator-tank.jpg,S,,,,", "line 3: generator-tank.jpg is the same photo as"),
        ("generator-tank.jpg,N,,,,\ncopy.jpg,S,,,,", "copy.jpg is the same photo as generator-tank.jpg in line 2"),
        ("", "has no rows"),
    ],
)  # fmt: skip
def test_a_row_that_cannot_be_so_is_told_before_anything_is_read(here: Path, row: str, said: str) -> None:
    Path("day/link.jpg").symlink_to(here / "outside.jpg")
    Path("day/copy.jpg").write_bytes(Path("day/generator-tank.jpg").read_bytes())
    result = run("--table", table(row.format(here=here)))
    assert result.exit_code == 2
    assert said in result.stderr
    assert not list(Path("day").rglob("*.json"))


@pytest.mark.parametrize(
    ("head", "said"),
    [
        ("foto,tank", "line 1: there is no column 'foto'; did you mean \"photo\"?"),
        ("tank,drops", "the column photo is missing"),
        ("photo,tank,tank", "the column tank is there twice"),
    ],
)
def test_columns_are_checked(head: str, said: str) -> None:
    result = run("--table", table("generator-tank.jpg,N", head=head))
    assert (result.exit_code, said in result.stderr) == (2, True)


def test_a_table_of_a_spreadsheet_that_writes_semicolons_is_read() -> None:
    name = table('generator-tank.jpg;"Generator; west";7:36:00', head="\ufeffPhoto;Tank;Drops")
    assert run("--table", name, "--quiet").exit_code == 5
    verdict = load_verdict(Path("day/generator-tank.verdict.json"))
    assert verdict.statement is not None
    assert verdict.statement.tank == "Generator; west"


def test_a_new_table_has_a_row_for_each_photo_and_is_read_once_filled_in() -> None:
    result = run("day", "day/photos", "--new-table", "day/today.csv")
    assert result.exit_code == 0
    assert Path("day/today.csv").read_text(encoding="utf-8").splitlines() == [
        "\ufeffphoto,tank,point,drops,lot,expiry", "generator-tank.jpg,,,,,", "photos/helipad-bowser.jpg,,,,,",
        "photos/north-tank-drain.jpg,,,,,",
    ]  # fmt: skip
    assert run("day", "--new-table", "day/today.csv").exit_code == 1  # never over a filled one
    assert run("--table", "day/today.csv", "--quiet").exit_code == 5
    assert Path("day/summary.csv").is_file()
    assert run("day", "--new-table", "photos.csv").exit_code == 0
    assert "below" in run("outside.jpg", "--new-table", "day/other.csv").stderr


def test_what_a_table_says_is_not_said_by_options_too() -> None:
    name = table("generator-tank.jpg,N,,,,")
    for extra, said in (
        (("day/generator-tank.jpg",), "give either the table or photos"),
        (("--same-plate",), "give either the table or photos"),
        (("--tank", "N"), "with --table, --tank stands in the table"),
        (("--drops-at", "07:36"), "with --table, --drops-at stands in the table"),
    ):
        result = run("--table", name, *extra)
        assert (result.exit_code, said in result.stderr) == (2, True), extra


@pytest.mark.posix
def test_a_table_that_is_no_plain_file_is_told_and_does_not_hang(here: Path) -> None:
    os.mkfifo(here / "day" / "pipe.csv")
    done = run("--table", "day/pipe.csv")
    assert done.exit_code == 2
    assert "pipe.csv" in done.stderr


def test_a_file_name_that_a_spreadsheet_would_compute_or_trim_is_found_again(root: Path) -> None:
    photo = (root / "demo_images/helipad-bowser.jpg").read_bytes()
    for name in ("\uff1dy.jpg", " =z.jpg", "=x.jpg"):
        Path(f"day/{name}").write_bytes(photo)
    begun = CliRunner().invoke(main, ["read", "day", "--new-table", "day/odd.csv"])
    assert begun.exit_code == 0, begun.output
    with Path("day/odd.csv").open(encoding="utf-8-sig", newline="") as file:
        names = [row["photo"] for row in csv.DictReader(file)]
    assert {"./\uff1dy.jpg", "./ =z.jpg", "./=x.jpg"} <= {*names}
    assert all(Path("day", name).is_file() for name in names)
