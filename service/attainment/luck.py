"""How often luck alone meets a criterion: the chance that somebody of a given true rate does.

Each trial is taken as independent with the same rate, so visits are binomial. Reaching the criterion within
some visits is a run of that length anywhere among them (Feller 1968, An Introduction to Probability Theory,
chapter XIII, success runs), counted exactly.
"""

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from math import ceil, comb

__all__ = ["Luck", "chance_of_run", "chance_of_visit", "luck"]


@dataclass(frozen=True, slots=True)
class Luck:
    """Exact chances, 0 to 1, for one true rate.

    ``visit``: one visit is at target. ``run``: the first ``visits_in_a_row`` visits all are.
    ``within``: the criterion is met at some time within ``visits`` visits.
    """

    rate: Fraction
    needed: int
    trials: int
    visits_in_a_row: int
    visits: int
    visit: Fraction
    run: Fraction
    within: Fraction
    method: str = "binomial trials, run of visits"


@lru_cache(maxsize=1024)  # the same few criteria, over and over
def luck(rate: Fraction, target: Fraction, trials: int, *, visits_in_a_row: int, visits: int) -> Luck:
    """The chances at a true rate (0 to 1) of meeting a target share (0 to 1) of ``trials`` per visit."""
    needed = ceil(target * trials)
    visit = chance_of_visit(rate, needed, trials)
    return Luck(
        rate=rate,
        needed=needed,
        trials=trials,
        visits_in_a_row=visits_in_a_row,
        visits=visits,
        visit=visit,
        run=visit**visits_in_a_row,
        within=chance_of_run(visit, visits_in_a_row, visits),
    )


def chance_of_visit(rate: Fraction, needed: int, trials: int) -> Fraction:
    """Chance of at least ``needed`` successes in ``trials``."""
    counts = range(max(0, needed), trials + 1)
    return sum((comb(trials, k) * rate**k * (1 - rate) ** (trials - k) for k in counts), Fraction(0))


def chance_of_run(chance: Fraction, length: int, visits: int) -> Fraction:
    """Chance of ``length`` (1 or more) successes in a row somewhere among ``visits``, each with this chance.

    ``waiting[i]``: the run is not reached yet and the last i visits were successes.
    """
    waiting = [Fraction(1)] + [Fraction(0)] * (length - 1)
    reached = Fraction(0)
    for _ in range(visits):
        reached += chance * waiting[-1]
        waiting = [(1 - chance) * sum(waiting), *(chance * before for before in waiting[:-1])]
    return reached
