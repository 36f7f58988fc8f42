"""Settings files of somebody's own: names kept for bundled ones, what rules may do unsaid, and what says so."""

import hashlib
import json
import zipfile
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli.main import main
from cli.options import GRADED, WRONG_USAGE
from reader.logbook import Logbook
from reader.settings.values import settings_path
from reader.verdict.model import load_verdict
from tests.demo import readable_photo

ONE_ROW = (
    'rules = "NAME"\nrevision = 1\ntitle = "t"\n[[row]]\ngrade = "negligible"\nbecause = "all is well"\n'
)
WORDS = (
    "negligible with an upper finding",
    "negligible with a failed reference",
    "never heavy",
    "never invalid",
)


pytestmark = pytest.mark.usefixtures("here")


def read(photo: Path, *arguments: str) -> Result:
    return CliRunner().invoke(main, ["read", str(photo), "--out", "results", *arguments])


def copy(kind: str, name: str, *changes: tuple[str, str]) -> Path:
    text = settings_path(kind, name).read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = Path("own.toml")
    path.write_text(text, encoding="utf-8")
    return path


def refused(done: Result, *said: str) -> None:
    assert done.exit_code == WRONG_USAGE, done.output
    assert "Traceback" not in done.output
    for words in said:
        assert words in done.output
    assert not list(Path().rglob("*.verdict.json"))


@pytest.mark.parametrize("name", ["two-tier", "Two-Tier", "two-t\u0456er", "two\u2011tier", "two-tler"])
def test_rules_of_ones_own_do_not_wear_a_bundled_name(root: Path, name: str) -> None:
    text = ONE_ROW.replace("NAME", name) + f"deliberately = {list(WORDS)}\n"
    head, rows = text.split("[[row]]")
    Path("own.toml").write_text(
        head + f"deliberately = {json.dumps(WORDS)}\n[[row]]{rows.split('deliberately')[0]}"
    )
    refused(read(readable_photo(root), "--rules", "own.toml"), "is kept for the file that linecall brings")


@pytest.mark.parametrize(
    ("kind", "name", "option"),
    [
        ("layout", "comb", "--layout"),
        ("rules", "two-tier", "--rules"),
        ("thresholds", "standard", "--thresholds"),
        ("texts", "standard", "--texts"),
    ],
)
def test_a_changed_copy_needs_a_name_of_its_own_and_the_very_bytes_do_not(
    root: Path, kind: str, name: str, option: str
) -> None:
    photo = root / "demo_images" / "helipad-bowser.jpg"
    copy(kind, name, ("revision = ", "revision = 9"))
    refused(read(photo, option, "own.toml"), f'own.toml: {kind} is "{name}"', "give it a name of its own")
    path = copy(kind, name)
    assert read(photo, option, "own.toml").exit_code == GRADED
    assert load_verdict(next(Path("results").glob("*.verdict.json"))).own_files == ""
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))  # says the same, in other bytes
    assert read(photo, option, "own.toml", "--force").exit_code == GRADED
    assert f"{kind} {name}" in load_verdict(next(Path("results").glob("*.verdict.json"))).own_files


def test_a_policy_that_calls_itself_standard_is_refused(root: Path) -> None:
    copy("policy", "standard", ("own_readings = false", "own_readings = true"))
    done = CliRunner().invoke(
        main,
        ["review", "close", "abcd", "-L", "log.db", "--by", "A", "--reason", "r", "--policy", "own.toml"],
    )
    refused(done, 'policy is "standard"')


@pytest.mark.parametrize("missing", WORDS)
def test_rules_that_could_let_contaminated_fuel_go_say_in_words_that_they_mean_it(
    root: Path, missing: str
) -> None:
    said = json.dumps([words for words in WORDS if words != missing])
    text = ONE_ROW.replace("NAME", "ours").replace("[[row]]", f"deliberately = {said}\n[[row]]")
    Path("own.toml").write_text(text, encoding="utf-8")
    refused(
        read(readable_photo(root), "--rules", "own.toml"),
        f"can let contaminated fuel go: {missing}",
        f'write deliberately = ["{missing}"] if that is meant',
    )


def test_words_for_what_the_rules_do_not_do_are_refused(root: Path) -> None:
    words = 'revision = 2\ndeliberately = ["never heavy"]'
    copy("rules", "two-tier", ('"two-tier"', '"ours"'), ("revision = 2", words))
    refused(
        read(readable_photo(root), "--rules", "own.toml"),
        'is "never heavy", but no plate shows that; remove it',
    )


