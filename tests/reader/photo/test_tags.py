"""JPEG headers, EXIF and ICC profiles, against what Pillow and LittleCMS wrote."""

from datetime import datetime, timedelta, timezone

import numpy as np
import pytest
from numpy.testing import assert_allclose
from PIL import ImageCms

from fixtures.pictures import P3_TO_XYZ, encoded, exif_block, icc_profile
from reader.photo.light import XYZ_OF_LINEAR_SRGB
from reader.photo.tags import (
    PRIMARIES_D50,
    BrokenTagsError,
    encoding_of_icc,
    read_exif,
    read_jpeg_header,
)

PICTURE = np.random.default_rng(1).integers(0, 256, (64, 80, 3)).astype(np.uint8)


# Pillow hands the quality to libjpeg, which scales the tables of T.81 annex K by the IJG's rule
@pytest.mark.parametrize("quality", range(4, 101))  # below 4 the tables are clipped alike
def test_the_quality_that_libjpeg_was_given_is_found_again(quality: int) -> None:
    header = read_jpeg_header(encoded("jpeg", PICTURE, quality=quality))
    assert (header.quality, header.chroma_quality) == (quality, quality)


@pytest.mark.parametrize(("option", "name"), [(0, "4:4:4"), (1, "4:2:2"), (2, "4:2:0")])
def test_the_subsampling_that_libjpeg_was_given_is_found_again(option: int, name: str) -> None:
    assert read_jpeg_header(encoded("jpeg", PICTURE, subsampling=option)).subsampling == name


def test_a_grey_jpeg_has_no_chroma() -> None:
    header = read_jpeg_header(encoded("jpeg", PICTURE[..., 0]))
    assert (header.subsampling, header.chroma_quality, header.sampling) == (None, None, ((1, 1),))


def test_a_jpeg_tells_its_size_and_scans() -> None:
    assert (
        read_jpeg_header(encoded("jpeg", PICTURE)).width,
        read_jpeg_header(encoded("jpeg", PICTURE)).height,
    ) == (80, 64)
    assert read_jpeg_header(encoded("jpeg", PICTURE)).n_scans == 1
    assert read_jpeg_header(encoded("jpeg-progressive", PICTURE)).n_scans > 2


def test_a_profile_split_over_several_segments_is_joined() -> None:
    long = icc_profile("srgb").getvalue() + bytes(150_000)
    assert read_jpeg_header(encoded("jpeg", PICTURE, icc_profile=long)).icc == long


def test_every_shortened_jpeg_is_broken_not_crashed_on() -> None:
    data = encoded("jpeg", PICTURE, exif=exif_block(orientation=6))
    for length in range(2, len(data) - 1):
        with pytest.raises(BrokenTagsError):
            read_jpeg_header(data[:length])


# EXIF (CIPA DC-008): DateTimeOriginal is local, OffsetTimeOriginal its offset; 09:08:07+02:00 is 07:08:07Z
def test_a_time_with_its_offset_is_an_instant() -> None:
    exif = read_exif(exif_block(time="2026:05:04 09:08:07", offset="+02:00"))
    assert exif.captured_at == datetime.fromisoformat("2026-05-04T07:08:07Z")
    assert exif.captured_at.utcoffset() == timedelta(hours=2)
    assert exif.notes == ()


@pytest.mark.parametrize(
    ("offset", "hours"), [("-03:30", -3.5), ("+00:00", 0), ("+14:00", 14), ("-12:00", -12)]
)
def test_offsets_east_and_west_are_kept(offset: str, hours: float) -> None:
    exif = read_exif(exif_block(time="2026:05:04 09:08:07", offset=offset))
    assert exif.captured_at == datetime(2026, 5, 4, 9, 8, 7, tzinfo=timezone(timedelta(hours=hours)))


@pytest.mark.parametrize("offset", [None, "", "   :  ", "+25:00", "+02:60", "0200", "Z+02:00", "+2:00"])
def test_without_a_sound_offset_the_time_stays_naive_and_is_noted(offset: str | None) -> None:
    exif = read_exif(exif_block(time="2026:05:04 09:08:07", offset=offset))
    assert exif.captured_at == datetime(2026, 5, 4, 9, 8, 7)
    assert exif.captured_at.tzinfo is None
    assert exif.notes == ("no_time_offset",)


@pytest.mark.parametrize(
    "time",
    [
        *("0000:00:00 00:00:00", "    :  :     :  :  ", "2026:13:01 00:00:00", "2026:02:30 12:00:00"),
        *(
            "2026:05:04 24:00:00",
            "2026:05:04 12:00:61",
            "yesterday",
            "",
            "2026-05-04 09:08",
            "٢٠٢٦:05:04 09:08:07",
        ),
    ],
)
def test_a_time_that_makes_no_sense_is_left_out_with_a_note(time: str) -> None:
    exif = read_exif(exif_block(time=time, offset="+02:00"))
    assert exif.captured_at is None
    assert exif.notes == ("odd_capture_time",)


