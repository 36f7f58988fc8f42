"""`linecall people`, and that nobody decides on a reading of their own, however they or others write their names."""

import hashlib
import os
import subprocess
import sys
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from cli.main import main
from cli.options import WRONG_USAGE
from reader.logbook import Logbook, Statement
from reader.verdict.model import Verdict
from tests.reader.review.books import leave_photos_unread
from tests.reader.review.samples import NOON, read_plate

DOUBT = read_plate(indicator_3="doubtful")
CALL = ("--window", "3", "--mark", "indicator", "--call", "present", "--reason", "an even line")

# How somebody called A. Lind may write their name so that a comparison of letters takes it for another's.
VARIANTS = (
    "A. Li\u200bnd", "A. Li\u00adnd", "A. Li\u2060nd", "A. Li\u034fnd", "A. Lind\u3164",  # hidden
    "\ufeffA. Lind", "A.\u200d Lind", "A. Lind\u200e", "\u202dA. Lind", "A. Li\ufe0fnd", "A. Lind\uffa0",
    "\u0410. Lind", "A. L\u0456nd", "A. Lin\u0501", "\u0391. Lind",  # Cyrillic, Greek
    "A. L\u0131nd", "A. L1nd", "A. Llnd", "A. l\u00ednd", "\uff21. \uff2c\uff49\uff4e\uff44", "A. \U0001d40bind",
    "Lind", "A.Lind", "Lind, A.", "a lind", "A. LIND", "A.\u00a0Lind", "A  Lind .",
)  # fmt: skip


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of its own, a logbook begun by A. Lind, and photos that nobody looks into."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.setenv("LINECALL_LOGBOOK", "log.db")
    monkeypatch.delenv("LINECALL_OPERATOR", raising=False)
    leave_photos_unread(monkeypatch, DOUBT)
    Logbook.open("log.db").close()
    people("add", "A. Lind", "--role", "technician", "--role", "reviewer")
    return tmp_path


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, list(arguments))


def people(*arguments: str) -> Result:
    done = run("people", *arguments)
    assert "Traceback" not in done.output
    return done


def head() -> tuple[int, str]:
    with Logbook.open("log.db") as book:
        return book.head()


def log(name: str, *, operator: str, verdict: Verdict = DOUBT, bytes_: bytes = b"photo", **said: Any) -> str:
    """Log a reading as `linecall read` would, by a name as it is known."""
    photo = Path(name)
    photo.write_bytes(bytes_)
    record = verdict.photo.model_copy(update={"sha256": hashlib.sha256(bytes_).hexdigest(), "name": name})
    with Logbook.open("log.db") as book:
        at = said.pop("at", NOON)
        return book.add_reading(
            verdict.model_copy(update={"photo": record}),
            [photo],
            Statement.of(operator=operator, **said),
            at=at,
        )


def moved(verdict: Verdict, *, taken: timedelta, heights: float = 0.0) -> Verdict:
    """Of another photo: taken at another time, with other heights."""
    assert verdict.photo.captured_at is not None
    photo = verdict.photo.model_copy(update={"captured_at": verdict.photo.captured_at + taken})
    windows = []
    for window in verdict.windows:
        mark = window.indicator
        assert mark.height is not None
        windows.append(
            window.model_copy(update={"indicator": mark.model_copy(update={"height": mark.height + heights})})
        )
    return verdict.model_copy(update={"photo": photo, "windows": tuple(windows)})


def refused(done: Result, *said: str) -> None:
    assert done.exit_code == WRONG_USAGE, done.output
    assert "Traceback" not in done.output
    for words in said:
        assert words in " ".join(done.output.split())


def decide(reading: str, by: str, *more: str) -> Result:
    return run("review", "decide", reading, *CALL, "--by", by, *more)


# --- who is known ------------------------------------------------------------------------------------------


def test_people_are_added_listed_and_retired() -> None:
    assert (
        people("add", "B. Moreau", "--role", "reviewer", "--by", "A. Lind").output == "B. Moreau   reviewer\n"
    )
    rows = [line.split("  ") for line in people("list").output.splitlines()]
    assert [row[0] for row in rows] == ["name", "A. Lind", "B. Moreau"]
    assert people("retire", "B. Moreau", "--by", "A. Lind", "--reason", "left in May").exit_code == 0
    assert "retired 2" in people("list").output.splitlines()[2]
    refused(decide(log("a.jpg", operator="A. Lind"), "B. Moreau"), "B. Moreau has retired", "people add")
    assert people("add", "B. Moreau", "--role", "grader").output == "B. Moreau   grader, reviewer\n"
    assert "retired" not in people("list").output
    assert run("logbook", "verify").exit_code == 0


def test_an_addition_that_says_nothing_new_is_refused() -> None:
    before = head()
    refused(
        people("add", "lind, a", "--role", "reviewer"),
        "A. Lind is known in log.db already, as reviewer and tech",
    )
    assert head() == before


