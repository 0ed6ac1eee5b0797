"""How long a cohort takes to attain a goal.

Kaplan & Meier 1958: S(t) = product of (1 - d / n), with Greenwood's standard error. A death, or a medical
change that ended care, ends the chance of attaining: that is no censoring, as if the person might still
attain. With such ends the share that attained is Aalen & Johansen's incidence (1978), which is 1 - S where
there are none; the median is the first day by which half have attained in this reading. Attainment is only
seen at visits, so every time is 'by this visit'.
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Literal

from service.attainment.curve import ATTAINED, points

__all__ = ["COMPETING", "How", "Spell", "Step", "TimeToAttainment", "time_to_attainment"]

How = Literal["attained", "censored", "died", "medical-change"]
COMPETING: Final = ("died", "medical-change")
"""Ends after which a goal can't be attained; each is counted apart."""


@dataclass(frozen=True, slots=True)
class Spell:
    """One person: whole days from the goal's start to how it ended."""

    days: int
    ending: How


@dataclass(frozen=True, slots=True)
class Step:
    """A day on which somebody attained the goal: at risk just before, attained on it, and after it.

    ``waiting`` is Kaplan and Meier's S, exact, with Greenwood's standard ``error`` (None where S is 0);
    ``incidence`` is the share that attained by then, counting competing ends as never attaining.
    """

    days: int
    at_risk: int
    attained: int
    waiting: Fraction
    error: float | None
    incidence: Fraction


@dataclass(frozen=True, slots=True)
class TimeToAttainment:
    """``median`` in days, None (with a ``reason``) while more than half have not attained.

    ``competing`` counts the people whom each kind of end kept from attaining.
    """

    n: int
    attained: int
    competing: Mapping[str, int]
    steps: tuple[Step, ...]
    median: int | None
    reason: str = ""
    method: str = "Kaplan-Meier, Greenwood; Aalen-Johansen incidence; attainment seen at visits only"


def time_to_attainment(spells: Iterable[Spell]) -> TimeToAttainment:
    """Compute the steps of a cohort. Who is censored on a day was still at risk on it."""
    spells = tuple(spells)
    steps = tuple(_steps(spells))
    median = next((step.days for step in steps if 2 * step.incidence >= 1), None)
    endings = Counter(spell.ending for spell in spells)
    return TimeToAttainment(
        n=len(spells),
        attained=endings["attained"],
        competing={kind: endings[kind] for kind in COMPETING},
        steps=steps,
        median=median,
        reason="" if median is not None else "not reached" if spells else "nobody in the cohort",
    )


def _steps(spells: tuple[Spell, ...]) -> Iterable[Step]:
    counts: dict[int, Counter[str]] = {}
    for spell in spells:
        counts.setdefault(spell.days, Counter())[spell.ending] += 1
    for point in points(counts, COMPETING):
        if attained := point.ended.get(ATTAINED, 0):
            incidence = point.incidence[ATTAINED]
            yield Step(point.time, point.at_risk, attained, point.waiting, point.error, incidence)
