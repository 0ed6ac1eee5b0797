"""How sure a share is: 95 % intervals of k out of n."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from math import exp, fsum, lgamma, log, log1p, sqrt
from statistics import NormalDist

__all__ = ["Z_95", "Interval", "clopper_pearson", "wilson"]

Z_95 = NormalDist().inv_cdf(0.975)


@dataclass(frozen=True, slots=True)
class Interval:
    """A two-sided 95 % interval of a share, or of a difference of shares, with its method's name.

    Trials of one block are not independent, so read it as the least doubt there is.
    """

    low: float
    high: float
    method: str


@lru_cache(maxsize=4096)  # the same few counts, over and over
def wilson(k: int, n: int) -> Interval | None:
    """Wilson's score interval of k out of n, as shares 0 to 1; None for n = 0 (Wilson 1927)."""
    if n == 0:
        return None
    share, z2 = k / n, Z_95**2
    centre = (share + z2 / (2 * n)) / (1 + z2 / n)
    half = Z_95 * sqrt(share * (1 - share) / n + z2 / (4 * n * n)) / (1 + z2 / n)
    # At k = 0 and k = n one end is 0 or 1 by algebra; floating point alone gives -1e-17.
    low = 0.0 if k == 0 else centre - half
    high = 1.0 if k == n else centre + half
    return Interval(low, high, "Wilson score 95 %")


def clopper_pearson(k: int, n: int) -> Interval | None:
    """Exact binomial interval of k out of n, as shares 0 to 1; None for n = 0 (Clopper & Pearson 1934).

    Each end is the share at which the outcome, or one farther out, has a chance of 2.5 %.
    """
    if n == 0:
        return None
    low = 0.0 if k == 0 else _root(lambda p: _chance(range(k, n + 1), n, p) - 0.025)
    high = 1.0 if k == n else _root(lambda p: 0.025 - _chance(range(k + 1), n, p))
    return Interval(low, high, "Clopper-Pearson exact 95 %")


def _chance(counts: range, n: int, p: float) -> float:
    """Chance that a binomial count of n trials at share p (0 < p < 1) is one of ``counts``."""

    def log_chance(x: int) -> float:
        ways = lgamma(n + 1) - lgamma(x + 1) - lgamma(n - x + 1)
        return ways + x * log(p) + (n - x) * log1p(-p)

    return fsum(exp(log_chance(x)) for x in counts)


def _root(rising: Callable[[float], float]) -> float:
    """Where a function that rises over 0 to 1 crosses zero, by halving."""
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if rising(middle) < 0 else (low, middle)
    return (low + high) / 2
