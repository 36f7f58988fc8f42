"""`linecall logbook`, and what `linecall read --logbook` puts into it: what is printed, and the exit status."""

import csv
import hashlib
import json
import os
import sqlite3
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import timedelta
from io import StringIO
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from click.testing import CliRunner, Result

from cli.main import main
from fixtures.verdicts import refused_verdict
from reader.logbook import Logbook, Statement
from reader.review.policy import load_policy
from reader.review.record import decide
from reader.settings.values import settings_path
from reader.verdict.model import Verdict
from reader.words import Call
from tests.reader.logbook.samples import AT, add, photo, verdict_of
from tests.reader.logbook.todays_reader import Reader, put_in_place
from tests.reader.review.books import add as add_plate
from tests.reader.review.books import leave_photos_unread
from tests.reader.review.samples import NOON, decision, read_plate

pytestmark = pytest.mark.usefixtures("here")


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, list(arguments))


def logbook(*arguments: str) -> Result:
    return run("logbook", *arguments, "-L", "log.db")


@pytest.fixture
def ids(here: Path) -> list[str]:
    """A logbook of three readings, of which the second is doubtful and the third was corrected."""
    with Logbook.open("log.db") as book:
        made = [
            add(book, here, number, calls=calls, at=AT + timedelta(minutes=number), sample_point="sump")
            for number, calls in (
                (1, ("present", "absent")),
                (2, ("present", "doubtful")),
                (3, ("present", "absent")),
            )
        ]
        book.correct(made[2], "tank", "T9", by="B", reason="read it wrongly", at=AT + timedelta(hours=1))
    return made


# --- looking


def test_readings_are_listed_newest_first_with_their_offsets(ids: list[str]) -> None:
    result = logbook("list")
    assert result.exit_code == 0
    assert result.stdout.splitlines() == [
        "id        logged                 tank  point  operator       grade",
        f"{ids[2]}  2026-05-04 09:11+0200  T9    sump   A. Technician  heavy",
        f"{ids[1]}  2026-05-04 09:10+0200  T2    sump   A. Technician  undecided  waits",
        f"{ids[0]}  2026-05-04 09:09+0200  T1    sump   A. Technician  heavy",
    ]


def test_a_long_list_comes_in_pages(ids: list[str]) -> None:
    first = logbook("list", "--limit", "2").stdout.splitlines()
    assert first[-1] == "there are older ones: --page 2"
    second = logbook("list", "--limit", "2", "--page", "2").stdout.splitlines()
    assert [line[:8] for line in second[1:]] == [ids[0]]
    assert logbook("list", "--limit", "2", "--before", ids[1].upper()).stdout.splitlines() == second
    assert logbook("list", "--limit", "2", "--page", "3").stdout == "no readings that match\n"


@pytest.mark.parametrize(
    ("options", "chosen"),
    [
        (("--tank", "T2"), [1]),
        (("--grade", "heavy"), [2, 0]),
        (("--operator", "A. Technician", "--sample-point", "sump"), [2, 1, 0]),
        (("--since", "2026-05-04T09:10:00+02:00"), [2, 1]),
        (("--until", "2026-05-04T07:10:00Z"), [0]),
        (("--plate-lot", "none"), []),
    ],
)
def test_a_list_is_filtered(ids: list[str], options: tuple[str, ...], chosen: list[int]) -> None:
    lines = logbook("list", *options).stdout.splitlines()
    assert [line[:8] for line in lines[1:]] == [ids[number] for number in chosen]
    if not chosen:
        assert lines == ["no readings that match"]


def test_a_story_is_told_in_order_with_what_was_said_first(ids: list[str]) -> None:
    lines = logbook("show", ids[2]).stdout.splitlines()
    assert lines[0] == f"{ids[2]}   HEAVY"
    assert lines[1] == "       3  2026-05-04 09:11:07+02:00  reading by A. Technician"
    assert "          tank T3" in lines
    assert lines[-3:] == [
        "       4  2026-05-04 10:08:07+02:00  correction by B",
        "          tank: T3 becomes T9",
        "          reason: read it wrongly",
    ]


