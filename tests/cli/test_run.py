"""`linecall run` and `linecall read --run`: from an empty folder to a grade, and what goes wrong on the way."""

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from PIL import Image

from cli.main import main
from reader.logbook import Logbook

BY = "R. Aalto"


@pytest.fixture
def depot(here: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a site's file, and the variables that name it and the logbook."""
    monkeypatch.setenv("LINECALL_LOGBOOK", "log.db")
    monkeypatch.setenv("LINECALL_OPERATOR", BY)
    assert linecall("site", "new").exit_code == 0
    (here / "linecall.toml").write_text('site = "site.toml"\n', encoding="utf-8")
    return here


def linecall(*arguments: str) -> Result:
    done = CliRunner().invoke(main, list(arguments))
    assert "Traceback" not in done.output
    return done


def ago(minutes: float) -> str:
    return (datetime.now(UTC) - timedelta(minutes=minutes)).isoformat(timespec="seconds")


def begin(*arguments: str) -> str:
    done = linecall("run", "begin", *arguments, "--phase", "fuel", "--lot", "CB-2604")
    assert done.exit_code == 0, done.output
    found = re.search(r"^run (\w{8})", done.output, re.MULTILINE)
    assert found is not None
    return found[1]


def walk(run: str, drops: float) -> None:
    for step, minutes in (("sample", 25), ("settled", 15), ("extract", 13), ("gathered", 5), ("drops", 0)):
        assert linecall("run", "step", run, step, "--at", ago(drops + minutes)).exit_code == 0


def photo_taken(root: Path, folder: Path, minutes: float) -> Path:
    """A demo photo whose camera says that it was taken so many minutes ago."""
    with Image.open(root / "demo_images" / "helipad-bowser.jpg") as image:
        exif = image.getexif()
        taken = datetime.now(UTC) - timedelta(minutes=minutes)
        exif.get_ifd(0x8769).update({0x9003: f"{taken:%Y:%m:%d %H:%M:%S}", 0x9011: "+00:00"})  # Exif 2.32
        (folder / "in").mkdir()  # what others send lies apart from the site's own files
        image.save(folder / "in" / "IMG_1.jpg", exif=exif.tobytes(), quality=95, subsampling=0)
    return folder / "in" / "IMG_1.jpg"


def test_from_an_empty_folder_to_a_grade_and_what_went_otherwise_grades_anew(root: Path, depot: Path) -> None:
    run = begin("HB-sump")
    walk(run, drops=21)
    photo = photo_taken(root, depot, minutes=1)
    done = linecall("read", str(photo), "--run", run)
    assert done.exit_code == 0, done.output
    assert "NEGLIGIBLE" in done.output
    assert "photographed 20 min after the drops, within 15 to 30 min" in done.output
    assert "tank Helipad bowser, sump drain" in done.output
    assert "entered afterwards" in " ".join(done.output.split())
    done = linecall("run", "note", run, "seen on the photo", "--departure", "drop-on-window")
    assert "is graded anew with the departures of its run: invalid, negligible before" in done.output
    assert "invalid" in linecall("logbook", "list").output
    assert "departure drop-on-window (invalid)" in linecall("run", "show", run).output
    assert linecall("run", "close", run).exit_code == 0
    assert "closed" in linecall("run", "list", "--all").output
    assert "no run is open" in linecall("run", "list").output
    done = linecall("read", str(photo), "--run", run)
    assert done.exit_code == 2
    assert "was closed, so no photo belongs to it any more" in done.output
    assert linecall("logbook", "verify").exit_code == 0


def test_a_run_says_what_options_would_and_contradiction_stops_the_reading(root: Path, depot: Path) -> None:
    run = begin("HB-sump")
    walk(run, drops=21)
    photo = str(photo_taken(root, depot, minutes=1))
    for option, value in (
        ("--drops-at", "07:36"),
        ("--tank", "T1"),
        ("--plate-lot", "X"),
        ("--reading-age", "20"),
    ):
        done = linecall("read", photo, "--run", run, option, value)
        assert done.exit_code == 2
        assert f"the run says what {option} would" in done.output
    done = linecall("read", photo, "--run", run, "--layout", "strip")
    assert done.exit_code == 2
    assert 'has layout "comb", revision 1, but layout "strip" was named' in done.output
    done = linecall("read", photo, photo.replace("IMG_1", "IMG_2"), "--run", run)
    assert done.exit_code == 2
    with Logbook.open("log.db", read_only=True) as book:
        assert book.readings() == []


def test_a_photo_taken_before_the_drops_is_never_graded_in_silence(root: Path, depot: Path) -> None:
    run = begin("HB-sump")
    walk(run, drops=21)
    done = linecall("read", str(photo_taken(root, depot, minutes=30)), "--run", run)
    assert done.exit_code == 3
    assert "UNDECIDED" in done.output
    assert "before the drops" in done.output


def test_a_photo_taken_in_time_is_read_later_and_one_taken_too_late_is_invalid(
    root: Path, depot: Path
) -> None:
    run = begin("HB-sump")
    walk(run, drops=90)
    done = linecall("run", "show", run)
    assert "late" in done.output
    assert "a photo that was taken in time is read with linecall read PHOTO --run" in done.output
    done = linecall("read", str(photo_taken(root, depot, minutes=70)), "--run", run)
    assert done.exit_code == 0
    assert "photographed 20 min after the drops" in done.output
    late = begin("S1-drain")
    walk(late, drops=90)
    (depot / "in").rename(depot / "earlier")
    done = linecall("read", str(photo_taken(root, depot, minutes=10)), "--run", late)
    assert done.exit_code == 5
    assert "INVALID" in done.output


def test_both_values_of_a_corrected_time_are_shown(depot: Path) -> None:
    run = begin("N1-drain")
    linecall("run", "step", run, "sample", "--at", ago(30))
    done = linecall("run", "correct", run, "sample", ago(40), "--reason", "the other watch")
    assert done.exit_code == 0, done.output
    assert "(entered first as " in done.output
    assert "(the other watch)" in done.output


def test_mistakes_are_told_in_one_line_and_nothing_is_written(depot: Path) -> None:
    run = begin("N1-drain")
    with Logbook.open("log.db", read_only=True) as book:
        head = book.head()
    for arguments, sentence in (
        (("begin", "N1-drain", "--phase", "fuel", "--lot", "CB-2604"), f"has an open run, {run}"),
        (("begin", "N1-drian", "--phase", "fuel", "--lot", "CB-2604"), 'did you mean "n1-drain"?'),
        (("begin", "S1-drain", "--phase", "feul", "--lot", "CB-2604"), "it has water, topped or fuel"),
        (
            ("begin", "S1-drain", "--phase", "fuel", "--lot", "CB-2604", "--at", "2099-01-01T08:00"),
            "lies in the future",
        ),
        (("step", run, "drops"), "cannot be in before the sample was drawn"),
        (("step", run, "smaple"), 'did you mean "sample"?'),
        (("step", run, "clean"), "asks for no time of step"),
        (("close", run), "has not been read"),
        (("note", run), "there is nothing to note"),
        (("abandon", run, "--reason", " "), "for a reason"),
        (("show", "zzzzzzzz"), "there is no run 'zzzzzzzz'"),
    ):
        done = linecall("run", *arguments)
        assert done.exit_code == 2, arguments
        assert sentence in done.output, done.output
    with Logbook.open("log.db", read_only=True) as book:
        assert book.head() == head


def test_without_a_site_or_a_logbook_it_says_how_to_name_one(here: Path) -> None:
    done = linecall("run", "begin", "N1", "--phase", "fuel", "--lot", "X", "--by", BY)
    assert done.exit_code == 2
    assert "name the logbook" in done.output
    done = linecall("run", "begin", "N1", "--phase", "fuel", "--lot", "X", "--by", BY, "-L", "log.db")
    assert done.exit_code == 2
    assert "linecall site new -o site.toml begins one" in done.output
    assert not (here / "log.db").exists()
