"""How long a cohort takes to attain a goal.

Kaplan & Meier 1958: S(t) = product of (1 - d / n), Greenwood's standard error; the median is the first day
with S at most one half. Deaths and medical withdrawals end the chance of attaining and are no censoring:
with them the share attained is Aalen & Johansen's (1978). Attainment is only seen at visits, so every time
is 'by this visit'.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from math import sqrt
from typing import Literal

__all__ = ["Ending", "Spell", "Step", "TimeToAttainment", "time_to_attainment"]

Ending = Literal["attained", "censored", "competing"]


@dataclass(frozen=True, slots=True)
class Spell:
    """One person: whole days from the goal's start to how it ended."""

    days: int
    ending: Ending


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
    """``median`` in days, None (with a ``reason``) while more than half have not attained."""

    n: int
    attained: int
    competing: int
    steps: tuple[Step, ...]
    median: int | None
    reason: str = ""
    method: str = "Kaplan-Meier, Greenwood; Aalen-Johansen incidence; attainment seen at visits only"


def time_to_attainment(spells: Iterable[Spell]) -> TimeToAttainment:
    """Compute the steps of a cohort. Who is censored on a day was still at risk on it."""
    spells = tuple(spells)
    steps = tuple(_steps(spells))
    median = next((step.days for step in steps if 2 * step.waiting <= 1), None)
    endings = Counter(spell.ending for spell in spells)
    return TimeToAttainment(
        n=len(spells),
        attained=endings["attained"],
        competing=endings["competing"],
        steps=steps,
        median=median,
        reason="" if median is not None else "not reached" if spells else "nobody in the cohort",
    )


def _steps(spells: tuple[Spell, ...]) -> Iterable[Step]:
    waiting = free = Fraction(1)  # free: neither attained nor ended otherwise
    incidence, greenwood = Fraction(0), Fraction(0)
    for day in sorted({spell.days for spell in spells}):
        at_risk = sum(spell.days >= day for spell in spells)
        ended = Counter(spell.ending for spell in spells if spell.days == day)
        attained = ended["attained"]
        incidence += free * Fraction(attained, at_risk)
        free *= 1 - Fraction(attained + ended["competing"], at_risk)
        if attained:
            waiting *= 1 - Fraction(attained, at_risk)
            if waiting:
                greenwood += Fraction(attained, at_risk * (at_risk - attained))
            error = float(waiting) * sqrt(greenwood) if waiting else None
            yield Step(day, at_risk, attained, waiting, error, incidence)