def test_a_story_tells_reviews_expiry_and_succession(here: Path) -> None:
    with Logbook.open("log.db") as book:
        first = add(book, here, 1, plate_expiry="2026-04", calls=("present", "doubtful"))
        again, said = photo(here, 1), Statement(operator="A. Technician", tank="T1", plate_expiry="2026-05")
        verdict = verdict_of(again, ("present", "doubtful"))
        second = book.add_reading(verdict, [again], said, at=AT, replaces=first, reason="misread the date")
        decision = {
            "window": "2",
            "mark": "indicator",
            "call": "absent",
            "reason": "nothing there",
            "blind": True,
        }
        doubted = verdict_of(photo(here, 1), ("present", "absent")).model_dump(mode="json")
        payload = {"decisions": [decision], "verdict": doubted}
        book.append("review", payload, by="B. Reviewer", reading=second, at=AT)
    assert f"  superseded by {second}" in logbook("show", first).stdout
    assert "WARNING: the plate had expired (2026-04)" in logbook("show", first).stdout
    story = logbook("show", second).stdout
    assert f"in place of {first}\n          reason: misread the date" in story
    assert "expired" not in story
    assert "          window 2 indicator: absent, blind: nothing there\n          grade heavy" in story


def test_names_that_steer_a_terminal_are_shown_harmless(here: Path) -> None:
    with Logbook.open("log.db") as book:
        id = add(book, here, 1, operator="A\x1b[31m", tank="T\n1")
    for result in (logbook("list"), logbook("show", id)):
        assert "\x1b" not in result.output
        assert result.exit_code == 0


# --- checking


def test_a_logbook_that_holds_says_so_and_how_far(ids: list[str]) -> None:
    result = logbook("verify")
    assert result.exit_code == 0
    assert result.stdout.splitlines() == [
        "log.db: all holds: 4 events, 3 readings, 3 photos",
        "checked without a seal: this whole logbook may have been written anew, or cut off at its end, by whoever "
        "had it; only a seal that somebody else kept can tell (--seal)",
    ]
    assert "photos not checked" in logbook("verify", "--no-photos").stdout


def test_the_first_bad_event_is_named(ids: list[str]) -> None:
    with closing(sqlite3.connect("log.db")) as connection:
        connection.execute("DROP TRIGGER linecall_no_update")
        connection.execute("UPDATE linecall_event SET body = replace(body, 'T2', 'T5') WHERE seq = 2")
        connection.commit()
    result = logbook("verify")
    assert result.exit_code == 1
    assert result.stderr == (
        "log.db: BAD: event 2: it has been changed: its hash is not that of its content\n"
    )


def test_a_seal_finds_a_cut_off_end(ids: list[str], here: Path) -> None:
    sealed = logbook("seal").stdout.strip()
    assert sealed.startswith("linecall-seal 4 ")
    Path("seals.txt").write_text(f"{sealed}\n\n")
    for given in (sealed, "seals.txt"):
        result = logbook("verify", "--seal", given)
        assert result.exit_code == 0
        assert "without a seal" not in result.stdout
    with closing(sqlite3.connect("log.db")) as connection:
        connection.execute("DROP TRIGGER linecall_no_delete")
        connection.execute("DELETE FROM linecall_event WHERE seq = 4")
        connection.commit()
    assert logbook("rebuild").stdout == "3 readings\n"
    assert logbook("verify").exit_code == 0
    result = logbook("verify", "--seal", "seals.txt")
    assert result.exit_code == 1
    assert "BAD: event 4 and what followed is missing: event 4 was sealed" in result.stderr


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ("none.txt", "neither a seal nor a file of seals"),
        ("linecall-seal 1", "is no seal"),
        ("empty.txt", "no seal"),
    ],
)
def test_a_seal_that_is_none_is_told(ids: list[str], given: str, message: str) -> None:
    Path("empty.txt").write_text("\n")
    result = logbook("verify", "--seal", given)
    assert result.exit_code == 2
    assert message in result.stderr


def test_an_export_is_checked_without_the_logbook(ids: list[str]) -> None:
    sealed = logbook("seal").stdout.strip()
    result = logbook("export", "--format", "zip", "-o", "x.zip", ids[0])
    assert result.stdout.splitlines() == [
        "written x.zip: 1 reading; send its seal by another way",
        "the original photos carry what the phone wrote into them, often position and serial number; "
        "--strip-metadata takes it out",
    ]
    Path("log.db").unlink()
    result = run("logbook", "verify", "x.zip", "--seal", sealed)
    assert result.exit_code == 0
    assert result.stdout == "x.zip: all holds: 4 events, 3 readings, 1 photo, 2 more not in this file\n"
    with zipfile.ZipFile("x.zip", "a") as archive:
        archive.writestr("../evil", b"x")
    result = run("logbook", "verify", "x.zip")
    assert result.exit_code == 2
    assert "x.zip: refused: '../evil' is no file that an export has" in result.stderr
    assert run("logbook", "verify", "x.zip", "--no-photos").exit_code == 2


