"""A site's file: what it says is held together before anything is done by it, and every problem has its line."""

from datetime import date
from pathlib import Path

import pytest

from reader.errors import LinecallError, SettingsError
from reader.round.site import changed_from, check_named_files, removed_points
from reader.settings.toml_file import BrokenFileError
from tests.reader.round.rounds import EXAMPLE, site_of


def problems_of(folder: Path, text: str) -> tuple[str, ...]:
    with pytest.raises(BrokenFileError) as broken:
        site_of(folder, text)
    return broken.value.problems


def line_of(text: str, piece: str) -> int:
    return text[: text.index(piece)].count("\n") + 1


def test_the_example_holds_together_and_names_files_that_are_there(tmp_path: Path) -> None:
    site = site_of(tmp_path)
    assert check_named_files(site, tmp_path / "site.toml") == ()
    point = site.find_point("rb-DRAIN")
    assert site.tank_of(point).name == "Rescue boat tank"
    assert site.responsible_for(point) == "R. Aalto"
    assert [site.days_after(point, grade) for grade in ("negligible", "moderate", "invalid")] == [14, 7, 0]


def test_one_check_names_every_problem_with_its_line(tmp_path: Path) -> None:
    wrong = {
        'zone = "Europe/Copenhagen"': 'zone = "Europe/Kopenhavn"',
        "moderate = 7.0": "moderat = 7.0",
        'id = "S1"': 'id = "n1"',
        "volume_l = 900.0": "volume_l = -900.0",
        'tank = "HB"': 'tank = "HP"',
        'expiry = "2027-10" ': 'expiry = "10/2027" ',
        'expiry = "2027-05-31"': 'expiry = "2027-02-30"',
        'ends_by = ["confirm"]': 'ends_by = ["confrm"]',
    }
    text = EXAMPLE
    for right, changed in wrong.items():
        assert right in text
        text = text.replace(right, changed)
    found = "\n".join(problems_of(tmp_path, text))
    for changed in wrong.values():
        assert f"line {line_of(text, changed)}: " in found, changed
    assert 'did you mean "moderate"?' in found
    assert 'did you mean "confirm"?' in found
    assert "another tank has that id (capitals do not tell ids apart)" in found
    assert 'is "10/2027", but must be a date or a month' in found


@pytest.mark.parametrize(
    ("expiry", "last"),
    # the last days of months are those of the Gregorian calendar; 2028 is a leap year
    [
        ("2027-10", "2027-10-31"),
        ("2028-02", "2028-02-29"),
        ("2027-12", "2027-12-31"),
        ("2027-05-31", "2027-05-31"),
    ],
)
def test_a_printed_expiry_is_its_last_day(tmp_path: Path, expiry: str, last: str) -> None:
    lot = site_of(tmp_path, EXAMPLE.replace('expiry = "2027-10"', f'expiry = "{expiry}"')).find_lot("cb-2604")
    day = date.fromisoformat(last)
    assert lot.last_day() == day
    assert not lot.is_expired_on(day)
    assert lot.is_expired_on(date.fromordinal(day.toordinal() + 1))


def test_what_is_not_in_the_site_is_told_with_what_was_perhaps_meant(tmp_path: Path) -> None:
    site = site_of(tmp_path)
    with pytest.raises(LinecallError, match=r'no sample point "N1-drian"; did you mean "n1-drain"\?'):
        site.find_point("N1-drian")
    with pytest.raises(LinecallError, match=r"no plate lot .*enter it as a table \[\[lot\]\]"):
        site.find_lot("QQQ")


