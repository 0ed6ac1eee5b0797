"""Airway entry in four physiological groups of the 8-point penetration-aspiration scale.

Scale: Rosenbek 1996. Groups A to D: from memory of Steele & Grace-Martin 2017. Scores are names in order:
they are counted and compared, never averaged or subtracted.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from service.attainment.goals import Value

__all__ = ["GROUPS", "Bolus", "worst_groups"]

GROUPS = {1: 1, 2: 1, 4: 1, 3: 2, 5: 2, 6: 2, 7: 3, 8: 4}
"""Group (1 = A safest to 4 = D) of each score."""


@dataclass(frozen=True, slots=True)
class Bolus:
    """One rated swallow of a study: IDDSI level, score 1 to 8, and whether a manoeuvre was used."""

    day: date
    consistency: int
    score: int
    manoeuvre: bool = False
    evidence: tuple[str, ...] = ()


def worst_groups(boluses: Iterable[Bolus], consistency: int | None) -> list[Value]:
    """Worst group of each study day on one consistency (None: on any), swallows without manoeuvre only."""
    days: dict[date, list[Bolus]] = defaultdict(list)
    for bolus in boluses:
        if not bolus.manoeuvre and consistency in (None, bolus.consistency):
            days[bolus.day].append(bolus)
    return [
        Value(
            day=day,
            value=Fraction(max(GROUPS[bolus.score] for bolus in found)),
            evidence=tuple(source for bolus in found for source in bolus.evidence),
        )
        for day, found in sorted(days.items())
    ]
