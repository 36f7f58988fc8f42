"""Any picture file -> an upright Photo, still encoded.

The form is told by the file's content, size limits are checked before pixels are decoded, and EXIF's
orientation is applied here and nowhere else. Nothing of the file's metadata is kept but the fields of Photo.
"""

import hashlib
import io
import os
import re
import stat
import sys
import tempfile
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.errors import PhotoRefusedError
from reader.photo.light import Encoding
from reader.photo.source import PhotoInput, PhotoSource, photo_source
from reader.photo.tags import (
    BrokenTagsError,
    JpegHeader,
    encoding_of_icc,
    is_drawn,
    read_exif,
    read_jpeg_header,
    read_tiff_fields,
)
from reader.refusals import refuse

if TYPE_CHECKING:
    from PIL.Image import Image

Pixels: TypeAlias = NDArray[Any]  # uint8 or uint16

MAX_FILE_BYTES = (
    256 * 2**20
)  # more than a picture that fits into MAX_MEMORY_BYTES: a 16-bit TIFF of 34 megapixels
MAX_SIDE_PX = 32_766  # OpenCV cannot take samples (remap) beyond
MAX_PIXELS = 120_000_000  # the largest sensors whose photos are saved at full size: 108 megapixels
MAX_MEMORY_BYTES = 1_000_000_000  # for any picture; a small computer, or a phone's, has little more to spare
PROGRAM_BYTES = 110_000_000  # of that for the program itself and its reading, as measured
# Bytes a pixel while a picture is decoded and turned, as measured on pictures of 10 to 100 megapixels
JPEG_NEEDS, PROGRESSIVE_NEEDS, PILLOW_NEEDS, TIFF_NEEDS, WEBP_NEEDS, HEIC_NEEDS = 6, 9, 9, 11, 16, 7
DEEP_NEEDS, DEEP_HEIC_NEEDS = 20, 20
STRIP_ROWS = 256  # of a picture that is converted piece by piece
MIN_SIDE_PX = 64  # no plate can be read on fewer; it also ends 1 x 1 and 30000 x 2
MAX_JPEG_SCANS = 100  # each costs a pass over all pixels; a progressive file has about ten
# ISO/IEC 23008-12: brands of HEVC-coded still pictures; mif1 leaves the codec open, its decoder will tell
HEIC_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1"})
MAX_STRAY_BYTES = 64  # some cameras pad a JPEG's last scan; more than that is lost data


# TIFF 6.0 and DNG 1.0 fields that tell how a TIFF's pixels are stored
BITS, COMPRESSION, PHOTOMETRIC, SAMPLE_FORMAT, DNG_VERSION = 258, 259, 262, 339, 50706


@dataclass(frozen=True, kw_only=True, slots=True)
class ChromaInfo:
    """How far a file's colour can be trusted, as far as the file tells.

    subsampling : J:a:b notation; None where there is no chroma or the file does not tell.
    jpeg_quality, chroma_quality : quality, 1 to 100, on the IJG scale that is nearest to the luminance and
        chrominance tables; None for other forms, and for the chrominance of grey.
    lossy : whether this file's own compression loses anything (an earlier one is not known).
    """

    subsampling: str | None = None
    jpeg_quality: int | None = None
    chroma_quality: int | None = None
    lossy: bool = False


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Photo:
    """An upright photo as decoded.

    pixels : (H, W, 3) uint8 or uint16, BGR, still encoded as `encoding` says, read-only.
    captured_at : aware where the file gives its offset from UTC, else naive; None where unknown.
    tagged_size : width and height, px, that the camera wrote into the file, not turned upright; None where unknown.
    sha256 : of the file. notes : codes of `refusals.FLAGS`.
    """

    name: str
    pixels: Pixels
    sha256: str
    encoding: Encoding = "srgb"
    captured_at: datetime | None = None
    tagged_size: tuple[int, int] | None = None
    chroma: ChromaInfo = ChromaInfo()
    notes: tuple[str, ...] = ()

    @property
    def width(self) -> int:
        """Width of the upright picture, px."""
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        """Height of the upright picture, px."""
        return int(self.pixels.shape[0])


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Picture:
    """What a decoder hands over: stored BGR pixels, and the metadata that still is to be applied to them."""

    pixels: Pixels
    exif: bytes | None
    icc: bytes | None
    chroma: ChromaInfo
    upright: bool = False
    encoding: Encoding = "srgb"
    notes: tuple[str, ...] = ()


