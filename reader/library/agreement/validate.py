"""linecall measured on a library as a laboratory measures its method: limits, repeats, calls, ROC, and what they prove.

The two errors stay apart. Wrong present: the consensus has no line there, or an undeveloped reference mark. Wrong
absent: the consensus has one. A doubtful call is neither, and is counted by itself. Strength is the contrast class by
linecall's own measured height, so a table by strength says where errors lie, not how often lines of a true strength
are missed.
"""

import csv
import hashlib
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import NDArray

from reader.errors import LinecallError
from reader.files.csv_cells import plain_cell
from reader.files.plain import read_plain
from reader.library.agreement.by_plate import MARKS_MIN, PLATES_MIN, IntArray
from reader.library.agreement.columns import (
    ABSENT,
    DOUBTFUL,
    MARKS,
    NONE,
    PRESENT,
    UNDEVELOPED,
    Columns,
    columns,
)
from reader.library.agreement.components import Components, variance_components
from reader.library.agreement.detection import (
    BlankLimit,
    DetectionLimit,
    LineLimits,
    corrected_quantile,
    limit_of_blank,
    limit_of_detection,
    line_limits,
)
from reader.library.agreement.rates import Rate, marks_to_show, most_that_may_err, rate
from reader.library.agreement.roc import Area, roc_area
from reader.library.strength import STRENGTHS
from reader.words import MarkName, counted

if TYPE_CHECKING:
    from reader.library.tidy import MarkRow

Mask = NDArray[np.bool_]
By = Literal["all", "strength", "light", "layout"]
KnownHeights = Mapping[tuple[str, str, str], float]
"""Height (absorbance) that a mark is known to have, by example, window and mark."""

LOW_TIMES: Final = (
    5.0  # a low mark: up to so many limits of blank (EP17 measures limits on samples near them; from memory)
)
FALSE_CALLS_PER_PLATE: Final = (
    0.01  # chance of one wrong present on a whole plate; a mark's own share of it is far smaller
)
TARGETS: Final = (0.05, 0.01)  # error rates that a validation is asked to exclude
SHOWN: Final = 400  # heights in a drawing
KNOWN_COLUMNS: Final = ("example", "window", "mark", "height")
HEIGHT_MAX: Final = 4.0  # absorbance; no membrane and camera show more, the number is in another unit
NOT_THERE: Final[Mapping[MarkName, str]] = {"indicator": "absent", "reference": "absent or undeveloped"}
"""What is held against present. An undeveloped reference mark has only its starting dye: the window did not work."""
INDICATOR: Final = MARKS.index("indicator")


@dataclass(frozen=True, kw_only=True, slots=True)
class Limits:
    """Limits of indicator marks in one light, or in all. blank : at 5 % wrong presents a mark, as EP17 has it.

    blank_for_plate : at 1 % a whole plate of `marks_per_plate`. detection : from low marks photographed again.
    detection_if_even : what it would be if low marks spread as blanks do (Currie 1968): assumed, not measured.
    """

    light: str | None
    marks_per_plate: int
    blank: BlankLimit
    blank_for_plate: BlankLimit
    detection: DetectionLimit
    detection_if_even: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class Repeats:
    """Heights of marks that were photographed again, of one strength or all; conditions are the kinds of light.

    stated : root mean square of the standard errors that linecall gave them, to hold against the repeatability.
    """

    strength: str | None
    components: Components
    stated: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class CallRates:
    """linecall's calls on marks that have a consensus, of one group. median_height : absorbance.

    wrong_present, doubtful_if_absent : among marks that are not there by consensus; wrong_absent, doubtful_if_present :
    among those that are.
    """

    mark: MarkName
    by: By
    group: str | None
    marks: int
    median_height: float | None
    wrong_present: Rate
    doubtful_if_absent: Rate
    wrong_absent: Rate
    doubtful_if_present: Rate


