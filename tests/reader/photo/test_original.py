"""Whether a file is the camera's own, and what is advised where it is not."""

from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from PIL import ExifTags, Image

from reader.errors import PhotoRefusedError
from reader.photo.open import ChromaInfo, Photo, open_photo
from reader.photo.original import advise, content, is_copy, mark_copy
from reader.refusals import FLAGS

NOON = datetime(2026, 5, 4, 12)


def table(width: int, height: int, *, code: float = 120.0, grain: float = 3.0) -> np.ndarray:
    """A table as a camera shows it: light that falls off, and grain."""
    rng = np.random.default_rng(3)
    light = code + np.linspace(-15, 15, width)[None, :, None] + np.linspace(-10, 10, height)[:, None, None]
    return np.clip(np.rint(light + rng.normal(0, grain, (height, width, 3))), 0, 255).astype(np.uint8)


def photo(pixels: np.ndarray, **fields: object) -> Photo:
    lossy = ChromaInfo(subsampling="4:2:0", jpeg_quality=90, chroma_quality=90, lossy=True)
    return replace(Photo(name="plate.jpg", pixels=pixels, sha256="", chroma=lossy), **fields)  # type: ignore[arg-type]


LARGE = table(2400, 1800)


def test_a_large_file_without_camera_data_is_no_copy() -> None:
    assert not is_copy(photo(LARGE))
    assert mark_copy(photo(LARGE)).notes == ()


def test_a_small_file_is_a_copy_unless_a_camera_says_that_it_saved_it_so() -> None:
    small = table(1600, 1200)
    assert is_copy(photo(small))
    assert not is_copy(photo(small, captured_at=NOON, tagged_size=(1600, 1200)))
    assert not is_copy(photo(small, captured_at=NOON))


def test_a_file_whose_tags_give_another_size_was_shrunk_or_cut() -> None:
    assert is_copy(photo(LARGE, captured_at=NOON, tagged_size=(4032, 3024)))
    assert not is_copy(photo(LARGE, captured_at=NOON, tagged_size=(1800, 2400)))  # turned upright
    assert not is_copy(photo(LARGE, captured_at=NOON, tagged_size=(2400, 1808)))  # padded to whole blocks


def test_hard_compression_without_camera_data_tells_a_messenger() -> None:
    hard = ChromaInfo(subsampling="4:2:0", jpeg_quality=65, chroma_quality=65, lossy=True)
    assert is_copy(photo(LARGE, chroma=hard))
    assert not is_copy(photo(LARGE, chroma=hard, captured_at=NOON))


def test_a_screens_shape_tells_a_screenshot() -> None:
    assert is_copy(photo(table(1500, 3200)))


@pytest.mark.parametrize("turn", [0, 1])
@pytest.mark.parametrize("bar_code", [0, 255, 28])
def test_bars_are_told_and_left_out(turn: int, bar_code: int) -> None:
    shown = table(1600, 2400)
    shown[:300], shown[-200:] = bar_code, bar_code
    found = photo(np.ascontiguousarray(np.rot90(shown, turn)), captured_at=NOON)
    rows, columns = content(found)
    along = rows if turn == 0 else columns
    assert (along.start, along.stop) == (300, 2200)
    assert is_copy(found)


def test_a_table_blown_out_to_white_has_no_bars() -> None:
    shown = table(2400, 1800, code=150)
    yy, xx = np.mgrid[:1800, :2400]
    edge = 250 + 60 * np.sin(xx / 200) + 0.08 * xx  # where a lamp's white pool ends, seldom along the rows
    shown[yy < edge] = 255
    shown[yy > 1800 - edge] = 255
    assert content(photo(shown)) == (slice(0, 1800), slice(0, 2400))


def test_a_picture_of_one_colour_is_all_picture() -> None:
    black = np.zeros((400, 300, 3), np.uint8)
    assert content(photo(black)) == (slice(0, 400), slice(0, 300))


def test_sixteen_bits_have_bars_too() -> None:
    deep = table(2400, 1800).astype(np.uint16) * 257
    deep[:200] = 0
    assert content(photo(deep))[0] == slice(200, 1800)


def test_what_a_copy_has_lost_is_asked_for_and_what_it_has_not_is_not() -> None:
    copy = mark_copy(photo(table(1600, 1200)))
    assert copy.notes == ("not_original",)
    few = PhotoRefusedError(
        "too_few_pixels", "the plate is too small in the picture", "move 2 times as close"
    )
    assert advise(copy, few).code == "too_few_pixels"
    assert advise(copy, few).remedy.startswith("send the original file")
    assert "the file is not the camera's own" in advise(copy, few).reason
    assert advise(photo(LARGE), few) is few
    mirrored = PhotoRefusedError("mirrored", "the picture is mirrored", "switch mirroring off")
    assert advise(copy, mirrored) is mirrored
    assert "send the original file" in FLAGS["not_original"]


def test_the_size_in_a_files_tags_is_read(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif.get_ifd(ExifTags.IFD.Exif).update(
        {
            ExifTags.Base.ExifImageWidth: 4032,
            ExifTags.Base.ExifImageHeight: 3024,
            ExifTags.Base.DateTimeOriginal: "2026:05:04 12:00:00",
        }
    )
    path = tmp_path / "small.jpg"
    Image.fromarray(table(800, 600)).save(path, quality=90, exif=exif)
    found = open_photo(path)
    assert found.tagged_size == (4032, 3024)
    assert is_copy(found)
