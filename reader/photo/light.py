"""Colour arithmetic: encoded pixels <-> linear light, Lab, colour difference, absorbance.

Encoded pixels are BGR as OpenCV keeps them; linear light is float32 **RGB** with the sRGB primaries, 0..1 for
what an sRGB file can hold (a Display-P3 colour outside sRGB gives values below 0 or above 1: they are kept).

Sources: sRGB IEC 61966-2-1; Display-P3 primaries SMPTE EG 432-1 with white D65 and the sRGB curve;
Lab CIE 15; CIEDE2000 Sharma, Wu & Dalal, Color Res. Appl. 30 (2005) 21.
"""

import functools
from typing import Any, Literal, TypeAlias

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

Encoding: TypeAlias = Literal["srgb", "display-p3"]
Float: TypeAlias = NDArray[np.floating[Any]]

# Linear sRGB -> XYZ, D65 white with Y = 1 (IEC 61966-2-1 primaries, 7 digits); the rows sum to the white.
XYZ_OF_LINEAR_SRGB = np.array(
    [
        [0.4124564, 0.3575761, 0.1804375],
        [0.2126729, 0.7151522, 0.0721750],
        [0.0193339, 0.1191920, 0.9503041],
    ]
)
WHITE_D65 = XYZ_OF_LINEAR_SRGB.sum(axis=1)
# Display-P3's red, green and blue as chromaticities x, y (SMPTE EG 432-1); its white is the same D65.
P3_PRIMARIES = np.array([[0.680, 0.320], [0.265, 0.690], [0.150, 0.060]])
LAB_EPSILON = 216 / 24389  # CIE 15:2004, the exact fractions
LAB_KAPPA = 24389 / 27
# Half of the light that code 1 of an 8-bit file stands for: what is darker cannot be told from none.
LIGHT_FLOOR = 0.5 / 255 / 12.92


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


def linear_to_lab(light: ArrayLike) -> Float:
    """Turn linear light (..., 3) RGB, sRGB primaries, into CIE Lab (..., 3) under D65."""
    relative = _floating(light) @ (XYZ_OF_LINEAR_SRGB.T / WHITE_D65)
    f: Float = np.where(relative > LAB_EPSILON, np.cbrt(relative), (LAB_KAPPA * relative + 16) / 116)
    x, y, z = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def srgb_to_lab(rgb: ArrayLike) -> Float:
    """Turn encoded sRGB (..., 3) **RGB**, integers 0..255 or floating 0..1, into CIE Lab under D65."""
    values = np.asarray(rgb)
    if np.issubdtype(values.dtype, np.integer):
        values = values / 255
    return linear_to_lab(decode_srgb(values))


def colour_difference(lab_1: ArrayLike, lab_2: ArrayLike) -> Float:
    """Return CIEDE2000 (kL = kC = kH = 1) of Lab colours (..., 3); numbers are Sharma's equations."""
    l_1, a_1, b_1 = np.moveaxis(_floating(lab_1), -1, 0)
    l_2, a_2, b_2 = np.moveaxis(_floating(lab_2), -1, 0)
    c_bar = (np.hypot(a_1, b_1) + np.hypot(a_2, b_2)) / 2  # 2, 3
    g = 0.5 * (1 - np.sqrt(c_bar**7 / (c_bar**7 + 25.0**7)))  # 4
    c_1, c_2 = np.hypot((1 + g) * a_1, b_1), np.hypot((1 + g) * a_2, b_2)  # 5, 6
    h_1 = np.degrees(np.arctan2(b_1, (1 + g) * a_1)) % 360  # 7
    h_2 = np.degrees(np.arctan2(b_2, (1 + g) * a_2)) % 360
    grey = c_1 * c_2 == 0
    turn = np.where(grey, 0, (h_2 - h_1 + 180) % 360 - 180)  # 10
    turn = np.where(~grey & (h_2 - h_1 == 180), 180, turn)
    d_l, d_c = l_2 - l_1, c_2 - c_1  # 8, 9
    d_h = 2 * np.sqrt(c_1 * c_2) * np.sin(np.radians(turn / 2))  # 11
    l_mean, c_mean = (l_1 + l_2) / 2, (c_1 + c_2) / 2  # 12, 13
    apart = np.abs(h_1 - h_2) > 180
    h_mean = (h_1 + h_2) / 2 + np.where(apart, np.where(h_1 + h_2 < 360, 180, -180), 0)  # 14
    h_mean = np.where(grey, h_1 + h_2, h_mean)
    t = (  # 15
        1
        - 0.17 * np.cos(np.radians(h_mean - 30))
        + 0.24 * np.cos(np.radians(2 * h_mean))
        + 0.32 * np.cos(np.radians(3 * h_mean + 6))
        - 0.20 * np.cos(np.radians(4 * h_mean - 63))
    )
    d_theta = 30 * np.exp(-(((h_mean - 275) / 25) ** 2))  # 16
    r_c = 2 * np.sqrt(c_mean**7 / (c_mean**7 + 25.0**7))  # 17
    s_l = 1 + 0.015 * (l_mean - 50) ** 2 / np.sqrt(20 + (l_mean - 50) ** 2)  # 18
    s_c, s_h = 1 + 0.045 * c_mean, 1 + 0.015 * c_mean * t  # 19, 20
    r_t = -np.sin(np.radians(2 * d_theta)) * r_c  # 21
    lightness, chroma, hue = d_l / s_l, d_c / s_c, d_h / s_h
    squared: Float = lightness**2 + chroma**2 + hue**2 + r_t * chroma * hue  # 22
    return np.sqrt(squared)


def absorbance(light: ArrayLike, reference: ArrayLike) -> Float:
    """Return -log10(light / reference), both linear, broadcast; light below LIGHT_FLOOR counts as the floor.

    Signed: what is brighter than its reference comes out negative.
    """
    dark = np.maximum(_floating(light), LIGHT_FLOOR)
    bright = np.maximum(_floating(reference), LIGHT_FLOOR)
    return np.log10(bright) - np.log10(dark)


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
