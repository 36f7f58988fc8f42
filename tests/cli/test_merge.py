"""`linecall logbook merge`: what it asks, does and says."""

from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli.main import main
from cli.options import WRONG_USAGE
from reader.logbook import Logbook
from tests.reader.logbook.devices import KEEPER, begin, device, ids_of, place_in, review
from tests.reader.logbook.samples import AT, Place, add


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Place:
    """A home logbook, in the present folder; its photos lie beside it."""
    monkeypatch.chdir(tmp_path)
    return begin(place_in(tmp_path, "home"), ("Anna Lind", "technician"))


def run(*arguments: str) -> Result:
    return CliRunner().invoke(
        main, [*arguments, "--logbook", "home.db", "--logbook-photos", "home.db.photos"]
    )


def merge(*arguments: str, by: str = KEEPER) -> Result:
    return run("logbook", "merge", *arguments, "--by", by)


def test_it_asks_who_is_who_takes_the_answers_and_says_what_it_did(home: Place, tmp_path: Path) -> None:
    laptop = device(tmp_path, "tug", 2, calls=("doubtful", "present"))
    review(laptop, ids_of(laptop)[0], "absent")
    asked = merge("tug.db")
    assert asked.exit_code == WRONG_USAGE
    first, last = asked.stderr.splitlines()
    assert first.startswith('person "A. Lind" of chain ')
    assert first.endswith(
        "may be \"Anna Lind\", known here: --same 'A. Lind=Anna Lind', else --apart 'A. Lind'"
    )
    assert last == "tug.db: nothing was taken; say who and what these are, as shown"
    done = merge("tug.db", "--same", "A. Lind=Anna Lind")
    assert done.exit_code == 0, done.output
    lines = done.stdout.splitlines()
    assert lines[0] == "merged tug.db: 6 events, 2 photos; event 3"
    assert lines[1].startswith("  chain ")
    assert lines[1].endswith(f"(begun by {KEEPER}, 2026-05-04): events 1 to 6")
    assert "B. Moreau is reviewer there and not here" in lines[2]
    assert lines[3] == "1 reading decided on apart waits for a reviewer: linecall review list"
    again = merge("tug.db")
    assert (again.exit_code, again.stdout.splitlines()[0]) == (0, "nothing in tug.db is new")
    listed = run("logbook", "list").stdout
    assert "Anna Lind" in listed
    assert "waits: decided apart" in listed
    shown = run("logbook", "show", ids_of(laptop)[0]).stdout
    chain = lines[1].split()[1]
    assert f"reading by Anna Lind, chain {chain}" in shown
    assert f"review by B. Moreau, chain {chain}; does not count here" in shown
    assert "is no reviewer in this logbook" in shown
    assert "does not count here" in run("review", "list").stdout


def test_every_chain_is_verified_and_sealed(home: Place, tmp_path: Path) -> None:
    device(tmp_path, "tug", 2)
    merge("tug.db", "--apart", "A. Lind")
    Path("seals.txt").write_text(run("logbook", "seal").stdout)
    assert len(Path("seals.txt").read_text().splitlines()) == 2
    checked = run("logbook", "verify", "--seal", "seals.txt")
    assert "all holds: 8 events in 2 chains, 2 readings, 2 photos" in checked.stdout
    for kind in ("csv", "jsonl", "zip"):
        assert run("logbook", "export", "--format", kind, "-o", f"out.{kind}").exit_code == 0
    rows = Path("out.csv").read_text().splitlines()
    assert rows[0].endswith(",chain")
    assert len(Path("out.jsonl").read_text().splitlines()) == 8
    assert "8 events in 2 chains" in run("logbook", "verify", "out.zip").stdout
    home.tamper(
        "DROP TRIGGER linecall_no_other_update",
        "UPDATE linecall_other_event SET body = replace(body, 'T1', 'T9')",
    )
    bad = run("logbook", "verify")
    assert bad.exit_code == 1
    assert (
        f"BAD: chain {rows[1].rpartition(',')[2][:8]} (begun by {KEEPER}, 2026-05-04): event 4: it has been"
        in bad.stderr
    )


def test_a_zip_and_a_place_of_photos_elsewhere(home: Place, tmp_path: Path) -> None:
    laptop = device(tmp_path, "tug", 1)
    Path(laptop.photos).rename(tmp_path / "stick")
    lacking = merge("tug.db", "--apart", "A. Lind")
    assert lacking.exit_code == WRONG_USAGE
    assert "is missing; nothing was taken" in lacking.stderr
    assert merge("tug.db", "--apart", "A. Lind", "--their-photos", "stick").exit_code == 0
    device(tmp_path, "lug", 1, first=5)
    zipped = ["-L", "lug.db", "--logbook-photos", "lug.db.photos", "--format", "zip", "-o", "lug.zip"]
    assert CliRunner().invoke(main, ["logbook", "export", *zipped]).exit_code == 0
    assert merge("lug.zip").stdout.startswith("merged lug.zip: 4 events, 1 photo")


def test_what_cannot_be_is_one_line(home: Place, tmp_path: Path) -> None:
    device(tmp_path, "tug", 1)
    for arguments, message in (
        (("none.db",), "none.db: there is no logbook"),
        (("tug.db", "--same", "Lind"), "write THERE=HERE"),
        (("tug.db", "--same", "A. Lind=Nobody"), '"Nobody" is not known here'),
    ):
        done = merge(*arguments)
        assert done.exit_code == WRONG_USAGE
        assert message in done.stderr, done.stderr
        assert "Traceback" not in done.output
    assert "is not known in home.db" in merge("tug.db", by="Nobody Else").stderr
    assert "is no keeper in home.db" in merge("tug.db", by="Anna Lind").stderr
    assert "--by" in run("logbook", "merge", "tug.db").stderr


def test_it_begins_a_logbook_whose_first_keeper_merges(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    device(tmp_path, "tug", 1)
    assert merge("tug.db").stdout.startswith(
        f"begun home.db, whose first keeper is {KEEPER}\nmerged tug.db: "
    )
    with Logbook.open("home.db", must_exist=True) as book:
        assert [event.kind for event in book.events() if event.chain is None] == ["person", "merge"]


def test_on_a_terminal_the_question_is_asked(
    home: Place, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from cli import logbook

    device(tmp_path, "tug", 1)
    monkeypatch.setattr(logbook, "_on_a_terminal", lambda: True)
    asked = CliRunner().invoke(
        main,
        ["logbook", "merge", "tug.db", "--by", KEEPER, "-L", "home.db", "--logbook-photos", "home.db.photos"],
        input="1\n",
    )
    assert asked.exit_code == 0, asked.output
    assert "1  Anna Lind\n  2  none of them\n  3  ask me another time" in asked.stderr
    with closing(home.open()) as book:
        assert book.readings()[0].operator == "Anna Lind"


def test_letters_that_steer_a_terminal_are_shown_harmless(home: Place, tmp_path: Path) -> None:
    laptop = place_in(tmp_path, "tug")
    with closing(laptop.open()) as book:
        add(book, tmp_path, 1, operator="\x1b[31mA. Lind", at=AT, tank="home\u202ebd")
    asked = merge("tug.db")
    assert "\x1b" not in asked.output
    done = merge("tug.db", "--apart", "\x1b[31mA. Lind")
    assert done.exit_code == 0, done.output
    for words in (("logbook", "list"), ("logbook", "show", ids_of(laptop)[0]), ("people", "list")):
        output = run(*words).output
        assert "\x1b" not in output
        assert "\u202e" not in output
