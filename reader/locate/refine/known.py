"""What is known of a pose before its edges are seen, as part of the least squares."""

from dataclasses import dataclass

import numpy as np

from reader.locate.camera import Camera
from reader.locate.camera_steps import N_STEPS
from reader.locate.priors import Priors
from reader.locate.refine.edges import LINE_OFFSETS, LINE_SES
from reader.numbers.geometry import Points

EDGE_SE_MM = 0.15
"""How well one edge's place is known, one standard deviation, mm."""
EFFECTIVE_EDGES = 30.0
"""All pieces together tell as much as this many independent edges."""
N_UNKNOWNS = N_STEPS + len(LINE_OFFSETS)
"""A camera's, and the lines' offsets."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Known:
    """What is known beforehand of a step of all unknowns: normal matrix (13, 13) and right-hand side (13,)."""

    matrix: Points
    right: Points

    @property
    def of_camera(self) -> Points:
        """The normal matrix (8, 8) of the camera's unknowns."""
        return self.matrix[:N_STEPS, :N_STEPS]


def hold_unknowns(camera: Camera, lines: Points, priors: Priors, upright: Points) -> Known:
    """Hold a camera by its priors, upright (3,) being the plate's normal as it came, and the lines (5,) to usual
    places.
    """
    lens, lens_gap = priors.pull_lens(camera)
    weight = np.concatenate([lens, LINE_SES**-2.0])
    gap = np.concatenate([lens_gap, LINE_OFFSETS - lines])
    held, right = np.diag(weight), weight * gap
    if priors.tilt_se is not None:
        lean = np.zeros((3, N_UNKNOWNS))
        lean[:, :3] = np.cross(np.eye(3), camera.rotation[:, 2]).T / priors.tilt_se
        held = held + lean.T @ lean
        right = right + lean.T @ (upright - camera.rotation[:, 2]) / priors.tilt_se
    return Known(matrix=held, right=right)
