"""Agreement of two callers: Cohen's kappa, plain or weighted, and McNemar's test."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from reader.library.agreement.by_plate import MARKS_MIN, PLATES_MIN, IntArray, normal_quantile, plate_interval
from reader.library.extra import extra
from reader.numbers.arrays import FloatArray, Interval
from reader.words import counted

PARADOX: Final = 0.2  # from so far below its prevalence-adjusted value, a kappa needs a word (no source)
DISCORDANT_FEW: Final = 25  # McNemar's chi-squared needs as many; below, mid-p (common practice, no source)


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
    value, se, interval = _large_sample(table, None if weights is None else disagreement)
    by_plate, note = plate_interval(value, tables.astype(float), lambda each: _kappas(each, disagreement))
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


def _large_sample(
    table: IntArray, disagreement: FloatArray | None
) -> tuple[float, float | None, Interval | None]:
    """Kappa of a table (k, k), its standard error and interval; None where the calls leave it no spread."""
    with np.errstate(divide="ignore", invalid="ignore"):  # of a variance of 0, or by rounding just below it
        found = extra("statsmodels.stats.inter_rater").cohens_kappa(table, weights=disagreement)
    value, variance = float(found.kappa), float(found.var_kappa)
    if not variance > 1e-15:
        return value, None, None
    se = math.sqrt(variance)
    reach = normal_quantile() * se
    return value, se, (value - reach, min(1.0, value + reach))


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
