"""`linecall logbook restore`: a backup comes back whole, or nothing does."""

import os
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli.main import main
from reader.logbook import Logbook
from tests.reader.logbook.samples import add


def logbook(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["logbook", *arguments])


@pytest.fixture
def backup(here: Path) -> Path:
    """A zip of a logbook with two readings, of which one was corrected."""
    with Logbook.open(here / "book.sqlite") as book:
        first, _ = add(book, here, number=1), add(book, here, number=2)
        book.correct(first, "tank", "south", by="Ilmar Soot", reason="typed wrong", at=book.reading(first).at)
    done = logbook("export", "--format", "zip", "-o", "backup.zip", "--logbook", "book.sqlite")
    assert done.exit_code == 0, done.output
    return here / "backup.zip"


def bodies(path: Path) -> list[tuple[int, str, str]]:
    with Logbook.open(path, read_only=True) as book:
        return list(book.bodies())


def test_a_backup_comes_back_event_by_event_under_its_seal(here: Path, backup: Path) -> None:
    seal = logbook("seal", "--logbook", "book.sqlite").output.strip()
    done = logbook("restore", str(backup), "--logbook", "new.sqlite")
    assert done.exit_code == 0, done.output
    assert "all holds" in done.output
    assert bodies(here / "new.sqlite") == bodies(here / "book.sqlite")
    assert logbook("verify", "--logbook", "new.sqlite", "--seal", seal).exit_code == 0
    lists = [logbook("list", "--logbook", name).output for name in ("book.sqlite", "new.sqlite")]
    assert lists[0] == lists[1]


def test_nothing_is_restored_over_a_logbook(here: Path, backup: Path) -> None:
    before = bodies(here / "book.sqlite")
    done = logbook("restore", str(backup), "--logbook", "book.sqlite")
    assert done.exit_code != 0
    assert "holds events already" in done.output
    assert bodies(here / "book.sqlite") == before


def changed(backup: Path, change: Callable[[str, bytes], bytes | None]) -> Path:
    """The zip with its members changed; None leaves one out."""
    other = backup.with_name("changed.zip")
    with zipfile.ZipFile(backup) as old, zipfile.ZipFile(other, "w", zipfile.ZIP_DEFLATED) as new:
        for info in old.infolist():
            if (data := change(info.filename, old.read(info))) is not None:
                new.writestr(info.filename, data)
    return other


@pytest.mark.parametrize(
    "change",
    [
        lambda name, data: data.replace(b"south", b"north") if name == "events.jsonl" else data,
        lambda name, data: b"another" if name.startswith("photos/") else data,
        lambda name, data: None if name.startswith("photos/") else data,
        lambda name, data: data.splitlines(keepends=True)[0] if name == "events.jsonl" else data,
    ],
)
def test_a_backup_that_was_changed_restores_nothing(
    here: Path, backup: Path, change: Callable[[str, bytes], bytes | None]
) -> None:
    done = logbook("restore", str(changed(backup, change)), "--logbook", "new.sqlite")
    assert done.exit_code != 0
    assert "Traceback" not in done.output
    assert bodies(here / "new.sqlite") == []


@pytest.mark.parametrize("options", [("--strip-metadata",), ("ID",)])
def test_an_export_without_every_photo_is_no_backup(
    here: Path, backup: Path, options: tuple[str, ...]
) -> None:
    with Logbook.open(here / "book.sqlite", read_only=True) as book:
        one = book.readings()[0].id
    given = [one if option == "ID" else option for option in options]
    made = logbook("export", *given, "--format", "zip", "-o", "part.zip", "--logbook", "book.sqlite")
    done = logbook("restore", "part.zip", "--logbook", "new.sqlite")
    assert made.exit_code == 0, made.output
    assert done.exit_code != 0
    assert "is no backup" in done.output
    assert bodies(here / "new.sqlite") == []


def test_photos_that_lay_in_a_named_place_need_its_name_again(here: Path) -> None:
    place = os.fspath(here / "photos")
    with Logbook.open(here / "book.sqlite", photos=place) as book:
        add(book, here, number=1)
    made = logbook(
        "export", "--format", "zip", "-o", "b.zip", "--logbook", "book.sqlite", "--logbook-photos", place
    )
    assert made.exit_code == 0, made.output
    done = logbook("restore", "b.zip", "--logbook", "new.sqlite")
    assert "--logbook-photos" in done.output
    done = logbook("restore", "b.zip", "--logbook", "newer.sqlite", "--logbook-photos", place)
    assert done.exit_code == 0, done.output
