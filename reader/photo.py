"""Any picture file -> an upright Photo, still encoded."""

import hashlib
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Photo:
    """An upright photo as decoded: `pixels` (H, W, 3) uint8 or uint16, BGR, still encoded."""

    name: str
    pixels: NDArray[np.uint8] | NDArray[np.uint16]
    sha256: str


def open_photo(path: Path) -> Photo:
    """Read any picture file (provisional: what OpenCV decodes)."""
    data = path.read_bytes()
    pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    return Photo(name=path.name, pixels=pixels, sha256=hashlib.sha256(data).hexdigest())
