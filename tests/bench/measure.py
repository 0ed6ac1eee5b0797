"""Timing two things alternately, and the row of the table that comes of it."""

import time
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from statistics import median

__all__ = ["Row", "Size", "Work", "alternately", "timed"]

Work = Callable[[], Awaitable[object]]


@dataclass(frozen=True, slots=True)
class Row:
    """What was done against what, in seconds per piece of work.

    The budget: at most ``limit`` times as long as the baseline, at least ``rate`` pieces a second, at most
    ``most`` seconds.
    """

    work: str
    baseline: str
    measured: Sequence[float]
    floor: Sequence[float]
    limit: float | None = None
    rate: float | None = None
    most: float | None = None

    @property
    def seconds(self) -> float:
        """The median of what was measured."""
        return median(self.measured)

    @property
    def floor_seconds(self) -> float:
        """The median of the baseline."""
        return median(self.floor)

    @property
    def ratio(self) -> float:
        """How many times as long as the baseline."""
        return self.seconds / self.floor_seconds

    @property
    def budget(self) -> str:
        """The budget in words, empty if there is none."""
        parts = (
            f"<= {self.limit:.3g}x" if self.limit else "",
            f">= {self.rate:g}/s" if self.rate else "",
            f"<= {1_000 * self.most:g} ms" if self.most else "",
        )
        return " and ".join(filter(None, parts))

    @property
    def held(self) -> str:
        """Whether the budget was held, empty if there is none."""
        if not self.budget:
            return ""
        slow = self.limit is not None and self.ratio > self.limit
        few = self.rate is not None and 1 / self.seconds < self.rate
        late = self.most is not None and self.seconds > self.most
        return "no" if slow or few or late else "yes"


@dataclass(frozen=True, slots=True)
class Size:
    """Something measured on its own; the budget: at most ``most`` units."""

    what: str
    measured: float
    unit: str
    most: float | None = None

    @property
    def budget(self) -> str:
        """The budget in words, empty if there is none."""
        return "" if self.most is None else f"<= {self.most:g} {self.unit}"

    @property
    def held(self) -> str:
        """Whether the budget was held, empty if there is none."""
        return "" if self.most is None else "yes" if self.measured <= self.most else "no"


async def timed(work: Work, *, times: int = 1) -> float:
    """Seconds for one piece of work, as the mean of ``times`` in a row."""
    begin = time.perf_counter()
    for _ in range(times):
        await work()
    return (time.perf_counter() - begin) / times


async def alternately(
    work: Work, baseline: Work, *, rounds: int, times: int = 1
) -> tuple[list[float], list[float]]:
    """Time both in turn, so that what else the machine does falls on both; the first round is not kept."""
    pairs = [(await timed(work, times=times), await timed(baseline, times=times)) for _ in range(rounds + 1)]
    measured, floor = zip(*pairs[1:], strict=True)
    return list(measured), list(floor)
