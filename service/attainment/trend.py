"""Trend over visits: Theil-Sen slope and Kendall's S, which need no straight line and no equal spacing.

Mann 1945, Kendall 1970, Theil 1950, Sen 1968. Times are days; values are in the measure's unit.
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations
from math import factorial, lcm, sqrt
from statistics import NormalDist, median

__all__ = ["Point", "Trend", "kendall_s", "smallest_exact_p", "trend"]

Point = tuple[int, Fraction]
"""A day (any whole-day count, e.g. ``date.toordinal``) and the value on it."""


@dataclass(frozen=True, slots=True)
class Trend:
    """Direction and steepness over n visits; what can't be computed is None with a reason in ``reasons``.

    ``slope_per_day`` and ``slope_per_week`` are exact. ``intercept`` is median(y) - slope x median(t)
    (Wilcox's form; other programs take the median of residual intercepts). ``p`` is two-sided: exact up to
    10 visits without ties, else the normal approximation with continuity correction.
    ``show_slope``: at least 4 visits and some spread; with fewer the slope says little.
    """

    n: int
    s: int
    variance: Fraction
    z: float
    tau_b: float | None
    slope_per_day: Fraction | None
    slope_per_week: Fraction | None
    intercept: Fraction | None
    p: float | None
    show_slope: bool
    reasons: dict[str, str]
    method: str = "Theil-Sen slope, Kendall S and tau-b"


def trend(points: Iterable[Point]) -> Trend:
    """Compute the trend of points given in any order."""
    points = sorted(points)
    unit, values = _whole([value for _, value in points])
    slope = _slope([day for day, _ in points], values, unit)
    s, variance = kendall_s(values), _variance(values)
    tau, p = _tau_b(values, s), _p(values, s, variance)
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
        intercept=None
        if slope is None
        else median(value for _, value in points) - slope * median(Fraction(day) for day, _ in points),
        p=p,
        show_slope=len(points) >= 4 and len(set(values)) > 1,
        reasons={name: reason for name, reason in reasons.items() if reason},
    )


def kendall_s(values: Sequence[Fraction | int]) -> int:
    """Kendall's S of values in time order: pairs that rise less pairs that fall."""
    return sum((later > earlier) - (later < earlier) for earlier, later in combinations(values, 2))


def smallest_exact_p(n: int) -> Fraction:
    """Smallest two-sided p that n visits without ties can reach: a perfect trend either way."""
    return min(Fraction(1), Fraction(2, factorial(n)))


def _whole(values: Sequence[Fraction]) -> tuple[int, list[int]]:
    """The values as whole multiples of 1/unit: pairs and ties are counted several times as fast."""
    unit = lcm(*(value.denominator for value in values))
    return unit, [value.numerator * (unit // value.denominator) for value in values]


def _slope(days: Sequence[int], values: Sequence[int], unit: int) -> Fraction | None:
    """Median slope of all pairs of different days; the values are multiples of 1/unit."""
    pairs = combinations(zip(days, values, strict=True), 2)
    slopes = [
        Fraction(later - earlier, (day_2 - day_1) * unit)
        for (day_1, earlier), (day_2, later) in pairs
        if day_1 != day_2
    ]
    return median(slopes) if slopes else None


def _variance(values: Sequence[int]) -> Fraction:
    n = len(values)
    ties = sum(t * (t - 1) * (2 * t + 5) for t in Counter(values).values())
    return Fraction(n * (n - 1) * (2 * n + 5) - ties, 18)


def _z(s: int, variance: Fraction) -> float:
    """Standard normal score with continuity correction; 0 where nothing varies."""
    if s == 0 or variance == 0:
        return 0.0
    return (s - (1 if s > 0 else -1)) / sqrt(variance)


def _tau_b(values: Sequence[int], s: int) -> float | None:
    pairs = len(values) * (len(values) - 1) // 2
    tied = sum(t * (t - 1) // 2 for t in Counter(values).values())
    return s / sqrt(pairs * (pairs - tied)) if pairs > tied else None


def _p(values: Sequence[int], s: int, variance: Fraction) -> float | None:
    n = len(values)
    if n < 5:
        return None
    if n <= 10 and len(set(values)) == n:
        return float(_exact_p(n, s))
    return 2 * NormalDist().cdf(-abs(_z(s, variance)))


def _exact_p(n: int, s: int) -> Fraction:
    """Share of all orders of n different values whose |S| is at least the one seen."""
    ways = [1]  # ways[i] = orders with i falling pairs
    for size in range(2, n + 1):
        running = [0]
        for count in [*ways, *[0] * (size - 1)]:
            running.append(running[-1] + count)
        ways = [running[i + 1] - running[max(0, i + 1 - size)] for i in range(len(running) - 1)]
    pairs = n * (n - 1) // 2
    extreme = sum(count for falls, count in enumerate(ways) if abs(pairs - 2 * falls) >= abs(s))
    return Fraction(extreme, factorial(n))
