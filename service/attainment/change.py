"""Change between two sets of trials: exact tests and score intervals.

McNemar 1947 (exact form), Fisher 1935, Newcombe 1998 (methods 10 of both papers). With five pairs the
smallest possible two-sided McNemar p is 0.0625, so p stays hidden below six pairs; look at the run of visits.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from math import comb, sqrt

from service.attainment.intervals import Interval, wilson
from service.attainment.trials import Trial

__all__ = [
    "MIN_PAIRS_FOR_P",
    "Apart",
    "Difference",
    "Paired",
    "apart",
    "by_posture",
    "fisher_exact",
    "paired",
    "unpaired_difference",
]

MIN_PAIRS_FOR_P = 6

FEW_TRIALS = "Five trials cannot show statistical significance; look at the run of visits."


@dataclass(frozen=True, slots=True)
class Difference:
    """Second share less first, -1 to 1, with Newcombe's interval; None with a reason if a side is empty."""

    difference: Fraction | None
    interval: Interval | None
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Paired:
    """The same trials before and after: both closed, gained, lost, both open.

    ``p`` is McNemar's exact two-sided p, None with a ``reason`` below six pairs; ``exact_p`` is the number
    itself, for research tables that state n beside it.
    """

    both: int
    gained: int
    lost: int
    neither: int
    n: int
    exact_p: Fraction
    p: Fraction | None
    difference: Difference
    reason: str = ""
    method: str = "exact McNemar; Newcombe square-and-add"


@dataclass(frozen=True, slots=True)
class Apart:
    """Two sets of trials that can't be paired: successes of trials before and after.

    ``p`` is Fisher's exact two-sided p, None with a ``reason`` if either side has fewer than six trials;
    ``exact_p`` is the number itself, for research tables that state both n beside it.
    """

    before: tuple[int, int]
    after: tuple[int, int]
    exact_p: Fraction
    p: Fraction | None
    difference: Difference
    reason: str = ""
    method: str = "Fisher exact; Newcombe hybrid score, trials not paired"


def by_posture(
    before: Sequence[Trial], after: Sequence[Trial], succeeded: Callable[[Trial], bool | None]
) -> Paired | None:
    """Pair two blocks where each posture occurs once in both; None where it does not.

    ``succeeded`` answers None for a trial that does not count; its pair is left out.
    """
    first, second = ({trial.posture: trial for trial in trials} for trials in (before, after))
    if len(first) != len(before) or len(second) != len(after) or first.keys() != second.keys():
        return None
    seen = [(succeeded(first[posture]), succeeded(second[posture])) for posture in first]
    count = seen.count
    return paired(count((True, True)), count((False, True)), count((True, False)), count((False, False)))


@lru_cache(maxsize=4096)
def apart(k_1: int, n_1: int, k_2: int, n_2: int) -> Apart | None:
    """Compare separate trials, k of n before and after; None if a side has none."""
    if not n_1 or not n_2:
        return None
    exact_p = fisher_exact(k_1, n_1, k_2, n_2)
    few = min(n_1, n_2) < MIN_PAIRS_FOR_P
    return Apart(
        before=(k_1, n_1),
        after=(k_2, n_2),
        exact_p=exact_p,
        p=None if few else exact_p,
        difference=unpaired_difference(k_2, n_2, k_1, n_1),
        reason=FEW_TRIALS if few else "",
    )


@lru_cache(maxsize=4096)  # the same few counts, over and over
def paired(both: int, gained: int, lost: int, neither: int) -> Paired:
    """Compare pairs; the difference is after less before."""
    n = both + gained + lost + neither
    exact_p = _mcnemar(gained, lost)
    return Paired(
        both=both,
        gained=gained,
        lost=lost,
        neither=neither,
        n=n,
        exact_p=exact_p,
        p=exact_p if n >= MIN_PAIRS_FOR_P else None,
        difference=_paired_difference(both, gained, lost, neither),
        reason=_why(n, gained + lost),
    )


def unpaired_difference(k_1: int, n_1: int, k_2: int, n_2: int) -> Difference:
    """Share 1 less share 2 of separate trials, Newcombe 1998b method 10."""
    if not n_1 or not n_2:
        return Difference(None, None, "one side has no scored trial")
    interval = _square_and_add((k_1, n_1), (k_2, n_2), phi=0.0, method="Newcombe hybrid score 95 %")
    return Difference(Fraction(k_1, n_1) - Fraction(k_2, n_2), interval)


def fisher_exact(k_1: int, n_1: int, k_2: int, n_2: int) -> Fraction:
    """Two-sided exact p: the chance of all tables no likelier than the one seen. For separate trials only."""
    closed, total = k_1 + k_2, n_1 + n_2
    ways = [comb(n_1, x) * comb(n_2, closed - x) for x in range(closed + 1)]
    return Fraction(sum(way for way in ways if way <= ways[k_1]), comb(total, closed))


def _mcnemar(gained: int, lost: int) -> Fraction:
    changed = gained + lost
    tail = sum(comb(changed, x) for x in range(min(gained, lost) + 1))
    return min(Fraction(1), Fraction(2 * tail, 2**changed))


def _why(n: int, changed: int) -> str:
    if n < MIN_PAIRS_FOR_P:
        return FEW_TRIALS
    return "" if changed else "no change on any posture"


def _paired_difference(both: int, gained: int, lost: int, neither: int) -> Difference:
    n = both + gained + lost + neither
    if not n:
        return Difference(None, None, "no pair has both trials scored")
    after, before = (both + gained, n), (both + lost, n)
    phi = _phi(both, gained, lost, neither)
    interval = _square_and_add(after, before, phi=phi, method="Newcombe square-and-add 95 %")
    return Difference(Fraction(gained - lost, n), interval)


def _phi(a: int, b: int, c: int, d: int) -> float:
    """Correlation of the two shares, corrected for continuity (Newcombe 1998c)."""
    margins = (a + b) * (c + d) * (a + c) * (b + d)
    cross = a * d - b * c
    if not margins:
        return 0.0
    half = (a + b + c + d) / 2
    corrected = max(cross - half, 0.0) if cross >= 0 else cross
    return corrected / sqrt(margins)


def _square_and_add(
    one: tuple[int, int], two: tuple[int, int], *, phi: float, method: str
) -> Interval | None:
    score_1, score_2 = wilson(*one), wilson(*two)
    if score_1 is None or score_2 is None:
        return None
    p_1, p_2 = one[0] / one[1], two[0] / two[1]
    down_1, up_1 = p_1 - score_1.low, score_1.high - p_1
    down_2, up_2 = p_2 - score_2.low, score_2.high - p_2
    low = sqrt(max(0.0, down_1**2 + up_2**2 - 2 * phi * down_1 * up_2))
    high = sqrt(max(0.0, up_1**2 + down_2**2 - 2 * phi * up_1 * down_2))
    return Interval(max(-1.0, p_1 - p_2 - low), min(1.0, p_1 - p_2 + high), method)