# --- reading again


@pytest.fixture
def today(here: Path, monkeypatch: pytest.MonkeyPatch) -> Reader:
    """Today's reader, by which every plate is clear unless it is told otherwise."""
    leave_photos_unread(monkeypatch, read_plate())
    return put_in_place(Reader(read_plate()), monkeypatch)


def log_plates(*verdicts: Verdict, **said: Any) -> list[str]:
    with Logbook.open("log.db") as book:
        return [
            add_plate(book, Path(), verdict, number=number, **said)
            for number, verdict in enumerate(verdicts, start=1)
        ]


def test_a_logbook_that_reads_alike_is_said_to(today: Reader) -> None:
    log_plates(read_plate(), read_plate())
    result = logbook("reread")
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout == "2 readings: 2 as before; nothing was changed\n"


def test_grades_that_would_change_are_listed_with_why(today: Reader) -> None:
    clear, moderate = log_plates(read_plate(), read_plate(indicator_3="absent"), sample_point="sump")
    before = Path("log.db").read_bytes()
    result = logbook("reread")
    assert (result.exit_code, result.stderr) == (3, "")
    assert result.stdout.splitlines() == [
        "id        logged                 tank              point             then        today",
        f"{moderate}  2026-05-04 12:02+0200  north 2           sump              moderate    negligible",
        "  photo    plate-2.jpg, taken 2026-05-04 09:08:07+02:00",
        "  then     yeast above the lower cutoff",
        "  today    every window worked and none is above its cutoff",
        "  mark     indicator of window 3: absent, present today",
        "  then     height 0.1834 against a limit of blank of 0.0062",
        "  today    height 0.1834 against a limit of blank of 0.0062",
        "2 readings: 1 as before, 1 with another grade; nothing was changed",
    ]
    assert Path("log.db").read_bytes() == before
    assert clear not in result.stdout


def test_what_was_decided_differs_or_stood_in_is_listed_with_it(today: Reader) -> None:
    verdict = read_plate(indicator_3="doubtful", indicator_5="absent")
    assert verdict.rules is not None
    [id] = log_plates(verdict)
    with Logbook.open("log.db") as book:
        decide(book, id, [decision(call="absent")], policy=load_policy())
        book.correct(id, "drops-at", "2026-05-04T11:40:00+02:00", by="B", reason="left out", at=AT)
    today.verdict = read_plate(indicator_5="absent")
    lines = logbook("reread").stdout.splitlines()
    assert lines[-5:-1] == [
        "  decided  the indicator of window 3 is absent, by Vesna Rask",
        "           with what was decided: heavy then and today",
        "  note     the time of the drops was corrected since, to 2026-05-04T11:40:00+02:00; it was read as",
        "           stated first",
    ]
    today.verdict = read_plate()
    assert "           with what was decided: heavy then, moderate today" in logbook("reread").stdout


def test_settings_that_stood_in_are_named_and_counted(today: Reader) -> None:
    verdict = read_plate(indicator_3="absent")
    assert verdict.thresholds is not None
    other = verdict.thresholds.model_copy(update={"name": "strict", "sha256": "e5" * 32})
    log_plates(*[verdict.model_copy(update={"thresholds": other})] * 2)
    result = logbook("reread")
    said = "thresholds strict, revision 1 (SHA-256 e5e5e5e5e5e5) are not at hand, so it was read by thresholds standard"
    assert result.stdout.splitlines()[-1].startswith(f"2 of them: {said}")
    assert result.stdout.count("  settings thresholds strict, revision 1") == 2
    own = settings_path("thresholds", "standard").read_text().replace('"standard"', '"strict"')
    Path("strict.toml").write_text(own)
    assert "so it was read by thresholds strict, revision 1" in " ".join(
        logbook("reread", "--thresholds", "strict.toml").stdout.split()
    )
    result = logbook("reread", "--thresholds", "none.toml")
    assert (result.exit_code, "none.toml" in result.stderr) == (2, True)


