"""Hints before the photo: what a small frame of the camera's shows that would spoil the photo. They measure nothing.

One process of low priority looks at one frame at a time; a frame that comes meanwhile is let go, as another follows. It
looks for a plate where the camera's frame before had it, and every so often everywhere, as another plate may lie there.
"""

import asyncio
import os
from collections import OrderedDict
from collections.abc import Hashable, Sequence
from concurrent.futures import Executor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, Final, Literal

from reader.errors import PhotoRefusedError
from reader.run.pool import new_executor, process_context

if TYPE_CHECKING:
    from reader.locate.glimpse import Glimpse

Code = Literal[
    "no_plate",
    "two_plates",
    "cut_off",
    "mirrored",
    "which_way",
    "too_far",
    "tilted",
    "shadow",
    "glare",
    "dark",
]
TWO_PLATES: Final = "two_plates"
OF_REFUSAL: Final[dict[str, Code]] = {
    TWO_PLATES: TWO_PLATES,
    "cropped": "cut_off",
    "mirrored": "mirrored",
    "which_layout": "which_way",
    "which_way_up": "which_way",
}
FRAME_MAX: Final = 512 * 2**10
SIDE_MAX: Final = 1600  # px: hints are looked for in small frames only
MEMORY_MAX: Final = 768 * 2**20
NICENESS: Final = 10
"""So many steps behind the readings (nice(2))."""
FOLLOWED_MAX: Final = 4
"""Frames in which a plate is followed before it is looked for everywhere again: a second."""
ALONE_MIN: Final = 3
"""Frames in a row that show one plate before one with two is forgotten: a second one, seen at a slant, is missed in one
frame of six (28 frames of a demo photo of two)."""
CAMERAS_MAX: Final = 20
"""Cameras whose last frame is remembered."""

