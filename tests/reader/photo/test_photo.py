"""The loader: every form alike, upright once, limits before memory, and nothing of the phone's owner kept."""

import dataclasses
import errno
import hashlib
import os
import pickle
import struct
import subprocess
import sys
import zlib
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms

from fixtures.pictures import FORMS, P3_TO_XYZ, encoded, exif_block, icc_profile
from reader.errors import PhotoRefusedError
from reader.photo.light import decode_srgb, encode_srgb, linear
from reader.photo.open import MAX_FILE_BYTES, MAX_PIXELS, Photo, open_photo
from reader.refusals import FLAGS

Open = Callable[[bytes], Photo]


@pytest.fixture
def opened(tmp_path: Path) -> Open:
    """A function that opens bytes as a file, whose name tells nothing."""

    def open_bytes(data: bytes) -> Photo:
        path = tmp_path / "photo.bin"
        path.write_bytes(data)
        return open_photo(path)

    return open_bytes


def refusal(opened: Open, data: bytes) -> PhotoRefusedError:
    with pytest.raises(PhotoRefusedError) as caught:
        opened(data)
    assert caught.value.reason
    assert caught.value.remedy
    assert "\n" not in str(caught.value)
    return caught.value


def plate_like(height: int = 96, width: int = 128) -> np.ndarray:
    """A smooth picture with a pale surface, a few colours and a shaded corner, RGB."""
    rows, columns = np.mgrid[0:height, 0:width]
    rgb = np.stack([225 - 40 * rows / height, 220 - 50 * columns / width, 210 - 30 * rows / height], axis=-1)
    rgb[30:40, 20:100] = [214, 150, 165]
    rgb[60:80, 70:110] = [60, 80, 190]
    rgb[60:80, 20:50] = [40, 40, 40]
    return cv2.GaussianBlur(rgb, (0, 0), 2).round().astype(np.uint8)


# ------------------------------------------------------------------------------------------ every form alike

# largest and mean difference allowed, in 8-bit codes: none where the form keeps every code
EXACT = {"png", "png-16", "tiff", "tiff-lzw", "tiff-16", "webp"}
LOSSES = {form: (0.0, 0.0) if form in EXACT else (12.0, 2.0) for form in FORMS} | {"png-palette": (24.0, 2.0)}


@pytest.mark.parametrize("form", FORMS)
def test_the_same_picture_is_the_same_in_every_form(opened: Open, form: str) -> None:
    rgb = plate_like()
    photo = opened(encoded(form, rgb))
    assert photo.pixels.shape == rgb.shape
    depth = 257 if photo.pixels.dtype == np.uint16 else 1
    difference = np.abs(photo.pixels[..., ::-1] / depth - rgb)
    largest, mean = LOSSES[form]
    assert difference.max() <= largest
    assert difference.mean() <= mean
    assert (photo.encoding, photo.captured_at, photo.notes) == ("srgb", None, ())
    assert (photo.width, photo.height) == (128, 96)


@pytest.mark.parametrize("form", ["png-16", "tiff-16"])
def test_sixteen_bits_are_kept(opened: Open, form: str) -> None:
    rgb = np.random.default_rng(0).integers(0, 65536, (70, 80, 3)).astype(np.uint16)
    photo = opened(encoded(form, rgb))
    assert photo.pixels.dtype == np.uint16
    assert (photo.pixels[..., ::-1] == rgb).all()


def test_ten_bits_of_heic_fill_sixteen_up_to_white(opened: Open) -> None:
    rgb = np.zeros((64, 64, 3), np.uint16)
    rgb[:, 32:] = 65535
    photo = opened(encoded("heic", rgb, chroma=444))
    assert photo.pixels.dtype == np.uint16
    assert (photo.pixels[10, 50] == 65535).all()
    assert (photo.pixels[10, 10] == 0).all()


@pytest.mark.parametrize("form", ["jpeg", "png", "png-16", "tiff", "tiff-16", "heic"])
def test_grey_becomes_three_equal_channels(opened: Open, form: str) -> None:
    grey = plate_like()[..., 1]
    photo = opened(encoded(form, grey))
    assert photo.pixels.shape == (*grey.shape, 3)
    spread = photo.pixels.max(axis=2).astype(int) - photo.pixels.min(axis=2)
    assert spread.max() <= (2 if form == "heic" else 0)


