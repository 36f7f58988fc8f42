"""The picture that a site puts at the head of its reports, small and without what a camera wrote beside it."""

from pathlib import Path
from typing import Final

import cv2

from reader.errors import LinecallError, PhotoRefusedError
from reader.photo.open import open_photo
from reader.round.report.value import Figure

WIDEST_PX: Final = 720
TALLEST_PX: Final = 240
"""Sharp in print at 20 mm of height, and small in a page."""


def masthead(path: Path, name: str) -> Figure:
    """The site's picture. name : says whose it is to those who do not see it. Raises LinecallError."""
    try:
        pixels = open_photo(path).pixels
    except PhotoRefusedError as refusal:
        raise LinecallError(
            f"{path}: the site's picture cannot be used: {refusal.reason}; give a PNG or JPEG in site.toml, or none"
        ) from None
    height, width = pixels.shape[:2]
    scale = min(1.0, WIDEST_PX / width, TALLEST_PX / height)
    size = max(1, round(width * scale)), max(1, round(height * scale))
    small = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    done, data = cv2.imencode(".png", small)
    assert done, "a picture that was opened can be written"
    return Figure(data=data.tobytes(), kind="image/png", width=size[0], height=size[1], alt=name)
