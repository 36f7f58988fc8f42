"""`linecall read`: no bare grade where the times contradict each other, the plate has expired or is read early.

The photo is one of the demo's, of a plate on which every line is there; its camera wrote a time without an offset.
"""

import csv
from datetime import datetime
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from PIL import Image

from cli.main import main
from reader.logbook import Logbook
from reader.settings.values import settings_path
from reader.verdict.model import Verdict, load_verdict

GRADES = ("negligible", "moderate", "heavy", "invalid")


@pytest.fixture(autouse=True)
def here(tmp_path: Path, root: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.setenv("TZ", "UTC")
    monkeypatch.delenv("LINECALL_ZONE", raising=False)
    Path("bowser.jpg").write_bytes((root / "demo_images" / "helipad-bowser.jpg").read_bytes())
    return tmp_path


TAKEN = datetime(2026, 9, 10, 20, 32, 28)


def read(*arguments: str) -> tuple[Result, Verdict]:
    result = CliRunner().invoke(main, ["read", "bowser.jpg", "--layout", "comb", "--force", *arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit)
    return result, load_verdict(Path("bowser.verdict.json"))


def test_the_photo_is_what_these_tests_take_it_for() -> None:
    result, verdict = read()
    assert (result.exit_code, verdict.grade, verdict.cause) == (0, "negligible", None)
    assert verdict.photo.captured_at == TAKEN


@pytest.mark.parametrize(
    ("drops", "said"),
    [
        ("2027-01-03T20:12+00:00", "115 days before the drops"),  # an old picture from the gallery
        ("2026-09-10T20:12-05:00", "4 h 39 min before the drops"),  # a wrong zone
        ("2026-09-10 20:45", "12.5 min before the drops"),
    ],
)
def test_a_photo_from_before_the_drops_gives_no_bare_grade(drops: str, said: str) -> None:
    result, verdict = read("--drops-at", drops)
    assert (result.exit_code, verdict.grade, verdict.cause) == (3, "undecided", "time")
    assert (verdict.possible_grades, verdict.pivotal) == (GRADES, ())
    told = " ".join(result.stdout.split())
    assert "UNDECIDED" in told
    assert f"the photo was taken {said}" in told
    assert "check the date, the time and the zone of both" in told
    assert "do not release on it" in told


@pytest.mark.parametrize("expiry", ["2026-08", "2026-09-09"])
def test_an_expired_plate_is_invalid_unless_the_sites_rules_only_warn(expiry: str) -> None:
    result, verdict = read("--plate-expiry", expiry, "--reading-age", "20")
    assert verdict.grade == "invalid"
    assert verdict.expiry is not None
    assert (verdict.expiry.status, verdict.expiry.held_against) == ("expired", "2026-09-10")
    assert f"{expiry}, and it was used on 2026-09-10" in " ".join(result.stdout.split())
    text = settings_path("rules", "two-tier").read_text(encoding="utf-8")
    Path("ours.toml").write_text(
        text.replace('rules = "two-tier"', 'rules = "ours"').replace(
            'expired_plate = "invalid"', 'expired_plate = "warning"'
        )
    )
    result, verdict = read("--plate-expiry", expiry, "--reading-age", "20", "--rules", "ours.toml")
    assert (result.exit_code, verdict.grade) == (0, "negligible")
    assert "warning  the plate had expired" in result.stdout


def test_a_plate_in_date_is_graded_and_its_expiry_is_in_the_verdict() -> None:
    result, verdict = read("--plate-expiry", "2026-09", "--reading-age", "20")
    assert (result.exit_code, verdict.grade) == (0, "negligible")
    assert verdict.expiry is not None
    assert verdict.expiry.status == "in_date"
    assert verdict.statement is not None
    assert verdict.statement.plate_expiry == "2026-09"


def test_an_early_photo_has_one_answer_though_every_line_is_there() -> None:
    result, verdict = read("--reading-age", "5")
    assert (result.exit_code, verdict.grade, verdict.cause) == (3, "undecided", "time")
    told = " ".join(result.stdout.split())
    assert "NEGLIGIBLE" not in told
    assert "photograph it again in 10 min" in told
    assert "do not release on this photo" in told


def test_a_time_of_day_is_the_last_such_time_before_the_photo() -> None:
    result, verdict = read("--drops-at", "20:12")
    assert verdict.reading_age is not None
    assert (result.exit_code, verdict.reading_age.minutes) == (0, 20.5)
    assert (verdict.reading_age.zone, verdict.reading_age.zone_source) == ("UTC+00:00", "machine")
    assert verdict.reading_age.drops_at is not None
    assert verdict.reading_age.drops_at.isoformat() == "2026-09-10T20:12:00+00:00"
    late = read("--drops-at", "20:33")[1]
    assert late.grade == "invalid"
    assert late.reading_age is not None
    assert "photographed 23 h 59 min after the drops" in late.reading_age.sentence


@pytest.mark.parametrize(
    ("arguments", "rules_zone", "source"),
    [
        (("--zone", "Europe/Lisbon"), None, "option"),
        ((), "Europe/Lisbon", "rules"),
        (("--zone", "+01:00"), "+05:00", "option"),
    ],
)
def test_a_camera_without_an_offset_is_read_in_a_zone_that_is_named(
    arguments: tuple[str, ...], rules_zone: str | None, source: str
) -> None:
    if rules_zone is not None:
        text = settings_path("rules", "two-tier").read_text(encoding="utf-8")
        own = text.replace('rules = "two-tier"', f'rules = "ours"\ncamera_zone = "{rules_zone}"')
        Path("ours.toml").write_text(own)
        arguments = (*arguments, "--rules", "ours.toml")
    result, verdict = read("--drops-at", "2026-09-10T21:12+02:00", *arguments)  # 20:12 in Lisbon
    assert verdict.reading_age is not None
    assert (result.exit_code, verdict.reading_age.minutes) == (0, 20.5)
    assert verdict.reading_age.zone_source == source
    assert verdict.reading_age.zone is not None
    assert f"the camera's time is read in {verdict.reading_age.zone}" in " ".join(result.stdout.split())
    wrong = read("--drops-at", "2026-09-10T21:12+02:00", "--zone", "+05:00")
    assert (wrong[0].exit_code, wrong[1].cause) == (3, "time")


def test_rules_may_ask_for_a_known_age() -> None:
    text = settings_path("rules", "two-tier").read_text(encoding="utf-8")
    own = text.replace('rules = "two-tier"', 'rules = "ours"').replace("may be unknown", "must be known", 1)
    Path("ours.toml").write_text(own)
    result, verdict = read("--rules", "ours.toml")
    assert (result.exit_code, verdict.grade, verdict.cause) == (3, "undecided", "time")
    assert "the reading age is not known, and the rules ask for it" in result.stdout
    assert read("--rules", "ours.toml", "--reading-age", "20")[0].exit_code == 0


@pytest.mark.parametrize("given", ["Europe/Nowhere", "+25:00", "", "../etc/passwd", "localtime"])
def test_a_zone_that_is_none_is_wrong_usage(given: str) -> None:
    result = CliRunner().invoke(main, ["read", "bowser.jpg", "--zone", given])
    assert result.exit_code == 2
    assert "is no zone; write its name or its offset" in result.stderr


def test_a_forgotten_age_takes_the_place_of_the_reading_without_it_which_is_kept() -> None:
    def again(*arguments: str) -> Result:
        return CliRunner().invoke(main, ["read", "bowser.jpg", "--layout", "comb", *arguments])

    assert again().exit_code == 0
    verdict, image = Path("bowser.verdict.json").read_bytes(), Path("bowser.annotated.jpg").read_bytes()
    result = again("--reading-age", "20")
    assert result.exit_code == 0, result.output
    assert "kept     bowser.earlier-1.verdict.json, the reading before, with less stated" in result.stdout
    assert Path("bowser.earlier-1.verdict.json").read_bytes() == verdict
    assert Path("bowser.earlier-1.annotated.jpg").read_bytes() == image
    now = load_verdict(Path("bowser.verdict.json"))
    assert now.reading_age is not None
    assert now.reading_age.minutes == 20
    for less in ((), ("--reading-age", "21"), ("--reading-age", "20", "--layout", "auto", "--tank", "N")):
        expected = 0 if "--tank" in less else 1  # layout: the same file, named or found
        assert again(*less).exit_code == expected, less
    assert sorted(path.name for path in Path().glob("*.earlier-*.json")) == [
        "bowser.earlier-1.verdict.json",
        "bowser.earlier-2.verdict.json",
    ]
    text = settings_path("rules", "two-tier").read_text(encoding="utf-8")
    Path("ours.toml").write_text(text.replace('rules = "two-tier"', 'rules = "ours"'))
    assert again("--rules", "ours.toml", "--reading-age", "20", "--tank", "N", "--note", "x").exit_code == 1


def test_own_pictures_are_never_read_as_plates_whatever_their_name() -> None:
    CliRunner().invoke(main, ["read", "bowser.jpg"])
    Path("sent.jpg").write_bytes(Path("bowser.annotated.jpg").read_bytes())
    CliRunner().invoke(main, ["layout", "draw", "comb", "--on", "bowser.jpg", "--out", "fits.png"])
    drawn = ("bowser.annotated.jpg", "fits.png", "sent.jpg")
    named = CliRunner().invoke(main, ["read", "bowser.jpg", *drawn, "--json"])
    assert named.exit_code == 0
    assert named.stdout.count('"schema_version"') == 1
    assert named.stderr.splitlines() == [
        f"{name}: a picture that linecall drew, not a photo; left out" for name in drawn
    ]
    folder = CliRunner().invoke(main, ["read", ".", "--json"])
    assert (folder.exit_code, folder.stdout.count('"schema_version"'), folder.stderr) == (0, 1, "")
    alone = CliRunner().invoke(main, ["read", *drawn])
    assert alone.exit_code == 4
    assert "this is a picture that linecall drew" in alone.stderr


SAID = ("--tank", "Heliport bowser", "--sample-point", "sump", "--operator", "A. Lind", "--plate-lot", "=L-7")


def test_screen_table_and_verdict_say_whose_reading_it_is_and_of_what(root: Path) -> None:
    Path("north.jpg").write_bytes((root / "demo_images" / "north-tank-drain.jpg").read_bytes())
    first, verdict = read(*SAID)
    told = " ".join(first.stdout.split())
    assert "sample tank Heliport bowser, sump, lot =L-7, by A. Lind; taken 2026-09-10 20:32; reading" in told
    assert verdict.id is not None
    assert f"reading {verdict.id}" in told
    assert read(*SAID)[1].id == verdict.id  # the same reading, the same id
    assert (
        len({verdict.id, *(read(*said)[1].id for said in ((), SAID[:2], (*SAID, "--reading-age", "20")))})
        == 4
    )
    both = CliRunner().invoke(main, ["read", "bowser.jpg", "north.jpg", "--force", *SAID])
    assert "why bacteria above the lower cutoff" in " ".join(both.stdout.split())
    with Path("summary.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows[1]["why"] == "bacteria above the lower cutoff"
    assert rows[1]["absent marks"] == "1 indicator (bacteria, lower)"
    names = ("tank", "sample point", "operator", "taken", "plate lot", "reading")
    assert [rows[0][name] for name in names] == [
        "Heliport bowser", "sump", "A. Lind", "2026-09-10 20:32:28", "'=L-7", verdict.id,
    ]  # fmt: skip


def test_the_id_on_screen_is_that_of_the_logbook() -> None:
    result, verdict = read(*SAID, "--logbook", "log.db")
    assert verdict.id is not None
    assert f"logbook  reading {verdict.id}" in result.stdout
    assert CliRunner().invoke(main, ["logbook", "show", verdict.id, "-L", "log.db"]).exit_code == 0


def test_what_was_read_by_a_clock_without_a_zone_is_read_alike_from_the_logbook() -> None:
    said = ("--operator", "A. Lind", "--plate-expiry", "2030-01", "--logbook", "log.db")
    for given in (
        ("--drops-at", "20:12"),
        ("--drops-at", "2026-09-10T21:12+02:00", "--zone", "Europe/Lisbon"),
    ):
        assert read(*given, "--tank", given[1], *said)[0].exit_code == 0
    again = CliRunner().invoke(main, ["logbook", "reread", "-L", "log.db"])
    assert (again.exit_code, again.stdout) == (0, "2 readings: 2 as before; nothing was changed\n")
    shown = CliRunner().invoke(main, ["logbook", "list", "-L", "log.db"]).stdout
    with Logbook.open("log.db") as book:
        clock = book.readings(tank="20:12")[0]
        assert clock.id in shown
        assert book.reading(clock.id).stated.as_payload()["drops_at"] == "20:12"


def test_a_photo_from_before_the_drops_makes_the_whole_set_undecided(root: Path) -> None:
    for number in (1, 2):  # of which the first carries no capture time
        data = (root / "demo_images" / f"rescue-boat-tank-{number}.jpg").read_bytes()
        Path(f"{number}.jpg").write_bytes(data if number == 1 else dated(data, "2026:05:04 09:21:00"))
    together = ["read", "1.jpg", "2.jpg", "--same-plate", "--force", "--zone", "+00:00"]
    fine = CliRunner().invoke(main, [*together, "--drops-at", "2026-05-04T09:01"])
    assert (fine.exit_code, load_verdict(Path("1.verdict.json")).grade) == (0, "heavy")
    odd = CliRunner().invoke(main, [*together, "--drops-at", "2026-05-04T09:30"])
    verdict = load_verdict(Path("1.verdict.json"))
    assert (odd.exit_code, verdict.grade, verdict.cause) == (3, "undecided", "time")


def test_the_picture_drawn_anew_names_the_tank_as_corrected(monkeypatch: pytest.MonkeyPatch) -> None:
    verdict = read(*SAID, "--logbook", "log.db", "--reading-age", "20")[1]
    assert verdict.id is not None
    correct = (
        "correct",
        verdict.id,
        "--field",
        "tank",
        "--value",
        "Quay 2",
        "--by",
        "A. Lind",
        "--reason",
        "typo",
    )
    assert CliRunner().invoke(main, ["logbook", *correct, "-L", "log.db"]).exit_code == 0
    drawn: list[Verdict] = []

    def draw(verdict: Verdict, evidence: object) -> bytes:
        drawn.append(verdict)
        return b""

    monkeypatch.setattr("reader.review.record.annotated_jpeg", draw)
    assert CliRunner().invoke(main, ["review", "draw", verdict.id, "-L", "log.db"]).exit_code == 0
    assert drawn[0].statement is not None
    assert drawn[0].statement.tank == "Quay 2"


def dated(jpeg: bytes, taken: str) -> bytes:
    """A photo with another capture time: the first EXIF block counts, so ours goes before all others."""
    exif = Image.Exif()
    exif[0x8769] = {0x9003: taken}
    block = exif.tobytes()
    return jpeg[:2] + b"\xff\xe1" + (len(block) + 2).to_bytes(2, "big") + block + jpeg[2:]


def test_an_unknown_age_and_a_time_mistyped_say_what_to_type() -> None:
    result, _ = read()
    said = " ".join(result.stdout.split())
    assert "type the same command with --reading-age MINUTES, or --drops-at HH:MM" in said
    mistyped, _ = read("--drops-at", "14.38")
    assert mistyped.exit_code == 2
    assert "'14.38' is no time; write it such as 09:08 or 2026-05-04T09:08+02:00" in mistyped.stderr
