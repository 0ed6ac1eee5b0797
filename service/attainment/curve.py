"""How many are still waiting after each time, from counts of people by time and ending.

Kaplan & Meier 1958: S(t) = product of (1 - d / n), Greenwood's standard error; limits by the log-minus-log
transform (Kalbfleisch & Prentice), which keeps them within 0 and 1, and the median's limits where those of
the curve cross one half (Brookmeyer & Crowley 1982). Incidence of each ending: Aalen & Johansen 1978, the sum
of (free just before) x (ended so / n). Who is censored at a time was still at risk at it.
"""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from math import exp, log, sqrt

from service.attainment.intervals import Z_95, Interval

__all__ = ["ATTAINED", "Median", "Point", "median", "points"]

ATTAINED = "attained"
_HALF = Fraction(1, 2)
_METHOD = "Greenwood, log-log 95 %"


@dataclass(frozen=True, slots=True)
class Point:
    """A time at which somebody's looking ended: people at risk just before it, and how many ended how.

    ``waiting`` is Kaplan and Meier's S after it, exact, every other ending censored; ``error`` Greenwood's,
    None where S is 0; ``interval`` None where S is 0 or 1. ``incidence`` is the share that ended so by then,
    for attainment and each competing ending, in which none of them is censored.
    """

    time: int
    at_risk: int
    ended: Mapping[str, int]
    waiting: Fraction
    error: float | None
    interval: Interval | None
    incidence: Mapping[str, Fraction]


@dataclass(frozen=True, slots=True)
class Median:
    """The first time by which half or fewer wait, and its limits; None where that is not reached."""

    time: int | None
    low: int | None
    high: int | None
    method: str = "Kaplan-Meier; log-log 95 %"


def points(
    counts: Mapping[int, Mapping[str, int]], competing: Collection[str], joined: Collection[int] = ()
) -> tuple[Point, ...]:
    """Compute the curve of people by time and ending; every ending that is not ``competing`` censors.

    ``joined`` times are ends of periods: who is censored in one was at risk for half of it on average, so
    half of them count (the life table; Cutler & Ederer 1958).
    """
    return tuple(_points(counts, tuple(competing), frozenset(joined)))


def median(curve: Collection[Point]) -> Median:
    """The curve's median; its limits are where the limits of S are one half or less."""
    return Median(
        next((point.time for point in curve if point.waiting <= _HALF), None),
        next((point.time for point in curve if _low(point) <= _HALF), None),
        next((point.time for point in curve if _high(point) <= _HALF), None),
    )


def _low(point: Point) -> float:
    return point.interval.low if point.interval else float(point.waiting)


def _high(point: Point) -> float:
    return point.interval.high if point.interval else float(point.waiting)


def _points(
    counts: Mapping[int, Mapping[str, int]], competing: tuple[str, ...], joined: frozenset[int]
) -> Iterator[Point]:
    waiting = free = Fraction(1)  # free: neither attained nor ended in a competing way
    incidence = dict.fromkeys((ATTAINED, *competing), Fraction(0))
    spread = 0.0
    at_risk = sum(sum(ended.values()) for ended in counts.values())
    for time in sorted(counts):
        ended = {kind: count for kind, count in counts[time].items() if count}
        if not ended:
            continue
        attained = ended.get(ATTAINED, 0)
        known = sum(ended.get(kind, 0) for kind in incidence)
        exposed = Fraction(at_risk)
        if time in joined:
            exposed -= Fraction(sum(ended.values()) - known, 2)
        incidence = {kind: share + free * ended.get(kind, 0) / exposed for kind, share in incidence.items()}
        free *= 1 - known / exposed
        waiting *= 1 - attained / exposed
        if waiting:
            spread += float(attained / (exposed * (exposed - attained)))
        error = float(waiting) * sqrt(spread) if waiting else None
        yield Point(time, at_risk, ended, waiting, error, _interval(waiting, spread), incidence)
        at_risk -= sum(ended.values())


def _interval(waiting: Fraction, spread: float) -> Interval | None:
    """S to the power of exp(+-z x error of log(-log S)); that error is sqrt(spread) / |log S|."""
    if not 0 < waiting < 1:
        return None
    share = float(waiting)
    reach = Z_95 * sqrt(spread) / abs(log(share))
    return Interval(share ** exp(reach), share ** exp(-reach), _METHOD)
