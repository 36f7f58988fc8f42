"""Positions, serial numbers and names are gone from a stripped picture, and its pixels are the same."""

import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pillow_heif
import pytest
from PIL import Image, ImageCms, PngImagePlugin

from reader.photo.open import open_photo
from reader.photo.strip_metadata import MetadataError, without_metadata

SECRETS = (b"SN-4711-0815", b"A. Lind", b"harbour office", b"2026:05:04", b"GPSLatitude")


def picture() -> Image.Image:
    random_ = np.random.default_rng(5)
    smooth = np.linspace(30, 220, 120)[:, None, None] * np.array([1.0, 0.8, 0.6])
    return Image.fromarray((smooth + random_.normal(0, 6, (120, 90, 3))).clip(0, 255).astype(np.uint8))


def exif() -> Image.Exif:
    """What phones write (CIPA DC-008): turn, make, owner, serial number, time, position."""
    block = Image.Exif()
    block[0x0112], block[0x010F], block[0x013B], block[0x9C9B] = (
        6,
        "SN-4711-0815",
        "A. Lind",
        b"harbour office",
    )
    inside = block.get_ifd(0x8769)
    inside[0xA431], inside[0x9003], inside[0xA430] = "SN-4711-0815", "2026:05:04 09:08:07", "A. Lind"
    position = block.get_ifd(0x8825)
    position[1], position[2], position[3], position[4] = "N", (54.0, 19.0, 30.7), "E", (10.0, 8.0, 12.3)
    position[29] = "2026:05:04"
    return block


XMP = b"<x:xmpmeta xmlns:x='adobe:ns:meta/'><a owner='A. Lind' exif:GPSLatitude='54,19.5N'/></x:xmpmeta>"


def save(form: str) -> bytes:
    file, profile = io.BytesIO(), ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    if form == "JPEG":
        picture().save(
            file, "JPEG", exif=exif(), icc_profile=profile, comment=b"harbour office", quality=90, xmp=XMP
        )
        return file.getvalue() + b"\0film with SN-4711-0815"
    if form == "PNG":
        text = PngImagePlugin.PngInfo()
        text.add_text("Author", "A. Lind")
        text.add_itxt("XML:com.adobe.xmp", XMP.decode())
        picture().save(file, "PNG", exif=exif(), icc_profile=profile, pnginfo=text)
    elif form == "WEBP":
        picture().save(file, "WEBP", exif=exif(), icc_profile=profile, xmp=XMP, lossless=True)
    elif form == "TIFF":
        picture().save(file, "TIFF", exif=exif(), icc_profile=profile, compression="tiff_lzw")
    else:
        pillow_heif.from_pillow(picture()).save(file, quality=90, exif=exif().tobytes(), xmp=XMP)
    return file.getvalue()


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP", "TIFF", "HEIC"])
def test_nothing_of_a_person_or_place_is_left_and_every_pixel_is(tmp_path: Path, form: str) -> None:
    data = save(form)
    assert any(secret in data for secret in SECRETS)
    made = without_metadata(data)
    assert [secret for secret in SECRETS if secret in made] == []
    before, after = tmp_path / f"before.{form}", tmp_path / f"after.{form}"
    before.write_bytes(data)
    after.write_bytes(made)
    first, second = open_photo(before), open_photo(after)
    assert (first.pixels == second.pixels).all()
    assert first.encoding == second.encoding
    assert first.captured_at is not None or form == "TIFF"  # where Pillow writes no capture time
    assert second.captured_at is None
    pillow_heif.register_heif_opener()
    with Image.open(after) as image:  # Pillow, not our own reader
        assert not dict(image.getexif().get_ifd(0x8825))
        assert not dict(image.getexif().get_ifd(0x8769))
    assert without_metadata(made) == made


@pytest.mark.parametrize(
    "change",
    [
        lambda data: data[: len(data) // 2],
        lambda data: b"GIF89a" + data,
        lambda data: b"",
        lambda data: data[:12],
    ],
    ids=["cut", "other", "empty", "head"],
)
@pytest.mark.parametrize("form", ["JPEG", "PNG", "TIFF", "HEIC"])
def test_what_is_no_whole_picture_is_refused_and_never_handed_on(
    form: str, change: Callable[[bytes], bytes]
) -> None:
    with pytest.raises(MetadataError):
        without_metadata(change(save(form)))