@pytest.mark.parametrize("name", ["Lind", "Anna Lind", "ALind", "A. Lind jr", "A. Lindt"])
def test_a_name_like_a_known_one_is_another_persons_only_if_that_is_said(name: str) -> None:
    refused(
        people("add", name, "--role", "reviewer"), "may be A. Lind, who is known", '--apart-from "A. Lind"'
    )
    assert people("add", name, "--role", "reviewer", "--apart-from", "A. Lind").exit_code == 0
    with Logbook.open("log.db") as book:
        assert book.site_events("person")[-1].payload["apart_from"] == ["A. Lind"]


def test_a_name_of_two_alphabets_or_with_hidden_characters_makes_nobody_known() -> None:
    before = head()
    refused(people("add", "\u0411. Lind"), "mixes letters of Cyrillic and Latin")
    refused(people("add", "B. Mor\u200beau"), "the hidden character U+200B (ZERO WIDTH SPACE)")
    assert head() == before


def test_who_reads_must_be_known(monkeypatch: pytest.MonkeyPatch) -> None:
    before = head()
    photo = Path("x.jpg")
    photo.write_bytes(b"photo")
    done = run("read", "x.jpg", "--operator", "B. Moreau")
    refused(done, "B. Moreau is not known in log.db", 'linecall people add "B. Moreau" --role technician')
    done = run("read", "x.jpg", "--operator", "Lind")
    refused(done, "Lind is not known in log.db, but A. Lind is: give the whole name")
    assert head() == before
    assert not list(Path().glob("x.verdict.json"))