def open_photo(photo: PhotoInput | PhotoSource, *, name: str | None = None) -> Photo:
    """Open a photo of any form: JPEG, PNG, TIFF, WebP or HEIC, whatever its name says, or pixels as they are.

    Parameters
    ----------
    photo : path, bytes, binary file, or array (H, W, 3) of uint8 or uint16
        An array is red, green and blue, sRGB-encoded and upright. A binary file is read from where it stands.
    name : str, optional
        What the photo is called in a verdict; by default the file's own name, and "photo" for what has none.

    Returns
    -------
    Photo
        Upright and read-only. Its `sha256` is that of the file's bytes; an array's is that of the same pixels as a
        binary portable pixmap (PPM). An array has no capture time and no orientation tag.

    Raises
    ------
    PhotoRefusedError
        For every file that is not a usable picture, and nothing else for a path or bytes.
    LinecallError
        For an array of another shape or type, and a binary file that cannot be read.

    Examples
    --------
    >>> import numpy as np
    >>> photo = open_photo(np.full((1200, 1600, 3), 128, np.uint8), name="grey")
    >>> photo.name, photo.width, photo.height, photo.captured_at
    ('grey', 1600, 1200, None)
    """
    source = photo if isinstance(photo, PhotoSource) else photo_source(photo, name)
    if isinstance(source.content, np.ndarray):
        return _take_pixels(source.content, source)
    if isinstance(source.content, bytes):
        return _decode(source.content, source.name)
    return _decode(
        _read_file(source.content), source.name
    )  # held by no name here, so that it goes once decoded


def _take_pixels(rgb: Pixels, source: PhotoSource) -> Photo:
    """An array's own pixels as a Photo, of whose making nothing is known."""
    height, width, _ = rgb.shape
    _check_size(width, height, file_bytes=0, needs=3 * rgb.dtype.itemsize)
    pixels = np.ascontiguousarray(rgb[..., ::-1], dtype=rgb.dtype.newbyteorder("="))
    pixels.setflags(write=False)
    return Photo(name=source.name, pixels=pixels, sha256=source.sha256() or "")


def _decode(data: bytes, name: str) -> Photo:
    if not data:
        refuse("not_an_image", found="it is empty")
    if len(data) > MAX_FILE_BYTES:
        refuse("too_large", found=f"more than {MAX_FILE_BYTES / 2**20:.0f} MiB, which is the limit")
    if is_drawn(data):
        refuse("drawn")
    sha256 = hashlib.sha256(data).hexdigest()
    form, decode = _sniff(data)
    try:
        picture = decode(data)
        del data  # before the picture is turned, which takes as much again
        exif = read_exif(picture.exif)
        pixels, encoding, colour_notes = _find_encoding(picture)
        if not picture.upright:
            pixels = _turn_upright(pixels, exif.orientation)
    except PhotoRefusedError:
        raise
    except MemoryError:
        refuse("too_large", found="its pixels do not fit into this computer's memory")
    except Exception as error:  # decoders raise whatever comes to hand; each means the same to the user
        refuse("damaged", form=form, why=_first_line(error))
    pixels = np.ascontiguousarray(pixels)
    pixels.setflags(write=False)
    return Photo(
        name=name,
        pixels=pixels,
        encoding=encoding,
        captured_at=exif.captured_at,
        tagged_size=exif.size,
        sha256=sha256,
        chroma=picture.chroma,
        notes=(*picture.notes, *exif.notes, *colour_notes),
    )


def _read_file(path: Path) -> bytes:
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):  # a pipe would hang
            refuse("unreadable", why="it is not a regular file")
        if status.st_size > MAX_FILE_BYTES:
            found = f"{status.st_size / 2**20:.1f} MiB, {MAX_FILE_BYTES / 2**20:.0f} MiB is the limit"
            refuse("too_large", found=found)
        data = path.read_bytes() if status.st_size else b""
    except OSError as error:
        refuse("unreadable", why=error.strerror or type(error).__name__)
    except ValueError:  # a NUL in the name
        refuse("unreadable", why="its name is not a valid one")
    return data


