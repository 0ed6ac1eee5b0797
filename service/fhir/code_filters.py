"""Filters of a value set's definition (``ValueSet.compose.include.filter``)."""

from collections.abc import Iterable, Iterator
from typing import Any

from service.fhir.code_systems import CodeSystem, Concept, LargeCodeSystem
from service.fhir.json import Tree
from service.fhir.three_valued import Holds, all_of, not_
from service.fhir.units import canonical

__all__ = ["Filters"]

_OPPOSITES = {"is-not-a": "is-a", "not-in": "in"}


class Filters:
    """Judges concepts; what stands below a code is worked out once."""

    def __init__(self) -> None:
        """Begin with nothing known."""
        self._known: dict[tuple[str, str], frozenset[str]] = {}

    def passes(self, part: Tree, system: CodeSystem, concept: Concept) -> Holds:
        """Whether a concept passes every filter of an include or exclude."""
        said = all_of(self._judge(rule, system, concept) for rule in part.get("filter", ()))
        return said if said or system.complete else None  # what is above it may not be among what is known

    def of_units(self, part: Tree, code: str) -> Iterator[Holds]:
        """Whether a unit measures what the filters say: ``canonical = m`` are the units of length."""
        for rule in part.get("filter", ()):
            if (rule.get("property"), rule.get("op")) != ("canonical", "="):
                yield None
                continue
            mine, wanted = canonical(1, code), canonical(1, rule.get("value", ""))
            yield mine is not None and wanted is not None and mine[1] == wanted[1]

    def _judge(self, rule: Tree, system: CodeSystem, concept: Concept) -> Holds:
        """None for a rule that is not understood, as no regex is: one may never end."""
        name, op, value = (str(rule.get(key, "")) for key in ("property", "op", "value"))
        plain = _OPPOSITES.get(op, op)
        if name in {"concept", "code"}:
            said = self._by_place(plain, value, system, concept.code)
        else:
            said = _by_property(plain, value, {_text(one) for one in _told(name, concept)})
        return said if plain == op else not_(said)

    def _by_place(self, op: str, value: str, system: CodeSystem, code: str) -> Holds:
        match op:
            case "=" | "in":
                return code in _words(value)
            case "is-a":
                return self._is_a(system, value, code)
            case "descendent-of":
                return code != value and self._is_a(system, value, code)
            case "generalizes":
                return code in system.above(value)
            case _:
                return None

    def _is_a(self, system: CodeSystem, upper: str, code: str) -> bool:
        return (
            system.subsumes(upper, code)
            if isinstance(system, LargeCodeSystem)
            else code in self._below(system, upper)
        )

    def _below(self, system: CodeSystem, code: str) -> frozenset[str]:
        key = system.url, code
        if key not in self._known:
            self._known[key] = frozenset(system.below(code))
        return self._known[key]


def _by_property(op: str, value: str, told: set[str]) -> Holds:
    match op:
        case "=":
            return value in told
        case "in":
            return not told.isdisjoint(_words(value))
        case "exists":
            return (value == "true") == bool(told)
        case _:
            return None


def _told(name: str, concept: Concept) -> Iterable[Any]:
    return concept.parents if name == "parent" else concept.values(name)


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return str(value["code"]) if isinstance(value, dict) and "code" in value else str(value)


def _words(value: str) -> set[str]:
    return {one.strip() for one in value.split(",")}
