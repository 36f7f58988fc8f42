import json
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest

from fixtures.plates import Nearly, Refusal, nearly_scene, readable_scene, refusal_scene
from fixtures.scene import photograph, save
from reader import Verdict, load_verdict, read_photo
from reader.read import examine
from reader.settings.read_settings import load_settings
from reader.settings.values import load_layout
from reader.verdict.model import to_bytes

SIZE = (1600, 1200)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("photos")


@pytest.fixture(scope="module")
def photo(folder: Path) -> Path:
    """An easy photo of a comb plate without a card, as a phone would save it."""
    return save(photograph(readable_scene(load_layout("comb"), 12, size=SIZE)), folder / "plain")


def calls(verdict: Verdict) -> dict[str, tuple[str, str]]:
    assert verdict.status == "read", verdict.reason
    return {window.id: (window.indicator.call, window.reference.call) for window in verdict.windows}


def resaved(photo: Path, name: str, change: Callable[[np.ndarray], np.ndarray]) -> Path:
    pixels = cv2.imread(str(photo), cv2.IMREAD_COLOR)
    assert pixels is not None
    path = photo.with_name(name)
    assert cv2.imwrite(str(path), change(pixels), [cv2.IMWRITE_JPEG_QUALITY, 95])
    return path


def test_calls_of_an_easy_photo_are_its_truth(photo: Path) -> None:
    truth = json.loads(photo.with_suffix(".json").read_text())
    for window, found in calls(read_photo(photo)).items():
        true = next(w for w in truth["windows"] if w["id"] == window)
        for name, call in zip(("indicator", "reference"), found, strict=True):
            if not true[name]["present"]:
                assert call != "present"
            elif true[name]["peak_contrast"] >= 0.05:
                assert call == "present"


def test_the_same_photo_gives_the_same_bytes_twice(photo: Path) -> None:
    assert to_bytes(read_photo(photo)) == to_bytes(read_photo(photo))


def test_a_verdict_survives_its_file(photo: Path) -> None:
    verdict = read_photo(photo)
    assert load_verdict(to_bytes(verdict)) == verdict
    assert verdict.photo.name == photo.name
    assert verdict.layout is not None
    assert (verdict.layout.name, verdict.layout.chosen) == ("comb", "auto")


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_a_photo_that_lies_on_its_side_gives_the_same_calls(photo: Path, turns: int) -> None:
    turned = resaved(
        photo, f"turned{turns}.png", lambda pixels: np.ascontiguousarray(np.rot90(pixels, turns))
    )
    assert calls(read_photo(turned)) == calls(read_photo(photo))


def test_a_fifth_less_light_gives_the_same_calls(photo: Path) -> None:
    def dimmed(pixels: np.ndarray) -> np.ndarray:
        linear = (pixels / 255.0) ** 2.2 * 0.8
        return np.round(255 * linear ** (1 / 2.2)).astype(np.uint8)

    assert calls(read_photo(resaved(photo, "dim.png", dimmed))) == calls(read_photo(photo))


@pytest.mark.parametrize("suffix", [".png", ".tif", ".webp"])
def test_the_same_pixels_in_another_form_give_the_same_calls(photo: Path, suffix: str) -> None:
    path = photo.with_name(f"same{suffix}")
    pixels = cv2.imread(str(photo), cv2.IMREAD_COLOR)
    assert pixels is not None
    assert cv2.imwrite(str(path), pixels, [cv2.IMWRITE_WEBP_QUALITY, 101])
    assert calls(read_photo(path)) == calls(read_photo(photo))


def test_sixteen_bits_give_the_same_calls(photo: Path) -> None:
    deep = resaved(photo, "deep.png", lambda pixels: pixels.astype(np.uint16) * 257)
    assert calls(read_photo(deep)) == calls(read_photo(photo))


def test_a_layout_that_the_code_has_never_seen_reads(unseen_layouts: tuple[Path, ...], folder: Path) -> None:
    for path in unseen_layouts:
        layout = load_layout(path)
        scene = readable_scene(layout, 41, size=SIZE)
        taken = save(photograph(scene), folder / f"unseen-{layout.name}")
        truth = json.loads(taken.with_suffix(".json").read_text())
        verdict = read_photo(taken, layout=path)
        assert verdict.status == "read", verdict.reason
        assert verdict.layout is not None
        assert verdict.layout.chosen == "named"
        for window, true in zip(verdict.windows, truth["windows"], strict=True):
            assert window.id == true["id"]
            for mark, expected in (
                (window.indicator, true["indicator"]),
                (window.reference, true["reference"]),
            ):
                if expected["present"] and expected["peak_contrast"] >= 0.1:
                    assert mark.call in ("present", "undeveloped")
                if not expected["present"]:
                    assert mark.call in ("absent", "doubtful")


def test_another_plate_than_the_named_one_is_refused(photo: Path) -> None:
    assert read_photo(photo, layout="strip").status == "refused"