def _sniff(data: bytes) -> tuple[str, Callable[[bytes], _Picture]]:
    """Tell the form by the file's first bytes, as each format's specification fixes them."""
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG", _decode_jpeg
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG", _decode_png
    if data.startswith((b"II*\0", b"MM\0*")):
        return "TIFF", _decode_tiff
    if data.startswith(b"RIFF") and data[8:12] == b"WEBP":
        return "WebP", _decode_webp
    if data[4:8] == b"ftyp" and data[8:12] in HEIC_BRANDS:
        return "HEIC", _decode_heic
    return refuse("not_an_image", found="its content is something else")


def _check_size(width: int, height: int, *, file_bytes: int, needs: int) -> None:
    """Refuse a picture before its pixels are decoded. needs : bytes a pixel that decoding and turning it take."""
    if min(width, height) < MIN_SIDE_PX:
        refuse("too_small", width=width, height=height, limit=MIN_SIDE_PX)
    if width * height > MAX_PIXELS:
        found = f"{width} x {height} px, {MAX_PIXELS / 1e6:.0f} megapixels is the limit"
        refuse("too_large", found=found, width=width, height=height)
    if max(width, height) > MAX_SIDE_PX:
        refuse(
            "too_large",
            found=f"{width} x {height} px, {MAX_SIDE_PX} px is the limit of a side",
            width=width,
            height=height,
        )
    if PROGRAM_BYTES + file_bytes + width * height * needs > MAX_MEMORY_BYTES:
        limit = (MAX_MEMORY_BYTES - PROGRAM_BYTES - file_bytes) / needs / 1e6
        found = f"{width} x {height} px; in this form and a file of this size, {limit:.0f} megapixels is the limit"
        refuse("too_large", found=found, width=width, height=height)


# ---------------------------------------------------------------------------------------------------- JPEG


def _decode_jpeg(data: bytes) -> _Picture:
    header = read_jpeg_header(data)
    needs = PROGRESSIVE_NEEDS if header.progressive else JPEG_NEEDS
    _check_size(header.width, header.height, file_bytes=len(data), needs=needs)
    if header.precision != 8:
        refuse("unusual_encoding", found=f"a JPEG of {header.precision} bits a channel")
    if header.n_scans > MAX_JPEG_SCANS:
        raise BrokenTagsError(f"it claims more than {MAX_JPEG_SCANS} scans")
    chroma = ChromaInfo(
        subsampling=header.subsampling,
        jpeg_quality=header.quality,
        chroma_quality=header.chroma_quality,
        lossy=True,
    )
    if len(header.sampling) == 4:
        return _decode_cmyk_jpeg(data, header, chroma)
    # OpenCV has the same libjpeg-turbo, but fills what is damaged with grey, and only prints a word about it
    import simplejpeg  # type: ignore[import-untyped]

    notes: tuple[str, ...] = ()
    try:
        pixels = simplejpeg.decode_jpeg(data, "BGR")
    except ValueError as error:
        if not _is_padding(str(error), data[: header.end]):
            raise
        pixels = simplejpeg.decode_jpeg(data, "BGR", strict=False)
        notes = ("stray_bytes",)
    return _Picture(pixels=pixels, exif=header.exif, icc=header.icc, chroma=chroma, notes=notes)


def _is_padding(warning: str, scans: bytes) -> bool:
    """Whether all that libjpeg complains of is a few equal bytes right before the end of image (0xd9)."""
    found = re.fullmatch(r"Corrupt JPEG data: ([0-9]+) extraneous bytes before marker 0xd9", warning)
    if found is None or int(found[1]) > MAX_STRAY_BYTES:
        return False
    return len(set(scans[-int(found[1]) :])) == 1


def _decode_cmyk_jpeg(data: bytes, header: JpegHeader, chroma: ChromaInfo) -> _Picture:
    with _open_with_pillow(data, "JPEG") as image:
        pixels, notes, icc = _bgr_from_pillow(image, header.icc)
    return _Picture(pixels=pixels, exif=header.exif, icc=icc, chroma=chroma, notes=notes)


# ----------------------------------------------------------------------------------- PNG, TIFF, WebP, HEIC