@dataclass(frozen=True, kw_only=True, slots=True)
class PhotoRates:
    """Photos with one such call at least on any of their marks: what a user meets."""

    wrong_present: Rate
    wrong_absent: Rate
    doubtful: Rate


@dataclass(frozen=True, kw_only=True, slots=True)
class Validation:
    """The whole report.

    hashes : (example, SHA-256 of its photo), sorted. digest : SHA-256 of their lines, `sha256  example`. blanks,
    lines : heights of indicator marks that are not there, or there, by consensus; quantiles of them where many.
    """

    examples: int
    plates: int
    marks: int
    no_consensus: int
    doubtful_consensus: int
    limits: tuple[Limits, ...]
    line: LineLimits | None
    repeats: tuple[Repeats, ...]
    calls: tuple[CallRates, ...]
    photos: PhotoRates
    doubts: tuple[tuple[MarkName, Rate], ...]
    roc: Area
    proves: tuple[str, ...]
    notes: tuple[str, ...]
    hashes: tuple[tuple[str, str], ...]
    digest: str
    blanks: tuple[float, ...]
    lines: tuple[float, ...]


def validate(rows: Iterable["MarkRow"], *, known: KnownHeights | None = None) -> Validation:
    """Measure linecall on these rows. known : heights that marks are known to have, for a calibration line.

    Raises LinecallError where rows contradict the library's terms, or `known` names a mark that they do not hold.
    """
    marks = columns(rows)
    there, not_there = (
        marks.consensus == PRESENT,
        (marks.consensus == ABSENT) | (marks.consensus == UNDEVELOPED),
    )
    indicator = marks.mark == INDICATOR
    measured = indicator & np.isfinite(marks.height)
    calls = tuple(_all_rates(marks, there, not_there))
    hashes = tuple(sorted(zip(marks.examples, marks.sha256, strict=True)))
    return Validation(
        examples=len(marks.examples),
        plates=len(marks.plates),
        marks=len(marks),
        no_consensus=int(np.count_nonzero(marks.consensus == NONE)),
        doubtful_consensus=int(np.count_nonzero(marks.consensus == DOUBTFUL)),
        limits=tuple(_all_limits(marks, measured & not_there, measured & there)),
        line=None if known is None else _line(marks, known),
        repeats=tuple(_all_repeats(marks)),
        calls=calls,
        photos=_photo_rates(marks, there, not_there),
        doubts=tuple(
            (MARKS[mark], _rate(marks, marks.tool == DOUBTFUL, marks.mark == mark))
            for mark in range(len(MARKS))
            if (marks.mark == mark).any()
        ),
        roc=_roc(marks, measured, there, not_there),
        proves=tuple(_proves(calls)),
        notes=tuple(_notes(marks)),
        hashes=hashes,
        digest=hashlib.sha256("".join(f"{sha}  {id}\n" for id, sha in hashes).encode()).hexdigest(),
        blanks=_spread(marks.height[measured & not_there]),
        lines=_spread(marks.height[measured & there]),
    )


def _notes(marks: Columns) -> Iterator[str]:
    """What a reader must know of the numbers."""
    yield (
        f"{counted(len(marks), 'mark')} of {counted(len(marks.examples), 'photo')} come from "
        f"{counted(len(marks.plates), 'plate')}. Marks of one plate are not independent: "
        "believe the intervals by plate."
    )
    yield (
        "What is right is the consensus of people, not a reference method. Where people judged from the same photo, "
        "a line that none of them could see counts as absent."
    )
    yield (
        "These numbers hold for plates, phones and light like those in this library, in its mixture; they say nothing "
        "of the fuel."
    )


def _spread(heights: NDArray[np.float64]) -> tuple[float, ...]:
    """Heights in order, for a drawing: all, or as many quantiles as one can see."""
    if len(heights) <= SHOWN:
        return tuple(float(height) for height in np.sort(heights))
    return tuple(float(height) for height in np.quantile(heights, np.linspace(0, 1, SHOWN)))


