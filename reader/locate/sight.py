"""What a picture shows across a layout's edges, where a camera predicts them: the sides' and openings' straight pieces.

A straight edge is the same all along; noise, grain and a table's texture are not. So the picture's colours are
averaged along each piece first, and changes of that average across the piece are what may be an edge.
"""

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.locate.geometry import Camera, Points, turned
from reader.locate.outline import outline_curve, window_curve
from reader.numbers.median import median
from reader.settings.values import Layout

Pixels = NDArray[np.uint8] | NDArray[np.uint16]
Floats = NDArray[np.float32]

# Long enough to average noise away, so short that a rough pose is still straight along it.
PIECE_MM = 7.0
# Parts of a layout: the outline's sides as in `Curve`, its cut, then four sides of each opening.
CUT, FIRST_RIM, SIDES_OF_RIM = 4, 5, 4

# A moulded edge is rounded: it shows two lines, where the rounding starts on the top face and where it ends.
# Their places, mm outwards from the nominal edge (outline, membrane), and how sure; each photo settles its
# own. Roundings of about half a millimetre and draughted openings are common practice in moulding, no source.
ROUNDING_MM = 0.5
LINE_OFFSETS = np.array([-0.55, -0.10, 0.47, 0.03, 0.0])
LINE_SES = np.array([0.15, 0.08, 0.15, 0.10, 0.10])
OUTLINE_START, OUTLINE_END, RIM_START, RIM_END, BOTTOM = range(5)
# The face is smooth: a line with another edge this much nearer to the face's middle is something else, mm; most
# of the times, for print and shadows lie on faces too.
START_CLEARANCE_MM, END_CLEARANCE_MM = 0.3, 0.8
SPOILT = 0.35
# A side wall shows once it stands out this far beyond the silhouette, mm.
LEAST_WALL_MM = 0.15
# An outline's end is its silhouette and always there; where its rounding starts shows in some lights only.
START_SHOWS = 0.4
# Within this of an edge its own blur and rounding lie, mm; beyond it the face tells the noise.
FACE_MM = 1.0
# A change this many times the noise is as likely as not an edge to fit to; 8-bit codes that are noise in any picture.
FIT_NOISE, LEAST_NOISE = 9.0, 0.5
# The same for an edge that proves a part, and codes added: compression makes faint straight edges of its own. A part
# of a plate seen in simulated and shared photos shows 6 codes and more in 199 of 200, 12 in 49 of 50.
PROOF_NOISE, PROOF_CODES = 2.0, 3.5

# A camera's unknowns, as `moved` takes them.
N_STEPS = 8


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
    count: Floats
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


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Sight:
    """What a picture shows across the pieces (k) of a layout's edges as a camera predicts them.

    zero, to_samples (k,): a place x mm outwards of a piece is sample zero + x * to_samples; strength (k, m): change
    of brightness and colour there, 8-bit codes per blur length; proof (k, m): how surely an edge lies there, 0 but
    at peaks; likely (3, k, m): the same, more strictly, for an edge's start, its end and the side wall's lower edge;
    wall, wall_shows, lean (k,): how far the side wall stands out, mm, whether beyond the silhouette, and the tangent
    of the view's slant; jacobian (k, 8): how far
    each piece moves outwards, mm, per unit of each of the camera's unknowns.
    """

    pivot: Points
    edges: Edges
    zero: int
    to_samples: Points
    strength: Floats
    proof: Floats
    likely: Floats
    wall: Points
    wall_shows: NDArray[np.bool_]
    lean: Points
    jacobian: Points

    def places(self, lines: Points) -> Points:
        """Where (3, k) an edge's start, its end and the wall's lower edge should lie, mm outwards."""
        outer = self.edges.outer
        end = np.where(outer, _silhouette(self.lean), ROUNDING_MM * self.lean)
        return np.stack(
            [
                np.where(outer, lines[OUTLINE_START], lines[RIM_START]),
                np.where(outer, lines[OUTLINE_END], lines[RIM_END]) + end,
                self.wall + lines[BOTTOM],
            ]
        )

    @property
    def offsets_mm(self) -> Points:
        """Where (k, m) the samples lie, mm outwards."""
        return (np.arange(self.strength.shape[1]) - self.zero) / self.to_samples[:, None]


