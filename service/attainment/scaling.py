"""Goal attainment scaling: one T score over goals of different kinds (Kiresuk & Sherman 1968).

Limits: ordinal levels are treated as intervals, rho is assumed, and the team sets how hard a goal is; so it
does not rank clinicians or sites.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import sqrt

from service.errors import Issue, IssueType, RuleViolation

__all__ = ["RHO", "Rating", "Scaling", "scaling", "t_score"]

RHO = 0.3
"""Assumed correlation between goals, the published constant."""


@dataclass(frozen=True, slots=True)
class Rating:
    """One scaled goal: its level at the start and now (-2 to +2; None while not rated), and its weight."""

    goal: str
    baseline: int
    level: int | None = None
    weight: int = 1


@dataclass(frozen=True, slots=True)
class Scaling:
    """T at the start, T now and the change, over the same goals (``goals``); weights in the same order.

    ``now`` and ``change`` are None with a ``reason`` while no goal is rated. ``left_out`` names goals that
    are not rated yet; they never count as 0.
    """

    start: float | None
    now: float | None
    change: float | None
    goals: tuple[str, ...]
    weights: tuple[int, ...]
    left_out: Mapping[str, str]
    reason: str = ""
    method: str = "goal attainment scaling T, rho 0.3"


def scaling(ratings: Iterable[Rating]) -> Scaling:
    """Score the rated goals against their own baselines; RuleViolation as in ``t_score``."""
    ratings = tuple(ratings)
    rated = tuple(rating for rating in ratings if rating.level is not None)
    used = rated or ratings
    weights = [rating.weight for rating in used]
    start = t_score([rating.baseline for rating in used], weights)
    now = t_score([rating.level for rating in rated if rating.level is not None], weights) if rated else None
    return Scaling(
        start=start,
        now=now,
        change=None if now is None or start is None else now - start,
        goals=tuple(rating.goal for rating in used),
        weights=tuple(weights),
        left_out={rating.goal: "not rated yet" for rating in ratings if rating.level is None},
        reason="" if rated else "no goal is rated yet" if ratings else "no goal is scaled",
    )


def t_score(levels: Sequence[int], weights: Sequence[int] | None = None) -> float | None:
    """T of levels -2 to +2: mean 50, standard deviation 10; None without goals.

    RuleViolation names every level out of range, a negative weight, or that all weights are 0.
    """
    if not levels:
        return None
    weights = [1] * len(levels) if weights is None else weights
    if problems := _problems(levels, weights):
        raise RuleViolation(Issue(text, code=IssueType.BUSINESS_RULE) for text in problems)
    total = sum(weight * level for weight, level in zip(weights, levels, strict=True))
    squares, square = sum(weight**2 for weight in weights), sum(weights) ** 2
    return 50 + 10 * total / sqrt((1 - RHO) * squares + RHO * square)


def _problems(levels: Sequence[int], weights: Sequence[int]) -> list[str]:
    problems = [
        f"Scaling level {level} is not one of -2, -1, 0, +1, +2." for level in levels if abs(level) > 2
    ]
    if any(weight < 0 for weight in weights):
        problems.append("A goal's weight can't be below 0.")
    if not any(weights):
        problems.append("At least one goal needs a weight above 0.")
    return problems
