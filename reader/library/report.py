"""Agreement, validation and proposals as JSON; the first two as pages complete in themselves, with plots as SVG.

Figures come from the report alone and reach the page through templates, which escape all but the plots made here.
"""

import dataclasses
import html
import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from reader.draw import ink
from reader.draw.templates import render
from reader.files.bundled import DATA
from reader.library.agreement.agree import Agreement, Comparison, Part
from reader.library.agreement.statistics import CONFIDENCE, Area, Interval, Kappa, Rate
from reader.library.agreement.validate import Validation, percent
from reader.library.limits.fit import Proposal
from reader.verdict.model import SettingsRecord
from reader.version import VERSION

TEMPLATES: Final = DATA / "report"
REPORT_VERSION: Final = 1
DIGITS: Final = 6  # that count, of every number in JSON
NO_VALUE: Final = "\N{EN DASH}"
HASHES_SHOWN: Final = 200  # examples whose hashes stand on the page; all stand in the JSON

METHODS: Final[Mapping[str, str]] = {
    "wilson": "Wilson 1927 score interval, 95 %, as if marks were independent",
    "exact": "Clopper and Pearson 1934, 95 %",
    "by_plate": "from the spread between plates: delete-one-plate jackknife (kappas: Student's t; shares: Wilson's for "
    "the effective number of marks, Kish 1965, Korn and Graubard 1998, taken low where few marks show it; area: "
    "Obuchowski 1997)",
    "kappa": "Cohen 1960, 1968; standard error by Fleiss, Cohen and Everitt 1969",
    "pabak": "Byrt, Bishop and Carlin 1993",
    "fleiss": "Fleiss 1971; with gaps Gwet 2014",
    "alpha": "Krippendorff 2011, nominal",
    "mcnemar": "McNemar 1947; mid-p below 25 differing marks (Fagerland, Lydersen and Laake 2013); by plate Yang, Sun "
    "and Hardin 2010",
    "limit_of_blank": "CLSI EP17-A2: mean + c_p SD, and by rank",
    "limit_of_detection": "CLSI EP17-A2 from low marks photographed again, and by rank (EP17-A)",
    "line": "ISO 11843-2 (noncentral t), DIN 32645 (prediction interval)",
    "components": "two-way random components, unbalanced, Henderson 1953 method 3",
    "area": "Hanley and McNeil 1982; DeLong, DeLong and Clarke-Pearson 1988",
    "normal": "D'Agostino and Pearson 1973",
    "expected_cost": "of each mark in another photo; true heights by nonparametric maximum likelihood (Laird 1978)",
    "held_out": "cross-validation over plates (Stone 1974); photos of one plate are never apart",
}

# Plots: user units are CSS pixels on a phone; wider screens show them larger.
WIDE: Final = 340.0
ROW: Final = 34.0
BAR: Final = 7.0
EDGE: Final = 8.0
GOLDEN: Final = (math.sqrt(5) - 1) / 2


@dataclass(frozen=True, kw_only=True, slots=True)
class Origin:
    """Where a report comes from. settings : such as ("consensus", its record); filters : which examples, in words."""

    library: str
    made_at: datetime
    settings: tuple[tuple[str, SettingsRecord], ...] = ()
    filters: tuple[str, ...] = ()


KINDS: Final = {Agreement: "agreement", Validation: "validation", Proposal: "proposal of decision limits"}


