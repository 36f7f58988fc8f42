"""A first look at a small picture: where the plate lies, roughly and soon, for hints before the photo is taken.

It is the first half of `plate.find_plate`, without the last rounds on full-size pixels, with fewer guesses tried, and
following a plate that the picture before has shown: some tens of milliseconds instead of a second. Nothing is measured
by it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.locate.card import find_card
from reader.locate.guess.guesses import Guess, guess_anywhere, guess_by_openings, shows_a_part
from reader.locate.guess.on_card import guess_on_card, look_at_card
from reader.locate.guess.openings import Place, find_blobs, find_places
from reader.locate.guess.pattern import Templates, templates_of
from reader.locate.guess.regions import SIDE
from reader.locate.judge import judge, refuse_unfound
from reader.locate.outline import box_corners, window_corners
from reader.locate.priors import Priors, priors_by_card, priors_of_photo
from reader.locate.score import Found, score_guesses
from reader.locate.view import ReducedCopy, reduce_photo
from reader.numbers.geometry import Points, px_per_mm_at, scaled
from reader.settings.values import Layout

TRIES: Final = 4
"""So many guesses are tried; a plate that shows well is among the first."""
STARTS: Final = 12
"""So many starts of a layout's openings are followed up."""
OPENINGS_SIDE: Final = 720
"""Openings are looked for at this size, px along the long side."""
LESS_PROVED: Final = 0.05
"""A plate that is followed is proved as far as it was, but for so much."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Glimpse:
    """Where a plate seems to lie.

    windows : id to corners (4, 2) of its opening, px of the picture. tilt_deg : between the camera's axis and the
    plate's normal. size : of the picture, width and height, px. found : what it rests on.
    """

    layout: Layout
    px_per_mm: float
    tilt_deg: float
    windows: dict[str, Points]
    size: tuple[int, int]
    found: Found


def glimpse_plate(
    pixels: NDArray[np.uint8], layouts: Sequence[Layout], *, last: Glimpse | None = None
) -> Glimpse:
    """Look for the plate in a small upright picture (h, w, 3), BGR. Raises PhotoRefusedError as `find_plate` does.

    last : of the picture before, of the same layouts: the plate is looked for near there first, and no second one
    elsewhere.
    """
    size = pixels.shape[1], pixels.shape[0]
    copy, priors = reduce_photo(pixels), priors_of_photo(*size)
    templates = templates_of(tuple(layouts))
    card = find_card(copy, priors)
    found: list[Found] = []
    if card is not None:
        by_card = priors_by_card(card.camera)
        view = look_at_card(copy, card, templates)
        found = _score(copy, guess_on_card(copy, view, templates, view.regions()), templates, by_card)
    if not found:
        card = None
        if last is not None and last.size == size:
            found = _follow(copy, last.found, templates, priors)
        found = found or _score(copy, guess_anywhere(copy, templates, side=SIDE), templates, priors)
    if not found:
        places = _find_places(copy, templates)
        found = _score(copy, guess_by_openings(copy, places, templates, priors), templates, priors)
        if not found:
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
        size=size,
        found=best,
    )


def _follow(copy: ReducedCopy, last: Found, templates: Templates, priors: Priors) -> list[Found]:
    """The plate near where it was, proved as well as it was there; else nothing."""
    found = score_guesses(copy, [_again(last)], templates, priors, again=False)
    least = last.fit.proof.share - LESS_PROVED
    return [one for one in found if one.way == last.way and (one.sure or one.fit.proof.share > least)]


def _score(copy: ReducedCopy, guesses: Sequence[Guess], templates: Templates, priors: Priors) -> list[Found]:
    """The best guesses, each refined once; those that this leaves in doubt once more."""
    found = score_guesses(copy, guesses[:TRIES], templates, priors, again=False)
    if all(one.sure for one in found):
        return found
    return score_guesses(copy, [_again(one) for one in found], templates, priors)


def _again(found: Found) -> Guess:
    camera = found.fit.camera
    corners = camera.project(box_corners(found.way.plan.outline))
    return Guess(way=found.way, corners=corners, likeness=found.likeness, camera=camera)


def _find_places(copy: ReducedCopy, templates: Templates) -> list[Place]:
    """Places by openings alone, looked for in a smaller copy."""
    scale = min(1.0, OPENINGS_SIDE / max(copy.grey.shape))
    small = np.asarray(
        cv2.resize(copy.pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8
    )
    shape = small.shape[0], small.shape[1]
    places = find_places(find_blobs(small), templates.plans, shape, most_starts=STARTS)
    return [replace(place, mm_to_px=scaled(place.mm_to_px, 1 / scale)) for place in places]
