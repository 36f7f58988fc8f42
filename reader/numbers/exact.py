"""Exact inference on counts, in whole numbers: no approximation, and no library that takes a second to import."""

import math
from collections.abc import Callable, Sequence
from typing import Final

CONFIDENCE: Final = 0.95
STEPS: Final = 60  # halvings of an interval of length 1: past the last bit of a float


def share_interval(hits: int, of: int) -> tuple[float, float]:
    """Two-sided 95 % interval of a share `hits` of `of` (Clopper and Pearson 1934, Biometrika 26:404).

    Its ends are the shares at which so many hits, or so few, would come by chance in 2.5 % of all samples. Raises
    ValueError unless 0 <= hits <= of and of > 0: of nothing there is no share.
    """
    if not 0 <= hits <= of or of == 0:
        raise ValueError(f"{hits} of {of} is no share")
    tail = (1 - CONFIDENCE) / 2
    low = 0.0 if hits == 0 else _crossing(lambda share: 1 - _at_most(hits - 1, of, share) >= tail)
    high = 1.0 if hits == of else _crossing(lambda share: _at_most(hits, of, share) <= tail)
    return low, high


def _crossing(beyond: Callable[[float], bool]) -> float:
    """The share from which on a condition holds that holds at 1 and not at 0."""
    low, high = 0.0, 1.0
    for _ in range(STEPS):
        middle = (low + high) / 2
        low, high = (low, middle) if beyond(middle) else (middle, high)
    return (low + high) / 2


def _at_most(hits: int, of: int, share: float) -> float:
    """Chance of no more than so many hits (binomial distribution); 0 < share < 1."""
    log, other = math.log(share), math.log1p(-share)
    ways = math.lgamma(of + 1)
    return math.fsum(
        math.exp(ways - math.lgamma(k + 1) - math.lgamma(of - k + 1) + k * log + (of - k) * other)
        for k in range(hits + 1)
    )


def higher_by_chance(recent: Sequence[int], past: Sequence[int]) -> float:
    """Chance that as many results, drawn blindly from all, would lie at least as high as the recent ones do.

    recent, past : counts in each category, lowest category first, of one length, both with a result at least.
    The one-sided test of Wilcoxon (1945) and of Mann and Whitney (1947) with midranks for ties, by its exact
    distribution given the ties: a generalised hypergeometric one, enumerated in whole numbers (Mehta, Patel and
    Tsiatis 1984, Biometrics 40:819, where categories are ordered; from memory). Raises ValueError.
    """
    together = [new + old for new, old in zip(recent, past, strict=True)]
    drawn = sum(recent)
    if min((*recent, *past)) < 0 or not drawn or not sum(past):
        raise ValueError(f"nothing to compare in {list(recent)} and {list(past)}")
    twice_midranks, below = [], 0
    for n in together:
        twice_midranks.append(2 * below + n)
        below += n
    seen = sum(n * rank for n, rank in zip(recent, twice_midranks, strict=True))
    sums = {(0, 0): 1}  # (how many were drawn, twice their midranks' sum) -> in how many ways
    for n, rank in zip(together, twice_midranks, strict=True):
        longer: dict[tuple[int, int], int] = {}
        for (taken, total), ways in sums.items():
            for more in range(min(n, drawn - taken) + 1):
                key = (taken + more, total + more * rank)
                longer[key] = longer.get(key, 0) + ways * math.comb(n, more)
        sums = longer
    as_high = sum(ways for (taken, total), ways in sums.items() if taken == drawn and total >= seen)
    return as_high / math.comb(below, drawn)
