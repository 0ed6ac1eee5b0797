"""What a research export did, for who ran it and, as a Parameters resource, for who receives it."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

__all__ = ["Report"]

Tree = dict[str, Any]

_SMALLEST_TOLD = 11
"""Counts of 1 to 10 people are not told outside (cell-size rule of the US Medicare agency, resdac.org)."""


@dataclass(slots=True)
class Report:
    """Counts of one export; complete once its last line was taken.

    ``k`` is the size of the smallest class of released people that are equal in age (birth year or class),
    gender, state, ZIP3, conditions and years of visits; ``k_in_age_classes`` the same with every birth year
    widened to ten years. ``smallest_class`` is what the policy asks of people who are not test data.
    """

    policy: str
    policy_version: str
    engine_version: str
    released: date
    zip3_census: int
    smallest_class: int
    k: int = 0
    k_in_age_classes: int = 0
    classes: int = 0
    people_in_small_classes: int = 0
    people: int = 0
    test_people: int = 0
    birth_years_widened: int = 0
    left_out: Counter[str] = field(default_factory=Counter)
    resources: Counter[str] = field(default_factory=Counter)
    held_back: Counter[str] = field(default_factory=Counter)

    @property
    def counts(self) -> dict[str, int]:
        """How much left, for the log."""
        return {"people": self.people, "resources": self.resources.total()}

    def as_parameters(self) -> Tree:
        """The report as the last resource of the file; small counts of people left out are not told."""
        told = self.people == self.test_people
        return {
            "resourceType": "Parameters",
            "parameter": [
                {"name": "policy", "valueString": f"{self.policy} {self.policy_version}"},
                {"name": "engine", "valueString": f"swallow-interop {self.engine_version}"},
                {"name": "released", "valueDate": self.released.isoformat()},
                {"name": "zip3Census", "valueInteger": self.zip3_census},
                {"name": "people", "valueInteger": self.people},
                {"name": "testPeople", "valueInteger": self.test_people},
                {"name": "k", "valueInteger": self.k},
                {"name": "kInAgeClasses", "valueInteger": self.k_in_age_classes},
                {"name": "classes", "valueInteger": self.classes},
                {"name": "kAskedFor", "valueInteger": self.smallest_class},
                {"name": "peopleInSmallClasses", "valueInteger": self.people_in_small_classes},
                {"name": "birthYearsWidened", "valueInteger": self.birth_years_widened},
                *_counts("leftOut", self.left_out, told=told),
                *_counts("resources", self.resources, told=True),
                *_counts("heldBack", self.held_back, told=True),
            ],
        }


def _counts(name: str, counts: Mapping[str, int], *, told: bool) -> list[Tree]:
    return [
        {"name": name, "part": [{"name": "what", "valueString": what}, _count(count, told=told)]}
        for what, count in sorted(counts.items())
    ]


def _count(count: int, *, told: bool) -> Tree:
    if told or count >= _SMALLEST_TOLD:
        return {"name": "count", "valueInteger": count}
    return {"name": "count", "valueString": f"1 to {_SMALLEST_TOLD - 1}"}
