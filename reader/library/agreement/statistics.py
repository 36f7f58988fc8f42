"""Statistics of agreement and of detection, each with its source; all take arrays and give frozen values.

What statsmodels, scikit-learn, SciPy and krippendorff do is left to them (extra `linecall[library]`). Marks of one
plate are not independent: one lamp, one focus, one hand at work. Each interval therefore has a second one beside it,
`by_plate`, from the spread between plates. A statistic that the marks do not carry is None, and its note says why.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib import import_module
from statistics import NormalDist
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from reader.errors import LinecallError
from reader.numbers.arrays import FloatArray
from reader.words import counted

IntArray = NDArray[np.integer[Any]]
Interval = tuple[float, float]

CONFIDENCE: Final = 0.95
PLATES_MIN: Final = 10  # fewer say too little about the spread between plates (common practice, no source)
MARKS_MIN: Final = 10  # fewer carry no large-sample standard error of a kappa (common practice, no source)
PLATES_ASSUMED: Final = (
    1.5  # the least with which one error more, elsewhere, never proves more (see the tests)
)
PARADOX: Final = 0.2  # from so far below its prevalence-adjusted value, a kappa needs a word (no source)
DISCORDANT_FEW: Final = 25  # McNemar's chi-squared needs as many; below, mid-p (common practice, no source)
BLANKS_WANTED: Final = 60  # EP17-A2: results of blanks to establish a limit of blank (from memory)
LINE_RESULTS_MIN: Final = 5  # of a calibration line, at three known heights at least (no source)
NORMAL_MIN: Final = 20  # results from which the test of D'Agostino and Pearson holds (SciPy's own bound)
CURVE_POINTS: Final = 200  # of a ROC curve, in reports


# by their own names: that works from a checkout, from a wheel and where no index has linecall
INSTALL = "python -m pip install krippendorff scikit-learn scipy statsmodels"


class MissingExtraError(LinecallError):
    """Packages of the extra `library` are not installed."""


@cache
def extra(module: str) -> Any:
    """Import a module of the extra `library`; raises MissingExtraError where it is not installed."""
    try:
        return import_module(module)
    except ModuleNotFoundError as error:
        raise MissingExtraError(
            f"the package {error.name} is needed for statistics; install what they need: {INSTALL}"
        ) from error


# ------------------------------------------------------------------------------------------ shares


@dataclass(frozen=True, kw_only=True, slots=True)
class Rate:
    """A share, `hits` of `of` marks on `plates` plates, with 95 % intervals.

    wilson, exact : as if marks were independent (Wilson's score; Clopper and Pearson).
    by_plate : Wilson's for `counts_as`, the number of independent marks that these are worth. design_effect : how many
    of these are worth one independent mark (Kish); `note` says where that is assumed and not seen.
    """

    hits: int
    of: int
    plates: int
    value: float | None
    wilson: Interval | None
    exact: Interval | None
    by_plate: Interval | None
    design_effect: float | None
    counts_as: float
    note: str = ""


def rate(hits: IntArray, of: IntArray) -> Rate:
    """A share from the counts of each plate: `hits` (p,) among `of` (p,)."""
    hits, of = np.asarray(hits)[of > 0], np.asarray(of)[of > 0]
    k, n, plates = int(hits.sum()), int(of.sum()), len(of)
    if n < MARKS_MIN:
        why = (
            f"only {counted(n, 'mark')}, too few for a rate ({MARKS_MIN} are needed)"
            if n
            else "no such mark, so no rate"
        )
        return Rate(
            hits=k, of=n, plates=plates, value=None, wilson=None, exact=None, by_plate=None, design_effect=None,
            counts_as=n / _design_effect(hits, of)[0] if n else 0.0, note=why,
        )  # fmt: skip
    effect, note = _design_effect(hits, of)
    counting = n / effect
    if effect > 1 and not note:  # Korn and Graubard 1998: of few plates the spread itself is unsure
        counting *= (_z() / float(extra("scipy.stats").t.ppf((1 + CONFIDENCE) / 2, plates - 1))) ** 2
    return Rate(
        hits=k,
        of=n,
        plates=plates,
        value=k / n,
        wilson=proportion_interval(k, n),
        exact=proportion_interval(k, n, exact=True),
        by_plate=proportion_interval(k / n * counting, counting),
        design_effect=effect,
        counts_as=counting,
        note=note,
    )


def _design_effect(hits: IntArray, of: IntArray) -> tuple[float, str]:
    """How many marks are worth one independent mark, and why where that is assumed and not seen.

    Where marks of a plate go together it is the mean number on a plate, weighted by it. The fewer marks are of the
    rarer answer, the less is seen of whether they do; so what is seen is averaged with that worst case, as if
    PLATES_ASSUMED more of that answer had been seen: else one error would prove more than none.
    """
    k, n, plates = int(hits.sum()), int(of.sum()), len(of)
    together = float((of.astype(float) ** 2).sum()) / n
    rarer = min(k, n - k)
    if plates == n:
        return 1.0, ""
    if not rarer:
        return together, "all alike, so marks of a plate are taken to go together"
    if plates < PLATES_MIN:
        return together, f"only {counted(plates, 'plate')}, so their marks are taken to go together"
    se = plate_error(np.column_stack([hits, of]).astype(float), lambda sums: sums[:, 0] / sums[:, 1])
    assert se is not None  # no plate has all the marks, as there are PLATES_MIN with some
    seen = max(1.0, se**2 / (k / n * (1 - k / n) / n))
    assumed = PLATES_ASSUMED * together
    return (assumed * together + rarer * seen) / (assumed + rarer), ""


def proportion_interval(hits: float, of: float, *, exact: bool = False) -> Interval:
    """Wilson's score interval (Wilson 1927; Newcombe 1998), or Clopper and Pearson's."""
    confint = extra("statsmodels.stats.proportion").proportion_confint
    low, high = confint(hits, of, alpha=1 - CONFIDENCE, method="beta" if exact else "wilson")
    return max(0.0, float(low)) if hits > 0 else 0.0, min(1.0, float(high)) if hits < of else 1.0


def most_that_may_err(errors: float, of: float, confidence: float = CONFIDENCE) -> float:
    """One-sided upper bound of an error rate (Clopper and Pearson); with no error 1 - (1 - confidence)^(1/of).

    Both numbers may be fractions, where marks are worth fewer independent ones (Korn and Graubard 1998).
    """
    return 1.0 if errors >= of else float(extra("scipy.stats").beta.ppf(confidence, errors + 1, of - errors))


def marks_to_show(error_rate: float, errors: int = 0, confidence: float = CONFIDENCE) -> int:
    """Marks needed so that, with so many errors among them, the upper bound is no more than `error_rate`."""
    low, high = errors, errors + 1
    while most_that_may_err(errors, high, confidence) > error_rate:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (
            (low, middle) if most_that_may_err(errors, middle, confidence) <= error_rate else (middle, high)
        )
    return high


# ------------------------------------------------------------------------------------------ plates


def plate_error(sums: FloatArray, statistic: Callable[[FloatArray], FloatArray]) -> float | None:
    """Standard error from the spread between plates: delete-one-plate jackknife (Tukey; Shao and Tu 1995).

    sums : (p, ...) what each plate adds to the sums that the statistic is made of.
    statistic : sums (b, ...) -> (b,). None where it is undefined without some plate.
    """
    plates = len(sums)
    with np.errstate(divide="ignore", invalid="ignore"):
        left = statistic(sums.sum(axis=0) - sums)
    if not np.isfinite(left).all():
        return None
    return math.sqrt((plates - 1) / plates * float(((left - left.mean()) ** 2).sum()))


def _plate_interval(
    value: float, sums: FloatArray, statistic: Callable[[FloatArray], FloatArray]
) -> tuple[Interval | None, str]:
    """Student's t interval from the spread between plates, no further than 1; or None with the reason."""
    plates = len(sums)
    if plates < PLATES_MIN:
        return (
            None,
            f"only {counted(plates, 'plate')}, too few for an interval by plate ({PLATES_MIN} are needed)",
        )
    se = plate_error(sums, statistic)
    if se is None:
        return None, "a single plate decides it, so there is no interval by plate"
    if se < 1e-12:
        return None, "plates do not differ in it, so there is no interval by plate"
    reach = float(extra("scipy.stats").t.ppf((1 + CONFIDENCE) / 2, plates - 1)) * se
    return (value - reach, min(1.0, value + reach)), ""


def sums_by_plate(plate: IntArray, *columns: NDArray[Any]) -> FloatArray:
    """Sum columns (n, ...) over each plate: (p, number of columns), only plates that occur."""
    _, code = np.unique(plate, return_inverse=True)
    return np.column_stack([np.bincount(code, column) for column in columns])


# ------------------------------------------------------------------------------------------ two callers


@dataclass(frozen=True, kw_only=True, slots=True)
class Kappa:
    """Cohen's kappa (1960), or weighted (1968), with 95 % intervals.

    interval : by its large-sample standard error (Fleiss, Cohen and Everitt 1969), as if marks were independent.
    pabak : what it would be were all calls equally common (Byrt, Bishop and Carlin 1993); only where it has no weights.
    """

    n: int
    plates: int
    value: float | None
    standard_error: float | None
    interval: Interval | None
    by_plate: Interval | None
    observed: float | None
    expected: float | None
    pabak: float | None
    note: str = ""


def cohen_kappa(
    tables: IntArray,
    *,
    names: tuple[str, str] = ("the first", "the second"),
    weights: FloatArray | None = None,
) -> Kappa:
    """Kappa from each plate's table (p, k, k), first caller down, second across.

    weights : (k, k) disagreement, 0 on the diagonal, 1 at most; None: every disagreement counts 1.
    """
    tables = np.asarray(tables)
    tables = tables[tables.any(axis=(1, 2))]
    used = tables.any(axis=(0, 1)) | tables.any(axis=(0, 2))
    tables = tables[:, used][:, :, used]
    table = tables.sum(axis=0)
    n, plates, k = int(table.sum()), len(tables), len(table)
    disagreement = 1.0 - np.eye(k) if weights is None else weights[used][:, used]
    empty = Kappa(
        n=n, plates=plates, value=None, standard_error=None, interval=None, by_plate=None,
        observed=None, expected=None, pabak=None, note="no mark that both called",
    )  # fmt: skip
    if n == 0:
        return empty
    observed = 1 - float((disagreement * table).sum()) / n
    expected = 1 - float((disagreement * np.outer(table.sum(axis=1), table.sum(axis=0))).sum()) / n**2
    pabak = (k * observed - 1) / (k - 1) if weights is None and k > 1 else None
    known = replace(empty, observed=observed, expected=expected, pabak=pabak)
    notes = [
        f"{name} made one call only, so kappa is undefined: it cannot tell agreement from chance"
        for name, margin in zip(names, (table.sum(axis=1), table.sum(axis=0)), strict=True)
        if np.count_nonzero(margin) == 1
    ]
    if n < MARKS_MIN:
        notes.insert(0, f"only {counted(n, 'mark')}, too few for a kappa ({MARKS_MIN} are needed)")
    if notes:
        return replace(known, note="; ".join(notes))
    with np.errstate(divide="ignore", invalid="ignore"):  # of a variance of 0, or by rounding just below it
        found = extra("statsmodels.stats.inter_rater").cohens_kappa(
            table, weights=None if weights is None else disagreement
        )
    value, variance = float(found.kappa), float(found.var_kappa)
    by_plate, note = _plate_interval(value, tables.astype(float), lambda each: _kappas(each, disagreement))
    se, interval = None, None
    if variance > 1e-15:
        se = math.sqrt(variance)
        interval = (value - _z() * se, min(1.0, value + _z() * se))
    if interval:
        notes = [note] if note else []
    elif not np.any(table * disagreement):
        notes = ["all agree, so its standard error is unknown"]
    else:
        notes = ["these calls leave it no spread, so its standard error is unknown"]
    if pabak is not None and pabak - value > PARADOX:
        notes.append(
            f"they agree on {observed:.1%}, but calls are so unequally common that chance would give {expected:.1%}; "
            f"were they equally common kappa would be {pabak:.2f} (PABAK), so read the table"
        )
    return replace(
        known,
        value=value,
        standard_error=se,
        interval=interval,
        by_plate=by_plate,
        note="; ".join(notes),
    )


def _kappas(tables: FloatArray, disagreement: FloatArray) -> FloatArray:
    """Kappas of many tables (b, k, k)."""
    n = tables.sum(axis=(1, 2))
    chance = np.einsum("bi,ij,bj->b", tables.sum(axis=2), disagreement, tables.sum(axis=1))
    kappas: FloatArray = 1 - n * np.einsum("bij,ij->b", tables, disagreement) / chance
    return kappas


def ordered_weights(k: int, apart: Sequence[int] = ()) -> FloatArray:
    """Linear disagreement, 0 to 1, of k ordered values (Cicchetti and Allison 1971); those `apart` are 1 from all."""
    ordered = [i for i in range(k) if i not in apart]
    weights = 1.0 - np.eye(k)
    place = {value: rank for rank, value in enumerate(ordered)}
    for a in ordered:
        for b in ordered:
            weights[a, b] = abs(place[a] - place[b]) / max(len(ordered) - 1, 1)
    return weights


@dataclass(frozen=True, kw_only=True, slots=True)
class McNemar:
    """Whether two callers say present equally often, from the marks on which they differ (McNemar 1947).

    p : mid-p where fewer than 25 marks differ (Fagerland, Lydersen and Laake 2013), else by chi-squared.
    p_by_plate : marks of one plate taken together (Yang, Sun and Hardin 2010); None where too few plates differ.
    """

    only_first: int
    only_second: int
    chi_squared: float | None
    chi_squared_corrected: float | None
    p_exact: float | None
    p_mid: float | None
    p: float | None
    p_by_plate: float | None
    note: str = ""


def mcnemar(only_first: IntArray, only_second: IntArray) -> McNemar:
    """Compare two callers by each plate's counts (p,) of marks that only the one or only the other calls present."""
    b, c = int(np.sum(only_first)), int(np.sum(only_second))
    if b + c == 0:
        return McNemar(
            only_first=0, only_second=0, chi_squared=None, chi_squared_corrected=None, p_exact=None, p_mid=None,
            p=None, p_by_plate=None, note="they differ on no mark, so there is nothing to test",
        )  # fmt: skip
    stats = extra("scipy.stats")
    test = extra("statsmodels.stats.contingency_tables").mcnemar
    table = [[0, b], [c, 0]]
    plain, exact = test(table, exact=False, correction=False), float(test(table, exact=True).pvalue)
    # Mid-p counts half of the outcome seen; with b = c it is not doubled, as both tails share that outcome.
    mid = exact - float(stats.binom.pmf(min(b, c), b + c, 0.5)) * (1.0 if b != c else 0.5)
    difference = np.asarray(only_first) - np.asarray(only_second)
    differing = int(np.count_nonzero(np.asarray(only_first) + np.asarray(only_second)))
    spread = float((difference**2).sum())
    by_plate, note = (
        None,
        f"they differ on {counted(differing, 'plate')}, too few for a test by plate ({PLATES_MIN} are needed)",
    )
    if differing >= PLATES_MIN and spread > 0:
        by_plate, note = float(stats.chi2.sf(difference.sum() ** 2 / spread, 1)), ""
    return McNemar(
        only_first=b,
        only_second=c,
        chi_squared=float(plain.statistic),
        chi_squared_corrected=float(test(table, exact=False, correction=True).statistic),
        p_exact=exact,
        p_mid=mid,
        p=mid if b + c < DISCORDANT_FEW else float(plain.pvalue),
        p_by_plate=by_plate,
        note=note,
    )


# ------------------------------------------------------------------------------------------ many callers


@dataclass(frozen=True, kw_only=True, slots=True)
class Together:
    """A coefficient of many callers; `by_plate` is its 95 % interval, from the spread between plates."""

    n: int
    plates: int
    callers: int
    value: float | None
    by_plate: Interval | None
    note: str = ""


def fleiss_kappa(counts: IntArray, plate: IntArray) -> Together:
    """Fleiss' kappa (1971); with gaps as Gwet (2014) has it: each mark counts alike, however many called it.

    counts : (n, k) callers of each mark that made each call. plate : (n,) the mark's plate.
    Observed agreement is over marks with two callers at least, chance over all. Without gaps it is Fleiss' own.
    """
    counts, plate = np.asarray(counts)[counts.sum(axis=1) > 0], np.asarray(plate)[counts.sum(axis=1) > 0]
    callers = counts.sum(axis=1)
    pairs = callers > 1
    agreeing = np.zeros(len(counts))
    agreeing[pairs] = (counts[pairs] * (counts[pairs] - 1)).sum(axis=1) / (
        callers[pairs] * (callers[pairs] - 1)
    )
    k = counts.shape[1]
    shares = counts / np.maximum(callers, 1)[:, None]
    return _together(counts, plate, (agreeing, pairs, *shares.T), lambda sums: _fleiss(sums, k))


def _fleiss(sums: FloatArray, k: int) -> FloatArray:
    """Kappas (b,) from sums (b, 2 + k): agreement, marks with a pair of callers, shares of each call."""
    observed = sums[:, 0] / sums[:, 1]
    shares = sums[:, 2:] / sums[:, 2:].sum(axis=1, keepdims=True)
    chance = (shares**2).sum(axis=1)
    return np.asarray((observed - chance) / (1 - chance))


def krippendorff_alpha(counts: IntArray, plate: IntArray) -> Together:
    """Krippendorff's alpha for nominal calls (2011), gaps allowed: counts (n, k), plate (n,)."""
    counts, plate = np.asarray(counts), np.asarray(plate)
    paired = counts.sum(axis=1) > 1
    counts, plate = counts[paired], plate[paired]
    callers = counts.sum(axis=1)
    apart = (callers**2 - (counts**2).sum(axis=1)) / np.maximum(callers - 1, 1)
    found = _together(counts, plate, (apart, *counts.T), _alpha)
    if found.value is None:
        return found
    value = extra("krippendorff").alpha(value_counts=counts, level_of_measurement="nominal")
    return Together(
        n=found.n, plates=found.plates, callers=found.callers, value=float(value), by_plate=found.by_plate,
        note=found.note,
    )  # fmt: skip


def _alpha(sums: FloatArray) -> FloatArray:
    """Alphas (b,) from sums (b, 1 + k): disagreement, and how often each call was made."""
    n = sums[:, 1:].sum(axis=1)
    return np.asarray(1 - (n - 1) * sums[:, 0] / (n**2 - (sums[:, 1:] ** 2).sum(axis=1)))


def _together(
    counts: IntArray,
    plate: IntArray,
    columns: Sequence[NDArray[Any]],
    statistic: Callable[[FloatArray], FloatArray],
) -> Together:
    n_paired = int(np.count_nonzero(counts.sum(axis=1) > 1))
    plates = len(np.unique(plate))
    found = Together(
        n=n_paired, plates=plates, callers=int(counts.sum(axis=1).max(initial=0)), value=None, by_plate=None
    )
    if n_paired < MARKS_MIN:
        return replace(
            found, note=f"only {counted(n_paired, 'mark')} with two callers, too few ({MARKS_MIN} are needed)"
        )
    if np.count_nonzero(counts.any(axis=0)) < 2:
        return replace(
            found, note="one call only was made, so it is undefined: it cannot tell agreement from chance"
        )
    sums = sums_by_plate(plate, *columns)
    value = float(statistic(sums.sum(axis=0)[None])[0])
    by_plate, note = _plate_interval(value, sums, statistic)
    return replace(found, value=value, by_plate=by_plate, note=note)


# ------------------------------------------------------------------------------------------ limits


@dataclass(frozen=True, kw_only=True, slots=True)
class BlankLimit:
    """Limit of blank: what a place without a line exceeds with the chance `false_call` (CLSI EP17-A2).

    parametric : mean + c_p SD, for normal heights. ranked : by rank, whatever their shape.
    normal_p : of the test whether they are normal (D'Agostino and Pearson 1973).
    """

    false_call: float
    n: int
    plates: int
    mean: float | None
    sd: float | None
    parametric: float | None
    ranked: float | None
    normal_p: float | None
    note: str = ""


def limit_of_blank(heights: FloatArray, plate: IntArray, false_call: float = 0.05) -> BlankLimit:
    """Limit of blank from the heights (n,) of blanks; all blanks are one sample, so their whole spread counts."""
    heights = np.asarray(heights, float)
    n, plates = len(heights), len(np.unique(plate))
    needed = ranks_needed(false_call)
    empty = BlankLimit(
        false_call=false_call, n=n, plates=plates, mean=None, sd=None, parametric=None, ranked=None, normal_p=None,
        note=f"only {counted(n, 'blank')}, too few for a limit of blank ({MARKS_MIN} are needed)",
    )  # fmt: skip
    if n < MARKS_MIN:
        return empty
    mean, sd = float(heights.mean()), float(heights.std(ddof=1))
    notes = [] if n >= BLANKS_WANTED else [f"{n} blanks; EP17 asks for {BLANKS_WANTED}"]
    if n < needed:
        notes.append(f"{needed} blanks are needed for a limit by rank")
    varies = sd > 1e-9 * max(abs(mean), 1e-9)  # not but for rounding
    normal_p = float(extra("scipy.stats").normaltest(heights).pvalue) if n >= NORMAL_MIN and varies else None
    if normal_p is not None and normal_p < 0.05:
        notes.append("heights of blanks are not normal" + (": use the limit by rank" if n >= needed else ""))
    parametric = mean + corrected_quantile(1 - false_call, n - 1) * sd
    ranked = by_rank(heights, 1 - false_call) if n >= needed else None
    return replace(
        empty,
        mean=mean,
        sd=sd,
        parametric=parametric,
        ranked=ranked,
        normal_p=normal_p,
        note="; ".join(notes),
    )


def corrected_quantile(probability: float, degrees: int) -> float:
    """EP17's c_p: the normal quantile over 1 - 1/(4 f), as a standard deviation of f degrees comes out low."""
    return _z(probability) / (1 - 1 / (4 * degrees))


def ranks_needed(false_call: float) -> int:
    """Results from which the rank 0.5 + (1 - false_call) n exists."""
    return math.ceil(0.5 / false_call - 1e-9)


def by_rank(values: FloatArray, probability: float) -> float:
    """The value at rank 0.5 + probability n, between neighbours if need be (EP17; Hazen's quantile)."""
    return float(np.quantile(values, probability, method="hazen"))


@dataclass(frozen=True, kw_only=True, slots=True)
class DetectionLimit:
    """Limit of detection: the height that is above the limit of blank 95 times in 100 (CLSI EP17-A2).

    n results of `samples` low marks, each measured several times. sd : pooled within them. parametric : limit of blank
    + c_p SD. ranked : limit of blank + how far the 5th percentile lies below the middle (EP17-A, nonparametric), of
    deviations from each mark's mean, enlarged for being few.
    """

    n: int
    samples: int
    sd: float | None
    parametric: float | None
    ranked: float | None
    note: str = ""


def limit_of_detection(
    heights: FloatArray, sample: IntArray, blank: BlankLimit, missed: float = 0.05
) -> DetectionLimit:
    """Limit of detection from heights (n,) of low marks; `sample` (n,) says which are of the same mark."""
    heights = np.asarray(heights, float)
    _, code, size = np.unique(sample, return_inverse=True, return_counts=True)
    repeated = size[code] > 1
    heights, (_, code) = heights[repeated], np.unique(code[repeated], return_inverse=True)
    n, samples = len(heights), len(np.unique(code))
    degrees = n - samples
    empty = DetectionLimit(n=n, samples=samples, sd=None, parametric=None, ranked=None)
    why = ""
    if blank.parametric is None:
        why = "there is no limit of blank to start from"
    elif degrees < MARKS_MIN:
        why = (
            f"low marks were measured again {degrees} times, too few ({MARKS_MIN} are needed): "
            "photograph plates with faint lines several times"
        )
    if why or blank.parametric is None:
        return replace(empty, note=why)
    deviations = heights - (np.bincount(code, heights) / np.bincount(code))[code]
    sd = math.sqrt(float((deviations**2).sum()) / degrees)
    n_same = np.bincount(code)[code]
    full = deviations * np.sqrt(n_same / (n_same - 1))  # about the mean of few repeats they come out small
    return replace(
        empty,
        sd=sd,
        parametric=blank.parametric + corrected_quantile(1 - missed, degrees) * sd,
        ranked=None
        if blank.ranked is None or n < ranks_needed(missed)
        else blank.ranked - by_rank(full, missed),
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class LineLimits:
    """Limits from a calibration line of measured over known heights (ISO 11843-2; DIN 32645), constant spread.

    critical : known height whose line is told from none with 5 % false alarms, x_C. detectable : what is then missed
    5 % of the time, by the noncentral t distribution, x_D. detectable_din : the same by DIN 32645's prediction
    interval.
    """

    n: int
    intercept: float | None
    slope: float | None
    residual_sd: float | None
    critical: float | None
    detectable: float | None
    detectable_din: float | None
    note: str = ""


def line_limits(
    known: FloatArray,
    measured: FloatArray,
    *,
    false_call: float = 0.05,
    missed: float = 0.05,
    repeats: int = 1,
) -> LineLimits:
    """Fit measured (n,) over known (n,) heights by least squares; `repeats`: measurements averaged for one answer."""
    x, y = np.asarray(known, float), np.asarray(measured, float)
    n = len(x)
    empty = LineLimits(
        n=n, intercept=None, slope=None, residual_sd=None, critical=None, detectable=None, detectable_din=None
    )
    if n < LINE_RESULTS_MIN or len(np.unique(x)) < 3:
        need = f"{LINE_RESULTS_MIN} results at three known heights are needed for a line"
        return replace(empty, note=f"{n} results at {len(np.unique(x))} known heights; {need}")
    stats = extra("scipy.stats")
    fit = stats.linregress(x, y)
    slope, intercept = float(fit.slope), float(fit.intercept)
    residual = math.sqrt(float(((y - intercept - slope * x) ** 2).sum()) / (n - 2))
    if not slope > 0 or fit.pvalue > 0.05:
        return replace(
            empty, slope=slope, intercept=intercept, residual_sd=residual, note="no rising line through them"
        )
    sxx, mean = float(((x - x.mean()) ** 2).sum()), float(x.mean())

    def spread(at: float) -> float:
        return residual / slope * math.sqrt(1 / repeats + 1 / n + (at - mean) ** 2 / sxx)

    t_false, t_missed = (float(stats.t.ppf(1 - chance, n - 2)) for chance in (false_call, missed))
    critical = t_false * spread(0.0)
    solve = extra("scipy.optimize").brentq
    shift = solve(
        lambda delta: stats.nct.cdf(t_false, n - 2, delta) - missed, 0.0, 4 * (t_false + t_missed) + 10
    )
    far = critical + 100 * t_missed * spread(0.0)
    return replace(
        empty,
        intercept=intercept,
        slope=slope,
        residual_sd=residual,
        critical=critical,
        detectable=float(shift) * spread(0.0),
        detectable_din=float(solve(lambda at: at - critical - t_missed * spread(at), critical, far))
        if far - critical - t_missed * spread(far) > 0
        else None,
    )


# ------------------------------------------------------------------------------------------ components


@dataclass(frozen=True, kw_only=True, slots=True)
class Components:
    """Where a height's spread comes from when one mark is photographed again; standard deviations, absorbance.

    n heights of `items` marks under `conditions`. repeatability : again under the same condition, with its 95 %
    interval (chi-squared). condition : from one condition to another, for all marks alike. interaction : for each mark
    its own. reproducibility : the two together. items_sd : between marks. None where the photos do not tell.
    """

    n: int
    items: int
    conditions: int
    degrees: int
    repeatability: float | None
    interval: Interval | None
    condition: float | None
    interaction: float | None
    reproducibility: float | None
    total: float | None
    items_sd: float | None
    note: str = ""


def variance_components(heights: FloatArray, item: IntArray, condition: IntArray) -> Components:
    """Two-way random components, crossed, unbalanced: fitting constants (Henderson 1953, method 3).

    heights (n,), of which item and under which condition (n,). With equal numbers it is the analysis of variance by
    expected mean squares. A variance that comes out below zero is given as 0.
    """
    heights = np.asarray(heights, float)
    _, item, size = np.unique(item, return_inverse=True, return_counts=True)
    again = size[item] > 1
    y, (_, item), (_, condition) = (
        heights[again],
        np.unique(item[again], return_inverse=True),
        np.unique(np.asarray(condition)[again], return_inverse=True),
    )
    n, a, b = len(y), int(item.max(initial=-1)) + 1, int(condition.max(initial=-1)) + 1
    empty = Components(
        n=n, items=a, conditions=b, degrees=0, repeatability=None, interval=None, condition=None, interaction=None,
        reproducibility=None, total=None, items_sd=None, note="no mark was photographed again",
    )  # fmt: skip
    if n == 0:
        return empty
    y = y - y.mean()
    cell, code, n_cell = np.unique(item * b + condition, return_inverse=True, return_counts=True)
    cell_item, cell_condition, sum_cell = cell // b, cell % b, np.bincount(code, y)
    n_item, sum_item = np.bincount(item), np.bincount(item, y)
    degrees = n - len(cell)
    if degrees < MARKS_MIN:
        note = f"fewer than {MARKS_MIN} further photos of marks under the same condition"
        return replace(empty, degrees=degrees, note=note)
    within = float(((y - (sum_cell / n_cell)[code]) ** 2).sum()) / degrees
    low, high = (
        float(q) for q in extra("scipy.stats").chi2.ppf([(1 + CONFIDENCE) / 2, (1 - CONFIDENCE) / 2], degrees)
    )
    changed = replace(
        empty,
        degrees=degrees,
        repeatability=math.sqrt(within),
        interval=(math.sqrt(within * degrees / low), math.sqrt(within * degrees / high)),
        note="",
    )
    between = _between_conditions(within, (cell_item, cell_condition, n_cell, sum_cell), n_item, sum_item, b)
    if isinstance(between, str):
        return replace(changed, note=between)
    v_condition, v_interaction, v_item = between
    few = f"only {b} conditions, so what they add is itself unsure" if b < 5 else ""
    return replace(
        changed,
        condition=math.sqrt(max(v_condition, 0.0)),
        interaction=math.sqrt(max(v_interaction, 0.0)),
        reproducibility=math.sqrt(max(v_condition, 0.0) + max(v_interaction, 0.0)),
        total=math.sqrt(within + max(v_condition, 0.0) + max(v_interaction, 0.0)),
        items_sd=math.sqrt(max(v_item, 0.0)),
        note=few,
    )


def _between_conditions(
    within: float,
    cells: tuple[NDArray[Any], NDArray[Any], NDArray[Any], NDArray[Any]],
    n_item: NDArray[Any],
    sum_item: NDArray[Any],
    b: int,
) -> tuple[float, float, float] | str:
    """Variances of condition, interaction and item, or why they cannot be told.

    Items are absorbed first; what remains of the conditions is a system of b equations, so all is one pass over cells.
    Each sum of squares is set equal to its expectation, which the traces below give.
    """
    cell_item, cell_condition, n_cell, sum_cell = cells
    n, a, s = int(n_item.sum()), len(n_item), len(n_cell)
    one_way = "marks photographed again were all photographed under one condition"
    if b < 2:
        return one_way
    # w (s, b): each cell's conditions, less what its item has of each; C and r are the reduced normal equations.
    share = np.zeros((a, b))
    np.add.at(share, (cell_item, cell_condition), n_cell)
    share /= n_item[:, None]
    w = n_cell[:, None] * (np.eye(b)[cell_condition] - share[cell_item])
    c = np.zeros((b, b))
    np.add.at(c, cell_condition, w)
    r = np.bincount(cell_condition, sum_cell, b) - share.T @ sum_item
    inverse = np.linalg.pinv(c, hermitian=True)
    rank = int(np.linalg.matrix_rank(c, hermitian=True))
    free = s - a - rank
    if rank < b - 1:
        return (
            f"{one_way} each, so conditions cannot be compared"
            if rank == 0
            else ("no mark ties all conditions together, so they cannot be compared")
        )
    if free < 1:
        return "too few marks were photographed under several conditions to tell what conditions add"
    of_items = float((sum_item**2 / n_item).sum())
    of_conditions = float(r @ inverse @ r)
    of_cells = float((sum_cell**2 / n_cell).sum()) - of_items - of_conditions
    mixed = float((n_cell**2 / n_item[cell_item]).sum())
    d = float(np.einsum("si,ij,sj->", w, inverse, w))
    v_interaction = (of_cells - free * within) / (n - mixed - d)
    v_condition = (of_conditions - rank * within - d * v_interaction) / float(np.trace(c))
    n_condition = np.bincount(cell_condition, n_cell, b)
    v_item = (
        of_items
        - (mixed - float((n_condition**2).sum()) / n) * v_condition
        - (mixed - float((n_cell**2).sum()) / n) * v_interaction
        - (a - 1) * within
    ) / (n - float((n_item**2).sum()) / n)
    return v_condition, v_interaction, v_item


# ------------------------------------------------------------------------------------------ ROC


@dataclass(frozen=True, kw_only=True, slots=True)
class Area:
    """Area under the ROC curve: the chance that a mark that is there is higher than one that is not; 95 % intervals.

    hanley_mcneil : standard error by Hanley and McNeil 1982; its interval takes their variance at the bound, as
    Wilson's does (after Newcombe 2006), so it holds at an area of 1 too. delong : DeLong, DeLong, Clarke-Pearson 1988.
    by_plate : Obuchowski 1997. The last two on the logit scale; none at an area of 1. curve : points of false alarms
    and hits, from (0, 0) to (1, 1).
    """

    n_present: int
    n_absent: int
    plates: int
    value: float | None
    hanley_mcneil_se: float | None
    hanley_mcneil: Interval | None
    delong_se: float | None
    delong: Interval | None
    by_plate_se: float | None
    by_plate: Interval | None
    curve: tuple[tuple[float, float], ...] = ()
    note: str = ""


def roc_area(scores: FloatArray, present: NDArray[np.bool_], plate: IntArray) -> Area:
    """ROC of scores (n,) against whether the mark is there (n,); plate (n,)."""
    scores, present = np.asarray(scores, float), np.asarray(present, bool)
    m, n = int(present.sum()), int((~present).sum())
    _, plate = np.unique(plate, return_inverse=True)
    plates = int(plate.max(initial=-1)) + 1
    empty = Area(
        n_present=m, n_absent=n, plates=plates, value=None, hanley_mcneil_se=None, hanley_mcneil=None,
        delong_se=None, delong=None, by_plate_se=None, by_plate=None,
        note=f"{m} marks present and {n} absent by consensus; {MARKS_MIN} of each are needed for a ROC curve",
    )  # fmt: skip
    if min(m, n) < MARKS_MIN:
        return empty
    metrics = extra("sklearn.metrics")
    area = float(metrics.roc_auc_score(present, scores))
    false_alarms, hits, _ = metrics.roc_curve(present, scores)
    keep = np.unique(np.linspace(0, len(hits) - 1, min(len(hits), CURVE_POINTS)).round().astype(int))
    curve = tuple((float(x), float(y)) for x, y in zip(false_alarms[keep], hits[keep], strict=True))
    placed = _placements(scores, present)
    here, there = placed[present] - area, placed[~present] - area
    delong_se = math.sqrt(float((here**2).sum()) / (m - 1) / m + float((there**2).sum()) / (n - 1) / n)
    clusters = _clustered_error(here, there, plate[present], plate[~present], plates)
    hm_se, hm = hanley_mcneil(area, m, n)
    notes = []
    if area in {0.0, 1.0}:
        notes.append("the two kinds of mark do not overlap, so spread cannot be estimated from them")
    if clusters is None:
        notes.append(
            f"too few plates for an interval by plate ({PLATES_MIN} with marks of each kind are needed)"
        )
    t = float(extra("scipy.stats").t.ppf((1 + CONFIDENCE) / 2, plates - 1)) if plates > 1 else _z()
    return replace(
        empty,
        value=area,
        hanley_mcneil_se=hm_se,
        hanley_mcneil=hm,
        delong_se=delong_se,
        delong=_logit_interval(area, delong_se, _z()),
        by_plate_se=clusters,
        by_plate=None if clusters is None else _logit_interval(area, clusters, t),
        curve=curve,
        note="; ".join(notes),
    )


def _placements(scores: FloatArray, present: NDArray[np.bool_]) -> FloatArray:
    """For each mark, the share of the other kind that lies on its right side, ties half (Sun and Xu 2014: by ranks)."""
    rank = extra("scipy.stats").rankdata
    m, n = int(present.sum()), int((~present).sum())
    placed = rank(scores)
    placed[present] = (placed[present] - rank(scores[present])) / n
    placed[~present] = 1 - (placed[~present] - rank(scores[~present])) / m
    return np.asarray(placed)


def _clustered_error(
    here: FloatArray, there: FloatArray, plate_here: IntArray, plate_there: IntArray, plates: int
) -> float | None:
    """Standard error by Obuchowski 1997 from placements less the area, of marks that are there and are not."""
    m, n = len(here), len(there)
    with_here, with_there = len(np.unique(plate_here)), len(np.unique(plate_there))
    if min(with_here, with_there) < PLATES_MIN:
        return None
    x, y = np.bincount(plate_here, here, plates), np.bincount(plate_there, there, plates)
    variance = (
        with_here / (with_here - 1) * float((x**2).sum()) / m**2
        + with_there / (with_there - 1) * float((y**2).sum()) / n**2
        + 2 * plates / (plates - 1) * float((x * y).sum()) / (m * n)
    )
    return math.sqrt(max(variance, 0.0))


def hanley_mcneil(area: float, n_present: int, n_absent: int) -> tuple[float, Interval]:
    """Standard error of an area by Hanley and McNeil 1982, for exponential scores, and the interval from it.

    The interval holds the areas whose own standard error puts the one seen within 1.96 of them.
    """

    def variance(at: float) -> float:
        q1, q2 = at / (2 - at), 2 * at**2 / (1 + at)
        return (at * (1 - at) + (n_present - 1) * (q1 - at**2) + (n_absent - 1) * (q2 - at**2)) / (
            n_present * n_absent
        )

    def beyond(at: float) -> float:
        return (at - area) ** 2 - _z() ** 2 * variance(at)

    solve = extra("scipy.optimize").brentq
    inside = min(max(area, 1e-9), 1 - 1e-9)  # at 0 and 1 themselves the variance is 0
    low = float(solve(beyond, 0.0, inside)) if area > 0 else 0.0
    high = float(solve(beyond, inside, 1.0)) if area < 1 else 1.0
    return math.sqrt(max(variance(area), 0.0)), (low, high)


def _logit_interval(area: float, se: float, quantile: float) -> Interval | None:
    if not 0 < area < 1 or se == 0:
        return None
    middle, reach = math.log(area / (1 - area)), quantile * se / (area * (1 - area))
    return 1 / (1 + math.exp(reach - middle)), 1 / (1 + math.exp(-reach - middle))


def _z(probability: float = (1 + CONFIDENCE) / 2) -> float:
    return NormalDist().inv_cdf(probability)
