"""Several photos of one plate -> one measurement of each mark; and whether they are of one plate at all.

A mark's heights in several photos are combined as a meta-analysis combines studies: weighted by inverse
variance, with a variance between photos added to each photo's own (DerSimonian & Laird, Controlled Clinical
Trials 7, 1986, 177). Two or three photos tell little of that variance, and most marks need none, so it counts
by the odds that there is any. It enters the limit of blank too: glare or a hair in one photo cannot outvote
the others, and a mark on which photos disagree stays doubtful. (Its own degrees of freedom, one for two
photos, would leave every mark doubtful if they were taken as Hartung & Knapp do, Statistics in Medicine 20,
2001, 3875.)

The membrane is the same in all photos, so a part of each photo's error is common to all: it neither shows
between them nor shrinks with their number. What two photos have in common where no line is tells how large
that part is.

The combined measurement is called by the same rules as a single photo's.
"""

import math
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import combinations

import numpy as np

from reader.decide.call import MarkCall, has_lost
from reader.measure.blanks import BLANK_APART, MEMBRANE_FREEDOM, MEMBRANE_SD
from reader.measure.line_search import DEFAULT_BLUR_MM
from reader.measure.line_shape import DYE, LUMA, line_shape
from reader.measure.mark import MarkMeasurement, WindowFit
from reader.measure.rows import MARK_ZONE_MM
from reader.numbers.arrays import FloatArray
from reader.numbers.student import t_quantile
from reader.refusals import refuse
from reader.settings.values import Layout, Thresholds
from reader.verdict.model import Verdict
from reader.words import MarkKey

ODD_PHOTO = 0.1
"""Chance, before looking, that a mark's photos differ beyond their errors: that glare, a hair or a shadow
lies on it in one of them and its looks do not tell. Common practice, no source; from 0.05 to 0.2 hardly a
call changes."""
SHARED_MAX = 0.8
"""At most this share of a photo's variance is common to all; the rest is its light, noise and
registration."""
CONTRAST_SD = 0.07
"""How far one line's height differs between photos besides its error, as a share of it, 1 sigma: veiling
glare, tone curves, blur (0.05 on simulated and rendered photos in even light)."""
PROOF_MARKS = 4
"""So many lines of the same height in two photos prove one plate, where one mark alone contradicts: lines of
different plates are alike within CONTRAST_SD half of the time at most."""
BLANK_SHARE = 0.9
"""Share of a line's weight that must lie on blank rows for it to count as a blank line."""
CLOCK_NOT_SET_MIN = 24 * 60.0
"""Minutes from which a difference of two clocks says that one was never set (common practice, no source)."""
LOOKS = (
    "position_mm",
    "position_mm_se",
    "width_mm",
    "straightness_mm",
    "span",
    "shade_height",
    "shade_reach",
    "line_evidence",
)
COLOURS = ("dye_angle_deg", "dye_angle_deg_se", "dye_evidence", "which_dye_evidence")
"""What is averaged over photos: a line's looks, and what its colour says, which is of one dye only."""


