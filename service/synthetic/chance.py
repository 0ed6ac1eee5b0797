"""Chance that is the same on every machine: everything is made of numbers of 0 to 1, passed in."""

from bisect import bisect_right
from collections.abc import Callable, Sequence
from itertools import accumulate
from math import exp
from statistics import NormalDist
from typing import Generic, TypeVar

__all__ = ["Chance", "Weighted", "share_of"]

_T = TypeVar("_T")
_NORMAL = NormalDist()
_SMALLEST = 1e-12


class Weighted(Generic[_T]):
    """Things to draw by weight; weights are 0 or more and need no sum."""

    def __init__(self, things: Sequence[_T], weights: Sequence[float]) -> None:
        """Keep the things with the shares up to each."""
        self.things = tuple(things)
        self.up_to = tuple(accumulate(weights))


class Chance:
    """Draws from one stream of numbers; ``uniform`` gives the next, 0 or more and below 1."""

    def __init__(self, uniform: Callable[[], float]) -> None:
        """Keep the stream."""
        self.uniform = uniform

    def happens(self, share: float) -> bool:
        """Whether something of this chance (0 to 1) happens."""
        return self.uniform() < share

    def whole(self, low: int, high: int) -> int:
        """A whole number from low to high, both included, each as likely."""
        return low + int(self.uniform() * (high - low + 1))

    def one(self, things: Sequence[_T]) -> _T:
        """One of several, each as likely."""
        return things[int(self.uniform() * len(things))]

    def drawn(self, weighted: Weighted[_T]) -> _T:
        """One of several, by weight."""
        at = self.uniform() * weighted.up_to[-1]
        return weighted.things[bisect_right(weighted.up_to, at)]

    def normal(self, mean: float, spread: float) -> float:
        """A normal number of this mean and standard deviation."""
        return mean + spread * _NORMAL.inv_cdf(max(self.uniform(), _SMALLEST))


def share_of(logit: float) -> float:
    """The chance (0 to 1) of which this is the log of the odds."""
    return 1 / (1 + exp(-logit))