# ------------------------------------------------------------------------------------------ limits


def _all_limits(marks: Columns, blank: Mask, line: Mask) -> Iterator[Limits]:
    """Limits over all light, and in each kind of light that has blanks enough."""
    per_plate = int(np.median(np.bincount(marks.example))) if len(marks) else 1
    yield _limits(marks, blank, line, None, per_plate)
    if len(marks.lights) > 1:
        for code, light in enumerate(marks.lights):
            here = marks.light == code
            if np.count_nonzero(blank & here) >= MARKS_MIN:
                yield _limits(marks, blank & here, line & here, light, per_plate)


def _limits(marks: Columns, blank: Mask, line: Mask, light: str | None, per_plate: int) -> Limits:
    heights, plate = marks.height[blank], marks.plate[blank]
    found = limit_of_blank(heights, plate)
    share = 1 - (1 - FALSE_CALLS_PER_PLATE) ** (1 / per_plate)
    low = np.zeros(len(marks), bool)
    item = _items(marks)
    if found.parametric is not None and line.any():
        of_line = item[line]
        mean = np.bincount(of_line, marks.height[line]) / np.maximum(np.bincount(of_line), 1)
        low[line] = mean[of_line] <= LOW_TIMES * found.parametric
    even = None
    if found.parametric is not None and found.sd is not None:
        even = found.parametric + corrected_quantile(0.95, found.n - 1) * found.sd
    return Limits(
        light=light,
        marks_per_plate=per_plate,
        blank=found,
        blank_for_plate=limit_of_blank(heights, plate, share),
        detection=limit_of_detection(marks.height[low], item[low], found),
        detection_if_even=even,
    )


def _items(marks: Columns) -> IntArray:
    """Which marks are the same mark of the same plate, in several photos."""
    n_windows = len(marks.windows)
    key: IntArray = (marks.plate.astype(np.int64) * n_windows + marks.window) * len(MARKS) + marks.mark
    return np.asarray(np.unique(key, return_inverse=True)[1])


def _line(marks: Columns, known: KnownHeights) -> LineLimits:
    """The calibration line through marks of known height."""
    wanted = {example for example, _, _ in known}
    among = np.array([example in wanted for example in marks.examples], bool)
    places = {
        (marks.examples[marks.example[i]], marks.windows[marks.window[i]], MARKS[marks.mark[i]]): i
        for i in np.flatnonzero(among[marks.example])
    }
    missing = sorted(known.keys() - places.keys())
    if missing:
        example, window, mark = missing[0]
        raise LinecallError(
            f"known heights: the {mark} of window {window} of example {example} is not among these examples; "
            "check the names, or the filters"
        )
    found = [(height, marks.height[places[key]]) for key, height in sorted(known.items())]
    usable = np.array([(height, measured) for height, measured in found if np.isfinite(measured)]).reshape(
        -1, 2
    )
    return line_limits(usable[:, 0], usable[:, 1])


# ------------------------------------------------------------------------------------------ repeats


def _all_repeats(marks: Columns) -> Iterator[Repeats]:
    """Components over all strengths and for each; a mark has the strength of its first photo."""
    seen = np.isfinite(marks.height) & (marks.mark == INDICATOR)
    item = _items(marks)
    _, first, of = np.unique(item, return_index=True, return_inverse=True)
    strength = marks.strength[first[of]]
    overall = _repeats(marks, seen, item, None)
    yield overall
    if overall.components.repeatability is None:
        return
    for code in _strongest_first(marks, strength[seen]):
        yield _repeats(marks, seen & (strength == code), item, marks.strengths[code])


def _repeats(marks: Columns, here: Mask, item: IntArray, strength: str | None) -> Repeats:
    errors = marks.standard_error[
        here & (np.bincount(item[here], minlength=item.max(initial=0) + 1)[item] > 1)
    ]
    errors = errors[np.isfinite(errors)]
    return Repeats(
        strength=strength,
        components=variance_components(marks.height[here], item[here], marks.light[here]),
        stated=math.sqrt(float((errors**2).mean())) if len(errors) else None,
    )


