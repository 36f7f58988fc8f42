"""Pictures as a self-contained page carries them: each as the address of an image, with its bytes inside."""

import base64

import cv2

from reader.draw.ink import Image


def png(picture: Image) -> str:
    """A picture, grey (n, m) or BGR (n, m, 3), as the address of an image: PNG, nothing lost."""
    _, data = cv2.imencode(".png", picture, [cv2.IMWRITE_PNG_COMPRESSION, 6])
    return address("image/png", data.tobytes())


def address(kind: str, data: bytes) -> str:
    """An image file of a media type as the address of an image."""
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"
