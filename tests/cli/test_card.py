"""`linecall card`."""

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli.main import main
from reader.draw.card_pdf import SHEETS_MM, card_pdf
from reader.settings.values import load_layout


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["card", *arguments])


def test_without_options_it_writes_card_pdf_here_and_says_how_to_check_the_print() -> None:
    result = run()
    assert result.exit_code == 0
    assert result.stdout == "card.pdf: print it at 100 % and check that the bar measures 100 mm\n"
    assert Path("card.pdf").read_bytes() == card_pdf(load_layout("comb"))


@pytest.mark.parametrize("paper", SHEETS_MM)
def test_a_layout_a_sheet_and_a_place_can_be_named(paper: str) -> None:
    assert run("--layout", "strip", "--paper", paper, "-o", "new/strip.pdf").exit_code == 0
    assert Path("new/strip.pdf").read_bytes() == card_pdf(load_layout("strip"), paper=paper)


def test_a_layout_of_the_users_own_will_do(unseen_layouts: tuple[Path, ...]) -> None:
    for number, path in enumerate(unseen_layouts):
        assert run("--layout", str(path), "-o", f"{number}.pdf").exit_code == 0
        assert Path(f"{number}.pdf").read_bytes().startswith(b"%PDF-")


def test_another_file_is_not_overwritten_without_force() -> None:
    Path("card.pdf").write_bytes(b"mine")
    result = run()
    assert result.exit_code == 1
    assert result.stderr == "card.pdf: exists and holds something else; write elsewhere or give --force\n"
    assert Path("card.pdf").read_bytes() == b"mine"
    assert run("--force").exit_code == 0
    assert run().exit_code == 0  # the same bytes again are fine


def test_an_unknown_layout_is_wrong_usage_in_one_line() -> None:
    result = run("--layout", "combb")
    assert result.exit_code == 2
    assert len(result.stderr.splitlines()) == 1
    assert "combb" in result.stderr
    assert not Path("card.pdf").exists()


def test_a_plate_too_large_for_the_card_is_told_so(root: Path) -> None:
    text = (root / "reader" / "data" / "layouts" / "comb.toml").read_text(encoding="utf-8")
    Path("huge.toml").write_text(
        text.replace("width = 112.0", "width = 230.0").replace('layout = "comb"', 'layout = "huge"'),
        encoding="utf-8",
    )
    result = run("--layout", "huge.toml")
    assert result.exit_code == 2
    assert "230 x 66 mm, would cover" in result.stderr
    assert not Path("card.pdf").exists()
