"""A rough plate pose drawn onto the plate's own edges: votes for whole sides first, then robust least squares.

The unknowns are those of a camera, not of a free homography: rotation, shift, focal length and one
distortion, the last two held by what phones have. So the plate's thickness is used: the side wall's lower
edge is known for what it is.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.locate.geometry import Camera, Points, camera_from, focal_from
from reader.locate.sight import (
    BOTTOM,
    CUT,
    FIRST_RIM,
    LINE_OFFSETS,
    LINE_SES,
    N_STEPS,
    OUTLINE_END,
    OUTLINE_START,
    RIM_END,
    RIM_START,
    SIDES_OF_RIM,
    Floats,
    Pixels,
    Sight,
    changes_of,
    look,
    moved,
)
from reader.locate.wells import WELL_SE_MM, Wells, find_wells
from reader.numbers.median import median
from reader.settings.values import Layout

# Main cameras of phones see 45 to 75 degrees across the long side, zoomed or cropped ones less, ultra-wide ones up to
# 105 (common practice, no source); as the natural logarithm of focal length over long side, one standard deviation.
FOCAL_PRIOR = (0.0, 0.22)
# Distortion left by phones' own correction: some pixels at the frame's edge (common practice, no source).
BEND_PRIOR = (0.0, 0.02)
# Beyond this many standard deviations the priors give way: an ultra-wide lens, a cropped picture.
PRIOR_YIELDS = 2.0
EDGE_SE_MM = 0.15
# All pieces together tell as much as this many independent edges.
EFFECTIVE_EDGES = 30.0
N_UNKNOWNS = N_STEPS + len(LINE_OFFSETS)


ALL_PARTS = 8.5
"""What the parts of a plate count for together: four sides, half a side for the cut, four for all openings."""
WELL_VOTES = 2.0
"""What the wells count for against them."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Stage:
    """One look at the picture, mm: how far it reaches; how far sides are shifted in search of more edges, and how near
    to its place an edge then counts (one sd); how far openings are; how near edges are taken, round by round; whether
    wells are asked as well.
    """

    reach: float
    vote: tuple[float, float] | None
    openings: float | None
    gates: tuple[float, ...]
    wells: bool = False


FIRST_STAGES = (
    Stage(reach=4.6, vote=(2.4, 0.3), openings=5.0, gates=(1.5, 1.0)),
    Stage(reach=3.0, vote=(1.6, 0.2), openings=2.5, gates=(0.7, 0.5)),
)
# Once more where the first left doubt.
DOUBTFUL_STAGES = (
    Stage(reach=9.0, vote=(6.4, 0.4), openings=5.0, gates=(1.5,), wells=True),
    Stage(reach=4.6, vote=(2.4, 0.3), openings=5.0, gates=(1.5, 1.0), wells=True),
    Stage(reach=3.0, vote=(1.6, 0.2), openings=2.5, gates=(0.7, 0.5), wells=True),
)
LAST_REACH_MM = 1.8
LAST_STAGES = (Stage(reach=LAST_REACH_MM, vote=(0.9, 0.2), openings=None, gates=(0.3, 0.2)),)
# Where the last vote took sides to other lines that prove less.
UNVOTED_STAGES = (Stage(reach=LAST_REACH_MM, vote=None, openings=None, gates=(0.3, 0.2)),)


@dataclass(frozen=True, kw_only=True, slots=True)
class Prior:
    """What is known of a camera: natural log of its focal length in px, and its sd; the sd, radians, of the plate's
    tilt as it comes, where something holds it (the card).
    """

    focal: tuple[float, float]
    tilt_se: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Proof:
    """How far each part of a layout is really there, 0..1: edges at its place, clearer than beside it on the face.

    sides (5,): the outline's top, right, bottom, left, and the cut; rims (n windows, 4): each opening's upstream end,
    right, downstream end and left, looking along the flow.
    """

    sides: Points
    rims: Points

    @property
    def share(self) -> float:
        """The whole plate's, 0..1: each side of the outline counts 1, the cut a half, all openings together 4."""
        return float(self.sides[:CUT].sum() + 0.5 * self.sides[CUT] + 4 * self.rims.mean()) / ALL_PARTS


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Fit:
    """A refined pose: camera in full-size px; lines (5,): offsets of the edges' lines, mm; rms distance of edges, mm;
    how far each part is there; how well the wells are seen at their places, 0..1, where they were asked.
    """

    camera: Camera
    lines: Points
    residual_mm: float
    proof: Proof
    wells: float | None

    @property
    def merit(self) -> float:
        """How well the place is proved, 0..1, the wells counting as much as two sides."""
        if self.wells is None:
            return self.proof.share
        return (ALL_PARTS * self.proof.share + WELL_VOTES * self.wells) / (ALL_PARTS + WELL_VOTES)