def _decode_png(data: bytes) -> _Picture:
    deep = data[24] == 16  # IHDR's bit depth; Pillow would drop the lower half of colour
    needs = DEEP_NEEDS if deep else PILLOW_NEEDS
    with _open_with_pillow(data, "PNG", needs=needs) as image:
        image.verify()  # the checksum of every chunk; the decoders skip some
    with _open_with_pillow(data, "PNG", needs=needs) as image:
        notes = _frame_notes(image)
        exif, icc = image.info.get("exif"), image.info.get("icc_profile")
        if deep:
            pixels, more = _decode_deep(data)
        else:
            pixels, more, icc = _bgr_from_pillow(image, icc)
    chroma = ChromaInfo(subsampling="4:4:4")
    return _Picture(pixels=pixels, exif=exif, icc=icc, chroma=chroma, notes=(*notes, *more))


def _decode_tiff(data: bytes) -> _Picture:
    fields = read_tiff_fields(data, {BITS, COMPRESSION, PHOTOMETRIC, SAMPLE_FORMAT, DNG_VERSION})
    if DNG_VERSION in fields:
        refuse("unusual_encoding", found="a camera's raw file")
    depth = fields.get(BITS, 1)
    if depth > 16 or fields.get(SAMPLE_FORMAT, 1) != 1:  # 1: unsigned whole numbers
        refuse(
            "unusual_encoding", found=f"a TIFF of {depth} bits a channel, or of signed or floating values,"
        )
    deep = depth == 16
    if deep and fields.get(PHOTOMETRIC) not in (1, 2):  # grey from black, RGB
        refuse("unusual_encoding", found="a TIFF of 16 bits a channel that is neither grey nor RGB")
    at = read_exif(data).orientation_at  # a TIFF file is laid out as an EXIF block is
    stored = data
    if at is not None:  # decoders differ in what they do with it: give them none to apply
        stored = data[:at] + (1).to_bytes(2, "little" if data[:2] == b"II" else "big") + data[at + 2 :]
    with _open_with_pillow(stored, "TIFF", needs=DEEP_NEEDS if deep else TIFF_NEEDS) as image:
        notes = _frame_notes(image)
        icc = image.info.get("icc_profile")
        if deep:
            pixels, more = _decode_deep(stored)
        else:
            pixels, more, icc = _bgr_from_pillow(image, icc)
    lossy = fields.get(COMPRESSION) in (6, 7)  # JPEG, the old way and the new
    chroma = ChromaInfo(subsampling=None if lossy else "4:4:4", lossy=lossy)
    return _Picture(pixels=pixels, exif=data, icc=icc, chroma=chroma, notes=(*notes, *more))


def _decode_webp(data: bytes) -> _Picture:
    with _open_with_pillow(data, "WEBP", needs=WEBP_NEEDS) as image:
        notes = _frame_notes(image)
        exif = image.info.get("exif")
        pixels, more, icc = _bgr_from_pillow(image, image.info.get("icc_profile"))
    # RFC 9649: VP8L is lossless, VP8 always 4:2:0; the first such chunk is the first frame's
    lossless, lossy = data.find(b"VP8L"), data.find(b"VP8 ")
    is_lossy = lossless < 0 or 0 <= lossy < lossless
    chroma = ChromaInfo(subsampling="4:2:0" if is_lossy else "4:4:4", lossy=is_lossy)
    return _Picture(pixels=pixels, exif=exif, icc=icc, chroma=chroma, notes=(*notes, *more))


def _decode_heic(data: bytes) -> _Picture:
    import pillow_heif

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        file = pillow_heif.open_heif(data, convert_hdr_to_8bit=False, bgr_mode=True)
        info = file.info
        depth = info.get("bit_depth", 8)
        needs = HEIC_NEEDS if depth <= 8 else DEEP_HEIC_NEEDS
        _check_size(*file.size, file_bytes=len(data), needs=needs)
        colour = info.get("nclx_profile") or {}
        if colour.get("transfer_characteristics") in (16, 18):  # ITU-T H.273: PQ and HLG
            refuse("unusual_encoding", found="a high-dynamic-range picture")
        pixels: Pixels = np.asarray(file)
    if pixels.dtype == np.uint16:  # stored in the upper bits: repeat them below, so that white is 65535
        filled = np.empty_like(pixels)
        for rows, made in zip(_by_strips(pixels), _by_strips(filled), strict=True):
            made[:] = rows | (rows >> depth)
        pixels = filled
    pixels, more = _flatten(pixels)
    p3 = colour.get("color_primaries") == 12  # H.273: SMPTE EG 432-1
    chroma = ChromaInfo(
        subsampling={420: "4:2:0", 422: "4:2:2", 444: "4:4:4"}.get(info.get("chroma", 0)), lossy=True
    )
    return _Picture(
        pixels=pixels,
        exif=info.get("exif"),
        icc=info.get("icc_profile"),
        chroma=chroma,
        upright=True,  # ISO/IEC 23008-12: the container's own rotation counts, and libheif applied it
        encoding="display-p3" if p3 else "srgb",
        notes=(*(("several_pictures",) if len(file) > 1 else ()), *more),
    )


