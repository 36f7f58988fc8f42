"""Find the plate: on its photo card or bare, which layout it is, which way up, or why it cannot be read."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from reader.locate.camera import Camera
from reader.locate.card import CardPose, find_card
from reader.locate.guess.guesses import guess_anywhere, guess_by_openings, shows_a_part
from reader.locate.guess.on_card import guess_on_card, look_at_card, slide_guess
from reader.locate.guess.openings import find_blobs, find_places
from reader.locate.guess.pattern import Templates, templates_of
from reader.locate.guess.regions import SIDE
from reader.locate.judge import judge, refuse_unfound
from reader.locate.outline import box_corners
from reader.locate.priors import Priors, priors_by_card, priors_of_photo
from reader.locate.refine.edges import RIM_START
from reader.locate.refine.rounds import Fit, fit_last
from reader.locate.score import Found, merge, score_guesses
from reader.locate.view import REDUCED_SIDE, Pixels, ReducedCopy, View, reduce_photo
from reader.numbers.geometry import Matrix, Points, apply, homography_between, px_per_mm_at
from reader.photo.open import Photo
from reader.photo.original import content
from reader.refusals import refuse
from reader.settings.values import Layout

LEAST_PLACE_SHARE = 0.7
"""Where less of a plate is proved, windows may be misplaced by more than a line's width. Of 720 photos, simulated or
changed a little, all 4 that are off by 1 mm along the flow lie below, and 4 of the 676 that are right within 0.4 mm."""
FULL_BLUR_MM = 0.12
"""Edges on the photo's own pixels are about so blurred, mm, but a pixel at the least."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PlatePose:
    """Where the plate is.

    mm_to_px : (3, 3) top face, plate mm to upright full-size px. corners_px : (4, 2) of the outline's
    bounding box, plate order from the top-left. px_per_mm : at the middle. residual_mm : rms distance of the
    edges found from the outline and rims fitted. orientation_margin : how much better than the next best way
    up or layout, 0..1 and more. camera_mm : (3,) camera centre in plate mm, x right, y down, z height above
    the top face. rim_mm : bevel round the membranes, as seen. camera : the same pose as a pinhole camera with
    its distortion. on_card : found by the card's markers. notes : flags, `place_unsure` where windows may lie
    elsewhere by more than a line's width.
    """

    layout: Layout
    mm_to_px: Matrix
    corners_px: Points
    px_per_mm: float
    residual_mm: float
    orientation_margin: float
    camera_mm: Points
    rim_mm: float
    camera: Camera
    on_card: bool
    notes: tuple[str, ...] = ()


def find_plate(photo: Photo, layouts: Sequence[Layout]) -> PlatePose:
    """Find the one plate in an upright photo and say which of the layouts it is.

    Raises PhotoRefusedError: no_plate, two_plates, mirrored, cropped, which_layout, which_way_up.
    """
    rows, columns = content(photo)
    pixels, corner = photo.pixels[rows, columns], np.array([columns.start, rows.start], np.float64)
    size = pixels.shape[1], pixels.shape[0]
    copy, priors = reduce_photo(pixels), priors_of_photo(*size)
    templates = templates_of(tuple(layouts))
    card = find_card(copy, priors)
    by_card = priors if card is None else priors_by_card(card.camera)
    found: list[Found] = []
    if card is not None:
        found = _find_on_card(copy, card, templates, by_card)
    for side in (SIDE, REDUCED_SIDE):
        if not found:
            card, by_card = None, priors
            found = score_guesses(copy, guess_anywhere(copy, templates, side=side), templates, priors)
    cropped = False
    if not found or (card is None and not found[0].sure):
        places = find_places(find_blobs(copy.pixels), templates.plans, copy.grey.shape)
        guesses = guess_by_openings(copy, places, templates, priors)
        found = merge(found, score_guesses(copy, guesses, templates, priors))
        cropped = shows_a_part(copy, places, templates)
        if not found:
            refuse_unfound(copy, cropped=cropped)
    best = found[0]
    judge(best, found[1:], size, on_card=card is not None, cropped=cropped)
    fit = fit_last(_view_full(pixels, best), best.way.plan, best.fit, by_card)
    camera = replace(fit.camera, centre=fit.camera.centre + corner)
    return _pose(best, replace(fit, camera=camera), on_card=card is not None)


def _find_on_card(copy: ReducedCopy, card: CardPose, templates: Templates, priors: Priors) -> list[Found]:
    """The plates on the card, best first; where none is sure, also from finer regions, and slid to their openings."""
    view = look_at_card(copy, card, templates)
    regions = view.regions()
    found = score_guesses(copy, guess_on_card(copy, view, templates, regions), templates, priors)
    if found and found[0].sure:
        return found
    guesses = guess_on_card(copy, view, templates, [*regions, *view.finer_regions(copy)])
    slid = [slide_guess(copy, view, templates, guess) for guess in guesses[:2]]
    return merge(found, score_guesses(copy, [*slid, *guesses], templates, priors))


def _view_full(pixels: Pixels, found: Found) -> View:
    """The photo's own pixels, for the last round."""
    scale = px_per_mm_at(found.fit.camera.plane(), box_corners(found.way.plan.outline).mean(axis=0))
    return View(pixels=pixels, factor=1, blur_px=max(1.0, FULL_BLUR_MM * scale))


def _pose(found: Found, fit: Fit, *, on_card: bool) -> PlatePose:
    layout = found.way.layout
    box = box_corners(layout.outline)
    grid = np.stack(np.meshgrid(*(np.linspace(0, size, 7) for size in box[2])), axis=-1).reshape(-1, 2)
    h = homography_between(grid, fit.camera.project(grid))
    if h is None:
        refuse("no_plate")
    return PlatePose(
        layout=layout,
        mm_to_px=h,
        corners_px=apply(h, box),
        px_per_mm=px_per_mm_at(h, box.mean(axis=0)),
        residual_mm=fit.residual_mm,
        orientation_margin=found.margin,
        camera_mm=fit.camera.position_mm(),
        rim_mm=float(fit.lines[RIM_START]),
        camera=fit.camera,
        on_card=on_card,
        notes=() if fit.proof.share > LEAST_PLACE_SHARE else ("place_unsure",),
    )