PLANS = {
    "a circle": (
        'ends_by = ["confirm"]',
        'then = ["tell"]\nends_by = ["confirm"]',
        'text = "Tell who answers for the tank, and note that they know."',
        'text = "Tell who answers for the tank."\nthen = ["hold-stock"]',
        "leads in a circle: hold-stock -> tell -> hold-stock",
    ),
    "a hold that nothing ends": (
        'ends_by = ["confirm"]\nends_at_grade = ["negligible"]',
        "",
        "",
        "",
        "is a hold that nothing ends",
    ),
    "a grade without a row": (
        'grade = ["invalid", "undecided"]',
        'grade = ["invalid"]',
        "",
        "",
        "leads nowhere after undecided",
    ),
    "nothing to do after a heavy grade": (
        'actions = ["hold-stock", "tell", "drain-and-draw", "confirm"]',
        "actions = []",
        "",
        "",
        "asks for nothing after heavy",
    ),
    "a row that is never reached": (
        'grade = ["invalid", "undecided"]',
        'grade = ["heavy"]',
        "",
        "",
        "is never reached: rows above it catch heavy",
    ),
    "an end that nobody asks for": (
        'actions = ["hold-stock", "tell", "drain-and-draw", "confirm"]',
        'actions = ["hold-stock", "tell", "drain-and-draw"]',
        "",
        "",
        'waits for "confirm", which no row asks for',
    ),
    "an action that nothing leads to": (
        'actions = ["tell", "drain-and-draw", "second-point"]',
        'actions = ["tell", "drain-and-draw"]',
        "",
        "",
        'is "second-point", but no row or action leads to it',
    ),
}


@pytest.mark.parametrize("what", PLANS)
def test_a_plan_that_leads_nowhere_or_in_a_circle_is_refused(tmp_path: Path, what: str) -> None:
    right, changed, other, other_changed, sentence = PLANS[what]
    assert right in EXAMPLE
    assert other in EXAMPLE
    text = EXAMPLE.replace(right, changed)
    text = text.replace(other, other_changed) if other else text
    assert any(sentence in problem and ", line " in problem for problem in problems_of(tmp_path, text))


def test_no_follow_up_names_a_dose(tmp_path: Path) -> None:
    text = EXAMPLE.replace("Issue no fuel from this tank.", "Add 50 ml to each tank.")
    assert any("no text may name a dose" in problem for problem in problems_of(tmp_path, text))


def test_a_changed_file_needs_a_higher_revision_and_is_the_same_sites(tmp_path: Path) -> None:
    before = site_of(tmp_path)
    same = site_of(tmp_path, EXAMPLE.replace("volume_l = 900.0", "volume_l = 950.0"), "same.toml")
    assert "raise revision above 1" in changed_from(before, same)[0]
    grown = site_of(
        tmp_path, EXAMPLE.replace("revision = 1 ", "revision = 2 ").replace("900.0", "950.0"), "grown.toml"
    )
    assert changed_from(before, grown) == ()
    assert "its revision is 1 and the one used last was 2" in changed_from(grown, before)[0]
    other = site_of(tmp_path, EXAMPLE.replace('site = "tallowmere"', 'site = "elsewhere"'), "other.toml")
    assert (
        "this is site elsewhere, but the logbook's runs are of site tallowmere"
        in changed_from(before, other)[0]
    )


def test_points_that_a_new_file_lacks_are_named(tmp_path: Path) -> None:
    text = EXAMPLE.replace('id = "GEN-dip"', 'id = "GEN-dip2"').replace("revision = 1 ", "revision = 2 ")
    gone = removed_points(site_of(tmp_path), site_of(tmp_path, text, "new.toml"))
    assert [point.id for point in gone] == ["GEN-dip"]


def test_files_that_a_site_names_and_that_are_not_there_are_told_with_their_lines(tmp_path: Path) -> None:
    text = EXAMPLE.replace('layout = "strip"', 'layout = "ours.toml"').replace(
        'procedure = "standard"', 'procedure = "theirs.toml"'
    )
    text = text.replace('# picture = "harbour.png"', 'picture = "harbour.png" #')
    problems = check_named_files(site_of(tmp_path, text), tmp_path / "site.toml")
    for piece in ('layout = "ours.toml"', 'procedure = "theirs.toml"', 'picture = "harbour.png"'):
        assert any(f"line {line_of(text, piece)}: " in problem for problem in problems), piece


def test_a_file_of_another_kind_is_told_as_that(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="it is a policy file, but a site file is needed"):
        site_of(tmp_path, 'policy = "ours"\nrevision = 1\ntitle = "x"\n')