def test_who_begins_a_logbook_is_known_in_it_by_the_name_they_gave(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("reader.read.examine", lambda *_, **__: _reading_of("x.jpg"))
    Path("x.jpg").write_bytes(b"photo")
    assert run("read", "x.jpg", "-L", "new.db", "--operator", "C. Ruiz").exit_code == 3
    assert "C. Ruiz  technician" in run("people", "list", "-L", "new.db").output
    refused(run("read", "x.jpg", "-L", "newer.db", "--operator", "C. Ru\u00adiz"), "hidden character U+00AD")


def _reading_of(name: str) -> Any:
    from reader.verdict.evidence import Reading

    digest = hashlib.sha256(Path(name).read_bytes()).hexdigest()
    photo = DOUBT.photo.model_copy(update={"sha256": digest, "name": name})
    return Reading(verdict=DOUBT.model_copy(update={"photo": photo}), evidence=None)


def on_a_terminal(answers: str, *arguments: str) -> tuple[int, str]:
    """Run the command with a terminal for its three streams, and type the answers."""
    import pty

    ours, theirs = pty.openpty()
    root = Path(__file__).parents[2]
    script = "from cli.main import main; main()"
    started = subprocess.Popen(
        [sys.executable, "-c", script, *arguments],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        env=os.environ | {"PYTHONPATH": str(root)},
        close_fds=True,
    )
    os.close(theirs)
    os.write(ours, answers.encode())
    shown = b""
    try:
        while piece := os.read(ours, 1000):
            shown += piece
    except OSError:  # Linux: the other end is closed
        pass
    os.close(ours)
    return started.wait(timeout=60), shown.decode()


@pytest.mark.posix
def test_on_a_terminal_a_name_that_is_not_known_is_asked_about() -> None:
    reading = log("a.jpg", operator="A. Lind")
    status, shown = on_a_terminal("n\n", "review", "decide", reading, *CALL, "--by", "B. Moreau")
    assert (status, "Make B. Moreau known, as reviewer?" in shown) == (WRONG_USAGE, True)
    assert "B. Moreau" not in people("list").output
    status, shown = on_a_terminal("y\n", "review", "decide", reading, *CALL, "--by", "Lind")
    assert "Is it A. Lind?" in shown
    assert "A. Lind had a hand in reading this plate" in " ".join(shown.split())
    on_a_terminal("y\n", "logbook", "correct", reading, "--field", "tank", "--value", "T1", "--by", "C. Ruiz",
                  "--reason", "read wrongly")  # fmt: skip
    assert "C. Ruiz  technician" in people("list").output


# --- nobody decides on a reading of their own --------------------------------------------------------------


@pytest.mark.parametrize("name", VARIANTS, ids=ascii)
def test_no_way_to_write_a_name_makes_it_another_persons(name: str) -> None:
    reading = log("a.jpg", operator="A. Lind")
    people("add", name, "--role", "reviewer")
    before = head()
    refused(decide(reading, name))
    refused(decide(reading, name, "--blind"))
    refused(run("review", "close", reading, "--by", name, "--reason", "seen"))
    assert head() == before


def test_a_decision_is_kept_in_the_spelling_that_is_known() -> None:
    reading = log("a.jpg", operator="C. Ruiz")
    assert decide(reading, "LIND a.").exit_code == 0
    assert "review by A. Lind" in run("logbook", "show", reading).output


def test_a_file_read_anew_by_somebody_else_is_still_its_first_readers() -> None:
    log("a.jpg", operator="A. Lind")
    again = log("b.jpg", operator="C. Ruiz", verdict=moved(DOUBT, taken=timedelta(0), heights=0.2))
    refused(decide(again, "A. Lind"), "A. Lind had a hand in reading this plate", "nobody reviews their own")


def test_a_picture_saved_otherwise_is_still_its_first_readers() -> None:
    log("a.jpg", operator="A. Lind")
    again = log("b.jpg", operator="C. Ruiz", bytes_=b"the same, compressed", at=NOON + timedelta(days=2))
    refused(decide(again, "A. Lind"), "had a hand in reading this plate")


def test_another_photo_of_the_plate_is_still_its_first_readers() -> None:
    said: dict[str, Any] = {"tank": "north", "sample_point": "sump", "drops_at": NOON}
    log("a.jpg", operator="A. Lind", **said)
    other = moved(DOUBT, taken=timedelta(minutes=2), heights=0.1)
    again = log("b.jpg", operator="C. Ruiz", verdict=other, bytes_=b"another photo", **said)
    refused(decide(again, "A. Lind"), "had a hand in reading this plate")


def test_another_plate_is_not() -> None:
    log("a.jpg", operator="A. Lind", tank="north", sample_point="sump", drops_at=NOON)
    other = moved(DOUBT, taken=timedelta(hours=2), heights=0.1)
    new = log("b.jpg", operator="C. Ruiz", verdict=other, bytes_=b"a new plate", tank="north", sample_point="sump",
              drops_at=NOON + timedelta(hours=2))  # fmt: skip
    assert decide(new, "A. Lind").exit_code == 0


def test_a_surname_from_before_is_that_of_whoever_it_may_be() -> None:
    reading = log("a.jpg", operator="Lind")
    refused(decide(reading, "A. Lind"), "had a hand in reading this plate")


def test_everybody_who_was_ever_named_as_the_operator_had_a_hand_in_it() -> None:
    people("add", "C. Ruiz", "--role", "reviewer")
    people("add", "D. Holt", "--role", "reviewer")
    reading = log("a.jpg", operator="A. Lind")
    for name in ("C. Ruiz", "D. Holt"):
        correction = ("--field", "operator", "--value", name, "--by", "A. Lind", "--reason", "it was them")
        assert run("logbook", "correct", reading, *correction).exit_code == 0
    for name in ("A. Lind", "C. Ruiz", "D. Holt"):
        refused(decide(reading, name), "had a hand in reading this plate")


def test_a_policy_names_roles_and_others_do_not_decide() -> None:
    people("add", "B. Moreau", "--role", "technician")
    reading = log("a.jpg", operator="A. Lind")
    refused(
        decide(reading, "B. Moreau"),
        "B. Moreau is known as technician, and by policy standard a reviewer decides",
    )
    people("add", "B. Moreau", "--role", "reviewer")
    assert decide(reading, "B. Moreau").exit_code == 0


def test_a_site_with_one_reviewer_is_told_its_way_out() -> None:
    reading = log("a.jpg", operator="A. Lind")
    refused(decide(reading, "A. Lind"), "no other reviewer is known in log.db: the way out is a new plate")
    people("add", "B. Moreau", "--role", "reviewer")
    refused(decide(reading, "A. Lind"), "B. Moreau may decide")


def test_who_saw_the_calls_of_a_plate_reads_no_other_reading_of_it_blind() -> None:
    people("add", "B. Moreau", "--role", "reviewer")
    first = log("a.jpg", operator="C. Ruiz")
    assert decide(first, "B. Moreau").exit_code == 0
    again = log("b.jpg", operator="C. Ruiz", bytes_=b"the same, compressed")
    refused(decide(again, "B. Moreau", "--blind"), "has decided on this plate with its calls in view")


def test_a_logbook_with_names_from_before_stays_readable_and_its_chain_whole() -> None:
    Path("log.db").unlink()
    with Logbook.open("log.db") as book:
        photo = Path("old.jpg")
        photo.write_bytes(b"photo")
        digest = hashlib.sha256(b"photo").hexdigest()
        verdict = DOUBT.model_copy(
            update={"photo": DOUBT.photo.model_copy(update={"sha256": digest, "name": "old.jpg"})}
        )
        said = Statement.of(operator="A. Li\u200bnd <night>", tank="north")
        reading = book.add_reading(verdict, [photo], said, at=NOON)
        book.append(
            "review", {"closed": True, "reason": "seen", "waiting": False}, by="B", reading=reading, at=NOON
        )
    assert "2 events" in run("logbook", "verify").output
    assert reading in run("logbook", "list").output
    assert "reading by A." in run("logbook", "show", reading).output
    assert people("list").output.startswith("nobody is known")
    people("add", "A. Lind", "--role", "reviewer")
    people("add", "B. Moreau", "--role", "reviewer")
    refused(decide(reading, "A. Lind"), "A. Lind had a hand in reading this plate", "B. Moreau may decide")
    assert decide(reading, "B. Moreau").exit_code == 0
    assert "6 events" in run("logbook", "verify").output
