"""Curves of a cohort by joined periods: what is shown is computed from the counts that are shown.

With a smallest count, weeks are joined until in every stratum 0 or enough people attained in each period and
0 or enough left without; attainment, seen at visits only, counts at a period's end. The periods are the same
in all strata, and those of the endings are made of them, so no difference of two curves or numbers at risk
tells of fewer people. Who left within a joined period counts as at risk for half of it (life table). Without
a smallest count every time stands for itself.
"""

from bisect import bisect_left
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

from service.attainment.curve import ATTAINED, Median, Point, median, points
from service.deidentify.cells import coarsened
from service.jobs.cohort_division import EVERYBODY, Division

__all__ = ["Curve", "Unit", "curves"]

Unit = Literal["d", "visit"]
_WEEK = 7
_TWO = (ATTAINED, "left")

Ended = Mapping[str, int]
ByTime = Mapping[int, Ended]


@dataclass(frozen=True, slots=True)
class Curve:
    """One stratum. ``steps`` are Kaplan and Meier's, every other ending censored ('left'), by period's end.

    The ``median`` is such an end too: it lies ``after`` the one before.

    ``ends`` hold the incidence of each ending by Aalen and Johansen, in periods of their own; empty where
    endings are not told apart.
    """

    stratum: str
    unit: Unit
    people: int
    steps: tuple[Point, ...]
    median: Median
    after: int
    ends: tuple[Point, ...]


def curves(found: Mapping[str, ByTime], division: Division, unit: Unit, smallest: int) -> tuple[Curve, ...]:
    """The curve of each stratum, and first of everybody if there are several; ``found`` by stratum, time."""
    weekly = unit == "d" and smallest > 1
    strata = {name: _sum([found[member] for member in members]) for name, members in division.strata.items()}
    pooled = {name: _by_time(by_time, division, weekly=weekly) for name, by_time in strata.items()}
    times = sorted({time for by_time in pooled.values() for time in by_time})
    fine = _periods(pooled, [_Period(time, joined=weekly and time > 0) for time in times], _TWO, smallest)
    ends = _periods(pooled, fine, division.endings, smallest) if division.competing else []
    if len(pooled) > 1:
        pooled = {EVERYBODY: _sum(pooled.values()), **pooled}
    return tuple(_curve(name, by_time, division, (fine, ends), unit) for name, by_time in pooled.items())


class _Period(NamedTuple):
    """It ends with a time, and holds others too if it is ``joined``."""

    end: int
    joined: bool


def _curve(
    name: str, by_time: ByTime, division: Division, grids: tuple[list[_Period], list[_Period]], unit: Unit
) -> Curve:
    fine, coarse = grids
    two = {time: _two(ended) for time, ended in by_time.items()}
    steps = _points(two, fine, ())
    people = sum(sum(ended.values()) for ended in by_time.values())
    middle = median(steps)
    after = max((period.end for period in fine if period.end < (middle.time or 0)), default=0)
    return Curve(name, unit, people, steps, middle, after, _points(by_time, coarse, division.competing))


def _points(by_time: ByTime, periods: Sequence[_Period], competing: Collection[str]) -> tuple[Point, ...]:
    joined = [period.end for period in periods if period.joined]
    return points(_by_period(by_time, periods), competing, joined) if periods else ()


def _by_time(by_time: ByTime, division: Division, *, weekly: bool) -> dict[int, Ended]:
    """With the endings that are told; by the last day of the week since the beginning, where ``weekly``."""
    found: dict[int, Counter[str]] = {}
    for time, ended in by_time.items():
        end = -(-time // _WEEK) * _WEEK if weekly else time
        found.setdefault(end, Counter()).update(division.pooled(ended))
    return dict(found)


def _sum(several: Iterable[ByTime]) -> dict[int, Ended]:
    total: dict[int, Counter[str]] = {}
    for by_time in several:
        for time, ended in by_time.items():
            total.setdefault(time, Counter()).update(ended)
    return dict(total)


def _periods(
    strata: Mapping[str, ByTime], periods: Sequence[_Period], columns: Sequence[str], smallest: int
) -> list[_Period]:
    """Periods joined until every column of every stratum has 0 or enough people."""
    sums = [_by_period(by_time, periods) for by_time in strata.values()]
    told = _two if columns is _TWO else dict
    rows = [[told(one[period.end]).get(kind, 0) for one in sums for kind in columns] for period in periods]
    found: list[_Period] = []
    place = 0
    for size in coarsened(rows, smallest):
        place += size
        found.append(_Period(periods[place - 1].end, size > 1 or periods[place - 1].joined))
    return found


def _by_period(by_time: ByTime, periods: Sequence[_Period]) -> dict[int, Ended]:
    """People by the end of the period in which theirs lies."""
    ends = [period.end for period in periods]
    found: dict[int, Counter[str]] = {end: Counter() for end in ends}
    for time, ended in by_time.items():
        found[ends[bisect_left(ends, time)]].update(ended)
    return dict(found)


def _two(ended: Ended) -> dict[str, int]:
    """Attained, and left without."""
    attained = ended.get(ATTAINED, 0)
    return dict(zip(_TWO, (attained, sum(ended.values()) - attained), strict=True))