PHOTO_SIDE_PX: Final = 4000
"""Long side of the photo that follows: 12 megapixels in 4:3 (common practice, no source)."""
ENOUGH_PX_PER_MM: Final = 16.0
"""Strips are measured at so many samples a millimetre; with fewer pixels coming closer helps."""
TILT_MAX_DEG: Final = 25.0
"""Beyond it the rims hide a good part of the membranes (1.5 mm below a 5 mm opening's edge: a seventh)."""
SHADED: Final = 0.62
"""A window with so much less light than the brightest lies in a shadow; lamps from one side alone give 0.7."""
GLARING: Final = 1.3
"""A place so much brighter than the membranes' own light lies under a veil, as `measure.glare` has it,"""
NEAR_WHITE: Final = 0.8
"""and is nearly white (linear light; 8-bit code 230), or it is only not in the shadow in which the others lie,"""
GLARING_SHARE: Final = 0.03
"""if it takes up so much of a window."""
DARK_LIGHT: Final = 0.02
"""Linear light of membranes below which a phone raises its noise to get a picture (no source)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Hint:
    """One thing to do better; window : the id of the one that it is about."""

    code: Code
    window: str | None = None


class Hinter:
    """The process that looks at frames; it begins with the first one."""

    def __init__(self) -> None:
        """Nothing runs yet."""
        self._executor: Executor | None = None
        self._looking = False

    async def look(self, frame: bytes, layouts: Sequence[str], camera: Hashable) -> tuple[Hint, ...] | None:
        """Hints for a JPEG frame of a camera; None while another one is looked at."""
        if self._looking or len(frame) > FRAME_MAX:
            return None
        self._looking = True
        try:
            if self._executor is None:
                self._executor = new_executor(process_context(), memory_bytes=MEMORY_MAX)
            asked = self._executor.submit(_look_aside, frame, tuple(layouts), camera)
            return await asyncio.wrap_future(asked)
        except BrokenProcessPool:
            self.close()
            return None
        finally:
            self._looking = False

    def close(self) -> None:
        """Let the process end."""
        if self._executor is not None:
            self._executor.shutdown(wait=True, cancel_futures=True)
            self._executor = None


@cache
def _step_aside() -> None:
    if hasattr(os, "nice"):
        os.nice(NICENESS)


@cache
def _layouts(sources: tuple[str, ...]) -> tuple[Any, ...]:
    from reader.settings.values import load_layout

    return tuple(load_layout(source) for source in sources)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Seen:
    """What a camera's last frame showed; followed : frames since the plate was looked for everywhere.

    glimpse : None where the next frame is looked through as a whole. alone : frames in a row that showed one plate,
    since one that showed two; None where that was long ago.
    """

    glimpse: "Glimpse | None"
    followed: int = 0
    alone: int | None = None


_seen: "OrderedDict[Hashable, Seen]" = OrderedDict()


def _look_aside(frame: bytes, sources: tuple[str, ...], camera: Hashable) -> tuple[Hint, ...]:
    _step_aside()
    hints, seen = look_on(frame, _layouts(sources), _seen.pop((camera, sources), None))
    if seen is not None:
        _seen[camera, sources] = seen
        while len(_seen) > CAMERAS_MAX:
            _seen.popitem(last=False)
    return hints


def find_hints(frame: bytes, layouts: Sequence[Any]) -> tuple[Hint, ...]:
    """What a frame shows that would spoil a photo, the gravest first; empty where the photo may be taken."""
    return look_on(frame, layouts, None)[0]


def look_on(frame: bytes, layouts: Sequence[Any], last: Seen | None) -> tuple[tuple[Hint, ...], Seen | None]:
    """Hints, and what the camera's next frame is looked at by; last : what this one is."""
    import cv2
    import numpy as np

    from reader.locate.glimpse import glimpse_plate

    pixels = cv2.imdecode(np.frombuffer(frame, np.uint8), cv2.IMREAD_COLOR) if frame else None
    if pixels is None or max(pixels.shape[:2]) > SIDE_MAX:
        return (Hint(code="no_plate"),), None
    before = last.glimpse if last is not None and last.followed < FOLLOWED_MAX else None
    try:
        seen = glimpse_plate(np.asarray(pixels, np.uint8), layouts, last=before)
    except PhotoRefusedError as refusal:
        hint = Hint(code=OF_REFUSAL.get(refusal.code, "no_plate"))
        return (hint,), Seen(glimpse=None, alone=0) if hint.code == TWO_PLATES else None
    if last is not None and last.alone is not None and last.alone + 1 < ALONE_MIN:
        return (Hint(code=TWO_PLATES),), Seen(glimpse=None, alone=last.alone + 1)
    followed = 0 if last is None or before is None else last.followed + 1
    hints = []
    if seen.px_per_mm * PHOTO_SIDE_PX / max(pixels.shape[:2]) < ENOUGH_PX_PER_MM:
        hints.append(Hint(code="too_far"))
    if seen.tilt_deg > TILT_MAX_DEG:
        hints.append(Hint(code="tilted"))
    return (*hints, *_of_light(pixels, seen.windows)), Seen(glimpse=seen, followed=followed)


def _of_light(pixels: Any, windows: dict[str, Any]) -> list[Hint]:
    """Hints from the membranes' light: pixels (h, w, 3) BGR; windows : corners (4, 2) px by id."""
    import cv2
    import numpy as np

    from reader.photo.light import decode_srgb

    luma = cv2.GaussianBlur(cv2.cvtColor(pixels, cv2.COLOR_BGR2GRAY), (0, 0), 1.0)
    light = decode_srgb(np.arange(256) / 255.0)[luma]
    found = {}
    for id, corners in windows.items():
        inside = np.zeros(luma.shape, np.uint8)
        middle = corners.mean(axis=0)
        cv2.fillConvexPoly(inside, np.rint(middle + 0.8 * (corners - middle)).astype(np.int32), 1)
        values = light[inside > 0]
        if values.size:
            found[id] = values
    if not found:
        return []
    medians = {id: float(np.median(values)) for id, values in found.items()}
    own, brightest = float(np.quantile(list(medians.values()), 0.25)), max(medians.values())
    if brightest < DARK_LIGHT:
        return [Hint(code="dark")]

    def share(values: Any, least: float) -> float:
        return float((values > least).mean())

    glaring = max(GLARING * own, NEAR_WHITE)
    hints = [
        Hint(code="glare", window=id)
        for id, values in found.items()
        if share(values, glaring) > GLARING_SHARE
    ]
    halved = any(share(values, GLARING * own) > GLARING_SHARE for values in found.values())
    if not hints and (halved or min(medians.values()) < SHADED * brightest):
        hints.append(Hint(code="shadow"))
    return hints
