"""`linecall library check-photo`: simulated photos of one strip, then those of a phone that shows it otherwise."""

import json
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from functools import cache
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli.library.control import OUT_OF_CONTROL, STRIP
from cli.main import main
from cli.options import FAILED, GRADED, REFUSED, WRONG_USAGE
from fixtures.camera import Camera
from fixtures.control_strip import FIRST, other_phone, scene, strip_of
from fixtures.scene import Photograph, photograph, save
from reader.library import Library
from reader.library.control.chart import control_page
from reader.library.control.strip import control_chart
from reader.library.report import Origin
from reader.read import read_photo
from reader.verdict.model import to_bytes
from tests.reader.library.quiz.quiz_library import invented_library
from tests.reader.review.browser import Browser
from tests.reader.review.conftest import browser
from tests.test_imports import loaded_by

__all__ = ["browser"]

BASELINE = 6  # photos, so that tests are quick
N = BASELINE + 2


def run(*arguments: object) -> Result:
    return CliRunner().invoke(
        main, ["library", "check-photo", *map(str, arguments)], env={"LINECALL_OPERATOR": ""}
    )


@cache
def taken(k: int) -> Photograph:
    return photograph(scene(k))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("strip")


@pytest.fixture(scope="module")
def photos(folder: Path) -> list[Path]:
    return [save(taken(k), folder / f"day-{k:02}") for k in range(N)]


@pytest.fixture(scope="module")
def rules(root: Path, folder: Path) -> Path:
    text = (root / "reader" / "data" / "control" / "standard.toml").read_text(encoding="utf-8")
    path = folder / "short.toml"
    path.write_text(
        text.replace("baseline = 20", f"baseline = {BASELINE}").replace('"standard"', '"short"'),
        encoding="utf-8",
    )
    return path


@pytest.fixture(scope="module")
def charted(folder: Path, photos: list[Path], rules: Path) -> Path:
    """A library whose chart has its baseline; only to be copied or looked at."""
    where = folder / "library"
    done = run(*photos[:BASELINE], "-l", where, "--new", "--control", rules, "--by", "A. Lind")
    assert done.exit_code == GRADED, done.output
    return where


@pytest.fixture
def library(charted: Path, tmp_path: Path) -> Path:
    from shutil import copytree

    return copytree(charted, tmp_path / "library")


def test_the_baseline_comes_from_the_first_photos(charted: Path, photos: list[Path]) -> None:
    done = run("-l", charted, "--json")
    assert done.exit_code == GRADED
    chart = json.loads(done.stdout)
    (part,) = chart["baselines"]
    assert [point["photo"]["name"] for point in part["points"]] == [photo.name for photo in photos[:BASELINE]]
    assert part["marks"] == [["1", "indicator"], ["1", "reference"]]
    assert part["limits"]["photos"] == BASELINE
    assert chart["state"] == "in control"
    assert part["limits"]["centre"] == pytest.approx(
        0.3, rel=0.05
    )  # the strip's true heights are 0.2 and 0.4


def test_the_same_phone_and_lamp_stay_in_control(library: Path, photos: list[Path]) -> None:
    for photo in photos[BASELINE:]:
        done = run(photo, "-l", library, "--by", "A. Lind", "--note", "as ever")
        assert done.exit_code == GRADED, done.output
        assert "in control: centre 0." in done.stdout
    assert done.stdout.splitlines()[-1].endswith(f"A. Lind  {photos[-1].name}  as ever")


def test_a_phone_with_another_tone_curve_is_out_of_control(library: Path, tmp_path: Path) -> None:
    photo = save(other_phone(taken(BASELINE)), tmp_path / "other-phone")
    page = tmp_path / "chart.html"
    done = run(photo, "-l", library, "-o", page)
    assert done.exit_code == OUT_OF_CONTROL, done.output
    told = " ".join(done.stdout.split())
    assert "rule 1 other-phone.jpg, 0." in told
    assert "sigma above the centre, 0." in told
    assert "Photograph the strip again in your usual light." in told
    assert "other-phone.jpg" in page.read_text(encoding="utf-8")
    assert run("-l", library).exit_code == OUT_OF_CONTROL
    again = run(save(taken(BASELINE + 1), tmp_path / "again"), "-l", library)
    assert again.exit_code == GRADED, again.output


def test_a_chart_leaves_the_reading_as_it_is(library: Path, photos: list[Path]) -> None:
    before = to_bytes(read_photo(photos[0]))
    with Library.open(library, read_only=True) as opened:
        point = opened.control.chart(STRIP).now.points[0]
        assert json.loads(opened.control.verdict_bytes(point.id)) == json.loads(before)
        assert opened.pictures.photo_bytes(point.photo.sha256) == photos[0].read_bytes()
        assert opened.count() == 0
    assert run("-l", library).exit_code == GRADED
    assert to_bytes(read_photo(photos[0])) == before


