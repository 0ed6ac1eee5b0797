"""How well people hide among each other: classes of equal quasi-identifiers.

k is the size of the smallest class: every person equals at least k - 1 others in everything compared
(Sweeney 2002, k-anonymity). l is the smallest number of different sensitive values in a class: where it is 1,
whoever finds somebody's class knows that value of them (Machanavajjhala 2007, distinct l-diversity). Neither
says anything about series of visits and scores, which are nearly unique.
"""

from collections import Counter, defaultdict
from collections.abc import Hashable, Iterable, Mapping, Sequence
from typing import TypeVar

__all__ = ["alone", "diversity", "people_below", "plan", "smallest_class"]

Class = TypeVar("Class", bound=Hashable)
Person = TypeVar("Person", bound=Hashable)


def smallest_class(classes: Mapping[Class, int]) -> int:
    """Size of the smallest class of people, 0 where there is nobody."""
    return min(classes.values(), default=0)


def people_below(classes: Mapping[Class, int], k: int) -> int:
    """Number of people in classes smaller than ``k``."""
    return sum(size for size in classes.values() if size < k)


def alone(classes: Mapping[Class, int]) -> int:
    """Number of people whom nobody equals."""
    return people_below(classes, 2)


def diversity(people: Iterable[tuple[Class, Hashable]]) -> int:
    """Smallest number of different values in a class, of (class, value); 0 where there is nobody."""
    values: defaultdict[Class, set[Hashable]] = defaultdict(set)
    for group, value in people:
        values[group].add(value)
    return min(map(len, values.values()), default=0)


def plan(people: Mapping[Person, Sequence[Class]], k: int) -> dict[Person, int]:
    """Decide how wide each person has to be described, so that ``k`` are alike.

    A person comes with their classes, from as they are to the widest; the answer is the place of one of them,
    or their number if none is large enough. Only people who are made as wide hide each other: one who leaves
    as they are can be told apart from them.
    """
    levels: dict[Person, int] = {}
    left = list(people)
    for level in range(max((len(one) for one in people.values()), default=0)):
        sizes = Counter(people[person][level] for person in left)
        levels |= {person: level for person in left if sizes[people[person][level]] >= k}
        left = [person for person in left if person not in levels]
    return levels | {person: len(people[person]) for person in left}
