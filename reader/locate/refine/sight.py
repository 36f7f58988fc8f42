"""What a picture shows across a layout's edges, where a camera predicts them: the sides' and openings' straight pieces.

A straight edge is the same all along; noise, grain and a table's texture are not. So the picture's colours are
averaged along each piece first, and changes of that average across the piece are what may be an edge.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from reader.locate.camera import Camera
from reader.locate.camera_steps import jacobian_of, project_edges
from reader.locate.refine.edges import BOTTOM, OUTLINE_END, OUTLINE_START, RIM_END, RIM_START, Edges, edges_of
from reader.locate.refine.stage import Stage
from reader.locate.view import Pixels, View
from reader.numbers.arrays import SingleArray as Floats
from reader.numbers.geometry import Points
from reader.numbers.median import median
from reader.settings.values import Layout

ROUNDING_MM = 0.5
"""Radius of a moulded edge (common practice, no source)."""
START_CLEARANCE_MM, END_CLEARANCE_MM = 0.3, 0.8
"""The face is smooth: an edge's start, or its end, with another edge this much nearer to the face's middle is something
else, mm."""
SPOILT = 0.35
"""But most of the times only, for print and shadows lie on faces too: such a line still counts this share."""
LEAST_WALL_MM = 0.15
"""A side wall shows once it stands out this far beyond the silhouette, mm."""
START_SHOWS = 0.4
"""Where an outline's rounding starts shows in some lights only, in this share; its end is its silhouette and always
there."""
FACE_MM = 1.0
"""Within this of an edge its own blur and rounding lie, mm; beyond it the face tells the noise."""
FIT_NOISE = 9.0
"""A change this many times the noise is as likely as not an edge to fit to."""
LEAST_NOISE = 0.5
"""8-bit codes that are noise in any picture."""
PROOF_NOISE = 2.0
"""A change this many times the noise, and PROOF_CODES more, is as likely as not an edge that proves a part."""
PROOF_CODES = 3.5
"""8-bit codes: compression makes faint straight edges of its own. A part of a plate seen in simulated and shared photos
shows 6 codes and more in 199 of 200, 12 in 49 of 50."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Sight:
    """What a picture shows across the pieces (k) of a layout's edges as a camera predicts them.

    camera, pivot (2,) : what predicts them, and the plate's middle, mm, about which it may turn. edges : the pieces.
    zero, to_samples (k,): a place x mm outwards of a piece is sample zero + x * to_samples; strength (k, m): change
    of brightness and colour there, 8-bit codes per blur length; proof (k, m): how surely an edge lies there, 0 but
    at peaks; likely (3, k, m): the same, more strictly, for an edge's start, its end and the side wall's lower edge;
    wall, wall_shows, lean (k,): how far the side wall stands out, mm, whether beyond the silhouette, and the tangent
    of the view's slant; jacobian (k, 8): how far
    each piece moves outwards, mm, per unit of each of the camera's unknowns.
    """

    camera: Camera
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


def look(view: View, plan: Layout, camera: Camera, stage: Stage) -> Sight | None:
    """Sample a view across all edges where a camera (full-size px) predicts them, and rate what crosses them.

    Returns None where the camera sees the plate from nowhere.
    """
    edges = edges_of(plan, step=stage.step)
    seen, normal, px_per_mm = project_edges(camera, edges.points, edges.normals)
    if not (np.isfinite(normal).all() and np.isfinite(seen).all()):
        return None
    reach = stage.reach * median(px_per_mm) / view.factor
    step = max(0.5, reach / 40)
    zero = max(4, int(np.ceil(reach / step)))
    strength = strength_across(
        view.pixels,
        view.to_view(seen),
        normal * step,
        first=edges.first,
        count=edges.count,
        zero=zero,
        blur=max(view.blur_px, step) / step,
    )
    middle, outwards, scale = project_edges(camera, edges.middle, edges.normal)
    to_samples = scale / view.factor / step
    per_mm = median(to_samples)
    noise = _face_noise(strength, edges.outer, zero, round(FACE_MM * per_mm))
    thickness = plan.outline.thickness
    wall = np.einsum("ij,ij->i", camera.project(edges.middle, thickness) - middle, outwards) / scale
    pivot = np.array([plan.outline.width, plan.outline.height]) / 2
    lean = wall / thickness
    wall_shows = edges.outer & (wall > LEAST_WALL_MM + ROUNDING_MM * lean)
    return Sight(
        camera=camera,
        pivot=pivot,
        edges=edges,
        zero=zero,
        to_samples=to_samples,
        strength=strength,
        proof=_rate_clear(strength, PROOF_NOISE * noise + PROOF_CODES),
        likely=_rate_lines(_rate_clear(strength, FIT_NOISE * noise), edges.outer, wall_shows, per_mm),
        wall=wall,
        wall_shows=wall_shows,
        lean=lean,
        jacobian=jacobian_of(camera, pivot, edges.middle, outwards / scale[:, None]),
    )


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


def _face_noise(strength: Floats, outer: NDArray[np.bool_], zero: int, face: int) -> float:
    """Usual change on the plate's face, more than `face` samples from any edge, 8-bit codes."""
    quiet = [strength[outer, : max(1, zero - face)], strength[~outer, min(zero + face, 2 * zero) :]]
    return median(np.concatenate([part.ravel() for part in quiet])) + LEAST_NOISE


def _rate_clear(strength: Floats, half: float) -> Floats:
    """How surely each sample is an edge: 0 but at peaks, a half at that strength."""
    peak = np.zeros(strength.shape, bool)
    peak[:, 1:-1] = (strength[:, 1:-1] >= strength[:, :-2]) & (strength[:, 1:-1] > strength[:, 2:])
    squared = strength**2
    return np.where(peak, squared / (squared + np.float32(half) ** 2), np.float32(0))


def _rate_lines(
    clear: Floats, outer: NDArray[np.bool_], wall_shows: NDArray[np.bool_], per_mm: float
) -> Floats:
    """How likely (3, k, m) each sample is an edge's start, its end and the side wall's lower edge."""
    smooth = _rate_smooth(clear, outer)
    likely: list[NDArray[Any]] = [
        np.where(outer, START_SHOWS, 1.0)[:, None]
        * clear
        * _delay(smooth, outer, round(START_CLEARANCE_MM * per_mm)),
        clear * _delay(smooth, outer, round(END_CLEARANCE_MM * per_mm)),
        clear * wall_shows[:, None],
    ]
    return np.stack(likely).astype(np.float32)


def _rate_smooth(clear: Floats, outer: NDArray[np.bool_]) -> Points:
    """Chance (k, m) that the plate's face is smooth from its middle up to here: no clear edge passed.

    From an outline's point of view the face lies at negative offsets, from an opening's at positive ones.
    """
    passed = 1.0 - np.clip((clear - 0.4) / 0.6, 0.0, 1.0)
    smooth = np.cumprod(np.where(outer[:, None], passed, passed[:, ::-1]), axis=1)
    return SPOILT + (1 - SPOILT) * np.where(outer[:, None], smooth, smooth[:, ::-1])


def _delay(smooth: Points, outer: NDArray[np.bool_], lag: int) -> Points:
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
