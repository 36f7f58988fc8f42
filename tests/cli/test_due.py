"""`linecall due` and `linecall follow`, with all that leads there: from an empty folder to a report."""

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from PIL import Image

from cli.main import main
from fixtures.labels import with_label
from reader.locate.plate import find_plate
from reader.photo.open import open_photo
from reader.round.label import code_of
from reader.settings.values import load_layout

BY = "R. Aalto"
pytestmark = pytest.mark.usefixtures("same_ids")
STEPS = (("sample", 25), ("settled", 15), ("extract", 13), ("gathered", 5), ("drops", 0))


@pytest.fixture
def depot(here: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LINECALL_LOGBOOK", "log.db")
    monkeypatch.setenv("LINECALL_OPERATOR", BY)
    monkeypatch.setenv("LINECALL_SITE", "site.toml")
    assert linecall("site", "new").exit_code == 0
    (here / "in").mkdir()
    return here


def linecall(*arguments: str) -> Result:
    done = CliRunner().invoke(main, list(arguments))
    assert "Traceback" not in done.output
    return done


def said(*arguments: str, status: int = 0) -> str:
    done = linecall(*arguments)
    assert done.exit_code == status, done.output
    return done.output


def walk(run: str, minutes_ago: float, phase: str = "fuel") -> None:
    for step, before in STEPS:
        if phase == "water" and step == "gathered":
            continue
        at = datetime.now(UTC) - timedelta(minutes=minutes_ago + before)
        said("run", "step", run, step, "--at", at.isoformat(timespec="seconds"))


def labelled_photo(
    root: Path, folder: Path, run: str, *, site: str = "tallowmere", name: str = "IMG_1.jpg"
) -> str:
    """A demo photo, taken a minute ago by its camera, with a label of 10 mm beside the plate."""
    photo = open_photo(root / "demo_images" / "helipad-bowser.jpg")
    pose = find_plate(photo, (load_layout("comb"),))
    width = pose.layout.outline.width
    shown = with_label(photo, pose, code_of(site, run), centre_mm=(width / 2, -12), turn=0.2)
    image = Image.fromarray(np.ascontiguousarray(shown.pixels[..., ::-1]))
    exif = image.getexif()
    taken = datetime.now(UTC) - timedelta(minutes=1)
    exif.get_ifd(0x8769).update({0x9003: f"{taken:%Y:%m:%d %H:%M:%S}", 0x9011: "+00:00"})  # Exif 2.32
    image.save(folder / "in" / name, exif=exif.tobytes(), quality=95, subsampling=0)
    return str(folder / "in" / name)


def prepared(*points: str) -> dict[str, str]:
    wanted = [token for point in points for token in ("--point", point)]
    done = said(
        "due", "--bottle-labels", "labels.pdf", "--phase", "fuel", "--lot", "CB-2604", "--force", *wanted
    )
    return {point: run for run, point in re.findall(r"^run (\w{8})\s.*\((\S+)\)$", done, re.MULTILINE)}


def test_from_an_empty_folder_to_a_follow_up_done_a_history_and_a_report(root: Path, depot: Path) -> None:
    assert "N1-drain  no run of it has been read yet" in said("due")
    assert not (depot / "log.db").exists()
    assert "round.pdf" in said("due", "--sheet", "round.pdf", "--paper", "letter")
    said("run", "begin", "N1-drain", "--phase", "water", "--lot", "CB-2604")
    for step, ago in (("sample", 25), ("settled", 24), ("extract", 23), ("drops", 20)):
        at = datetime.now(UTC) - timedelta(minutes=ago)
        said("run", "step", "N1-drain", step, "--at", at.isoformat(timespec="seconds"))
    assert "settled-too-short (warning)" in said("run", "show", "N1-drain")
    photo = str(root / "demo_images" / "north-tank-drain.jpg")
    assert "MODERATE" in said("read", photo, "--run", "N1-drain", "--out", "results")
    said("run", "close", "N1-drain")
    due = said("due")
    assert "drain-and-draw after moderate today" in due
    assert re.search(r"N1-drain\s+no run", due) is None
    assert "told by phone" in said("follow", "done", "N1-drain/tell", "--reason", "told by phone")
    assert "is done by a reading" in said(
        "follow", "done", "N1-drain/drain-and-draw", "--reason", "x", status=2
    )
    until = f"{datetime.now(UTC) + timedelta(days=3):%Y-%m-%dT%H:%MZ}".replace("Z", "+00:00")
    assert "put off" in said(
        "follow", "defer", "N1-drain/drain-and-draw", "--until", until, "--reason", "no bottle"
    )
    listed = said("follow", "list", "--all")
    assert "done" in listed
    assert "put off 1x" in listed
    assert "licensed practice come first" in " ".join(listed.split())
    history = said("history", "N1-drain")
    assert "North tank, drain cock (N1-drain)" in history
    assert "MODERATE" in history
    assert "done" in history
    assert "open" in history
    assert "departure" in history
    said("history", "N1-drain", "-o", "n1.html")
    assert "told by phone" in (depot / "n1.html").read_text(encoding="utf-8")
    said("report", "--from", "2026-01-01", "-o", "report.pdf")
    said("report", "--from", "2026-01-01", "-o", "report.html")
    page = (depot / "report.html").read_text(encoding="utf-8")
    assert "Follow-ups open" in page
    assert "Tallowmere harbour" in page
    assert (depot / "report.pdf").read_bytes().startswith(b"%PDF")
    reading = re.search(r"^\d{4}-\d\d-\d\d \d\d:\d\d\s+MODERATE.*\s(\w{8})$", history, re.MULTILINE)
    assert reading is not None
    Image.fromarray(np.full((90, 400, 3), 200, np.uint8)).save("harbour.png")
    named = (
        Path("site.toml")
        .read_text(encoding="utf-8")
        .replace('# picture = "harbour.png"', 'picture = "harbour.png"')
    )
    Path("site.toml").write_text(named.replace("revision = 1", "revision = 2", 1), encoding="utf-8")
    said("report", reading[1], "-o", "one.html")
    said("report", reading[1], "-o", "one.pdf")
    page = (depot / "one.html").read_text(encoding="utf-8")
    assert 'class="masthead"' in page
    assert 'alt="Tallowmere harbour"' in page
    assert "What follows" in page
    assert "told by phone" in page
    Path("harbour.png").write_bytes(b"no picture")
    assert "the site's picture cannot be used" in said("report", reading[1], "-o", "two.pdf", status=2)
    assert "all holds" in said("logbook", "verify")


def test_a_label_beside_the_plate_ties_the_photo_to_its_run(root: Path, depot: Path) -> None:
    runs = prepared("HB-sump", "S1-drain")
    walk(runs["HB-sump"], 21)
    photo = labelled_photo(root, depot, runs["HB-sump"])
    done = said("read", photo)
    assert "NEGLIGIBLE" in done
    assert "photographed 20 min after the drops" in done
    assert "tank Helipad bowser, sump drain" in done
    assert "read" in said("run", "show", runs["HB-sump"])
    said("run", "close", runs["HB-sump"])
    again = said("read", photo, "--out", "again", status=1)
    assert f"of run {runs['HB-sump']}, which is not open in this logbook" in again
    assert not list((depot / "again").glob("*.json"))


def test_a_label_that_contradicts_the_run_that_is_named_stops_the_reading(root: Path, depot: Path) -> None:
    runs = prepared("HB-sump", "S1-drain")
    walk(runs["HB-sump"], 21)
    walk(runs["S1-drain"], 22)
    photo = labelled_photo(root, depot, runs["HB-sump"])
    told = said("read", photo, "--run", runs["S1-drain"], status=1)
    assert f"is of run {runs['HB-sump']}, but --run names {runs['S1-drain']}" in told
    elsewhere = labelled_photo(root, depot, runs["HB-sump"], site="elsewhere", name="IMG_2.jpg")
    assert "is of site elsewhere, but this is site tallowmere" in said("read", elsewhere, status=1)
    assert "reading " not in said("run", "show", runs["HB-sump"])
    assert "NEGLIGIBLE" in said("read", photo, "--run", runs["HB-sump"])


def test_labels_ask_for_what_a_run_needs_and_overwrite_nothing(depot: Path) -> None:
    assert "say --phase NAME and --lot LOT" in said("due", "--bottle-labels", "labels.pdf", status=2)
    assert "go with --bottle-labels" in said("due", "--phase", "fuel", status=2)
    first = prepared()
    assert len(first) == 5
    assert prepared() == first
    told = said("due", "--bottle-labels", "labels.pdf", "--phase", "fuel", "--lot", "CB-2604", status=2)
    assert "exists; give another name, or --force" in told
    other = ("due", "--bottle-labels", "new.pdf", "--phase", "fuel", "--point", "GEN-dip", "--lot")
    assert 'did you mean "cb-2604"' in said(*other, "CB-264", status=2)
    assert not (depot / "new.pdf").exists()


def test_a_follow_up_that_is_not_there_is_told_in_one_line(depot: Path) -> None:
    prepared("N1-drain")
    for arguments in (("show", "abcdefgh"), ("done", "abcdefgh", "--reason", "x")):
        assert "there is no follow-up 'abcdefgh'" in said("follow", *arguments, status=2)
    assert "no follow-up is open" in said("follow", "list")
