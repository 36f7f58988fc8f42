"""What is known of a camera before a plate is seen through it."""

from dataclasses import dataclass

import numpy as np

from reader.locate.camera import Camera
from reader.locate.camera_steps import N_STEPS
from reader.numbers.geometry import Points

FOCAL_PRIOR = (0.0, 0.22)
"""Natural logarithm of focal length over long side, and its standard deviation: main cameras of phones see 45 to 75
degrees across the long side, zoomed or cropped ones less, ultra-wide ones up to 105 (common practice, no source)."""
BEND_PRIOR = (0.0, 0.02)
"""Distortion left by phones' own correction, and its standard deviation: some pixels at the frame's edge (common
practice, no source)."""
PRIOR_YIELDS = 2.0
"""Beyond this many standard deviations the priors give way: an ultra-wide lens, a cropped picture."""
CARD_FOCAL_SE = 0.03
"""How well the card's markers tell the focal length, natural logarithm, one standard deviation."""
CARD_TILT_SE = np.radians(0.8)
"""A plate on the card may tilt with the curl of the sheet, radians, one standard deviation."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Priors:
    """What is known of a camera: natural logarithm of its focal length in px, and its sd; where its axis meets the
    picture, centre (2,) full-size px; the sd, radians, of the plate's tilt as it comes, where the card holds it.
    """

    focal: tuple[float, float]
    centre: Points
    tilt_se: float | None = None

    @property
    def by_card(self) -> bool:
        """Whether the card's markers tell the camera."""
        return self.tilt_se is not None

    def pull_lens(self, camera: Camera) -> tuple[Points, Points]:
        """Weights (8,) that hold a camera's unknowns, and how far (8,) each is from where it is held."""
        weight, gap = np.zeros(N_STEPS), np.zeros(N_STEPS)
        for i, ((mean, se), now) in enumerate(
            ((self.focal, np.log(camera.focal)), (BEND_PRIOR, camera.bend)), start=6
        ):
            gap[i] = mean - now
            weight[i] = se**-2 / (1 + (gap[i] / (PRIOR_YIELDS * se)) ** 2)
        return weight, gap


def priors_of_photo(width: int, height: int) -> Priors:
    """What is known of the camera of a photo of this size, px."""
    return Priors(
        focal=(FOCAL_PRIOR[0] + float(np.log(max(height, width))), FOCAL_PRIOR[1]),
        centre=np.array([(width - 1) / 2, (height - 1) / 2]),
    )


def priors_by_card(camera: Camera) -> Priors:
    """What the camera that sees the card tells of a plate on it."""
    return Priors(
        focal=(float(np.log(camera.focal)), CARD_FOCAL_SE), centre=camera.centre, tilt_se=CARD_TILT_SE
    )
