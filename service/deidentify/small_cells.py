"""How well people hide among each other: classes of equal quasi-identifiers.

k is the size of the smallest class: every person equals at least k - 1 others in everything compared
(Sweeney 2002, k-anonymity). It says nothing about series of visits and scores, which are nearly unique.
"""

from collections import Counter
from collections.abc import Callable, Hashable, Mapping
from enum import IntEnum
from typing import TypeVar

__all__ = ["Step", "people_below", "plan", "smallest_class"]

Class = TypeVar("Class", bound=Hashable)


class Step(IntEnum):
    """What has to be done to the people of one class."""

    AS_IS = 0
    GENERALISED = 1
    SUPPRESSED = 2


def smallest_class(classes: Mapping[Class, int]) -> int:
    """Size of the smallest class of people, 0 where there is nobody."""
    return min(classes.values(), default=0)


def people_below(classes: Mapping[Class, int], k: int) -> int:
    """Number of people in classes smaller than ``k``."""
    return sum(size for size in classes.values() if size < k)


def plan(classes: Mapping[Class, int], k: int, generalise: Callable[[Class], Class]) -> dict[Class, Step]:
    """Decide for each class whether it may leave as it is, generalised, or not at all.

    Only people that are generalised hide each other: one who leaves as they are can be told apart from them.
    """
    wide: Counter[Class] = Counter()
    for group, size in classes.items():
        if size < k:
            wide[generalise(group)] += size

    def step(group: Class, size: int) -> Step:
        if size >= k:
            return Step.AS_IS
        return Step.GENERALISED if wide[generalise(group)] >= k else Step.SUPPRESSED

    return {group: step(group, size) for group, size in classes.items()}
