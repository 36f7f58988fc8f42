"""Limits of blank and of detection (CLSI EP17-A2), and from a calibration line (ISO 11843-2, DIN 32645)."""

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from reader.library.agreement.by_plate import MARKS_MIN, IntArray, normal_quantile
from reader.library.extra import extra
from reader.numbers.arrays import FloatArray
from reader.words import counted

BLANKS_WANTED: Final = 60  # EP17-A2: results of blanks to establish a limit of blank (from memory)
LINE_RESULTS_MIN: Final = 5  # of a calibration line, at three known heights at least (no source)
NORMAL_MIN: Final = 20  # results from which the test of D'Agostino and Pearson holds (SciPy's own bound)


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
    return normal_quantile(probability) / (1 - 1 / (4 * degrees))


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
