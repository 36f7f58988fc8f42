"""Poses of a plate that lies on the photo card, which is looked at from straight above."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.locate.camera import Camera
from reader.locate.card import CARD_SIZE_MM, PLATE_CENTRE_MM, CardPose
from reader.locate.guess.guesses import LEAST_LIKENESS, NEAR_BEST, Guess
from reader.locate.guess.pattern import Templates
from reader.locate.guess.regions import find_regions
from reader.locate.outline import box_corners
from reader.locate.view import REDUCED_SIDE, ReducedCopy
from reader.numbers.geometry import Matrix, Points, apply

CARD_SCALE = 1.6
"""Rectified view of the card: px per mm."""
CARD_MARGIN_MM = 25.0
"""And mm of table round the card."""
SLIDE_STEPS = ((4.0, 4.0, 0.05), (2.0, 2.0, 0.025), (1.0, 1.0, 0.012))
"""Steps in which a doubtful guess is slid over the card: mm, mm, radians."""
BETTER = 1e-4
"""A likeness is better by more than this."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class CardView:
    """The card as if seen from straight above, at the mean height of all layouts' top faces.

    card : where it lies. pixels : BGR. to_mm (3, 3) : these pixels to card mm. mm_to_copy (3, 3) : card mm to the
    reduced copy's px. usual : where plates lie by the printed silhouette, (4, 2) card mm each.
    """

    card: CardPose
    pixels: NDArray[np.uint8]
    to_mm: Matrix
    mm_to_copy: Matrix
    usual: tuple[Points, ...]

    def regions(self) -> list[Points]:
        """Four-sided regions (4, 2) on the card, and where plates usually lie, card mm."""
        return [*self.usual, *(apply(self.to_mm, quad) for quad in find_regions(self.pixels))]

    def finer_regions(self, copy: ReducedCopy) -> list[Points]:
        """Those that the reduced copy shows at its own size, (4, 2) card mm each."""
        to_card = np.linalg.inv(self.mm_to_copy)
        return [apply(to_card, quad) for quad in find_regions(copy.pixels, side=REDUCED_SIDE)]


def look_at_card(copy: ReducedCopy, card: CardPose, templates: Templates) -> CardView:
    """Look at the card from straight above."""
    thickness = float(np.mean([plan.outline.thickness for plan in templates.plans]))
    mm_to_copy = copy.map_to_view(card.camera.plane(-thickness))
    size = np.array(CARD_SIZE_MM) + 2 * CARD_MARGIN_MM
    to_mm = np.array([[1 / CARD_SCALE, 0, -CARD_MARGIN_MM], [0, 1 / CARD_SCALE, -CARD_MARGIN_MM], [0, 0, 1]])
    view = cv2.warpPerspective(
        copy.pixels,
        mm_to_copy @ to_mm,
        (round(size[0] * CARD_SCALE), round(size[1] * CARD_SCALE)),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
    )
    boxes = {(plan.outline.width, plan.outline.height): box_corners(plan.outline) for plan in templates.plans}
    return CardView(
        card=card,
        pixels=np.asarray(view, np.uint8),
        to_mm=to_mm,
        mm_to_copy=mm_to_copy,
        usual=tuple(box - box.mean(axis=0) + np.array(PLATE_CENTRE_MM) for box in boxes.values()),
    )


def guess_on_card(
    copy: ReducedCopy, view: CardView, templates: Templates, regions: Sequence[Points]
) -> list[Guess]:
    """Poses from regions (4, 2) on the card, card mm, that have a plate's size."""
    guesses = []
    for region in regions:
        sides = np.linalg.norm(np.roll(region, -1, axis=0) - region, axis=1)
        # Markers that decode are not mirrored, nor is what lies beside them.
        fitting = np.flatnonzero(templates.have_size(sides) & ~templates.mirrored)
        if not len(fitting):
            continue
        likeness = templates.likeness(copy.grey, apply(view.mm_to_copy, region))
        for i in fitting:
            way = templates.ways[i]
            if likeness[i] < LEAST_LIKENESS or likeness[i] < likeness.max() - NEAR_BEST:
                continue
            corners = np.roll(region, -way.turns, axis=0)
            along = corners[1] + corners[2] - corners[0] - corners[3]
            box = box_corners(way.plan.outline)
            camera = _lay_plate(
                view.card.camera, way.plan.outline.thickness, corners.mean(axis=0), along, box
            )
            guesses.append(
                Guess(way=way, corners=camera.project(box), likeness=float(likeness[i]), camera=camera)
            )
    return sorted(guesses, key=lambda g: -g.likeness)


def slide_guess(copy: ReducedCopy, view: CardView, templates: Templates, guess: Guess) -> Guess:
    """A guess on the card slid and turned to where its openings match best: size and tilt are known there."""
    plan = guess.way.plan
    way = next(i for i, w in enumerate(templates.ways) if w.plan is plan and w.turns == 0)
    box = box_corners(plan.outline)
    corners = apply(np.linalg.inv(view.mm_to_copy), copy.to_view(guess.corners))
    along = corners[1] + corners[2] - corners[0] - corners[3]
    place = np.array([*corners.mean(axis=0), np.arctan2(along[1], along[0])])

    def likeness(at: Points) -> float:
        c, s = np.cos(at[2]), np.sin(at[2])
        region = (box - box.mean(axis=0)) @ np.array([[c, s], [-s, c]]) + at[:2]
        return float(templates.likeness(copy.grey, apply(view.mm_to_copy, region))[way])

    best = likeness(place)
    for step in SLIDE_STEPS:
        improved = True
        while improved:
            improved = False
            for move in np.diag(step):
                for trial in (place + move, place - move):
                    value = likeness(trial)
                    if value > best + BETTER:
                        place, best, improved = trial, value, True
    direction = np.array([np.cos(place[2]), np.sin(place[2])])
    camera = _lay_plate(view.card.camera, plan.outline.thickness, place[:2], direction, box)
    return Guess(way=templates.ways[way], corners=camera.project(box), likeness=best, camera=camera)


def _lay_plate(camera: Camera, thickness: float, middle: Points, along: Points, box: Points) -> Camera:
    """The camera in the millimetres of a plate that lies on the plane with its middle and its x axis as given."""
    c, s = along / np.linalg.norm(along)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    origin = np.append(middle - turn[:2, :2] @ box.mean(axis=0), -thickness)
    return Camera(
        rotation=camera.rotation @ turn,
        shift=camera.shift + camera.rotation @ origin,
        focal=camera.focal,
        centre=camera.centre,
        bend=camera.bend,
    )
