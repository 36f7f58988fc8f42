"""Find the plate: on its photo card or bare, which layout it is, which way up, or why it cannot be read."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, NoReturn

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.locate.candidates import SIDE, quads
from reader.locate.card import CARD_SIZE_MM, PLATE_CENTRE_MM, CardPose, find_card, find_markers
from reader.locate.geometry import (
    Camera,
    Points,
    apply,
    camera_from,
    cameras_from_affine,
    homography_between,
    px_per_mm_at,
    scaled,
)
from reader.locate.openings import Place, find_blobs, find_places
from reader.locate.outline import (
    CORNERS,
    box_corners,
    corner_curves,
    outline_curve,
    wells,
    window_corners,
)
from reader.locate.pattern import Templates, Way, templates_of
from reader.locate.refine import (
    DOUBTFUL_STAGES,
    FIRST_STAGES,
    FOCAL_PRIOR,
    LAST_REACH_MM,
    LAST_STAGES,
    UNVOTED_STAGES,
    Fit,
    Prior,
    Stage,
    first_camera,
    fit_plate,
    fit_points,
)
from reader.locate.sight import CUT, RIM_START, look, seen_edges, strength_across
from reader.numbers.median import median, quantile
from reader.photo.open import Photo
from reader.photo.original import content
from reader.quality import refuse
from reader.settings.values import Layout

# The plate is looked for in a copy reduced by a whole factor to about this many px along the long side.
REDUCED_SIDE = 900
# A darker photo's copy is brightened to here, 8-bit code, at most this many times.
DIM, MOST_GAIN = 160.0, 6.0
# Likeness of a region's edges to the layout's openings. Shared photos' true places give 0.4 to 0.85, all else
# under 0.3.
LEAST_LIKENESS = 0.35
# How much better than any other way up, or other layout, the best has to be (likeness and cut corner
# together).
LEAST_MARGIN, LEAST_MARGIN_ON_CARD = 0.2, 0.12
# How far a plate must be proved, 0..1, to be there, and to be sure; of the cut, to tell which way up it lies; of a
# side, to be seen. Where none is sure, so many guesses are tried.
LEAST_SHARE, SURE_SHARE, LEAST_CUT_PROOF, SURE_PART = 0.55, 0.8, 0.5, 0.5
MOST_TRIES = 8
# Where less is proved, windows may be misplaced by more than a line's width. Of 720 photos, simulated or changed a
# little, all 4 that are off by 1 mm along the flow lie below, and 4 of the 676 that are right within 0.4 mm.
LEAST_PLACE_SHARE = 0.7
# How far a region's corners may lie from any plate's, as a share of its size: regions are rough.
MOST_MISS = 0.18
# How far an edge at a corner may lie from its place, mm; how far the outline may overhang the frame by error
# of fit, mm.
CORNER_REACH_MM = 0.8
FRAME_SLACK_MM, FRAME_NEAR_MM = 0.5, 3.0
# The reduced copy's edges are about so blurred, px; how densely corners are sampled across, px.
REDUCED_BLUR_PX, CORNER_STEP_PX = 1.2, 0.5
# Rectified view of the card: px per mm, and mm of table round the card.
CARD_SCALE = 1.6
CARD_MARGIN_MM = 25.0
# Steps in which a doubtful guess is slid over the card: mm, mm, radians.
CLIMB_STEPS = ((4.0, 4.0, 0.05), (2.0, 2.0, 0.025), (1.0, 1.0, 0.012))
# A plate on the card may tilt with the curl of the sheet, and the markers tell the focal length (natural
# log).
CARD_TILT_SE = np.radians(0.8)
CARD_FOCAL_SE = 0.03


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
    mm_to_px: Points
    corners_px: Points
    px_per_mm: float
    residual_mm: float
    orientation_margin: float
    camera_mm: Points
    rim_mm: float
    camera: Camera
    on_card: bool
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Reduced:
    """A photo's reduced copy: BGR and grey, 8 bit; what it was reduced by; the photo's centre and focal
    prior, px.
    """

    pixels: NDArray[np.uint8]
    grey: NDArray[np.uint8]
    factor: int
    centre: Points
    focal_prior: tuple[float, float]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Guess:
    """A possible pose to refine: way up, where the box's corners (4, 2) are seen, full-size px, likeness so far; its
    camera, where something besides the corners tells it.
    """

    way: Way
    corners: Points
    likeness: float
    camera: Camera | None = None


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Found:
    """A refined pose on the reduced copy, scored for every way up: `margin` over the next best one."""

    way: Way
    fit: Fit
    likeness: float
    margin: float
    rival: Way | None

    @property
    def sure(self) -> bool:
        """Whether nearly all of it is proved, its cut among it."""
        proof = self.fit.proof
        return bool(proof.share > SURE_SHARE and proof.sides[CUT] > LEAST_CUT_PROOF)


def find_plate(photo: Photo, layouts: Sequence[Layout]) -> PlatePose:
    """Find the one plate in an upright photo and say which of the layouts it is.

    Raises PhotoRefusedError: no_plate, two_plates, mirrored, cropped, which_layout, which_way_up.
    """
    rows, columns = content(photo)
    pixels, corner = photo.pixels[rows, columns], np.array([columns.start, rows.start], np.float64)
    reduced = _reduce(pixels)
    templates = templates_of(tuple(layouts))
    card = find_card(
        reduced.grey, reduction=reduced.factor, centre=reduced.centre, focal_prior=reduced.focal_prior
    )
    found: list[_Found] = []
    if card is not None:
        view = _card_view(reduced, card, templates)
        found = _settle(reduced, _guesses_on_card(reduced, card, templates, view.regions()), templates, card)
        if not found or not found[0].sure:
            more = [apply(view.from_reduced, quad) for quad in quads(reduced.pixels, side=REDUCED_SIDE)]
            guesses = _guesses_on_card(reduced, card, templates, [*view.regions(), *more])
            climbed = [_climbed(reduced, card, templates, guess) for guess in guesses[:2]]
            found = _merged(found, _settle(reduced, [*climbed, *guesses], templates, card))
    for side in (SIDE, REDUCED_SIDE):
        if not found:
            card = None
            found = _settle(reduced, _guesses(reduced, templates, side=side), templates, None)
    cropped = False
    if not found or (card is None and not found[0].sure):
        places = find_places(find_blobs(reduced.pixels), templates.plans, reduced.grey.shape)
        found = _merged(
            found, _settle(reduced, _guesses_by_openings(reduced, places, templates), templates, None)
        )
        cropped = _shows_a_part(reduced, places, templates)
        if not found:
            _refuse_unfound(reduced, cropped=cropped)
    best = found[0]
    size = pixels.shape[1], pixels.shape[0]
    _judge(best, found[1:], size, on_card=card is not None, cropped=cropped)
    fit = _refine(pixels, best, reduced, card)
    camera = replace(fit.camera, centre=fit.camera.centre + corner)
    return _pose(best, replace(fit, camera=camera), on_card=card is not None)


def _reduce(pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> _Reduced:
    height, width = pixels.shape[:2]
    factor = max(1, round(max(height, width) / REDUCED_SIDE))
    # Whole blocks only, so that the two grids stay aligned; halves are much the fastest.
    copy: NDArray[Any] = pixels[: height // factor * factor, : width // factor * factor]
    left = factor
    while left > 1:
        by = 2 if left % 2 == 0 else left
        copy = cv2.resize(copy, (copy.shape[1] // by, copy.shape[0] // by), interpolation=cv2.INTER_AREA)
        left //= by
    if copy.dtype == np.uint16:
        copy = cv2.convertScaleAbs(copy, alpha=1 / 257.0)
    small = np.asarray(copy, np.uint8)
    grey = np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY), np.uint8)
    # The steps that look for edges expect those of a well exposed photo.
    brightest = quantile(grey[::4, ::4], 0.98)
    if brightest < DIM:
        gain = min(MOST_GAIN, DIM / max(brightest, 1.0))
        small = np.asarray(cv2.convertScaleAbs(small, alpha=gain), np.uint8)
        grey = np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2GRAY), np.uint8)
    return _Reduced(
        pixels=small,
        grey=grey,
        factor=factor,
        centre=np.array([(width - 1) / 2, (height - 1) / 2]),
        focal_prior=(FOCAL_PRIOR[0] + float(np.log(max(height, width))), FOCAL_PRIOR[1]),
    )


def _guesses(reduced: _Reduced, templates: Templates, *, side: float) -> list[_Guess]:
    """Poses from four-sided regions anywhere in the photo, best first."""
    guesses = []
    for quad in quads(reduced.pixels, side=side):
        likeness = templates.likeness(reduced.grey, quad)
        corners = apply(scaled(np.eye(3), reduced.factor), quad)
        guesses += [
            _Guess(way=way, corners=np.roll(corners, -way.turns, axis=0), likeness=float(value))
            for way, value in zip(templates.ways, likeness, strict=True)
            if value > LEAST_LIKENESS and value > likeness.max() - 0.1
        ]
    return sorted(guesses, key=lambda g: -g.likeness)


def _camera_of(guess: _Guess, reduced: _Reduced) -> Camera | None:
    """The camera of a guess; None where no real one could see a plate of these proportions so, some error allowed."""
    if guess.camera is not None:
        return guess.camera
    box = box_corners(guess.way.plan.outline)
    h = homography_between(box, guess.corners)
    if h is None:
        return None
    camera = first_camera(h, centre=reduced.centre, focal_prior=reduced.focal_prior)
    fitted = camera and fit_points(camera, box, guess.corners, focal_prior=reduced.focal_prior)
    if not fitted:
        return None
    size = float(np.sqrt(abs(cv2.contourArea(guess.corners.astype(np.float32)))))
    miss = np.linalg.norm(fitted[0].project(box) - guess.corners, axis=1)
    return fitted[0] if miss.max() < MOST_MISS * size else None


def _guesses_by_openings(reduced: _Reduced, places: Sequence[Place], templates: Templates) -> list[_Guess]:
    """Poses from places where openings were found, as far as the whole plate is in the frame."""
    guesses = []
    for place in places:
        way = next(w for w in templates.ways if w.plan is templates.plans[place.plan] and w.turns == 0)
        box = box_corners(way.plan.outline)
        for camera in _cameras_of_openings(reduced, place, way.plan):
            corners = (camera.project(box) - (reduced.factor - 1) / 2) / reduced.factor
            if _overhang(corners, reduced.grey.shape) > 0.1:
                continue
            likeness = templates.likeness(reduced.grey, corners)[templates.ways.index(way)]
            guesses.append(
                _Guess(way=way, corners=camera.project(box), likeness=float(likeness), camera=camera)
            )
    return sorted(guesses, key=lambda g: -g.likeness)


def _cameras_of_openings(reduced: _Reduced, place: Place, plan: Layout) -> list[Camera]:
    """Cameras that see a layout's openings where they were found: two, by tilt, where too few show perspective."""
    h = scaled(place.mm_to_px, reduced.factor)
    if place.is_affine:
        middle = np.mean([[*w.centre, *w.well] for w in plan.window], axis=0).reshape(2, 2).mean(axis=0)
        focal = float(np.exp(reduced.focal_prior[0]))
        return list(
            cameras_from_affine(h[:2, :2], middle, apply(h, middle), focal=focal, centre=reduced.centre)
        )
    points = np.concatenate([*(window_corners(window) for window in plan.window), wells(plan)])
    camera = first_camera(h, centre=reduced.centre, focal_prior=reduced.focal_prior)
    if camera is None:
        return []
    fitted = fit_points(camera, points, apply(h, points), focal_prior=reduced.focal_prior)
    return [] if fitted is None else [fitted[0]]


