"""Where a height's spread comes from: components of variance of marks that were photographed again."""

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from reader.library.agreement.by_plate import CONFIDENCE, MARKS_MIN, IntArray
from reader.library.extra import extra
from reader.numbers.arrays import FloatArray, Interval


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
