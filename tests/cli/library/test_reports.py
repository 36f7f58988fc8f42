"""`linecall library agree` and `validate` on a library of invented examples."""

import csv
import json
import warnings
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result

from cli.library.reports import agree, validate
from fixtures.graded import graded_examples
from reader.errors import LinecallError, OutputError
from reader.library import Library
from reader.library.agreement.rates import most_that_may_err
from reader.library.agreement.validate import percent


@pytest.fixture(scope="module")
def where(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A library of forty plates, photographed twice."""
    folder = tmp_path_factory.mktemp("library") / "harbour"
    with Library.open(folder) as library:
        for layout in ("comb", "strip"):
            library.settings.keep_layout(layout)
        library.add_all(graded_examples(80, photos_a_plate=2))
    return folder


def run(command: click.Command, where: Path, *options: str | Path) -> Result:
    return CliRunner().invoke(command, ["-l", str(where), *map(str, options)])


def test_agree_prints_every_pair_and_what_to_believe(where: Path) -> None:
    done = run(agree, where)
    assert done.exit_code == 0, done.output
    expected = [
        "indicator marks",
        "linecall",
        "consensus",
        "R. Aalto",
        "Fleiss' kappa",
        "Krippendorff's alpha",
    ]
    expected += ["grades of whole plates", "where callers part", "not independent"]
    assert [words for words in expected if words not in done.output] == []


def test_agree_writes_a_page_and_all_figures_beside_it(where: Path, tmp_path: Path) -> None:
    page = tmp_path / "agreement.html"
    done = run(agree, where, "-o", page, "--list", "3")
    assert done.exit_code == 0, done.output
    content = json.loads(page.with_suffix(".json").read_text(encoding="utf-8"))
    assert (content["library"], len(content["parted"])) == ("harbour", 3)
    assert set(content["settings"]) == {"consensus", "rules", "strength"}
    assert "harbour" in page.read_text(encoding="utf-8")
    page.write_text("mine", encoding="utf-8")
    again = run(agree, where, "-o", page)
    assert isinstance(again.exception, OutputError)
    assert page.read_text(encoding="utf-8") == "mine"
    assert run(agree, where, "-o", page, "--force").exit_code == 0


def test_agree_and_validate_print_json(where: Path) -> None:
    for command, kind in ((agree, "agreement"), (validate, "validation")):
        content = json.loads(run(command, where, "--json").stdout)
        assert content["report"] == kind


def test_another_rule_of_consensus_is_named_and_changes_what_is_settled(where: Path) -> None:
    usual, strict = (
        json.loads(run(agree, where, "--json", *options).stdout)
        for options in ((), ("--consensus", "two-of-three-experts"))
    )
    assert strict["settings"]["consensus"]["name"] == "two-of-three-experts"
    assert strict["no_consensus"] > usual["no_consensus"]


def test_validate_prints_errors_limits_and_what_they_prove(where: Path) -> None:
    done = run(validate, where)
    assert done.exit_code == 0, done.output
    said = " ".join(done.output.split())
    expected = ["wrong present", "wrong absent", "doubtful", "limit of blank", "repeatability", "ROC: area"]
    expected += ["at 95 % confidence", "nothing of the fuel"]
    assert [words for words in expected if words not in said] == []


def test_validate_can_be_computed_again_from_its_own_counts(where: Path) -> None:
    content = json.loads(run(validate, where, "--json").stdout)
    found = next(one for one in content["calls"] if one["by"] == "all" and one["mark"] == "indicator")[
        "wrong_absent"
    ]
    bound = percent(most_that_may_err(found["hits"], found["of"]))
    assert (
        f"{found['of']} indicator marks present by consensus: at 95 % confidence no more than {bound}"
        in content["proves"][1]
    )
    with Library.open(where, must_exist=True) as library:
        kept = {row.id: row.photo_sha256 for row in library.examples(limit=None)}
    assert dict(content["hashes"]) == kept


def test_filters_name_what_they_leave(where: Path) -> None:
    content = json.loads(run(validate, where, "--json", "--layout", "comb").stdout)
    assert content["filters"] == ["layout comb"]
    assert {one["group"] for one in content["calls"] if one["by"] == "layout"} == {"comb"}
    nothing = run(validate, where, "--light", "moonlight")
    assert isinstance(nothing.exception, LinecallError)
    assert "holds no example with light moonlight" in str(nothing.exception)


def test_known_heights_give_a_line(where: Path, tmp_path: Path) -> None:
    with Library.open(where, must_exist=True) as library:
        rows = [row for row in library.tidy.marks() if row.mark == "indicator" and row.height is not None]
    known = tmp_path / "known.csv"
    marks = {(row.example, row.window, row.mark): row.height for row in rows}
    with known.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(["example", "window", "mark", "height"])
        table.writerows([*key, max(0.0, round(height or 0.0, 3))] for key, height in marks.items())
    content = json.loads(run(validate, where, "--json", "--known", known).stdout)
    assert content["line"]["n"] == len(marks)
    assert content["line"]["slope"] == pytest.approx(1, abs=0.01)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("example,window,mark\n", "has no column height; expected example, window, mark, height"),
        ("example,window,mark,height\nE1,1,indicator,faint\n", "row 2: the height is 'faint', expected an absorbance"),
        ("example,window,mark,height\nE1,1,indicator,nan\n", "row 2: the height is 'nan'"),
        ("example,window,mark,height\nE1,,indicator,0.1\n", "row 2: the column window is empty"),
        ("example,window,mark,height\n" + 2 * "E1,1,indicator,0.1\n", "row 3: example E1, window 1"),
        ("example,window,mark,height\nE1,1,indicator,0.1\n", "of window 1 of example E1 is not among these examples"),
    ],
)  # fmt: skip
def test_broken_known_heights_are_refused_by_row_and_column(
    where: Path, tmp_path: Path, text: str, said: str
) -> None:
    known = tmp_path / "known.csv"
    known.write_text(text, encoding="utf-8")
    done = run(validate, where, "--known", known)
    assert isinstance(done.exception, LinecallError)
    assert said in str(done.exception)


def test_a_folder_without_library_and_a_page_of_another_kind_are_refused(tmp_path: Path, where: Path) -> None:
    assert isinstance(run(agree, tmp_path).exception, LinecallError)
    wrong = run(agree, where, "-o", "report.pdf")
    assert wrong.exit_code == 2
    assert "must end in .html" in wrong.output


def test_validate_says_each_note_once_and_names_whom_it_concerns(where: Path) -> None:
    lines = " ".join(run(validate, where).output.split())
    assert lines.count("further photos of marks under the same condition") <= 1
    assert lines.count("undeveloped reference marks count with the absent ones") == 1


def test_no_warning_of_a_statistics_package_reaches_the_terminal(tmp_path: Path) -> None:
    # The one expert of these plates agrees with the consensus throughout: a variance that rounds to below zero.
    with Library.open(tmp_path / "one") as library:
        library.settings.keep_layout("strip")
        library.add_all(graded_examples(60, layouts=("strip",)))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for command in (agree, validate):
            done = run(command, tmp_path / "one")
            assert (done.exit_code, done.stderr) == (0, "")
