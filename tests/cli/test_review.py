"""`linecall review`: what is printed, what is kept and written, and what a blind reader never sees."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli.main import main
from cli.options import FAILED, WRONG_USAGE
from reader.logbook import Logbook
from reader.settings.values import settings_path
from reader.verdict.model import load_verdict
from tests.reader.review.books import add, leave_photos_unread
from tests.reader.review.samples import read_plate

DOUBT = read_plate(indicator_3="doubtful")
MODERATE = read_plate(indicator_3="absent")
DECISION = ("--window", "3", "--mark", "indicator", "--call", "present")
WHO = ("--by", "Vesna Rask", "--reason", "an even line")


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of its own, and photos that nobody looks into."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.setenv("LINECALL_LOGBOOK", "log.db")
    leave_photos_unread(monkeypatch, DOUBT)
    return tmp_path


@pytest.fixture
def doubt(here: Path) -> str:
    """Id of a logged reading whose grade turns on the indicator of window 3."""
    with Logbook.open("log.db") as book:
        return add(book, here, DOUBT, tank="north", sample_point="sump")


@pytest.fixture
def moderate(here: Path) -> str:
    """Id of a logged reading that is moderate by the indicator of window 3."""
    with Logbook.open("log.db") as book:
        return add(book, here, MODERATE, number=2, tank="south")


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["review", *arguments])


def head() -> tuple[int, str]:
    with Logbook.open("log.db") as book:
        return book.head()


# --- list ------------------------------------------------------------------------------------------------


def test_an_empty_queue_says_so(moderate: str) -> None:
    result = run("list")
    assert (result.exit_code, result.stdout) == (0, "nothing waits\n")


def test_list_says_how_many_wait_since_when_which_and_why(doubt: str, moderate: str) -> None:
    result = run("list")
    assert result.exit_code == 0
    first, heading, row = result.stdout.splitlines()
    assert first.startswith("1 reading waits, the oldest since 2026-05-04 ")
    assert heading.split() == ["id", "logged", "tank", "sample", "point", "may", "be", "read", "why"]
    assert row.split() == [
        doubt, "2026-05-04", "12:01", "north", "sump", "-",
        "1", "doubtful", "mark,", "and", "the", "grade", "turns", "on", "it",
    ]  # fmt: skip


def test_list_filters_and_pages(here: Path) -> None:
    with Logbook.open("log.db") as book:
        ids = [add(book, here, DOUBT, number=n, tank="A" if n < 4 else "B") for n in range(1, 6)]
    result = run("list", "--tank", "A", "--limit", "2", "--page", "2")
    lines = result.stdout.splitlines()
    assert lines[0].startswith("3 readings wait")
    assert [line.split()[0] for line in lines[2:]] == [ids[2], "page"]
    assert lines[-1] == "page 2 of 2"
    assert run("list", "--analyte", DOUBT.windows[2].analyte).stdout.startswith("5 readings wait")
    assert (
        run("list", "--analyte", "rust").stdout == run("list", "--grade", "heavy").stdout == "nothing waits\n"
    )
    assert run("list", "--since", "2026-05-05T00:00+02:00").stdout == "nothing waits\n"
    assert run("list", "--since", "2026-05-04T12:03+02:00").stdout.startswith("3 readings wait")
    bad = run("list", "--since", "yesterday")
    assert bad.exit_code == WRONG_USAGE
    assert "'yesterday' is no" in bad.stderr


def test_list_as_json_has_an_object_a_line(doubt: str) -> None:
    [line] = run("list", "--json").stdout.splitlines()
    told = json.loads(line)
    assert (told["id"], told["grade"], told["doubtful"]) == (doubt, "undecided", 1)
    assert told["in_doubt"] == [DOUBT.windows[2].analyte]


@pytest.mark.parametrize("options", [(), ("--json",)])
def test_a_blind_list_tells_no_call(doubt: str, options: tuple[str, ...]) -> None:
    result = run("list", "--blind", *options)
    assert doubt in result.stdout
    for word in ("doubt", "grade", "undecided", "margin", DOUBT.windows[2].analyte, "turns"):
        assert word not in result.stdout
    assert run("list", "--blind", "--grade", "heavy").exit_code == WRONG_USAGE


def test_what_is_typed_into_the_logbook_cannot_steer_the_terminal(here: Path) -> None:
    with Logbook.open("log.db") as book:
        add(book, here, DOUBT, tank="\x1b[2Jnorth")
    assert "\x1b" not in run("list").stdout


def test_a_plate_that_may_still_be_read_is_listed_with_the_time(here: Path) -> None:
    now = datetime.now(UTC).replace(microsecond=0)
    assert DOUBT.reading_age is not None
    age = DOUBT.reading_age.model_copy(update={"source": "drops_at", "drops_at": now - timedelta(minutes=20)})
    with Logbook.open("log.db") as book:
        add(book, here, DOUBT.model_copy(update={"reading_age": age}), at=now)
    assert f"until {now + timedelta(minutes=10):%H:%M}" in run("list").stdout


# --- decide ----------------------------------------------------------------------------------------------


def test_a_decision_gives_the_new_grade_beside_the_first_and_what_comes_next(doubt: str) -> None:
    result = run("decide", doubt, *DECISION[:4], "--call", "absent", *WHO)
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert lines[0] == f"{doubt}   MODERATE   at first undecided, negligible or moderate"
    assert "the indicator of window 3 is absent, by Vesna Rask; linecall: doubtful" in result.stdout
    assert "it waits no longer" in result.stdout
    assert lines[-2:] == [
        f"  written  {doubt}-review-1.verdict.json",
        f"           {doubt}-review-1.annotated.jpg",
    ]


def test_the_verdict_that_is_written_is_the_one_in_the_logbook(doubt: str) -> None:
    run("decide", doubt, *DECISION, *WHO, "--out", "out")
    with Logbook.open("log.db") as book:
        assert load_verdict(Path(f"out/{doubt}-review-1.verdict.json")) == book.reading(doubt).current
    assert Path(f"out/{doubt}-review-1.annotated.jpg").read_bytes().startswith(b"\xff\xd8")


@pytest.mark.parametrize("suffix", [".toml", ".json"])
def test_several_marks_are_decided_at_once_from_a_file(here: Path, suffix: str) -> None:
    with Logbook.open("log.db") as book:
        reading = add(book, here, read_plate(indicator_3="doubtful", indicator_5="doubtful"))
    marks = [
        {"window": "3", "mark": "indicator", "call": "absent"},
        {"window": "5", "mark": "indicator", "call": "absent", "reason": "nothing at all"},
    ]
    if suffix == ".json":
        text = json.dumps({"by": "Vesna Rask", "decision": marks})
    else:
        tables = ["\n".join(f"{key} = {json.dumps(value)}" for key, value in mark.items()) for mark in marks]
        text = 'by = "Vesna Rask"\n' + "".join(f"[[decision]]\n{table}\n" for table in tables)
    Path("d" + suffix).write_text(text, encoding="utf-8")
    result = run("decide", reading, "--from", "d" + suffix, "--reason", "seen")
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith(f"{reading}   HEAVY")
    with Logbook.open("log.db") as book:
        [event] = book.reading(reading).reviews
    assert [made["reason"] for made in event.payload["decisions"]] == ["seen", "nothing at all"]


def test_a_blind_reader_is_told_what_is_missing_and_neither_grade_nor_other_calls(moderate: str) -> None:
    first = run("decide", moderate, *DECISION, *WHO, "--blind")
    assert first.exit_code == 0, first.output
    assert first.stdout.splitlines() == [
        f"{moderate}   kept, blind",
        "  yours    the indicator of window 3: 1 of 2 blind readers",
    ]
    assert not list(Path().glob("*review*"))
    assert "the indicator of window 3: 1 of 2 blind readers" in run("list").stdout
    second = run("decide", moderate, *DECISION, "--by", "Oren Lade", "--reason", "a line", "--blind")
    assert second.stdout.splitlines()[1] == "  yours    the indicator of window 3: settled"
    assert run("list").stdout == "nothing waits\n"
    assert run("draw", moderate).exit_code == 0
    assert load_verdict(Path(f"{moderate}-review-2.verdict.json")).grade == "negligible"


def test_a_policy_may_come_from_a_file_or_the_environment(
    doubt: str, here: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = settings_path("policy", "standard").read_text(encoding="utf-8")
    strict = text.replace('policy = "standard"', 'policy = "two eyes"').replace(
        "number = 1\nblind = false\n\n[readers.towards_release]",
        "number = 2\nblind = true\n\n[readers.towards_release]",
    )
    assert strict.count("number = 2") == 3
    Path("strict.toml").write_text(strict, encoding="utf-8")
    monkeypatch.setenv("LINECALL_POLICY", "strict.toml")
    result = run("decide", doubt, *DECISION, *WHO)
    assert "1 of 2" not in result.stdout  # an open reader is none of two blind ones
    assert "the indicator of window 3: 0 of 2 blind readers" in result.stdout
    with Logbook.open("log.db") as book:
        assert book.reading(doubt).reviews[0].payload["policy"]["name"] == "two eyes"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ((*DECISION, "--by", "Ilmar SOOT", "--reason", "x"), "nobody reviews their own"),
        ((*DECISION, "--by", " ", "--reason", "x"), "needs the name of who decides"),
        ((*DECISION, "--by", "A", "--reason", "  "), "needs a reason"),
        ((*DECISION, "--by", "A"), "--reason is missing"),
        ((*DECISION, "--reason", "x"), "--by is missing"),
        (("--window", "3", "--mark", "indicator", *WHO), "--call is missing"),
        (("--window", "9", *DECISION[2:], *WHO), 'has no window "9"; its windows are 1, 2, 3, 4, 5, 6'),
        ((*DECISION[:4], "--call", "undeveloped", *WHO), "it has no starting dye"),
        ((*DECISION[:4], "--call", "maybe", *WHO), "'maybe' is not one of"),
        ((*DECISION, *WHO, "--from", "d.toml"), "leave --window, --mark and --call out"),
        (("--from", "none.toml", *WHO), "there is no such file"),
        ((*DECISION, *WHO, "--policy", "standart"), 'did you mean "standard"?'),
        ((*DECISION, *WHO, "--rules", "none.toml"), "there is no such file"),
    ],
)
def test_what_cannot_be_decided_is_said_in_one_line_and_nothing_changes(
    doubt: str, arguments: tuple[str, ...], said: str
) -> None:
    before = head()
    result = run("decide", doubt, *arguments)
    assert result.exit_code == WRONG_USAGE
    assert said in result.stderr
    assert "Traceback" not in result.output
    assert head() == before
    assert not list(Path().glob("*review*"))


def test_an_unknown_reading_is_told_with_the_one_that_was_meant(doubt: str) -> None:
    wrong = ("z" if doubt[0] != "z" else "y") + doubt[1:]
    result = run("decide", wrong, *DECISION, *WHO)
    assert result.exit_code == WRONG_USAGE
    assert f'did you mean "{doubt}"?' in result.stderr


@pytest.mark.parametrize("command", [("list",), ("decide", "x", *DECISION, *WHO), ("sheet", "x")])
def test_no_logbook_or_one_that_is_not_there_is_said(
    command: tuple[str, ...], monkeypatch: pytest.MonkeyPatch
) -> None:
    result = run(*command)
    assert result.exit_code == WRONG_USAGE
    assert "log.db" in result.stderr
    monkeypatch.delenv("LINECALL_LOGBOOK")
    result = run(*command)
    assert result.exit_code == WRONG_USAGE
    assert "--logbook" in result.stderr
    assert not Path("log.db").exists()


def test_where_results_cannot_be_written_nothing_is_decided(doubt: str) -> None:
    Path("out").write_text("a file", encoding="utf-8")
    before = head()
    assert run("decide", doubt, *DECISION, *WHO, "--out", "out").exit_code == WRONG_USAGE
    assert head() == before


def test_a_decision_whose_files_are_in_the_way_is_kept_and_can_be_drawn(doubt: str) -> None:
    Path(f"{doubt}-review-1.annotated.jpg").write_bytes(b"something else")
    result = run("decide", doubt, *DECISION[:4], "--call", "absent", *WHO)
    assert result.exit_code == FAILED
    assert f"the decision is in the logbook; linecall review draw {doubt} writes it again" in result.stderr
    again = run("draw", doubt, "--out", "out")
    assert again.exit_code == 0
    assert load_verdict(Path(f"out/{doubt}-review-1.verdict.json")).grade == "moderate"


# --- close, draw, sheet ----------------------------------------------------------------------------------


def test_close_takes_a_reading_off_the_list(doubt: str) -> None:
    assert run("close", doubt, "--by", "A").exit_code == WRONG_USAGE
    assert run("close", doubt, "--by", "Ilmar Soot", "--reason", "x").exit_code == WRONG_USAGE
    result = run("close", doubt, "--by", "A", "--reason", "repeated with a new plate")
    assert result.stdout == f"{doubt}   closed as it stands; it waits no longer\n"
    assert run("list").stdout == "nothing waits\n"


def test_draw_writes_an_unreviewed_reading_under_its_id(doubt: str) -> None:
    assert run("draw", doubt).exit_code == 0
    assert load_verdict(Path(f"{doubt}.verdict.json")).grade == "undecided"
    Path(f"{doubt}.annotated.jpg").write_bytes(b"something else")
    assert run("draw", doubt).exit_code == FAILED
    assert run("draw", doubt, "--force").exit_code == 0


def test_sheet_writes_the_page_that_was_asked_for(doubt: str, monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def sheet(case: object, *, blind: bool, every_window: bool) -> bytes:
        asked.append((case.reading, blind, every_window))  # type: ignore[attr-defined]
        return b"<p>a page</p>"

    monkeypatch.setattr("reader.review.sheet.sheet", sheet)
    assert run("sheet", doubt).stdout == f"written {doubt}.sheet.html\n"
    assert run("sheet", doubt, "--blind").stdout == f"written {doubt}.blind.html\n"
    assert run("sheet", doubt, "--every-window", "-o", "own.html").exit_code == 0
    assert asked == [(doubt, False, False), (doubt, True, False), (doubt, False, True)]
    assert Path("own.html").read_bytes() == b"<p>a page</p>"


def test_the_story_tells_pending_readers_the_policy_the_grade_before_and_a_closing(
    doubt: str, moderate: str
) -> None:
    def story(reading: str) -> str:
        return CliRunner().invoke(main, ["logbook", "show", reading]).stdout

    run("decide", moderate, *DECISION, *WHO, "--blind")
    assert "the indicator of window 3: 1 of 2 blind readers" in story(moderate)
    run("decide", moderate, *DECISION, "--by", "Oren Lade", "--reason", "a line", "--blind")
    assert "grade negligible, was moderate: every window worked" in story(moderate)
    assert "policy standard, revision 2, SHA-256 " in story(moderate)
    run("close", doubt, "--by", "A", "--reason", "repeated with a new plate")
    assert "closed as it stands" in story(doubt)
    assert "reason: repeated with a new plate" in story(doubt)


# --- taking back -------------------------------------------------------------------------------------------


def test_a_slip_is_taken_back_by_its_reader_and_decided_again(doubt: str) -> None:
    absent = (*DECISION[:4], "--call", "absent")
    run("decide", doubt, *absent, *WHO)
    back = run("withdraw", doubt, "--by", "Vesna Rask", "--reason", "wrong window")
    assert back.exit_code == 0, back.output
    assert back.stdout.startswith(f"{doubt}   UNDECIDED\n")
    assert "the indicator of window 3, by Vesna Rask" in back.stdout
    assert "it waits for a reviewer again" in back.stdout
    assert load_verdict(Path(f"{doubt}-review-2.verdict.json")).review is None
    assert doubt in run("list").stdout
    story = CliRunner().invoke(main, ["logbook", "show", doubt]).stdout
    assert "window 3 indicator: absent: an even line" in story
    assert "window 3 indicator: taken back" in story
    assert "reason: wrong window" in story
    assert "MODERATE" in run("decide", doubt, *absent, *WHO).stdout
    assert CliRunner().invoke(main, ["logbook", "verify"]).exit_code == 0


def test_nobody_takes_back_what_another_decided(doubt: str) -> None:
    run("decide", doubt, *DECISION[:4], "--call", "absent", *WHO)
    before = head()
    result = run("withdraw", doubt, "--by", "Oren Lade", "--reason", "I see it otherwise")
    assert result.exit_code == WRONG_USAGE
    assert "Oren Lade has decided nothing of reading" in result.stderr
    assert run("withdraw", doubt, "--by", "Vesna Rask", "--reason", " ").exit_code == WRONG_USAGE
    assert run("withdraw", doubt, "--by", "Vesna Rask").exit_code == WRONG_USAGE
    other = run(
        "withdraw", doubt, "--window", "4", "--mark", "indicator", "--by", "Vesna Rask", "--reason", "x"
    )
    assert "nothing on the indicator of window 4" in other.stderr
    assert head() == before


def test_a_closing_is_taken_back_and_the_reading_waits_again(doubt: str) -> None:
    run("close", doubt, "--by", "A", "--reason", "repeated with a new plate")
    assert run("list").stdout == "nothing waits\n"
    assert run("withdraw", doubt, "--by", "A", "--reason", "another tank's").exit_code == 0
    assert doubt in run("list").stdout
    assert run("withdraw", doubt, "--by", "A", "--reason", "again").exit_code == WRONG_USAGE


def test_who_takes_back_a_blind_call_is_told_no_grade_and_stays_blind_only_if_they_were(doubt: str) -> None:
    run("decide", doubt, *DECISION, *WHO, "--blind")
    back = run("withdraw", doubt, "--by", "Vesna Rask", "--reason", "wrong key")
    assert back.stdout == f"{doubt}   taken back\n  yours    the indicator of window 3\n"
    assert not list(Path().glob("*review*"))
    assert run("decide", doubt, *DECISION, *WHO, "--blind").exit_code == 0
    run("decide", doubt, *DECISION, "--by", "Oren Lade", "--reason", "a line")
    run("withdraw", doubt, "--by", "Oren Lade", "--reason", "wrong key")
    again = run("decide", doubt, *DECISION, "--by", "Oren Lade", "--reason", "a line", "--blind")
    assert "with its calls in view, so cannot read it blind" in again.stderr


def test_from_undecided_to_release_takes_two_blind_readers(doubt: str) -> None:
    seen = run("decide", doubt, *DECISION, "--by", "A", "--reason", "a line")
    assert seen.stdout.startswith(f"{doubt}   UNDECIDED")
    assert "the indicator of window 3: 0 of 2 blind readers" in seen.stdout
    run("decide", doubt, *DECISION, *WHO, "--blind")
    last = run("decide", doubt, *DECISION, "--by", "Oren Lade", "--reason", "a line", "--blind")
    assert "settled" in last.stdout
    with Logbook.open("log.db") as book:
        assert book.reading(doubt).current.grade == "negligible"


def test_where_too_few_blind_readers_are_left_the_way_out_is_told(doubt: str) -> None:
    for name in ("B", "C", "Oren Lade"):
        retire = ("retire", name, "--by", "A", "--reason", "left")
        assert CliRunner().invoke(main, ["people", *retire]).exit_code == 0
    seen = run("decide", doubt, *DECISION, "--by", "A", "--reason", "a line")
    told = " ".join(seen.stdout.split())
    assert "way out 2 more blind readers needed, 1 of those known can still be one" in told
    assert "the way out is a new plate from the fresh sample" in told