def _overhang(corners: Points, shape: tuple[int, ...]) -> float:
    """How far a region (4, 2) sticks out of a frame (rows, columns), in shares of its own size."""
    beyond = max(float(-corners.min()), float((corners - np.array(shape[1::-1]) + 1).max()))
    return beyond / float(np.sqrt(abs(cv2.contourArea(corners.astype(np.float32)))) + 1e-9)


def _refuse_unfound(reduced: _Reduced, *, cropped: bool) -> NoReturn:
    """Say why no plate was found, where the picture tells."""
    if cropped:
        refuse("cropped")
    if len(find_markers(np.ascontiguousarray(reduced.grey[:, ::-1]))) >= 2:
        refuse("mirrored")
    refuse("no_plate")


def _shows_a_part(reduced: _Reduced, places: Sequence[Place], templates: Templates) -> bool:
    """Whether openings were found whose plate sticks out of the frame."""
    for place in places:
        way = next(i for i, w in enumerate(templates.ways) if w.plan is templates.plans[place.plan])
        corners = apply(place.mm_to_px, box_corners(templates.plans[place.plan].outline))
        if _overhang(corners, reduced.grey.shape) > 0.02:
            _, likeness = templates.likeness_in_frame(reduced.grey, corners)
            if likeness[way] > LEAST_LIKENESS:
                return True
    return False


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _CardView:
    """The card as if seen from straight above, at the height of plates' top faces.

    pixels : BGR; to_mm (3, 3) : view to card mm; from_reduced (3, 3) : reduced picture to card mm; usual :
    where plates lie by the printed silhouette, (4, 2) card mm each.
    """

    pixels: NDArray[np.uint8]
    to_mm: Points
    from_reduced: Points
    usual: tuple[Points, ...]

    def regions(self) -> list[Points]:
        """Four-sided regions (4, 2) on the card, and where plates usually lie, card mm."""
        return [*self.usual, *(apply(self.to_mm, quad) for quad in quads(self.pixels))]


