"""A first look at a small picture: where the plate lies, roughly and soon, for hints before the photo is taken.

It is the first half of `plate.find_plate`, without the last rounds on full-size pixels and without the search by
openings alone: some tens of milliseconds instead of a second. Nothing is measured by it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from reader.locate.card import find_card
from reader.locate.guess.guesses import guess_anywhere, shows_a_part
from reader.locate.guess.on_card import guess_on_card, look_at_card
from reader.locate.guess.openings import find_blobs, find_places
from reader.locate.guess.pattern import templates_of
from reader.locate.guess.regions import SIDE
from reader.locate.judge import judge, refuse_unfound
from reader.locate.outline import box_corners, window_corners
from reader.locate.priors import priors_by_card, priors_of_photo
from reader.locate.score import Found, score_guesses
from reader.locate.view import reduce_photo
from reader.numbers.geometry import Points, px_per_mm_at
from reader.settings.values import Layout


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Glimpse:
    """Where a plate seems to lie.

    windows : id to corners (4, 2) of its opening, px of the picture. tilt_deg : between the camera's axis and the
    plate's normal.
    """

    layout: Layout
    px_per_mm: float
    tilt_deg: float
    windows: dict[str, Points]


def glimpse_plate(pixels: NDArray[np.uint8], layouts: Sequence[Layout]) -> Glimpse:
    """Look for the plate in a small upright picture (h, w, 3), BGR. Raises PhotoRefusedError as `find_plate` does."""
    size = pixels.shape[1], pixels.shape[0]
    copy, priors = reduce_photo(pixels), priors_of_photo(*size)
    templates = templates_of(tuple(layouts))
    card = find_card(copy, priors)
    found: list[Found] = []
    if card is not None:
        by_card = priors_by_card(card.camera)
        view = look_at_card(copy, card, templates)
        found = score_guesses(copy, guess_on_card(copy, view, templates, view.regions()), templates, by_card)
    if not found:
        card = None
        found = score_guesses(copy, guess_anywhere(copy, templates, side=SIDE), templates, priors)
    if not found:
        places = find_places(find_blobs(copy.pixels), templates.plans, copy.grey.shape)
        refuse_unfound(copy, cropped=shows_a_part(copy, places, templates))
    best = found[0]
    judge(best, found[1:], size, on_card=card is not None, cropped=False)
    camera, layout = best.fit.camera, best.way.layout
    middle = box_corners(layout.outline).mean(axis=0)
    return Glimpse(
        layout=layout,
        px_per_mm=px_per_mm_at(camera.plane(), middle),
        tilt_deg=camera.tilt(),
        windows={window.id: camera.project(window_corners(window)) for window in layout.window},
    )
