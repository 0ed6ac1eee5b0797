"""Two phases of one person compared by how little they overlap.

NAP (Parker & Vannest 2009): share of pairs (one value of A, one of B) in which B is better, ties half.
Tau = 2 NAP - 1. Tau-U has variants, and a number without its variant's name says nothing (Parker, Vannest,
Davis & Sauber 2011): 'A versus B less trend in A', (S_AB - S_A) / (m n); and with the trend in B added,
(S_AB - S_A + S_B) / (m n), which can exceed 1. Standard error of NAP: Hanley & McNeil 1982 with empirical Q1
and Q2. PND (Scruggs, Mastropieri & Casto 1987): share of B beyond the best of A. PEM (Ma 2006): share of B
beyond the median of A, ties half. Number of points: WWC 2010 standards (from memory): five a phase meet them,
three or four with reservations.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from math import sqrt
from statistics import median
from typing import Literal

from service.attainment.goals import Target, Value
from service.attainment.inputs import CareFacts
from service.attainment.trend import kendall_s

__all__ = [
    "MIN_POINTS",
    "Overlap",
    "Phase",
    "Standard",
    "baseline_overlap",
    "overlap",
    "phases",
]

MIN_POINTS = 3
"""Values below which a series is no phase."""
_ENOUGH = 5

Standard = Literal["meets", "with reservations", "no phase"]


@dataclass(frozen=True, slots=True)
class Phase:
    """Values dated later than ``after`` and not later than ``until`` belong to it; None: no bound.

    What is measured on the day something begins was measured before it began: a probe comes before the
    day's training, and a plan is made at the end of a visit. So a phase ends with the day that ends it.
    """

    label: str
    after: date | None
    until: date | None
    evidence: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Overlap:
    """A (m values) against B (n values), turned so that B better is above one half; None with a ``reason``.

    All but ``error`` are exact. ``nap``, ``pnd`` and ``pem`` are shares, 0 to 1. ``tau_u`` is corrected for
    the trend in A, ``tau_u_both`` for those in A and B. ``error`` is the standard error of NAP, None
    where the phases do not overlap at all (``reason`` says so): it would be 0, which is not certainty.
    """

    m: int
    n: int
    standard: Standard
    nap: Fraction | None
    tau: Fraction | None
    tau_u: Fraction | None
    tau_u_both: Fraction | None
    pnd: Fraction | None
    pem: Fraction | None
    error: float | None
    reason: str = ""
    method: str = (
        "NAP; Tau; Tau-U (A versus B less trend in A); Tau-U of both trends (the same plus trend in B, can "
        "exceed 1), over pairs of A and B; PND; PEM"
    )


def overlap(a: Sequence[Fraction], b: Sequence[Fraction], *, higher_is_better: bool = True) -> Overlap:
    """Compare phase A with phase B, each in time order."""
    m, n, standard = len(a), len(b), _standard(min(len(a), len(b)))
    if standard == "no phase":
        reason = f"a phase needs {MIN_POINTS} values; phase statistics not computed"
        return _uncomputed(m, n, reason)
    if not higher_is_better:
        a, b = [-value for value in a], [-value for value in b]
    wins = [[_win(before, after) for after in b] for before in a]
    nap = sum((sum(row, Fraction(0)) for row in wins), Fraction(0)) / (m * n)
    apart = nap in (0, 1)
    tau = 2 * nap - 1
    tau_u = tau - Fraction(kendall_s(a), m * n)
    best, middle = max(a), median(a)
    return Overlap(
        m=m,
        n=n,
        standard=standard,
        nap=nap,
        tau=tau,
        tau_u=tau_u,
        tau_u_both=tau_u + Fraction(kendall_s(b), m * n),
        pnd=Fraction(sum(after > best for after in b), n),
        pem=sum((_win(middle, after) for after in b), Fraction(0)) / n,
        error=None if apart else _error(wins, nap),
        reason="complete separation: no interval" if apart else "",
    )


def phases(care: CareFacts, as_of: date) -> tuple[Phase, ...]:
    """Baseline, then what began on which day: training, and every home plan after it, until ``as_of``."""
    begun = list(_begun(care, as_of))
    ends = [day for day, _, _ in begun]
    spans = zip([("baseline", ()), *(one[1:] for one in begun)], [None, *ends], [*ends, None], strict=True)
    return tuple(Phase(label, after, until, evidence) for (label, evidence), after, until in spans)


def _begun(care: CareFacts, as_of: date) -> Iterator[tuple[date, str, tuple[str, ...]]]:
    """Day, name and source of each change, one a day."""
    changes: dict[date, tuple[str, tuple[str, ...]]] = {}
    if care.training_began:
        changes[care.training_began] = "training", ()
    for plan in care.plans:
        label = "home plan" if plan.status == "active" else f"home plan, {plan.status}"
        began = changes.get(plan.start)
        changes[plan.start] = f"{began[0]} and {label}" if began else label, (plan.reference,)
    return ((day, *changes[day]) for day in sorted(changes) if day <= as_of)


def baseline_overlap(values: Iterable[Value], target: Target, found: Sequence[Phase]) -> Overlap:
    """The values before anything began against all later ones; the target tells which side is better."""
    values, until = tuple(values), found[0].until
    before = [value.value for value in values if until is None or value.day <= until]
    after = [value.value for value in values[len(before) :]]
    if len(before) < MIN_POINTS:
        reason = "no baseline phase, phase statistics not computed"
        return _uncomputed(len(before), len(after), reason)
    return overlap([target.oriented(one) for one in before], [target.oriented(one) for one in after])


def _uncomputed(m: int, n: int, reason: str) -> Overlap:
    return Overlap(m, n, "no phase", None, None, None, None, None, None, None, reason)


def _standard(fewest: int) -> Standard:
    if fewest < MIN_POINTS:
        return "no phase"
    return "meets" if fewest >= _ENOUGH else "with reservations"


def _win(before: Fraction, after: Fraction) -> Fraction:
    return Fraction((after > before) - (after < before) + 1, 2)


def _error(wins: Sequence[Sequence[Fraction]], nap: Fraction) -> float:
    """Of all pairs of pairs that share a value: Q1 shares the one of A, Q2 the one of B."""
    m, n = len(wins), len(wins[0])
    q_1 = sum((sum(row, Fraction(0)) ** 2 for row in wins), Fraction(0)) / (m * n * n)
    columns = zip(*wins, strict=True)
    q_2 = sum((sum(column, Fraction(0)) ** 2 for column in columns), Fraction(0)) / (m * m * n)
    square = nap * (1 - nap) + (n - 1) * (q_1 - nap**2) + (m - 1) * (q_2 - nap**2)
    return sqrt(square / (m * n))
