"""Pictures as data URIs, which a page that is complete in itself carries."""

import base64
from typing import TYPE_CHECKING

import cv2

if TYPE_CHECKING:
    from reader.draw.ink import Image


def png(picture: "Image") -> str:
    """A picture, grey (n, m) or BGR (n, m, 3), as the data URI of a PNG, without loss."""
    _, data = cv2.imencode(".png", picture, [cv2.IMWRITE_PNG_COMPRESSION, 6])
    return data_uri("image/png", data.tobytes())


def data_uri(kind: str, data: bytes) -> str:
    """The data URI of an image file of a media type (RFC 2397)."""
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"
