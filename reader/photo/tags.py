"""What a picture file says about itself: JPEG markers, EXIF and ICC, without decoding a pixel.

Written out because the usual photo is a JPEG, whose size, sampling and quantisation are wanted before it is
decoded, and because importing Pillow and its plugins takes as long as decoding a 12-megapixel JPEG. Only what
the reading needs is looked at; positions and serial numbers are never touched.

Sources: JPEG ITU-T T.81 (1992) Annex B (markers), Annex K (tables); EXIF CIPA DC-008; TIFF 6.0; ICC.1:2022.
"""

import functools
import re
import struct
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta, timezone
from typing import Final, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from reader.photo.light import Encoding, decode_srgb

# ---------------------------------------------------------------------------------------------------- JPEG

START_OF_FRAME = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}  # T.81 table B.1: C4 DHT, C8 JPG, CC DAC
STANDALONE = frozenset({0x01, *range(0xD0, 0xD8)})  # T.81 B.1.1.3: markers without a length
PROGRESSIVE = frozenset({0xC2, 0xC6, 0xCA, 0xCE})

Channel: TypeAlias = Literal["luminance", "chrominance"]
# T.81 tables K.1 and K.2 in zigzag order, as a DQT segment holds them.
LUMINANCE_STEPS = np.array(
    [
        *(16, 11, 12, 14, 12, 10, 16, 14, 13, 14, 18, 17, 16, 19, 24, 40),
        *(26, 24, 22, 22, 24, 49, 35, 37, 29, 40, 58, 51, 61, 60, 57, 51),
        *(56, 55, 64, 72, 92, 78, 64, 68, 87, 69, 55, 56, 80, 109, 81, 87),
        *(95, 98, 103, 104, 103, 62, 77, 113, 121, 112, 100, 120, 92, 101, 103, 99),
    ]
)
CHROMINANCE_STEPS = np.array([*(17, 18, 18, 24, 21, 24, 47, 26, 26, 47, 99, 66, 56, 66, 99, 99), *(99,) * 48])


class BrokenTagsError(ValueError):
    """The bytes contradict the format they claim; the text says where."""


