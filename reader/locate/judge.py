"""What is refused though a plate, or a part of one, is seen: and with which reason."""

from collections.abc import Sequence
from typing import NoReturn

import numpy as np

from reader.locate.card import find_markers
from reader.locate.outline import box_corners, outline_curve
from reader.locate.refine.edges import CUT
from reader.locate.score import LEAST_CUT_PROOF, Found
from reader.locate.view import ReducedCopy
from reader.numbers.geometry import px_per_mm_at
from reader.refusals import refuse

LEAST_MARGIN = 0.2
"""How much better than any other way up, or other layout, the best has to be (likeness and cut corner together),"""
LEAST_MARGIN_ON_CARD = 0.12
"""and on the card, whose markers rule out mirror images."""
SURE_PART = 0.5
"""How far a side must be proved, 0..1, to be seen."""
FRAME_SLACK_MM = 0.5
"""How far the outline may overhang the frame by error of fit, mm."""
FRAME_NEAR_MM = 3.0
"""A side that is not seen within this of the frame's edge, mm, may lie beyond it."""


def refuse_unfound(copy: ReducedCopy, *, cropped: bool) -> NoReturn:
    """Say why no plate was found, where the picture tells."""
    if cropped:
        refuse("cropped")
    if len(find_markers(np.ascontiguousarray(copy.grey[:, ::-1]))) >= 2:
        refuse("mirrored")
    refuse("no_plate")


def judge(
    best: Found, others: Sequence[Found], size: tuple[int, int], *, on_card: bool, cropped: bool
) -> None:
    """Refuse what must not be read: a second plate, a flipped picture, a plate cut by the frame, an unsure
    way up. cropped : openings were found whose plate sticks out of the frame.
    """
    if others:
        refuse("two_plates")
    if _is_cut_by_frame(best, size):
        refuse("cropped")
    unsure = best.margin < (LEAST_MARGIN_ON_CARD if on_card else LEAST_MARGIN)
    cut_unseen = not on_card and best.fit.proof.sides[CUT] < LEAST_CUT_PROOF
    if (unsure or cut_unseen) and cropped:
        refuse("cropped")
    rival = best.rival
    if unsure and rival is not None and rival.layout is not best.way.layout:
        refuse("which_layout", first=best.way.layout.layout, second=rival.layout.layout)
    # A picture is called mirrored only where all of the plate says so.
    if unsure or cut_unseen or (best.way.mirrored and not best.sure):
        refuse("which_way_up")
    if best.way.mirrored:
        refuse("mirrored")


def _is_cut_by_frame(found: Found, size: tuple[int, int]) -> bool:
    """Whether the outline leaves the frame, or a side that is not seen lies along the frame's edge."""
    outline = found.way.plan.outline
    camera = found.fit.camera
    scale = px_per_mm_at(camera.plane(), box_corners(outline).mean(axis=0))
    last = np.array(size) - 1.0
    points = camera.project(outline_curve(outline, step=1.0).points)
    if min(points.min(), (last - points).min()) < -FRAME_SLACK_MM * scale:
        return True
    corners = camera.project(box_corners(outline))
    for side in np.flatnonzero(found.fit.proof.sides[:CUT] < SURE_PART):
        ends = corners[[side, (side + 1) % 4]]
        if min(ends.max(axis=0).min(), (last - ends).max(axis=0).min()) < FRAME_NEAR_MM * scale:
            return True
    return False
