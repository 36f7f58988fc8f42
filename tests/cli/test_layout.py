"""`linecall layout`."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result

from cli.main import main
from fixtures.plates import readable_scene
from fixtures.scene import photograph, save
from reader.files.bundled import DATA
from reader.settings.values import bundled_names, load_layout


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["layout", *arguments])


def test_list_has_a_line_for_every_bundled_layout() -> None:
    result = run("list")
    assert result.exit_code == 0
    heading, *lines = result.stdout.splitlines()
    assert heading.split()[:3] == ["name", "revision", "windows"]
    assert [line.split()[0] for line in lines] == bundled_names("layout")
    assert "112 x 66" in lines[0]


def test_show_says_all_that_a_layout_says() -> None:
    result = run("show", "comb")
    assert result.exit_code == 0
    layout = load_layout("comb")
    for word in (layout.title, "112 x 66 mm", "bottom-right", "9 mm", "4 mm", "5 mm thick", "competitive"):
        assert word in result.stdout
    for word in (
        "15 to 30 min",
        "indicator 6 mm",
        "reference 13 mm",
        "blue until it develops",
        layout.sha256,
    ):
        assert word in result.stdout
    rows = result.stdout.splitlines()[7:-1]
    assert [row.replace("windows", "").split()[0] for row in rows] == ["id", "1", "2", "3", "4", "5", "6"]
    assert rows[1].split()[1:5] == ["bacteria", "lower", "16,", "23"]


def test_show_toml_prints_the_file_to_start_ones_own_from() -> None:
    result = run("show", "comb", "--toml")
    assert result.stdout == (DATA / "layouts" / "comb.toml").read_text(encoding="utf-8")
    Path("own.toml").write_text(result.stdout, encoding="utf-8")
    assert run("check", "own.toml").stdout == "own.toml: good: layout comb, revision 1, 6 windows\n"


def test_a_layout_of_the_users_own_is_shown_too(unseen_layouts: tuple[Path, ...]) -> None:
    for path in unseen_layouts:
        assert load_layout(path).title in run("show", str(path)).stdout


def test_check_names_every_problem_of_every_file_and_exits_2(unseen_layouts: tuple[Path, ...]) -> None:
    text = (DATA / "layouts" / "comb.toml").read_text(encoding="utf-8")
    Path("broken.toml").write_text(
        text.replace("thickness", "thicknes").replace("[32.0, 23.0]", "[132.0, 23.0]"), encoding="utf-8"
    )
    Path("moved.toml").write_text(text.replace("[32.0, 23.0]", "[132.0, 23.0]"), encoding="utf-8")
    result = run("check", "broken.toml", "moved.toml", "none.toml", str(unseen_layouts[0]))
    assert result.exit_code == 2
    assert result.stderr.splitlines() == [
        'broken.toml, line 12: outline.thicknes is not known here; did you mean "thickness"?',
        "moved.toml, line 46: window[1].centre[0] is 132.0 mm, but the outline is 112.0 mm wide; "
        "measure from the plate's left edge",
        "none.toml: there is no such file",
    ]
    assert result.stdout.startswith(f"{unseen_layouts[0]}: good: layout ")


@pytest.mark.parametrize("command", ["show", "draw"])
def test_a_mistyped_name_is_one_line_with_a_guess_and_exit_2(command: str) -> None:
    result = run(command, "combb")
    assert result.exit_code == 2
    assert result.stderr == 'layout "combb" is not one of comb, strip; did you mean "comb"?\n'


def test_a_mistyped_command_is_wrong_usage() -> None:
    assert run("shwo", "comb").exit_code == 2


def test_draw_writes_a_picture_here_that_opens() -> None:
    result = run("draw", "comb")
    assert (result.exit_code, result.stdout) == (0, "written comb.layout.png\n")
    picture = cv2.imread("comb.layout.png")
    assert picture is not None
    assert picture.shape[1] == 1600


def test_draw_writes_where_it_is_told_and_nothing_over_something_else() -> None:
    assert run("draw", "strip", "-o", "new/strip.jpg").exit_code == 0
    assert cv2.imread("new/strip.jpg") is not None
    Path("taken.png").write_bytes(b"mine")
    result = run("draw", "strip", "-o", "taken.png")
    assert result.exit_code == 1
    assert Path("taken.png").read_bytes() == b"mine"
    assert run("draw", "strip", "-o", "taken.png", "--force").exit_code == 0


def test_a_picture_of_another_kind_is_wrong_usage() -> None:
    result = run("draw", "comb", "-o", "comb.gif")
    assert result.exit_code == 2
    assert "comb.gif must end in .png, .jpg or .jpeg" in result.stderr


def test_draw_on_a_photo_shows_the_plate(unseen_layouts: tuple[Path, ...]) -> None:
    path = next(path for path in unseen_layouts if path.stem == "quad")
    save(photograph(readable_scene(load_layout(path), 4, size=(1600, 1200))), Path("shot"))
    result = run("draw", str(path), "--on", "shot.jpg")
    assert (result.exit_code, result.stdout) == (0, "written shot.quad.jpg\n")
    picture = cv2.imread("shot.quad.jpg")
    assert picture is not None
    assert picture.std() > 20


def test_a_photo_without_the_plate_is_refused_in_one_line_with_exit_4() -> None:
    cv2.imwrite("grey.png", np.full((600, 800, 3), 128, np.uint8))
    for photo in ("grey.png", "none.jpg"):
        result = run("draw", "comb", "--on", photo)
        assert result.exit_code == 4
        assert len(result.stderr.splitlines()) == 1
        assert result.stderr.startswith(f"{photo}: refused: ")
    assert sorted(path.name for path in Path().iterdir()) == ["grey.png"]
