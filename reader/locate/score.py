"""Guesses drawn onto the reduced copy's edges, and held against every other way up; best first."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from reader.locate.camera import Camera, camera_from
from reader.locate.camera_steps import project_edges
from reader.locate.guess.guesses import LEAST_LIKENESS, Guess, camera_of
from reader.locate.guess.pattern import Templates, Way
from reader.locate.outline import CORNERS, box_corners, corner_curves
from reader.locate.priors import Priors
from reader.locate.refine.edges import CUT
from reader.locate.refine.rounds import Fit, fit_edges
from reader.locate.refine.sight import strength_across
from reader.locate.refine.stage import DOUBTFUL_STAGES, FIRST_STAGES
from reader.locate.view import ReducedCopy
from reader.numbers.geometry import Points, homography_between
from reader.numbers.median import median
from reader.settings.values import Layout

LEAST_SHARE = 0.55
"""How far a plate must be proved, 0..1, to be there,"""
SURE_SHARE = 0.8
"""and to be sure."""
LEAST_CUT_PROOF = 0.5
"""How far its cut must be proved, to tell which way up it lies."""
MOST_TRIES = 8
"""Where no guess is sure, so many are tried."""
CORNER_REACH_MM = 0.8
"""How far an edge at a corner may lie from its place, mm."""
CORNER_STEP_PX = 0.5
"""How densely corners are sampled across, px."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Found:
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


def score_guesses(
    copy: ReducedCopy, guesses: Sequence[Guess], templates: Templates, priors: Priors, *, again: bool = True
) -> list[Found]:
    """Refine the best guesses on the reduced copy, one a place, or more where the first leaves doubt; best first.

    again : refine a guess once more, from farther off, where that proves too little.
    """
    found: list[Found] = []
    tries = 0
    for guess in guesses:
        if any(f.sure and _inside(guess.corners.mean(axis=0), f) for f in found):
            continue
        camera = camera_of(guess, priors)
        if camera is None:
            continue
        tries += 1
        if tries > MOST_TRIES:
            break
        scored = _refine_and_score(copy, guess.way, camera, templates, priors, again=again)
        if scored is not None:
            found = merge(found, [scored])
    return found


def merge(found: Sequence[Found], others: Sequence[Found]) -> list[Found]:
    """Both lists as one, the better proved of those that lie on one another; best first."""
    kept: list[Found] = []
    for candidate in sorted([*found, *others], key=lambda f: -f.fit.merit):
        if not any(_inside(_middle(candidate), f) for f in kept):
            kept.append(candidate)
    return kept


def _middle(found: Found) -> Points:
    return np.asarray(found.fit.camera.project(box_corners(found.way.plan.outline).mean(axis=0)[None])[0])


def _inside(point: Points, found: Found) -> bool:
    corners = found.fit.camera.project(box_corners(found.way.plan.outline)).astype(np.float32)
    return cv2.pointPolygonTest(corners, point.tolist(), False) >= 0


def _refine_and_score(
    copy: ReducedCopy, way: Way, camera: Camera, templates: Templates, priors: Priors, *, again: bool
) -> Found | None:
    """Refine a guess; where another way up then explains the place better, once more with that."""
    for _ in range(2):
        fit = _refine(copy, way.plan, camera, priors, again=again)
        if fit is None:
            return None
        corners = fit.camera.project(box_corners(way.plan.outline))
        likeness = templates.likeness(copy.grey, copy.to_view(corners))
        cut = _cut_evidence(copy, fit.camera, way.plan)
        # The region starts at this way's own top-left: it is itself at no turns; another is cut where its
        # turns put it. What lies beside markers that decode is not mirrored.
        totals = np.array(
            [
                -np.inf
                if priors.by_card and other.mirrored
                else value + cut[(CORNERS.index(other.plan.outline.cut_corner) + other.turns) % 4]
                for other, value in zip(templates.ways, likeness, strict=True)
            ]
        )
        first, second = np.argsort(totals)[::-1][:2]
        best, rival = templates.ways[first], templates.ways[second]
        if best.plan is way.plan and best.turns == 0:
            if likeness[first] < LEAST_LIKENESS or fit.proof.share <= LEAST_SHARE:
                return None
            return Found(
                way=way,
                fit=fit,
                likeness=float(likeness[first]),
                margin=float(totals[first] - totals[second]),
                rival=rival,
            )
        h = homography_between(box_corners(best.plan.outline), np.roll(corners, -best.turns, axis=0))
        if h is None:
            return None
        turned = camera_from(h, focal=fit.camera.focal, centre=priors.centre)
        if turned is None:
            return None
        way, camera = best, turned
    return None


def _refine(copy: ReducedCopy, plan: Layout, camera: Camera, priors: Priors, *, again: bool) -> Fit | None:
    """The fit on the reduced copy; where it proves too little, once more from there."""
    fit = fit_edges(copy, plan, camera, FIRST_STAGES, priors)
    if not again or (fit is not None and fit.proof.share > SURE_SHARE):
        return fit
    starts = [camera] if fit is None else [camera, fit.camera]
    fits = [fit_edges(copy, plan, start, DOUBTFUL_STAGES, priors) for start in starts]
    return max((f for f in fits if f is not None), key=lambda f: f.merit, default=None)


def _cut_evidence(copy: ReducedCopy, camera: Camera, plan: Layout) -> Points:
    """How much each corner (4,) of the box looks cut rather than plain, in shares of the outline's own edge
    strength.
    """
    curves = corner_curves(plan.outline, step=0.5)
    flat = [c for pair in curves for c in pair]
    seen, normal, px_per_mm = project_edges(
        camera, np.concatenate([c.points for c in flat]), np.concatenate([c.normals for c in flat])
    )
    reach = max(1.5, CORNER_REACH_MM * median(px_per_mm) / copy.factor)
    strength = strength_across(
        copy.pixels,
        copy.to_view(seen),
        normal * CORNER_STEP_PX,
        first=np.arange(len(seen)),
        count=np.ones(len(seen), np.float32),
        zero=round(reach / CORNER_STEP_PX),
        blur=copy.blur_px / CORNER_STEP_PX,
    )
    peak = strength.max(axis=1)
    peaks = np.split(peak, np.cumsum([len(c.points) for c in flat])[:-1])
    plain = np.concatenate(peaks[1::2])
    typical = median(plain) + 1e-3
    share = [float(np.mean(p / (p + 0.5 * typical))) for p in peaks]
    return np.array([share[2 * i] - share[2 * i + 1] for i in range(4)])
