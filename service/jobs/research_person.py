"""What one person's resources become: the part of an export that takes time, for any process to do."""

import random
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Protocol

from service.deidentify.dates import day_of
from service.deidentify.people import Hidden, deidentify_person
from service.deidentify.pseudonyms import Pseudonyms
from service.deidentify.quasi_identifiers import QuasiIdentifiers, quasi_identifiers, wideners
from service.fhir import json
from service.fhir.validation import errors
from service.jobs.research_policies import Variant, load_variant

__all__ = ["Outcome", "Person", "Random", "deidentified"]

Tree = dict[str, Any]


class Random(Protocol):
    """A source of chance; ``random.SystemRandom()`` is one."""

    def getrandbits(self, k: int, /) -> int:
        """Answer ``k`` random bits."""
        ...

    def randrange(self, stop: int, /) -> int:
        """Answer a random number from 0 to ``stop`` - 1."""
        ...

    def shuffle(self, x: Any, /) -> None:
        """Put a list in random order."""
        ...


@dataclass(frozen=True, slots=True)
class Person:
    """What is stored of one person (texts, the Patient first), and what hides them.

    ``wider`` is how many of the policy's steps their description is to be widened by.
    """

    variant: str
    day: date
    texts: Sequence[bytes]
    names: Mapping[str, str]
    raters: Mapping[str, str]
    shift: int
    wider: int = 0


@dataclass(frozen=True, slots=True)
class Outcome:
    """What leaves of one person: (type, JSON text) of each resource; nothing if the Patient may not.

    ``names`` are all that were given, ``classes`` what the person can be told apart by, from as they are to
    the widest. ``sensitive`` is the value that k does not hide, ``visits`` what is shown of when they came.
    """

    resources: list[tuple[str, bytes]] = field(default_factory=list)
    names: Mapping[str, str] = field(default_factory=dict)
    held_back: Counter[str] = field(default_factory=Counter)
    classes: tuple[QuasiIdentifiers, ...] = ()
    sensitive: str = ""
    visits: tuple[str, ...] = ()
    test: bool = False


def deidentified(person: Person, chance: Random | None = None) -> Outcome:
    """De-identify, validate and widen one person's resources; names are drawn from ``chance``."""
    variant = load_variant(person.variant)
    names = dict(person.names)
    draw = (chance or random.SystemRandom()).getrandbits
    released, held_back = deidentify_person(
        [json.reread(text) for text in person.texts],
        variant.deidentify,
        day=person.day,
        hidden=Hidden(Pseudonyms(names, draw), person.raters, person.shift),
        valid=lambda resource: not errors(resource),
    )
    if not released:
        return Outcome(held_back=held_back)
    described = [one for one in released if one["resourceType"] in _TELLS_APART]
    classes = [quasi_identifiers(described[0], described[1:])]
    for number, (_, widen) in enumerate(wideners(variant.document, person.day), 1):
        described = [widen(one) for one in described]
        classes.append(quasi_identifiers(described[0], described[1:]))
        if number <= person.wider:
            released = [widen(one) for one in released]
    return Outcome(
        [(one["resourceType"], json.dump(one)) for one in released],
        names,
        held_back,
        tuple(classes),
        _sensitive(released, variant),
        _series([one for one in released if one["resourceType"] == "Encounter"]),
        any(label["code"] == "HTEST" for label in released[0]["meta"]["security"]),
    )


_TELLS_APART = ("Patient", "Condition", "Encounter")


def _sensitive(released: Sequence[Tree], variant: Variant) -> str:
    """The lowest value of the Observations that the policy calls sensitive, empty if there is none."""
    asked = variant.document["sensitive"]
    values = [
        one["valueInteger"]
        for one in released
        if one["resourceType"] == "Observation"
        and "valueInteger" in one
        and any(
            coding["system"] == asked["system"] and coding["code"] == asked["code"]
            for coding in one["code"]["coding"]
        )
    ]
    return str(min(values)) if values else ""


def _series(visits: Sequence[Tree]) -> tuple[str, ...]:
    """What a series of visits shows: days between them where there are days, else years."""
    shown = sorted(_when(visit) for visit in visits)
    days = [day for text in shown if (day := day_of(text))]
    if not days or len(days) < len(shown):
        return tuple(shown)
    return tuple(str((day - days[0]).days) for day in days)


def _when(visit: Tree) -> str:
    """What is shown of the beginning of a visit: a date, a year, or days since the first."""
    period = visit.get("period", {})
    counted = period.get("_start", {}).get("extension", [{"valueInteger": ""}])
    return str(period.get("start", counted[0]["valueInteger"]))
