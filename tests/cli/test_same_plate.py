"""`linecall read --same-plate`: several photos of one plate, one verdict, one image."""

import json
import shlex
import shutil
from dataclasses import replace
from pathlib import Path

import cv2
import pytest
from click.testing import CliRunner, Result

from cli.main import main
from fixtures.plates import readable_scene
from fixtures.scene import Scene, photograph, save
from reader import load_verdict, read_photo, read_plate
from reader.settings.values import load_layout
from reader.verdict.model import to_bytes

SIZE = (1600, 1200)
AGE = ("--reading-age", "20", "--layout", "comb")


def scene(seed: int) -> Scene:
    return replace(readable_scene(load_layout("comb"), seed, size=SIZE), taken_at=None)


@pytest.fixture(scope="module")
def taken(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three photos of one plate, in other poses and light, and one of another plate."""
    folder = tmp_path_factory.mktemp("photos")
    first = scene(12)
    for name, seed in (("first", 12), ("second", 13), ("third", 14)):
        view = scene(seed)
        lying = view.plates[0]
        plate = replace(first.plates[0], at_mm=lying.at_mm, turn_deg=lying.turn_deg)
        save(photograph(replace(view, plates=(plate,))), folder / name)
    save(photograph(scene(15)), folder / "other")
    return folder


@pytest.fixture
def photos(taken: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(taken, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    return tmp_path


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["read", *arguments, "--same-plate", *AGE])


def test_photos_of_one_plate_give_one_verdict_and_one_image_named_after_the_first(photos: Path) -> None:
    result = run("first.jpg", "second.jpg", "third.jpg", "--out", "out")
    assert result.exit_code in (0, 3), result.output
    assert result.stderr == ""
    assert sorted(path.name for path in Path("out").iterdir()) == [
        "first.annotated.jpg",
        "first.verdict.json",
    ]
    assert "photos   first.jpg, second.jpg and third.jpg, read as one" in result.stdout
    assert cv2.imread("out/first.annotated.jpg") is not None


def test_each_photos_own_reading_is_inside_the_verdict(photos: Path) -> None:
    names = ["first.jpg", "second.jpg", "third.jpg"]
    run(*names, "--out", "out")
    verdict = load_verdict(Path("out/first.verdict.json"))
    alone = tuple(read_photo(name, layout="comb", reading_age_min=20) for name in names)
    assert verdict.readings == alone
    assert to_bytes(verdict) == to_bytes(read_plate(names, layout="comb", reading_age_min=20))
    assert verdict.photo == alone[0].photo
    for k, window in enumerate(verdict.windows):
        heights = [reading.windows[k].reference.height for reading in alone]
        if None not in heights and window.reference.height is not None:
            assert min(h for h in heights if h is not None) <= window.reference.height
            assert window.reference.height <= max(h for h in heights if h is not None)
        assert sum(window.reference.weights) == pytest.approx(1, abs=1e-3)


def test_calls_of_all_photos_together_are_the_truth_or_doubtful(photos: Path) -> None:
    run("first.jpg", "second.jpg", "third.jpg")
    truth = {w["id"]: w for w in json.loads(Path("first.json").read_text())["windows"]}
    for window in load_verdict(Path("first.verdict.json")).windows:
        for name in ("indicator", "reference"):
            true = truth[window.id][name]
            call = getattr(window, name).call
            if not true["present"]:
                assert call != "present"
            elif true["peak_contrast"] > 0.03:
                assert call == "present"


def test_a_photo_of_another_plate_is_refused_as_such(photos: Path) -> None:
    result = run("first.jpg", "other.jpg")
    assert result.exit_code == 4
    assert result.stderr.count("\n") == 1
    assert "first.jpg: refused: the photos contradict each other" in result.stderr
    verdict = load_verdict(Path("first.verdict.json"))
    assert (verdict.status, verdict.refusal, len(verdict.readings)) == ("refused", "not_one_plate", 2)


def test_a_photo_that_is_none_is_left_out_and_named(photos: Path) -> None:
    Path("broken.jpg").write_bytes(b"no photo")
    result = run("first.jpg", "broken.jpg", "second.jpg")
    assert result.exit_code in (0, 3)
    assert "broken.jpg is left out: not a photo" in " ".join(result.stdout.split())
    verdict = load_verdict(Path("first.verdict.json"))
    assert [reading.status for reading in verdict.readings] == ["read", "refused", "read"]
    assert all(window.indicator.weights[1] == 0 for window in verdict.windows)


def test_results_are_named_after_the_first_photo_that_is_a_file(photos: Path) -> None:
    Path("folder").mkdir()
    assert run("folder", "first.jpg", "second.jpg").exit_code in (0, 3)
    verdict = load_verdict(Path("first.verdict.json"))
    assert verdict.photo.name == "first.jpg"
    assert verdict.warnings[0].startswith("folder is left out: the file cannot be read")


@pytest.mark.parametrize("names", [("first.jpg",), ("first.jpg", "first.jpg")])
def test_one_photo_alone_is_refused(photos: Path, names: tuple[str, ...]) -> None:
    result = run(*names)
    assert result.exit_code == 4
    assert "one photo alone cannot be read as several of one plate" in result.stderr


def test_a_copy_of_the_photo_is_no_second_photo(photos: Path) -> None:
    shutil.copy("first.jpg", "copy.jpg")
    result = run("first.jpg", "copy.jpg")
    assert result.exit_code == 4
    assert "first.jpg and copy.jpg are one and the same file" in result.stderr


def test_a_verdict_gives_way_to_one_that_holds_it_and_to_no_other(photos: Path) -> None:
    single = CliRunner().invoke(main, ["read", "first.jpg", *AGE])
    assert single.exit_code in (0, 3)
    assert run("first.jpg", "second.jpg").exit_code in (0, 3)
    assert run("first.jpg", "second.jpg", "third.jpg").exit_code in (0, 3)
    held = Path("first.verdict.json").read_bytes()
    fewer = run("first.jpg", "third.jpg")
    assert fewer.exit_code == 1
    assert "first.verdict.json: exists and holds something else" in fewer.stderr
    assert run("first.jpg", "other.jpg").exit_code == 1
    assert Path("first.verdict.json").read_bytes() == held


def test_json_prints_the_one_verdict(photos: Path) -> None:
    result = run("first.jpg", "second.jpg", "--json", "--out", "out")
    assert result.stdout.count("\n") == 1
    assert result.stdout_bytes == to_bytes(load_verdict(Path("out/first.verdict.json")), one_line=True)


def test_the_command_for_a_second_photo_repeats_what_was_typed_and_nothing_else(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("LINECALL_OPERATOR", "A. Lind")
    shutil.copy(root / "demo_images" / "rescue-boat-tank-1.jpg", "boat.jpg")
    typed = ["--tank", "rescue boat", "--reading-age", "20", "--logbook", "h.db"]
    result = CliRunner().invoke(main, ["read", "boat.jpg", "--set", "rules=two-tier", *typed])
    assert result.exit_code == 3, result.output
    (line,) = (line for line in result.stdout.splitlines() if line.startswith("  as one"))
    words = shlex.split(line)[2:]
    assert words[:5] == ["linecall", "read", "boat.jpg", "SECOND.jpg", "--same-plate"]
    assert sorted(words[5:]) == sorted([*typed, "--set", "rules=two-tier"])