def look(
    pixels: Pixels,
    layout: Layout,
    camera: Camera,
    *,
    step_mm: float,
    reach_mm: float,
    reduction: float,
    blur_px: float,
) -> Sight | None:
    """Sample a picture, `reduction` times smaller than the camera's, across all edges, and rate what crosses them.

    step_mm : between samples along an edge; reach_mm : how far to either side; blur_px : of the picture's edges.
    Returns None where the camera sees the plate from nowhere.
    """
    edges = edges_of(layout, step=step_mm)
    seen, normal, px_per_mm = seen_edges(camera, edges.points, edges.normals)
    if not (np.isfinite(normal).all() and np.isfinite(seen).all()):
        return None
    reach = reach_mm * median(px_per_mm) / reduction
    step = max(0.5, reach / 40)
    zero = max(4, int(np.ceil(reach / step)))
    strength = strength_across(
        pixels,
        (seen - (reduction - 1) / 2) / reduction,
        normal * step,
        first=edges.first,
        count=edges.count,
        zero=zero,
        blur=max(blur_px, step) / step,
    )
    middle, outwards, scale = seen_edges(camera, edges.middle, edges.normal)
    to_samples = scale / reduction / step
    per_mm = median(to_samples)
    noise = _noise(strength, edges.outer, zero, round(FACE_MM * per_mm))
    clear = _clear(strength, FIT_NOISE * noise)
    wall = (
        np.einsum("ij,ij->i", camera.project(edges.middle, layout.outline.thickness) - middle, outwards)
        / scale
    )
    pivot = np.array([layout.outline.width, layout.outline.height]) / 2
    lean = wall / layout.outline.thickness
    wall_shows = edges.outer & (wall > LEAST_WALL_MM + ROUNDING_MM * lean)
    smooth = _smooth_so_far(clear, edges.outer)
    likely: list[NDArray[Any]] = [
        np.where(edges.outer, START_SHOWS, 1.0)[:, None]
        * clear
        * _lagged(smooth, edges.outer, round(START_CLEARANCE_MM * per_mm)),
        clear * _lagged(smooth, edges.outer, round(END_CLEARANCE_MM * per_mm)),
        clear * wall_shows[:, None],
    ]
    return Sight(
        pivot=pivot,
        edges=edges,
        zero=zero,
        to_samples=to_samples,
        strength=strength,
        proof=_clear(strength, PROOF_NOISE * noise + PROOF_CODES),
        likely=np.stack(likely).astype(np.float32),
        wall=wall,
        wall_shows=wall_shows,
        lean=lean,
        jacobian=jacobian_of(camera, pivot, edges.middle, outwards / scale[:, None]),
    )


def seen_edges(camera: Camera, points: Points, normals: Points) -> tuple[Points, Points, Points]:
    """Where edge points (n, 2) mm with their normals appear: px (n, 2), unit normals there (n, 2), px per mm
    along them (n,).
    """
    tangents = np.stack([-normals[:, 1], normals[:, 0]], axis=1)
    seen = camera.project(points)
    ahead = camera.project(points + 0.1 * tangents) - seen
    out = camera.project(points + 0.1 * normals) - seen
    normal = np.stack([ahead[:, 1], -ahead[:, 0]], axis=1)
    normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-9)[:, None]
    span = np.einsum("ij,ij->i", normal, out)
    return seen, normal * np.where(span < 0, -1.0, 1.0)[:, None], np.maximum(np.abs(span) / 0.1, 1e-3)


