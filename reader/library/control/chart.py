"""A control chart as JSON, and as a page that is complete in itself: heights and moving ranges, drawn as SVG."""

import json
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any, Final

from reader.draw.charts import panel_chart, point_sign
from reader.draw.templates import render
from reader.files.bundled import DATA
from reader.library.control.panels import DRAWN_MOST, heights_panel, ranges_panel
from reader.library.control.strip import (
    ControlChart,
    Part,
    distance_words,
    height_words,
    mark_words,
    moment_words,
    rule_words,
    state_said,
    told,
)
from reader.library.report import Origin, share_words, tint
from reader.version import VERSION

TEMPLATES: Final = DATA / "control"
REPORT_STYLE: Final = DATA / "report"
CHART_VERSION: Final = 1
PLACES: Final = 7  # decimals of absorbance in JSON; heights have six

METHODS: Final = {
    "limits": "individuals chart: mean and mean moving range of the baseline, sigma = mean moving range / 1.128, "
    "limits 3 sigma from the centre; upper limit of moving ranges 3.267 times their mean (NIST/SEMATECH e-Handbook "
    "6.3.2)",
    "rules": "Western Electric, Statistical Quality Control Handbook, 1956; a photo breaks a rule only if it lies "
    "beyond itself",
}


def to_json(chart: ControlChart, origin: Origin, added: Sequence[str] = ()) -> bytes:
    """The chart with everything that it rests on. added : ids of the points that were just added."""
    content = {
        "report": "control",
        "report_version": CHART_VERSION,
        "linecall": VERSION,
        "made_at": origin.made_at.isoformat(timespec="seconds"),
        "library": origin.library,
        "strip": chart.strip,
        "state": chart.state_with(added),
        "added": list(added),
        "methods": METHODS,
        "baselines": [_part_json(part) for part in chart.parts],
    }
    return (json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def _part_json(part: Part) -> dict[str, Any]:
    limits = part.limits
    return {
        **part.baseline.model_dump(mode="json"),
        "rules": [rule.model_dump() for rule in part.rules.rule],
        "needed": part.rules.baseline,
        "limits": None
        if limits is None
        else {
            "photos": limits.n,
            "centre": round(limits.centre, PLACES),
            "mean_moving_range": round(limits.mean_range, PLACES),
            "sigma": round(limits.sigma, PLACES),
            "lower": round(limits.lower, PLACES),
            "upper": round(limits.upper, PLACES),
            "moving_range_upper": round(limits.range_upper, PLACES),
        },
        "points": [_point_json(part, place) for place in range(len(part.points))],
        "broken": [
            {
                "point": part.points[one.at].id,
                "rule": one.rule,
                "side": one.side,
                "beyond": [part.points[place].id for place in one.beyond],
                "sentence": one.sentence,
            }
            for one in part.broken
        ],
        "jumps": [part.points[place].id for place in part.jumps],
    }


def _point_json(part: Part, place: int) -> dict[str, Any]:
    point, moved = part.points[place], part.ranges.get(place)
    error = point.standard_error
    return {
        **point.model_dump(mode="json", exclude={"baseline"}),
        "value": round(point.value, PLACES),
        "standard_error": None if error is None else round(error, PLACES),
        "moving_range": None if moved is None else round(moved, PLACES),
        "limits_rest_on_it": place in part.resting,
    }


def control_page(chart: ControlChart, origin: Origin, added: Sequence[str] = ()) -> bytes:
    """The chart as one HTML page."""
    filters: dict[str, Callable[..., Any]] = {
        "height": height_words,
        "moment": moment_words,
        "mark": mark_words,
        "rule": rule_words,
        "distance": lambda value, limits: distance_words(limits, value),
        "share": share_words,  # these two are asked for by parts.html
        "tint": tint,
    }
    state = chart.state_with(added)
    return render(
        "chart.html",
        [TEMPLATES, REPORT_STYLE],
        {
            "chart": chart,
            "now": chart.now,
            "origin": origin,
            "signals": told(chart.signals(added)),
            "resting": told(chart.resting(added)),
            "broken": [told(part.broken) for part in chart.parts],
            "state": state,
            "said": str(state_said(chart.now, state)),
            "heights": panel_chart(heights_panel(chart)),
            "ranges": panel_chart(ranges_panel(chart)),
            "sign": point_sign,
            "drawn": min(DRAWN_MOST, sum(len(part.points) for part in chart.parts)),
            "changes": changes(chart),
            "methods": METHODS,
            "version": VERSION,
        },
        filters,
    )


def changes(chart: ControlChart) -> dict[str, tuple[str, ...]]:
    """What each photo was measured by otherwise than the one before it, by the point's id."""
    points = [point for part in chart.parts for point in part.points]
    return {
        point.id: point.made.unlike(before.made)
        for before, point in pairwise(points)
        if point.made.unlike(before.made)
    }
