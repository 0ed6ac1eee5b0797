"""A swallow study in counts: airway scores are names in order and are never averaged or subtracted.

Scale: Rosenbek 1996. What is counted follows Steele & Grace-Martin 2017 (frequencies and ordinal summaries).
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from statistics import median_low, multimode

from service.attainment.airway import GROUPS
from service.attainment.goals import Value

__all__ = ["Study", "Summary", "Swallow", "summaries", "summary", "worst_groups"]


@dataclass(frozen=True, slots=True)
class Swallow:
    """One swallow of a study. ``score`` None: not rateable. ``manoeuvre`` (or posture) is empty for none.

    ``consistency`` is the IDDSI level, ``volume`` in millilitres, ``amount`` in words for solids; ``timing``
    of airway entry: before, during, after. ``evidence`` names the source.
    """

    consistency: int
    score: int | None
    volume: Fraction | None = None
    amount: str = ""
    manoeuvre: str = ""
    timing: tuple[str, ...] = ()
    evidence: str = ""

    @property
    def kind(self) -> tuple[int, Fraction | None, str]:
        """What makes two swallows alike: consistency, volume and amount."""
        return self.consistency, self.volume, self.amount


@dataclass(frozen=True, slots=True)
class Study:
    """A swallow study: its day and swallows, in the order they were given.

    ``method`` is endoscopic or videofluoroscopic, empty if it was not recorded.
    """

    day: date
    swallows: tuple[Swallow, ...]
    method: str = ""


@dataclass(frozen=True, slots=True)
class Summary:
    """``n`` rated swallows. Shares are exact, 0 to 1; ``groups`` counts A to D as 1 to 4.

    ``worst``, ``modes`` and ``lower_median`` are scores 1 to 8. ``left_out`` counts swallows not rateable.
    """

    n: int
    worst: int
    worst_group: int
    modes: tuple[int, ...]
    lower_median: int
    scores: Mapping[int, int]
    groups: Mapping[int, int]
    entered: Fraction
    aspirated: Fraction
    silent: Fraction
    timing: Mapping[str, int]
    left_out: int
    method: str = "counts and ordinal summaries; entered >= 3, aspirated >= 6, silent = 8"


def summary(swallows: Iterable[Swallow]) -> Summary | None:
    """Count the swallows; None if none of them could be rated."""
    swallows = tuple(swallows)
    scores = sorted(one.score for one in swallows if one.score is not None)
    if not scores:
        return None
    groups = Counter(GROUPS[score] for score in scores)
    return Summary(
        n=len(scores),
        worst=scores[-1],
        worst_group=max(groups),
        modes=tuple(multimode(scores)),
        lower_median=median_low(scores),
        scores=Counter(scores),
        groups={group: groups[group] for group in (1, 2, 3, 4)},
        entered=_share(scores, 3),
        aspirated=_share(scores, 6),
        silent=_share(scores, 8),
        timing=Counter(when for one in swallows for when in one.timing),
        left_out=len(swallows) - len(scores),
    )


def summaries(swallows: Iterable[Swallow]) -> Mapping[tuple[int, bool], Summary]:
    """By consistency, swallows without (False) and with (True) a manoeuvre apart."""
    found: dict[tuple[int, bool], list[Swallow]] = {}
    for one in swallows:
        found.setdefault((one.consistency, bool(one.manoeuvre)), []).append(one)
    return {key: counted for key in sorted(found) if (counted := summary(found[key]))}


def worst_groups(studies: Iterable[Study], consistency: int | None) -> list[Value]:
    """Worst group of each study day on one consistency (None: on any), swallows without manoeuvre only."""
    days: dict[date, list[Swallow]] = {}
    for study in studies:
        for one in study.swallows:
            if one.score is not None and not one.manoeuvre and consistency in (None, one.consistency):
                days.setdefault(study.day, []).append(one)
    return [
        Value(
            day=day,
            value=Fraction(max(GROUPS[one.score] for one in found if one.score is not None)),
            evidence=tuple(one.evidence for one in found if one.evidence),
        )
        for day, found in sorted(days.items())
    ]


def _share(scores: list[int], least: int) -> Fraction:
    return Fraction(sum(score >= least for score in scores), len(scores))