def strength_across(
    pixels: Pixels,
    at: Points,
    along: Points,
    *,
    first: NDArray[np.int64],
    count: Floats,
    zero: int,
    blur: float,
) -> Floats:
    """Change of colour across pieces (k, 2 zero + 1) of curves in a picture, 8-bit codes per blur length.

    at, along (n, 2) : px, the curves' points and one sample's step across them; first, count (k,) : each piece's
    points, over which colours are averaged; blur : in samples. Beyond the frame its last pixels repeat.
    """
    offsets = np.arange(-zero, zero + 1, dtype=np.float32)
    start, step = at.astype(np.float32), along.astype(np.float32)
    x, y = (start[:, i, None] + offsets * step[:, i, None] for i in (0, 1))
    values = cv2.remap(pixels, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    mean = np.add.reduceat(values, first, axis=0, dtype=np.float32) / count[:, None, None]
    if pixels.dtype == np.uint16:
        mean /= np.float32(257)
    k = int(np.ceil(2.5 * blur))
    t = np.arange(-k, k + 1, dtype=np.float64)
    kernel = t * np.exp(-0.5 * (t / blur) ** 2)
    kernel /= np.abs(kernel).sum() / 2
    change = cv2.sepFilter2D(mean, cv2.CV_32F, kernel, np.ones(1), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(np.sqrt(np.einsum("kmc,kmc->km", change, change)), np.float32)


def _noise(strength: Floats, outer: NDArray[np.bool_], zero: int, face: int) -> float:
    """Usual change on the plate's face, more than `face` samples from any edge, 8-bit codes."""
    quiet = [strength[outer, : max(1, zero - face)], strength[~outer, min(zero + face, 2 * zero) :]]
    return median(np.concatenate([part.ravel() for part in quiet])) + LEAST_NOISE


def _clear(strength: Floats, half: float) -> Floats:
    """How surely each sample is an edge: 0 but at peaks, a half at that strength."""
    peak = np.zeros(strength.shape, bool)
    peak[:, 1:-1] = (strength[:, 1:-1] >= strength[:, :-2]) & (strength[:, 1:-1] > strength[:, 2:])
    squared = strength**2
    return np.where(peak, squared / (squared + np.float32(half) ** 2), np.float32(0))


def _smooth_so_far(clear: Floats, outer: NDArray[np.bool_]) -> Points:
    """Chance (k, m) that the plate's face is smooth from its middle up to here: no clear edge passed.

    From an outline's point of view the face lies at negative offsets, from an opening's at positive ones.
    """
    passed = 1.0 - np.clip((clear - 0.4) / 0.6, 0.0, 1.0)
    smooth = np.cumprod(np.where(outer[:, None], passed, passed[:, ::-1]), axis=1)
    return SPOILT + (1 - SPOILT) * np.where(outer[:, None], smooth, smooth[:, ::-1])


def _lagged(smooth: Points, outer: NDArray[np.bool_], lag: int) -> Points:
    """What holds `lag` samples nearer to the face's middle; 1 beyond the sampled stretch."""
    lag = max(1, lag)
    shifted = np.ones_like(smooth)
    shifted[outer, lag:] = smooth[outer, :-lag]
    shifted[~outer, :-lag] = smooth[~outer, lag:]
    return shifted


def _silhouette(lean: Points) -> Points:
    """Shift outwards, mm, of a rounded edge's outermost visible line; lean: tangent of the view's slant,
    outwards positive.

    Seen from the inside (lean negative) the rounding hides its own lower part; seen from the outside it shows
    all of it.
    """
    cos = 1 / np.sqrt(1 + lean**2)
    sin = np.abs(lean) * cos
    hidden = -ROUNDING_MM * ((1 - cos) + (1 - sin) * np.abs(lean))
    return np.where(lean < 0, hidden, ROUNDING_MM * lean)


def moved(camera: Camera, pivot: Points, step: Points) -> Camera:
    """The camera after a small step: turn (3,) about the plate's middle, the middle's place (2,) and size in
    the picture, focal length at that same size, distortion. So the unknowns hardly depend on one another.
    """
    middle = camera.rotation[:, :2] @ pivot + camera.shift
    rotation = turned(camera, step[:3])
    focal = float(camera.focal * np.exp(np.clip(step[6], -0.3, 0.3)))
    depth = float(middle[2] * focal / camera.focal * np.exp(-step[5]))
    at = middle[:2] / middle[2] * camera.focal + step[3:5] * camera.focal
    middle = np.array([at[0] / focal * depth, at[1] / focal * depth, depth])
    return replace(
        camera,
        rotation=rotation,
        shift=middle - rotation[:, :2] @ pivot,
        focal=focal,
        bend=float(camera.bend + step[7]),
    )


def changes_of(camera: Camera, pivot: Points, points: Points) -> Points:
    """How points (n, 2) mm move in the picture, px, per unit of each of the unknowns of `moved`: (8, n, 2)."""
    middle = camera.rotation[:, :2] @ pivot + camera.shift
    from_middle = (points - pivot) @ camera.rotation[:, :2].T
    x, y, z = from_middle.T
    depth = middle[2]
    at = (from_middle + middle).T
    flat = at[:2] / at[2]
    u, v = flat
    across = np.zeros((7, 3, len(x)))
    across[0, 1], across[0, 2] = -z, y
    across[1, 0], across[1, 2] = z, -x
    across[2, 0], across[2, 1] = -y, x
    across[3, 0] = across[4, 1] = across[6, 2] = depth
    across[5] = -middle[:, None]
    change = (across[:, :2] - across[:, 2:] * flat) / at[2]
    square = u * u + v * v
    bent = np.empty((N_STEPS, 2, len(x)))
    bent[:7] = change * (1 + camera.bend * square)
    bent[:7] += 2 * camera.bend * (change[:, :1] * u + change[:, 1:] * v) * flat
    bent[6] += flat * (1 + camera.bend * square)
    bent[7] = flat * square
    return np.asarray(camera.focal * bent.transpose(0, 2, 1))


def jacobian_of(camera: Camera, pivot: Points, points: Points, outwards: Points) -> Points:
    """How far (k, 8) points move, mm outwards, per unit of each of the camera's unknowns."""
    return np.asarray(np.einsum("snj,nj->ns", changes_of(camera, pivot, points), outwards), np.float64)
