"""What a camera wrote beside the pixels, taken out of a picture file; the pixels' own bytes stay as they are.

What is needed to show the pixels stays: how they are turned, and their colour profile. Positions, serial numbers,
names, times, comments, previews and further pictures or films in the same file go.

Sources: ITU-T T.81 Annex B (JPEG), CIPA DC-008 (EXIF), PNG 3rd edition (W3C), RFC 9649 (WebP), TIFF 6.0,
ISO/IEC 14496-12 and 23008-12 (HEIC).
"""

import struct
import zlib
from collections.abc import Callable, Iterable, Iterator
from typing import Any, Final

from reader.errors import LinecallError
from reader.files.damage import UNFIT
from reader.photo.open import HEIC_BRANDS
from reader.photo.tags import STANDALONE, read_exif, read_jpeg_header

# T.81 B.2.4.6 (application segments), as used by JFIF, ICC.1 Annex B.4 and Adobe's TN 5116 (colour transform)
_JPEG_KEPT: Final = {0xE0: b"JFIF\0", 0xE2: b"ICC_PROFILE\0", 0xEE: b"Adobe"}
_PNG_KEPT: Final = frozenset(
    {
        b"IHDR",
        b"PLTE",
        b"IDAT",
        b"IEND",
        b"tRNS",
        b"gAMA",
        b"cHRM",
        b"sRGB",
        b"iCCP",
        b"sBIT",
        b"cICP",
        b"pHYs",
    }
)
_WEBP_KEPT: Final = frozenset({b"VP8X", b"ICCP", b"ALPH", b"VP8 ", b"VP8L", b"ANIM", b"ANMF"})
_WEBP_EXIF, _WEBP_XMP = 0x08, 0x04  # flags of VP8X
# TIFF 6.0: what tells how pixels are stored; 34675 is the colour profile
_TIFF_KEPT: Final = frozenset(
    {*range(254, 260), 262, 266, 273, 274, 277, 278, 279, 282, 283, 284, 296, 317, 320}
    | {322, 323, 324, 325, 332, 334, 336, 338, 339, 347, *range(512, 522), 529, 530, 531, 532, 34675}
)
_TIFF_SIZES: Final = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
_TIFF_FOLDERS: Final = frozenset({330, 34665, 34853, 40965})  # to more directories: EXIF, GPS and others
_HEIC_KEPT: Final = frozenset({b"ftyp", b"meta", b"mdat", b"free", b"skip"})
_DIRECTORIES_MAX: Final = 64


class MetadataError(LinecallError):
    """A file whose metadata cannot be taken out for sure."""


def without_metadata(data: bytes) -> bytes:
    """Take everything but pixels, turn and colour profile out of a picture. Raises MetadataError if that is unsure."""
    try:
        return _stripper(data)(data)
    except (*UNFIT, struct.error) as error:
        raise MetadataError(f"its metadata cannot be taken out ({error})") from error


def _stripper(data: bytes) -> Callable[[bytes], bytes]:
    if data.startswith(b"\xff\xd8\xff"):
        return _jpeg
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return _png
    if data.startswith(b"RIFF") and data[8:12] == b"WEBP":
        return _webp
    if data.startswith((b"II*\0", b"MM\0*")):
        return _tiff
    if data[4:8] == b"ftyp" and data[8:12] in HEIC_BRANDS:
        return _heic
    raise MetadataError("it is no picture of a known form")


def _turn(orientation: int) -> bytes:
    """An EXIF block that says how a picture is turned, and nothing else."""
    return b"MM\0*\0\0\0\x08" + struct.pack(">HHHIHHI", 1, 0x0112, 3, 1, orientation, 0, 0)


def _jpeg(data: bytes) -> bytes:
    header = read_jpeg_header(data)  # raises for what is no whole JPEG
    orientation = read_exif(header.exif).orientation
    kept = [b"\xff\xd8"]
    if orientation != 1:
        block = b"Exif\0\0" + _turn(orientation)
        kept.append(b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block)
    at = 2
    while True:
        while data[at + 1] == 0xFF:
            at += 1
        marker = data[at + 1]
        if marker in STANDALONE:
            at += 2
            continue
        end = at + 2 + int.from_bytes(data[at + 2 : at + 4], "big")
        wanted = _JPEG_KEPT.get(marker)
        private = 0xE0 <= marker <= 0xEF or marker == 0xFE
        if not private or (wanted is not None and data.startswith(wanted, at + 4)):
            kept.append(data[at:end])
        if marker == 0xDA:
            return b"".join((*kept, data[end : header.end], b"\xff\xd9"))
        at = end


