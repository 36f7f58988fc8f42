"""What holds for a command, where it comes from, and what is never taken: a file that others may have put there."""

import hashlib
import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli.main import main
from cli.options import WRONG_USAGE
from reader.settings.values import settings_path
from reader.verdict.model import load_verdict
from tests.demo import readable_photo

pytestmark = pytest.mark.usefixtures("here")


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def own(kind: str, bundled: str, path: str) -> Path:
    text = settings_path(kind, bundled).read_text(encoding="utf-8")
    where = Path(path)
    where.parent.mkdir(exist_ok=True)
    where.write_text(text.replace(f'{kind} = "{bundled}"', f'{kind} = "ours"'), encoding="utf-8")
    return where


def defaults(text: str, path: str = "depot/linecall.toml") -> Path:
    where = Path(path)
    where.parent.mkdir(exist_ok=True)
    where.parent.chmod(0o755)
    where.write_text(text, encoding="utf-8")
    where.chmod(0o644)
    return where


def held(*arguments: str) -> dict[str, tuple[object, str, str | None]]:
    done = run("settings", "--json", *arguments)
    assert done.exit_code == 0, done.output
    return {
        row["key"]: (row["value"], row["source"], row["place"]) for row in json.loads(done.stdout)["settings"]
    }


def test_an_option_goes_before_a_variable_a_variable_before_the_file_and_the_file_before_what_is_bundled(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    defaults('# ours\nzone = "Europe/Lisbon"\npolicy = "standard"\nrules = "own.toml"\n')
    own("rules", "two-tier", "depot/own.toml")
    found = held("-L", "depot/x.db")
    assert found["zone"] == ("Europe/Lisbon", "file", f"{Path('depot/linecall.toml')}, line 2")
    assert found["rules"] == (str(Path("depot/own.toml")), "file", f"{Path('depot/linecall.toml')}, line 4")
    assert found["texts"] == ("standard", "bundled", None)
    monkeypatch.setenv("LINECALL_ZONE", "Europe/Paris")
    assert held("-L", "depot/x.db")["zone"] == ("Europe/Paris", "variable", "LINECALL_ZONE")
    assert held("-L", "depot/x.db", "--set", "zone=+02:00")["zone"] == ("+02:00", "option", None)


def test_the_file_is_named_by_an_option_or_a_variable(monkeypatch: pytest.MonkeyPatch) -> None:
    defaults('zone = "+02:00"\n', "one/a.toml")
    defaults('zone = "+03:00"\n', "two/b.toml")
    monkeypatch.setenv("LINECALL_SETTINGS", "two/b.toml")
    assert held()["zone"][0] == "+03:00"
    assert held("--settings", "one/a.toml")["zone"][0] == "+02:00"


def test_the_table_says_each_value_and_the_files_name_revision_and_hash() -> None:
    rules = own("rules", "two-tier", "depot/own.toml")
    defaults('rules = "own.toml"\n')
    text = run("settings", "-L", "depot/x.db").stdout
    digest = hashlib.sha256(rules.read_bytes()).hexdigest()[:12]
    line = next(line for line in text.splitlines() if line.startswith("rules "))
    assert f"{Path('depot/linecall.toml')}, line 1" in line
    assert "ours revision" in line
    assert digest in line


def test_a_verdict_names_the_settings_that_the_file_chose(root: Path) -> None:
    rules = own("rules", "two-tier", "depot/own.toml")
    file = defaults('rules = "own.toml"\n')
    photo = readable_photo(root)
    done = run("read", photo, "-o", "results", "--settings", file)
    assert done.exit_code == 0, done.output
    verdict = load_verdict(next(Path("results").glob("*.verdict.json")))
    assert verdict.rules is not None
    assert (verdict.rules.name, verdict.rules.sha256) == (
        "ours",
        hashlib.sha256(rules.read_bytes()).hexdigest(),
    )
    assert "ours" in verdict.own_files


@pytest.mark.parametrize("there", [".", "photos"])
def test_a_file_that_lies_where_one_works_or_beside_a_photo_is_not_taken(root: Path, there: str) -> None:
    defaults('rules = "none.toml"\n', f"{there}/linecall.toml")
    Path("photos").mkdir(exist_ok=True)
    photo = Path("photos/a.jpg")
    photo.write_bytes(readable_photo(root).read_bytes())
    assert run("read", photo, "-o", "results").exit_code == 0
    assert held()["rules"] == ("two-tier", "bundled", None)


def test_a_logbook_among_photos_brings_no_defaults(root: Path) -> None:
    defaults('rules = "none.toml"\n', "photos/linecall.toml")
    photo = Path("photos/a.jpg")
    photo.write_bytes(readable_photo(root).read_bytes())
    for given in (photo, photo.parent):
        done = run("read", given, "-o", "results", "-L", "photos/x.db", "--operator", "A. Lind")
        assert done.exit_code == WRONG_USAGE
        assert "it lies among the photos" in done.stderr
        assert "--settings FILE" in done.stderr


@pytest.mark.skipif(os.name == "nt", reason="rights are not told by mode there")
@pytest.mark.parametrize(
    ("what", "mode"), [("depot", 0o777), ("depot", 0o757), ("depot/linecall.toml", 0o646)]
)
def test_a_file_that_others_may_write_is_not_taken_unless_it_is_named(what: str, mode: int) -> None:
    defaults('zone = "+02:00"\n')
    Path(what).chmod(mode)
    done = run("settings", "-L", "depot/x.db")
    assert done.exit_code == WRONG_USAGE
    assert "others may write to" in done.stderr
    assert held("-L", "depot/x.db", "--settings", "depot/linecall.toml")["zone"][0] == "+02:00"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            'zone = "+02:00"\nrulse = "a"\n',
            'linecall.toml, line 2: rulse is not known here; did you mean "rules"?',
        ),
        ("rules = 3\n", "line 1: rules is 3, but must be text in quotes: the grading rules"),
        ('operator = "A. Lind"\n', "line 1: operator names a person"),
        ('by = "A. Lind"\n', "line 1: by names a person"),
        ("rules\n", "line 1"),
    ],
)
def test_what_is_wrong_in_the_file_is_told_with_its_line(text: str, said: str) -> None:
    defaults(text)
    done = run("settings", "-L", "depot/x.db")
    assert done.exit_code == WRONG_USAGE
    assert said in done.stderr
    assert "Traceback" not in done.output


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("ruels=a", "did you mean rules?"),
        ("rules", "write rules=VALUE"),
        ("x=1", "the keys are layout, rules,"),
    ],
)
def test_a_setting_that_is_none_is_wrong_usage(change: str, said: str) -> None:
    done = run("settings", "--set", change)
    assert done.exit_code == WRONG_USAGE
    assert said in done.stderr


def test_photos_of_one_logbook_do_not_go_to_the_place_of_anothers() -> None:
    defaults('logbook = "x.db"\nphotos = "kept"\n')
    kept = str(Path("depot/kept"))
    assert held("--settings", "depot/linecall.toml")["photos"][0] == kept
    assert held("-L", "depot/x.db")["photos"][0] == kept
    assert held("--settings", "depot/linecall.toml", "-L", "other/y.db")["photos"][0] is None


def test_the_site_file_is_found_from_the_folder_of_the_defaults() -> None:
    defaults('site = "site.toml"\n')
    assert held("-L", "depot/x.db")["site"][0] == str(Path("depot/site.toml"))


def test_a_settings_file_that_is_not_there_is_told() -> None:
    defaults('rules = "none.toml"\n')
    done = run("settings", "-L", "depot/x.db")
    assert done.exit_code == WRONG_USAGE
    assert "cannot be read" in done.stdout
