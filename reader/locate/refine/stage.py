"""How the picture is looked at, stage by stage: far and coarse first, near and fine last."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True, slots=True)
class Stage:
    """One look at the picture, mm.

    step : between samples along an edge. reach : how far the look goes to either side. vote : how far sides are
    shifted in search of more edges, and how near to its place an edge then counts (one standard deviation).
    openings : how far openings are shifted. gates : how near edges are taken, round by round. wells : whether wells
    are asked as well.
    """

    step: float
    reach: float
    vote: tuple[float, float] | None
    openings: float | None
    gates: tuple[float, ...]
    wells: bool = False


FIRST_STAGES = (
    Stage(step=1.0, reach=4.6, vote=(2.4, 0.3), openings=5.0, gates=(1.5, 1.0)),
    Stage(step=1.0, reach=3.0, vote=(1.6, 0.2), openings=2.5, gates=(0.7, 0.5)),
)
"""On the reduced copy."""
DOUBTFUL_STAGES = (
    Stage(step=1.0, reach=9.0, vote=(6.4, 0.4), openings=5.0, gates=(1.5,), wells=True),
    Stage(step=1.0, reach=4.6, vote=(2.4, 0.3), openings=5.0, gates=(1.5, 1.0), wells=True),
    Stage(step=1.0, reach=3.0, vote=(1.6, 0.2), openings=2.5, gates=(0.7, 0.5), wells=True),
)
"""Once more where the first stages left doubt."""
LAST_STAGE = Stage(step=0.5, reach=1.8, vote=(0.9, 0.2), openings=None, gates=(0.3, 0.2))
"""On the photo's own pixels."""
UNVOTED_STAGE = Stage(step=0.5, reach=1.8, vote=None, openings=None, gates=(0.3, 0.2))
"""The same where the last vote took sides to other lines that prove less."""
