"""Whatever the bytes, the loader gives a sound photo or refuses in one clear line, and nothing else."""

import functools
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fixtures.pictures import FORMS, encoded, exif_block, icc_profile
from reader.errors import PhotoRefusedError
from reader.photo import open as photo
from reader.photo.tags import (
    BrokenTagsError,
    encoding_of_icc,
    read_exif,
    read_jpeg_header,
    read_tiff_fields,
)
from reader.refusals import FLAGS, REFUSALS

MAGIC = (
    b"",
    b"\xff\xd8\xff",
    b"\x89PNG\r\n\x1a\n",
    b"II*\0",
    b"MM\0*",
    b"RIFF\0\0\0\0WEBP",
    b"\0\0\0\x18ftypheic",
)
fuzz = settings(
    deadline=None,
    max_examples=300,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@functools.cache
def sound(form: str) -> bytes:
    """A small sound file of a form, with the metadata that the loader reads where the form takes it."""
    rgb = np.random.default_rng(3).integers(60, 200, (64, 72, 3)).astype(np.uint8)
    exif = exif_block(orientation=6, time="2026:05:04 09:08:07", offset="+02:00")
    takes_profile = form not in ("jpeg-cmyk", "tiff-lzw", "tiff-jpeg", "tiff-16")
    options = {"icc_profile": icc_profile("display-p3").getvalue()} if takes_profile else {}
    return encoded(form, rgb, exif=exif, **options)


@st.composite
def damaged_files(draw: st.DrawFn) -> bytes:
    """A sound file with a few bytes changed, cut out or put in, perhaps cut short."""
    data = bytearray(sound(draw(st.sampled_from(sorted(FORMS)))))
    head = draw(st.booleans())  # headers are short, and where most can go wrong
    for _ in range(draw(st.integers(0, 4))):
        at = draw(st.integers(0, min(len(data) - 1, 400) if head else len(data) - 1))
        length = draw(st.integers(0, 6))
        data[at : at + length] = draw(st.binary(min_size=0, max_size=6) | st.just(b"\xff" * length))
    if draw(st.booleans()):
        del data[draw(st.integers(0, len(data))) :]
    return bytes(data)


@pytest.fixture(scope="module")
def path() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as folder:
        yield Path(folder) / "photo"


@pytest.fixture(scope="module", autouse=True)
def few_pixels() -> Iterator[None]:
    """Keep headers that claim a hundred megapixels from slowing the test down; the limit has its own test."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(photo, "MAX_PIXELS", 500_000)
        yield


def check(path: Path, data: bytes) -> None:
    path.write_bytes(data)
    try:
        opened: photo.Photo | PhotoRefusedError = photo.open_photo(path)
    except PhotoRefusedError as refused:
        opened = refused
    if isinstance(opened, PhotoRefusedError):
        assert opened.code in REFUSALS
        assert str(opened).isprintable()
        assert len(str(opened)) < 500
        return
    assert opened.pixels.dtype in (np.uint8, np.uint16)
    assert opened.pixels.ndim == 3
    assert opened.pixels.shape[2] == 3
    assert min(opened.pixels.shape[:2]) >= photo.MIN_SIDE_PX
    assert opened.encoding in ("srgb", "display-p3")
    assert set(opened.notes) <= set(FLAGS)


def test_the_files_to_be_damaged_are_sound(path: Path) -> None:
    for form in FORMS:
        path.write_bytes(sound(form))
        assert photo.open_photo(path).notes == (), form


@fuzz
@given(data=st.builds(bytes.__add__, st.sampled_from(MAGIC), st.binary(max_size=300)))
def test_random_bytes_never_crash_the_loader(path: Path, data: bytes) -> None:
    check(path, data)


@settings(fuzz, max_examples=1000)
@given(data=damaged_files())
def test_damaged_files_never_crash_the_loader(path: Path, data: bytes) -> None:
    check(path, data)


@fuzz
@given(
    data=st.builds(bytes.__add__, st.sampled_from(MAGIC), st.binary(max_size=200)),
    wanted=st.integers(0, 65535),
)
def test_random_bytes_never_crash_the_readers_of_tags(data: bytes, wanted: int) -> None:
    read_exif(data)
    encoding_of_icc(data)
    for read in (read_jpeg_header, functools.partial(read_tiff_fields, wanted={wanted})):
        with suppress(BrokenTagsError):
            read(data)


@st.composite
def damaged_profiles(draw: st.DrawFn) -> bytes:
    data = bytearray(icc_profile(draw(st.sampled_from(["srgb", "display-p3", "wide"]))).getvalue())
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(data) - 5))
        data[at : at + 4] = draw(st.binary(min_size=4, max_size=4))
    return bytes(data)


@fuzz
@given(profile=damaged_profiles())
def test_damaged_profiles_never_crash_the_loader(path: Path, profile: bytes) -> None:
    rgb = np.full((64, 64, 3), 120, np.uint8)
    check(path, encoded("jpeg", rgb, icc_profile=profile))
