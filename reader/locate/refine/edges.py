"""A layout's edges cut into straight pieces, and the lines that each moulded edge shows.

A moulded edge is rounded: it shows two lines, where the rounding starts on the top face and where it ends.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from reader.locate.outline import outline_curve, window_curve
from reader.numbers.arrays import SingleArray
from reader.numbers.geometry import Points
from reader.settings.values import Layout

PIECE_MM = 7.0
"""Long enough to average noise away, so short that a rough pose is still straight along it."""
CUT = 4
"""Parts of a layout: the outline's four sides as in `Curve`, and this, its cut."""
FIRST_RIM, SIDES_OF_RIM = 5, 4
"""Then four sides of each opening, from this part on."""
OUTLINE_START, OUTLINE_END, RIM_START, RIM_END, BOTTOM = range(5)
"""The lines: start and end of the outline's rounding, and of the openings'; the side wall's lower edge."""
LINE_OFFSETS = np.array([-0.55, -0.10, 0.47, 0.03, 0.0])
"""Their places, mm outwards from the nominal edge (outline, membrane). Roundings of about half a millimetre and
draughted openings are common practice in moulding, no source."""
LINE_SES = np.array([0.15, 0.08, 0.15, 0.10, 0.10])
"""How sure these are, one standard deviation, mm; each photo settles its own."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Edges:
    """Straight pieces of a layout's edges.

    points, normals (n, 2): mm, with outward unit normals; first, count (k,): each piece's among them. Of each piece:
    middle, normal (k, 2) mm; length (k,) mm; outer (k,): on the outline; part (k,): of `n_parts`, see FIRST_RIM;
    weight (k,): in a fit; vote (k,): share in a vote, in which every side of the outline counts 1, the cut a half, and
    all openings together 4.
    """

    points: Points
    normals: Points
    first: NDArray[np.int64]
    count: SingleArray
    middle: Points
    normal: Points
    length: Points
    outer: NDArray[np.bool_]
    part: NDArray[np.int64]
    n_parts: int
    weight: Points
    vote: Points

    @property
    def window(self) -> NDArray[np.int64]:
        """Which opening (k,) each piece belongs to, -1 for the outline."""
        return np.where(self.outer, -1, (self.part - FIRST_RIM) // SIDES_OF_RIM)


@lru_cache(maxsize=32)
def edges_of(layout: Layout, *, step: float) -> Edges:
    """The straight pieces of a layout's outline and of its membranes' edges, sampled every `step` mm."""
    outline = outline_curve(layout.outline, step=step)
    rims = [window_curve(window, step=step) for window in layout.window]
    sides = [(outline, side, side) for side in range(FIRST_RIM)]
    sides += [
        (rim, side, FIRST_RIM + SIDES_OF_RIM * i + side)
        for i, rim in enumerate(rims)
        for side in range(SIDES_OF_RIM)
    ]
    points, normals, lengths, parts = [], [], [], []
    for curve, side, part in sides:
        on_side = curve.part == side
        at, out = curve.points[on_side], curve.normals[on_side]
        length = float(np.linalg.norm(at[-1] - at[0])) * len(at) / max(len(at) - 1, 1)
        for piece in np.array_split(np.arange(len(at)), max(1, round(length / PIECE_MM))):
            points.append(at[piece])
            normals.append(out[piece])
            lengths.append(length * len(piece) / len(at))
            parts.append(part)
    count = np.array([len(p) for p in points])
    length_mm, part_of = np.array(lengths), np.array(parts)
    outer = part_of < FIRST_RIM
    n_parts = FIRST_RIM + SIDES_OF_RIM * len(rims)
    # The openings together count about as much as the outline does, whatever their number.
    share = 1.5 * min(1.0, length_mm[outer].sum() / length_mm[~outer].sum())
    worth = np.where(outer, np.where(part_of == CUT, 0.5, 1.0), 1.0 / len(rims))
    return Edges(
        points=np.concatenate(points),
        normals=np.concatenate(normals),
        first=np.cumsum(count) - count,
        count=count.astype(np.float32),
        middle=np.array([p.mean(axis=0) for p in points]),
        normal=np.array([n[0] for n in normals]),
        length=length_mm,
        outer=outer,
        part=part_of,
        n_parts=n_parts,
        weight=np.where(outer, 1.0, share) * length_mm,
        vote=worth * length_mm / np.bincount(part_of, length_mm, minlength=n_parts)[part_of],
    )
