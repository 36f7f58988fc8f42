"""Agreement, validation and proposals as JSON; the first two as pages complete in themselves, with charts as SVG.

Figures come from the report alone and reach the page through templates, which escape everything but the charts.
"""

import dataclasses
import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from reader.draw import ink
from reader.draw.charts import IntervalRow, heights_chart, intervals_chart, roc_chart, round_up_axis
from reader.draw.templates import render
from reader.files.bundled import DATA
from reader.library.agreement.agree import Agreement, Comparison, Part
from reader.library.agreement.by_plate import CONFIDENCE
from reader.library.agreement.rates import Rate
from reader.library.agreement.two_callers import Kappa
from reader.library.agreement.validate import Validation, percent
from reader.library.limits.fit import Proposal
from reader.numbers.arrays import Interval
from reader.verdict.model import SettingsRecord
from reader.version import VERSION
from reader.words import as_sentence

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
    return (json.dumps(_round(content), indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def _round(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.{DIGITS}g}") + 0.0
    if isinstance(value, dict):
        return {key: _round(inner) for key, inner in value.items()}
    return [_round(inner) for inner in value] if isinstance(value, list | tuple) else value


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
            name: _rates_chart([row for row in rows if row[1].value is not None], zero=True)
            for name, rows in errors.items()
            if any(rate.value is not None for _, rate in rows)
        },
        heights=heights_chart(report.blanks, report.lines, limits),
        roc="" if report.roc.value is None else roc_chart(report.roc.curve, report.roc.value),
        hashes_shown=HASHES_SHOWN,
    )


def _render(template: str, **content: object) -> bytes:
    known = {"methods": METHODS, "version": VERSION, "no_value": NO_VALUE}
    return render(template, [TEMPLATES], known | content, FILTERS)


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
    "sentence": as_sentence,
    "at_most": percent,
}


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
        title: _rates_chart(shown)
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
    return _kappas_chart(rows) if rows else ""


def _rates_chart(rows: Sequence[tuple[str, Rate]], *, zero: bool = False) -> str:
    """Shares with their intervals: thin as if marks were independent, thick by plate. `zero`: the axis starts there."""
    both = [interval for _, rate in rows for interval in (rate.wilson, rate.by_plate) if interval]
    bounds = [bound for interval in both for bound in interval]
    low, high = (0.0, round_up_axis(max(bounds))) if zero else (1 - round_up_axis(1 - min(bounds)), 1.0)
    shown = [
        IntervalRow(
            name=name,
            value=rate.value,
            thin=rate.wilson,
            thick=rate.by_plate,
            words=f"{rate.hits:,} of {rate.of:,}: {share_words(rate.value)}",
        )
        for name, rate in rows
    ]
    return intervals_chart(shown, low, high, [f"{100 * (low + (high - low) * i / 4):g} %" for i in range(5)])


def _kappas_chart(rows: Sequence[tuple[str, Kappa]]) -> str:
    """Kappas with their intervals, from 0 or below to 1."""
    lows = [i[0] for _, kappa in rows for i in (kappa.interval, kappa.by_plate) if i]
    least = min([0.0, *(kappa.value or 0.0 for _, kappa in rows), *lows])
    low = -round_up_axis(-least) if least < 0 else 0.0
    shown = [
        IntervalRow(
            name=name,
            value=kappa.value,
            thin=kappa.interval,
            thick=kappa.by_plate,
            words=f"{number_words(kappa.value)} ({kappa.n:,} marks)",
        )
        for name, kappa in rows
    ]
    return intervals_chart(shown, low, 1.0, [f"{low + (1 - low) * i / 4:.3g}" for i in range(5)])
