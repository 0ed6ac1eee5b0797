"""Into which groups a cohort can be told apart, so that none of their counts is small.

Strata with few people are told together, and endings that few people had: what is left is made of counts of 0
or at least the smallest that is told, and so is every sum and difference of them.
"""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass

from service.deidentify.cells import small
from service.jobs.cohort_words import COMPETING, ENDINGS

__all__ = ["EVERYBODY", "LEVELS", "OTHERS", "Division", "divided"]

EVERYBODY = "everybody"
OTHERS = "all others"
LEVELS = (ENDINGS, ("attained", "ended", "waiting"), ("attained", "left"))
"""Endings, the finest first: each kind apart; ends of care together; all who did not attain together."""


@dataclass(frozen=True, slots=True)
class Division:
    """The strata that are told, each made of one or several, and the endings told apart in all of them."""

    strata: Mapping[str, tuple[str, ...]]
    endings: tuple[str, ...]

    @property
    def competing(self) -> tuple[str, ...]:
        """Endings that keep from attaining; empty where they are told together with those who still wait."""
        return tuple(one for one in self.endings if one in (*COMPETING, "ended"))

    def pooled(self, ended: Mapping[str, int]) -> dict[str, int]:
        """People by the endings that are told apart."""
        found = Counter[str]()
        for ending, count in ended.items():
            found[self._told_as(ending)] += count
        return {ending: found[ending] for ending in self.endings}

    def _told_as(self, ending: str) -> str:
        if ending in self.endings:
            return ending
        return "ended" if "ended" in self.endings and ending in COMPETING else "left"


def divided(outcomes: Mapping[str, Mapping[str, int]], k: int) -> Division | None:
    """Divide people by stratum and ending; None where even all together are too few to be told."""
    strata = _strata(outcomes, k)
    for endings in LEVELS:
        division = Division(strata, endings)
        told = [division.pooled(_summed(outcomes, members)) for members in strata.values()]
        if not any(small(count, k) for one in told for count in one.values()):
            return division
    return None


def _strata(outcomes: Mapping[str, Mapping[str, int]], k: int) -> dict[str, tuple[str, ...]]:
    if len(outcomes) == 1:
        return {name or EVERYBODY: (name,) for name in outcomes}
    rest = [name for name in outcomes if _few(outcomes, (name,), k)]
    large = sorted(outcomes.keys() - set(rest), key=lambda name: (sum(outcomes[name].values()), name))
    while rest and large and _few(outcomes, tuple(rest), k):
        rest.append(large.pop(0))
    found: dict[str, tuple[str, ...]] = {name: (name,) for name in sorted(large)}
    if rest:
        found[OTHERS if large else EVERYBODY] = tuple(sorted(rest))
    return found


def _few(outcomes: Mapping[str, Mapping[str, int]], names: tuple[str, ...], k: int) -> bool:
    pooled = Division({}, LEVELS[-1]).pooled(_summed(outcomes, names))
    return any(small(count, k) for count in pooled.values())


def _summed(outcomes: Mapping[str, Mapping[str, int]], names: tuple[str, ...]) -> Counter[str]:
    found = Counter[str]()
    for name in names:
        found.update(outcomes[name])
    return found
