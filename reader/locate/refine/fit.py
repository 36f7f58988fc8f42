"""A camera, and the edges' own lines, fitted to the likeliest edges near by: robust least squares."""

from collections.abc import Sequence

import numpy as np

from reader.locate.refine.edges import BOTTOM, OUTLINE_END, OUTLINE_START, RIM_END, RIM_START
from reader.locate.refine.known import EDGE_SE_MM, EFFECTIVE_EDGES, N_UNKNOWNS, Known
from reader.locate.refine.sight import Sight
from reader.numbers.geometry import Points


def fit_closest(
    sight: Sight, lines: Points, step: Points, known: Known, gates_mm: Sequence[float]
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
        target, trust = _find_closest(sight, (places + rows @ total).reshape(3, -1), gate)
        aim = target.ravel() - places
        trust = trust.ravel()
        scale = max(0.10, 0.35 * gate)
        effective = EFFECTIVE_EDGES / max(float(trust.sum()), 1e-9) / EDGE_SE_MM**2
        for _ in range(4):
            gap = aim - rows @ total
            weight = trust / (1 + (gap / scale) ** 2) ** 2 * effective
            try:
                total = np.linalg.solve(
                    (rows * weight[:, None]).T @ rows + known.matrix, rows.T @ (weight * aim) + known.right
                )
            except np.linalg.LinAlgError:
                return None
        if not np.isfinite(total).all() or np.abs(total[:3]).max() > 0.5:
            return None
        gap = aim - rows @ total
        inlier = trust * (np.abs(gap) < 3 * scale)
        residual_mm = float(np.sqrt((inlier * gap**2).sum() / max(inlier.sum(), 1e-9)))
    return total[:8], lines + total[8:], residual_mm


def _find_closest(sight: Sight, places: Points, gate: float) -> tuple[Points, Points]:
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