def _raised(reduced: _Reduced, card: CardPose, templates: Templates) -> Points:
    """Homography (3, 3) from card mm, at the mean height of all layouts' top faces, to the reduced copy."""
    thickness = float(np.mean([plan.outline.thickness for plan in templates.plans]))
    return scaled(card.camera.plane(-thickness), 1 / reduced.factor)


def _card_view(reduced: _Reduced, card: CardPose, templates: Templates) -> _CardView:
    raised = _raised(reduced, card, templates)
    size = np.array(CARD_SIZE_MM) + 2 * CARD_MARGIN_MM
    to_mm = np.array([[1 / CARD_SCALE, 0, -CARD_MARGIN_MM], [0, 1 / CARD_SCALE, -CARD_MARGIN_MM], [0, 0, 1]])
    view = cv2.warpPerspective(
        reduced.pixels,
        raised @ to_mm,
        (round(size[0] * CARD_SCALE), round(size[1] * CARD_SCALE)),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
    )
    boxes = {(plan.outline.width, plan.outline.height): box_corners(plan.outline) for plan in templates.plans}
    return _CardView(
        pixels=np.asarray(view, np.uint8),
        to_mm=to_mm,
        from_reduced=np.asarray(np.linalg.inv(raised), np.float64),
        usual=tuple(box - box.mean(axis=0) + np.array(PLATE_CENTRE_MM) for box in boxes.values()),
    )


