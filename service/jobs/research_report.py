"""What a research export did, for who ran it and, as a Parameters resource, for who receives it."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from service.deidentify.cells import SMALLEST_TOLD, small

__all__ = ["SERIES", "Report"]

Tree = dict[str, Any]

SERIES = (
    "k compares age, gender, place, conditions, years of visits and death alone. A series of visits, and "
    "more so of scores, is nearly unique: whoever knows some of it can find a person in spite of k."
)


@dataclass(slots=True)
class Report:
    """Counts of one export; complete once its last line was taken.

    ``k`` is the size of the smallest class of released people that are equal in age (as released), gender,
    place, conditions, years of visits and death; ``k_after`` the same if everybody were described as widely
    as after each of the policy's steps. ``l`` is the smallest number of different values of what the policy
    calls sensitive in a class. ``k_asked`` is what is asked of people who are not test data,
    ``smallest`` the smallest count of people left out that is told. ``widened`` counts people by the last
    step done to them, ``visits_unique`` those whose series of visits nobody shares.
    """

    policy: str
    policy_version: str
    engine_version: str
    released: date
    zip3_census: int
    k_asked: int
    smallest: int = SMALLEST_TOLD
    project: str = ""
    approval: str = ""
    k: int = 0
    k_after: dict[str, int] = field(default_factory=dict)
    l: int = 0  # noqa: E741 - the name it has in the literature
    classes: int = 0
    people_in_small_classes: int = 0
    people: int = 0
    test_people: int = 0
    visits_unique: int = 0
    withdrawn: int = 0
    widened: Counter[str] = field(default_factory=Counter)
    left_out: Counter[str] = field(default_factory=Counter)
    resources: Counter[str] = field(default_factory=Counter)
    held_back: Counter[str] = field(default_factory=Counter)

    @property
    def counts(self) -> dict[str, int]:
        """How much left, for the log."""
        return {"people": self.people, "resources": self.resources.total()}

    def as_parameters(self) -> Tree:
        """The report as the last resource of the file; small counts of people left out are not told."""
        smallest = 1 if self.people == self.test_people else self.smallest
        return {
            "resourceType": "Parameters",
            "parameter": [
                {"name": "policy", "valueString": f"{self.policy} {self.policy_version}"},
                {"name": "engine", "valueString": f"swallow-interop {self.engine_version}"},
                {"name": "released", "valueDate": self.released.isoformat()},
                {"name": "project", "valueString": self.project},
                *([{"name": "approval", "valueString": self.approval}] if self.approval else []),
                {"name": "zip3Census", "valueInteger": self.zip3_census},
                {"name": "people", "valueInteger": self.people},
                {"name": "testPeople", "valueInteger": self.test_people},
                {"name": "k", "valueInteger": self.k},
                {"name": "kAskedFor", "valueInteger": self.k_asked},
                *_counts("kAfter", self.k_after),
                {"name": "l", "valueInteger": self.l},
                {"name": "classes", "valueInteger": self.classes},
                {"name": "peopleInSmallClasses", "valueInteger": self.people_in_small_classes},
                {"name": "visitSeriesUnique", "valueInteger": self.visits_unique},
                {"name": "caution", "valueString": SERIES},
                *_counts("widened", self.widened, smallest),
                *_counts("leftOut", self.left_out, smallest),
                *_counts("resources", self.resources),
                *_counts("heldBack", self.held_back),
            ],
        }


def _counts(name: str, counts: Mapping[str, int], smallest: int = 1) -> list[Tree]:
    return [
        {"name": name, "part": [{"name": "what", "valueString": what}, _count(count, smallest)]}
        for what, count in sorted(counts.items())
    ]


def _count(count: int, smallest: int) -> Tree:
    """A small count of people is not told. None of the others tells it: no sum of them is told either."""
    if not small(count, smallest):
        return {"name": "count", "valueInteger": count}
    return {"name": "count", "valueString": f"1 to {smallest - 1}"}