def fit_plate(
    pixels: Pixels,
    layout: Layout,
    camera: Camera,
    *,
    stages: Sequence[Stage],
    step_mm: float,
    reduction: float,
    blur_px: float,
    prior: Prior,
    first_sight: Sight | None = None,
) -> Fit | None:
    """Refine a camera on a picture that is `reduction` times smaller than the camera's.

    first_sight : what `look` shows the first stage, where that is known already.

    Returns None where too little of a plate is seen or it would be seen from behind.
    """
    upright = camera.rotation[:, 2]
    lines = LINE_OFFSETS
    fit = None
    for stage in stages:
        known, first_sight = first_sight, None
        sight = known or look(
            pixels,
            layout,
            camera,
            step_mm=step_mm,
            reach_mm=stage.reach,
            reduction=reduction,
            blur_px=blur_px,
        )
        if sight is None:
            return None
        held = _held(camera, lines, prior, upright)
        wells = find_wells(pixels, layout, camera, reduction=reduction) if stage.wells else None
        step = _vote(sight, wells, lines, held, stage)
        settled = _settle(sight, lines, step, held, stage.gates)
        if settled is None:
            return None
        step, lines, residual_mm = settled
        camera = moved(camera, sight.pivot, step)
        if camera.rotation[2, 2] <= 0.2 or camera.shift[2] <= 0:
            return None
        fit = Fit(
            camera=camera,
            lines=lines,
            residual_mm=residual_mm,
            proof=_prove(sight, lines, sight.jacobian @ step),
            wells=None if wells is None else float(wells.agreement(step[None])[0]),
        )
    return fit


Held = tuple[Points, Points]


def _held(camera: Camera, lines: Points, prior: Prior, upright: Points) -> Held:
    """What is known beforehand, as normal matrix (13, 13) and right-hand side (13,) for a step of all unknowns."""
    lens, lens_gap = _lens_prior(camera, prior.focal)
    weight = np.concatenate([lens, LINE_SES**-2.0])
    gap = np.concatenate([lens_gap, LINE_OFFSETS - lines])
    held, right = np.diag(weight), weight * gap
    if prior.tilt_se is not None:
        lean = np.zeros((3, N_UNKNOWNS))
        lean[:, :3] = np.cross(np.eye(3), camera.rotation[:, 2]).T / prior.tilt_se
        held = held + lean.T @ lean
        right = right + lean.T @ (upright - camera.rotation[:, 2]) / prior.tilt_se
    return held, right


def _lens_prior(camera: Camera, focal: tuple[float, float]) -> tuple[Points, Points]:
    """What is known of a lens, for the camera's eight unknowns: weights, and how far it is from there."""
    weight, gap = np.zeros(N_STEPS), np.zeros(N_STEPS)
    for i, ((mean, se), now) in enumerate(
        ((focal, np.log(camera.focal)), (BEND_PRIOR, camera.bend)), start=6
    ):
        gap[i] = mean - now
        weight[i] = se**-2 / (1 + (gap[i] / (PRIOR_YIELDS * se)) ** 2)
    return weight, gap


# ---- votes


# Sides shifted together in a vote.
OPPOSITE = ((0, 2), (1, 3))
# What a line counts: an edge's start, its end and the wall's foot; all of one piece's lines count this share of their
# sum, the best of them the rest.
LINE_VOTES, SUM_SHARE = (1.5, 1.0, 0.5), 0.6
VOTE_ROUNDS = 4
# Openings are looked for in such steps, mm; nearer than the slack they may lie off; elsewhere they have to find this
# many times the lines.
OPENING_STEP_MM, OPENING_SLACK_MM, OPENING_GAIN = 0.4, 0.8, 1.05


def _vote(sight: Sight, wells: Wells | None, lines: Points, held: Held, stage: Stage) -> Points:
    """The step (8,) of the camera that brings most edges onto lines.

    Near by, a fit can settle with a side's start on its end, or on a shadow's edge: a valley beside the right one. So
    sides are shifted as wholes; and openings, and sides once more from wherever these may have taken the plate.
    """
    if stage.vote is None:
        return np.zeros(N_STEPS)
    reach_mm, blur_mm = stage.vote
    ballot = _Ballot(sight, wells, lines, blur_mm)
    step, votes = _vote_sides(ballot, held, np.zeros(N_STEPS), reach_mm, 2 * blur_mm)
    aim = None if stage.openings is None else _shift_openings(ballot, step, stage.openings)
    if aim is not None:
        for loose in (*range(4), None):
            followed = step + _follow(ballot, held, step, aim, loose)
            other, more = _vote_sides(ballot, held, followed, reach_mm, 2 * blur_mm)
            if more > votes:
                step, votes = other, more
    return step