def _guesses_on_card(
    reduced: _Reduced, card: CardPose, templates: Templates, regions: Sequence[Points]
) -> list[_Guess]:
    """Poses from regions (4, 2) on the card, card mm, that have a plate's size."""
    guesses = []
    raised = _raised(reduced, card, templates)
    for region in regions:
        sides = np.linalg.norm(np.roll(region, -1, axis=0) - region, axis=1)
        # Markers that decode are not mirrored, nor is what lies beside them.
        fitting = np.flatnonzero(templates.have_size(sides) & ~templates.mirrored)
        if not len(fitting):
            continue
        likeness = templates.likeness(reduced.grey, apply(raised, region))
        for i in fitting:
            way = templates.ways[i]
            if likeness[i] < LEAST_LIKENESS or likeness[i] < likeness.max() - 0.1:
                continue
            corners = np.roll(region, -way.turns, axis=0)
            along = corners[1] + corners[2] - corners[0] - corners[3]
            box = box_corners(way.plan.outline)
            camera = _laid(card.camera, way.plan.outline.thickness, corners.mean(axis=0), along, box)
            guesses.append(
                _Guess(way=way, corners=camera.project(box), likeness=float(likeness[i]), camera=camera)
            )
    return sorted(guesses, key=lambda g: -g.likeness)


