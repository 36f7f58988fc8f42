"""What tells a line of dye from a change of the light: its colour and its shape. (The plastic's word is in `shade`.)

Both are likelihood ratios. Colour: a dye takes its own shares of red, green and blue; a shadow takes all three nearly
alike. Shape: a line comes back to its baseline, the edge of a shadow does not.
"""

import math
from dataclasses import dataclass

import numpy as np

from reader.measure.line_shape import DYE, LUMA
from reader.numbers.arrays import FloatArray
from reader.numbers.erf import erf

TINT = 0.12
"""By so large a share of its depth a shadow may differ between red, green and blue, 1 sigma: sky and lamp are not of
one colour. Common practice, no source; open sky at 10,000 K beside sun at 5,500 K, half of it shaded, gives 0.1."""
DYE_TINT = 0.15
"""By so large a share of its height a line's colour may differ from its dye's in the layout, 1 sigma: camera
channels, white balance, ageing."""
CARRIED = 0.85
"""Share of a line's colour that halved chroma and a phone's colour noise reduction leave,"""
CARRIED_SD = 0.2
"""and its spread."""
KEPT_SHARES = np.linspace(0.0, 1.1, 12)
"""Shares of its colour that a file may have kept of a line, all alike likely."""
GREY_TINT = 0.05
"""By so large a share of its height a line that lost all its colour may differ from grey, 1 sigma."""
EDGE_NEAR_MM = 1.6
"""Edges are tried this far about a line,"""
EDGE_STEP_MM = 0.1
"""in such steps,"""
EDGE_BLURS_MM = (0.12, 0.3, 0.6, 1.0)
"""and with such blurs (1 sigma); 10 to 90 % of an edge are 2.56 sigma."""
EDGE_SD = 0.05
"""Depth of an edge that a shadow may leave on a membrane, luma absorbance, 1 sigma (11 % of the light)."""
EDGE_ODDS = 0.02
"""Chance, before looking, that an edge lies so near to a mark. Common practice, no source."""


def dye_evidence(colour: FloatArray, error: FloatArray, dye: str) -> float:
    """How much better a dye explains a line's colour than a neutral shadow does: natural logarithm of the likelihood
    ratio.

    colour : (3,) absorbance. error : (3, 3) its covariance. What luma says counts for both and is left out.
    """
    luma = float(LUMA @ colour)
    neutral = _log_likelihood(colour - luma, error + np.eye(3) * (TINT * luma) ** 2)
    tint = luma * DYE[dye] / float(LUMA @ DYE[dye]) - luma
    spread = np.eye(3) * (DYE_TINT * luma) ** 2 + CARRIED_SD**2 * np.outer(tint, tint)
    return _log_likelihood(colour - luma - CARRIED * tint, error + spread) - neutral


def dye_share(colour: FloatArray, dye: str) -> float:
    """Share of a dye's colour that a line of its luma shows: 1 as the layout says, 0 grey."""
    luma = float(LUMA @ colour)
    tint = luma * DYE[dye] / float(LUMA @ DYE[dye]) - luma
    return float((colour - luma) @ tint / (tint @ tint + 1e-12))


def which_dye(colour: FloatArray, error: FloatArray, dye: str, other: str) -> float:
    """How much better one dye explains a line's colour than another, however much of its colour the file kept: natural
    logarithm of the likelihood ratio. Where nothing of it was kept, both explain it alike and this is about 0."""
    return _kept_log_likelihood(colour, error, DYE[dye]) - _kept_log_likelihood(colour, error, DYE[other])


def _kept_log_likelihood(colour: FloatArray, error: FloatArray, dye: FloatArray) -> float:
    luma = float(LUMA @ colour)
    tint = luma * dye / float(LUMA @ dye) - luma
    own = (GREY_TINT * luma) ** 2 + (KEPT_SHARES * DYE_TINT * luma) ** 2
    found = _log_likelihoods(
        colour - luma - KEPT_SHARES[:, None] * tint, error + own[:, None, None] * np.eye(3)
    )
    return float(np.logaddexp.reduce(found))


# Two directions across luma's axis: what is left of a colour once its luma is known.
_ACROSS = np.linalg.svd(LUMA[None] / np.linalg.norm(LUMA))[2][1:]


def _log_likelihood(residual: FloatArray, covariance: FloatArray) -> float:
    """Normal log likelihood of a residual's two components across luma, without its constant."""
    return float(_log_likelihoods(residual[None], covariance[None])[0])


def _log_likelihoods(residuals: FloatArray, covariances: FloatArray) -> FloatArray:
    """The same (k,) of residuals (k, 3), each with its covariance (k, 3, 3)."""
    u, v = (residuals @ _ACROSS.T).T
    (a, b), (c, d) = (_ACROSS @ covariances @ _ACROSS.T + 1e-12 * np.eye(2)).transpose(1, 2, 0)
    det = a * d - b * c
    return np.asarray(-0.5 * ((d * u**2 - (b + c) * u * v + a * v**2) / det + np.log(det)))


@dataclass(frozen=True, kw_only=True, slots=True)
class EdgeCheck:
    """A line's height once an edge may lie beside it, and by how much a line explains the profile better than an edge.

    height, error : luma absorbance, 1 sigma, both models averaged by their evidence. line_evidence : natural logarithm
    of the likelihood ratio of the line alone over the best edge alone.
    """

    height: float
    error: float
    line_evidence: float


def check_edge(
    x: FloatArray, y: FloatArray, projected: FloatArray, line: FloatArray, *, place_mm: float, sigma: float
) -> EdgeCheck:
    """Let a line (n,) and a blurred edge near it compete, and stand side by side.

    projected : (n, n) inverse covariance of the profile y over sigma squared, all else projected out.
    """
    at = place_mm + np.arange(-EDGE_NEAR_MM, EDGE_NEAR_MM + 1e-9, EDGE_STEP_MM)
    at = at[(at > x.min(initial=math.inf)) & (at < x.max(initial=-math.inf))]
    blurs = np.array(EDGE_BLURS_MM)
    steps = erf((x[:, None, None] - at[None, :, None]) / (math.sqrt(2) * blurs)).reshape(len(x), -1) / 2
    by_line, by_steps = projected @ line, projected @ steps
    a = float(line @ by_line) + 1e-9
    d = np.einsum("ij,ij->j", steps, by_steps) + 1e-9
    b = line @ by_steps
    u, v = float(by_line @ y), by_steps.T @ y
    alone = u / a
    gain_line = u**2 / a / sigma**2
    gain_edge = v**2 / d / sigma**2
    # The edge's depth has a prior of its own; what it adds to the line is its evidence.
    free = np.maximum(d - b**2 / a, 0.0) + (sigma / EDGE_SD) ** 2
    score = v - b * alone
    depth = score / free
    added = 0.5 * score * depth / sigma**2 - 0.5 * np.log(free * (EDGE_SD / sigma) ** 2)
    odds = EDGE_ODDS / (1 - EDGE_ODDS) / max(1, len(d)) * np.exp(np.minimum(added, 500.0))
    weight = odds / (1 + odds.sum())
    shift = -(b / a) * depth
    variance = sigma**2 / a + sigma**2 * (b / a) ** 2 / free
    mean = alone + float(weight @ shift)
    none = 1 - float(weight.sum())
    spread = none * (sigma**2 / a + (alone - mean) ** 2) + float(
        weight @ (variance + (alone + shift - mean) ** 2)
    )
    return EdgeCheck(
        height=mean,
        error=math.sqrt(spread),
        line_evidence=float(0.5 * (gain_line - gain_edge.max(initial=0.0))),
    )
