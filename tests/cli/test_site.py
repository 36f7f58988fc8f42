"""`linecall site`: an example to begin with, and every problem named with its line."""

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli.main import main


def site(*arguments: str) -> Result:
    done = CliRunner().invoke(main, ["site", *arguments])
    assert "Traceback" not in done.output
    return done


def test_the_example_is_written_checks_out_and_is_not_overwritten(here: Path) -> None:
    assert site("new", "-o", "site.toml").exit_code == 0
    done = site("check", "site.toml")
    assert done.exit_code == 0
    assert "all holds: site tallowmere, revision 1: 5 tanks, 5 sample points, 2 plate lots" in done.output
    (here / "site.toml").write_text("mine", encoding="utf-8")
    done = site("new", "-o", "site.toml")
    assert done.exit_code == 1
    assert "--force" in done.output
    assert (here / "site.toml").read_text(encoding="utf-8") == "mine"


def test_the_example_names_nobody_and_nothing_real_and_says_what_comes_first(here: Path) -> None:
    site("new", "-o", "site.toml")
    text = (here / "site.toml").read_text(encoding="utf-8")
    assert "invented" in text
    assert "EXAMPLES" in text
    assert "licensed practice come first" in text


def test_every_problem_is_named_with_its_line(here: Path) -> None:
    site("new", "-o", "site.toml")
    path = here / "site.toml"
    lines = path.read_text(encoding="utf-8").splitlines()
    wrong = {
        next(k for k, line in enumerate(lines) if line.startswith(old)): new
        for old, new in (
            ('zone = "', 'zone = "Nowhere/City"'),
            ("moderate = ", "moderate = -7.0"),
            ('tank = "HB"', 'tank = "HX"'),
            ('layout = "strip"', "layot = 3"),
            ('ends_by = ["confirm"]', 'ends_by = ["confirmed"]'),
        )
    }
    for number, line in wrong.items():
        lines[number] = line
    path.write_text("\n".join(lines), encoding="utf-8")
    done = site("check", "site.toml")
    assert done.exit_code == 2
    for number in wrong:
        assert f"site.toml, line {number + 1}: " in done.output, lines[number]


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        ("", "is missing"),
        ("site = ", "not TOML"),
        ("\x00", "not TOML"),
        ('layout = "comb"', "it is a layout file, but a site file is needed"),
        ("tank = 3\npoint = [[1]]\nlot = [{}]\nzone = []\n", "tank is 3"),
        ('interval_days = "x"\naction = [1]\nfollow = [{grade = 3}]\nsite = "x"', "interval_days"),
    ],
)
def test_what_is_no_site_file_is_told_without_a_traceback(here: Path, content: str, sentence: str) -> None:
    (here / "site.toml").write_text(content, encoding="utf-8")
    done = site("check", "site.toml")
    assert done.exit_code == 2
    assert sentence in done.output
