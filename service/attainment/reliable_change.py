"""Whether a change is larger than the measure's own unsteadiness (Jacobson & Truax 1991).

SE = SD sqrt(1 - r), S_diff = sqrt(2) SE, RC = (after - before) / S_diff; reliable beyond 1.96. It needs a
published spread and retest reliability; measures without them have no agreed important difference.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt

from service.attainment.intervals import Z_95

__all__ = ["RELIABILITIES", "Reliability", "ReliableChange", "cut_off", "reliable_change"]


@dataclass(frozen=True, slots=True)
class Reliability:
    """Standard deviation and retest reliability of a measure. ``approximate``: they come from two samples."""

    deviation: float
    retest: float
    source: str
    approximate: bool = False

    @property
    def error(self) -> float:
        """Standard error of a difference of two measurements."""
        return sqrt(2 * (1 - self.retest)) * self.deviation

    @property
    def threshold(self) -> float:
        """The smallest change beyond 1.96 standard errors, in the measure's unit."""
        return Z_95 * self.error

    def index(self, before: float, after: float) -> float:
        """RC: the change in standard errors of a difference."""
        return (after - before) / self.error


RELIABILITIES: Mapping[str, Reliability] = {
    "eat10-total": Reliability(
        12.22,
        0.93,
        "SD of the oropharyngeal group: Belafsky 2008; retest of the Finnish version, 2021",
        approximate=True,
    )
}
"""By measure code; nothing was published for airway scores, intake level, closure accuracy or scaling T."""


@dataclass(frozen=True, slots=True)
class ReliableChange:
    """``index`` (RC), ``threshold`` in the measure's unit and ``reliable``; None with a ``reason``."""

    index: float | None
    threshold: float | None
    reliable: bool | None
    approximate: bool = False
    source: str = ""
    reason: str = ""
    method: str = "Jacobson-Truax reliable change, 95 %"


def reliable_change(measure: str, before: float, after: float) -> ReliableChange:
    """Judge a change of a measure, in its unit."""
    known = RELIABILITIES.get(measure)
    if known is None:
        return ReliableChange(None, None, None, reason="no agreed important difference")
    index = known.index(before, after)
    return ReliableChange(index, known.threshold, abs(index) > Z_95, known.approximate, known.source)


def cut_off(
    mean_of_people_in_care: float, deviation_in_care: float, mean_of_others: float, deviation_of_others: float
) -> float:
    """Criterion c: where a score is as far from one group as from the other, in their own deviations."""
    weighed = deviation_of_others * mean_of_people_in_care + deviation_in_care * mean_of_others
    return weighed / (deviation_in_care + deviation_of_others)