def test_a_missing_time_is_none_without_a_note() -> None:
    assert read_exif(exif_block(offset="+02:00")).captured_at is None
    assert read_exif(exif_block(offset="+02:00")).notes == ()
    assert read_exif(None).captured_at is None


@pytest.mark.parametrize(
    ("fraction", "microsecond"), [("5", 500_000), ("042", 42_000), ("1234567", 123_456), ("x", 0)]
)
def test_a_fraction_of_a_second_is_read_as_decimals(fraction: str, microsecond: int) -> None:
    exif = read_exif(exif_block(time="2026:05:04 09:08:07", offset="+02:00", fraction=fraction))
    assert exif.captured_at is not None
    assert exif.captured_at.microsecond == microsecond


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_an_orientation_outside_1_to_8_is_taken_as_1_and_noted(orientation: int) -> None:
    exif = read_exif(exif_block(orientation=orientation))
    assert (exif.orientation, exif.notes) == (1, ("odd_orientation",))


def test_an_orientation_that_is_no_number_is_taken_as_1_and_noted() -> None:
    exif = read_exif(exif_block(orientation=6).replace(b"\x01\x12\x00\x03", b"\x01\x12\x00\x02"))
    assert (exif.orientation, exif.notes) == (1, ("odd_orientation",))


def test_both_byte_orders_are_read() -> None:
    little = b"II*\0\x08\0\0\0\x01\0" + b"\x12\x01\x03\0\x01\0\0\0\x06\0\0\0" + bytes(4)
    big = b"MM\0*\0\0\0\x08\0\x01" + b"\x01\x12\0\x03\0\0\0\x01\0\x06\0\0" + bytes(4)
    assert read_exif(little).orientation == read_exif(big).orientation == 6
    assert little[read_exif(little).orientation_at or 0] == 6


def test_a_cut_exif_block_says_nothing_wrong_and_keeps_what_it_can() -> None:
    block = exif_block(orientation=6, time="2026:05:04 09:08:07", offset="+02:00")
    whole = read_exif(block)
    assert whole.orientation_at is not None
    for length in range(len(block)):
        cut = read_exif(block[:length])
        assert cut.captured_at in (None, whole.captured_at, datetime(2026, 5, 4, 9, 8, 7))
        assert cut.orientation == (6 if length > 6 + whole.orientation_at + 3 else 1)
        assert cut.notes or cut.captured_at == whole.captured_at or not length


def test_an_exif_block_that_is_none_is_noted() -> None:
    assert read_exif(b"Exif\0\0nonsense").notes == ("broken_exif",)
    assert read_exif(b"II+\0\x08\0\0\0\0\0\0\0").notes == ("broken_exif",)  # BigTIFF's magic


def test_littlecms_srgb_profile_is_srgb() -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    assert encoding_of_icc(profile) == "srgb"


def test_profiles_are_told_by_their_numbers() -> None:
    assert encoding_of_icc(icc_profile("srgb").getvalue()) == "srgb"
    assert encoding_of_icc(icc_profile("display-p3").getvalue()) == "display-p3"
    assert encoding_of_icc(icc_profile("srgb", grey=True).getvalue()) == "srgb"
    assert encoding_of_icc(icc_profile("wide").getvalue()) is None
    assert encoding_of_icc(icc_profile("srgb", gamma=2.2).getvalue()) is None
    assert encoding_of_icc(icc_profile("srgb", gamma=1.8, grey=True).getvalue()) is None


def test_a_tabulated_srgb_curve_is_known_too() -> None:
    codes = np.arange(1024) / 1023
    light = np.where(codes <= 0.04045, codes / 12.92, ((codes + 0.055) / 1.055) ** 2.4)
    table = b"curv" + bytes(4) + (1024).to_bytes(4, "big") + np.rint(light * 65535).astype(">u2").tobytes()
    assert encoding_of_icc(icc_profile("display-p3", curve=table).getvalue()) == "display-p3"


def test_a_cut_profile_is_unknown_not_an_error() -> None:
    whole = icc_profile("srgb").getvalue()
    for length in range(len(whole) - 8):
        assert encoding_of_icc(whole[:length]) in (None, "srgb")
    assert encoding_of_icc(b"") is None


# Bradford adaptation D65 -> D50, as published (Lindbloom; recomputed with colour-science)
def test_the_profiles_primaries_are_the_standards_adapted_to_d50() -> None:
    bradford = np.array(
        [[1.047811, 0.022887, -0.050127], [0.029542, 0.990484, -0.017049], [-0.009234, 0.015044, 0.752132]]
    )
    assert_allclose((bradford @ XYZ_OF_LINEAR_SRGB).T, PRIMARIES_D50["srgb"], atol=3e-4)
    assert_allclose((bradford @ P3_TO_XYZ).T, PRIMARIES_D50["display-p3"], atol=3e-4)