def _strongest_first(marks: Columns, strength: NDArray[np.int32]) -> list[int]:
    """Codes of the contrast classes that occur, from strong to faint."""
    order: dict[str, int] = {name: rank for rank, name in enumerate(STRENGTHS)}
    occurring = (int(code) for code in np.unique(strength))
    return sorted(occurring, key=lambda code: order.get(marks.strengths[code], len(order)))


# ------------------------------------------------------------------------------------------ calls


def _all_rates(marks: Columns, there: Mask, not_there: Mask) -> Iterator[CallRates]:
    """Both kinds of mark; indicator marks by strength, light and layout, too."""
    for code, mark in enumerate(MARKS):
        here = marks.mark == code
        if (here & (there | not_there)).any():
            yield _call_rates(marks, here, there, not_there, mark, "all", None)
    here = marks.mark == INDICATOR
    groups: tuple[tuple[By, NDArray[np.int32], tuple[str, ...], list[int]], ...] = (
        ("strength", marks.strength, marks.strengths, _strongest_first(marks, marks.strength)),
        ("light", marks.light, marks.lights, list(range(len(marks.lights)))),
        ("layout", marks.layout, marks.layouts, list(range(len(marks.layouts)))),
    )
    for by, codes, names, order in groups:
        for code in order:
            group = here & (codes == code)
            if (group & (there | not_there)).any():
                yield _call_rates(marks, group, there, not_there, "indicator", by, names[code])


def _call_rates(
    marks: Columns, here: Mask, there: Mask, not_there: Mask, mark: MarkName, by: By, group: str | None
) -> CallRates:
    called_present, doubtful = marks.tool == PRESENT, marks.tool == DOUBTFUL
    heights = marks.height[here & (there | not_there) & np.isfinite(marks.height)]
    return CallRates(
        mark=mark,
        by=by,
        group=group,
        marks=int(np.count_nonzero(here & (there | not_there))),
        median_height=float(np.median(heights)) if len(heights) else None,
        wrong_present=_rate(marks, called_present, here & not_there),
        doubtful_if_absent=_rate(marks, doubtful, here & not_there),
        wrong_absent=_rate(marks, ~called_present & ~doubtful, here & there),
        doubtful_if_present=_rate(marks, doubtful, here & there),
    )


def _rate(marks: Columns, hit: Mask, among: Mask) -> Rate:
    n = len(marks.plates)
    return rate(
        np.bincount(marks.plate[among & hit], minlength=n), np.bincount(marks.plate[among], minlength=n)
    )


def _photo_rates(marks: Columns, there: Mask, not_there: Mask) -> PhotoRates:
    """Shares of photos, each of which counts once; photos of one plate lie together."""
    n = len(marks.examples)
    plate = np.zeros(n, np.int64)
    plate[marks.example] = marks.plate

    def share(hit: Mask, among: Mask) -> Rate:
        hits, of = (np.bincount(marks.example[mask], minlength=n) > 0 for mask in (hit & among, among))
        plates = len(marks.plates)
        return rate(np.bincount(plate[hits], minlength=plates), np.bincount(plate[of], minlength=plates))

    doubtful = marks.tool == DOUBTFUL
    return PhotoRates(
        wrong_present=share(marks.tool == PRESENT, not_there),
        wrong_absent=share((marks.tool != PRESENT) & ~doubtful, there),
        doubtful=share(doubtful, np.ones(len(marks), bool)),
    )


def _roc(marks: Columns, measured: Mask, there: Mask, not_there: Mask) -> Area:
    here = measured & (there | not_there)
    return roc_area(marks.height[here], there[here], marks.plate[here])


# ------------------------------------------------------------------------------------------ what it proves