def test_photos_are_charted_in_the_order_they_were_taken(tmp_path: Path, photos: list[Path]) -> None:
    where = tmp_path / "library"
    done = run(photos[2], photos[0], photos[1], "-l", where, "--new")
    assert done.exit_code == GRADED
    assert "3 of 20 photos that the limits need" in done.stdout
    assert [line.split(":")[0] for line in done.stdout.splitlines()[:3]] == [
        photo.name for photo in photos[:3]
    ]


def test_a_photo_that_cannot_be_charted_is_refused_and_the_others_are_charted(
    library: Path, photos: list[Path], tmp_path: Path
) -> None:
    text = tmp_path / "note.jpg"
    text.write_text("no picture", encoding="utf-8")
    comb = scene(41, plates=(strip_of("comb"),), camera=Camera(width=1200, height=900, distance_mm=170))
    other = save(photograph(comb), tmp_path / "comb")
    done = run(text, other, photos[0], photos[BASELINE], "-l", library)
    assert done.exit_code == REFUSED
    told = done.stderr.splitlines()
    assert any(line.startswith(f"{text}: refused: ") for line in told)
    assert any(
        "comb.jpg: shows a plate of layout comb, but the strip is of layout strip" in line for line in told
    )
    assert any(f"{photos[0].name}: is point " in line for line in told)
    assert len(told) == 3
    assert photos[BASELINE].name in done.stdout
    nothing = run(text, "-l", library)
    assert (nothing.exit_code, nothing.stdout) == (REFUSED, "")


def test_two_strips_in_one_photo_are_refused(library: Path, tmp_path: Path) -> None:
    one = strip_of()
    both = scene(
        40,
        plates=(replace(one, at_mm=(0.0, -18.0)), replace(one, at_mm=(0.0, 18.0))),
        camera=Camera(width=900, height=800, distance_mm=125),
    )
    done = run(save(photograph(both), tmp_path / "both"), "-l", library)
    assert done.exit_code == REFUSED
    assert "both.jpg: refused: more than one plate in the picture" in done.stderr
    assert len(json.loads(run("-l", library, "--json").stdout)["baselines"][0]["points"]) == BASELINE


def test_a_clock_that_is_behind_is_said_and_can_be_set_right(library: Path, tmp_path: Path) -> None:
    behind = replace(taken(30), scene=replace(taken(30).scene, taken_at=datetime(2020, 1, 1, 0, 5)))
    photo = save(behind, tmp_path / "behind")
    done = run(photo, "-l", library)
    assert done.exit_code == REFUSED
    assert "was taken at 2020-01-01 00:05" in done.stderr
    assert "give its true time with --at" in done.stderr
    done = run(photo, "-l", library, "--at", "2026-06-03T08:30+02:00")
    assert done.exit_code == GRADED, done.output
    with Library.open(library, read_only=True) as opened:
        point = opened.control.chart(STRIP).now.points[-1]
    assert (point.taken_at, point.taken_from) == (
        datetime(2026, 6, 3, 8, 30, tzinfo=timezone(timedelta(hours=2))),
        "stated",
    )


def test_a_point_is_set_aside_with_a_reason_and_a_name(library: Path, photos: list[Path]) -> None:
    for arguments in (("--reason", "hair"), ("--by", "R. Aalto"), ()):
        assert run("-l", library, "--set-aside", photos[1].name, *arguments).exit_code == WRONG_USAGE
    done = run("-l", library, "--set-aside", photos[1].name, "--reason", "hair", "--by", "R. Aalto")
    assert done.exit_code == GRADED, done.output
    assert f"{BASELINE - 1} of {BASELINE} photos that the limits need" in done.stdout
    assert "set aside: hair" in done.stdout


def test_a_new_baseline_begins_with_the_photo_that_is_given(library: Path, photos: list[Path]) -> None:
    done = run(photos[BASELINE], "-l", library, "--begin-anew", "--reason", "new lamp", "--by", "R. Aalto")
    assert done.exit_code == GRADED, done.output
    assert f"1 of {BASELINE} photos that the limits need" in done.stdout
    chart = json.loads(run("-l", library, "--json").stdout)
    assert [part["reason"] for part in chart["baselines"]] == [None, "new lamp"]
    assert [len(part["points"]) for part in chart["baselines"]] == [BASELINE, 1]


def test_a_refused_photo_begins_no_new_baseline(library: Path, tmp_path: Path) -> None:
    text = tmp_path / "note.jpg"
    text.write_text("no picture", encoding="utf-8")
    done = run(text, "-l", library, "--begin-anew", "--reason", "new lamp", "--by", "R. Aalto")
    assert done.exit_code == REFUSED
    assert len(json.loads(run("-l", library, "--json").stdout)["baselines"]) == 1