@contextmanager
def _open_with_pillow(data: bytes, form: str, *, needs: int = PILLOW_NEEDS) -> "Iterator[Image]":
    """Open a picture of a checked size; its decoder's words to stderr are heard by no one."""
    from PIL import Image, UnidentifiedImageError

    with warnings.catch_warnings(), _overhear():
        warnings.simplefilter("ignore")  # Pillow's remarks on odd metadata and its own size limit
        try:
            image = Image.open(io.BytesIO(data), formats=[form, "MPO"] if form == "JPEG" else [form])
        except UnidentifiedImageError:
            raise BrokenTagsError("its header makes no sense") from None
        except Image.DecompressionBombError:  # Pillow's own limit, twice its MAX_IMAGE_PIXELS
            refuse("too_large", found=f"over 170 megapixels, {MAX_PIXELS / 1e6:.0f} megapixels is the limit")
        with image:
            _check_size(*image.size, file_bytes=len(data), needs=needs)
            yield image


def _frame_notes(image: "Image") -> tuple[str, ...]:
    return ("several_pictures",) if getattr(image, "n_frames", 1) > 1 else ()


def _bgr_from_pillow(image: "Image", icc: bytes | None) -> tuple[Pixels, tuple[str, ...], bytes | None]:
    """Decode an 8-bit picture of any mode to BGR; return pixels, notes and the profile yet to be applied."""
    if image.mode in ("I", "F") or image.mode.startswith("I;") or image.mode in ("LAB", "HSV"):
        refuse("unusual_encoding", found=f"a picture stored as {image.mode}")
    notes: dict[str, None] = {}
    more: tuple[str, ...]
    profile, width = (icc if image.mode == "CMYK" else None), image.width
    transparent = profile is None and image.has_transparency_data
    pixels = np.empty((image.height, width, 3), np.uint8)
    for top in range(0, image.height, STRIP_ROWS):  # whole copies would take several times its size
        bottom = min(top + STRIP_ROWS, image.height)
        strip = image.crop((0, top, width, bottom))
        more = ()
        if profile is not None:
            strip, more = _convert_to_srgb(strip, profile)
        elif transparent:
            stored = cv2.cvtColor(np.asarray(strip.convert("RGBA")), cv2.COLOR_RGBA2BGRA)
            pixels[top:bottom], more = _flatten(stored)
        if not transparent:
            pixels[top:bottom] = np.asarray(strip.convert("RGB"))[..., ::-1]
        notes |= dict.fromkeys(more)
    return pixels, tuple(notes), None if profile is not None else icc


def _decode_deep(data: bytes) -> tuple[Pixels, tuple[str, ...]]:
    """Decode 16 bits a channel by OpenCV, as Pillow keeps 8; an error that it prints means damage."""
    level = cv2.utils.logging.getLogLevel()
    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_ERROR)
    try:
        with _overhear() as words:
            pixels: Pixels | None = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
            said = words()
    finally:
        cv2.utils.logging.setLogLevel(level)
    if pixels is None or "error" in said.lower():
        raise BrokenTagsError("its pixels cannot be decoded")
    if pixels.dtype != np.uint16:
        refuse("unusual_encoding", found=f"a picture of {pixels.dtype} values")
    if pixels.ndim == 2:
        pixels = cv2.cvtColor(pixels, cv2.COLOR_GRAY2BGR)
    return _flatten(pixels)


def _flatten(pixels: Pixels) -> tuple[Pixels, tuple[str, ...]]:
    """Drop the alpha of (H, W, 4), laying what is not opaque on white, as viewers and printers show it."""
    if pixels.ndim == 2:
        return cv2.cvtColor(pixels, cv2.COLOR_GRAY2BGR), ()
    if pixels.shape[2] == 3:
        return pixels, ()
    white = np.iinfo(pixels.dtype).max
    if pixels[..., 3].min() == white:
        return np.ascontiguousarray(pixels[..., :3]), ()
    flat = np.empty((*pixels.shape[:2], 3), pixels.dtype)
    for rows, opaque in zip(_by_strips(pixels), _by_strips(flat), strict=True):
        cover = rows[..., 3:].astype(np.float32) / np.float32(white)
        opaque[:] = np.rint(rows[..., :3] * cover + white * (1 - cover)).astype(pixels.dtype)
    return flat, ("was_transparent",)


