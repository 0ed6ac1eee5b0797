"""Airway entry in four physiological groups of the 8-point penetration-aspiration scale.

Scale: Rosenbek 1996. Groups A to D: from memory of Steele & Grace-Martin 2017. Scores are names in order:
they are counted and compared, never averaged or subtracted.
"""

from collections.abc import Iterable

__all__ = ["GROUPS", "group", "worst_group"]

GROUPS = {1: 1, 2: 1, 4: 1, 3: 2, 5: 2, 6: 2, 7: 3, 8: 4}
"""Group (1 = A safest to 4 = D) of each score."""


def group(score: int) -> int:
    """Group 1 (A) to 4 (D) of a score 1 to 8."""
    return GROUPS[score]


def worst_group(scores: Iterable[int]) -> int | None:
    """Worst group among the scores of like boluses; None without scores."""
    return max(map(group, scores), default=None)
