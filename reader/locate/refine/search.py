"""Where most edges lie: whole sides and openings shifted, and the pieces' votes counted.

Near by, a fit can settle with a side's start on its end, or on a shadow's edge: a valley beside the right one. So
sides are shifted as wholes; and openings, and sides once more from wherever these may have taken the plate.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.locate.camera_steps import N_STEPS
from reader.locate.refine.edges import FIRST_RIM, SIDES_OF_RIM
from reader.locate.refine.known import EDGE_SE_MM, EFFECTIVE_EDGES, Known
from reader.locate.refine.sight import Sight
from reader.locate.refine.stage import Stage
from reader.locate.refine.wells import WELL_SE_MM, WELL_VOTES, Wells
from reader.numbers.arrays import SingleArray as Floats
from reader.numbers.geometry import Points
from reader.numbers.median import median

OPPOSITE = ((0, 2), (1, 3))
"""Sides shifted together in a vote."""
LINE_VOTES = (1.5, 1.0, 0.5)
"""What a line counts: an edge's start, its end and the wall's foot."""
SUM_SHARE = 0.6
"""All of one piece's lines count this share of their sum, the best of them the rest."""
VOTE_ROUNDS = 4
"""Rounds at most, each shifting the other pair of sides."""
OPENING_STEP_MM = 0.4
"""Openings are looked for in such steps, mm."""
OPENING_SLACK_MM = 0.8
"""Nearer than this they may lie off, mm."""
OPENING_GAIN = 1.05
"""Elsewhere they have to find this many times the lines."""


def search_step(sight: Sight, lines: Points, known: Known, stage: Stage, wells: Wells | None) -> Points:
    """The step (8,) of the camera that brings most edges onto the lines (5,); none where a stage takes no vote."""
    if stage.vote is None:
        return np.zeros(N_STEPS)
    reach_mm, blur_mm = stage.vote
    ballot = _Ballot(sight, wells, lines, blur_mm)
    step, votes = _vote_sides(ballot, known, np.zeros(N_STEPS), reach_mm, 2 * blur_mm)
    aim = None if stage.openings is None else _shift_openings(ballot, step, stage.openings)
    if aim is not None:
        for loose in (*range(4), None):
            followed = step + _follow(ballot, known, step, aim, loose)
            other, more = _vote_sides(ballot, known, followed, reach_mm, 2 * blur_mm)
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
        """Votes (t, p) of p pieces, by default all, for shifts (t, p) outwards, mm."""
        samples = (shifts * self.sight.to_samples[pieces] + (self.sight.zero + 0.5)).astype(np.int32)
        np.clip(samples, 0, self._last, out=samples)
        samples += self._first[pieces]
        return np.asarray(self._votes[samples], np.float32)


def _vote_sides(
    ballot: _Ballot, known: Known, step: Points, reach_mm: float, size_mm: float
) -> tuple[Points, float]:
    """The best step (8,) with opposite sides shifted, and its votes: the other two are tried from where these are."""
    sight = ballot.sight
    normal_matrix = known.of_camera.copy()
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


def _follow(ballot: _Ballot, known: Known, step: Points, aim: Points, loose: int | None) -> Points:
    """The step (8,) that follows the openings' shifts while the outline stays, but for its `loose` side; None: all.

    A shadow or another object's edge that runs along a side pulls that side off; the openings, and wells, then tell.
    """
    sight, edges = ballot.sight, ballot.sight.edges
    slack = edges.outer & ((edges.part == loose) | (loose is None))
    weight = np.where(edges.outer, 1.0 / edges.outer.sum(), 1.0 / (~edges.outer).sum())
    weight *= np.where(slack, 0.1, 1.0) * EFFECTIVE_EDGES / EDGE_SE_MM**2
    normal_matrix = (sight.jacobian * weight[:, None]).T @ sight.jacobian + known.of_camera
    right = sight.jacobian.T @ (weight * aim)
    if ballot.wells is not None:
        rows = ballot.wells.jacobian.reshape(-1, N_STEPS)
        trust = np.repeat(ballot.wells.clear, 2) / WELL_SE_MM**2
        normal_matrix += (rows * trust[:, None]).T @ rows
        right += rows.T @ (trust * (ballot.wells.shift.ravel() - rows @ step))
    more = np.linalg.solve(normal_matrix, right)
    return np.asarray(more * min(1.0, 0.5 / max(float(np.abs(more[:3]).max()), 1e-9)), np.float64)