def test_what_cannot_be_read_again_is_a_problem_and_the_worst_counts(today: Reader) -> None:
    gone, moderate = log_plates(read_plate(), read_plate(indicator_3="absent"))
    with Logbook.open("log.db") as book:
        digest = book.reading(gone).photos[0].sha256
    (Path("log.db.photos") / digest[:2] / digest).unlink()
    result = logbook("reread")
    assert result.exit_code == 4
    assert result.stderr == (
        f"{gone}: not read again: photo {digest} is missing from the logbook's photos; restore it from a backup\n"
    )
    assert result.stdout.splitlines()[-1] == (
        "2 readings: 1 with another grade, 1 not read again; nothing was changed"
    )
    assert logbook("reread", moderate).exit_code == 3
    today.verdict = ZeroDivisionError("division by zero")
    result = logbook("reread")
    assert result.exit_code == 70
    assert f"{moderate}: not read again: internal error" in result.stderr
    assert "Traceback" not in result.output


def test_readings_to_read_again_are_named_or_chosen(today: Reader) -> None:
    first, second = log_plates(read_plate(), read_plate())
    with Logbook.open("log.db") as book:
        third = add_plate(book, Path(), read_plate(), number=1, at=NOON + timedelta(hours=1))

    def ids(*arguments: str) -> list[str]:
        return [
            json.loads(line)["id"] for line in logbook("reread", "--json", *arguments).stdout.splitlines()
        ]

    assert ids() == [third, second]
    assert ids("--superseded") == [third, second, first]
    assert ids("--since", "2026-05-04T12:30:00+02:00") == [third]
    assert ids("--tank", "north 2", "--jobs", "2") == [second]
    assert ids(second.upper(), first, second) == [second, first]
    result = logbook("reread", "--tank", "none")
    assert (result.exit_code, result.stdout) == (0, "no readings to read again\n")
    assert logbook("reread", "zzzzzzzz").exit_code == 2
    result = logbook("reread", first, "--tank", "north 1")
    assert (result.exit_code, "not both" in result.stderr) == (2, True)


def test_rereadings_as_json_are_one_a_line_and_nothing_else(today: Reader) -> None:
    clear, moderate = log_plates(read_plate(), read_plate(indicator_3="absent"))
    result = logbook("reread", "--json")
    assert result.exit_code == 3
    changed, same = map(json.loads, result.stdout.splitlines())
    assert (same["id"], same["changes"], same["marks"]) == (clear, False, [])
    assert (changed["id"], changed["changes"], changed["at"]) == (moderate, True, "2026-05-04T12:02:00+02:00")
    assert (changed["first"]["grade"], changed["today"]["grade"]) == ("moderate", "negligible")
    assert changed["captured_at"] == "2026-05-04T09:08:07+02:00"
    [mark] = changed["marks"]
    assert (mark["window"], mark["mark"], mark["first"], mark["today"]) == (
        "3",
        "indicator",
        "absent",
        "present",
    )


def test_progress_is_counted_on_a_terminal_and_stays_out_of_the_table(
    today: Reader, monkeypatch: pytest.MonkeyPatch
) -> None:
    log_plates(read_plate(indicator_3="absent"), read_plate(indicator_3="absent"))
    plain = logbook("reread").stdout
    monkeypatch.setattr("cli.logbook.sys", SimpleNamespace(stderr=SimpleNamespace(isatty=lambda: True)))
    result = logbook("reread")
    assert result.stdout == plain
    assert "\r1 of 2 readings\r" in result.stderr
    assert result.stderr.endswith(" \r")


# --- handing on and correcting


def test_a_table_and_lines_go_to_standard_output_or_a_file(ids: list[str]) -> None:
    table = logbook("export", "--format", "csv").stdout_bytes.decode("utf-8-sig")
    rows = list(csv.DictReader(StringIO(table, newline="")))
    assert [row["id"] for row in rows] == ids[::-1]
    lines = logbook("export", "--format", "jsonl").stdout.splitlines()
    assert [json.loads(line)["kind"] for line in lines] == ["reading", "reading", "reading", "correction"]
    assert logbook("export", "--format", "jsonl", "-o", "log.jsonl").stdout == "written log.jsonl\n"
    assert Path("log.jsonl").read_text(encoding="utf-8").splitlines() == lines
    again = logbook("export", "--format", "jsonl", "-o", "log.jsonl")
    assert (again.exit_code, again.stderr) == (1, "log.jsonl: exists; write elsewhere or give --force\n")
    assert logbook("export", "--format", "jsonl", "-o", "log.jsonl", "--force").exit_code == 0