def _climbed(reduced: _Reduced, card: CardPose, templates: Templates, guess: _Guess) -> _Guess:
    """A guess on the card slid and turned to where its openings match best: size and tilt are known there."""
    plan = guess.way.plan
    way = next(i for i, w in enumerate(templates.ways) if w.plan is plan and w.turns == 0)
    raised = _raised(reduced, card, templates)
    box = box_corners(plan.outline)
    seen = (guess.corners - (reduced.factor - 1) / 2) / reduced.factor
    corners = apply(np.linalg.inv(raised), seen)
    along = corners[1] + corners[2] - corners[0] - corners[3]
    place = np.array([*corners.mean(axis=0), np.arctan2(along[1], along[0])])

    def likeness(at: Points) -> float:
        c, s = np.cos(at[2]), np.sin(at[2])
        region = (box - box.mean(axis=0)) @ np.array([[c, s], [-s, c]]) + at[:2]
        return float(templates.likeness(reduced.grey, apply(raised, region))[way])

    best = likeness(place)
    for step in CLIMB_STEPS:
        improved = True
        while improved:
            improved = False
            for move in np.diag(step):
                for trial in (place + move, place - move):
                    value = likeness(trial)
                    if value > best + 1e-4:
                        place, best, improved = trial, value, True
    direction = np.array([np.cos(place[2]), np.sin(place[2])])
    camera = _laid(card.camera, plan.outline.thickness, place[:2], direction, box)
    return _Guess(way=templates.ways[way], corners=camera.project(box), likeness=best, camera=camera)


def _laid(camera: Camera, thickness: float, middle: Points, along: Points, box: Points) -> Camera:
    """The camera in the millimetres of a plate that lies on the plane with its middle and its x axis as
    given.
    """
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


def _settle(
    reduced: _Reduced, guesses: Sequence[_Guess], templates: Templates, card: CardPose | None
) -> list[_Found]:
    """Refine the best guesses on the reduced copy, one a place, or more where the first leaves doubt; best
    first.
    """
    found: list[_Found] = []
    tries = 0
    for guess in guesses:
        if any(f.sure and _inside(guess.corners.mean(axis=0), f) for f in found):
            continue
        camera = _camera_of(guess, reduced)
        if camera is None:
            continue
        tries += 1
        if tries > MOST_TRIES:
            break
        scored = _refine_and_score(reduced, guess.way, camera, templates, card)
        if scored is not None:
            found = _merged(found, [scored])
    return found


def _merged(found: Sequence[_Found], others: Sequence[_Found]) -> list[_Found]:
    """Both lists as one, the better proved of those that lie on one another; best first."""
    kept: list[_Found] = []
    for candidate in sorted([*found, *others], key=lambda f: -f.fit.merit):
        if not any(_inside(_middle(candidate), f) for f in kept):
            kept.append(candidate)
    return kept


def _middle(found: _Found) -> Points:
    return np.asarray(found.fit.camera.project(box_corners(found.way.plan.outline).mean(axis=0)[None])[0])


def _inside(point: Points, found: _Found) -> bool:
    corners = found.fit.camera.project(box_corners(found.way.plan.outline)).astype(np.float32)
    return cv2.pointPolygonTest(corners, point.tolist(), False) >= 0


def _refine_and_score(
    reduced: _Reduced, way: Way, camera: Camera, templates: Templates, card: CardPose | None
) -> _Found | None:
    """Refine a guess; where another way up then explains the place better, once more with that."""
    for _ in range(2):
        fit = _refine_reduced(reduced, way.plan, camera, _prior(reduced, card))
        if fit is None:
            return None
        corners = fit.camera.project(box_corners(way.plan.outline))
        likeness = templates.likeness(reduced.grey, (corners - (reduced.factor - 1) / 2) / reduced.factor)
        cut = _cut_evidence(reduced, fit.camera, way.plan)
        # The region starts at this way's own top-left: it is itself at no turns; another is cut where its
        # turns put it.
        totals = np.array(
            [
                -np.inf
                if card is not None and other.mirrored
                else value + cut[(CORNERS.index(other.plan.outline.cut_corner) + other.turns) % 4]
                for other, value in zip(templates.ways, likeness, strict=True)
            ]
        )
        first, second = np.argsort(totals)[::-1][:2]
        best, rival = templates.ways[first], templates.ways[second]
        if best.plan is way.plan and best.turns == 0:
            if likeness[first] < LEAST_LIKENESS or fit.proof.share <= LEAST_SHARE:
                return None
            return _Found(
                way=way,
                fit=fit,
                likeness=float(likeness[first]),
                margin=float(totals[first] - totals[second]),
                rival=rival,
            )
        h = homography_between(box_corners(best.plan.outline), np.roll(corners, -best.turns, axis=0))
        if h is None:
            return None
        turned = camera_from(h, focal=fit.camera.focal, centre=reduced.centre)
        if turned is None:
            return None
        way, camera = best, turned
    return None