class _Ballot:
    """How many lines pieces would find if they lay elsewhere; `wells` are asked where there are any."""

    def __init__(self, sight: Sight, wells: Wells | None, lines: Points, blur_mm: float) -> None:
        self.sight, self.wells = sight, wells
        k, m = sight.strength.shape
        blur = blur_mm * median(sight.to_samples)
        # A peak counts in full at its place.
        at_peak = np.sqrt(2 * np.pi) * blur
        line_at = np.rint(sight.places(lines) * sight.to_samples).astype(np.int64)
        first = np.arange(k)[:, None] * m
        found = []
        for likely, at, worth in zip(sight.likely, line_at, LINE_VOTES, strict=True):
            soft = cv2.GaussianBlur(likely, (0, 0), blur, sigmaY=1e-6, borderType=cv2.BORDER_CONSTANT)
            samples = first + np.clip(np.arange(m) + at[:, None], 0, m - 1)
            found.append(soft.ravel()[samples] * np.float32(worth * at_peak))
        lines_found = (1 - SUM_SHARE) * np.max(found, axis=0) + SUM_SHARE * np.sum(found, axis=0)
        self._votes = (lines_found * sight.edges.vote[:, None]).astype(np.float32).ravel()
        self._first, self._last = np.arange(k, dtype=np.int32) * m, m - 1

    def votes(self, shifts: Points, pieces: NDArray[np.int64] | slice = slice(None)) -> Floats:
        """Votes (t, k) of pieces for shifts (t, k) outwards, mm."""
        samples = (shifts * self.sight.to_samples[pieces] + (self.sight.zero + 0.5)).astype(np.int32)
        np.clip(samples, 0, self._last, out=samples)
        samples += self._first[pieces]
        return np.asarray(self._votes[samples], np.float32)


def _vote_sides(
    ballot: _Ballot, held: Held, step: Points, reach_mm: float, size_mm: float
) -> tuple[Points, float]:
    """The best step (8,) with opposite sides shifted, and its votes: the other two are tried from where these are."""
    sight = ballot.sight
    normal_matrix = held[0][:8, :8].copy()
    right = np.zeros((8, 4))
    for side in range(4):
        rows = sight.jacobian[sight.edges.part == side]
        # Each side as if it were measured by eight independent points.
        stiffness = 8.0 / len(rows) / EDGE_SE_MM**2
        normal_matrix += stiffness * rows.T @ rows
        right[:, side] = stiffness * rows.sum(axis=0)
    per_side = np.linalg.solve(normal_matrix, right)
    moves, start = sight.jacobian @ per_side, sight.jacobian @ step
    sizes = np.arange(-reach_mm, reach_mm + 1e-9, size_mm)
    shift, most = np.zeros(4), -1.0
    for turn in range(VOTE_ROUNDS):
        shifts = np.tile(shift, (len(sizes) ** 2, 1))
        shifts[:, OPPOSITE[turn % 2]] += np.stack(np.meshgrid(sizes, sizes), axis=-1).reshape(-1, 2)
        votes = ballot.votes(start + shifts @ moves.T).sum(axis=1)
        if ballot.wells is not None:
            votes = votes + WELL_VOTES * ballot.wells.agreement(step + shifts @ per_side.T)
        best = int(votes.argmax())
        if turn > 1 and votes[best] <= most * (1 + 1e-6):
            break
        most, shift = float(votes[best]), shifts[best]
    return step + per_side @ shift, most