def _proves(calls: Iterable[CallRates]) -> Iterator[str]:
    """What the number of marks can and cannot show, in sentences."""
    for group in calls:
        if group.by != "all":
            continue
        gone, mark = NOT_THERE[group.mark], f"{group.mark} mark"
        yield " ".join(bound_sentences(group.wrong_present, mark, gone, "present"))
        yield " ".join(bound_sentences(group.wrong_absent, mark, "present", gone))


def bound_sentences(found: Rate, mark: str, truly: str, wrongly: str) -> Iterator[str]:
    """How large the error rate may still be, and what it would take to know more."""
    if not found.of:
        yield f"No {mark} is {truly} by consensus: these examples prove nothing about such marks called {wrongly}."
        return
    bound = most_that_may_err(found.hits, found.of)
    yield (
        f"{counted(found.hits, 'error')} in {counted(found.of, mark)} {truly} by consensus: "
        f"{_at_most(bound, wrongly)}, were marks independent."
    )
    if found.counts_as < found.of:
        bound = most_that_may_err(found.hits / found.of * found.counts_as, found.counts_as)
        worth = f"are worth {found.counts_as:.0f} independent ones, as far as they show how plates differ"
        if found.hits in {0, found.of} or found.plates < PLATES_MIN:
            worth = f"count as {found.counts_as:.0f}, if those of a plate stand or fall together"
        yield f"But these {found.of:,} marks {worth}: {_at_most(bound, wrongly)}."
    for target in TARGETS:
        if bound > target:
            yield (
                f"So it is not shown that fewer than {percent(target)} are called {wrongly}: that takes "
                f"{marks_to_show(target):,} independent marks {truly} without an error, or "
                f"{marks_to_show(target, 1):,} with one."
            )
            return


def _at_most(bound: float, wrongly: str) -> str:
    if bound == 1:
        return "that excludes no error rate"
    return f"at 95 % confidence no more than {percent(bound)} are called {wrongly}"


def percent(share: float) -> str:
    """A share in percent, two digits that count: such as `5 %`, `0.31 %`; rounded up, as it bounds something."""
    if share <= 0:
        return "0 %"
    places = max(0, 1 - math.floor(math.log10(100 * share)))
    rounded = math.ceil(100 * share * 10**places - 1e-9) / 10**places
    return f"{rounded:.{places}f}".rstrip("0").rstrip(".") + " %" if places else f"{rounded:.0f} %"


def read_known(path: Path) -> dict[tuple[str, str, str], float]:
    """Known heights from a CSV with the columns example, window, mark and height (absorbance).

    Raises LinecallError that names the row and the column.
    """
    try:
        with StringIO(read_plain(path).decode("utf-8-sig"), newline="") as file:
            table = csv.DictReader(file)
            missing = [name for name in KNOWN_COLUMNS if name not in (table.fieldnames or ())]
            if missing:
                raise LinecallError(
                    f"{path}: has no column {missing[0]}; expected {', '.join(KNOWN_COLUMNS)}"
                )
            known: dict[tuple[str, str, str], float] = {}
            for row in table:
                where = f"{path}, row {table.line_num}"
                key = tuple(plain_cell((row[name] or "").strip()) for name in KNOWN_COLUMNS[:3])
                if "" in key:
                    raise LinecallError(f"{where}: the column {KNOWN_COLUMNS[key.index('')]} is empty")
                if key in known:
                    raise LinecallError(
                        f"{where}: example {key[0]}, window {key[1]}, {key[2]} is there twice"
                    )
                known[key[0], key[1], key[2]] = _height(row["height"], where)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise LinecallError(f"{path}: cannot be read as CSV ({error}); save it as CSV in UTF-8") from error
    return known


def _height(text: str | None, where: str) -> float:
    try:
        height = float(text or "")
    except ValueError:
        height = math.nan
    if not 0 <= height < HEIGHT_MAX:
        raise LinecallError(
            f"{where}: the height is {text!r}, expected an absorbance from 0 to {HEIGHT_MAX:g}, such as 0.012"
        )
    return height