@pytest.mark.parametrize("form", ["png", "png-16", "tiff", "tiff-16", "webp"])
def test_opaque_alpha_is_dropped_and_other_is_laid_on_white(opened: Open, form: str) -> None:
    rgba = np.dstack([plate_like(), np.full((96, 128), 255, np.uint8)])
    opaque = opened(encoded(form, rgba))
    depth = 257 if opaque.pixels.dtype == np.uint16 else 1
    assert (opaque.pixels[..., ::-1] == rgba[..., :3].astype(int) * depth).all()
    assert opaque.notes == ()
    rgba[:48, :, 3] = 0
    rgba[48:, :64, 3] = 51  # a fifth
    through = opened(encoded(form, rgba))
    assert through.notes == ("was_transparent",)
    assert (through.pixels[:48] == 255 * depth).all()
    expected = rgba[60, 10, 2::-1] * 0.2 + 255 * 0.8
    assert np.abs(through.pixels[60, 10] / depth - expected).max() <= 1
    assert (through.pixels[60, 100] == rgba[60, 100, 2::-1].astype(int) * depth).all()


def test_a_transparent_palette_colour_is_laid_on_white(opened: Open) -> None:
    rgb = np.zeros((64, 64, 3), np.uint8)
    rgb[:, 32:] = (200, 60, 60)
    image = Image.fromarray(rgb).quantize(2)
    index = int(np.asarray(image)[0, 0])
    photo = opened(encoded("png-palette", rgb, transparency=index))
    assert (photo.pixels[5, 5] == 255).all()
    assert photo.pixels[5, 40].tolist() == [60, 60, 200]
    assert photo.notes == ("was_transparent",)


@pytest.mark.parametrize("suffix", ["jpg", "png", "heic", "txt", ""])
def test_the_content_counts_not_the_files_name(tmp_path: Path, suffix: str) -> None:
    for form in ("jpeg", "png", "tiff", "webp", "heic"):
        path = tmp_path / f"photo.{suffix}"
        path.write_bytes(encoded(form, plate_like()))
        photo = open_photo(path)
        assert photo.name == path.name
        assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_pixels_cannot_be_changed_by_a_later_stage(opened: Open) -> None:
    for form in FORMS:
        pixels = opened(encoded(form, plate_like(), exif=exif_block(orientation=6))).pixels
        assert pixels.flags.c_contiguous
        with pytest.raises(ValueError, match="read-only"):
            pixels[0, 0] = 0


def test_only_the_first_of_several_pictures_is_read_and_it_is_said(opened: Open) -> None:
    first, second = Image.fromarray(plate_like()), Image.new("RGB", (128, 96))
    for form in ("tiff", "webp", "png"):
        data = encoded(form, plate_like(), save_all=True, append_images=[second])
        photo = opened(data)
        assert photo.notes == ("several_pictures",), form
        assert (photo.pixels[..., ::-1] == np.asarray(first)).all()


# ---------------------------------------------------------------------------------------------- orientation

# EXIF (CIPA DC-008), tag 0x0112: where row 0 and column 0 belong; as jpegexiforient's manual draws it
TURNED = {
    1: ["123", "456"],
    2: ["321", "654"],
    3: ["654", "321"],
    4: ["456", "123"],
    5: ["14", "25", "36"],
    6: ["41", "52", "63"],
    7: ["63", "52", "41"],
    8: ["36", "25", "14"],
}
BLOCK = 32
LEVELS = np.array([20, 60, 100, 140, 180, 220])