def test_screen_verdict_and_picture_say_own_file_with_its_hash(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[str] = []
    plan = "reader.draw.annotate.plan"
    from reader.draw import annotate

    original = annotate.plan

    def kept(*arguments: object, **named: object) -> object:
        found = original(*arguments, **named)  # type: ignore[arg-type]
        drawn.append(repr(found))
        return found

    monkeypatch.setattr(plan, kept)
    path = copy("rules", "two-tier", ('"two-tier"', '"ours"'))
    done = read(readable_photo(root), "--rules", "own.toml")
    assert done.exit_code == GRADED, done.output
    verdict = next(Path("results").glob("*.verdict.json"))
    record = json.loads(verdict.read_bytes())["rules"]
    assert (record["name"], record["own_file"]) == ("ours", True)
    short = record["sha256"][:12]
    assert f"settings own file: rules ours {short}" in " ".join(done.output.split())
    assert f"own file: rules ours {short}" in drawn[0]
    assert path.exists()
    assert "own_file" not in json.loads(verdict.read_bytes())["texts"]


# --- what the logbook keeps of them ------------------------------------------------------------------------


@pytest.fixture
def logged(root: Path, here: Path) -> str:
    """Hash of rules of one's own by which a reading was made and logged, and which are gone since."""
    path = copy("rules", "two-tier", ('"two-tier"', '"ours"'), ("revision = 2", "revision = 7"))
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    done = read(readable_photo(root), "--rules", "own.toml", "--logbook", "log.db", "--operator", "A. Lind")
    assert done.exit_code == GRADED, done.output
    path.rename("gone.toml")
    return digest


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, list(arguments))


def test_the_logbook_keeps_the_bytes_of_every_settings_file(logged: str) -> None:
    listed = run("logbook", "settings", "-L", "log.db").output
    for words in ("layout", "rules", "thresholds", "texts"):
        assert words in listed
    assert listed.count("own file") == 1
    assert f"{logged[:12]}  rules       ours revision 7" in listed
    shown = run("logbook", "settings", logged[:12], "-L", "log.db")
    assert shown.stdout_bytes == Path("gone.toml").read_bytes()
    assert run("logbook", "settings", "ffff", "-L", "log.db").exit_code == WRONG_USAGE


def test_a_file_is_kept_once_and_the_policy_too(root: Path, logged: str) -> None:
    Path("gone.toml").rename("own.toml")
    read(
        readable_photo(root), "--rules", "own.toml", "--logbook", "log.db", "--operator", "A. Lind", "--force"
    )
    with Logbook.open("log.db") as book:
        assert len(book.site_events("settings")) == 1
        reading = book.readings()[0].id
    run("people", "add", "B. Moreau", "--role", "reviewer", "-L", "log.db")
    decision = ("--window", "1", "--mark", "indicator", "--call", "doubtful", "--reason", "hard to tell")
    Path("own.toml").unlink()  # the logbook has it
    done = run("review", "decide", reading, *decision, "--by", "B. Moreau", "-L", "log.db")
    assert done.exit_code == 0, done.output
    assert "policy" in run("logbook", "settings", "-L", "log.db").output
    assert run("logbook", "verify", "-L", "log.db").exit_code == 0
    again = run("logbook", "reread", "-L", "log.db")
    assert "stand" not in again.output  # its own rules are at hand
    assert again.exit_code == 0, again.output


def test_the_zip_holds_them_too_and_is_checked_with_them(logged: str, here: Path) -> None:
    assert run("logbook", "export", "--format", "zip", "-o", "case.zip", "-L", "log.db").exit_code == 0
    with zipfile.ZipFile("case.zip") as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    name = f"settings/{logged}.toml"
    assert members[name] == Path("gone.toml").read_bytes()
    assert run("logbook", "verify", "case.zip").exit_code == 0
    for changed, said in (
        (members | {name: members[name] + b"\n"}, "has been altered"),
        ({other: data for other, data in members.items() if other != name}, "is missing"),
        (members | {f"settings/{'0' * 64}.toml": b""}, "no event holds"),
    ):
        with zipfile.ZipFile("forged.zip", "w") as archive:
            for member, data in changed.items():
                archive.writestr(member, data)
        done = run("logbook", "verify", "forged.zip")
        assert (done.exit_code, said in done.output) == (1, True), done.output