def test_an_export_that_fails_leaves_no_file(ids: list[str]) -> None:
    result = logbook("export", "--format", "zip", "-o", "x.zip", "zzzzzzzz")
    assert result.exit_code == 2
    assert not Path("x.zip").exists()
    assert not list(Path().glob(".linecall-*"))
    assert "name the zip" in logbook("export", "--format", "zip").stderr
    assert "only a zip is of some readings" in logbook("export", "--format", "csv", ids[0]).stderr


def test_a_correction_is_made_and_said(ids: list[str]) -> None:
    run("people", "add", "C", "-L", "log.db")
    options = ("--field", "plate-lot", "--value", "L-3", "--by", "C", "--reason", "left out")
    result = logbook("correct", ids[0], *options)
    assert result.stdout == f"{ids[0]}: plate lot: nothing becomes L-3; event 6\n"
    assert logbook("correct", ids[0], *options).exit_code == 2
    assert logbook("list", "--plate-lot", "L-3").stdout.splitlines()[1].startswith(ids[0])


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("show", "zzzzzzzz"), "log.db: there is no reading 'zzzzzzzz'; linecall logbook list shows them"),
        (
            ("correct", "zzzzzzzz", "--field", "tank", "--value", "x", "--by", "B", "--reason", "r"),
            'B is not known in log.db; to make another person known: linecall people add "B" --role technician '
            "--logbook log.db",
        ),
        (("list", "--since", "yesterday"), "'yesterday' is no day or time"),
        (("list", "--grade", "bad"), "'bad' is not one of"),
    ],
)
def test_what_cannot_be_is_told_in_one_line(ids: list[str], arguments: tuple[str, ...], message: str) -> None:
    result = logbook(*arguments)
    assert result.exit_code == 2
    assert message in result.stderr
    assert "Traceback" not in result.output


def test_a_logbook_must_be_named_and_there(here: Path) -> None:
    assert "name the logbook with --logbook PATH|URL" in run("logbook", "list").stderr
    result = logbook("list")
    assert (result.exit_code, result.stderr) == (2, "log.db: there is no logbook; check the path\n")
    assert not Path("log.db").exists()