@dataclass(frozen=True, kw_only=True, slots=True)
class RandomEffects:
    """The mean of several measurements of one thing, its standard error, the variance between them beyond
    their own (`between`), and their weights (sum 1)."""

    mean: float
    standard_error: float
    between: float
    weights: tuple[float, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class CombinedMark:
    """One mark out of several photos. between_sd : spread of its height between photos beyond their
    errors, 1 sigma; None where one photo alone speaks. weights : each photo's share in the height, 0 where
    it has none."""

    measurement: MarkMeasurement
    between_sd: float | None
    weights: tuple[float, ...]


CombinedMarks = Mapping[MarkKey, CombinedMark]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class PlatePhoto:
    """One photo of a set as it was read by itself: its fits and calls, in the layout's order."""

    name: str
    layout: Layout
    fits: tuple[WindowFit, ...]
    calls: tuple[MarkCall, ...]

    def marks(self) -> dict[MarkKey, tuple[MarkMeasurement, MarkCall]]:
        """Every mark's measurement and call."""
        called = {(call.window, call.mark): call for call in self.calls}
        return {
            (mark.window, mark.mark): (mark, called[mark.window, mark.mark])
            for fit in self.fits
            for mark in (fit.indicator, fit.reference)
        }


@dataclass(frozen=True, kw_only=True, slots=True)
class Disagreement:
    """What photos of one plate do not agree on: a sentence a mark, and the photos (by index) that stand
    alone with a mark against two and more that agree on it."""

    warnings: tuple[str, ...]
    alone: frozenset[tuple[MarkKey, int]]


@dataclass(frozen=True, kw_only=True, slots=True)
class PhotoSet:
    """Photos that may be read as one: every photo's own verdict, the indices of those that are used, and a
    sentence for each that is not."""

    readings: tuple[Verdict, ...]
    used: tuple[int, ...]
    warnings: tuple[str, ...]

    def weights(self, combined: CombinedMarks) -> dict[MarkKey, tuple[float, ...]]:
        """Each mark's weight by reading, 0 for photos that are not used."""
        at = {k: index for index, k in enumerate(self.used)}
        return {
            key: tuple(mark.weights[at[k]] if k in at else 0.0 for k in range(len(self.readings)))
            for key, mark in combined.items()
        }


# -- which photos go together -----------------------------------------------------------------------------


def check_set(readings: Sequence[Verdict], *, age_stated: bool) -> PhotoSet:
    """Find the photos that may be read as one plate's, by what each one's own verdict says.

    Photos that are refused, or outside the reading time while others are not, are left out. age_stated : the
    user vouches for the reading age of all photos, so their clocks do not count. Raises PhotoRefusedError
    where the set is none: fewer than two photos are left, one is there twice, layouts differ, or capture
    times are too far apart.
    """
    if len(readings) < 2:
        refuse("one_photo")
    names = _names(readings)
    for a, b in combinations(range(len(readings)), 2):
        if None is not readings[a].photo.sha256 == readings[b].photo.sha256:
            refuse("same_photo", first=names[a], second=names[b])
    left_out = {k: reading.reason or "" for k, reading in enumerate(readings) if reading.status == "refused"}
    _check_layouts(readings, names)
    apart, odd_clocks = ({}, []) if age_stated else _too_far_apart(readings, names)
    left_out |= apart
    left_out |= _out_of_time({k: reading for k, reading in enumerate(readings) if k not in left_out})
    used = tuple(k for k in range(len(readings)) if k not in left_out)
    warnings = tuple([f"{names[k]} is left out: {left_out[k]}" for k in sorted(left_out)] + odd_clocks)
    if len(used) < 2:
        refuse(
            "times_apart" if apart else "too_few_photos",
            left=f"only {names[used[0]]} is" if used else "none is",
            count=len(readings),
            why="; ".join(warnings),
            alone=f", or read {names[used[0]]} by itself" if used else "",
        )
    return PhotoSet(readings=tuple(readings), used=used, warnings=warnings)


def _names(readings: Sequence[Verdict]) -> list[str]:
    """The photos' names, with their number in the set where two share one."""
    counts = Counter(reading.photo.name for reading in readings)
    return [
        reading.photo.name if counts[reading.photo.name] == 1 else f"photo {k + 1} ({reading.photo.name})"
        for k, reading in enumerate(readings)
    ]


def _check_layouts(readings: Sequence[Verdict], names: Sequence[str]) -> None:
    layouts = {k: layout for k, reading in enumerate(readings) if (layout := reading.layout) is not None}
    if len({layout.sha256 for layout in layouts.values()}) > 1:
        found = ", ".join(f"{names[k]} a {layout.name} plate" for k, layout in layouts.items())
        refuse("other_layout", found=found)


def _too_far_apart(readings: Sequence[Verdict], names: Sequence[str]) -> tuple[dict[int, str], list[str]]:
    """Photos that cannot lie in one reading time with the first that has a capture time; and doubts of clocks.

    Nobody photographs a plate again after days for the same reading: clocks that differ by so much are of two
    cameras, one of them not set. They prove nothing about the plate, so such a photo is kept and the clocks are
    told. Clocks that know their offset from UTC and clocks that do not are not compared.
    """
    apart: dict[int, str] = {}
    odd_clocks: list[str] = []
    first: dict[bool, tuple[str, datetime]] = {}
    for k, reading in enumerate(readings):
        taken, age = reading.photo.captured_at, reading.reading_age
        if taken is None or age is None or age.range_minutes is None:
            continue
        anchor, begun = first.setdefault(taken.tzinfo is None, (names[k], taken))
        minutes = abs((taken - begun).total_seconds()) / 60
        window = age.range_minutes[1] - age.range_minutes[0]
        if minutes > CLOCK_NOT_SET_MIN:
            odd_clocks.append(
                f"the clocks behind {anchor} and {names[k]} differ by {_in_words(minutes)}, so one of them is not set: "
                "make sure that both photos were taken within the plate's reading time"
            )
        elif minutes > window:
            apart[k] = (
                f"by their clocks it was taken {_in_words(minutes)} apart from {anchor}, but a plate may be "
                f"read for {window:g} min only"
            )
    return apart, odd_clocks


def _out_of_time(readings: Mapping[int, Verdict]) -> dict[int, str]:
    """Photos outside the reading time while others are not; of early and late ones alone, the late ones."""
    ages = {k: reading.reading_age for k, reading in readings.items()}
    for kinds in (("in_range", "unknown", "contradictory"), ("early",), ("late",)):
        if any(age is not None and age.status in kinds for age in ages.values()):
            return {k: age.sentence for k, age in ages.items() if age is not None and age.status not in kinds}
    return {}


def check_contradictions(photos: Sequence[PlatePhoto], thresholds: Thresholds) -> Disagreement:
    """Find marks on which photos exclude each other beyond their errors.

    One mark may do so in photos of one plate, as when a hair lies on it in one of them, if enough others
    prove the plate. The chance that two heights of one line are told apart is that of one false call on a
    plate, shared among all comparisons. Raises PhotoRefusedError where the photos cannot be of one plate.
    """
    read = [photo.marks() for photo in photos]
    pairs = list(combinations(range(len(photos)), 2))
    chance = thresholds.false_calls_per_plate / max(1, len(pairs) * len(read[0]))
    found = [
        (key, a, b) for key in read[0] for a, b in pairs if _contradict(*read[a][key], *read[b][key], chance)
    ]
    if not found:
        return Disagreement(warnings=(), alone=frozenset())
    keys = list(dict.fromkeys(key for key, _, _ in found))
    told = _told(keys[0], photos, *next((a, b) for key, a, b in found if key == keys[0]))
    proved = all(_alike(read[a], read[b], keys[0]) >= PROOF_MARKS for a, b in pairs)
    odd = [k for k in range(len(photos)) if all(k in pair for _, *pair in found)] if len(photos) > 2 else []
    if (
        len(keys) > 1
        or not proved
        or _other_dyes(read[found[0][1]][keys[0]][1], read[found[0][2]][keys[0]][1])
    ):
        others = len(keys) - 1
        refuse(
            "not_one_plate",
            found=told + (f", and so for {others} more mark{'s' if others > 1 else ''}" if others else ""),
            odd=f"; the others agree without {photos[odd[0]].name}" if len(odd) == 1 else "",
        )
    outcome = (
        f"it counts without {photos[odd[0]].name}" if len(odd) == 1 else "something lies on it in one of them"
    )
    return Disagreement(
        warnings=(f"photos disagree: {told}; {outcome}",),
        alone=frozenset((keys[0], k) for k in odd if len(odd) == 1),
    )


def _contradict(
    one: MarkMeasurement, one_call: MarkCall, other: MarkMeasurement, other_call: MarkCall, chance: float
) -> bool:
    """Whether what two photos show, undisturbed, excludes each other: other dyes, or heights beyond
    errors."""
    if one_call.disturbed or other_call.disturbed:
        return False
    limit = t_quantile(1 - chance / 2, min(one.blank_n, other.blank_n))
    return _other_dyes(one_call, other_call) or _difference(one, other) > limit


def _other_dyes(one: MarkCall, other: MarkCall) -> bool:
    return {one.call, other.call} == {"present", "undeveloped"}


def _difference(one: MarkMeasurement, other: MarkMeasurement) -> float:
    """How many standard errors of their difference lie between two heights; 0 where one is not known."""
    if None in (one.height, other.height, one.standard_error, other.standard_error):
        return 0.0
    heights = np.array([one.height, other.height], float)
    errors = np.array([one.standard_error, other.standard_error], float)
    variance = float((errors**2).sum() + ((CONTRAST_SD * heights) ** 2).sum())
    return abs(float(heights[0] - heights[1])) / math.sqrt(variance)


def _alike(
    one: Mapping[MarkKey, tuple[MarkMeasurement, MarkCall]],
    other: Mapping[MarkKey, tuple[MarkMeasurement, MarkCall]],
    without: MarkKey,
) -> int:
    """How many lines, present in both photos, are of one height within two standard errors."""
    return sum(
        one[key][1].call == other[key][1].call == "present" and _difference(one[key][0], other[key][0]) < 2
        for key in one
        if key != without
    )


def _told(key: MarkKey, photos: Sequence[PlatePhoto], a: int, b: int) -> str:
    """What two photos say of a mark."""
    sides = [(photos[k].name, *photos[k].marks()[key]) for k in (a, b)]
    same = sides[0][2].call == sides[1][2].call
    words = [
        f"{measured.height:.4f} \u00b1 {measured.standard_error:.4f} high in {name}"
        if same
        else f"{call.call} ({measured.height:.4f} \u00b1 {measured.standard_error:.4f}) in {name}"
        for name, measured, call in sides
    ]
    return f"the {key[1]} of window {key[0]} is {words[0]} but {words[1]}"


def _in_words(minutes: float) -> str:
    """A span of time in the largest unit of which it has two."""
    for unit, size in (("days", 1440), ("h", 60)):
        if minutes >= 2 * size:
            return f"{minutes / size:.0f} {unit}"
    return f"{minutes:.0f} min"


# -- one measurement out of several -----------------------------------------------------------------------


def random_effects(values: Sequence[float], variances: Sequence[float]) -> RandomEffects:
    """Combine values by inverse variance with DerSimonian and Laird's variance between them.

    variances : of each value by itself, independent of each other.
    """
    y, v = np.asarray(values, float), np.asarray(variances, float)
    w = 1 / v
    q = float(w @ (y - w @ y / w.sum()) ** 2)
    spare = float(w.sum() - (w**2).sum() / w.sum())
    return _weigh(y, v, max(0.0, (q - (len(y) - 1)) / spare) if len(y) > 1 else 0.0)


def _weigh(y: FloatArray, v: FloatArray, between: float) -> RandomEffects:
    w = 1 / (v + between)
    return RandomEffects(
        mean=float(w @ y / w.sum()),
        standard_error=float(1 / math.sqrt(w.sum())),
        between=between,
        weights=tuple((w / w.sum()).tolist()),
    )


def combine_heights(heights: Sequence[float], variances: Sequence[float]) -> RandomEffects:
    """Combine one mark's heights: DerSimonian and Laird's variance between photos, as far as it is likely at
    all.

    It is weighted by its posterior odds: those before looking (ODD_PHOTO) times the ratio of the restricted
    likelihoods with and without it.
    """
    found = random_effects(heights, variances)
    y, v = np.asarray(heights, float), np.asarray(variances, float)
    gain = _log_likelihood(y, v, found.between) - _log_likelihood(y, v, 0.0)
    return _weigh(y, v, found.between / (1 + (1 - ODD_PHOTO) / ODD_PHOTO * math.exp(-gain)))


def _log_likelihood(y: FloatArray, v: FloatArray, between: float) -> float:
    """Restricted log likelihood, but for a constant, of values of one unknown mean."""
    w = 1 / (v + between)
    return float(np.log(w).sum() - np.log(w.sum()) - w @ (y - w @ y / w.sum()) ** 2) / 2


def combine_photos(
    photos: Sequence[PlatePhoto], alone: Collection[tuple[MarkKey, int]] = ()
) -> dict[MarkKey, CombinedMark]:
    """Combine every mark over photos of one plate; alone : marks of photos that stand against all others.

    A photo in which a mark's place is hidden, or shows something other than a line or its lack (glare, a
    hair, a shadow's edge), carries no weight for that mark; where none is left, the best of them stands for
    itself.
    """
    layout = photos[0].layout
    alike, places = membrane_correlation([photo.fits for photo in photos], layout)
    read = [photo.marks() for photo in photos]

    def combine(key: MarkKey) -> CombinedMark:
        seen = [marks[key] for marks in read]
        place = layout.marks.indicator if key[1] == "indicator" else layout.marks.reference
        return _combine_mark(
            [measured for measured, _ in seen],
            [call.disturbed or (key, k) in alone for k, (_, call) in enumerate(seen)],
            usual=(MEMBRANE_SD / float(LUMA @ DYE[place.colour])) ** 2,
            alike=alike,
            places=places,
        )

    return {key: combine(key) for key in read[0]}


def combined_fits(fits: Sequence[WindowFit], combined: CombinedMarks) -> tuple[WindowFit, ...]:
    """One photo's curves with the combined measurements in place of its own."""
    return tuple(
        replace(
            fit,
            indicator=combined[fit.window, "indicator"].measurement,
            reference=combined[fit.window, "reference"].measurement,
        )
        for fit in fits
    )


def membrane_correlation(photos: Sequence[Sequence[WindowFit]], layout: Layout) -> tuple[float, float]:
    """Correlation between photos of the heights found where no line is, and how many places it rests on.

    Light, noise and registration are each photo's own, so what correlates is the membrane.
    """
    blanks = [{fit.window: _blank_heights(fit, layout) for fit in fits} for fits in photos]
    cross = scale = places = 0.0
    for a, b in combinations(blanks, 2):
        products = np.zeros(3)
        for window in a.keys() & b.keys():
            (mm, x), (mm_b, y) = a[window], b[window]
            _, in_a, in_b = np.intersect1d(mm, mm_b, assume_unique=True, return_indices=True)
            x, y = x[in_a], y[in_b]
            products += (x @ y, x @ x, y @ y)
            if len(x) > 1:
                places += float(np.diff(mm).min()) * len(x) / (BLANK_APART * layout.marks.indicator.width)
        cross += products[0]
        scale += math.sqrt(products[1] * products[2])
    return (cross / scale if scale > 0 else 0.0), places / max(1, len(photos) - 1)


def _blank_heights(fit: WindowFit, layout: Layout) -> tuple[FloatArray, FloatArray]:
    """Places, mm, where no mark can lie, and the heights there of lines fitted to what the fit leaves
    over."""
    x = fit.position_mm
    blank = np.asarray(fit.used, bool)
    for mark in layout.marks.both:
        blank = blank & (np.abs(x - mark.position) > mark.width / 2 + MARK_ZONE_MM)
    places = x[blank]
    shapes = line_shape(x[:, None] - places[None], layout.marks.indicator.width, DEFAULT_BLUR_MM)
    seen = shapes * blank[:, None]
    whole = seen.sum(axis=0) >= BLANK_SHARE * shapes.sum(axis=0)
    rest = np.where(blank, fit.absorbance - fit.fit, 0.0)
    return np.round(places[whole], 3), rest @ seen[:, whole] / (seen[:, whole] ** 2).sum(axis=0)


def _combine_mark(
    measured: Sequence[MarkMeasurement],
    disturbed: Sequence[bool],
    *,
    usual: float,
    alike: float,
    places: float,
) -> CombinedMark:
    errors = {k: m.standard_error for k, m in enumerate(measured) if m.standard_error is not None}
    used = [k for k in errors if not disturbed[k]]
    whole = [k for k in used if not has_lost(measured[k])]
    used = whole or used  # a photo that may have lost the line says nothing beside one that has not
    if len(used) < 2:
        best = used[0] if used else min(errors, key=errors.__getitem__, default=0)
        weights = tuple(float(k == best and k in errors) for k in range(len(measured)))
        return CombinedMark(measurement=measured[best], between_sd=None, weights=weights)
    own = np.array([errors[k] for k in used])
    shared = _shared_variance(own, usual=usual, alike=alike, places=places)
    heights = [height for k in used if (height := measured[k].height) is not None]
    found = combine_heights(heights, (own**2 - shared).tolist())
    share = dict(zip(used, found.weights, strict=True))
    return CombinedMark(
        measurement=_pool([measured[k] for k in used], found, own, shared),
        between_sd=math.sqrt(found.between),
        weights=tuple(share.get(k, 0.0) for k in range(len(measured))),
    )


def _shared_variance(errors: FloatArray, *, usual: float, alike: float, places: float) -> float:
    """The variance that a mark's photos have in common: what this plate's blanks say, and a membrane's usual
    unevenness, each by its degrees of freedom."""
    found = alike * float(np.exp(np.log(errors**2).mean()))
    shared = (places * found + MEMBRANE_FREEDOM * usual) / (places + MEMBRANE_FREEDOM)
    return float(np.clip(shared, 0.0, SHARED_MAX * (errors**2).min()))


def _pool(
    marks: Sequence[MarkMeasurement], found: RandomEffects, errors: FloatArray, shared: float
) -> MarkMeasurement:
    """The combined measurement; looks are means, by the heights' weights, over the photos that could tell
    them."""
    a = np.array(found.weights)
    spreads = np.array([mark.blank_sd for mark in marks])
    freedom = np.array([mark.blank_n for mark in marks])
    common = spreads / errors * math.sqrt(shared)
    parts = np.append(a**2 * (spreads**2 - common**2), float(a @ common) ** 2)
    blank_variance = float(parts.sum())
    dye = max(
        ((w, mark.dye) for w, mark in zip(a, marks, strict=True) if mark.dye is not None), default=(0, None)
    )[1]

    def mean(values: Sequence[float | None]) -> float | None:
        told = [(w, value) for w, value in zip(a, values, strict=True) if value is not None]
        return float(sum(w * value for w, value in told) / sum(w for w, _ in told)) if told else None

    seen = [mark.plastic for mark in marks]
    return MarkMeasurement(
        window=marks[0].window,
        mark=marks[0].mark,
        height=found.mean,
        standard_error=math.sqrt(found.standard_error**2 + shared),
        dye=dye,
        plastic=None if None in seen else all(seen),
        **{name: mean([getattr(mark, name) for mark in marks]) for name in LOOKS},
        **{
            name: mean([getattr(mark, name) if mark.dye == dye else None for mark in marks])
            for name in COLOURS
        },
        blank_mean=float(a @ np.array([mark.blank_mean for mark in marks])),
        blank_sd=math.sqrt(blank_variance + found.between * float((a**2).sum())),
        blank_n=blank_variance**2 / float((parts**2 / np.append(freedom, freedom.min())).sum()),
        flags=tuple(
            flag
            for flag in dict.fromkeys(flag for mark in marks for flag in mark.flags)
            if not (flag == "colour_not_carried" and dye is not None)
        ),
    )