def _png(data: bytes) -> bytes:
    kept, exif = [data[:8]], b""
    for kind, chunk in _png_chunks(data):
        if kind == b"eXIf":
            exif = chunk[8:-4]
        if kind in _PNG_KEPT:
            kept.append(chunk)
    orientation = read_exif(exif).orientation if exif else 1
    if orientation != 1:
        body = b"eXIf" + _turn(orientation)
        kept.insert(2, struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body)))
    return b"".join(kept)


def _png_chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    at = 8
    while True:
        kind, end = data[at + 4 : at + 8], at + 12 + int.from_bytes(data[at : at + 4], "big")
        if end > len(data):
            raise ValueError("it is cut")
        yield kind, data[at:end]
        if kind == b"IEND":
            return
        at = end


def _webp(data: bytes) -> bytes:
    kept, exif, at = [], b"", 12
    while at + 8 <= len(data):
        kind, size = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "little")
        if at + 8 + size > len(data):
            raise ValueError("it is cut")
        if kind == b"EXIF":
            exif = data[at + 8 : at + 8 + size]
        elif kind in _WEBP_KEPT:
            kept.append(data[at : at + 8 + size + size % 2])
        at += 8 + size + size % 2
    orientation = read_exif(exif).orientation if exif else 1
    if kept[0].startswith(b"VP8X"):
        flags = kept[0][8] & ~(_WEBP_EXIF | _WEBP_XMP) | _WEBP_EXIF * (orientation != 1)
        kept[0] = kept[0][:8] + bytes([flags]) + kept[0][9:]
        if orientation != 1:
            kept.append(b"EXIF" + struct.pack("<I", len(_turn(orientation))) + _turn(orientation))
    body = b"WEBP" + b"".join(kept)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def _tiff(data: bytes) -> bytes:
    """Blank every field that says nothing about the pixels, and every directory but the first, where they stand."""
    made = bytearray(data)
    order = "<" if data[:2] == b"II" else ">"
    (first,) = struct.unpack_from(order + "I", data, 4)
    waiting, done = [first], set[int]()
    while waiting:
        start = waiting.pop()
        if start in done or not start:
            continue
        done.add(start)
        if len(done) > _DIRECTORIES_MAX:
            raise ValueError("it has too many directories")
        (count,) = struct.unpack_from(order + "H", data, start)
        end = start + 2 + 12 * count
        (following,) = struct.unpack_from(order + "I", data, end)
        waiting.append(following)
        kept = bytearray()
        for entry in range(start + 2, end, 12):
            tag, kind, n = struct.unpack_from(order + "HHI", data, entry)
            size = _TIFF_SIZES.get(kind, 1) * n
            at = entry + 8 if size <= 4 else struct.unpack_from(order + "I", data, entry + 8)[0]
            if at + size > len(data):
                raise ValueError("a field lies beyond its end")
            if tag in _TIFF_FOLDERS and kind in (4, 13):
                waiting += struct.unpack_from(f"{order}{n}I", data, at)
            if start == first and tag in _TIFF_KEPT:
                kept += data[entry : entry + 12]
            else:
                made[at : at + size] = bytes(size)
        made[start : end + 4] = (
            struct.pack(order + "H", len(kept) // 12) + kept + bytes(end + 2 - start - len(kept))
        )
    return bytes(made)


def _heic(data: bytes) -> bytes:
    """Blank the EXIF and XMP items where they stand, and every box that holds none of the picture."""
    import pillow_heif

    made = bytearray(data)
    images: Iterable[Any] = pillow_heif.open_heif(data, convert_hdr_to_8bit=False)
    for image in images:
        blocks = [image.info.get("exif"), image.info.get("xmp")]
        blocks += [one.get("data") for one in image.info.get("metadata", ())]
        for block in filter(None, blocks):
            core = bytes(block).removeprefix(b"Exif\0\0")
            at = data.find(core)
            if at < 0:
                raise ValueError("a block of it is packed")
            empty = b"MM\0*\0\0\0\x08\0\0\0\0\0\0" if core[:2] in (b"MM", b"II") else b""
            made[at : at + len(core)] = empty[: len(core)].ljust(len(core), b"\0")
    at = 0
    while at + 8 <= len(data):
        size, kind = int.from_bytes(data[at : at + 4], "big"), data[at + 4 : at + 8]
        head = 8
        if size == 1:
            size, head = int.from_bytes(data[at + 8 : at + 16], "big"), 16
        end = len(data) if size == 0 else at + size
        if end > len(data) or end <= at:
            raise ValueError("it is cut")
        if kind not in _HEIC_KEPT:
            made[at + 4 : at + 8] = b"free"
            made[at + head : end] = bytes(end - at - head)
        at = end
    return bytes(made[:at])
