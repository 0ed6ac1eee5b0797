"""Trend over visits: Theil-Sen slope and Kendall's S, which need no straight line and no equal spacing.

Mann 1945, Kendall 1970, Theil 1950, Sen 1968. Times are days; values are in the measure's unit. Pairs of one
day say nothing of direction: they count neither in S nor in the slope.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations, compress
from math import comb, factorial, lcm, perm, sqrt
from statistics import NormalDist, median, median_high, median_low

__all__ = ["Point", "Trend", "exact_p", "intercepts", "kendall_s", "smallest_exact_p", "trend"]

Point = tuple[int, Fraction]
"""A day (any whole-day count, e.g. ``date.toordinal``) and the value on it."""


@dataclass(frozen=True, slots=True)
class Trend:
    """Direction and steepness over n visits; what can't be computed is None with a reason in ``reasons``.

    ``slope_per_day`` and ``slope_per_week`` are exact. ``p`` is two-sided: exact up to 10 visits without
    ties, else the normal approximation with continuity correction.
    ``show_slope``: at least 4 visits and some spread; with fewer the slope says little.
    """

    n: int
    s: int
    variance: Fraction
    z: float
    tau_b: float | None
    slope_per_day: Fraction | None
    slope_per_week: Fraction | None
    p: float | None
    show_slope: bool
    reasons: dict[str, str]
    method: str = "Theil-Sen slope, Kendall S and tau-b"


def trend(points: Iterable[Point]) -> Trend:
    """Compute the trend of points given in any order."""
    points = sorted(points)
    days = [day for day, _ in points]
    unit, values = _whole([value for _, value in points])
    slope = _slope(days, values, unit)
    s, variance = kendall_s(values, days), _variance(days, values)
    tau, p = _tau_b(days, values, s), _p(days, values, s, variance)
    reasons = {
        "slope": "" if slope is not None else "fewer than two different days",
        "tau_b": "" if tau is not None else "all values are alike",
        "p": "" if p is not None else "no p-value below 5 visits",
    }
    return Trend(
        n=len(points),
        s=s,
        variance=variance,
        z=_z(s, variance),
        tau_b=tau,
        slope_per_day=slope,
        slope_per_week=None if slope is None else 7 * slope,
        p=p,
        show_slope=len(points) >= 4 and len(set(values)) > 1,
        reasons={name: reason for name, reason in reasons.items() if reason},
    )


def kendall_s(values: Sequence[Fraction | int], days: Sequence[int] = ()) -> int:
    """Kendall's S of values in time order: pairs that rise less pairs that fall.

    ``days`` are needed only where two values can be of one day.
    """
    rises = ((later > earlier) - (later < earlier) for earlier, later in combinations(values, 2))
    if len(set(days)) == len(days):
        return sum(rises)
    apart = (earlier != later for earlier, later in combinations(days, 2))
    return sum(compress(rises, apart))


def intercepts(points: Iterable[Point]) -> tuple[Fraction, Fraction] | None:
    """Where the Theil-Sen line stands at day 0, by either convention; None where there is no slope.

    First median(y) - slope x median(t) (Wilcox, section 10.2), then the median of y - slope x t over the
    points (R package 'trend', sens.slope). They can differ, so say which.
    """
    points = tuple(points)
    slope = trend(points).slope_per_day
    if slope is None:
        return None
    middle = median(value for _, value in points) - slope * median(Fraction(day) for day, _ in points)
    return middle, median(value - slope * day for day, value in points)


def smallest_exact_p(n: int) -> Fraction:
    """Smallest two-sided p that n visits without ties can reach: a perfect trend either way."""
    return min(Fraction(1), Fraction(2, factorial(n)))


def exact_p(n: int, s: int) -> Fraction:
    """Two-sided p of S without ties: the share of all orders of n values whose |S| is at least this."""
    ways = [1]  # ways[i] = orders with i falling pairs
    for size in range(2, n + 1):
        running = [0]
        for count in [*ways, *[0] * (size - 1)]:
            running.append(running[-1] + count)
        ways = [running[i + 1] - running[max(0, i + 1 - size)] for i in range(len(running) - 1)]
    pairs = n * (n - 1) // 2
    extreme = sum(count for falls, count in enumerate(ways) if abs(pairs - 2 * falls) >= abs(s))
    return Fraction(extreme, factorial(n))


def _whole(values: Sequence[Fraction]) -> tuple[int, list[int]]:
    """The values as whole multiples of 1/unit: pairs and ties are counted several times as fast."""
    unit = lcm(*(value.denominator for value in values))
    return unit, [value.numerator * (unit // value.denominator) for value in values]


def _slope(days: Sequence[int], values: Sequence[int], unit: int) -> Fraction | None:
    """Median slope of all pairs of different days; the values are multiples of 1/unit."""
    pairs = combinations(zip(days, values, strict=True), 2)
    rises = [(later - earlier, end - start) for (start, earlier), (end, later) in pairs if start != end]
    if not rises:
        return None
    common = lcm(*(gap for _, gap in rises))
    slopes = [rise * (common // gap) for rise, gap in rises]
    # Whole numbers are sorted many times as fast as fractions; the median of an even count stays exact.
    return Fraction(median_low(slopes) + median_high(slopes), 2 * common * unit)


def _variance(days: Sequence[int], values: Sequence[int]) -> Fraction:
    """Of S where days, values or both have ties (Kendall 1970)."""
    n, times, levels = len(values), _ties(days), _ties(values)
    alone = [sum(t * (t - 1) * (2 * t + 5) for t in ties) for ties in (times, levels)]
    found = Fraction(n * (n - 1) * (2 * n + 5) - sum(alone), 18)
    if not times or not levels:
        return found
    twos = _of_ties(times, 2) * _of_ties(levels, 2)
    threes = _of_ties(times, 3) * _of_ties(levels, 3)
    found += Fraction(twos, 2 * n * (n - 1))
    return found + (Fraction(threes, 9 * n * (n - 1) * (n - 2)) if threes else 0)


def _ties(found: Sequence[int]) -> list[int]:
    """How many share each number that more than one has."""
    return [count for count in Counter(found).values() if count > 1]


def _of_ties(ties: Iterable[int], many: int) -> int:
    """Ordered choices of ``many`` out of one tie, over all ties."""
    return sum(perm(count, many) for count in ties)


def _z(s: int, variance: Fraction) -> float:
    """Standard normal score with continuity correction; 0 where nothing varies."""
    if s == 0 or variance == 0:
        return 0.0
    return (s - (1 if s > 0 else -1)) / sqrt(variance)


def _tau_b(days: Sequence[int], values: Sequence[int], s: int) -> float | None:
    pairs = comb(len(values), 2)
    of_time, of_value = (pairs - sum(comb(tie, 2) for tie in _ties(found)) for found in (days, values))
    return s / sqrt(of_time * of_value) if of_time and of_value else None


def _p(days: Sequence[int], values: Sequence[int], s: int, variance: Fraction) -> float | None:
    n = len(values)
    if n < 5:
        return None
    if n <= 10 and not _ties(days) and not _ties(values):
        return float(exact_p(n, s))
    return 2 * NormalDist().cdf(-abs(_z(s, variance)))
