"""How far each part of a plate is really there.

A line laid over a textured table finds edges everywhere, beside it no less than on it; a plate's face is smooth.
"""

from dataclasses import dataclass

import numpy as np

from reader.locate.refine.edges import CUT, FIRST_RIM, SIDES_OF_RIM
from reader.locate.refine.sight import Sight
from reader.numbers.geometry import Points

ALL_PARTS = 8.5
"""What the parts of a plate count for together: four sides, half a side for the cut, four for all openings."""
PROOF_MM = 0.3
"""An edge proves a part from this far beside its lines, mm."""
BAND_MM, BANDS = 0.6, 3
"""Of the face beside it so many stretches of so many mm are compared."""


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


def prove(sight: Sight, lines: Points, shift: Points) -> Proof:
    """Check a pose part by part: at its place an edge must show, and the face next to it show fewer.

    lines (5,) : offsets of the edges' lines, mm; shift (k,) : how far each piece moved since it was looked at, mm.
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