def test_what_is_not_there_is_said_and_nothing_is_begun(
    tmp_path: Path, library: Path, photos: list[Path]
) -> None:
    none = run(photos[0], "-l", tmp_path / "none")
    assert none.exit_code == WRONG_USAGE
    assert (
        none.stderr
        == f"{tmp_path / 'none'}: holds no library; --new begins one with the chart, or give another folder\n"
    )
    assert not (tmp_path / "none").exists()
    for arguments in ((), (photos[BASELINE],)):
        wrong = run(*arguments, "-l", library, "--strip", "contol")
        assert wrong.exit_code == WRONG_USAGE
        assert "has no control chart of a strip 'contol'; did you mean \"control\"?" in wrong.stderr
    empty = tmp_path / "empty"
    invented_library(empty, 1).close()
    assert "has no control chart yet; the first photo of the strip begins one" in run("-l", empty).stderr


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--at", "2026-05-04T09:08"), "one photo"),
        (("--note", "new phone"), "--note is of a photo"),
        (("--new",), "--new begins a chart with a photo"),
        (("--marks", "1 indicator"), "--marks and --set control are of a chart that begins"),
        (("--reason", "none"), "--reason belongs to"),
        (("--set-aside", "a", "--begin-anew"), "--set-aside goes by itself"),
        (("-o", "chart.pdf"), "must end in .html"),
        (("--begin-anew", "--reason", " ", "--by", "A. Lind"), "reason is"),
    ],
)
def test_options_that_do_not_go_together_are_refused(
    charted: Path, arguments: tuple[str, ...], told: str
) -> None:
    done = run("-l", charted, *arguments)
    assert done.exit_code == WRONG_USAGE
    assert told in done.stderr


def test_a_page_that_is_there_is_not_overwritten_unasked_and_the_state_is_told_all_the_same(
    library: Path, photos: list[Path], tmp_path: Path
) -> None:
    page = tmp_path / "chart.html"
    page.write_text("mine", encoding="utf-8")
    done = run(photos[BASELINE], "-l", library, "-o", page)
    assert done.exit_code == FAILED
    assert "in control: centre 0." in done.stdout
    assert "--force" in done.stderr
    assert page.read_text(encoding="utf-8") == "mine"
    assert run("-l", library, "-o", page, "--force").exit_code == GRADED
    assert "<svg" in page.read_text(encoding="utf-8")


@pytest.mark.parametrize("width", [360, 1280])
def test_the_page_fits_its_screen_and_begins_at_the_newest_photo(
    browser: Browser, library: Path, photos: list[Path], tmp_path: Path, width: int
) -> None:
    with Library.open(library) as opened:
        points = [opened.control.chart(STRIP).now.points[0]] * 60
        part = opened.control.chart(STRIP).now
        chart = control_chart(STRIP, [(part.baseline, part.rules)], [*part.points, *points])
        page = tmp_path / "chart.html"
        page.write_bytes(control_page(chart, Origin(library="hangar 2", made_at=FIRST)))
    browser.show(page, width=width)
    assert browser.ask("return document.documentElement.scrollWidth") <= width
    right = "document.querySelector('.roll').getBoundingClientRect().right"
    dots = "[...document.querySelector('svg.chart').querySelectorAll('circle')]"
    assert browser.ask(f"return {right} - {dots}.pop().getBoundingClientRect().right") >= 0
    assert browser.ask(f"return {dots}.length") == 66


def test_the_words_beside_the_lines_are_whole(browser: Browser, charted: Path, tmp_path: Path) -> None:
    with Library.open(charted, read_only=True) as opened:
        part = opened.control.chart(STRIP).now
    later = [
        point.model_copy(
            update={"id": f"{point.id}-{k}", "taken_at": point.taken_at + k * timedelta(weeks=1)}
        )
        for k in range(1, 5)
        for point in part.points
    ]
    chart = control_chart(STRIP, [(part.baseline, part.rules)], [*part.points, *later])
    page = tmp_path / "chart.html"
    page.write_bytes(control_page(chart, Origin(library="hangar 2", made_at=FIRST)))
    browser.show(page, width=1280)
    words = "[...document.querySelectorAll('svg.chart text')]"
    assert browser.ask(f"return {words}.some(one => one.textContent.startsWith('mean 0.'))")
    right = "getBoundingClientRect().right"
    assert browser.ask(f"return {words}.every(one => one.{right} <= one.closest('svg').{right})")


def test_a_strip_of_the_sites_own_layout_is_found_again_without_its_file(
    unseen_layouts: tuple[Path, ...], tmp_path: Path
) -> None:
    (quad,) = (path for path in unseen_layouts if path.stem == "quad")
    camera = Camera(width=1200, height=900, distance_mm=170, tilt_deg=4)
    first, second = (
        save(photograph(scene(k, plates=(strip_of(str(quad)),), camera=camera)), tmp_path / f"quad-{k}")
        for k in (50, 51)
    )
    where = tmp_path / "library"
    begun = run(first, "-l", where, "--new", "--layout", quad)
    assert begun.exit_code == GRADED, begun.output
    added = run(second, "-l", where)
    assert added.exit_code == GRADED, added.output
    assert "2 of 20 photos that the limits need" in added.stdout


def test_its_help_loads_nothing_slow(tmp_path: Path) -> None:
    loaded = loaded_by("library", "check-photo", "--help", cwd=tmp_path)
    assert not {name for name in loaded if name.partition(".")[0] in {"sqlalchemy", "cv2", "scipy", "jinja2"}}