@pytest.mark.parametrize(
    ("kind", "code"),
    [
        ("noplate", "no_plate"),
        ("two", "two_plates"),
        ("cropped", "cropped"),
        ("mirrored", "mirrored"),
        ("blur", "blurred"),
        ("shaken", "shaken"),
        ("lampone", "glare"),
        ("overexposed", "overexposed"),
        ("small", "too_few_pixels"),
        ("hidden", "window_hidden"),
        ("glare", "glare"),
    ],
)
def test_a_photo_that_cannot_be_read_is_refused_with_reason_and_remedy(
    folder: Path, kind: Refusal, code: str
) -> None:
    taken = save(
        photograph(refusal_scene(load_layout("comb"), 77, kind, size=SIZE)), folder / f"refuse-{kind}"
    )
    verdict = read_photo(taken)
    assert verdict.status == "refused"
    assert verdict.refusal == code
    assert verdict.reason
    assert verdict.remedy
    assert verdict.grade is None
    assert not verdict.windows


@pytest.mark.parametrize("length_mm", [30.0, 101.0])
def test_a_pen_over_some_windows_or_all_of_them_hides_them_and_is_no_shake(
    folder: Path, length_mm: float
) -> None:
    scene = refusal_scene(load_layout("comb"), 79, "hidden", size=SIZE)
    pen = replace(scene.covers[0], size_mm=(length_mm, 11.0))
    taken = save(photograph(replace(scene, covers=(pen,))), folder / f"pen-{length_mm:.0f}")
    verdict = read_photo(taken)
    assert verdict.refusal == "window_hidden"
    windows = ("3", "4") if length_mm < 50 else ("1", "2", "3", "4", "5", "6")
    assert verdict.refusal_values == {"windows": windows}


@pytest.mark.parametrize("kind", ["shaken", "smeared"])
def test_a_slight_shake_or_one_along_the_lines_is_read(folder: Path, kind: Nearly) -> None:
    taken = save(
        photograph(nearly_scene(load_layout("comb"), 78, kind, size=SIZE)), folder / f"nearly-{kind}"
    )
    verdict = read_photo(taken)
    assert verdict.status == "read", verdict.reason


@pytest.mark.parametrize("kind", ["shrunk", "screenshot"])
def test_a_copy_with_too_few_pixels_asks_for_the_original_and_not_for_coming_closer(
    folder: Path, kind: Refusal
) -> None:
    taken = save(photograph(refusal_scene(load_layout("comb"), 79, kind, size=SIZE)), folder / f"copy-{kind}")
    verdict = read_photo(taken)
    assert verdict.status == "refused"
    assert "not_original" in verdict.photo.flags
    assert verdict.remedy is not None
    assert verdict.remedy.startswith("send the original file")


def test_a_file_that_is_no_photo_gets_a_refused_verdict(tmp_path: Path) -> None:
    note = tmp_path / "note.jpg"
    note.write_text("not a photo")
    verdict = read_photo(note)
    assert (verdict.status, verdict.refusal) == ("refused", "not_an_image")
    assert verdict.photo.sha256 is not None
    missing = read_photo(tmp_path / "missing.jpg")
    assert (missing.status, missing.photo.sha256) == ("refused", None)


def test_a_reading_age_is_held_against_the_layouts_range(photo: Path) -> None:
    late = read_photo(photo, reading_age_min=45)
    assert (late.grade, late.reading_age.status if late.reading_age else None) == ("invalid", "late")
    unknown = read_photo(photo)
    assert unknown.reading_age is not None
    assert unknown.reading_age.minutes is None
    before = read_photo(photo, drops_at=datetime.fromisoformat("2099-01-01T10:00"))
    assert before.reading_age is not None
    assert (before.grade, before.cause, before.reading_age.status) == ("undecided", "time", "contradictory")


def test_every_call_of_the_shared_photos_is_right_or_doubtful(shared_photos: Path) -> None:
    """A handful of the photos that lie beside the repository: no absent mark present, no clear mark absent."""
    for stem in ("comb-card-002", "comb-card-003", "comb-plain-003", "comb-plain-012", "strip-plain-002"):
        photo = shared_photos / f"{stem}.jpg"
        truth = json.loads(photo.with_suffix(".json").read_text())
        for window, true in zip(read_photo(photo).windows, truth["windows"], strict=True):
            for mark, expected in (
                (window.indicator, true["indicator"]),
                (window.reference, true["reference"]),
            ):
                if not expected["present"]:
                    assert mark.call in ("absent", "doubtful"), (stem, window.id)
                elif expected["peak_contrast"] >= 0.03:
                    assert mark.call in ("present", "doubtful", "undeveloped"), (stem, window.id)


def test_a_capture_time_is_believed_or_not_as_of_the_day_that_is_given(photo: Path) -> None:
    settings = load_settings("comb")
    taken = read_photo(photo).photo.captured_at
    assert taken is not None
    drops = taken - timedelta(minutes=20)
    for days, status in ((-1, "contradictory"), (1, "in_range")):
        reading = examine(photo, settings, drops_at=drops, now=taken + timedelta(days=days))
        assert reading.verdict.reading_age is not None
        assert reading.verdict.reading_age.status == status