def _refine_reduced(reduced: _Reduced, plan: Layout, camera: Camera, prior: Prior) -> Fit | None:
    """The fit on the reduced copy; where it proves too little, once more from there."""

    def fit_from(start: Camera, stages: Sequence[Stage]) -> Fit | None:
        return fit_plate(
            reduced.pixels,
            plan,
            start,
            stages=stages,
            step_mm=1.0,
            reduction=reduced.factor,
            blur_px=REDUCED_BLUR_PX,
            prior=prior,
        )

    fit = fit_from(camera, FIRST_STAGES)
    if fit is not None and fit.proof.share > SURE_SHARE:
        return fit
    starts = [camera] if fit is None else [camera, fit.camera]
    again = [fit_from(start, DOUBTFUL_STAGES) for start in starts]
    return max((f for f in again if f is not None), key=lambda f: f.merit, default=None)


def _cut_evidence(reduced: _Reduced, camera: Camera, plan: Layout) -> Points:
    """How much each corner (4,) of the box looks cut rather than plain, in shares of the outline's own edge
    strength.
    """
    curves = corner_curves(plan.outline, step=0.5)
    flat = [c for pair in curves for c in pair]
    seen, normal, px_per_mm = seen_edges(
        camera, np.concatenate([c.points for c in flat]), np.concatenate([c.normals for c in flat])
    )
    reach = max(1.5, CORNER_REACH_MM * median(px_per_mm) / reduced.factor)
    strength = strength_across(
        reduced.pixels,
        (seen - (reduced.factor - 1) / 2) / reduced.factor,
        normal * CORNER_STEP_PX,
        first=np.arange(len(seen)),
        count=np.ones(len(seen), np.float32),
        zero=round(reach / CORNER_STEP_PX),
        blur=REDUCED_BLUR_PX / CORNER_STEP_PX,
    )
    peak = strength.max(axis=1)
    peaks = np.split(peak, np.cumsum([len(c.points) for c in flat])[:-1])
    plain = np.concatenate(peaks[1::2])
    typical = median(plain) + 1e-3
    share = [float(np.mean(p / (p + 0.5 * typical))) for p in peaks]
    return np.array([share[2 * i] - share[2 * i + 1] for i in range(4)])


def _judge(
    best: _Found, others: Sequence[_Found], size: tuple[int, int], *, on_card: bool, cropped: bool
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


def _is_cut_by_frame(found: _Found, size: tuple[int, int]) -> bool:
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


def _refine(
    pixels: NDArray[np.uint8] | NDArray[np.uint16], found: _Found, reduced: _Reduced, card: CardPose | None
) -> Fit:
    """The last rounds, on full-size pixels along the edges only."""
    plan = found.way.plan
    scale = px_per_mm_at(found.fit.camera.plane(), box_corners(plan.outline).mean(axis=0))
    blur_px = max(1.0, 0.12 * scale)
    sight = look(
        pixels, plan, found.fit.camera, step_mm=0.5, reach_mm=LAST_REACH_MM, reduction=1, blur_px=blur_px
    )

    def fit_by(stages: Sequence[Stage]) -> Fit:
        fit = fit_plate(
            pixels,
            plan,
            found.fit.camera,
            stages=stages,
            step_mm=0.5,
            reduction=1,
            blur_px=blur_px,
            prior=_prior(reduced, card),
            first_sight=sight,
        )
        return fit or found.fit

    fit = fit_by(LAST_STAGES)
    if fit.proof.share > found.fit.proof.share:
        return fit
    return max(fit, fit_by(UNVOTED_STAGES), key=lambda f: f.proof.share)


def _prior(reduced: _Reduced, card: CardPose | None) -> Prior:
    if card is None:
        return Prior(focal=reduced.focal_prior)
    return Prior(focal=(float(np.log(card.camera.focal)), CARD_FOCAL_SE), tilt_se=CARD_TILT_SE)


def _pose(found: _Found, fit: Fit, *, on_card: bool) -> PlatePose:
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
