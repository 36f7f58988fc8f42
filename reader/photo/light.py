"""Encoded pixels <-> linear light.

Encoded pixels are BGR as OpenCV keeps them; linear light is float32 **RGB** with the sRGB primaries, 0..1 for
what an sRGB file can hold (a Display-P3 colour outside sRGB gives values below 0 or above 1: they are kept).

Sources: sRGB IEC 61966-2-1; Display-P3 primaries SMPTE EG 432-1 with white D65 and the sRGB curve.
"""

import functools
from typing import Any, Literal, TypeAlias

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

Encoding: TypeAlias = Literal["srgb", "display-p3"]
Float: TypeAlias = NDArray[np.floating[Any]]

XYZ_OF_LINEAR_SRGB = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
"""Linear sRGB -> XYZ, D65 white with Y = 1 (IEC 61966-2-1 primaries, 7 digits)."""
WHITE_D65 = XYZ_OF_LINEAR_SRGB.sum(axis=1)
"""To which the rows sum."""
P3_PRIMARIES = np.array([[0.680, 0.320], [0.265, 0.690], [0.150, 0.060]])
"""Display-P3's red, green and blue as chromaticities x, y (SMPTE EG 432-1); its white is the same D65."""


def decode_srgb(encoded: ArrayLike) -> Float:
    """Undo the sRGB curve: encoded 0..1 -> linear light 0..1, any shape; negative values mirror."""
    code = _floating(encoded)
    size = np.abs(code)
    light = np.where(size <= 0.04045, size / 12.92, ((size + 0.055) / 1.055) ** 2.4)
    return np.copysign(light, code)


def encode_srgb(light: ArrayLike) -> Float:
    """Apply the sRGB curve: linear light 0..1 -> encoded 0..1, any shape; negative values mirror."""
    linear_light = _floating(light)
    size = np.abs(linear_light)
    code = np.where(size <= 0.0031308, size * 12.92, 1.055 * size ** (1 / 2.4) - 0.055)
    return np.copysign(code, linear_light)


def linear(pixels: NDArray[Any], encoding: Encoding = "srgb") -> NDArray[np.float32]:
    """Turn encoded pixels into linear light.

    pixels : (..., 3) BGR, uint8, uint16, or floating 0..1, encoded; never changed.
    Returns (..., 3) float32 RGB with the sRGB primaries, whatever the encoding.
    Raises TypeError for another dtype.
    """
    rgb = pixels[..., ::-1]
    light: NDArray[Any]
    if pixels.dtype == np.uint8 and pixels.ndim == 3 and pixels.size:  # eight times as fast as NumPy
        light = cv2.LUT(cv2.cvtColor(pixels, cv2.COLOR_BGR2RGB), _decoding_table(pixels.dtype.str))
    elif pixels.dtype == np.uint8 or pixels.dtype == np.uint16:
        light = np.take(_decoding_table(pixels.dtype.str), rgb)
    elif np.issubdtype(pixels.dtype, np.floating):
        light = decode_srgb(rgb)
    else:
        raise TypeError(f"pixels are {pixels.dtype}; expected uint8, uint16 or floating 0..1")
    if encoding == "display-p3":
        light = light @ _srgb_of_p3().T
    return light.astype(np.float32, copy=False)


def encode(light: Float, *, dtype: type[np.uint8] | type[np.uint16] = np.uint8) -> NDArray[Any]:
    """Turn linear light (..., 3) RGB, sRGB primaries, into encoded sRGB BGR pixels; clips to 0..1."""
    top = np.iinfo(dtype).max
    return np.rint(encode_srgb(np.clip(light, 0, 1))[..., ::-1] * top).astype(dtype)


def _floating(values: ArrayLike) -> Float:
    array = np.asarray(values)
    return array if array.dtype == np.float32 else array.astype(np.float64)


@functools.cache
def _decoding_table(dtype: str) -> NDArray[np.float32]:
    codes = np.arange(np.iinfo(dtype).max + 1)
    return decode_srgb(codes / codes[-1]).astype(np.float32)


@functools.cache
def _srgb_of_p3() -> NDArray[np.float32]:
    """Return the matrix from linear Display-P3 to linear sRGB; one white for both keeps every grey a grey."""
    x, y = P3_PRIMARIES.T
    primaries = np.stack([x, y, 1 - x - y])
    xyz_of_p3 = primaries * np.linalg.solve(primaries, WHITE_D65)
    return np.linalg.solve(XYZ_OF_LINEAR_SRGB, xyz_of_p3).astype(np.float32)