def _shift_openings(ballot: _Ballot, step: Points, reach_mm: float) -> Points | None:
    """How far (k,) pieces should move, mm outwards, for the openings to lie on openings; None where they do already.

    Each is shifted as a whole to where most of its rim finds lines.
    """
    edges = ballot.sight.edges
    steps = np.arange(-reach_mm, reach_mm + 1e-9, OPENING_STEP_MM)
    grid = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    away = np.hypot(*grid.T)
    near = away <= OPENING_SLACK_MM
    aim = np.zeros(len(edges.outer))
    for window in range((edges.n_parts - FIRST_RIM) // SIDES_OF_RIM):
        rim = np.flatnonzero(edges.window == window)
        shifts = ballot.sight.jacobian[rim] @ step + grid @ edges.normal[rim].T
        votes = ballot.votes(shifts, rim).sum(axis=1) * (1 - 0.03 * away)
        best = int(votes.argmax())
        if not near[best] and votes[best] > OPENING_GAIN * votes[near].max():
            aim[rim] = edges.normal[rim] @ grid[best]
    return aim if aim.any() else None


def _follow(ballot: _Ballot, held: Held, step: Points, aim: Points, loose: int | None) -> Points:
    """The step (8,) that follows the openings' shifts while the outline stays, but for its `loose` side; None: all.

    A shadow or another object's edge that runs along a side pulls that side off; the openings, and wells, then tell.
    """
    sight, edges = ballot.sight, ballot.sight.edges
    slack = edges.outer & ((edges.part == loose) | (loose is None))
    weight = np.where(edges.outer, 1.0 / edges.outer.sum(), 1.0 / (~edges.outer).sum())
    weight *= np.where(slack, 0.1, 1.0) * EFFECTIVE_EDGES / EDGE_SE_MM**2
    normal_matrix = (sight.jacobian * weight[:, None]).T @ sight.jacobian + held[0][:8, :8]
    right = sight.jacobian.T @ (weight * aim)
    if ballot.wells is not None:
        rows = ballot.wells.jacobian.reshape(-1, N_STEPS)
        trust = np.repeat(ballot.wells.clear, 2) / WELL_SE_MM**2
        normal_matrix += (rows * trust[:, None]).T @ rows
        right += rows.T @ (trust * (ballot.wells.shift.ravel() - rows @ step))
    more = np.linalg.solve(normal_matrix, right)
    return np.asarray(more * min(1.0, 0.5 / max(float(np.abs(more[:3]).max()), 1e-9)), np.float64)


# ---- closest edges


def _settle(
    sight: Sight, lines: Points, step: Points, held: Held, gates_mm: Sequence[float]
) -> tuple[Points, Points, float] | None:
    """Robust least squares on the likeliest edge near each line: camera's step (8,), lines (5,), rms distance, mm."""
    edges = sight.edges
    line_of = np.concatenate(
        [
            np.where(edges.outer, OUTLINE_START, RIM_START),
            np.where(edges.outer, OUTLINE_END, RIM_END),
            np.full(len(edges.outer), BOTTOM),
        ]
    )
    rows = np.zeros((len(line_of), N_UNKNOWNS))
    rows[:, :8] = np.tile(sight.jacobian, (3, 1))
    rows[np.arange(len(rows)), 8 + line_of] = 1.0
    places = sight.places(np.zeros(len(lines))).ravel() + lines[line_of]
    total = np.zeros(N_UNKNOWNS)
    total[:8] = step
    residual_mm = 0.0
    for gate in gates_mm:
        target, trust = _closest(sight, (places + rows @ total).reshape(3, -1), gate)
        aim = target.ravel() - places
        trust = trust.ravel()
        scale = max(0.10, 0.35 * gate)
        effective = EFFECTIVE_EDGES / max(float(trust.sum()), 1e-9) / EDGE_SE_MM**2
        for _ in range(4):
            gap = aim - rows @ total
            weight = trust / (1 + (gap / scale) ** 2) ** 2 * effective
            try:
                total = np.linalg.solve(
                    (rows * weight[:, None]).T @ rows + held[0], rows.T @ (weight * aim) + held[1]
                )
            except np.linalg.LinAlgError:
                return None
        if not np.isfinite(total).all() or np.abs(total[:3]).max() > 0.5:
            return None
        gap = aim - rows @ total
        inlier = trust * (np.abs(gap) < 3 * scale)
        residual_mm = float(np.sqrt((inlier * gap**2).sum() / max(inlier.sum(), 1e-9)))
    return total[:8], lines + total[8:], residual_mm


def _closest(sight: Sight, places: Points, gate: float) -> tuple[Points, Points]:
    """For lines that should lie at places (3, k), mm, the likeliest edge near by: where, mm, and trust."""
    rows, last = np.arange(places.shape[1]), sight.strength.shape[1] - 2
    offsets = sight.offsets_mm
    found, target, trust = [], [], []
    for place, likely in zip(places, sight.likely, strict=True):
        weight = likely * np.exp(-0.5 * ((offsets - place[:, None]) / gate) ** 2)
        k = np.clip(weight.argmax(axis=1), 1, last)
        a, b, c = (sight.strength[rows, k + i] for i in (-1, 0, 1))
        bend = a - 2 * b + c
        shift = np.where(bend < 0, 0.5 * (a - c) / np.where(bend < 0, bend, -1.0), 0.0)
        found.append(k)
        target.append((k - sight.zero + np.clip(shift, -0.5, 0.5)) / sight.to_samples)
        trust.append(weight[rows, k] * sight.edges.weight)
    # One edge is one line: the nearest.
    for i, j in ((0, 1), (1, 2), (0, 2)):
        same = found[i] == found[j]
        first = np.abs(target[i] - places[i]) < np.abs(target[j] - places[j])
        trust[i] = np.where(same & ~first, 0.0, trust[i])
        trust[j] = np.where(same & first, 0.0, trust[j])
    return np.stack(target), np.stack(trust)


# ---- proof

# An edge proves a part from this far beside its lines, mm. Of the face beside it so many stretches are compared, mm.
PROOF_MM, BAND_MM, BANDS = 0.3, 0.6, 3


def _prove(sight: Sight, lines: Points, shift: Points) -> Proof:
    """Check a pose part by part: at its place an edge must show, and the face next to it show fewer.

    A line laid over a textured table finds edges everywhere, beside it no less than on it; a plate's face is smooth.
    """
    edges, offsets = sight.edges, sight.offsets_mm - shift[:, None]
    start, end, bottom = sight.places(lines)[:, :, None]
    low, high = np.minimum(start, end) - PROOF_MM, np.maximum(start, end) + PROOF_MM
    on_line = (offsets > low) & (offsets < high)
    on_line |= (np.abs(offsets - bottom) < PROOF_MM) & sight.wall_shows[:, None]
    depth = np.where(edges.outer[:, None], low - offsets, offsets - high)
    bands = [(depth > BAND_MM * i) & (depth <= BAND_MM * (i + 1)) for i in range(BANDS)]
    there, *beside = (np.where(part, sight.proof, 0.0).max(axis=1) for part in (on_line, *bands))
    gain = np.clip(there - np.mean(beside, axis=0), 0.0, 1.0) * edges.length
    whole = np.bincount(edges.part, edges.length, minlength=edges.n_parts)
    share = np.bincount(edges.part, gain, minlength=edges.n_parts) / whole
    return Proof(sides=share[: CUT + 1], rims=share[FIRST_RIM:].reshape(-1, SIDES_OF_RIM))


# ---- cameras of known points


def first_camera(homography: Points, *, centre: Points, focal_prior: tuple[float, float]) -> Camera | None:
    """A camera that sees a plane by a homography: the focal length as the perspective says, as far as it can
    be trusted.
    """
    mean, se = focal_prior
    implied = focal_from(homography, centre)
    log_focal = mean if implied is None else float(np.clip(np.log(implied[0]), mean - se, mean + se))
    return camera_from(homography, focal=float(np.exp(log_focal)), centre=centre)


POINT_SE_PX = 1.0
MOST_ROUNDS = 8


def fit_points(
    camera: Camera, points: Points, seen: Points, *, focal_prior: tuple[float, float]
) -> tuple[Camera, Points] | None:
    """Refine a camera on known points: (n, 2) mm and where they were seen, (n, 2) px; robust least squares.

    Returns the camera and each point's miss (n,) in mm, or None where it does not converge.
    """
    pivot = points.mean(axis=0)
    for _ in range(MOST_ROUNDS):
        at = camera.project(points)
        gap = seen - at
        scale = 3.0 * POINT_SE_PX + 1.5 * median(np.abs(gap))
        weight = np.repeat(1 / (1 + np.einsum("ij,ij->i", gap, gap) / scale**2), 2) / POINT_SE_PX**2
        jacobian = changes_of(camera, pivot, points).reshape(N_STEPS, -1).T
        held, prior_gap = _lens_prior(camera, focal_prior)
        normal_matrix = (jacobian * weight[:, None]).T @ jacobian + np.diag(held)
        try:
            change = np.linalg.solve(normal_matrix, jacobian.T @ (weight * gap.ravel()) + held * prior_gap)
        except np.linalg.LinAlgError:
            return None
        if not np.isfinite(change).all() or np.abs(change[:3]).max() > 1.0:
            return None
        camera = moved(camera, pivot, np.asarray(change, np.float64))
        if camera.rotation[2, 2] <= 0.2 or camera.shift[2] <= 0:
            return None
        if np.abs(change).max() < 1e-4:
            break
    at = camera.project(points)
    px_per_mm = np.linalg.norm(camera.project(points + np.array([1.0, 0.0])) - at, axis=1)
    return camera, np.asarray(np.linalg.norm(seen - at, axis=1) / np.maximum(px_per_mm, 1e-6), np.float64)