def to_json(report: Agreement | Validation | Proposal, origin: Origin) -> bytes:
    """The report with everything that is needed to compute it anew; the same input gives the same bytes."""
    content = {
        "report": KINDS[type(report)],
        "report_version": REPORT_VERSION,
        "linecall": VERSION,
        "made_at": origin.made_at.isoformat(timespec="seconds"),
        "library": origin.library,
        "filters": list(origin.filters),
        "settings": {name: record.model_dump(mode="json") for name, record in origin.settings},
        "confidence": CONFIDENCE,
        "methods": dict(METHODS),
        **dataclasses.asdict(report),
    }
    return (json.dumps(_rounded(content), indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}") + 0.0
    if isinstance(value, dict):
        return {key: _rounded(inner) for key, inner in value.items()}
    return [_rounded(inner) for inner in value] if isinstance(value, list | tuple) else value


def agreement_page(report: Agreement, origin: Origin) -> bytes:
    """The agreement report as one HTML page."""
    return _render(
        "agreement.html",
        report=report,
        origin=origin,
        plots={part.mark: _against_consensus(part) for part in report.parts},
        kappas={part.mark: _kappas(part) for part in report.parts},
    )


def validation_page(report: Validation, origin: Origin) -> bytes:
    """The validation report as one HTML page."""
    by_strength = [rates for rates in report.calls if rates.by == "strength"]
    errors = {
        "wrong present": [(f"{rates.group}", rates.wrong_present) for rates in by_strength],
        "wrong absent": [(f"{rates.group}", rates.wrong_absent) for rates in by_strength],
        "doubtful, though absent": [(f"{rates.group}", rates.doubtful_if_absent) for rates in by_strength],
        "doubtful, though present": [(f"{rates.group}", rates.doubtful_if_present) for rates in by_strength],
    }
    overall = report.limits[0]
    limits = [
        (name, value)
        for name, value in (
            ("limit of blank", overall.blank.parametric),
            ("limit of detection", overall.detection.parametric),
        )
        if value is not None
    ]
    return _render(
        "validation.html",
        report=report,
        origin=origin,
        errors={
            name: rates_plot([row for row in rows if row[1].value is not None], zero=True)
            for name, rows in errors.items()
            if any(rate.value is not None for _, rate in rows)
        },
        heights=heights_plot(report.blanks, report.lines, limits),
        roc=roc_plot(report.roc),
        hashes_shown=HASHES_SHOWN,
    )


def _render(template: str, **content: object) -> bytes:
    known = {"methods": METHODS, "version": VERSION, "no_value": NO_VALUE}
    return render(template, [TEMPLATES], known | content, FILTERS)


# ------------------------------------------------------------------------------------------ words


def share_words(share: float | None) -> str:
    """Such as `98.1 %`; a dash where there is none."""
    return NO_VALUE if share is None else f"{100 * share:.1f} %"


def within_words(interval: Interval | None, *, shares: bool = True) -> str:
    """Such as `96.2 to 99.4 %`, or `0.81 to 0.93` for what is no share."""
    if interval is None:
        return NO_VALUE
    low, high = interval
    return f"{100 * low:.1f} to {100 * high:.1f} %" if shares else f"{low:.2f} to {high:.2f}"


def number_words(number: float | None) -> str:
    """Such as `0.85`."""
    return NO_VALUE if number is None else f"{number:.2f}"


def height_words(height: float | None) -> str:
    """Such as `0.0042`."""
    return NO_VALUE if height is None else f"{height:.4f}"


def chance_words(p: float | None) -> str:
    """A p value."""
    return NO_VALUE if p is None else "< 0.001" if p < 0.001 else f"{p:.3f}"


def sentence(words: str) -> str:
    """A note as a sentence of a page: a capital first, names within as they are, one full stop."""
    clean = ink.tidy(words).rstrip(".")
    return f"{clean[:1].upper()}{clean[1:]}."


def tint(count: int, of: int, same: bool) -> str:
    """The background of a table's cell: blue where callers agree, vermillion where they part, deeper with the share."""
    if not count or not of:
        return ""
    red, green, blue = reversed(ink.bgr(ink.BLUE if same else ink.VERMILLION))
    return f"background:rgba({red},{green},{blue},{0.12 + 0.38 * math.sqrt(count / of):.2f})"


FILTERS: Final[Mapping[str, Callable[..., Any]]] = {
    "share": share_words,
    "within": within_words,
    "number": number_words,
    "height": height_words,
    "chance": chance_words,
    "tint": tint,
    "sentence": sentence,
    "at_most": percent,
}


# ------------------------------------------------------------------------------------------ plots


def _against_consensus(part: Part) -> dict[str, str]:
    """Positive and negative agreement of everyone with the consensus, doubtful calls counted either way."""
    with_consensus = [one for one in part.comparisons if one.kind != "person-person"]

    def rows(which: str) -> list[tuple[str, Rate]]:
        return [
            (
                f"{one.first}, doubtful as {way.doubtful_as}" if _has_doubt(one) else one.first,
                getattr(way, which),
            )
            for one in with_consensus
            for way in (one.countings if _has_doubt(one) else one.countings[:1])
            if getattr(way, which).value is not None
        ]

    return {
        title: rates_plot(shown)
        for which, title in (("ppa", "positive agreement"), ("npa", "negative agreement"))
        if (shown := rows(which))
    }


def _has_doubt(one: Comparison) -> bool:
    doubtful = one.calls.index("doubtful")
    return any(one.table[doubtful]) or any(row[doubtful] for row in one.table)


def _kappas(part: Part) -> str:
    """Kappas of all pairs."""
    rows = [
        (f"{one.first} and {one.second}", one.kappa)
        for one in part.comparisons
        if one.kappa.value is not None
    ]
    return kappas_plot(rows) if rows else ""


def rates_plot(rows: Sequence[tuple[str, Rate]], *, zero: bool = False) -> str:
    """Shares with their intervals: thin as if marks were independent, thick by plate. `zero`: the axis starts there."""
    bounds = [
        bound
        for _, rate in rows
        for interval in (rate.wilson, rate.by_plate)
        if interval
        for bound in interval
    ]
    low, high = (0.0, _step_up(max(bounds))) if zero else (1 - _step_up(1 - min(bounds)), 1.0)
    return _forest(
        [
            (
                name,
                rate.value,
                rate.wilson,
                rate.by_plate,
                f"{rate.hits:,} of {rate.of:,}: {share_words(rate.value)}",
            )
            for name, rate in rows
        ],
        low,
        high,
        [f"{100 * (low + (high - low) * i / 4):g} %" for i in range(5)],
    )


def kappas_plot(rows: Sequence[tuple[str, Kappa]]) -> str:
    """Kappas with their intervals, from 0 or below to 1."""
    lows = [i[0] for _, kappa in rows for i in (kappa.interval, kappa.by_plate) if i]
    least = min([0.0, *(kappa.value or 0.0 for _, kappa in rows), *lows])
    low = -_step_up(-least) if least < 0 else 0.0
    return _forest(
        [
            (
                name,
                kappa.value,
                kappa.interval,
                kappa.by_plate,
                f"{number_words(kappa.value)} ({kappa.n:,} marks)",
            )
            for name, kappa in rows
        ],
        low,
        1.0,
        [f"{low + (1 - low) * i / 4:.3g}" for i in range(5)],
    )


def _step_up(reach: float) -> float:
    """The axis' length: the next that divides into four round parts."""
    return next((step for step in (0.02, 0.04, 0.08, 0.2, 0.4, 0.6, 0.8, 1.0) if step >= reach - 1e-9), reach)


def _forest(
    rows: Iterable[tuple[str, float | None, Interval | None, Interval | None, str]],
    low: float,
    high: float,
    ticks: Sequence[str],
) -> str:
    rows = list(rows)
    left, right = EDGE, WIDE - EDGE

    def x(value: float) -> float:
        return left + (min(max(value, low), high) - low) / (high - low) * (right - left)

    bottom = len(rows) * ROW + 4
    parts = []
    for i, label in enumerate(ticks):
        at = left + (right - left) * i / (len(ticks) - 1)
        anchor = ("start", "middle", "middle", "middle", "end")[i]
        parts.append(f'<line class="grid" x1="{at:.1f}" x2="{at:.1f}" y1="0" y2="{bottom:.1f}"/>')
        parts.append(_text(at, bottom + 13, label, anchor, "tick"))
    for i, (name, value, thin, thick, words) in enumerate(rows):
        y = i * ROW + 24
        parts += [_text(left, y - 9, name, "start", "name"), _text(right, y - 9, words, "end", "name")]
        if thick:
            width = max(x(thick[1]) - x(thick[0]), 1)
            parts.append(
                f'<rect class="thick" x="{x(thick[0]):.1f}" y="{y - BAR / 2}" width="{width:.1f}" height="{BAR}"/>'
            )
        if thin:
            parts.append(
                f'<line class="thin" x1="{x(thin[0]):.1f}" x2="{x(thin[1]):.1f}" y1="{y}" y2="{y}"/>'
            )
        if value is not None:
            parts.append(f'<circle class="dot" cx="{x(value):.1f}" cy="{y}" r="3.6"/>')
    label = "; ".join(f"{name}: {words}" for name, _, _, _, words in rows)
    return _svg(WIDE, bottom + 18, parts, label)


def roc_plot(area: Area) -> str:
    """The ROC curve, or nothing where there is none."""
    if area.value is None:
        return ""
    side, left, bottom = 280.0, 46.0, 290.0

    def at(point: tuple[float, float]) -> str:
        return f"{left + point[0] * side:.1f},{bottom - point[1] * side:.1f}"

    parts = [f'<rect class="field" x="{left}" y="{bottom - side}" width="{side}" height="{side}"/>']
    parts.append(f'<line class="grid" x1="{left}" y1="{bottom}" x2="{left + side}" y2="{bottom - side}"/>')
    for share in (0.0, 0.5, 1.0):
        parts.append(_text(left + share * side, bottom + 14, f"{share:g}", "middle", "tick"))
        parts.append(_text(left - 6, bottom - share * side + 4, f"{share:g}", "end", "tick"))
    parts.append(f'<polyline class="curve" points="{" ".join(at(point) for point in area.curve)}"/>')
    parts.append(
        _text(left + side / 2, bottom + 28, "share of absent marks that are higher", "middle", "tick")
    )
    parts.append(
        f'<text class="tick" transform="translate(12 {bottom - side / 2:.0f}) rotate(-90)" text-anchor="middle">'
        "share of present marks that are higher</text>"
    )
    return _svg(WIDE, bottom + 34, parts, f"ROC curve, area {area.value:.3f}")


def heights_plot(blanks: Sequence[float], lines: Sequence[float], limits: Sequence[tuple[str, float]]) -> str:
    """Heights of marks absent and present by consensus, on a scale that is even near zero and logarithmic beyond."""
    if not blanks and not lines:
        return ""
    knee = 0.01  # absorbance, where the scale turns
    left, right = EDGE, WIDE - EDGE

    def scale(height: float) -> float:
        return math.asinh(height / knee)

    low, high = scale(min([*blanks, *lines, -0.005])), scale(max([*blanks, *lines, 0.05]))

    def x(height: float) -> float:
        return left + (scale(height) - low) / (high - low) * (right - left)

    parts = []
    for tick in (-0.01, 0.0, 0.01, 0.03, 0.1, 0.3, 1.0):
        if low <= scale(tick) <= high:
            parts.append(f'<line class="grid" x1="{x(tick):.1f}" x2="{x(tick):.1f}" y1="26" y2="136"/>')
            parts.append(_text(x(tick), 150, f"{tick:g}", "middle", "tick"))
    for name, y, heights, colour in (
        ("absent by consensus", 42.0, blanks, ink.VERMILLION),
        ("present by consensus", 94.0, lines, ink.BLUE),
    ):
        parts.append(_text(right, y, name, "end", "name"))
        for i, height in enumerate(heights):
            row = y + 9 + i * GOLDEN % 1 * 28  # neighbours in order lie far apart, so dots hide none
            parts.append(
                f'<circle cx="{x(height):.1f}" cy="{row:.1f}" r="1.8" fill="{colour}" fill-opacity=".6"/>'
            )
    for i, (name, value) in enumerate(limits):
        parts.append(f'<line class="limit" x1="{x(value):.1f}" x2="{x(value):.1f}" y1="26" y2="136"/>')
        parts.append(_text(x(value) + 3, 22 - 12 * i, f"{name} {value:.4f}", "start", "tick"))
    return _svg(WIDE, 156, parts, f"{len(blanks)} heights absent, {len(lines)} present by consensus")


def _text(x: float, y: float, text: str, anchor: str, kind: str) -> str:
    clean = html.escape(ink.tidy(text))
    return f'<text class="{kind}" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{clean}</text>'


def _svg(width: float, height: float, parts: Iterable[str], label: str) -> str:
    title = html.escape(ink.tidy(label), quote=True)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" role="img" aria-label="{title}">'
        + "".join(parts)
        + "</svg>"
    )