@dataclass(frozen=True, kw_only=True, slots=True)
class JpegHeader:
    """A JPEG file's own account of itself, up to its first scan."""

    width: int
    height: int
    precision: int  # bits a sample
    sampling: tuple[tuple[int, int], ...]  # (horizontal, vertical) factor of each component
    quality: int | None  # nearest quality on the IJG scale, luminance table
    chroma_quality: int | None  # the same, chrominance table
    progressive: bool
    n_scans: int  # start-of-scan markers in a progressive file, else 1
    end: int  # byte of the end-of-image marker
    exif: bytes | None
    icc: bytes | None

    @property
    def subsampling(self) -> str | None:
        """Chroma subsampling in J:a:b notation, None where there is no chroma or no name for it."""
        if len(self.sampling) != 3 or self.sampling[1] != self.sampling[2]:
            return None
        (luma_h, luma_v), (chroma_h, chroma_v), _ = self.sampling
        if luma_h % chroma_h or luma_v % chroma_v:
            return None
        names = {(1, 1): "4:4:4", (2, 1): "4:2:2", (2, 2): "4:2:0", (1, 2): "4:4:0", (4, 1): "4:1:1"}
        return names.get((luma_h // chroma_h, luma_v // chroma_v))


def read_jpeg_header(data: bytes) -> JpegHeader:
    """Walk the markers of a JPEG file from its start to its first scan.

    Raises BrokenTagsError where a marker is missing, a segment leaves the file, or no end-of-image follows.
    """
    frame: bytes | None = None
    frame_marker, scan_at = 0, len(data)
    steps: dict[int, NDArray[np.int64]] = {}
    exif: bytes | None = None
    icc: dict[int, bytes] = {}
    for marker, segment, behind in _segments(data):
        if marker in START_OF_FRAME and frame is None:
            frame, frame_marker = segment, marker
        elif marker == 0xDA:
            scan_at = behind
        elif marker == 0xDB:
            steps |= _quantisation_tables(segment)
        elif marker == 0xE1 and segment.startswith(b"Exif\0\0") and exif is None:
            exif = segment[6:]
        elif marker == 0xE2 and segment.startswith(b"ICC_PROFILE\0") and len(segment) > 14:
            icc[segment[12]] = segment[14:]
    # Inside a scan only 0 or a restart marker follows 0xFF: this finds the end or proves there is none.
    end = data.find(b"\xff\xd9", scan_at)
    if end < 0:
        raise BrokenTagsError("the file ends before its picture does")
    if frame is None or len(frame) < 6 or len(frame) < 6 + 3 * frame[5]:
        raise BrokenTagsError("the frame header is missing or cut")
    precision, height, width, n_components = struct.unpack_from(">BHHB", frame)
    components = [frame[6 + 3 * i : 9 + 3 * i] for i in range(n_components)]
    sampling = tuple((c[1] >> 4, c[1] & 15) for c in components)
    if any(not 1 <= factor <= 4 for pair in sampling for factor in pair):
        raise BrokenTagsError("the frame header's sampling factors are not 1 to 4")
    luma = steps.get(components[0][2]) if components else None
    chroma = steps.get(components[1][2]) if len(components) == 3 else None
    return JpegHeader(
        width=width,
        height=height,
        precision=precision,
        sampling=sampling,
        quality=_nearest_quality(luma, "luminance"),
        chroma_quality=_nearest_quality(chroma, "chrominance"),
        progressive=frame_marker in PROGRESSIVE,
        n_scans=data.count(b"\xff\xda", scan_at, end) + 1 if frame_marker in PROGRESSIVE else 1,
        end=end,
        exif=exif,
        icc=b"".join(icc[i] for i in sorted(icc)) or None,
    )


def _segments(data: bytes) -> Iterator[tuple[int, bytes, int]]:
    """Each marker with its segment and the byte behind it, up to the first start of a scan (0xDA), the last one."""
    position = 2
    while True:
        if data[position : position + 1] != b"\xff":
            raise BrokenTagsError(f"no JPEG marker at byte {position}")
        while data[position : position + 1] == b"\xff":  # T.81 B.1.1.2: any number of fill bytes
            position += 1
        if position + 3 > len(data):
            raise BrokenTagsError("the file ends before its picture begins")
        marker = data[position]
        position += 1
        if marker in STANDALONE:
            continue
        length = int.from_bytes(data[position : position + 2], "big")
        segment = data[position + 2 : position + length]
        position += length
        if marker == 0xD9 or length < 2 or position > len(data):
            raise BrokenTagsError("the file ends before its picture begins")
        yield marker, segment, position
        if marker == 0xDA:
            return


DRAWN: Final = b"drawn by linecall: not a photo of a plate"
"""What our own pictures carry, so that none is ever read as a plate: in a JPEG comment, in a PNG text chunk."""
DRAWN_WITHIN: Final = 4096  # bytes; we write it near the start of the file
_PNG_TEXT: Final = b"tEXtComment\0" + DRAWN


def mark_drawn(data: bytes) -> bytes:
    """Bytes of a JPEG or PNG file that we drew, with the mark that tells so."""
    if data.startswith(b"\xff\xd8"):
        at = 2  # behind the JFIF header, which comes first where there is one
        if data[2:4] == b"\xff\xe0":
            at = 4 + int.from_bytes(data[4:6], "big")
        comment = b"\xff\xfe" + (len(DRAWN) + 2).to_bytes(2, "big") + DRAWN
        return data[:at] + comment + data[at:]
    at = 33  # behind the signature and IHDR (PNG, second edition, 5.6)
    checksum = zlib.crc32(_PNG_TEXT).to_bytes(4, "big")
    return data[:at] + (len(_PNG_TEXT) - 4).to_bytes(4, "big") + _PNG_TEXT + checksum + data[at:]


def is_drawn(data: bytes) -> bool:
    """Whether a file's first bytes carry the mark of a picture that we drew."""
    return DRAWN in data[:DRAWN_WITHIN] and data.startswith((b"\xff\xd8", b"\x89PNG"))


def _quantisation_tables(segment: bytes) -> dict[int, NDArray[np.int64]]:
    tables = {}
    position = 0
    while position < len(segment):
        wide, identity = segment[position] >> 4, segment[position] & 15
        size = 128 if wide else 64
        raw = segment[position + 1 : position + 1 + size]
        if len(raw) < size:
            raise BrokenTagsError("a quantisation table is cut")
        tables[identity] = np.frombuffer(raw, ">u2" if wide else np.uint8).astype(np.int64)
        position += 1 + size
    return tables


@functools.cache
def _ijg_tables(kind: Channel) -> NDArray[np.int64]:
    """Return the tables (100, 64) of qualities 1 to 100: the Independent JPEG Group's jcparam.c."""
    quality = np.arange(1, 101)[:, None]
    scale = np.where(quality < 50, 5000 // quality, 200 - 2 * quality)
    base = LUMINANCE_STEPS if kind == "luminance" else CHROMINANCE_STEPS
    tables: NDArray[np.int64] = np.clip((base * scale + 50) // 100, 1, 255)
    return tables


def quantisation_step(at_50: float, quality: int) -> float:
    """A quantisation step of a quality, from quality 50's: the IJG's rule, never below 1."""
    return max(1.0, at_50 * (50 / quality if quality < 50 else 2 - quality / 50))


def _nearest_quality(steps: NDArray[np.int64] | None, kind: Channel) -> int | None:
    """Return the IJG quality whose table is nearest: an estimate, as phones have tables of their own."""
    if steps is None:
        return None
    return int(np.argmin(np.abs(_ijg_tables(kind) - steps).sum(axis=1))) + 1


# ---------------------------------------------------------------------------------------------------- EXIF

ORIENTATION, EXIF_IFD = 0x0112, 0x8769
TIME_TAGS = (0x9003, 0x9011, 0x9291)  # DateTimeOriginal, OffsetTimeOriginal, SubsecTimeOriginal
SIZE_TAGS = (0xA002, 0xA003)  # PixelXDimension, PixelYDimension
BYTE, ASCII, SHORT, LONG = 1, 2, 3, 4  # TIFF 6.0, section 2: field types
FIELD_SIZE = {BYTE: 1, ASCII: 1, SHORT: 2, LONG: 4}


@dataclass(frozen=True, kw_only=True, slots=True)
class Exif:
    """The few fields of EXIF that a reading needs.

    orientation : 1 to 8. orientation_at : byte of its value within the EXIF block, None where it has none.
    captured_at : aware where the file gives an offset from UTC, else naive; None where unknown.
    size : width and height of the picture as the camera saved it, px; None where unknown. An app that shrinks a
        picture may leave them as they were. notes : codes of `refusals.FLAGS`.
    """

    orientation: int = 1
    orientation_at: int | None = None
    captured_at: datetime | None = None
    size: tuple[int, int] | None = None
    notes: tuple[str, ...] = ()


def read_exif(block: bytes | None) -> Exif:
    """Read orientation and capture time from an EXIF block (or a whole TIFF file); note whatever is odd."""
    if not block:
        return Exif()
    try:
        return _read_exif(block.removeprefix(b"Exif\0\0"))
    except (struct.error, KeyError):
        return Exif(notes=("broken_exif",))


def read_tiff_fields(data: bytes, wanted: set[int]) -> dict[int, int]:
    """Return the wanted numeric fields of a TIFF file's first directory, the first value of each."""
    try:
        order, first = _read_tiff_head(data)
    except (struct.error, KeyError) as error:
        raise BrokenTagsError("its header is cut") from error
    found = _read_directory(data, order, first, wanted, [])
    return {tag: value for tag, (_, value) in found.items() if isinstance(value, int)}


def _read_tiff_head(block: bytes) -> tuple[str, int]:
    order = {b"II": "<", b"MM": ">"}[block[:2]]
    magic, first = struct.unpack_from(order + "HI", block, 2)
    return {42: (order, first)}[magic]


def _read_exif(block: bytes) -> Exif:
    order, first = _read_tiff_head(block)
    notes: list[str] = []
    main = _read_directory(block, order, first, {ORIENTATION, EXIF_IFD}, notes)
    orientation, orientation_at = 1, None
    if ORIENTATION in main:
        orientation_at, found = main[ORIENTATION]
        if isinstance(found, int) and 1 <= found <= 8:
            orientation = found
        else:
            notes.append("odd_orientation")
    captured_at, size = None, None
    _, exif_at = main.get(EXIF_IFD, (0, None))
    if isinstance(exif_at, int):
        fields = _read_directory(block, order, exif_at, {*TIME_TAGS, *SIZE_TAGS}, notes)
        time, offset, fraction = (str(fields[t][1]) if t in fields else None for t in TIME_TAGS)
        captured_at, time_notes = _read_time(time, offset, fraction)
        notes += time_notes
        width, height = (fields[t][1] if t in fields else None for t in SIZE_TAGS)
        if isinstance(width, int) and isinstance(height, int) and min(width, height) > 0:
            size = width, height
    return Exif(
        orientation=orientation,
        orientation_at=orientation_at,
        captured_at=captured_at,
        size=size,
        notes=tuple(notes),
    )


def _read_directory(
    block: bytes, order: str, start: int, wanted: set[int], notes: list[str]
) -> dict[int, tuple[int, int | str | None]]:
    """Return tag -> (byte of the value, value) for the wanted tags of one image file directory.

    Of several numbers the first is taken; a value that cannot be read is None; a directory that leaves the
    block is read as far as it goes, and noted.
    """
    n_entries = int.from_bytes(block[start : start + 2], "little" if order == "<" else "big")
    end = start + 2 + 12 * n_entries
    if n_entries == 0 or end > len(block):
        notes.append("broken_exif")
    found: dict[int, tuple[int, int | str | None]] = {}
    for entry in range(start + 2, min(end, len(block) - 11), 12):
        tag, kind, count = struct.unpack_from(order + "HHI", block, entry)
        if tag not in wanted or tag in found:
            continue
        at, size = entry + 8, FIELD_SIZE.get(kind, 0) * count
        if size > 4:
            (at,) = struct.unpack_from(order + "I", block, at)
        value: int | str | None = None
        if at + size > len(block):
            pass
        elif kind == ASCII:
            value = block[at : at + size].split(b"\0")[0].decode("ascii", "replace")
        elif kind in FIELD_SIZE and count:
            (value,) = struct.unpack_from(order + {BYTE: "B", SHORT: "H", LONG: "I"}[kind], block, at)
        found[tag] = (at, value)
    return found


def _read_time(
    time: str | None, offset: str | None, fraction: str | None
) -> tuple[datetime | None, tuple[str, ...]]:
    """Join EXIF's three texts to one time; CIPA DC-008 lets a writer fill unknown digits with blanks."""
    if time is None:
        return None, ()
    digits = re.fullmatch(r"(\d{4}):(\d\d):(\d\d) (\d\d):(\d\d):(\d\d)", time.strip(), re.ASCII)
    if digits is None:
        return None, ("odd_capture_time",)
    try:
        year, month, day, hour, minute, second = (int(d) for d in digits.groups())
        moment = datetime(year, month, day, hour, minute, second)
    except ValueError:
        return None, ("odd_capture_time",)
    if fraction is not None and re.fullmatch(r"[0-9]{1,9}", fraction.strip()):
        moment = moment.replace(microsecond=int(fraction.strip().ljust(6, "0")[:6]))
    shift = re.fullmatch(r"([+-])([0-9]{2}):([0-5][0-9])", (offset or "").strip())
    if shift is None or int(shift[2]) > 14:  # the widest offset in use is +14:00 (tz database)
        return moment, ("no_time_offset",)
    minutes = int(shift[2]) * 60 + int(shift[3])
    return moment.replace(tzinfo=timezone(timedelta(minutes=-minutes if shift[1] == "-" else minutes))), ()


# ----------------------------------------------------------------------------------------------------- ICC

# Primaries adapted to D50, rows X, Y, Z of red, green, blue: the published profiles' own rXYZ, gXYZ, bXYZ
# (IEC 61966-2-1 and SMPTE EG 432-1 with D65, by linear Bradford adaptation). Tested by recomputing them.
PRIMARIES_D50 = {
    "srgb": np.array([[0.4361, 0.2225, 0.0139], [0.3851, 0.7169, 0.0971], [0.1431, 0.0606, 0.7139]]),
    "display-p3": np.array([[0.5151, 0.2412, -0.0011], [0.2920, 0.6922, 0.0419], [0.1571, 0.0666, 0.7841]]),
}
PRIMARIES_TOLERANCE = 0.003  # XYZ; published sRGB profiles differ by up to 0.001
CURVE_TOLERANCE = 0.004  # linear light; a plain gamma of 2.2 is 0.009 away from the sRGB curve


def encoding_of_icc(profile: bytes) -> Encoding | None:
    """Tell by its numbers, not by its name, whether a profile is sRGB or Display-P3; None if neither."""
    try:
        tags = _icc_tags(profile)
        if profile[16:20] == b"GRAY":
            return "srgb" if _is_srgb_curve(tags[b"kTRC"]) else None
        if not all(_is_srgb_curve(tags[name]) for name in (b"rTRC", b"gTRC", b"bTRC")):
            return None
        primaries = np.array([_icc_xyz(tags[name]) for name in (b"rXYZ", b"gXYZ", b"bXYZ")])
    except (KeyError, struct.error, ValueError):
        return None
    if np.abs(primaries - PRIMARIES_D50["srgb"]).max() < PRIMARIES_TOLERANCE:
        return "srgb"
    if np.abs(primaries - PRIMARIES_D50["display-p3"]).max() < PRIMARIES_TOLERANCE:
        return "display-p3"
    return None


def _icc_tags(profile: bytes) -> dict[bytes, bytes]:
    (count,) = struct.unpack_from(">I", profile, 128)
    if count > 100:  # ICC.1:2022 names some fifty tags
        raise ValueError("too many tags")
    entries = (struct.unpack_from(">4sII", profile, 132 + 12 * i) for i in range(count))
    return {name: profile[at : at + size] for name, at, size in entries}


def _icc_xyz(tag: bytes) -> Sequence[float]:
    return [v / 65536 for v in struct.unpack_from(">3i", tag, 8)]


def _is_srgb_curve(tag: bytes) -> bool:
    x = np.linspace(0, 1, 33)
    y: NDArray[np.float64]
    if tag[:4] == b"para":
        (kind,) = struct.unpack_from(">H", tag, 8)
        n = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}[kind]
        p = [v / 65536 for v in struct.unpack_from(f">{n}i", tag, 12)]
        g, a, b, c, d, e, f = _parametric(kind, p)
        with np.errstate(all="ignore"):  # a nonsense curve gives NaN, which is not the sRGB curve either
            y = np.where(x >= d, np.maximum(a * x + b, 0) ** g + e, c * x + f)
    elif tag[:4] == b"curv":
        (n,) = struct.unpack_from(">I", tag, 8)
        if n == 0:
            y = x
        elif n == 1:
            y = x ** (struct.unpack_from(">H", tag, 12)[0] / 256)
        else:
            table = np.frombuffer(tag, ">u2", count=n, offset=12) / 65535
            y = np.interp(x, np.linspace(0, 1, n), table)
    else:
        return False
    return bool(np.abs(y - decode_srgb(x)).max() < CURVE_TOLERANCE)


def _parametric(kind: int, p: list[float]) -> tuple[float, float, float, float, float, float, float]:
    """Return ICC.1:2022 table 68's function types 0 to 4 as the parameters of type 4: g a b c d e f."""
    if kind == 0:
        return p[0], 1, 0, 0, 0, 0, 0
    if kind in (1, 2):
        g, a, b = p[:3]
        lift = p[3] if kind == 2 else 0.0
        return g, a, b, 0, (-b / a if a else 0), lift, lift
    g, a, b, c, d = p[:5]
    e, f = p[5:] if kind == 4 else (0.0, 0.0)
    return g, a, b, c, d, e, f