def test_the_variable_names_the_logbook(ids: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LINECALL_LOGBOOK", "log.db")
    assert run("logbook", "list").stdout.splitlines()[1].startswith(ids[2])


def test_an_empty_logbook_lists_nothing(here: Path) -> None:
    Logbook.open("log.db").close()
    assert logbook("list").stdout == "no readings\n"


# --- reading into it


@pytest.fixture
def read(here: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Result]:
    """Runs `linecall read` on a photo that is read as a given verdict, by default one with an absent mark."""

    def reads(*arguments: str, verdict: Verdict | None = None) -> Result:
        def examine(path: Path, settings: object, **ages: object) -> SimpleNamespace:
            return SimpleNamespace(verdict=verdict or verdict_of(path), evidence=None)

        monkeypatch.setattr("reader.read.examine", examine)
        return run("read", *arguments)

    photo(here)
    return reads


def test_a_reading_is_kept_with_what_was_stated(read: Callable[..., Result], here: Path) -> None:
    result = read(
        "IMG_1.jpg", "--logbook", "log.db", "--operator", "A. Technician", "--tank", "T7", "--sample-point", "sump",
        "--sample-phase", "water", "--plate-lot", "L-1", "--plate-expiry", "2027-03", "--note", "cloudy",
        "--drops-at", "2026-05-04T08:45+02:00",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    with Logbook.open("log.db") as book:
        stored = book.reading(book.readings()[0].id)
        assert f"  logbook  reading {stored.id}\n" in result.stdout
        assert stored.statement.as_payload() == {
            "operator": "A. Technician", "tank": "T7", "sample_point": "sump", "sample_phase": "water",
            "plate_lot": "L-1", "plate_expiry": "2027-03", "note": "cloudy", "drops_at": "2026-05-04T08:45:00+02:00",
        }  # fmt: skip
        assert book.photo_bytes(stored.photos[0].sha256) == Path("IMG_1.jpg").read_bytes()
        assert stored.at.utcoffset() is not None
        assert book.verify().good


def logged(
    read: Callable[..., Result], *said: str, calls: tuple[Call, ...] = ("present", "absent")
) -> Result:
    verdict = verdict_of(Path("IMG_1.jpg"), calls)
    return read("IMG_1.jpg", "--force", "-L", "log.db", *said, verdict=verdict)


def standing() -> list[tuple[str | None, str]]:
    with Logbook.open("log.db") as book:
        return [(row.tank, row.operator) for row in book.readings(standing=True)][::-1]


def test_a_photo_logged_under_another_tank_retires_nothing_and_says_so(read: Callable[..., Result]) -> None:
    who = ("--operator", "A. Lind")
    logged(read, *who, "--tank", "North", calls=("present", "doubtful"))
    result = logged(read, *who, "--tank", "South")
    assert standing() == [("North", "A. Lind"), ("South", "A. Lind")]
    told = " ".join(result.stdout.split())
    assert (
        "of the same photo (tank North, by A. Lind, undecided), which stands and waits for a reviewer" in told
    )
    assert "1 reading waits" in run("review", "list", "-L", "log.db").stdout
    quiet = logged(read, *who, "--tank", "East", "--quiet")
    assert quiet.stdout == ""
    assert quiet.stderr.count("IMG_1.jpg: beside reading ") == 2


@pytest.mark.parametrize(
    "other", [("--tank", "South"), ("--sample-point", "drain"), ("--operator", "B. Moreau"),
              ("--plate-lot", "L-2"), ("--plate-expiry", "2028-01"), ("--sample-phase", "fuel")],
)  # fmt: skip
def test_only_a_reading_of_the_same_matter_takes_a_place_unasked(
    read: Callable[..., Result], other: tuple[str, str]
) -> None:
    said = {"--tank": "North", "--sample-point": "sump", "--operator": "A. Lind", "--plate-lot": "L-1",
            "--plate-expiry": "2027-03", "--sample-phase": "water"}  # fmt: skip
    first = [word for pair in said.items() for word in pair]
    logged(read, *first)
    run("people", "add", "B. Moreau", "-L", "log.db")
    logged(read, *[word for pair in (said | dict([other])).items() for word in pair])
    assert len(standing()) == 2
    logged(read, *first)
    assert len(standing()) == 2
    logged(read, *first[:-2])  # what was said before is left out
    assert len(standing()) == 3


def test_a_place_is_taken_for_a_reason_and_what_no_longer_waits_is_said(read: Callable[..., Result]) -> None:
    logged(read, "--operator", "A. Lind", "--tank", "North", calls=("present", "doubtful"))
    with Logbook.open("log.db") as book:
        [first] = [row.id for row in book.readings()]
    south = ("--operator", "A. Lind", "--tank", "South")
    for wrong, message in (
        (("--replaces", first), "--replaces ID and --reason TEXT go together"),
        (("--reason", "wrong tank"), "--replaces ID and --reason TEXT go together"),
        (("--replaces", "zzzzzzzz", "--reason", "wrong tank"), "there is no reading 'zzzzzzzz'"),
    ):
        result = logged(read, *south, *wrong)
        assert (result.exit_code, standing()) == (2, [("North", "A. Lind")])
        assert message in result.stderr
    result = logged(read, *south, "--replaces", first, "--reason", "wrong tank typed")
    assert standing() == [("South", "A. Lind")]
    assert f"in place of reading {first}, which no longer waits for a reviewer" in result.stdout
    assert (
        "reason: wrong tank typed" in logbook("show", result.stdout.split("logbook  reading ")[1][:8]).stdout
    )
    assert "superseded by" in logbook("show", first).stdout
    assert logbook("verify").exit_code == 0


def test_what_a_reviewer_decided_is_not_replaced(read: Callable[..., Result]) -> None:
    logged(read, "--operator", "A. Lind", "--tank", "North")
    with Logbook.open("log.db") as book:
        [first] = [row.id for row in book.readings()]
        book.append("review", {"waiting": False}, by="B. Moreau", reading=first, at=AT)
    result = logged(read, "--operator", "A. Lind", "--replaces", first, "--reason", "clearer")
    assert result.exit_code == 1
    assert "has been reviewed, and what readers decided stands" in result.stderr
    assert standing() == [("North", "A. Lind")]


def test_variables_stand_for_logbook_and_operator(
    read: Callable[..., Result], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LINECALL_OPERATOR", "A. Technician")
    assert read("IMG_1.jpg").exit_code == 0
    assert not Path("log.db").exists()
    monkeypatch.setenv("LINECALL_LOGBOOK", "log.db")
    assert read("IMG_1.jpg").exit_code == 0
    with Logbook.open("log.db") as book:
        assert book.readings()[0].operator == "A. Technician"


def test_a_refused_photo_is_kept_too_and_one_that_is_not_there_is_not(
    read: Callable[..., Result], here: Path
) -> None:
    refused = refused_verdict()
    digest = verdict_of(photo(here)).photo.sha256
    record = refused.photo.model_copy(update={"sha256": digest})
    options = ("--logbook", "log.db", "--operator", "A")
    assert read("IMG_1.jpg", *options, verdict=refused.model_copy(update={"photo": record})).exit_code == 4
    assert read("none.jpg", *options).exit_code == 2
    with Logbook.open("log.db") as book:
        assert [(row.status, row.rank) for row in book.readings()] == [("refused", None)]
    assert "  refused  " in logbook("list").stdout.replace("\n", "  ")


def test_what_is_wrong_with_a_statement_is_told_before_anything_is_read(read: Callable[..., Result]) -> None:
    assert (
        "say who reads, for the logbook: --operator NAME" in read("IMG_1.jpg", "--logbook", "log.db").stderr
    )
    assert "plate expiry is 'soon', expected" in read("IMG_1.jpg", "--plate-expiry", "soon").stderr
    result = read("IMG_1.jpg", "--logbook", "log.db", "--operator", "A", "--plate-expiry", "soon")
    assert "plate expiry is 'soon', expected a date or a month" in result.stderr
    result = read("IMG_1.jpg", "--logbook", "none/log.db", "--operator", "A")
    assert "there is no folder" in result.stderr
    assert result.exit_code == 2
    assert not list(Path().glob("*.verdict.json"))


@pytest.mark.posix
def test_a_reading_that_could_not_be_kept_is_a_problem_and_its_results_are_written(
    read: Callable[..., Result], monkeypatch: pytest.MonkeyPatch
) -> None:
    Logbook.open("log.db").close()
    monkeypatch.setattr("reader.logbook.store.TIMEOUT_S", 0.1)
    opening: Any = Logbook.open
    monkeypatch.setattr(
        opening.__func__, "__kwdefaults__", opening.__func__.__kwdefaults__ | {"timeout_s": 0.1}
    )
    with closing(sqlite3.connect("log.db", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        result = read("IMG_1.jpg", "--logbook", "log.db", "--operator", "A")
    assert result.exit_code == 1
    assert (
        "IMG_1.jpg: not in the logbook: log.db: another program has kept the logbook locked" in result.stderr
    )
    assert Path("IMG_1.verdict.json").exists()
    with Logbook.open("log.db") as book:
        assert book.head()[0] == 0


def test_a_photo_exchanged_while_it_was_read_is_not_kept_as_the_one_read(
    read: Callable[..., Result], here: Path
) -> None:
    verdict = verdict_of(photo(here))
    Path("IMG_1.jpg").write_bytes(b"another")
    result = read("IMG_1.jpg", "--logbook", "log.db", "--operator", "A", verdict=verdict)
    assert result.exit_code == 1
    assert "is not the photo that was read: it has changed since; read it again" in result.stderr


@pytest.fixture
def locked(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """A logbook in a folder that may only be looked into; the superuser, whom nothing stops, steps down."""
    superuser = os.geteuid() == 0
    with tempfile.TemporaryDirectory() as name:
        monkeypatch.chdir(name)
        folder = Path(name)
        with Logbook.open("log.db") as book:
            id = add(book, folder)
        for path in (*folder.rglob("*"), folder):
            path.chmod(0o555 if path.is_dir() else 0o444)
        if superuser:
            os.seteuid(65534)  # nobody, by long custom
        try:
            yield id
        finally:
            if superuser:
                os.seteuid(0)
            for path in (folder, *folder.rglob("*")):
                path.chmod(0o755)


@pytest.mark.posix
def test_a_logbook_that_may_only_be_looked_at_is_shown_and_not_written(locked: str) -> None:
    before = sorted(path.name for path in Path().iterdir())
    assert logbook("list").stdout.splitlines()[1].startswith(locked)
    assert "all holds" in logbook("verify").stdout
    assert logbook("reread").exit_code == 3  # its photo is none
    result = logbook("correct", locked, "--field", "tank", "--value", "x", "--by", "B", "--reason", "r")
    assert result.exit_code == 1
    assert result.stderr.startswith("log.db: the logbook can only be read here")
    assert sorted(path.name for path in Path().iterdir()) == before


def test_nothing_of_a_logbook_is_loaded_without_one(here: Path, root: Path) -> None:
    from tests.test_imports import loaded_by

    loaded = loaded_by("logbook", "--help", cwd=here)
    assert not {"sqlalchemy", "fsspec", "rfc8785", "reader.logbook"} & loaded


def test_numbers_names_and_faults_are_said_in_plain_english(here: Path) -> None:
    with Logbook.open("log.db") as book:
        add(book, here)
    assert "log.db: all holds: 1 event, 1 reading, 1 photo" in logbook("verify").stdout
    assert logbook("rebuild").stdout == "1 reading\n"
    assert "1 reading;" in logbook("export", "--format", "zip", "-o", "all.zip").stdout
    asked = run("review", "sheet", "nosuch", "-L", "log.db")
    assert "there is no reading 'nosuch'" in asked.stderr
    with closing(sqlite3.connect("log.db")) as connection:
        connection.execute("DROP TRIGGER linecall_no_update")
        connection.execute("UPDATE linecall_event SET hash = replace(hash, 'a', 'b')")
        connection.commit()
    bad = logbook("verify").stderr
    assert bad.startswith("log.db: BAD: event 1: ")
    assert bad.count("event 1") == 1


def test_a_refusal_takes_no_verdicts_place(read: Callable[..., Result]) -> None:
    """A grade that says hold, and one that waits, stand beside whatever could not be read."""
    logged(read, "--operator", "A. Lind", "--tank", "North", calls=("present", "doubtful"))
    with Logbook.open("log.db") as book:
        [first] = [row.id for row in book.readings()]
    whole = refused_verdict(photo_name="IMG_1.jpg")
    digest = hashlib.sha256(Path("IMG_1.jpg").read_bytes()).hexdigest()
    none = whole.model_copy(update={"photo": whole.photo.model_copy(update={"sha256": digest})})
    said = ("IMG_1.jpg", "--out", "again", "-L", "log.db", "--operator", "A. Lind", "--tank", "North")
    beside = read(*said, verdict=none)
    assert beside.exit_code == 4
    assert f"beside reading {first}" in beside.stderr
    assert first in run("review", "list", "-L", "log.db").stdout
    forced = read(*said, "--replaces", first, "--reason", "blurred", verdict=none)
    assert forced.exit_code == 1
    assert f"a refused photo takes no reading's place; {first} stands" in forced.stderr


def test_a_name_is_written_as_it_is_known_whatever_was_typed(read: Callable[..., Result]) -> None:
    logged(read, "--operator", "A. Lind", "--tank", "North")
    logged(read, "--operator", "a.  LIND", "--tank", "North")
    assert standing() == [("North", "A. Lind")]  # in place of the first: the same person


def test_correcting_what_a_grade_rests_on_says_that_the_grade_stands(read: Callable[..., Result]) -> None:
    logged(read, "--operator", "A. Lind", "--tank", "North", "--plate-expiry", "2027-03")
    with Logbook.open("log.db") as book:
        [id] = [row.id for row in book.readings()]
    who = ("--by", "A. Lind", "--reason", "misread", "-L", "log.db")
    told = run("logbook", "correct", id, "--field", "plate-expiry", "--value", "2025-01", *who)
    assert told.exit_code == 0
    assert f"the grade of {id} stands as it was read; read the photo again" in told.stderr
    assert run("logbook", "correct", id, "--field", "tank", "--value", "South", *who).stderr == ""


@pytest.mark.parametrize("path", ["9" * 3000, "\udcff", "."])
def test_a_path_that_no_file_can_have_is_one_line(path: str) -> None:
    for command in (("logbook", "list", "-L", path), ("library", "list", "-l", path)):
        done = run(*command)
        assert done.exit_code in {1, 2}, done.output
        assert len(done.stderr.splitlines()) <= 4


@pytest.mark.posix
def test_an_export_is_its_owners_alone_like_the_logbook(ids: list[str]) -> None:
    before = os.umask(0o022)
    try:
        for kind, name in (("zip", "x.zip"), ("csv", "x.csv")):
            assert logbook("export", "--format", kind, "-o", name).exit_code == 0
            assert Path(name).stat().st_mode & 0o077 == 0
    finally:
        os.umask(before)
