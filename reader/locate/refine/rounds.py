"""A rough plate pose drawn onto the plate's own edges, stage by stage: look, search, fit, prove.

The unknowns are those of a camera, not of a free homography: rotation, shift, focal length and one distortion, the
last two held by what phones have. So the plate's thickness is used: the side wall's lower edge is known for what it is.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from reader.locate.camera import Camera
from reader.locate.camera_steps import move_camera
from reader.locate.priors import Priors
from reader.locate.refine.edges import LINE_OFFSETS
from reader.locate.refine.fit import fit_closest
from reader.locate.refine.known import Known, hold_unknowns
from reader.locate.refine.prove import ALL_PARTS, Proof, prove
from reader.locate.refine.search import search_step
from reader.locate.refine.sight import Sight, look
from reader.locate.refine.stage import LAST_STAGE, UNVOTED_STAGE, Stage
from reader.locate.refine.wells import WELL_VOTES, Wells, find_wells
from reader.locate.view import View
from reader.numbers.geometry import Points
from reader.settings.values import Layout


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


def fit_edges(
    view: View, plan: Layout, camera: Camera, stages: Sequence[Stage], priors: Priors
) -> Fit | None:
    """Refine a camera (full-size px) on a view, stage by stage.

    Returns None where too little of a plate is seen or it would be seen from behind.
    """
    upright = camera.rotation[:, 2]
    lines = LINE_OFFSETS
    fit = None
    for stage in stages:
        sight = look(view, plan, camera, stage)
        if sight is None:
            return None
        known = hold_unknowns(camera, lines, priors, upright)
        wells = find_wells(view, plan, camera) if stage.wells else None
        fit = _fit_stage(sight, lines, known, stage, wells)
        if fit is None:
            return None
        camera, lines = fit.camera, fit.lines
    return fit


def fit_last(view: View, plan: Layout, start: Fit, priors: Priors) -> Fit:
    """The last round, on full-size pixels along the edges only; the start where too little is seen there.

    Where its vote took sides to other lines that prove less, none is held.
    """
    camera = start.camera
    sight = look(view, plan, camera, LAST_STAGE)
    if sight is None:
        return start
    known = hold_unknowns(camera, LINE_OFFSETS, priors, camera.rotation[:, 2])
    fit = _fit_stage(sight, LINE_OFFSETS, known, LAST_STAGE, None) or start
    if fit.proof.share > start.proof.share:
        return fit
    unvoted = _fit_stage(sight, LINE_OFFSETS, known, UNVOTED_STAGE, None) or start
    return max(fit, unvoted, key=lambda f: f.proof.share)


def _fit_stage(sight: Sight, lines: Points, known: Known, stage: Stage, wells: Wells | None) -> Fit | None:
    """Search, fit and prove on what was looked at."""
    step = search_step(sight, lines, known, stage, wells)
    settled = fit_closest(sight, lines, step, known, stage.gates)
    if settled is None:
        return None
    step, lines, residual_mm = settled
    camera = move_camera(sight.camera, sight.pivot, step)
    if camera.rotation[2, 2] <= 0.2 or camera.shift[2] <= 0:
        return None
    return Fit(
        camera=camera,
        lines=lines,
        residual_mm=residual_mm,
        proof=prove(sight, lines, sight.jacobian @ step),
        wells=None if wells is None else float(wells.agreement(step[None])[0]),
    )
