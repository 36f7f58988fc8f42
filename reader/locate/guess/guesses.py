"""Poses that a plate may have, from four-sided regions anywhere in the photo or from openings alone."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from reader.locate.camera import Camera, cameras_from_affine
from reader.locate.guess.openings import Place
from reader.locate.guess.pattern import Templates, Way
from reader.locate.guess.regions import find_regions
from reader.locate.known_points import first_camera, fit_points
from reader.locate.outline import box_corners, wells, window_corners
from reader.locate.priors import Priors
from reader.locate.view import ReducedCopy
from reader.numbers.geometry import Matrix, Points, apply, homography_between
from reader.settings.values import Layout

LEAST_LIKENESS = 0.35
"""Likeness of a region's edges to the layout's openings. Shared photos' true places give 0.4 to 0.85, all else under
0.3."""
NEAR_BEST = 0.1
"""Ways up that are less like a region than its best by more than this are no guess."""
MOST_MISS = 0.18
"""How far a region's corners may lie from any plate's, as a share of its size: regions are rough."""
MOST_OVERHANG = 0.1
"""A guess sticks out of the frame by no more than this, in shares of its own size."""
CROPPED_OVERHANG = 0.02
"""A plate is cropped from this on, in shares of its own size."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Guess:
    """A possible pose to refine: way up, where the box's corners (4, 2) are seen, full-size px, likeness so far; its
    camera, where something besides the corners tells it.
    """

    way: Way
    corners: Points
    likeness: float
    camera: Camera | None = None


def guess_anywhere(copy: ReducedCopy, templates: Templates, *, side: float) -> list[Guess]:
    """Poses from four-sided regions anywhere in the photo, best first.

    side : the size, px along the long side, at which regions are looked for.
    """
    guesses = []
    for quad in find_regions(copy.pixels, side=side):
        likeness = templates.likeness(copy.grey, quad)
        corners = copy.to_full(quad)
        guesses += [
            Guess(way=way, corners=np.roll(corners, -way.turns, axis=0), likeness=float(value))
            for way, value in zip(templates.ways, likeness, strict=True)
            if value > LEAST_LIKENESS and value > likeness.max() - NEAR_BEST
        ]
    return sorted(guesses, key=lambda g: -g.likeness)


def guess_by_openings(
    copy: ReducedCopy, places: Sequence[Place], templates: Templates, priors: Priors
) -> list[Guess]:
    """Poses from places where openings were found, as far as the whole plate is in the frame."""
    guesses = []
    for place in places:
        way = next(w for w in templates.ways if w.plan is templates.plans[place.plan] and w.turns == 0)
        box = box_corners(way.plan.outline)
        for camera in _cameras_of_openings(copy.map_to_full(place.mm_to_px), place, way.plan, priors):
            corners = copy.to_view(camera.project(box))
            if _overhang(corners, copy.grey.shape) > MOST_OVERHANG:
                continue
            likeness = templates.likeness(copy.grey, corners)[templates.ways.index(way)]
            guesses.append(
                Guess(way=way, corners=camera.project(box), likeness=float(likeness), camera=camera)
            )
    return sorted(guesses, key=lambda g: -g.likeness)


def shows_a_part(copy: ReducedCopy, places: Sequence[Place], templates: Templates) -> bool:
    """Whether openings were found whose plate sticks out of the frame."""
    for place in places:
        way = next(i for i, w in enumerate(templates.ways) if w.plan is templates.plans[place.plan])
        corners = apply(place.mm_to_px, box_corners(templates.plans[place.plan].outline))
        if _overhang(corners, copy.grey.shape) > CROPPED_OVERHANG:
            _, likeness = templates.likeness_in_frame(copy.grey, corners)
            if likeness[way] > LEAST_LIKENESS:
                return True
    return False


def camera_of(guess: Guess, priors: Priors) -> Camera | None:
    """The camera of a guess; None where no real one could see a plate of these proportions so, some error allowed."""
    if guess.camera is not None:
        return guess.camera
    box = box_corners(guess.way.plan.outline)
    h = homography_between(box, guess.corners)
    if h is None:
        return None
    camera = first_camera(h, priors)
    fitted = camera and fit_points(camera, box, guess.corners, priors)
    if not fitted:
        return None
    size = float(np.sqrt(abs(cv2.contourArea(guess.corners.astype(np.float32)))))
    miss = np.linalg.norm(fitted[0].project(box) - guess.corners, axis=1)
    return fitted[0] if miss.max() < MOST_MISS * size else None


def _cameras_of_openings(h: Matrix, place: Place, plan: Layout, priors: Priors) -> list[Camera]:
    """Cameras that see a layout's openings where a homography (mm to full-size px) has them: two, by tilt, where too
    few openings show perspective.
    """
    if place.is_affine:
        middle = np.mean([[*w.centre, *w.well] for w in plan.window], axis=0).reshape(2, 2).mean(axis=0)
        focal = float(np.exp(priors.focal[0]))
        return list(
            cameras_from_affine(h[:2, :2], middle, apply(h, middle), focal=focal, centre=priors.centre)
        )
    points = np.concatenate([*(window_corners(window) for window in plan.window), wells(plan)])
    camera = first_camera(h, priors)
    if camera is None:
        return []
    fitted = fit_points(camera, points, apply(h, points), priors)
    return [] if fitted is None else [fitted[0]]


def _overhang(corners: Points, shape: tuple[int, ...]) -> float:
    """How far a region (4, 2) sticks out of a frame (rows, columns), in shares of its own size."""
    beyond = max(float(-corners.min()), float((corners - np.array(shape[1::-1]) + 1).max()))
    return beyond / float(np.sqrt(abs(cv2.contourArea(corners.astype(np.float32)))) + 1e-9)