def blocks(photo: Photo) -> list[str]:
    """Read the digits of six grey blocks back from a photo."""
    depth = 257 if photo.pixels.dtype == np.uint16 else 1
    centres = photo.pixels[BLOCK // 2 :: BLOCK, BLOCK // 2 :: BLOCK, 1] / depth
    return ["".join(str(np.abs(LEVELS - v).argmin() + 1) for v in row) for row in centres]


@pytest.mark.parametrize("form", [f for f in FORMS if f != "png-palette"])
@pytest.mark.parametrize("orientation", TURNED)
def test_each_orientation_is_undone_exactly_once(opened: Open, form: str, orientation: int) -> None:
    stored = np.kron(LEVELS.reshape(2, 3), np.ones((BLOCK, BLOCK))).astype(np.uint8)
    data = encoded(form, np.dstack([stored] * 3), exif=exif_block(orientation=orientation))
    photo = opened(data)
    assert blocks(photo) == TURNED[orientation]
    assert photo.notes == ()


@pytest.mark.parametrize("form", ["jpeg", "png", "tiff", "tiff-16", "webp"])
def test_an_odd_orientation_leaves_the_photo_as_stored_and_is_noted(opened: Open, form: str) -> None:
    stored = np.kron(LEVELS.reshape(2, 3), np.ones((BLOCK, BLOCK))).astype(np.uint8)
    photo = opened(encoded(form, np.dstack([stored] * 3), exif=exif_block(orientation=9)))
    assert blocks(photo) == TURNED[1]
    assert photo.notes == ("odd_orientation",)


# ------------------------------------------------------------------------------------------------------ time


@pytest.mark.parametrize("form", ["jpeg", "jpeg-cmyk", "png", "png-16", "tiff", "webp", "heic"])
def test_the_capture_time_is_found_in_every_form(opened: Open, form: str) -> None:
    exif = exif_block(orientation=1, time="2026:05:04 09:08:07", offset="+02:00")
    photo = opened(encoded(form, plate_like(), exif=exif))
    assert photo.captured_at == datetime.fromisoformat("2026-05-04T07:08:07Z")
    assert photo.notes == ()


def test_a_time_without_offset_is_flagged_and_never_taken_as_utc(opened: Open) -> None:
    photo = opened(encoded("jpeg", plate_like(), exif=exif_block(time="2026:05:04 09:08:07")))
    assert photo.captured_at == datetime(2026, 5, 4, 9, 8, 7)
    assert photo.notes == ("no_time_offset",)


def test_no_time_is_none(opened: Open) -> None:
    photo = opened(encoded("jpeg", plate_like()))
    assert photo.captured_at is None


def test_a_broken_exif_block_costs_only_the_exif(opened: Open) -> None:
    photo = opened(encoded("jpeg", plate_like(), exif=b"Exif\0\0MM\0*\xff\xff\xff\xff"))
    assert photo.notes == ("broken_exif",)


# ---------------------------------------------------------------------------------------------------- colour


def p3_codes(rgb: np.ndarray, top: int) -> np.ndarray:
    """The colours of sRGB codes 0..255 as Display-P3 codes, by matrices from both standards' primaries."""
    srgb_to_xyz = np.array(  # IEC 61966-2-1
        [
            [0.4124564, 0.3575761, 0.1804375],
            [0.2126729, 0.7151522, 0.0721750],
            [0.0193339, 0.1191920, 0.9503041],
        ]
    )
    light = decode_srgb(rgb / 255) @ (np.linalg.inv(P3_TO_XYZ) @ srgb_to_xyz).T
    return np.rint(encode_srgb(light) * top).astype(np.uint8 if top == 255 else np.uint16)


@pytest.mark.parametrize("form", ["jpeg", "png", "png-16", "tiff", "webp", "heic"])
def test_a_display_p3_photo_holds_the_same_light_as_the_srgb_one(opened: Open, form: str) -> None:
    rgb = plate_like()
    deep = form == "png-16"
    data = (
        encoded(form, p3_codes(rgb, 65535 if deep else 255), icc_profile=icc_profile("display-p3").getvalue())
        if form != "heic"
        else heic_with_profile(p3_codes(rgb, 255), icc_profile("display-p3").getvalue())
    )
    photo = opened(data)
    assert photo.encoding == "display-p3"
    difference = np.abs(linear(photo.pixels, photo.encoding) - decode_srgb(rgb / 255))
    assert difference.mean() < (1e-5 if deep else 0.002 if form in EXACT else 0.01)


def heic_with_profile(rgb: np.ndarray, icc: bytes) -> bytes:
    return encoded("heic", rgb, icc_profile=icc)


@pytest.mark.parametrize("form", ["jpeg", "png", "tiff", "webp"])
def test_an_srgb_profile_changes_nothing(opened: Open, form: str) -> None:
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    tagged = opened(encoded(form, plate_like(), icc_profile=icc))
    assert (tagged.pixels == opened(encoded(form, plate_like())).pixels).all()
    assert (tagged.encoding, tagged.notes) == ("srgb", ())


@pytest.mark.parametrize("form", ["jpeg", "png", "png-16", "tiff"])
def test_another_profile_is_converted_to_srgb_and_noted(opened: Open, form: str) -> None:
    rgb = np.full((64, 64, 3), (120, 130, 100), np.uint8)
    photo = opened(encoded(form, rgb, icc_profile=icc_profile("wide", gamma=2.2).getvalue()))
    assert (photo.encoding, photo.notes) == ("srgb", ("profile_converted",))
    # by hand: gamma 563/256, the profile's D50 primaries, Bradford to D65, the sRGB matrix and curve
    d50 = np.array([[0.60974, 0.20528, 0.14919], [0.31111, 0.62567, 0.06322], [0.01947, 0.06087, 0.74457]])
    srgb_d50 = np.array([[0.4361, 0.3851, 0.1431], [0.2225, 0.7169, 0.0606], [0.0139, 0.0971, 0.7141]])
    light = np.linalg.inv(srgb_d50) @ d50 @ (np.array([120, 130, 100]) / 255) ** (563 / 256)
    expected = encode_srgb(light) * 255
    assert np.abs(photo.pixels[30, 30, ::-1] - expected).max() <= (3 if form == "jpeg" else 1)


def test_a_grey_profile_with_another_curve_is_converted(opened: Open) -> None:
    grey = np.full((64, 64), 128, np.uint8)
    photo = opened(encoded("png", grey, icc_profile=icc_profile("srgb", gamma=1.0, grey=True).getvalue()))
    assert photo.notes == ("profile_converted",)
    assert (
        np.abs(photo.pixels[5, 5].astype(int) - 188).max() <= 1
    )  # IEC 61966-2-1: half the light is code 188


def test_a_useless_profile_is_noted_and_the_colours_are_taken_as_srgb(opened: Open) -> None:
    photo = opened(encoded("jpeg", plate_like(), icc_profile=b"not a profile" * 20))
    assert photo.notes == ("profile_unusable",)
    assert (photo.pixels == opened(encoded("jpeg", plate_like())).pixels).all()


def test_heic_names_display_p3_by_its_codes(opened: Open) -> None:
    # ITU-T H.273: primaries 12 = SMPTE EG 432-1, transfer 13 = sRGB curve, 16 = PQ
    image = np.full((64, 64, 3), 128, np.uint8)
    nclx = {
        "color_primaries": 12,
        "transfer_characteristics": 13,
        "matrix_coefficients": 6,
        "full_range_flag": 1,
    }
    assert opened(encoded("heic", image, **nclx)).encoding == "display-p3"
    hdr = nclx | {"color_primaries": 9, "transfer_characteristics": 16}
    assert refusal(opened, encoded("heic", image, **hdr)).code == "unusual_encoding"


@pytest.mark.parametrize(
    ("form", "options", "subsampling", "quality", "lossy"),
    [
        ("jpeg", {"subsampling": 0, "quality": 92}, "4:4:4", 92, True),
        ("jpeg", {"subsampling": 1, "quality": 75}, "4:2:2", 75, True),
        ("jpeg", {"subsampling": 2, "quality": 60}, "4:2:0", 60, True),
        ("png", {}, "4:4:4", None, False),
        ("tiff", {}, "4:4:4", None, False),
        ("tiff-jpeg", {}, None, None, True),
        ("webp", {}, "4:4:4", None, False),
        ("webp-lossy", {}, "4:2:0", None, True),
        ("heic", {"chroma": 420}, "4:2:0", None, True),
        ("heic", {"chroma": 444}, "4:4:4", None, True),
    ],
)
def test_how_far_colour_can_be_trusted_is_told(
    opened: Open, form: str, options: dict[str, int], subsampling: str, quality: int | None, lossy: bool
) -> None:
    chroma = opened(encoded(form, plate_like(), **options)).chroma
    assert (chroma.subsampling, chroma.jpeg_quality, chroma.chroma_quality) == (subsampling, quality, quality)
    assert chroma.lossy == lossy


# --------------------------------------------------------------------------------------------------- privacy


@pytest.mark.parametrize("form", ["jpeg", "png", "tiff", "webp", "heic"])
def test_position_and_serial_numbers_never_leave_the_file(opened: Open, form: str) -> None:
    data = encoded(form, plate_like(), exif=exif_block(orientation=6, time="2026:05:04 09:08:07"))
    assert b"SERIAL-12345" in data
    photo = opened(data)
    assert {f.name for f in dataclasses.fields(photo)} == {
        *("name", "pixels", "encoding", "captured_at", "tagged_size", "sha256", "chroma", "notes")
    }
    for kept in (pickle.dumps(photo), repr(photo).encode()):
        assert b"SERIAL" not in kept
        assert b"PHONE-MODEL" not in kept
        assert b"2031:01:01" not in kept


# ------------------------------------------------------------------------------------------------- bad input


@pytest.mark.parametrize("form", FORMS)
def test_a_file_cut_anywhere_is_refused(opened: Open, form: str) -> None:
    data = encoded(form, plate_like())
    for share in (0.1, 0.3, 0.5, 0.7, 0.9, 0.97):
        error = refusal(opened, data[: int(len(data) * share)])
        assert error.code == "damaged"
        assert "copy it whole" in error.remedy


@pytest.mark.parametrize("form", ["jpeg", "jpeg-progressive"])
def test_a_jpeg_that_lost_as_little_as_its_end_marker_is_refused(opened: Open, form: str) -> None:
    data = encoded(form, plate_like())
    assert "ends before its picture does" in refusal(opened, data[:-2]).reason
    assert "ends before its picture does" in refusal(opened, data[:-2] + bytes(5000)).reason


def test_a_jpeg_with_a_hole_is_refused_although_decoders_fill_it_with_grey(opened: Open) -> None:
    noisy = np.random.default_rng(0).integers(0, 256, (200, 300, 3)).astype(np.uint8)
    data = encoded("jpeg", noisy)
    middle = len(data) // 2
    broken = data[:middle] + bytes(3000) + data[middle + 3000 :]
    assert cv2.imdecode(np.frombuffer(broken, np.uint8), cv2.IMREAD_COLOR) is not None
    assert refusal(opened, broken).code == "damaged"


def test_padding_before_the_end_of_a_jpeg_is_harmless_and_noted(opened: Open) -> None:
    data = encoded("jpeg", plate_like())
    padded = opened(data[:-2] + bytes(20) + data[-2:])
    assert padded.notes == ("stray_bytes",)
    assert (padded.pixels == opened(data).pixels).all()
    for lost in (bytes(400), bytes(range(20))):
        assert refusal(opened, data[:-2] + lost + data[-2:]).code == "damaged"


def test_what_follows_the_end_of_a_jpeg_is_not_looked_at(opened: Open) -> None:
    data = encoded("jpeg", plate_like())  # phones append films, second pictures and depth maps
    assert opened(data + b"\xff\xd8 second picture, cut" * 9).notes == ()


@pytest.mark.parametrize("form", ["png", "png-16"])
def test_every_flipped_byte_of_a_png_is_noticed(opened: Open, form: str) -> None:
    data = encoded(form, plate_like())
    for at in range(40, len(data), len(data) // 23):
        assert refusal(opened, data[:at] + bytes([data[at] ^ 0x10]) + data[at + 1 :]).code == "damaged"


@pytest.mark.parametrize(
    ("data", "found"),
    [
        (b"", "it is empty"),
        (b"x", "its content is something else"),
        (b"%PDF-1.7\n" * 99, "its content is something else"),
        (b"GIF89a" + bytes(99), "its content is something else"),
        (b"\0\0\0\x18ftypqt  " + bytes(99), "its content is something else"),
        (bytes(4096), "its content is something else"),
    ],
)
def test_what_is_no_photo_is_told_so(opened: Open, data: bytes, found: str) -> None:
    error = refusal(opened, data)
    assert error.code == "not_an_image"
    assert error.reason == f"not a photo: {found}; JPEG, PNG, TIFF, WebP or HEIC was expected"


@pytest.mark.parametrize(
    "head", [b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"II*\0", b"RIFF\0\0\0\0WEBP", b"\0\0\0\x18ftypheic"]
)
def test_a_form_in_name_only_is_damaged(opened: Open, head: bytes) -> None:
    assert refusal(opened, head).code == "damaged"
    assert refusal(opened, head + bytes(200)).code == "damaged"


@pytest.mark.posix
def test_what_is_not_a_regular_file_is_refused_without_waiting(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path, tmp_path / "pipe", Path(os.devnull)):
        with pytest.raises(PhotoRefusedError, match="not a regular file") as caught:
            open_photo(path)
        assert caught.value.code == "unreadable"


@pytest.mark.posix
def test_a_file_that_cannot_be_reached_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    for path in (tmp_path / "none.jpg", tmp_path / "loop", tmp_path / ("n" * 5000), tmp_path / "nul\0"):
        with pytest.raises(PhotoRefusedError) as caught:
            open_photo(path)
        assert caught.value.code == "unreadable"

    def forbidden(self: Path) -> bytes:
        raise PermissionError(errno.EACCES, "Permission denied")

    (tmp_path / "locked.jpg").write_bytes(b"x")
    monkeypatch.setattr(Path, "read_bytes", forbidden)
    with pytest.raises(PhotoRefusedError, match="the file cannot be read: Permission denied"):
        open_photo(tmp_path / "locked.jpg")


def test_a_file_over_the_limit_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "huge.jpg"
    with path.open("wb") as file:
        file.truncate(MAX_FILE_BYTES + 1)  # sparse: takes no disk
    with pytest.raises(PhotoRefusedError, match=r"too large: 256\.0 MiB, 256 MiB is the limit") as caught:
        open_photo(path)
    assert caught.value.code == "too_large"


@pytest.mark.parametrize("form", ["jpeg", "png", "png-16", "tiff", "webp", "webp-lossy"])
@pytest.mark.parametrize(("width", "height"), [(1, 1), (63, 200), (3000, 2)])
def test_a_picture_without_room_for_a_plate_is_refused(
    opened: Open, form: str, width: int, height: int
) -> None:
    error = refusal(opened, encoded(form, np.full((height, width, 3), 90, np.uint8)))
    assert error.code == "too_small"
    assert f"{width} x {height} px, each side needs at least 64" in error.reason


def png_that_claims(width: int, height: int) -> bytes:
    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    header = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + header + chunk(b"IDAT", zlib.compress(bytes(100_000))) + chunk(b"IEND", b"")


def jpeg_that_claims(width: int, height: int) -> bytes:
    data = encoded("jpeg", plate_like())
    return data.replace(struct.pack(">HH", 96, 128), struct.pack(">HH", height, width), 1)


def tiff_that_claims(width: int, height: int) -> bytes:
    data = encoded("tiff", plate_like())
    for tag, old, new in ((256, 128, width), (257, 96, height)):
        entry = struct.pack("<HHII", tag, 4, 1, old)
        assert entry in data
        data = data.replace(entry, struct.pack("<HHII", tag, 4, 1, new))
    return data


def webp_that_claims(width: int, height: int) -> bytes:
    body = encoded("webp-lossy", plate_like())[12:]
    extended = struct.pack("<4sII", b"VP8X", 10, 0x02)
    extended += (width - 1).to_bytes(3, "little") + (height - 1).to_bytes(3, "little")
    animation = struct.pack("<4sIIH", b"ANIM", 6, 0, 0)
    frame = bytes(6) + (127).to_bytes(3, "little") + (95).to_bytes(3, "little") + bytes(4) + body
    chunks = extended + animation + struct.pack("<4sI", b"ANMF", len(frame)) + frame
    return b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WEBP" + chunks


def heic_that_claims(width: int, height: int) -> bytes:
    data = encoded("heic", plate_like())
    return data.replace(
        b"ispe" + struct.pack(">III", 0, 128, 96), b"ispe" + struct.pack(">III", 0, width, height)
    )


BOMBS: dict[str, Callable[[int, int], bytes]] = {
    "jpeg": jpeg_that_claims,
    "png": png_that_claims,
    "tiff": tiff_that_claims,
    "webp": webp_that_claims,
    "heic": heic_that_claims,
}


@pytest.mark.parametrize("form", BOMBS)
def test_a_decompression_bomb_is_refused_as_too_large(opened: Open, form: str) -> None:
    side = 16_383 if form == "webp" else 30_000 if form == "heic" else 60_000
    assert side * side > MAX_PIXELS
    error = refusal(opened, BOMBS[form](side, side))
    assert error.code == "too_large"
    assert "120 megapixels is the limit" in error.reason


def test_a_picture_longer_than_samples_can_be_taken_of_is_refused(opened: Open) -> None:
    """OpenCV's remap takes sources below 32,767 px a side (its documentation): a crash otherwise, late."""
    error = refusal(opened, jpeg_that_claims(40_000, 1_000))
    assert error.code == "too_large"
    assert "limit of a side" in error.reason


@pytest.mark.parametrize("form", ["jpeg", "png", "tiff", "heic"])  # WebP has no way to write 0 or 30000
def test_a_picture_of_no_pixels_or_two_rows_is_refused(opened: Open, form: str) -> None:
    assert refusal(opened, BOMBS[form](30_000, 2)).code == "too_small"
    assert refusal(opened, BOMBS[form](0, 0)).code in ("too_small", "damaged")


@pytest.mark.posix
def test_bombs_are_refused_before_memory_is_spent(tmp_path: Path, root: Path) -> None:
    for form, bomb in BOMBS.items():
        side = 16_383 if form == "webp" else 30_000 if form == "heic" else 60_000
        (tmp_path / form).write_bytes(bomb(side, side))
        (tmp_path / f"{form}-valid").write_bytes(encoded(form, plate_like()))
    script = (
        "import sys; from pathlib import Path; from tests.bench.memory import peak_bytes\n"
        "from reader.photo.open import open_photo\n"
        "from reader.errors import PhotoRefusedError\n"
        "folder = Path(sys.argv[1])\n"
        "for path in folder.glob('*-valid'): open_photo(path)\n"
        "before = peak_bytes()\n"
        "for path in folder.glob('[a-z]*[!d]'):\n"
        "    try: open_photo(path)\n"
        "    except PhotoRefusedError as error: assert error.code == 'too_large', error\n"
        "    else: raise AssertionError(path)\n"
        "print(peak_bytes() - before)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path)], cwd=root, capture_output=True, text=True, check=True
    )
    assert int(done.stdout) < 30 * 2**20


def test_floating_and_32_bit_tiffs_are_refused_with_what_to_do(opened: Open) -> None:
    values = np.full((64, 80, 3), np.nan, np.float32)
    for array in (values, values[..., 0], np.zeros((64, 80), np.int32)):
        error = refusal(opened, cv2.imencode(".tiff", array)[1].tobytes())
        assert error.code == "unusual_encoding"
        assert "8 or 16 bits" in error.remedy


def test_a_raw_camera_file_is_refused(opened: Open) -> None:
    image = Image.fromarray(plate_like())
    data = encoded("tiff", np.asarray(image), tiffinfo={50706: b"\x01\x04\0\0"})
    assert "a camera's raw file" in refusal(opened, data).reason


def test_a_progressive_jpeg_of_endless_scans_is_refused(opened: Open) -> None:
    data = encoded("jpeg-progressive", plate_like())
    start = data.rindex(b"\xff\xda")
    assert "scans" in refusal(opened, data[:-2] + data[start:-2] * 600 + data[-2:]).reason


@pytest.mark.parametrize("form", FORMS)
def test_damaged_files_put_no_noise_on_the_terminal(
    opened: Open, form: str, capfd: pytest.CaptureFixture[str]
) -> None:
    data = encoded(form, np.random.default_rng(0).integers(0, 256, (80, 90, 3)).astype(np.uint8))
    middle = len(data) // 2
    for broken in (data[:middle], data[:middle] + bytes(200) + data[middle + 200 :]):
        try:
            opened(broken)
        except PhotoRefusedError as error:
            assert error.code == "damaged"  # noqa: PT017  a hole in bare pixels cannot be noticed
    print("heard", file=sys.stderr)
    os.write(2, b"too\n")
    assert capfd.readouterr() == ("", "heard\ntoo\n")


def test_a_jpeg_is_opened_without_the_slow_libraries(tmp_path: Path, root: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(encoded("jpeg", plate_like(), exif=exif_block(orientation=6)))
    script = (
        "import sys; from pathlib import Path; from reader.photo.open import open_photo\n"
        "open_photo(Path(sys.argv[1]))\n"
        "print([m for m in ('PIL', 'pillow_heif', 'scipy', 'skimage', '_strptime') if m in sys.modules])"
    )
    command = [sys.executable, "-c", script, str(tmp_path / "a.jpg")]
    done = subprocess.run(command, cwd=root, capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_every_note_has_its_sentence(opened: Open) -> None:
    for note in ("odd_orientation", "broken_exif", "odd_capture_time", "no_time_offset", "several_pictures"):
        assert FLAGS[note]
    for note in ("was_transparent", "profile_converted", "profile_unusable", "stray_bytes"):
        assert FLAGS[note]


def test_the_shared_photos_open_as_their_truth_says(shared_photos: Path) -> None:
    import json

    for truth_file in sorted(shared_photos.glob("*.json")):
        truth = json.loads(truth_file.read_text())
        photo = open_photo(shared_photos / truth["photo"])
        size = (truth["width"], truth["height"])
        turned = (truth["exif_orientation"] or 1) >= 5
        assert (photo.width, photo.height) == (size[::-1] if turned else size)
