"""The people of an invented registry, one after the other; a person is the same however many there are."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from service.synthetic.chance import Chance
from service.synthetic.history import history
from service.synthetic.person import Truth, truth
from service.synthetic.trials import Tree

__all__ = ["Person", "Registry"]


@dataclass(frozen=True, slots=True)
class Person:
    """What is true of a person, and the records there are of them."""

    truth: Truth
    records: list[Tree]


@dataclass(frozen=True, slots=True)
class Registry:
    """A registry of so many sites; ``stream`` gives the numbers of 0 to 1 that belong to a name."""

    seed: int
    sites: int
    stream: Callable[[str], Callable[[], float]]

    def people(self, first: int, last: int) -> Iterator[Person]:
        """The people of these numbers, from 1, both included."""
        return map(self.person, range(first, last + 1))

    def person(self, number: int) -> Person:
        """The person of a number, from 1."""
        id_ = f"HTEST-{self.seed}-{number:06d}"
        chance = Chance(self.stream(id_))
        found = truth(id_, chance, self.sites)
        return Person(found, history(found, chance))