def _by_strips(pixels: Pixels) -> Iterator[Pixels]:
    """Views of some rows each, so that what is computed of them stays small."""
    return (pixels[top : top + STRIP_ROWS] for top in range(0, len(pixels), STRIP_ROWS))


@contextmanager
def _overhear() -> "Iterator[Callable[[], str]]":
    """Catch what C libraries print on stderr, which no setting of theirs keeps from the user's terminal.

    Yields a function that returns the words so far. It holds for the whole process while it lasts, so it is
    kept to the rare forms: a JPEG never gets here.
    """
    with tempfile.TemporaryFile() as catch:
        with suppress(OSError, ValueError):
            sys.stderr.flush()
        try:
            terminal = os.dup(2)
        except OSError:  # no stderr: nothing to keep clean
            yield lambda: ""
            return
        os.dup2(catch.fileno(), 2)
        try:
            yield lambda: (catch.seek(0), catch.read().decode("utf-8", "replace"))[1]
        finally:
            os.dup2(terminal, 2)
            os.close(terminal)


# ----------------------------------------------------------------------------------------- colour, turning


def _find_encoding(picture: _Picture) -> tuple[Pixels, Encoding, tuple[str, ...]]:
    """Bring pixels with a profile other than sRGB's or Display-P3's into sRGB."""
    if picture.icc is None:
        return picture.pixels, picture.encoding, ()
    encoding = encoding_of_icc(picture.icc)
    if encoding is not None:
        return picture.pixels, encoding, ()
    from PIL import Image

    converted = np.empty(picture.pixels.shape, np.uint8)
    notes: tuple[str, ...] = ()
    for rows, made in zip(_by_strips(picture.pixels), _by_strips(converted), strict=True):
        narrow = (
            np.rint(rows / 257).astype(np.uint8) if rows.dtype == np.uint16 else rows
        )  # of 8 bits a channel
        strip, notes = _convert_to_srgb(Image.fromarray(cv2.cvtColor(narrow, cv2.COLOR_BGR2RGB)), picture.icc)
        if "profile_unusable" in notes:
            return picture.pixels, "srgb", notes
        made[:] = np.asarray(strip)[..., ::-1]
    return converted, "srgb", notes


def _convert_to_srgb(image: "Image", icc: bytes) -> "tuple[Image, tuple[str, ...]]":
    from PIL import ImageCms

    if icc[16:20] == b"GRAY":
        image = image.convert("L")
    try:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(icc))
        converted = ImageCms.profileToProfile(
            image,
            profile,
            ImageCms.createProfile("sRGB"),
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
            outputMode="RGB",
        )
    except (ImageCms.PyCMSError, OSError, ValueError):
        return image.convert("RGB"), ("profile_unusable",)
    assert converted is not None  # only None when it works in place
    return converted, ("profile_converted",)


def _turn_upright(pixels: Pixels, orientation: int) -> Pixels:
    """Undo EXIF's orientation 1 to 8 (CIPA DC-008, tag 0x0112: where row 0 and column 0 belong)."""
    turns: dict[int, Callable[[Pixels], Any]] = {
        1: lambda p: p,
        2: lambda p: cv2.flip(p, 1),
        3: lambda p: cv2.rotate(p, cv2.ROTATE_180),
        4: lambda p: cv2.flip(p, 0),
        5: lambda p: cv2.transpose(p),
        6: lambda p: cv2.rotate(p, cv2.ROTATE_90_CLOCKWISE),
        7: lambda p: cv2.flip(cv2.transpose(p), -1),
        8: lambda p: cv2.rotate(p, cv2.ROTATE_90_COUNTERCLOCKWISE),
    }
    turned: Pixels = turns[orientation](pixels)
    return turned


def _first_line(error: Exception) -> str:
    line = (str(error).strip() or type(error).__name__).splitlines()[0]
    return "".join(character for character in line if character.isprintable())[:200]
